"""Readings with overdue instruments on the pages where they are accepted."""

from __future__ import annotations

from dataclasses import dataclass

from django.http import HttpResponse
from django.shortcuts import get_object_or_404

from fleet.roles import Capability
from inspections.instrument_selectors import OverdueUse, overdue_uses
from inspections.models import Instrument
from inspections.rules.lifecycle import UNDER_WORK, InspectionState
from inspections.services import overdue
from inspections.web.instrument_forms import AcceptForm
from inspections.web.pages import InspectionPage


@dataclass(frozen=True)
class OverdueRow:
    """One overdue instrument; form: for whoever may accept its readings, else None.

    own: the viewer took some of these readings and so cannot accept them.
    """

    use: OverdueUse
    form: AcceptForm | None
    own: bool


class AcceptsOverdue(InspectionPage):
    """A page of an inspection on which readings with overdue instruments are accepted."""

    # What was refused, to be shown again: the instrument and its form.
    _refused: tuple[int, AcceptForm] | None = None

    def accept_overdue(self, *, to: str) -> HttpResponse | int:
        """The answer, or the status with which the page comes back."""
        typed = self.request.POST.get("instrument", "")
        pk = int(typed) if typed.isdecimal() and len(typed) < 18 else 0
        instrument = get_object_or_404(Instrument.objects.visible_to(self.actor), pk=pk)
        form = AcceptForm(self.request.POST, auto_id=f"id_accept_{pk}_%s")
        self._refused = (pk, form)
        if not form.is_valid():
            return 422
        return self.act(
            form,
            lambda: overdue.accept_overdue(
                actor=self.actor,
                inspection=self.inspection,
                instrument=instrument,
                reason=form.cleaned_data["reason"],
                version=form.cleaned_data["version"],
            ),
            to=to,
            said=f"The readings with {instrument.identity} count, under your name.",
        )

    def overdue_rows(self) -> list[OverdueRow]:
        """The overdue instruments of the inspection, what is not accepted first."""
        open_still = InspectionState(self.inspection.state) in UNDER_WORK
        may_accept = open_still and self.may[Capability.COUNTERSIGN.value]
        uses = sorted(overdue_uses(self.inspection), key=lambda use: use.accepted)
        return [self._row(use, may_accept=may_accept) for use in uses]

    def _row(self, use: OverdueUse, *, may_accept: bool) -> OverdueRow:
        pk = use.instrument.pk
        own = self.actor.pk in use.taken_by_ids
        form: AcceptForm | None = None
        if self._refused is not None and self._refused[0] == pk:
            form = self._refused[1]
        elif may_accept and not own and not use.accepted:
            form = AcceptForm(auto_id=f"id_accept_{pk}_%s")
        return OverdueRow(use, form, own=may_accept and own)
