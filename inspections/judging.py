"""From rows to the pure rules and back: the verdict of one line of the sheet."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal

from fleet.decisions import SIMPLE, DecisionRule
from fleet.limits import JudgedBy, Limits
from fleet.models import SheetLine
from fleet.selectors import decision_rule_of as decision_rule_of
from fleet.units import LengthUnit
from fleet.vocabulary import Characteristic
from inspections.models import Reading
from inspections.rules.intervals import Interval
from inspections.rules.leaves import Feel, Try
from inspections.rules.verdicts import CheckVerdict, PositionReading, SheetReference, judge_check


def limits_of(line: SheetLine) -> Limits:
    return Limits(line.limit_low, line.limit_high, LengthUnit(line.unit))


def reference_of(line: SheetLine) -> SheetReference:
    return SheetReference(
        document=line.sheet.document, page=line.page, sheet=f"sheet {line.sheet.revision}"
    )


def readings_for(
    line: SheetLine, lines: Sequence[SheetLine], in_force: Sequence[Reading]
) -> list[Reading]:
    """The readings in force that a line judges: its own, or those of the check it is taken from.

    lines: all of the sheet. in_force: all readings in force of the inspection.
    """
    source = source_of(line, lines)
    if source is None:
        return [reading for reading in in_force if reading.line_id == line.pk]
    return [r for r in in_force if r.line_id == source.pk and r.position in line.positions]


def source_of(line: SheetLine, lines: Sequence[SheetLine]) -> SheetLine | None:
    """The line whose readings this one judges; None where it has its own."""
    if not line.readings_from:
        return None
    wanted = (line.readings_from, line.component)
    return next((one for one in lines if (one.characteristic, one.component) == wanted), None)


def interval_of(reading: Reading) -> Interval:
    if reading.is_value:
        return Interval(reading.low, reading.high, low_closed=True, high_closed=True)
    return Interval(reading.low, reading.high)


def tries_of(reading: Reading) -> list[Try]:
    return [
        Try(
            tuple(Decimal(leaf) for leaf in one["leaves"]),
            Feel(one["feel"]),
            one.get("repeat", 1),
        )
        for one in reading.tries
    ]


def as_stored(tries: Iterable[Try]) -> list[dict[str, object]]:
    return [
        {
            "leaves": [f"{leaf:f}" for leaf in t.leaves],
            "feel": t.feel.value,
            **({"repeat": t.repeat} if t.repeat > 1 else {}),
        }
        for t in tries
    ]


def judge(
    line: SheetLine, readings: Sequence[Reading], rule: DecisionRule = SIMPLE
) -> CheckVerdict:
    """The verdict of a line from the readings in force for it; the line applies to the design."""
    return judge_check(
        characteristic=Characteristic(line.characteristic),
        name=line.name,
        judged_by=JudgedBy(line.judged_by),
        limits=limits_of(line),
        as_new=(line.new_low, line.new_high),
        rule=rule,
        readings=[
            PositionReading(
                r.position, interval_of(r), LengthUnit(r.unit), r.term, u=r.standard_uncertainty
            )
            for r in readings
        ],
        positions=line.positions,
        source=reference_of(line),
        terms=tuple(line.terms),
        allowance=line.allowance or Decimal(0),
    )
