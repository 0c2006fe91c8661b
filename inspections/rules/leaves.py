"""Feeler gauge leaves: sets, stacks, and the bracket that tries with them give."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from fleet.faults import Fault
from fleet.units import LengthUnit, as_fraction_mm, show
from inspections.rules.intervals import Interval, combine_repeats

# Two leaves may be added where no single leaf fits (TM 1-1500-204-23-9 p.3-32).
MOST_IN_A_STACK = 2


class Feel(StrEnum):
    """How a leaf goes in: without touching, with a slight even drag, or not at all."""

    FREE = "free"
    DRAG = "drag"
    REFUSES = "refuses"

    @property
    def label(self) -> str:
        return _FEEL_LABELS[self]

    @property
    def enters(self) -> bool:
        return self is not Feel.REFUSES


_FEEL_LABELS = {
    Feel.FREE: "Enters freely",
    Feel.DRAG: "Enters with light drag",
    Feel.REFUSES: "Does not enter",
}


@dataclass(frozen=True, slots=True)
class Try:
    """One leaf, or two laid together, tried in a gap. Thicknesses in the unit of the set.

    `repeat` counts the series at one position, from 1: a position measured again begins a new one.
    """

    leaves: tuple[Decimal, ...]
    feel: Feel
    repeat: int = 1

    @property
    def thickness(self) -> Decimal:
        return sum(self.leaves, Decimal(0))


@dataclass(frozen=True, slots=True)
class LeafSet:
    """A usual list of leaves. What a site owns is its own data; these are to start from."""

    key: str
    label: str
    unit: LengthUnit
    leaves: tuple[Decimal, ...]


def _steps(first: str, last: str, step: str) -> tuple[Decimal, ...]:
    start, width = Decimal(first), Decimal(step)
    count = int((Decimal(last) - start) / width) + 1
    return tuple(start + width * number for number in range(count))


def _listed(figures: str) -> tuple[Decimal, ...]:
    return tuple(Decimal(figure) for figure in figures.split())


_MM, _INCH = LengthUnit.MM, LengthUnit.INCH

# The usual lists of the trade, from memory. A count of leaves never names a set: 13 is two.
STANDARD_SETS: dict[str, LeafSet] = {
    leaf_set.key: leaf_set
    for leaf_set in (
        LeafSet("metric_8", "Metric, 8 leaves", _MM,
                _listed("0.05 0.10 0.15 0.20 0.25 0.30 0.40 0.50")),
        LeafSet("metric_10_fine", "Metric, 10 leaves, fine", _MM,
                (*_steps("0.04", "0.10", "0.01"), *_listed("0.15 0.20 0.30"))),
        LeafSet("metric_13_a", "Metric, 13 leaves, from 0.03", _MM,
                (*_steps("0.03", "0.10", "0.01"), *_listed("0.15 0.20 0.30 0.40 0.50"))),
        LeafSet("metric_13_b", "Metric, 13 leaves, to 1.00", _MM,
                (*_steps("0.05", "0.30", "0.05"), *_steps("0.40", "1.00", "0.10"))),
        LeafSet("metric_20", "Metric, 20 leaves", _MM, _steps("0.05", "1.00", "0.05")),
        LeafSet("metric_25", "Metric, 25 leaves", _MM,
                (*_steps("0.04", "0.10", "0.01"), *_steps("0.15", "1.00", "0.05"))),
        LeafSet("metric_26", "Metric, 26 leaves", _MM,
                (*_steps("0.03", "0.10", "0.01"), *_steps("0.15", "1.00", "0.05"))),
        LeafSet("metric_28", "Metric, 28 leaves", _MM,
                (*_steps("0.05", "0.15", "0.01"), *_steps("0.20", "1.00", "0.05"))),
        LeafSet("inch_9", "Inch, 9 leaves", _INCH,
                _listed("0.0015 0.002 0.003 0.004 0.006 0.008 0.010 0.012 0.015")),
        LeafSet("inch_25", "Inch, 25 leaves", _INCH, _steps("0.001", "0.025", "0.001")),
        LeafSet("inch_26", "Inch, 26 leaves", _INCH,
                (*_listed("0.0015 0.002 0.0025"), *_steps("0.003", "0.025", "0.001"))),
    )
}  # fmt: skip

# BS 957:2008, scope: the thicknesses that the standard covers.
_BS957 = {
    True: (Decimal("0.03"), Decimal("1.00"), LengthUnit.MM),
    False: (Decimal("0.0015"), Decimal("0.025"), LengthUnit.INCH),
}


def outside_bs957(leaves: Iterable[Decimal], unit: LengthUnit) -> list[Decimal]:
    """The leaves outside 0.03 to 1.00 mm, or 0.0015 to 0.025 in (BS 957:2008, scope).

    A warning against slips of the pen, no refusal: a set may well hold a 0.001 in leaf.
    """
    low, high, in_unit = _BS957[unit in {LengthUnit.MM, LengthUnit.UM}]
    thinnest, thickest = as_fraction_mm(low, in_unit), as_fraction_mm(high, in_unit)
    return [leaf for leaf in leaves if not thinnest <= as_fraction_mm(leaf, unit) <= thickest]


def check_try(attempt: Try, leaves: Sequence[Decimal], unit: LengthUnit) -> None:
    """Refuse a try that the set at hand does not allow.

    `leaves` are those of the set, in `unit`. Raises Fault "no_leaf", "stack_too_thick",
    "leaf_twice" or "leaf_not_in_set".
    """
    if not attempt.leaves:
        raise Fault("Say which leaf was tried.", field="leaves", code="no_leaf")
    if len(attempt.leaves) > MOST_IN_A_STACK:
        raise Fault(
            "A stack is two leaves at most. Try one leaf, or two laid together.",
            field="leaves",
            code="stack_too_thick",
        )
    if len(set(attempt.leaves)) < len(attempt.leaves):
        raise Fault(
            f"The set has one leaf of {show(attempt.leaves[0], unit)}; it cannot be laid on "
            "itself. Name two different leaves.",
            field="leaves",
            code="leaf_twice",
        )
    for leaf in attempt.leaves:
        if leaf not in leaves:
            raise Fault(
                f"This set has no leaf of {show(leaf, unit)}. {_nearest(leaf, leaves, unit)}",
                field="leaves",
                code="leaf_not_in_set",
            )


def _nearest(leaf: Decimal, leaves: Sequence[Decimal], unit: LengthUnit) -> str:
    thinner = max((other for other in leaves if other < leaf), default=None)
    thicker = min((other for other in leaves if other > leaf), default=None)
    near = [show(other, unit) for other in (thinner, thicker) if other is not None]
    if not near:
        return "It has no leaves at all: choose another set."
    return f"The nearest {'is' if len(near) == 1 else 'are'} {' and '.join(near)}."


def bracket(tries: Iterable[Try]) -> Interval:
    """The gap lies from the thickest that entered up to, not including, the thinnest that did not.

    In the unit of the set; the order of tries does not matter. Nothing entered: from 0. Nothing
    refused: no upper end. Each repeat has a bracket of its own: what all of them hold is the
    reading, or, where no length is in all of them, everything from the lowest to the highest.
    Raises Fault "no_tries", or "tries_disagree" when in one repeat something at least as thick
    entered as was refused.
    """
    found = series(tries)
    if not found:
        raise Fault("No leaf has been tried yet. Try one.", code="no_tries")
    return combine_repeats(list(found.values()))[0]


def series(tries: Iterable[Try]) -> dict[int, Interval]:
    """The bracket of each repeat, by its number. Raises Fault "tries_disagree" as bracket does."""
    by_repeat: defaultdict[int, list[Try]] = defaultdict(list)
    for attempt in tries:
        by_repeat[attempt.repeat].append(attempt)
    return {repeat: _one_series(by_repeat[repeat]) for repeat in sorted(by_repeat)}


def repeats_disagree(tries: Iterable[Try]) -> bool:
    """Whether no length is in the brackets of all repeats."""
    found = list(series(tries).values())
    return bool(found) and combine_repeats(found)[1]


def ends(tries: Sequence[Try]) -> tuple[Try | None, Try | None]:
    """The tries that made the low and the high end of bracket(tries); None for an end not made.

    Of several of one thickness, the one of fewest leaves: it is known best.
    """
    whole = bracket(tries)
    low = [t for t in tries if t.feel.enters and t.thickness == whole.low]
    high = [t for t in tries if not t.feel.enters and t.thickness == whole.high]
    return (
        min(low, key=lambda t: len(t.leaves), default=None),
        min(high, key=lambda t: len(t.leaves), default=None),
    )


def _one_series(tries: Iterable[Try]) -> Interval:
    entered: list[Decimal] = []
    refused: list[Decimal] = []
    for attempt in tries:
        (entered if attempt.feel.enters else refused).append(attempt.thickness)
    low = max(entered, default=Decimal(0))
    high = min(refused, default=None)
    if high is not None and low == high:
        raise Fault(
            f"{low:f} both entered and did not enter. Clean the leaf and the gap, and try "
            f"{low:f} again.",
            code="tries_disagree",
        )
    if high is not None and low > high:
        raise Fault(
            f"{low:f} entered although the thinner {high:f} did not. Clean the leaves and the "
            "gap, and repeat both.",
            code="tries_disagree",
        )
    return Interval(low, high)
