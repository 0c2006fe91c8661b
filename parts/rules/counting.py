"""Which parts are counted how often, which are due, and what a difference takes.

Parts are classed by what left the shelf in a year and by what lies on it, both by value: the few
that carry most of the value are counted often, the many that carry little seldom.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum

MOVED_DAYS = 365
"""What left the shelf is summed over so many days."""

_SHARES = (Decimal("0.80"), Decimal("0.95"))


class CountClass(StrEnum):
    """A carries the first 80 % of the value, B the next 15 %, C the rest.

    Shares and intervals are a house rule (common practice, no source).
    """

    A = "A"
    B = "B"
    C = "C"

    @property
    def interval_days(self) -> int:
        return {CountClass.A: 30, CountClass.B: 90, CountClass.C: 365}[self]


class LineState(StrEnum):
    """Where one line of a count stands."""

    TO_COUNT = "to_count"
    UNEXPLAINED = "unexplained"  # it differs, and nobody has said why
    WAITING = "waiting"  # it differs by more than the limit: a second person decides
    RIGHT = "right"
    CORRECTED = "corrected"

    @property
    def label(self) -> str:
        return {
            LineState.TO_COUNT: "to count",
            LineState.UNEXPLAINED: "say why",
            LineState.WAITING: "waits for a second person",
            LineState.RIGHT: "as on record",
            LineState.CORRECTED: "corrected",
        }[self]


PENDING: frozenset[LineState] = frozenset({LineState.UNEXPLAINED, LineState.WAITING})
"""Counted, and not settled yet."""


def line_state(
    counted: int | None, expected: int | None, *, explained: bool, corrected: bool
) -> LineState:
    """The state of a line by its figures, whether a reason is given and the ledger corrected."""
    if counted is None:
        return LineState.TO_COUNT
    if corrected:
        return LineState.CORRECTED
    if counted == expected:
        return LineState.RIGHT
    return LineState.WAITING if explained else LineState.UNEXPLAINED


BinKey = tuple[tuple[int, int, str], ...]


def bin_key(bin: str) -> BinKey:
    """Sort key of a bin as one walks: A2 before A10. What has no bin comes last."""
    if not bin:
        return ((2, 0, ""),)
    pieces = re.findall(r"\d+|[^\d\s-]+", bin)
    return tuple((0, int(p), "") if p.isdecimal() else (1, 0, p) for p in pieces)


def in_bins(bin: str, first: str, last: str) -> bool:
    """Whether a bin lies in a range: both ends count, and all bins that begin like the last."""
    if not bin:
        return False
    return bin_key(first) <= bin_key(bin) and (
        bin_key(bin) <= bin_key(last) or bin.startswith(last)
    )


@dataclass(frozen=True, slots=True)
class Stocked:
    """One part of one store. moved: value that left it in a year; value: of what lies there."""

    part: int
    moved: Decimal
    value: Decimal


@dataclass(frozen=True, slots=True)
class Due:
    """A part that is to be counted. last: the day it was counted last, None: never."""

    part: int
    count_class: CountClass
    last: date | None
    days_over: int


def classes(stocked: Sequence[Stocked]) -> Mapping[int, CountClass]:
    """The class of each part id: the stricter one of its movement and of its value on hand.

    So a part that moves much is counted often though its shelf is nearly empty, and a dear part
    that never moves too.
    """
    by_moved = _classed(stocked, lambda row: row.moved)
    by_value = _classed(stocked, lambda row: row.value)
    return {row.part: min(by_moved[row.part], by_value[row.part]) for row in stocked}


def _classed(
    stocked: Iterable[Stocked], measure: Callable[[Stocked], Decimal]
) -> dict[int, CountClass]:
    """By cumulative share, largest first: in A while those before it carry less than 80 %.

    So the part that crosses a share still belongs to the class above, and the largest is always A.
    What has no value is C.
    """
    rows = sorted(stocked, key=lambda row: (-measure(row), row.part))
    total = sum((max(measure(row), Decimal(0)) for row in rows), Decimal(0))
    found: dict[int, CountClass] = {}
    before = Decimal(0)
    for row in rows:
        amount = max(measure(row), Decimal(0))
        if amount == 0:
            found[row.part] = CountClass.C
        elif before < _SHARES[0] * total:
            found[row.part] = CountClass.A
        elif before < _SHARES[1] * total:
            found[row.part] = CountClass.B
        else:
            found[row.part] = CountClass.C
        before += amount
    return found


def due(
    classed: Mapping[int, CountClass], last_counted: Mapping[int, date], today: date
) -> Sequence[Due]:
    """The parts whose last count is older than their interval; never counted ones come first.

    Then by how many days over, class A before B before C where they are level.
    """
    found = []
    for part, count_class in classed.items():
        last = last_counted.get(part)
        over = 0 if last is None else (today - last).days - count_class.interval_days
        if last is None or over > 0:
            found.append(Due(part, count_class, last, over))
    return sorted(found, key=lambda d: (d.last is not None, -d.days_over, d.count_class, d.part))


def needs_second_person(difference: int, unit_value: Decimal, limit: Decimal) -> bool:
    """Whether a difference is worth more than `limit`; both amounts in the store's currency."""
    return abs(difference) * unit_value > limit


def accuracy(lines: int, without_difference: int) -> Decimal | None:
    """Share of counted lines without a difference, in per cent to one place; None: no line yet."""
    if lines == 0:
        return None
    return (Decimal(without_difference) * 100 / lines).quantize(Decimal("0.1"))


@dataclass(frozen=True, slots=True)
class Promise:
    """Some stock that is reserved. key: of the reservation; the list says how urgent it is."""

    key: tuple[str, int]
    quantity: int


def promises_to_release(promises: Sequence[Promise], usable: int) -> Sequence[Promise]:
    """Those to take back, so that the rest fits into `usable` pieces.

    promises: the most urgent first; the least urgent is taken back first, each as a whole.
    """
    kept = sum(promise.quantity for promise in promises)
    released = []
    for promise in reversed(promises):
        if kept <= usable:
            break
        kept -= promise.quantity
        released.append(promise)
    return released
