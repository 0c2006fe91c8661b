"""Which leaf to try next, so that the fewest tries bring a verdict; and what a set cannot decide.

Two tries at most settle one limit, or show that the set cannot. A separate advice narrows a
bracket for the wear trend, whatever the limit says.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from typing import Literal, NamedTuple

from fleet.units import LengthUnit, convert, show
from inspections.rules.conformity import TICKS, Outcome
from inspections.rules.intervals import Interval
from inspections.rules.leafsearch import End, LeafTask, Search, Side, between, search_for

# A hole in a set is worth a warning from this part of the limit on (common practice, no source).
_WIDE_HOLE = 0.1

# Decimal places of a length that a borrowed leaf would have.
_PLACES = {LengthUnit.MM: 4, LengthUnit.UM: 1, LengthUnit.INCH: 5, LengthUnit.THOU: 2}


class Wanted(NamedTuple):
    """Thicknesses of which one more leaf would decide more; `high` None: or anything thicker."""

    low: Decimal
    high: Decimal | None


@dataclass(frozen=True, slots=True)
class Gap:
    """Sizes of gap that a set cannot judge: from `low` up to, not including, `high`.

    In the unit of the leaves. `high` None: nothing in the set is thick enough. `p_undecided` is
    the chance of landing there. `wide` marks a hole of more than a tenth of the limit, or one
    without end: worth saying beforehand. `wanted`: what leaf would help; empty where the guard
    leaves no room for any.
    """

    low: Decimal
    high: Decimal | None
    limit: Decimal
    limit_unit: LengthUnit
    p_undecided: float
    wide: bool
    sentence: str
    wanted: tuple[Wanted, ...]


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do next. `leaves` to lay together and their `thickness` are empty unless "try".

    `gap_low` and `gap_high` name what the set leaves open (the likeliest hole that the bracket can
    still end in), both None when nothing can stay open; `wanted` what leaf would help there.
    `expected_tries` counts this try too. `outcome` and `probability` of meeting the limit are
    those of the bracket as it stands.
    """

    kind: Literal["decided", "try", "cannot_decide", "narrowed"]
    sentence: str
    outcome: Outcome = Outcome.UNDECIDED
    probability: float | None = None
    leaves: tuple[Decimal, ...] = ()
    thickness: Decimal | None = None
    gap_low: Decimal | None = None
    gap_high: Decimal | None = None
    wanted: tuple[Wanted, ...] = ()
    expected_tries: float = 0.0
    p_undecided: float = 0.0

    @property
    def prospect(self) -> str:
        """How many tries to expect and the chance that they do not decide; "" unless "try"."""
        if self.kind != "try" or not self.expected_tries:
            return ""
        tries = f"{self.expected_tries:.1f}"
        expect = "One try decides" if tries == "1.0" else f"Expect {tries} tries"
        chance = f"{self.p_undecided:.0%}".replace("%", " %")
        if self.p_undecided == 0:
            return f"{expect}. This set decides any gap."
        if chance == "0 %":
            chance = "less than 1 %"
        if tries == "1.0":
            expect = "Expect one try"
        return f"{expect}. Chance that this set leaves it undecided: {chance}."


def set_gaps(task: LeafTask) -> tuple[Gap, ...]:
    """What a set cannot decide, said before measuring: one hole at most for each limit."""
    return _holes(search_for(task), None, None)


def set_gap(task: LeafTask) -> Gap | None:
    """The likeliest hole of set_gaps, or None when the set decides every gap."""
    return max(set_gaps(task), key=lambda hole: hole.p_undecided, default=None)


def next_leaf(task: LeafTask, low: End | None = None, high: End | None = None) -> Advice:
    """The leaf, or stack of two, that brings a verdict in the fewest expected tries.

    `low` and `high` are the ends of the bracket so far, in the unit of the leaves; None before
    anything entered, or refused. Raises Fault "empty_interval" for ends that are no bracket.
    """
    return deciding(_search_with(task, low, high), low, high)


def deciding(search: Search, low: End | None, high: End | None) -> Advice:
    """next_leaf in a search that knows the ends."""
    task = search.task
    _refuse_empty(low, high)
    outcome = search.outcome(low, high)
    probability = search.probability(low, high)
    if outcome is not Outcome.UNDECIDED:
        sentence = f"No further leaf is needed: this is {outcome.label}."
        return Advice("decided", sentence, outcome, probability)
    if not task.can_be_judged:
        return Advice(
            "cannot_decide",
            "The rule of this sheet needs the permissible error of the leaves, and it is not "
            "known. Enter it with the leaf set.",
            probability=probability,
            p_undecided=1.0,
        )
    holes = [hole for hole in _holes(search, low, high) if hole.p_undecided > 0]
    hole = max(holes, key=lambda gap: gap.p_undecided, default=None)
    best = search.best(low, high)
    if best is None:
        return Advice(
            "cannot_decide",
            hole.sentence if hole else "No leaf of this set decides it. Measure by another way.",
            probability=probability,
            gap_low=hole.low if hole else None,
            gap_high=hole.high if hole else None,
            wanted=hole.wanted if hole else (),
            p_undecided=1.0,
        )
    return Advice(
        "try",
        f"{_try(search, best.end.at)}. If it enters, {_then(search, best.end, high)}; "
        f"if it does not enter, {_then(search, low, best.end)}.",
        probability=probability,
        leaves=search.made[best.end.at],
        thickness=best.end.at,
        gap_low=hole.low if hole else None,
        gap_high=hole.high if hole else None,
        wanted=hole.wanted if hole else (),
        expected_tries=best.expected_tries,
        p_undecided=best.p_undecided,
    )


def narrowing_leaf(task: LeafTask, low: End | None = None, high: End | None = None) -> Advice:
    """The leaf nearest the median of what the bracket may hold, to narrow it for the trend.

    Single leaves first: a stack of two only where a bracket with two ends has no single leaf left
    inside. Kind "narrowed" when nothing is left. Raises Fault "empty_interval" as next_leaf does.
    """
    return narrowing(_search_with(task, low, high), low, high)


def narrowing(search: Search, low: End | None, high: End | None) -> Advice:
    """narrowing_leaf in a search that knows the ends."""
    _refuse_empty(low, high)
    outcome, probability = search.outcome(low, high), search.probability(low, high)
    left = between(search.singles, low, high)
    if not left and high is not None:
        left = between(search.stacks, low, high)
    if not left:
        sentence = "No leaf of this set lies between the ends: it cannot narrow this further."
        return Advice("narrowed", sentence, outcome, probability)
    middle = search.median(low, high)
    nearest = min(left, key=lambda size: (round(abs(float(size) - middle), 9), size))
    return Advice(
        "try",
        f"{_try(search, nearest)}, to narrow it.",
        outcome,
        probability,
        leaves=search.made[nearest],
        thickness=nearest,
    )


def _search_with(task: LeafTask, *ends: End | None) -> Search:
    """The kept search of the task, unless an end is none of those that it knows."""
    search = search_for(task)
    unknown = {end for end in ends if end is not None} - set(search.ends)
    return search_for(task, tuple(sorted(unknown))) if unknown else search


def _refuse_empty(low: End | None, high: End | None) -> None:
    if low is not None and high is not None:
        Interval(low.at, high.at)


# --- Words --------------------------------------------------------------------------------------


def _try(search: Search, thickness: Decimal) -> str:
    leaves, unit = search.made[thickness], search.task.unit
    if len(leaves) == 1:
        return f"Try {show(thickness, unit)}"
    laid = " and ".join(show(leaf, unit) for leaf in leaves)
    return f"Try {laid} laid together, {show(thickness, unit)}"


def _then(search: Search, low: End | None, high: End | None) -> str:
    outcome = search.outcome(low, high)
    if outcome is not Outcome.UNDECIDED:
        return f"this is {outcome.label}"
    if search.best(low, high) is None:
        return "this leaf set cannot decide it"
    return "another leaf is needed"


# --- Holes --------------------------------------------------------------------------------------


def _holes(search: Search, low: End | None, high: End | None) -> tuple[Gap, ...]:
    """The holes of the set in which a bracket can end, one at most for each limit."""
    found = (
        _hole(search, side, low, high) for side in search.sides if search.is_open(side, low, high)
    )
    return tuple(hole for hole in found if hole is not None)


def _hole(search: Search, side: Side, low: End | None, high: End | None) -> Gap | None:
    task = search.task
    start, end = side.refuses_below or Decimal(0), side.enters_above
    if end is not None and start >= end:
        return None
    hole_low = start if low is None else max(start, low.at)
    hole_high = min((at for at in (end, high and high.at) if at is not None), default=None)
    if hole_high is not None and hole_low >= hole_high:
        return None
    up_to = 1.0 if hole_high is None else search.share_below(hole_high, low, high)
    limit = float(convert(side.limit, task.limits.unit, task.unit))
    wanted = _wanted(side, task.unit, hole_low, hole_high)
    return Gap(
        low=start,
        high=end,
        limit=side.limit,
        limit_unit=task.limits.unit,
        p_undecided=max(up_to - search.share_below(hole_low, low, high), 0.0),
        wide=end is None or float(end - start) > _WIDE_HOLE * limit,
        sentence=f"{_undecidable(side, task, start, end)} {_need(wanted, task.unit)}",
        wanted=wanted,
    )


def _wanted(side: Side, unit: LengthUnit, low: Decimal, high: Decimal | None) -> tuple[Wanted, ...]:
    """Sizes of a leaf that would make the hole smaller: clear of the guard on either side."""
    if not side.is_guarded:
        return (Wanted(low, high),)
    below = _length(side.room_below, unit, ROUND_FLOOR)
    above = _length(side.room_above, unit, ROUND_CEILING)
    found = []
    if below > low:
        found.append(Wanted(low, below if high is None else min(below, high)))
    if high is None or above < high:
        found.append(Wanted(max(above, low), high))
    return tuple(found)


def _undecidable(side: Side, task: LeafTask, start: Decimal, end: Decimal | None) -> str:
    against = f"against the limit of {show(side.limit, task.limits.unit)}"
    if side.is_guarded:
        against += " with the guard that the rule asks for"
    nothing = "no leaf and no stack of two" if task.stacks else "no leaf"
    if end is None:
        return (
            f"This leaf set cannot decide a gap of {show(start, task.unit)} or more {against}: "
            f"{nothing} is thick enough."
        )
    between = (
        f"This leaf set cannot decide a gap between {show(start, task.unit)} and "
        f"{show(end, task.unit)} {against}"
    )
    return f"{between}." if side.is_guarded else f"{between}: {nothing} lies between them."


def _need(wanted: tuple[Wanted, ...], unit: LengthUnit) -> str:
    if not wanted:
        return "The guard leaves no room for any leaf here: measure by another way."
    sizes = " or ".join(
        f"of {show(low, unit)} or more"
        if high is None
        else f"between {show(low, unit)} and {show(high, unit)}"
        for low, high in wanted
    )
    return f"You need a leaf {sizes}, or measure by another way."


def _length(at: int, unit: LengthUnit, rounding: str) -> Decimal:
    exact = Decimal(at) / TICKS[unit]
    shortened = exact.quantize(Decimal(1).scaleb(-_PLACES[unit]), rounding=rounding)
    return Decimal(f"{shortened.normalize():f}")
