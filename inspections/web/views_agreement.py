"""Measuring again what awaits a countersignature, and how far two people agree over time."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.urls import reverse
from django.utils.safestring import SafeString, mark_safe

from fleet.limits import JudgedBy
from fleet.models import SheetLine
from fleet.roles import Capability
from fleet.units import LengthUnit
from inspections import agreement_selectors, selectors
from inspections.agreement_selectors import Agreement
from inspections.models import ControlReading, Instrument, Reading
from inspections.rules.lifecycle import InspectionState
from inspections.rules.study_plots import running_svg
from inspections.services import controls
from inspections.web.pages import InspectionPage, ScopedPage
from inspections.web.study_forms import AgainForm


class MeasureAgain(InspectionPage):
    """One check of an inspection that waits: a position measured again by the second person."""

    template_name = "inspections/again.html"
    line: SheetLine

    def setup(self, request: HttpRequest, *args: Any, **kwargs: Any) -> None:
        super().setup(request, *args, **kwargs)
        if not request.user.is_authenticated:
            return
        found = selectors.sheet_line(self.inspection, kwargs["line"])
        if found is None or JudgedBy(found.judged_by) is JudgedBy.NOT_APPLICABLE:
            raise Http404
        self.line = found

    def get(self, request: HttpRequest, pk: int, line: int) -> HttpResponse:
        form = self.form()
        asked = form.taken.get(request.GET.get("place", ""))
        first = asked or next(iter(form.taken.values()), None)
        if first is not None:
            # The same instrument to start from: what differs then is the hand.
            form.initial = {
                "place": str(first.pk),
                "instrument": first.instrument_id,
                "unit": first.unit,
            }
        return self.page(form)

    def post(self, request: HttpRequest, pk: int, line: int) -> HttpResponse:
        return self.post_once(self.handle)

    def form(self, *args: Any, **kwargs: Any) -> AgainForm:
        taken = Reading.objects.filter(
            inspection=self.inspection, line=self.line, replaced_at__isnull=True
        ).order_by("id")
        suited = selectors.suitable_instruments(self.line, self.inspection.site_id)
        at_hand = Instrument.objects.filter(pk__in=[one.pk for one in suited])
        return AgainForm(*args, taken=list(taken), instruments=at_hand, **kwargs)

    def handle(self) -> HttpResponse:
        form = self.form(self.request.POST)
        status = 422
        if form.is_valid():
            done = self.act(
                form,
                lambda: self.keep(form),
                to=f"{self.address('countersign')}#j-{self.line.pk}",
                said=f"Kept beside {form.own.taken_by}'s reading. No verdict changes by it.",
            )
            if not isinstance(done, int):
                return done
            status = done
        return self.page(form, status=status)

    def keep(self, form: AgainForm) -> ControlReading:
        typed = form.cleaned_data
        if form.by_leaves:
            return controls.control_tries(
                actor=self.actor,
                inspection=self.inspection,
                line=self.line.pk,
                position=form.own.position,
                instrument=typed["instrument"],
                tries=form.tries(),
            )
        return controls.control_value(
            actor=self.actor,
            inspection=self.inspection,
            line=self.line.pk,
            position=form.own.position,
            term=form.own.term,
            instrument=typed["instrument"],
            value=typed["value"],
            unit=LengthUnit(typed["unit"] or self.line.unit),
        )

    def page(self, form: AgainForm, *, status: int = 200) -> HttpResponse:
        waiting = self.inspection.state == InspectionState.AWAITING_COUNTERSIGNATURE.value
        check = selectors.check_of(self.inspection, self.line.pk)
        return self.show(
            self.context(
                form=form,
                check=check,
                may_measure=waiting and self.may[Capability.COUNTERSIGN.value] and form.taken,
                waiting=waiting,
            ),
            status=status,
        )


class AgreementList(ScopedPage):
    """Everybody whose work was looked at by a second person, as far as the viewer may see it."""

    scoped_queryset = ControlReading.objects.all()
    template_name = "inspections/agreement.html"

    def get(self, request: HttpRequest) -> HttpResponse:
        found = agreement_selectors.agreements(self.actor)
        return self.show({"rows": [(one, drawing_of(one)) for one in found]})


class AgreementOf(ScopedPage):
    """One person: the share that agrees over time, and the comparisons behind it."""

    scoped_queryset = ControlReading.objects.all()
    template_name = "inspections/agreement_of.html"

    def get(self, request: HttpRequest, person: int) -> HttpResponse:
        found = agreement_selectors.agreement_of(self.actor, person)
        if found is None:
            raise Http404
        return self.show(
            {
                "one": found,
                "drawing": drawing_of(found),
                "last": round(100 * found.running[-1]) if found.running else None,
                "rows": [
                    (compared, f"{100 * share:.0f}", report_of(compared.control))
                    for compared, share in zip(found.comparisons, found.running, strict=True)
                ][::-1],
            }
        )


def report_of(control: ControlReading) -> str:
    return reverse("inspections:report", args=[control.inspection_id])


def drawing_of(one: Agreement) -> SafeString | str:
    if not one.comparisons:
        return ""
    title = (
        f"{one.person}: {one.meeting} of {one.compared} positions measured again agree; of the "
        f"last ten {100 * one.running[-1]:.0f} %"
    )
    # Made by study_plots, which escapes what it is given.
    return mark_safe(  # noqa: S308
        running_svg([c.meets for c in one.comparisons], one.running, title)
    )
