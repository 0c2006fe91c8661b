"""How the shop keeps an eye on its own measuring: a study, decision rules, readings taken again."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from decimal import Decimal
from random import Random

from fleet.decisions import RuleKind
from fleet.lifecycle import SheetState
from fleet.models import LimitSheet, PumpModel, Site, User
from fleet.services import rules
from fleet.units import LengthUnit
from fleet.vocabulary import Characteristic, InstrumentKind
from inspections.judging import tries_of
from inspections.models import Inspection, Instrument
from inspections.rules.leaves import Try
from inspections.services import controls, studies
from inspections.services.studies import Entry
from parts.demo.ground import Ground

_PARTS, _TRIALS = 5, 3


def plan(ground: Ground, *, rule_at: datetime) -> None:
    """A study in the first year, and two models judged with a guard or by probability."""
    keeper = ground.people["supervisor"]

    def study(at: datetime) -> None:
        study_side_clearance(
            site=ground.sites["quarry-north"],
            keeper=keeper,
            people=[ground.people[name] for name in ("trainee", "technician", "competent")],
            leaf_set=ground.instruments["quarry-north"].fine,
            dice=ground.dice,
            at=at,
        )

    def rule(model: str, kind: RuleKind, why: str) -> Callable[[datetime], None]:
        def choose(at: datetime) -> None:
            choose_rule(actor=keeper, model=ground.models[model], kind=kind, why=why, at=at)

        return choose

    ground.at(ground.start + (ground.end - ground.start) / 4, study)
    ground.at(
        ground.start + timedelta(days=1),
        rule("K7", RuleKind.GUARDED, "High pressure: prove it within, or measure better"),
    )
    ground.at(
        rule_at, rule("G3", RuleKind.PROBABILITY, "The maker asks for 95 % certainty from now on")
    )


def study_side_clearance(
    *,
    site: Site,
    keeper: User,
    people: list[User],
    leaf_set: Instrument,
    dice: Random,
    at: datetime,
) -> None:
    """Three people measure five pumps three times; one of them feels a little tighter."""
    parts = [f"pump {number}" for number in range(1, _PARTS + 1)]
    study = studies.open_study(
        actor=keeper,
        site=site,
        characteristic=Characteristic.SIDE_CLEARANCE,
        instrument_kind=InstrumentKind.FEELER,
        unit=LengthUnit(leaf_set.unit),
        people=people,
        parts=parts,
        trials=_TRIALS,
        tolerance=Decimal("0.15"),
        now=at,
    )
    entries = []
    for number, part in enumerate(parts):
        true_mm = 0.06 + 0.022 * number
        for place, person in enumerate(people):
            for trial in range(1, _TRIALS + 1):
                felt = true_mm + dice.gauss(-0.006 if place == 0 else 0.0, 0.004)
                inside = [leaf for leaf in leaf_set.leaves if leaf <= felt]
                outside = [leaf for leaf in leaf_set.leaves if leaf > felt]
                entries.append(
                    Entry(person.pk, part, trial, max(inside, default=Decimal(0)), min(outside))
                )
    studies.record_study_readings(
        actor=keeper, study=study, instrument=leaf_set, entries=entries, now=at
    )
    studies.close_study(actor=keeper, study=study, now=at)


def choose_rule(*, actor: User, model: PumpModel, kind: RuleKind, why: str, at: datetime) -> None:
    """Another decision rule for the sheet of a model that is in force."""
    sheet = LimitSheet.objects.get(model=model, state=SheetState.ISSUED.value)
    rules.choose_rule(actor=actor, sheet=sheet, kind=kind, why=why, now=at)


def measure_again(*, actor: User, inspection: Inspection, dice: Random, at: datetime) -> None:
    """The countersigning person tries one gap again, now and then with another feel."""
    own = (
        inspection.readings.filter(is_value=False, replaced_at__isnull=True, high__isnull=False)
        .select_related("instrument")
        .order_by("id")
        .first()
    )
    if own is None or own.high is None:
        return
    # A reading that was taken up again with a finer set holds leaves of both.
    at_hand = set(own.instrument.leaves)
    tries = [one for one in tries_of(own) if at_hand.issuperset(one.leaves)]
    if not tries:
        return
    own_last = tries_of(own)[-1]
    thicker = [leaf for leaf in own.instrument.leaves if leaf > own.high]
    if dice.random() < 0.15 and thicker:
        # What refused the other person goes in here.
        tries = [
            Try(one.leaves, tries[0].feel) if one.thickness == own.high else one for one in tries
        ]
        tries.append(Try((min(thicker),), own_last.feel))
    controls.control_tries(
        actor=actor,
        inspection=inspection,
        line=own.line_id,
        position=own.position,
        instrument=own.instrument,
        tries=tries,
        now=at,
    )
