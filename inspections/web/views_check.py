"""One check fills the tablet: leaves or values at one position, and what they come to."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.db import transaction
from django.forms import Form
from django.http import Http404, HttpRequest, HttpResponse
from django.utils.http import urlencode

from fleet.faults import Fault
from fleet.roles import Capability
from fleet.units import LengthUnit
from fleet.vocabulary import CHARACTERISTICS, Characteristic, InstrumentKind
from inspections import selectors
from inspections.leaves import Feel
from inspections.models import Instrument
from inspections.selectors import Check
from inspections.services import readings
from inspections.verdicts import Outcome
from inspections.web import reading
from inspections.web.forms import PlainForm, TryForm, ValueForm, WaiveForm
from inspections.web.pages import InspectionPage


class CheckPage(InspectionPage):
    """One line of the sheet at one position, with the instrument in hand."""

    template_name = "inspections/check.html"
    partial = "card"
    checks: list[Check]
    check: Check
    position: str

    def setup(self, request: HttpRequest, *args: Any, **kwargs: Any) -> None:
        super().setup(request, *args, **kwargs)
        if not request.user.is_authenticated:
            return
        self.read()
        self.position = ""
        if self.check.applies:
            self.position = reading.position_in_hand(self.check, request.GET.get("position", ""))

    def read(self) -> None:
        self.checks = selectors.checks_of(self.inspection)
        found = next((c for c in self.checks if c.line.pk == self.kwargs["line"]), None)
        if found is None:
            raise Http404
        self.check = found

    def get(self, request: HttpRequest, pk: int, line: int) -> HttpResponse:
        chosen = request.GET.get("instrument", "")
        if chosen.isdecimal():
            request.session[self.session_key] = int(chosen)
        return self.page()

    def post(self, request: HttpRequest, pk: int, line: int) -> HttpResponse:
        return self.post_once(self.handle)

    def handle(self) -> HttpResponse:
        doing: dict[str, Callable[[], HttpResponse]] = {
            "try": self.try_leaf,
            "take_back": self.take_back,
            "value": self.keep_values,
            "retake": self.retake,
            "waive": self.waive,
        }
        do = doing.get(self.request.POST.get("do", ""))
        if do is None:
            raise Http404
        return do()

    # --- what can be done

    def try_leaf(self) -> HttpResponse:
        form = TryForm(self.request.POST)
        if not form.is_valid():
            return self.page(try_form=form)

        def add() -> None:
            instrument = self.instrument_named(form.cleaned_data["instrument"])
            try:
                readings.add_try(
                    **self.at_position(),
                    instrument=instrument,
                    leaves=form.leaves,
                    feel=Feel(form.cleaned_data["feel"]),
                )
            except Fault as fault:
                # The service counts through the list of tries; here there is one in hand.
                if fault.field.startswith("tries"):
                    fault.field = "leaf"
                raise

        return self.done_or_page(form, add, try_form=form)

    def take_back(self) -> HttpResponse:
        form = PlainForm(self.request.POST)
        form.full_clean()
        return self.done_or_page(
            form, lambda: readings.drop_last_try(**self.at_position()), plain_form=form
        )

    def keep_values(self) -> HttpResponse:
        form = ValueForm(self.check.line.terms, self.request.POST)
        if not form.is_valid():
            return self.page(value_form=form)
        unit = LengthUnit(form.cleaned_data["unit"])

        def keep() -> None:
            instrument = self.instrument_named(form.cleaned_data["instrument"])
            with transaction.atomic():
                for term, value in form.values().items():
                    known = self.check.place(self.position, term)
                    before = known.reading if known is not None else None
                    # Sent along unchanged beside the other term: it is not measured anew.
                    if (
                        before is not None
                        and before.instrument_id == instrument.pk
                        and (str(before.low), before.unit) == (str(value), unit.value)
                    ):
                        continue
                    try:
                        readings.record_value(
                            **self.at_position(),
                            term=term,
                            instrument=instrument,
                            value=value,
                            unit=unit,
                        )
                    except Fault as fault:
                        if fault.field == "value":
                            fault.field = f"value_{form.terms.index(term)}"
                        raise

        return self.done_or_page(form, keep, value_form=form)

    def retake(self) -> HttpResponse:
        form = PlainForm(self.request.POST)
        form.full_clean()

        def set_aside() -> None:
            with transaction.atomic():
                for term in self.check.line.terms or [""]:
                    readings.retake(**self.at_position(), term=term)

        return self.done_or_page(form, set_aside, plain_form=form)

    def waive(self) -> HttpResponse:
        form = WaiveForm(self.request.POST)
        if not form.is_valid():
            return self.page(waive_form=form)
        return self.done_or_page(
            form,
            lambda: readings.waive(
                actor=self.actor,
                inspection=self.inspection,
                line=self.check.line.pk,
                reason=form.cleaned_data["reason"],
            ),
            waive_form=form,
        )

    # --- helpers

    def at_position(self) -> dict[str, Any]:
        return {
            "actor": self.actor,
            "inspection": self.inspection,
            "line": self.check.line.pk,
            "position": self.position,
        }

    def instrument_named(self, pk: int) -> Instrument:
        # Not only the suitable ones: the service says why another does not serve.
        found = selectors.instruments().visible_to(self.actor).filter(pk=pk).first()
        if found is None:
            raise Fault("Choose one of this site's instruments.", field="instrument")
        return found

    def done_or_page(self, form: Form, work: Callable[[], object], **forms: Form) -> HttpResponse:
        here = self.address("check", self.check.line.pk)
        done = self.act(form, work, to=f"{here}?{urlencode({'position': self.position})}")
        if isinstance(done, int):
            return self.page(status=done, **forms)
        return done

    @property
    def session_key(self) -> str:
        """Remembered for each inspection: what was taken off the shelf for this kind of check."""
        kind = "values" if self.check.line.terms else self.check.line.judged_by
        return f"instrument.{self.inspection.pk}.{kind}.{self.check.line.instrument_kind}"

    def instrument_in_hand(self) -> Instrument | None:
        at_hand = {i.pk: i for i in self.check.instruments}
        asked = self.request.GET.get("instrument", "")
        place = next(
            (p for p in self.check.places if p.position == self.position and p.reading), None
        )
        wanted = [
            int(asked) if asked.isdecimal() else None,
            place.reading.instrument_id if place is not None and place.reading else None,
            self.request.session.get(self.session_key),
        ]
        # Else what was used last in this inspection, on any check that it serves.
        used = sorted(
            (
                (p.reading.taken_at, p.reading.instrument_id, c.line.instrument_kind)
                for c in self.checks
                for p in c.places
                if p.reading is not None
            ),
            reverse=True,
        )
        wanted += [pk for _, pk, kind in used if kind == self.check.line.instrument_kind]
        for pk in wanted:
            if pk in at_hand:
                return at_hand[pk]
        return next(iter(at_hand.values()), None)

    def page(self, *, status: int | None = None, **forms: Form) -> HttpResponse:
        """The card; with a form that was refused, what was typed stays in it."""
        refused = any(form.errors for form in forms.values())
        check = self.check
        context = self.context(
            check=check,
            info=CHARACTERISTICS[Characteristic(check.line.characteristic)],
            as_new=reading.as_new(check.line),
            also=reading.also_printed(check.line),
            position=self.position,
            number=[c.line.pk for c in self.checks].index(check.line.pk) + 1,
            total=len(self.checks),
            may_waive=self.may[Capability.WAIVE.value],
            **reading.drawing_of(self.inspection, ()),
            forms=list(forms.values()),
            **{"waive_form": WaiveForm(), **forms},
        )
        if check.applies:
            context |= self.at_this_position(context)
        return self.show(context, status=status or (422 if refused else 200))

    def at_this_position(self, context: dict[str, Any]) -> dict[str, Any]:
        check, instrument = self.check, self.instrument_in_hand()
        back, ahead = reading.neighbours(self.inspection, self.checks, check, self.position)
        dots = reading.dots_of(check)
        places = [p for p in check.places if p.position == self.position]
        more: dict[str, Any] = {
            "dots": dots,
            "here": [dot.position for dot in dots].index(self.position) + 1,
            "dot": next(dot for dot in dots if dot.position == self.position),
            "places": places,
            "taken": [p.reading for p in places if p.reading is not None],
            "warning": next((p.warning for p in places if p.warning), ""),
            "instrument": instrument,
            "bracket": reading.bracket_drawing(check, self.position),
            "back": back,
            "next": ahead,
            "undecided": check.outcome is Outcome.UNDECIDED,
        }
        if instrument is None:
            return more
        if instrument.kind == InstrumentKind.FEELER.value:
            return more | {"leaves": reading.leaf_work(check, instrument, self.position)}
        if "value_form" not in context:
            values = {
                f"value_{number}": place.reading.low
                for number, place in enumerate(places)
                if place.reading is not None and place.reading.is_value
            }
            unit = next((p.reading.unit for p in places if p.reading), instrument.unit)
            more["value_form"] = ValueForm(check.line.terms, initial={"unit": unit, **values})
        return more
