"""Studies of the measuring itself: several people measure the same parts several times over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from decimal import Decimal
from itertools import combinations
from typing import Any

from django.utils import timezone

from fleet.access import may, require
from fleet.faults import Conflict, Fault, Faults, NotAllowed
from fleet.models import Site, User
from fleet.roles import Capability
from fleet.services.rows import locked, one_transaction, refuse, save_next
from fleet.units import LengthUnit, show
from fleet.vocabulary import Characteristic, InstrumentKind
from inspections.models import Instrument, Study, StudyReading
from inspections.rules.repeatability import (
    Spreads,
    StudyResult,
    result_of,
    sentences,
    share_of_tolerance,
    steps_in_tolerance,
)
from inspections.rules.studyplan import LEAST, faults_of
from inspections.services.taking import require_usable
from inspections.study_selectors import measured_of, plan_of, readings_of, who_can_measure

MOST_PARTS = 30
MOST_TRIALS = 10
_LONGEST_PART = 60


@dataclass(frozen=True, slots=True)
class Entry:
    """One cell of a study as it was measured, in the unit of the study.

    A leaf set gives the thickest leaf that entered (0: none did) and the thinnest that did not;
    any other instrument the value it shows, twice. low None takes the cell's reading back.
    """

    person: int
    part: str
    trial: int
    low: Decimal | None
    high: Decimal | None


def open_study(
    *,
    actor: User,
    site: Site,
    characteristic: Characteristic,
    instrument_kind: InstrumentKind,
    unit: LengthUnit,
    people: Sequence[User],
    parts: Sequence[str],
    trials: int,
    tolerance: Decimal | None = None,
    now: datetime | None = None,
) -> Study:
    """Begin a study at a site: who measures which parts how often. Needs KEEP_INSTRUMENTS.

    parts: what each is known by, such as the tags of the pumps. tolerance: width between the
    limits, in `unit`, where there are two. Raises Faults with all that is wrong with the plan.
    """
    require(actor, Capability.KEEP_INSTRUMENTS, site)
    named = [part.strip() for part in parts]
    refuse(
        [
            *_faults_of_people(site, people),
            *_faults_of_parts(named),
            *_faults_of_figures(characteristic, trials, tolerance),
        ]
    )
    with one_transaction():
        row = Study.objects.create(
            site=site,
            characteristic=characteristic.value,
            instrument_kind=instrument_kind.value,
            unit=unit.value,
            tolerance=tolerance,
            parts=named,
            trials=trials,
            opened_by=actor,
            opened_at=now or timezone.now(),
        )
        row.people.set(people)
    return row


def _faults_of_people(site: Site, people: Sequence[User]) -> list[Fault]:
    faults = []
    if len({person.pk for person in people}) < LEAST:
        faults.append(Fault("Choose two people at the least.", field="people"))
    able = set(who_can_measure(site).values_list("pk", flat=True))
    faults += [
        Fault(
            f"{person} takes no readings at {site}. Choose people who do.",
            field="people",
            code="cannot_measure",
        )
        for person in people
        if person.pk not in able
    ]
    return faults


def _faults_of_parts(parts: Sequence[str]) -> list[Fault]:
    faults = []
    if not LEAST <= len(parts) <= MOST_PARTS:
        faults.append(
            Fault(f"Name {LEAST} to {MOST_PARTS} parts, such as the tags of pumps.", field="parts")
        )
    if len(set(parts)) < len(parts):
        faults.append(Fault("A part is named twice. Name each once.", field="parts"))
    if any(not part for part in parts):
        faults.append(Fault("A part has no name. Name each.", field="parts"))
    if any(len(part) > _LONGEST_PART for part in parts):
        faults.append(Fault(f"Name a part in {_LONGEST_PART} characters at most.", field="parts"))
    return faults


def _faults_of_figures(
    characteristic: Characteristic, trials: int, tolerance: Decimal | None
) -> list[Fault]:
    faults = []
    if characteristic is Characteristic.OWN:
        faults.append(
            Fault(
                "Checks of your own have nothing in common but their name. Choose one of the "
                "listed characteristics.",
                field="characteristic",
            )
        )
    if not LEAST <= trials <= MOST_TRIALS:
        faults.append(Fault(f"Repeat {LEAST} to {MOST_TRIALS} times.", field="trials"))
    if tolerance is not None and not (tolerance.is_finite() and 0 < tolerance < 100_000):
        faults.append(Fault("Enter a width above zero, or leave it empty.", field="tolerance"))
    return faults


def record_study_readings(
    *,
    actor: User,
    study: Study,
    instrument: Instrument,
    entries: Sequence[Entry],
    now: datetime | None = None,
) -> list[StudyReading]:
    """Keep what was measured with one instrument; a cell measured before is replaced.

    One's own readings need INSPECT, those of others KEEP_INSTRUMENTS. Raises Faults, each at its
    entry ("entries.3.high"), for all that cannot be; nothing is kept then.
    """
    with one_transaction():
        row = _open_study(study)
        others = [entry for entry in entries if entry.person != actor.pk]
        if not may(actor, Capability.KEEP_INSTRUMENTS, row.site):
            require(actor, Capability.INSPECT, row.site)
            if others:
                raise NotAllowed(
                    "Enter your own readings only; those of others are entered by who keeps the "
                    "instruments.",
                    field="person",
                )
        if not entries:
            raise Fault("Enter a reading at the least.", field="entries")
        _check_instrument(instrument, row)
        people = set(row.people.values_list("pk", flat=True))
        refuse(
            [
                fault.at(f"entries.{number}")
                for number, entry in enumerate(entries)
                for fault in _faults_of_entry(entry, row, people, instrument)
            ]
        )
        kept = [
            one
            for entry in entries
            if (one := _keep(entry, row, instrument, actor, now or timezone.now())) is not None
        ]
        save_next(row)
        return kept


def _open_study(study: Study, version: int | None = None) -> Study:
    row = locked(Study, study.pk, version)
    if row.closed_at is not None:
        raise Conflict(
            "This study is closed and stays as it is. Begin another to measure again.",
            code="study_closed",
        )
    return row


def _check_instrument(instrument: Instrument, row: Study) -> None:
    require_usable(instrument, row.site_id)
    if (instrument.kind, instrument.unit) != (row.instrument_kind, row.unit):
        kind, unit = InstrumentKind(row.instrument_kind).label, LengthUnit(row.unit).label
        raise Fault(
            f"This study is about the instrument '{kind}' in {unit}. Choose one of these.",
            field="instrument",
            code="other_kind",
        )


def _faults_of_entry(
    entry: Entry, row: Study, people: set[int], instrument: Instrument
) -> list[Fault]:
    faults = []
    if entry.person not in people:
        faults.append(Fault("Name one of the people of this study.", field="person"))
    if entry.part not in row.parts:
        faults.append(
            Fault(f"Name one of the parts of this study: {', '.join(row.parts)}.", field="part")
        )
    if not 1 <= entry.trial <= row.trials:
        faults.append(Fault(f"Count the repeats from 1 to {row.trials}.", field="trial"))
    if entry.low is None and entry.high is None:
        return faults
    if row.instrument_kind == InstrumentKind.FEELER.value:
        faults += _faults_of_bracket(entry, instrument)
    elif (
        entry.low is None
        or entry.low != entry.high
        or not entry.low.is_finite()
        or not 0 <= entry.low < 100_000
    ):
        faults.append(
            Fault("Enter the value as the instrument shows it, from 0 up to 100 000.", field="low")
        )
    return faults


def _faults_of_bracket(entry: Entry, leaf_set: Instrument) -> list[Fault]:
    if entry.low is None or entry.high is None:
        return [
            Fault(
                "Enter both: the thickest leaf that entered, 0 for none, and the thinnest that "
                "did not. Try on until one does not.",
                field="low" if entry.low is None else "high",
            )
        ]
    unit = LengthUnit(leaf_set.unit)
    # Two leaves may be laid together, as in any other reading.
    known = {*leaf_set.leaves, *(sum(pair) for pair in combinations(leaf_set.leaves, 2))}
    faults = [
        Fault(
            f"{leaf_set} has no leaf of {show(leaf, unit)}, and no two that make it. "
            "Enter leaves of this set.",
            field=field,
            code="leaf_not_in_set",
        )
        for field, leaf in (("low", entry.low), ("high", entry.high))
        if leaf not in known and not (field == "low" and leaf == 0)
    ]
    if not faults and entry.low >= entry.high:
        faults.append(
            Fault(
                f"{entry.low:f} entered although {entry.high:f} did not. The leaf that does not "
                "enter is the thicker one.",
                field="high",
                code="tries_disagree",
            )
        )
    return faults


def _keep(
    entry: Entry, row: Study, instrument: Instrument, actor: User, now: datetime
) -> StudyReading | None:
    place: dict[str, Any] = {"person_id": entry.person, "part": entry.part, "trial": entry.trial}
    if entry.low is None or entry.high is None:
        StudyReading.objects.filter(study=row, **place).delete()
        return None
    return StudyReading.objects.update_or_create(
        study=row,
        **place,
        defaults={
            "instrument": instrument,
            "low": entry.low,
            "high": entry.high,
            "typed_by": actor,
            "typed_at": now,
        },
    )[0]


def close_study(
    *, actor: User, study: Study, version: int | None = None, now: datetime | None = None
) -> Study:
    """Compute the study and fix it: from then on its figure is in readings of its kind.

    Needs KEEP_INSTRUMENTS. Raises Faults with what is missing.
    """
    with one_transaction():
        row = _open_study(study, version)
        require(actor, Capability.KEEP_INSTRUMENTS, row.site)
        plan, readings = plan_of(row), measured_of(row, readings_of(row))
        faults = faults_of(plan, readings)
        if faults:
            raise Faults(faults)
        result = result_of(plan, readings)
        row.result = _stored(row, result)
        row.u = result.spreads.measuring
        row.closed_by, row.closed_at = actor, now or timezone.now()
        save_next(row, "result", "u", "closed_by", "closed_at")
        return row


def _stored(row: Study, result: StudyResult) -> dict[str, Any]:
    """The result as it is kept: figures in the unit of the study, shares in percent."""
    spreads, tolerance = result.spreads, row.tolerance
    return {
        "sentences": sentences(
            result,
            what=Characteristic(row.characteristic).label.lower(),
            by=f"{InstrumentKind(row.instrument_kind).label.lower()}s",
            parts=len(row.parts),
            tolerance=tolerance,
            unit=LengthUnit(row.unit).label,
        ),
        "method": "two-way analysis of variance",
        "anova": asdict(result.anova),
        "spreads": _with_shares(spreads, tolerance),
        "distinct": spreads.distinct,
        "steps_in_tolerance": None
        if tolerance is None
        else steps_in_tolerance(spreads.measuring, tolerance),
        "by_ranges": None
        if result.by_ranges is None
        else {
            "spreads": _with_shares(result.by_ranges, tolerance),
            "distinct": result.by_ranges.distinct,
        },
        "bracket": result.bracket,
        "stated": result.stated,
        "apart": None if result.apart is None else list(result.apart),
        "persons": [asdict(one) for one in result.persons],
    }


def _with_shares(spreads: Spreads, tolerance: Decimal | None) -> dict[str, dict[str, Any]]:
    return {
        name: {
            "figure": figure,
            "share": spreads.share(figure),
            "of_tolerance": None if tolerance is None else share_of_tolerance(figure, tolerance),
        }
        for name, figure in asdict(spreads).items()
    }
