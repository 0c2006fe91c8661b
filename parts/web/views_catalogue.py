"""The catalogue: parts, kits, and which part renews which component."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone

from fleet.models import PumpModel
from fleet.roles import Capability
from fleet.web.pages import FormPage, Page, SharedPage, do_once, refusal_of, rows_page
from parts import buying_selectors, catalogue_selectors, selectors
from parts.models import Fit, KitContent, Part
from parts.rules.serials import range_words
from parts.services import catalogue
from parts.web import forms_catalogue as forms
from parts.web.forms import CatalogueFilter

MOVEMENTS_SHOWN = 50
OPENINGS_SHOWN = 20


class Catalogue(SharedPage):
    template_name = "parts/catalogue.html"
    partial = "rows"

    def get(self, request: HttpRequest) -> HttpResponse:
        asked = CatalogueFilter(request.GET)
        asked.is_valid()
        query = asked.cleaned_data.get("q", "")
        page = rows_page(request, selectors.catalogue(query))
        newest = catalogue_selectors.newest_of(page.object_list)
        return self.show(
            {
                "page": page,
                "rows": [(part, newest.get(part.pk)) for part in page.object_list],
                "filter": asked,
                "query": query,
                "may": self.may_somewhere(),
            }
        )


class OnePart(SharedPage):
    template_name = "parts/part.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        part = get_object_or_404(selectors.catalogue(), pk=pk)
        levels = selectors.stock_levels().visible_to(self.actor).filter(part=part)
        own_sites = {level.store.site.name for level in levels}
        batches = catalogue_selectors.batch_levels().visible_to(self.actor)
        openings = catalogue_selectors.openings().visible_to(self.actor)
        moves = selectors.movements().visible_to(self.actor).filter(part=part)
        stand_ins = catalogue_selectors.alternatives()
        contents = list(part.contents.all())
        return self.show(
            {
                "part": part,
                "newest": catalogue_selectors.newest(part),
                "older": catalogue_selectors.older_than(part),
                "stand_ins": stand_ins.filter(part=part),
                "stands_in_for": stand_ins.filter(other=part),
                "contents": contents,
                # Their age is then the kit's, and nobody would know it.
                "ageless": [] if part.ages else [c.part for c in contents if c.part.ages],
                "offers": buying_selectors.with_observed(buying_selectors.offers_of(part)),
                "in_kits": KitContent.objects.filter(part=part).select_related("kit"),
                "fits": with_serials(selectors.fits().filter(part=part)),
                "levels": levels.order_by("store__site__name"),
                "batches": batches.filter(batch__part=part),
                "today": timezone.now().date(),
                "elsewhere": [
                    h for h in selectors.holders_of(part) if h.site_name not in own_sites
                ],
                "openings": openings.filter(kit=part)[:OPENINGS_SHOWN],
                "movements": moves.select_related("batch")[:MOVEMENTS_SHOWN],
                "may": self.may_somewhere(),
            }
        )


def with_serials(fits: QuerySet[Fit]) -> list[tuple[Fit, str]]:
    """Fits, each with the pumps it is for in words."""
    return [(fit, range_words(fit.serial_from, fit.serial_to)) for fit in fits]


class OfModel(SharedPage):
    """What renews the components of a pump model: a part of the model's page."""

    template_name = "parts/of_model.html"
    partial = "found"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        model = get_object_or_404(PumpModel, pk=pk)
        return self.show({"model": model, "fits": with_serials(selectors.fits_of(model))})


class CataloguePage(FormPage):
    """A form that whoever keeps the catalogue at any site may use."""

    def prepare(self) -> None:
        self.require_somewhere(Capability.KEEP_CATALOGUE)


class PartAdd(CataloguePage):
    form_class = forms.PartForm
    title = "Add a part"
    verb = "Add the part"

    def save(self, form: Form) -> Part:
        return catalogue.add_part(actor=self.actor, **form.cleaned_data)

    def where(self, row: Part) -> str:
        return reverse("parts:part", args=[row.pk])

    def done(self, row: Part) -> str:
        return f"{row} is in the catalogue."

    def context(self, form: Form) -> dict[str, Any]:
        return {"back": reverse("parts:catalogue")}


class OfPart(CataloguePage):
    """The same about one part."""

    part: Part

    def prepare(self) -> None:
        super().prepare()
        self.part = get_object_or_404(selectors.catalogue(), pk=self.kwargs["pk"])

    def where(self, row: Any) -> str:
        return reverse("parts:part", args=[self.part.pk])

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "part": self.part,
            "version": self.part.version,
            "back": reverse("parts:part", args=[self.part.pk]),
            "title": f"{self.title}: {self.part.number}",
        }


class PartEdit(OfPart):
    form_class = forms.PartForm
    title = "Correct the part"
    verb = "Save the changes"
    said = "The part is changed."

    def make_form(self, **bound: Any) -> Form:
        names = forms.PartForm.base_fields
        return forms.PartForm(**bound, initial={n: getattr(self.part, n) for n in names})

    def save(self, form: Form) -> Part:
        return catalogue.change_part(
            actor=self.actor, part=self.part, version=self.sent_version(), **form.cleaned_data
        )


class KitContents(Page):
    """All that lies in a kit, as one table of rows."""

    template_name = "parts/kit_contents.html"
    part: Part

    def prepare(self) -> None:
        self.require_somewhere(Capability.KEEP_CATALOGUE)
        self.part = get_object_or_404(selectors.catalogue(), pk=self.kwargs["pk"])

    def get(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        self.prepare()
        rows = [{"part": c.part.number, "quantity": c.quantity} for c in self.part.contents.all()]
        return self._rows(forms.ContentFormSet(initial=rows), [], 200)

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        self.prepare()
        formset = forms.ContentFormSet(request.POST)
        if not formset.is_valid():
            return self._rows(formset, [], 422)
        typed = [form for form in formset if form.cleaned_data.get("part")]

        def work() -> HttpResponse:
            catalogue.set_kit_contents(
                actor=self.actor,
                kit=self.part,
                version=self.sent_version(),
                contents=[
                    (f.cleaned_data["part"], _count(f.cleaned_data["quantity"])) for f in typed
                ],
            )
            return redirect("parts:part", self.part.pk)

        answer: list[HttpResponse] = []
        fault = refusal_of(lambda: answer.append(do_once(request, work)))
        if fault is None:
            return answer[0]
        over: list[str] = []
        for each in fault.each():
            steps = each.field.split(".")
            if len(steps) == 3 and steps[0] == "contents":
                typed[int(steps[1])].add_error(steps[2], each.detail)
            else:
                over.append(each.detail)
        self.prepare()
        return self._rows(formset, over, 403 if fault.status == 403 else 422)

    def _rows(self, formset: Any, over: list[str], status: int) -> HttpResponse:
        return self.show(
            {
                "part": self.part,
                "version": self.part.version,
                "back": reverse("parts:part", args=[self.part.pk]),
                "title": f"What lies in the kit: {self.part.number}",
                "verb": "Save the contents",
                "formset": formset,
                "over": over,
            },
            status=status,
        )


def _count(quantity: int | None) -> int:
    # A number without a count means one of it.
    return 1 if quantity is None else quantity


class FitAdd(OfPart):
    form_class = forms.FitForm
    title = "Say what it renews"
    verb = "Add the fit"

    def make_form(self, **bound: Any) -> Form:
        asked = {name: self.request.GET.get(name) for name in ("model", "component")}
        return forms.FitForm(
            **bound, initial={k: v for k, v in asked.items() if v} | {"quantity": 1}
        )

    def save(self, form: Form) -> Fit:
        return catalogue.set_fit(actor=self.actor, part=self.part, **form.cleaned_data)

    def done(self, row: Fit) -> str:
        return f"{row}. Demands that had no part can be matched now."

    def context(self, form: Form) -> dict[str, Any]:
        return {
            **super().context(form),
            "lead": "It takes the place of the part named for the very same serials before. "
            "Demands already matched keep their part.",
        }


class FitRemove(CataloguePage):
    form_class = Form
    title = "Take a fit out"
    verb = "Take it out"
    fit: Fit

    def prepare(self) -> None:
        super().prepare()
        self.fit = get_object_or_404(selectors.fits(), pk=self.kwargs["pk"])

    def save(self, form: Form) -> Part:
        part = self.fit.part
        catalogue.remove_fit(actor=self.actor, fit=self.fit)
        return part

    def where(self, row: Part) -> str:
        return reverse("parts:part", args=[row.pk])

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "lead": f"{self.fit}, {range_words(self.fit.serial_from, self.fit.serial_to)}: from "
            "then on a demand for it finds no part, until another is named.",
            "danger": True,
            "back": reverse("parts:part", args=[self.fit.part_id]),
        }
