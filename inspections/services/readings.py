"""Taking readings: kept is what the leaves or the instrument said, and the verdict of it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault
from fleet.limits import JudgedBy
from fleet.models import SheetLine, User
from fleet.roles import Capability
from fleet.services.rows import refuse
from fleet.units import LengthUnit, convert
from fleet.vocabulary import Characteristic, InstrumentKind
from inspections.judging import (
    as_stored,
    decision_rule_of,
    judge,
    tries_of,
)
from inspections.models import Inspection, Instrument, Reading, Verdict
from inspections.rules.intervals import Interval, combine_repeats, exact
from inspections.rules.leaves import Feel, Try, ends
from inspections.rules.uncertainty import (
    Contribution,
    budget_as_json,
    leaf_budget,
    standard_uncertainty,
    value_budget,
)
from inspections.rules.verdicts import Outcome
from inspections.services.rows import (
    length_faults,
    line_of,
    open_for_work,
    require_proved_zero,
)
from inspections.services.taking import (
    MOST_REPEATS,
    bracket_of,
    require_usable,
    require_value,
)
from inspections.study_selectors import study_u


def record_tries(
    *,
    actor: User,
    inspection: Inspection,
    line: int,
    position: str,
    instrument: Instrument,
    tries: Sequence[Try],
    now: datetime | None = None,
) -> Reading:
    """Keep the leaves tried at one position, and the bracket they imply, in the set's unit.

    The whole list of tries stands for the position and replaces the one before. Needs INSPECT, an
    open inspection and proved zero. Raises Fault for a leaf that is not in the set, a stack of
    more than two, or tries that contradict each other (the pair is named). Judges the line anew.
    """
    with transaction.atomic():
        row, sheet_line = _ready(actor, inspection, line, position, "")
        require_usable(instrument, row.site_id)
        implied = bracket_of(sheet_line, instrument, tries)
        return _store(
            actor=actor,
            inspection=row,
            line=sheet_line,
            position=position,
            term="",
            instrument=instrument,
            unit=LengthUnit(instrument.unit),
            implied=implied,
            tries=tries,
            now=now or timezone.now(),
        )


def add_try(
    *,
    actor: User,
    inspection: Inspection,
    line: int,
    position: str,
    instrument: Instrument,
    leaves: Sequence[Decimal],
    feel: Feel,
    repeat: int = 1,
) -> Reading:
    """One more leaf, or two laid together, at a position: the bench page's way to record_tries.

    Tries made with another set are not mixed in: the position then starts anew with this set.
    The same leaves tried again in the same repeat replace their earlier feel.
    """
    with transaction.atomic():
        row, sheet_line = _ready(actor, inspection, line, position, "")
        before = _in_force(row, sheet_line, position, "")
        tries: list[Try] = []
        if before is not None and before.instrument_id == instrument.pk:
            tries = [
                t for t in tries_of(before) if set(t.leaves) != set(leaves) or t.repeat != repeat
            ]
        return record_tries(
            actor=actor,
            inspection=row,
            line=line,
            position=position,
            instrument=instrument,
            tries=[*tries, Try(tuple(leaves), feel, repeat)],
        )


def drop_last_try(
    *, actor: User, inspection: Inspection, line: int, position: str
) -> Reading | None:
    """Take the last try of a position back. Returns the reading left, None when it was the only."""
    with transaction.atomic():
        row, sheet_line = _ready(actor, inspection, line, position, "")
        before = _in_force(row, sheet_line, position, "")
        if before is None or before.is_value:
            raise Conflict("There is no try to take back.", code="no_try")
        tries = tries_of(before)[:-1]
        if not tries:
            retake(actor=actor, inspection=row, line=line, position=position)
            return None
        return record_tries(
            actor=actor,
            inspection=row,
            line=line,
            position=position,
            instrument=before.instrument,
            tries=tries,
        )


def record_value(
    *,
    actor: User,
    inspection: Inspection,
    line: int,
    position: str,
    instrument: Instrument,
    value: Decimal,
    unit: LengthUnit,
    term: str = "",
    repeats: Sequence[Decimal] = (),
    now: datetime | None = None,
) -> Reading:
    """Keep the value that a micrometer, dial or bore gauge shows, in the unit it was read in.

    repeats: what it showed when the same position was measured again. The reading is then all from
    the smallest to the largest of them.
    """
    with transaction.atomic():
        row, sheet_line = _ready(actor, inspection, line, position, term)
        require_usable(instrument, row.site_id)
        for field, shown in (
            ("value", value),
            *((f"repeats.{i}", r) for i, r in enumerate(repeats)),
        ):
            require_value(sheet_line, instrument, shown, field)
        if len(repeats) >= MOST_REPEATS:
            raise Fault(f"A position is measured {MOST_REPEATS} times at most.", field="repeats")
        values = (value, *repeats)
        return _store(
            actor=actor,
            inspection=row,
            line=sheet_line,
            position=position,
            term=term,
            instrument=instrument,
            unit=unit,
            implied=combine_repeats([exact(each) for each in values])[0],
            tries=(),
            repeats=values if repeats else (),
            now=now or timezone.now(),
        )


def retake(
    *, actor: User, inspection: Inspection, line: int, position: str, term: str = ""
) -> None:
    """Set the reading of a position aside to measure it anew. It stays on record as replaced."""
    with transaction.atomic():
        row, sheet_line = _ready(actor, inspection, line, position, term)
        now = timezone.now()
        _set_aside(row, sheet_line, position, term, now)
        rejudge(row, sheet_line, now)


def waive(
    *, actor: User, inspection: Inspection, line: int, reason: str, now: datetime | None = None
) -> Verdict:
    """Let an undecided check stand undecided, by name and reason. Needs WAIVE.

    Raises Conflict when the check is decided: a verdict is not waived away.
    """
    if not reason.strip():
        raise Fault("Say why this check may stay undecided.", field="reason")
    refuse(length_faults(Verdict, at="reason", waived_reason=reason.strip()))
    with transaction.atomic():
        row = open_for_work(actor, inspection)
        require(actor, Capability.WAIVE, row.site)
        sheet_line = line_of(row, line)
        verdict = _rejudge_one(row, sheet_line, now or timezone.now())
        if verdict is None or verdict.outcome != Outcome.UNDECIDED.value:
            raise Conflict(
                "Only an undecided check can be waived; this one is decided.",
                field="line",
                code="decided",
            )
        verdict.waived_by = actor
        verdict.waived_reason = reason.strip()
        verdict.save(update_fields=["waived_by", "waived_reason"])
        return verdict


def rejudge(inspection: Inspection, line: SheetLine, now: datetime) -> Verdict | None:
    """Judge a line by the readings in force and keep the verdict; None where it does not apply.

    Checks that judge the same readings (taper, out of parallel) are judged with it. A waiver
    falls: it was given for the readings of that moment, and for no others.
    """
    derived = SheetLine.objects.filter(
        sheet_id=inspection.sheet_id, readings_from=line.characteristic, component=line.component
    ).select_related("sheet")
    for other in derived:
        _rejudge_one(inspection, other, now)
    return _rejudge_one(inspection, line, now)


def _rejudge_one(inspection: Inspection, line: SheetLine, now: datetime) -> Verdict | None:
    if JudgedBy(line.judged_by) is JudgedBy.NOT_APPLICABLE:
        return None
    in_force = inspection.readings.filter(replaced_at__isnull=True, position__in=line.positions)
    if line.readings_from:
        of_line = in_force.filter(
            line__characteristic=line.readings_from, line__component=line.component
        )
    else:
        of_line = in_force.filter(line=line)
    judged = judge(line, list(of_line), decision_rule_of(inspection.rule))
    what = judged.decided_interval
    values: dict[str, object] = {
        "outcome": judged.outcome.value,
        "probability": judged.probability,
        "near_limit": judged.near_limit,
        "sentence": judged.sentence,
        "rule": judged.rule,
        "computed_from": judged.computed_from,
        "worst_position": judged.worst_position,
        "unit": judged.decided_unit.value if judged.decided_unit else "",
        "low": what.low if what else None,
        "high": what.high if what else None,
        "missing_positions": list(judged.missing),
        "judged_at": now,
        "waived_by": None,
        "waived_reason": "",
    }
    # The inspection is locked: nobody else writes this row meanwhile.
    verdict = Verdict.objects.filter(inspection=inspection, line=line).first()
    if verdict is None:
        return Verdict.objects.create(inspection=inspection, line=line, **values)
    for name, value in values.items():
        setattr(verdict, name, value)
    verdict.save(update_fields=list(values))
    return verdict


def budget_of(
    line: SheetLine,
    site_id: int,
    instrument: Instrument,
    unit: LengthUnit,
    tries: Sequence[Try],
) -> tuple[Contribution, ...]:
    """What the uncertainty of a reading is made of, in `unit`, as the instrument stands now."""
    own = LengthUnit(instrument.unit)
    error = instrument.permissible_error
    study = study_u(
        site_id=site_id,
        characteristic=Characteristic(line.characteristic),
        instrument_kind=InstrumentKind(instrument.kind),
        unit=unit,
    )
    error_here = None if error is None else convert(error, own, unit)
    if tries:
        return leaf_budget(
            [len(end.leaves) for end in ends(tries) if end is not None],
            error_here,
            unit,
            study,
        )
    resolution = instrument.resolution
    return value_budget(
        error_here, None if resolution is None else convert(resolution, own, unit), study
    )


def _ready(
    actor: User, inspection: Inspection, line: int, position: str, term: str
) -> tuple[Inspection, SheetLine]:
    row = open_for_work(actor, inspection)
    require_proved_zero(row)
    sheet_line = line_of(row, line)
    if JudgedBy(sheet_line.judged_by) is JudgedBy.NOT_APPLICABLE:
        raise Conflict(
            f"This check does not apply to the design: {sheet_line.not_applicable_reason}",
            field="line",
            code="not_applicable",
        )
    if sheet_line.readings_from:
        source = Characteristic(sheet_line.readings_from).label.lower()
        raise Conflict(
            f"This check is computed from the readings of the {source}. Measure that one.",
            field="line",
            code="computed",
        )
    if position not in sheet_line.positions:
        raise Fault(
            f"The sheet has no position '{position}' for this check. It has: "
            f"{', '.join(sheet_line.positions)}.",
            field="position",
            code="unknown_position",
        )
    wanted = tuple(sheet_line.terms) or ("",)
    if term not in wanted:
        raise Fault(
            f"Say which it is: {' or '.join(wanted)}."
            if sheet_line.terms
            else "This check takes one reading a position; leave 'term' empty.",
            field="term",
            code="unknown_term",
        )
    return row, sheet_line


def _in_force(inspection: Inspection, line: SheetLine, position: str, term: str) -> Reading | None:
    return (
        Reading.objects.filter(
            inspection=inspection,
            line=line,
            position=position,
            term=term,
            replaced_at__isnull=True,
        )
        .select_related("instrument")
        .first()
    )


def _set_aside(
    inspection: Inspection, line: SheetLine, position: str, term: str, now: datetime
) -> None:
    Reading.objects.filter(
        inspection=inspection, line=line, position=position, term=term, replaced_at__isnull=True
    ).update(replaced_at=now)


def _store(
    *,
    actor: User,
    inspection: Inspection,
    line: SheetLine,
    position: str,
    term: str,
    instrument: Instrument,
    unit: LengthUnit,
    implied: Interval,
    tries: Sequence[Try],
    now: datetime,
    repeats: Sequence[Decimal] = (),
) -> Reading:
    kept = as_stored(tries)
    budget = budget_of(line, inspection.site_id, instrument, unit, tries)
    due = instrument.calibration_due_on
    measured: dict[str, object] = {
        "tries": kept,
        "low": implied.low,
        "high": implied.high,
        "standard_uncertainty": standard_uncertainty(budget),
        "budget": budget_as_json(budget),
        "overdue_since": due if due is not None and due < timezone.localdate(now) else None,
        "taken_by": actor,
        "taken_at": now,
    }
    reading = _in_force(inspection, line, position, term)
    goes_on = (
        reading is not None
        and bool(tries)
        and reading.instrument_id == instrument.pk
        and reading.tries == kept[: len(reading.tries)]
    )
    if reading is not None and goes_on:
        # One more leaf in the same gap is the same reading, not a new one beside it.
        for name, what in measured.items():
            setattr(reading, name, what)
        reading.save(update_fields=list(measured))
    else:
        if reading is not None:
            _set_aside(inspection, line, position, term, now)
        reading = Reading.objects.create(
            inspection=inspection,
            line=line,
            position=position,
            term=term,
            instrument=instrument,
            unit=unit.value,
            is_value=not tries,
            repeats=list(repeats),
            **measured,
        )
    rejudge(inspection, line, now)
    return reading
