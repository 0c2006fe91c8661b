"""From rows to the pure rules and back: the verdict of one line of the sheet."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal

from fleet.limits import JudgedBy, Limits
from fleet.models import SheetLine
from fleet.units import LengthUnit
from fleet.vocabulary import Characteristic
from inspections.intervals import Interval, exact
from inspections.leaves import Feel, Try
from inspections.models import Reading
from inspections.verdicts import CheckVerdict, PositionReading, SheetReference, judge_check


def limits_of(line: SheetLine) -> Limits:
    return Limits(line.limit_low, line.limit_high, LengthUnit(line.unit))


def reference_of(line: SheetLine) -> SheetReference:
    return SheetReference(
        document=line.sheet.document, page=line.page, sheet=f"sheet {line.sheet.revision}"
    )


def interval_of(reading: Reading) -> Interval:
    if reading.is_value:
        return exact(reading.low)
    return Interval(reading.low, reading.high)


def tries_of(reading: Reading) -> list[Try]:
    return [
        Try(tuple(Decimal(leaf) for leaf in one["leaves"]), Feel(one["feel"]))
        for one in reading.tries
    ]


def as_stored(tries: Iterable[Try]) -> list[dict[str, object]]:
    return [{"leaves": [f"{leaf:f}" for leaf in t.leaves], "feel": t.feel.value} for t in tries]


def judge(line: SheetLine, readings: Sequence[Reading]) -> CheckVerdict:
    """The verdict of a line from the readings in force for it; the line applies to the design."""
    return judge_check(
        characteristic=Characteristic(line.characteristic),
        judged_by=JudgedBy(line.judged_by),
        limits=limits_of(line),
        readings=[
            PositionReading(r.position, interval_of(r), LengthUnit(r.unit), r.term)
            for r in readings
        ],
        positions=line.positions,
        source=reference_of(line),
        terms=tuple(line.terms),
    )
