"""What is seen on each component, and its photos."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django.http import FileResponse, Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404

from fleet.vocabulary import COMPONENTS, Component, PumpFamily
from inspections import selectors
from inspections.models import Photo
from inspections.rules.cautions import CAUTIONS, CLOSING, CautionStep
from inspections.rules.findings import Cause, Severity, Word
from inspections.services import findings, photos
from inspections.web import reading
from inspections.web.forms import FindingForm, PhotoForm, PlainForm
from inspections.web.pages import InspectionPage, ScopedPage

# Parts are washed and blown dry before they are looked at.
WHILE_LOOKING = (CautionStep.SOLVENT, CautionStep.AIR, CautionStep.SPRINGS)


class ComponentList(InspectionPage):
    """All components of the pump with their record."""

    template_name = "inspections/components.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        checks = selectors.checks_of(self.inspection)
        rows = reading.components_of(self.inspection, checks)
        return self.show(
            self.context(
                rows=rows,
                seen=sum(bool(row.findings) for row in rows),
                cautions=[CAUTIONS[step] for step in WHILE_LOOKING],
                closing=CLOSING,
                next_unseen=next((row for row in rows if not row.findings), None),
                **reading.drawing_of(self.inspection, rows),
            )
        )


class ComponentPage(InspectionPage):
    """One component: its findings in standard words, its photos."""

    template_name = "inspections/component.html"
    component: Component

    def setup(self, request: HttpRequest, *args: Any, **kwargs: Any) -> None:
        super().setup(request, *args, **kwargs)
        if not request.user.is_authenticated:
            return
        has = COMPONENTS[PumpFamily(self.inspection.pump.model.family)]
        if kwargs["component"] not in {c.value for c in has}:
            raise Http404
        self.component = Component(kwargs["component"])

    def get(self, request: HttpRequest, pk: int, component: str) -> HttpResponse:
        return self.page()

    def post(self, request: HttpRequest, pk: int, component: str) -> HttpResponse:
        return self.post_once(self.handle)

    def handle(self) -> HttpResponse:
        doing = {
            "finding": self.record,
            "no_defect": self.no_defect,
            "remove": self.remove,
            "photo": self.add_photo,
            "remove_photo": self.remove_photo,
        }
        do = doing.get(self.request.POST.get("do", ""))
        if do is None:
            raise Http404
        return do()

    @property
    def here(self) -> str:
        return self.address("component", self.component.value)

    def record(self) -> HttpResponse:
        form = FindingForm(self.component, self.request.POST)
        status = 422
        if form.is_valid():
            typed = form.cleaned_data
            done = self.act(
                form,
                lambda: findings.record_finding(
                    actor=self.actor,
                    inspection=self.inspection,
                    component=self.component.value,
                    word=Word(typed["word"]),
                    severity=Severity(typed["severity"]),
                    place=typed["place"],
                    note=typed["note"],
                    cause=Cause(typed["cause"]) if typed["cause"] else None,
                ),
                to=self.here,
                said=f"{Word(typed['word']).label} is on record.",
            )
            if not isinstance(done, int):
                return done
            status = done
        return self.page(form=form, status=status)

    def no_defect(self) -> HttpResponse:
        plain = PlainForm(self.request.POST)
        plain.full_clean()
        done = self.act(
            plain,
            lambda: findings.record_finding(
                actor=self.actor,
                inspection=self.inspection,
                component=self.component.value,
                word=Word.NO_DEFECT,
                severity=Severity.NONE,
            ),
            to=self.next_url(),
            said=f"{self.component.label}: no defect.",
        )
        return self.page(plain=plain, status=done) if isinstance(done, int) else done

    def remove(self) -> HttpResponse:
        plain = PlainForm(self.request.POST)
        plain.full_clean()
        finding = get_object_or_404(self.findings(), pk=_number(self.request.POST.get("finding")))
        done = self.act(
            plain,
            lambda: findings.remove_finding(actor=self.actor, finding=finding),
            to=self.here,
        )
        return self.page(plain=plain, status=done) if isinstance(done, int) else done

    def add_photo(self) -> HttpResponse:
        form = PhotoForm(self.request.POST, self.request.FILES)
        status = 422
        if form.is_valid():
            done = self.act(
                form,
                lambda: photos.add_photo(
                    actor=self.actor,
                    inspection=self.inspection,
                    component=self.component.value,
                    upload=form.cleaned_data["file"],
                    caption=form.cleaned_data["caption"],
                ),
                to=f"{self.here}#photos",
            )
            if not isinstance(done, int):
                return done
            status = done
        return self.page(photo_form=form, status=status)

    def remove_photo(self) -> HttpResponse:
        plain = PlainForm(self.request.POST)
        plain.full_clean()
        mine = self.inspection.photos.filter(component=self.component.value)
        photo = get_object_or_404(mine, pk=_number(self.request.POST.get("photo")))
        done = self.act(
            plain,
            lambda: photos.remove_photo(actor=self.actor, photo=photo),
            to=f"{self.here}#photos",
        )
        return self.page(plain=plain, status=done) if isinstance(done, int) else done

    def findings(self) -> QuerySet[Any]:
        return self.inspection.findings.filter(component=self.component.value)

    def next_url(self) -> str:
        """The next component, or the list after the last."""
        has = COMPONENTS[PumpFamily(self.inspection.pump.model.family)]
        at = has.index(self.component) + 1
        if at < len(has):
            return self.address("component", has[at].value)
        return self.address("components")

    def page(self, *, status: int = 200, **forms: Any) -> HttpResponse:
        checks = selectors.checks_of(self.inspection)
        rows = reading.components_of(self.inspection, checks)
        at = next(i for i, row in enumerate(rows) if row.component is self.component)
        form = forms.pop("form", None) or FindingForm(self.component)
        return self.show(
            self.context(
                component=self.component,
                row=rows[at],
                number=at + 1,
                total=len(rows),
                back=rows[at - 1].component if at else None,
                next_url=self.next_url(),
                last=at + 1 == len(rows),
                checks=[c for c in checks if c.component is self.component],
                form=form,
                chosen_word=form["word"].value(),
                groups=reading.words_in_groups(self.component),
                severities=[s for s in Severity if s is not Severity.NONE],
                **{"photo_form": PhotoForm(), **forms},
            ),
            status=status,
        )


class PhotoFile(ScopedPage):
    """The picture itself, to those who may see its inspection."""

    scoped_queryset = Photo.objects.all()

    def get(self, request: HttpRequest, pk: int) -> HttpResponseBase:
        photo = get_object_or_404(self.get_queryset(), pk=pk)
        response = FileResponse(photo.file.open("rb"), content_type="image/jpeg")
        response["Cache-Control"] = "private, max-age=3600"
        response["X-Content-Type-Options"] = "nosniff"
        return response


def _number(typed: str | None) -> int:
    """A row number from a form; 0, which no row has, for anything else."""
    return int(typed) if typed is not None and typed.isdecimal() and len(typed) < 18 else 0
