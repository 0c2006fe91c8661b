"""One check fills the tablet: leaves or values at one position, and what they come to."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.forms import Form
from django.http import Http404, HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.http import urlencode

from fleet.faults import Fault
from fleet.roles import Capability
from fleet.units import LengthUnit
from fleet.vocabulary import CHARACTERISTICS, Characteristic, InstrumentKind
from inspections import selectors
from inspections.checks import leaves_decide
from inspections.judging import decision_rule_of
from inspections.models import Instrument
from inspections.rules.calibration import is_overdue
from inspections.rules.leaves import Feel
from inspections.rules.verdicts import Outcome
from inspections.selectors import Check
from inspections.services import readings
from inspections.trend_selectors import trend_at
from inspections.web import reading
from inspections.web.forms import PlainForm, RepeatForm, TryForm, ValueForm, WaiveForm
from inspections.web.leafwork import Aim, leaf_work
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
        if "start" in request.GET:
            request.session[self.start_key] = request.GET["start"] == "wear"
        return self.page()

    def post(self, request: HttpRequest, pk: int, line: int) -> HttpResponse:
        return self.post_once(self.handle)

    def handle(self) -> HttpResponse:
        doing: dict[str, Callable[[], HttpResponse]] = {
            "try": self.try_leaf,
            "take_back": self.take_back,
            "value": self.keep_values,
            "repeat": self.repeat_values,
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
                    repeat=form.cleaned_data["repeat"] or 1,
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

    def repeat_values(self) -> HttpResponse:
        """Measured again: beside what was read before, not in its place."""
        form = RepeatForm(self.check.line.terms, self.request.POST)
        if not form.is_valid():
            return self.page(repeat_form=form)

        def keep() -> None:
            instrument = self.instrument_named(form.cleaned_data["instrument"])
            with transaction.atomic():
                for term, value in form.values().items():
                    self.add_repeat(form, term, value, instrument)

        return self.done_or_page(form, keep, repeat_form=form)

    def add_repeat(
        self, form: RepeatForm, term: str, value: Decimal, instrument: Instrument
    ) -> None:
        at = f"value_{form.terms.index(term)}"
        before = self.check.place(self.position, term)
        known = before.reading if before is not None else None
        if known is None or not known.is_value:
            raise Fault("There is no value yet to repeat. Keep one first.", field=at)
        if known.instrument_id != instrument.pk:
            raise Fault(
                f"It was read with {known.instrument.identity}. Repeat it with the same, or keep "
                "a new value.",
                field=at,
            )
        if known.unit != form.cleaned_data["unit"]:
            unit = LengthUnit(known.unit).label
            raise Fault(f"It was read in {unit}. Enter the repeat in {unit} too.", field=at)
        first, *more = known.repeats or [known.low]
        try:
            readings.record_value(
                **self.at_position(),
                term=term,
                instrument=instrument,
                value=first,
                repeats=[*more, value],
                unit=LengthUnit(known.unit),
            )
        except Fault as fault:
            if fault.field.startswith(("value", "repeats")):
                fault.field = at
            raise

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
        query = {"position": self.position}
        if self.request.GET.get("aim") == "narrow":
            query["aim"] = "narrow"
        done = self.act(form, work, to=f"{here}?{urlencode(query)}")
        if isinstance(done, int):
            return self.page(status=done, **forms)
        return done

    @property
    def session_key(self) -> str:
        """Remembered for each inspection: what was taken off the shelf for this kind of check."""
        kind = "values" if self.check.line.terms else self.check.line.judged_by
        return f"instrument.{self.inspection.pk}.{kind}.{self.check.line.instrument_kind}"

    @property
    def start_key(self) -> str:
        """Remembered for each inspection: whether its pump's wear says which leaf comes first."""
        return f"start.{self.inspection.pk}"

    def aim(self) -> Aim:
        asked = self.request.POST.get("repeat") or self.request.GET.get("repeat", "")
        return Aim(
            repeat=int(asked) if asked.isdecimal() and 0 < len(asked) < 4 else None,
            narrow=self.request.GET.get("aim") == "narrow",
            expect_wear=self.request.session.get(self.start_key, False),
        )

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
        rule = decision_rule_of(self.inspection.rule)
        back, ahead = reading.neighbours(self.inspection, self.checks, check, self.position)
        dots = reading.dots_of(check)
        source = reading.source_check(check, self.checks)
        here = [p for p in check.places if p.position == self.position]
        places = here if source is None else list(check.places)
        more: dict[str, Any] = {
            "dots": dots,
            "here": [dot.position for dot in dots].index(self.position) + 1,
            "dot": next(dot for dot in dots if dot.position == self.position),
            "places": places,
            "taken": [p.reading for p in places if p.reading is not None],
            "source": source,
            "rule_sentence": rule.sentence() if rule.needs_uncertainty else "",
            "chance": reading.chance_at(check, self.position),
            "warning": next((p.warning for p in places if p.warning), ""),
            "instrument": instrument,
            "bracket": reading.bracket_drawing(check, self.position),
            "back": back,
            "next": ahead,
            "undecided": check.outcome is Outcome.UNDECIDED,
        }
        if instrument is None or source is not None:
            return more
        more["in_hand"] = reading.in_hand(check.line, instrument)
        more["error_missing"] = rule.needs_uncertainty and instrument.permissible_error is None
        today = timezone.now().date()
        more["choices"] = [
            (one, is_overdue(one.calibration_due_on, today)) for one in check.instruments
        ]
        if instrument.kind == InstrumentKind.FEELER.value:
            trend = None
            if leaves_decide(check.line, instrument):
                trend = trend_at(
                    self.inspection,
                    check.line,
                    self.position,
                    LengthUnit(instrument.unit),
                    self.actor,
                )
            work = leaf_work(
                check, instrument, self.position, rule=rule, trend=trend, aim=self.aim()
            )
            return more | {"leaves": work, "aim": self.aim()}
        if "repeat_form" not in context:
            more["repeat_form"] = RepeatForm(check.line.terms, initial={"unit": instrument.unit})
        if "value_form" not in context:
            values = {
                f"value_{number}": place.reading.low
                for number, place in enumerate(places)
                if place.reading is not None and place.reading.is_value
            }
            unit = next((p.reading.unit for p in places if p.reading), instrument.unit)
            more["value_form"] = ValueForm(check.line.terms, initial={"unit": unit, **values})
        return more
