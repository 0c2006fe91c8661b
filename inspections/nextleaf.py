"""Which leaf to try next, so that the fewest tries bring a verdict; and what a set cannot decide.

For one limit only two thicknesses can matter: the thickest that proves the gap within it by
refusing, and the thinnest that proves the contrary by entering. Anything thinner or thicker decides
less often and leaves the same two questions. The gap is taken as equally likely anywhere in the
bracket. Two tries at most settle one limit, or show that the set cannot.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import cache
from itertools import combinations
from typing import Literal

from fleet.limits import Limits
from fleet.units import LengthUnit, as_fraction_mm, show
from inspections.intervals import Interval
from inspections.verdicts import Outcome, judge_interval

# A hole in a set is worth a warning from this part of the limit on (common practice, no source).
_WIDE_HOLE = Fraction(1, 10)


@dataclass(frozen=True, slots=True)
class Gap:
    """Sizes of gap that a set cannot judge: from `low` up to, not including, `high`.

    In the unit of the leaves. `high` None: nothing in the set is thick enough. `p_undecided` is
    the chance of landing there, all sizes up to `prior_bound` taken as equally likely. `wide`
    marks a hole of more than a tenth of the limit, or one without end: worth saying beforehand.
    """

    low: Decimal
    high: Decimal | None
    limit: Decimal
    limit_unit: LengthUnit
    p_undecided: float
    wide: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do next. `leaves` to lay together and their `thickness` are empty unless "try".

    `gap_low` and `gap_high` name what the set leaves open (the widest hole that the bracket can
    still end in), both None when nothing can stay open. `expected_tries` counts this try too.
    """

    kind: Literal["decided", "try", "cannot_decide"]
    sentence: str
    leaves: tuple[Decimal, ...] = ()
    thickness: Decimal | None = None
    gap_low: Decimal | None = None
    gap_high: Decimal | None = None
    expected_tries: float = 0.0
    p_undecided: float = 0.0


@dataclass(frozen=True, slots=True)
class _Side:
    """One limit and the two thicknesses that can decide it; None where the set has none."""

    limit: Decimal
    unit: LengthUnit
    alone: Limits
    refuses_below: Decimal | None
    enters_above: Decimal | None


def candidates(leaves: Sequence[Decimal], *, stacks: bool) -> dict[Decimal, tuple[Decimal, ...]]:
    """Every thickness a set can make and the leaves that make it.

    A single leaf goes before a stack of the same thickness, and of two stacks the one whose
    thinner leaf is thicker: thin leaves bend.
    """
    made: dict[Decimal, tuple[Decimal, ...]] = {leaf: (leaf,) for leaf in sorted(leaves)}
    if stacks:
        for thin, thick in combinations(sorted(set(leaves)), 2):
            known = made.get(thin + thick)
            if known is None or (len(known) == 2 and known[0] < thin):
                made[thin + thick] = (thin, thick)
    return made


def _useful(sides: Sequence[_Side]) -> tuple[Decimal, ...]:
    """The thicknesses that can decide a limit, thinnest first."""
    ends = {end for side in sides for end in (side.refuses_below, side.enters_above)}
    return tuple(sorted(end for end in ends if end is not None))


def prior_bound(sides: Sequence[_Side], unit: LengthUnit) -> Fraction:
    """Where the flat prior ends, in mm, when no leaf has refused yet.

    Twice the thickest of the limits and of the leaves that can decide them: a stated choice, no
    knowledge. It moves only which of two useful leaves comes first.
    """
    lengths = [as_fraction_mm(size, unit) for size in _useful(sides)]
    lengths += [as_fraction_mm(side.limit, side.unit) for side in sides]
    return 2 * max(lengths, default=Fraction(0))


def _sides(
    thicknesses: Sequence[Decimal], unit: LengthUnit, limits: Limits, *, strict_high: bool
) -> list[_Side]:
    sides = []
    low, high, limit_unit = limits.low, limits.high, limits.unit
    for limit, alone, decides_alone in (
        (low, Limits(low, None, limit_unit), True),
        (high, Limits(None, high, limit_unit), strict_high),
    ):
        if limit is None:
            continue
        # Entering a leaf of exactly an allowed maximum does not prove the gap too wide.
        at = as_fraction_mm(limit, limit_unit)
        below = [t for t in thicknesses if as_fraction_mm(t, unit) <= at]
        above = [
            t
            for t in thicknesses
            if as_fraction_mm(t, unit) > at or (decides_alone and as_fraction_mm(t, unit) == at)
        ]
        sides.append(
            _Side(limit, limit_unit, alone, max(below, default=None), min(above, default=None))
        )
    return sides


def _gap(
    side: _Side, unit: LengthUnit, low: Fraction, high: Fraction, *, stacks: bool
) -> Gap | None:
    """The hole round one limit, with its chance in a bracket given in mm; None if there is none."""
    start, end = side.refuses_below or Decimal(0), side.enters_above
    if end is not None and start >= end:
        return None
    hole_low = max(low, as_fraction_mm(start, unit))
    hole_high = high if end is None else min(high, as_fraction_mm(end, unit))
    share = max(Fraction(0), hole_high - hole_low) / (high - low) if high > low else Fraction(1)
    limit = as_fraction_mm(side.limit, side.unit)
    width = None if end is None else as_fraction_mm(end, unit) - as_fraction_mm(start, unit)
    against = f"against the limit of {show(side.limit, side.unit)}"
    nothing = "no leaf and no stack of two" if stacks else "no leaf"
    sentence = (
        f"This leaf set cannot decide a gap of {show(start, unit)} or more {against}: {nothing} "
        "is thick enough."
        if end is None
        else f"This leaf set cannot decide a gap between {show(start, unit)} and "
        f"{show(end, unit)} {against}: {nothing} lies between them."
    )
    return Gap(
        low=start,
        high=end,
        limit=side.limit,
        limit_unit=side.unit,
        p_undecided=float(share),
        wide=width is None or width > _WIDE_HOLE * limit,
        sentence=f"{sentence} Borrow a leaf that does, or use an instrument that gives a figure.",
    )


def set_gaps(
    leaves: Sequence[Decimal],
    unit: LengthUnit,
    limits: Limits,
    *,
    stacks: bool = True,
    strict_high: bool = False,
) -> tuple[Gap, ...]:
    """What a set cannot decide, said before measuring: one hole at most for each limit."""
    thicknesses = tuple(candidates(leaves, stacks=stacks))
    sides = _sides(thicknesses, unit, limits, strict_high=strict_high)
    bound = prior_bound(sides, unit)
    holes = (_gap(side, unit, Fraction(0), bound, stacks=stacks) for side in sides)
    return tuple(hole for hole in holes if hole is not None)


def set_gap(
    leaves: Sequence[Decimal],
    unit: LengthUnit,
    limits: Limits,
    stacks: bool = True,
    *,
    strict_high: bool = False,
) -> Gap | None:
    """The likeliest hole of set_gaps, or None when the set decides every gap."""
    holes = set_gaps(leaves, unit, limits, stacks=stacks, strict_high=strict_high)
    return max(holes, key=lambda hole: hole.p_undecided, default=None)


def next_leaf(
    *,
    leaves: Sequence[Decimal],
    leaves_unit: LengthUnit,
    limits: Limits,
    bracket: Interval,
    strict_high: bool = False,
    stacks: bool = True,
) -> Advice:
    """The leaf, or stack of two, that brings a verdict in the fewest expected tries.

    `bracket` is in the unit of the leaves, Interval(Decimal(0), None) before the first try.
    Raises Fault "limit_missing" when there is no limit.
    """
    outcome = judge_interval(bracket, leaves_unit, limits, strict_high=strict_high)
    if outcome is not Outcome.UNDECIDED:
        return Advice("decided", f"No further leaf is needed: this is {outcome.label}.")
    made = candidates(leaves, stacks=stacks)
    sides = _sides(tuple(made), leaves_unit, limits, strict_high=strict_high)
    low = as_fraction_mm(bracket.low, leaves_unit)
    high = (
        max(prior_bound(sides, leaves_unit), 2 * low)
        if bracket.high is None
        else as_fraction_mm(bracket.high, leaves_unit)
    )
    search = _Search(_useful(sides), leaves_unit, limits, strict_high, high)
    hole = max(
        (
            gap
            for side in sides
            if judge_interval(bracket, leaves_unit, side.alone, strict_high=strict_high)
            is Outcome.UNDECIDED
            and (gap := _gap(side, leaves_unit, low, high, stacks=stacks))
            and gap.p_undecided > 0
        ),
        key=lambda gap: gap.p_undecided,
        default=None,
    )
    open_low = hole.low if hole else None
    open_high = hole.high if hole else None
    best = search.best(bracket)
    if best is None:
        return Advice(
            "cannot_decide",
            hole.sentence
            if hole
            else "No leaf of this set decides it. Use an instrument that gives a figure.",
            gap_low=open_low,
            gap_high=open_high,
            p_undecided=1.0,
        )
    return Advice(
        "try",
        _try_sentence(made[best.thickness], best.thickness, search, bracket, leaves_unit),
        leaves=made[best.thickness],
        thickness=best.thickness,
        gap_low=open_low,
        gap_high=open_high,
        expected_tries=float(best.expected_tries),
        p_undecided=float(best.p_undecided),
    )


@dataclass(frozen=True, slots=True)
class _Best:
    thickness: Decimal
    expected_tries: Fraction
    p_undecided: Fraction


class _Search:
    """Backward induction over the few thicknesses that can matter (four at most)."""

    def __init__(
        self,
        useful: tuple[Decimal, ...],
        unit: LengthUnit,
        limits: Limits,
        strict_high: bool,
        prior_high: Fraction,
    ) -> None:
        self.useful = useful
        self.unit = unit
        self.limits = limits
        self.strict_high = strict_high
        self.prior_high = prior_high
        self.best = cache(self._best)

    def outcome(self, bracket: Interval) -> Outcome:
        return judge_interval(bracket, self.unit, self.limits, strict_high=self.strict_high)

    def halves(self, bracket: Interval, thickness: Decimal) -> tuple[Interval, Interval]:
        """The bracket if the leaf enters, and if it does not."""
        return (
            Interval(thickness, bracket.high, True, bracket.high_closed),
            Interval(bracket.low, thickness, bracket.low_closed),
        )

    def _best(self, bracket: Interval) -> _Best | None:
        """None when this bracket is decided, or when no leaf leads on to a decision."""
        if self.outcome(bracket) is not Outcome.UNDECIDED:
            return None
        options = []
        low, high = self._ends(bracket)
        for thickness in self.useful:
            if thickness <= bracket.low or (bracket.high is not None and thickness >= bracket.high):
                continue
            entered, refused = self.halves(bracket, thickness)
            p_enters = (high - as_fraction_mm(thickness, self.unit)) / (high - low)
            tries, undecided, decides = Fraction(1), Fraction(0), False
            for half, p in ((entered, p_enters), (refused, 1 - p_enters)):
                follow = self.best(half)
                if follow is not None:
                    tries += p * follow.expected_tries
                    undecided += p * follow.p_undecided
                    decides = True
                elif self.outcome(half) is Outcome.UNDECIDED:
                    undecided += p
                else:
                    decides = True
            if decides:
                options.append(_Best(thickness, tries, undecided))
        return min(options, key=lambda o: (o.p_undecided, o.expected_tries), default=None)

    def _ends(self, bracket: Interval) -> tuple[Fraction, Fraction]:
        low = as_fraction_mm(bracket.low, self.unit)
        if bracket.high is None:
            return low, self.prior_high
        return low, as_fraction_mm(bracket.high, self.unit)


def _try_sentence(
    leaves: tuple[Decimal, ...],
    thickness: Decimal,
    search: _Search,
    bracket: Interval,
    unit: LengthUnit,
) -> str:
    what = (
        f"Try {show(thickness, unit)}"
        if len(leaves) == 1
        else f"Try {' and '.join(show(leaf, unit) for leaf in leaves)} laid together, "
        f"{show(thickness, unit)}"
    )
    entered, refused = search.halves(bracket, thickness)
    return (
        f"{what}. If it enters, {_then(search, entered)}; "
        f"if it does not enter, {_then(search, refused)}."
    )


def _then(search: _Search, bracket: Interval) -> str:
    outcome = search.outcome(bracket)
    if outcome is not Outcome.UNDECIDED:
        return f"this is {outcome.label}"
    if search.best(bracket) is None:
        return "this leaf set cannot decide it"
    return "another leaf is needed"
