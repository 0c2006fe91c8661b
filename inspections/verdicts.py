"""Readings against limits: within, out, or undecided, with the reason in words.

A reading is an interval. It is within limits when all of it is, out when none of it is, and
undecided otherwise: a limit inside a feeler bracket decides nothing. No guard band is taken.
Figures meet in exact fractions of a millimetre, so the unit they are shown in changes no verdict.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from fleet.faults import Fault
from fleet.limits import JudgedBy, Limits
from fleet.units import IN_MM, LengthUnit, as_fraction_mm, show
from fleet.vocabulary import CHARACTERISTICS, Characteristic
from inspections.intervals import Interval, difference, spread


class Outcome(StrEnum):
    WITHIN = "within"
    OUT = "out"
    UNDECIDED = "undecided"

    @property
    def label(self) -> str:
        return _OUTCOME_LABELS[self]


_OUTCOME_LABELS = {
    Outcome.WITHIN: "within limits",
    Outcome.OUT: "out of limits",
    Outcome.UNDECIDED: "undecided",
}
_WORST_FIRST = (Outcome.OUT, Outcome.UNDECIDED, Outcome.WITHIN)


@dataclass(frozen=True, slots=True)
class PositionReading:
    """What was read at one position; `term` names it where two readings make a difference."""

    position: str
    interval: Interval
    unit: LengthUnit
    term: str = ""


@dataclass(frozen=True, slots=True)
class SheetReference:
    """Where the limit is printed: the maker's document and page, and our sheet revision."""

    document: str
    page: str
    sheet: str

    def __str__(self) -> str:
        page = f"page {self.page}" if self.page else ""
        return ", ".join(part for part in (self.sheet, self.document, page) if part)


@dataclass(frozen=True, slots=True)
class PositionVerdict:
    position: str
    outcome: Outcome
    interval: Interval
    unit: LengthUnit
    warning: str = ""


@dataclass(frozen=True, slots=True)
class CheckVerdict:
    """The verdict of one check and what it rests on.

    `decided_interval` in `decided_unit` is what met the limit: the worst position's reading, its
    difference, or the spread; None while nothing is measured. `worst_position` is "" then.
    """

    outcome: Outcome
    sentence: str
    rule: str
    worst_position: str
    positions: tuple[PositionVerdict, ...]
    missing: tuple[str, ...]
    decided_interval: Interval | None
    decided_unit: LengthUnit | None
    warning: str = ""


def judge_interval(
    interval: Interval,
    interval_unit: LengthUnit,
    limits: Limits,
    *,
    strict_high: bool = False,
) -> Outcome:
    """All of the interval within the limits, none of it, or neither.

    The limits belong to what they allow; `strict_high` shuts the upper one out (a leaf of the
    limit size that enters rejects). Raises Fault "limit_missing" when there is no limit.
    """
    if limits.low is None and limits.high is None:
        raise Fault("There is no limit to judge by. Enter one on the sheet.", code="limit_missing")
    low = as_fraction_mm(interval.low, interval_unit)
    high = None if interval.high is None else as_fraction_mm(interval.high, interval_unit)
    sides = []
    if limits.high is not None:
        sides.append(
            _against_maximum(
                interval, low, high, as_fraction_mm(limits.high, limits.unit), strict_high
            )
        )
    if limits.low is not None:
        sides.append(_against_minimum(interval, low, high, as_fraction_mm(limits.low, limits.unit)))
    return min(sides, key=_WORST_FIRST.index)


def _against_maximum(
    interval: Interval, low: Fraction, high: Fraction | None, limit: Fraction, strict: bool
) -> Outcome:
    if low > limit or (low == limit and (strict or not interval.low_closed)):
        return Outcome.OUT
    reaches_limit = high == limit and strict and interval.high_closed
    if high is not None and high <= limit and not reaches_limit:
        return Outcome.WITHIN
    return Outcome.UNDECIDED


def _against_minimum(
    interval: Interval, low: Fraction, high: Fraction | None, limit: Fraction
) -> Outcome:
    if low >= limit:
        return Outcome.WITHIN
    if high is not None and (high < limit or (high == limit and not interval.high_closed)):
        return Outcome.OUT
    return Outcome.UNDECIDED


def judge_check(
    *,
    characteristic: Characteristic,
    judged_by: JudgedBy,
    limits: Limits,
    readings: Sequence[PositionReading],
    positions: Sequence[str],
    source: SheetReference,
    terms: Sequence[str] = (),
) -> CheckVerdict:
    """The verdict of one check over all its positions.

    `readings` holds the reading that counts for each position (and each term of a difference).
    Out as soon as one position, or what is known of a spread, proves it; otherwise undecided
    while a position is missing. `terms` names the two readings of a difference in the order of
    subtracting. Raises Fault for a check that does not apply, has no limit or no position, or for
    a reading at no known position or term, or given twice.
    """
    if judged_by is JudgedBy.NOT_APPLICABLE:
        raise Fault(
            f"{characteristic.label} does not apply to this design, so there is nothing to judge.",
            code="not_applicable",
        )
    if judged_by is JudgedBy.DIFFERENCE and len(terms) != 2:
        raise Fault("A difference needs the names of its two readings.", code="terms")
    if not positions:
        raise Fault(
            f"{characteristic.label} has no position. Name one on the sheet.",
            code="positions_missing",
        )
    expected = tuple(terms) if judged_by is JudgedBy.DIFFERENCE else ("",)
    by_place = _placed(readings, positions, expected)
    words = _Words(characteristic, judged_by, limits, source)
    if judged_by is JudgedBy.SPREAD:
        return _judge_spread(words, by_place, positions)
    return _judge_positions(words, by_place, positions, expected)


def _placed(
    readings: Sequence[PositionReading], positions: Sequence[str], terms: tuple[str, ...]
) -> dict[tuple[str, str], PositionReading]:
    placed: dict[tuple[str, str], PositionReading] = {}
    for reading in readings:
        place = (reading.position, reading.term)
        if reading.position not in positions:
            raise Fault(
                f"The sheet has no position '{reading.position}'. Choose one of: "
                f"{', '.join(positions)}.",
                code="unknown_position",
            )
        if reading.term not in terms:
            wanted = " or ".join(terms) if any(terms) else "no name"
            raise Fault(
                f"A reading at {reading.position} is named '{reading.term}'; it takes {wanted}.",
                code="unknown_term",
            )
        if place in placed:
            raise Fault(
                f"{' '.join(place).strip()} has two readings. Keep the one that counts.",
                code="duplicate_reading",
            )
        placed[place] = reading
    return placed


def _in_one_unit(
    readings: Sequence[PositionReading],
) -> tuple[list[Interval], LengthUnit]:
    # Millimetres take every unit exactly; inches would not take millimetres.
    units = {reading.unit for reading in readings}
    if len(units) == 1:
        return [reading.interval for reading in readings], units.pop()
    return [r.interval.scaled(IN_MM[r.unit]) for r in readings], LengthUnit.MM


def _judge_positions(
    words: _Words,
    by_place: dict[tuple[str, str], PositionReading],
    positions: Sequence[str],
    terms: tuple[str, ...],
) -> CheckVerdict:
    limits = words.limits
    strict = words.judged_by is JudgedBy.LEAF_ENTERS
    judged: list[PositionVerdict] = []
    missing: list[str] = []
    for position in positions:
        found = [by_place[position, term] for term in terms if (position, term) in by_place]
        absent = [term for term in terms if (position, term) not in by_place]
        # Without an upper end of what is subtracted nothing is known: as good as not measured.
        if not absent and len(terms) == 2 and found[1].interval.high is None:
            absent = [terms[1]]
        if absent:
            missing.extend(f"{position} {term}".strip() for term in absent)
            continue
        intervals, unit = _in_one_unit(found)
        interval = difference(*intervals) if len(terms) == 2 else intervals[0]
        outcome = judge_interval(interval, unit, limits, strict_high=strict)
        warning = ""
        if interval.low < 0 and not _allows_negative(limits):
            warning = words.negative(terms)
            if outcome is Outcome.WITHIN:
                outcome = Outcome.UNDECIDED
        judged.append(PositionVerdict(position, outcome, interval, unit, warning))
    if not judged:
        return words.nothing_measured(missing)
    worst = min(judged, key=lambda verdict: _badness(verdict, limits))
    outcome = worst.outcome
    if missing and outcome is Outcome.WITHIN:
        outcome = Outcome.UNDECIDED
    return CheckVerdict(
        outcome=outcome,
        sentence=words.sentence(worst, f", {worst.position}", outcome, missing),
        rule=words.rule,
        worst_position=worst.position,
        positions=tuple(judged),
        missing=tuple(missing),
        decided_interval=worst.interval,
        decided_unit=worst.unit,
        warning=next((verdict.warning for verdict in judged if verdict.warning), ""),
    )


def _judge_spread(
    words: _Words,
    by_place: dict[tuple[str, str], PositionReading],
    positions: Sequence[str],
) -> CheckVerdict:
    found = [by_place[position, ""] for position in positions if (position, "") in by_place]
    missing = [position for position in positions if (position, "") not in by_place]
    if not found:
        return words.nothing_measured(missing)
    intervals, unit = _in_one_unit(found)
    apart = spread(intervals)
    if missing:
        # A position not yet read can only widen the spread.
        apart = Interval(apart.low, None, apart.low_closed)
    order = sorted(range(len(found)), key=lambda place: intervals[place].low)
    thickest, thinnest = found[order[-1]].position, found[order[0]].position
    where = f", {thickest} against {thinnest}" if apart.low > 0 else ""
    verdict = PositionVerdict(thickest, judge_interval(apart, unit, words.limits), apart, unit)
    return CheckVerdict(
        outcome=verdict.outcome,
        sentence=words.sentence(verdict, where, verdict.outcome, missing),
        rule=words.rule,
        worst_position=thickest,
        positions=(),
        missing=tuple(missing),
        decided_interval=apart,
        decided_unit=unit,
    )


def _allows_negative(limits: Limits) -> bool:
    return any(figure is not None and figure < 0 for figure in (limits.low, limits.high))


def _badness(verdict: PositionVerdict, limits: Limits) -> tuple[int, int, Fraction, Fraction]:
    """Sorts the worst first: by outcome, a warning first, then by the room left to the limit."""
    interval, unit = verdict.interval, verdict.unit
    low = as_fraction_mm(interval.low, unit)
    room: list[Fraction] = []
    proven: list[Fraction] = []
    if limits.high is not None:
        limit = as_fraction_mm(limits.high, limits.unit)
        # An open upper end leaves no room at all: below any finite one.
        room.append(
            limit - as_fraction_mm(interval.high, unit)
            if interval.high is not None
            else limit - low - 10**9
        )
        proven.append(limit - low)
    if limits.low is not None:
        limit = as_fraction_mm(limits.low, limits.unit)
        room.append(low - limit)
        if interval.high is not None:
            proven.append(as_fraction_mm(interval.high, unit) - limit)
    least_proven = min(proven, default=Fraction(0))
    return (
        _WORST_FIRST.index(verdict.outcome),
        0 if verdict.warning else 1,
        least_proven if verdict.outcome is Outcome.OUT else min(room),
        least_proven,
    )


@dataclass(frozen=True, slots=True)
class _Words:
    characteristic: Characteristic
    judged_by: JudgedBy
    limits: Limits
    source: SheetReference

    @property
    def rule(self) -> str:
        return f"{self.judged_by.value}, no guard band"

    def sentence(
        self, verdict: PositionVerdict, where: str, outcome: Outcome, missing: Sequence[str]
    ) -> str:
        info = CHARACTERISTICS[self.characteristic]
        parts = [
            f"{info.label}{where}: the {info.noun} is "
            f"{self._reading(verdict.interval, verdict.unit)}; {self._limit()}."
        ]
        if verdict.warning:
            parts.append(verdict.warning)
        if missing:
            parts.append(f"Still to be measured: {', '.join(missing)}.")
        parts.append(self._because(verdict, outcome))
        return " ".join(parts)

    def nothing_measured(self, missing: Sequence[str]) -> CheckVerdict:
        info = CHARACTERISTICS[self.characteristic]
        return CheckVerdict(
            outcome=Outcome.UNDECIDED,
            sentence=f"{info.label}: nothing is measured that decides; {self._limit()}. "
            f"Still to be measured: {', '.join(missing)}. Until then this is undecided.",
            rule=self.rule,
            worst_position="",
            positions=(),
            missing=tuple(missing),
            decided_interval=None,
            decided_unit=None,
        )

    def negative(self, terms: Sequence[str]) -> str:
        first, second = terms if len(terms) == 2 else ("first", "second")
        return (
            f"Warning: {second} comes out larger than {first}, at least in part. Check that the "
            "two are not swapped, and measure both again."
        )

    def _limit(self) -> str:
        if self.judged_by is JudgedBy.LEAF_ENTERS and self.limits.high is not None:
            size = show(self.limits.high, self.limits.unit)
            return f"a leaf of {size} must not enter ({self.source})"
        return f"the limit is {self.limits.sentence()} ({self.source})"

    def _reading(self, interval: Interval, unit: LengthUnit) -> str:
        low = self._length(interval, unit, upper=False)
        if interval.is_exact:
            return low
        from_low = f"{low} or more" if interval.low_closed else f"more than {low}"
        if interval.high is None:
            return f"{from_low}, with no upper end"
        high = self._length(interval, unit, upper=True)
        to_high = f"at most {high}" if interval.high_closed else f"less than {high}"
        return to_high if interval.low == 0 and interval.low_closed else f"{from_low} and {to_high}"

    def _length(self, interval: Interval, unit: LengthUnit, *, upper: bool) -> str:
        value = interval.high if upper and interval.high is not None else interval.low
        own = show(value, unit)
        if unit is self.limits.unit:
            return own
        return f"{own} ({show(value, unit, self.limits.unit)})"

    def _because(self, verdict: PositionVerdict, outcome: Outcome) -> str:
        what = "reading" if verdict.interval.is_exact else "bracket"
        if outcome is Outcome.OUT:
            if self.judged_by is JudgedBy.LEAF_ENTERS:
                verb = "would enter" if verdict.interval.is_exact else "enters"
                return f"A leaf of that size {verb}, so this is out of limits."
            return f"No part of the {what} meets the limit, so this is out of limits."
        if outcome is Outcome.WITHIN:
            return f"All of the {what} meets the limit, so this is within limits."
        if verdict.warning:
            return "A negative figure proves nothing here, so this is undecided."
        if verdict.outcome is Outcome.WITHIN or verdict.interval.high is None:
            return "What is known so far does not decide, so this is undecided."
        return f"The limit lies inside the {what}, so this is undecided."
