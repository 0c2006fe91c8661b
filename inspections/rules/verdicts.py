"""Readings against limits: within, out, or undecided, with the reason in words.

A reading is an interval, and it may have a standard uncertainty. Under simple acceptance it is
within limits when all of it is, out when none of it is, and undecided otherwise: a limit inside a
feeler bracket decides nothing. The other rules also count the uncertainty; all three stand in
conformity. Figures meet exactly, so the unit they are shown in changes no verdict.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

import numpy as np

from fleet.decisions import SIMPLE, DecisionRule, RuleKind
from fleet.faults import Fault
from fleet.limits import JudgedBy, Limits
from fleet.units import IN_MM, LengthUnit, as_fraction_mm
from fleet.vocabulary import CHARACTERISTICS, Characteristic
from inspections.rules.conformity import (
    NO_HIGH,
    NO_LOW,
    OUTCOMES,
    TICKS,
    can_accept,
    guard_ticks,
    interval_code,
    judge_many,
    ticks,
)
from inspections.rules.conformity import Outcome as Outcome
from inspections.rules.intervals import Interval, difference, spread
from inspections.rules.verdict_basis import Basis, basis_as_json, basis_from_json
from inspections.rules.verdict_basis import CheckVerdict as CheckVerdict
from inspections.rules.verdict_basis import PositionReading as PositionReading
from inspections.rules.verdict_basis import PositionVerdict as PositionVerdict
from inspections.rules.verdict_basis import SheetReference as SheetReference
from inspections.rules.verdict_words import Words

MOST_TERMS = 6

_WORST_FIRST = (Outcome.OUT, Outcome.UNDECIDED, Outcome.WITHIN)
# Past this part of the way from new to the limit, a part within limits is near the limit.
_NEAR = Fraction(4, 5)


def judge_interval(
    interval: Interval,
    interval_unit: LengthUnit,
    limits: Limits,
    *,
    strict_high: bool = False,
    rule: DecisionRule = SIMPLE,
    u: float | None = None,
) -> Outcome:
    """The outcome of one interval against the limits, by the rule.

    The limits belong to what they allow; `strict_high` shuts the upper one out (a leaf of the
    limit size that enters rejects). `u`: standard uncertainty in the interval's unit; where it is
    None and the rule needs it, undecided. Raises Fault "limit_missing" when there is no limit.
    """
    floor, ceiling = _limits_in_ticks(limits)
    if rule.kind is RuleKind.PROBABILITY:
        length = _Length("", interval, interval_unit, u)
        return _judge_all([length], limits, rule, strict_high)[0].outcome
    if rule.needs_uncertainty and u is None:
        return Outcome.UNDECIDED
    # Searches ask this many times over, so the comparisons run on plain figures.
    guard = int(guard_ticks(rule, np.asarray(_u_in_ticks(u, interval_unit))))
    low, high = _in_ticks(interval, interval_unit)
    code = interval_code(
        low, high, interval.low_closed, interval.high_closed, guard, floor, ceiling, strict_high
    )
    return OUTCOMES[code]


@dataclass(frozen=True, slots=True)
class _Length:
    """What meets the limit at one place: a reading, a difference, or a spread."""

    position: str
    interval: Interval
    unit: LengthUnit
    u: float | None
    signed: bool = False


def _judge_all(
    lengths: Sequence[_Length], limits: Limits, rule: DecisionRule, strict_high: bool
) -> list[PositionVerdict]:
    floor, ceiling = _limits_in_ticks(limits)
    ends = [_in_ticks(each.interval, each.unit) for each in lengths]
    codes, chances = judge_many(
        low=[low for low, _ in ends],
        high=[high for _, high in ends],
        low_closed=[each.interval.low_closed for each in lengths],
        high_closed=[each.interval.high_closed for each in lengths],
        u=[_u_in_ticks(each.u, each.unit) for each in lengths],
        limit_low=floor,
        limit_high=ceiling,
        rule=rule,
        strict_high=strict_high,
        signed=[each.signed for each in lengths],
    )
    return [
        PositionVerdict(
            each.position,
            OUTCOMES[code],
            each.interval,
            each.unit,
            u=each.u,
            probability=None if math.isnan(chance) else chance,
        )
        for each, code, chance in zip(lengths, codes.tolist(), chances.tolist(), strict=True)
    ]


def _limits_in_ticks(limits: Limits) -> tuple[int, int]:
    if limits.low is None and limits.high is None:
        raise Fault("There is no limit to judge by. Enter one on the sheet.", code="limit_missing")
    return (
        NO_LOW if limits.low is None else ticks(limits.low, limits.unit),
        NO_HIGH if limits.high is None else ticks(limits.high, limits.unit),
    )


def _in_ticks(interval: Interval, unit: LengthUnit) -> tuple[int, int]:
    high = NO_HIGH if interval.high is None else ticks(interval.high, unit)
    return ticks(interval.low, unit), high


def _u_in_ticks(u: float | None, unit: LengthUnit) -> float:
    return math.nan if u is None else u * TICKS[unit]


def judge_check(
    *,
    characteristic: Characteristic,
    judged_by: JudgedBy,
    limits: Limits,
    readings: Sequence[PositionReading],
    positions: Sequence[str],
    source: SheetReference,
    terms: Sequence[str] = (),
    rule: DecisionRule = SIMPLE,
    allowance: Decimal = Decimal(0),
    as_new: tuple[Decimal | None, Decimal | None] = (None, None),
    name: str = "",
    noun: str = "",
) -> CheckVerdict:
    """The verdict of one check over all its positions.

    `readings` holds the reading that counts for each position (and each term of a difference).
    Out as soon as one position, or what is known of a spread, proves it; otherwise undecided
    while a position is missing. `terms` names two to six readings of a difference, the first less
    all others plus the `allowance`. `as_new` is the range of a new part. Both are in the unit of
    the limits. `name` and `noun` ("the gap") are those of a check that the site made itself.

    Raises Fault for a check that does not apply, has no limit or no position, or for a reading at
    no known position or term, or given twice.
    """
    info = CHARACTERISTICS[characteristic]
    return _judge(
        Basis(
            characteristic=characteristic,
            name=name or info.label,
            noun=noun or info.noun,
            judged_by=judged_by,
            limits=limits,
            rule=rule,
            readings=tuple(readings),
            positions=tuple(positions),
            terms=tuple(terms),
            allowance=allowance,
            as_new=as_new,
            source=source,
        )
    )


def recompute(computed_from: Mapping[str, Any]) -> CheckVerdict:
    """The verdict again from what it was computed from, as stored: the same to the same bits.

    Raises Fault "rules_version" for a verdict that an older version of the rules made.
    """
    return _judge(basis_from_json(computed_from))


def _judge(basis: Basis) -> CheckVerdict:
    if basis.judged_by is JudgedBy.NOT_APPLICABLE:
        raise Fault(
            f"{basis.name} does not apply to this design, so there is nothing to judge.",
            code="not_applicable",
        )
    is_difference = basis.judged_by is JudgedBy.DIFFERENCE
    if is_difference and not 2 <= len(basis.terms) <= MOST_TERMS:
        raise Fault(
            f"A difference needs the names of its readings, two to {MOST_TERMS}.", code="terms"
        )
    if not basis.positions:
        raise Fault(
            f"{basis.name} has no position. Name one on the sheet.", code="positions_missing"
        )
    terms = basis.terms if is_difference else ("",)
    by_place = _placed(basis.readings, basis.positions, terms)
    if basis.judged_by is JudgedBy.SPREAD:
        return _judge_spread(basis, by_place)
    return _judge_positions(basis, by_place, terms)


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
    readings: Sequence[PositionReading], also: LengthUnit | None
) -> tuple[list[Interval], list[float | None], LengthUnit]:
    """Intervals and uncertainties in one unit, which can also hold figures in `also`."""
    # Millimetres take every unit exactly; inches would not take millimetres.
    units = {reading.unit for reading in readings} | ({also} if also else set())
    if len(units) == 1:
        return [r.interval for r in readings], [r.u for r in readings], units.pop()
    return (
        [r.interval.scaled(IN_MM[r.unit]) for r in readings],
        [None if r.u is None else r.u * float(IN_MM[r.unit]) for r in readings],
        LengthUnit.MM,
    )


def _judge_positions(
    basis: Basis, by_place: dict[tuple[str, str], PositionReading], terms: tuple[str, ...]
) -> CheckVerdict:
    limits, words = basis.limits, Words(basis)
    strict = basis.judged_by is JudgedBy.LEAF_ENTERS
    lengths: list[_Length] = []
    missing: list[str] = []
    for position in basis.positions:
        # Without an upper end of what is subtracted nothing is known: as good as not measured.
        absent = [
            term
            for term in terms
            if (found := by_place.get((position, term))) is None
            or (term != terms[0] and found.interval.high is None)
        ]
        missing.extend(f"{position} {term}".strip() for term in absent)
        if not absent:
            lengths.append(_length_at(basis, [by_place[position, term] for term in terms]))
    if not lengths:
        return _nothing_measured(basis, missing)
    judged = [
        _without_negative(verdict, words, limits)
        for verdict in _judge_all(lengths, limits, basis.rule, strict)
    ]
    worst = min(judged, key=lambda verdict: _badness(verdict, basis))
    outcome = worst.outcome
    if missing and outcome is Outcome.WITHIN:
        outcome = Outcome.UNDECIDED
    return _concluded(
        basis,
        worst,
        f", {worst.position}",
        outcome,
        missing,
        positions=tuple(judged),
        warning=next((verdict.warning for verdict in judged if verdict.warning), ""),
    )


def _length_at(basis: Basis, readings: Sequence[PositionReading]) -> _Length:
    """The reading at one position, or the difference of all there; none is missing."""
    position = readings[0].position
    if len(readings) == 1:
        return _Length(position, readings[0].interval, readings[0].unit, readings[0].u)
    also = basis.limits.unit if basis.allowance else None
    intervals, us, unit = _in_one_unit(readings, also)
    allowance = basis.allowance
    if also is not None and unit is not also:
        allowance *= IN_MM[also]
    apart = difference(*intervals, allowance=allowance)
    return _Length(position, apart, unit, _root_sum_square(us), signed=True)


def _root_sum_square(us: Sequence[float | None]) -> float | None:
    known = [u for u in us if u is not None]
    return math.hypot(*known) if len(known) == len(us) else None


def _without_negative(verdict: PositionVerdict, words: Words, limits: Limits) -> PositionVerdict:
    """A negative figure warns and never passes, unless the limits themselves are negative."""
    if verdict.interval.low >= 0 or _allows_negative(limits):
        return verdict
    if verdict.outcome is Outcome.OUT:
        return replace(verdict, warning=words.negative())
    return replace(verdict, outcome=Outcome.UNDECIDED, warning=words.negative(), probability=None)


def _judge_spread(basis: Basis, by_place: dict[tuple[str, str], PositionReading]) -> CheckVerdict:
    found = [by_place[place, ""] for place in basis.positions if (place, "") in by_place]
    missing = [place for place in basis.positions if (place, "") not in by_place]
    if not found:
        return _nothing_measured(basis, missing)
    intervals, us, unit = _in_one_unit(found, None)
    apart = spread(intervals)
    if missing:
        # A position not yet read can only widen the spread.
        apart = Interval(apart.low, None, apart.low_closed)
    order = sorted(range(len(found)), key=lambda place: intervals[place].low)
    thickest, thinnest = order[-1], order[0]
    two = (us[thickest], us[thinnest])
    larger = None if two[0] is None or two[1] is None else max(two[0], two[1])
    length = _Length(
        found[thickest].position,
        apart,
        unit,
        # The larger of the two stands for both, since either may have decided.
        None if larger is None else math.sqrt(2.0) * larger,
    )
    (verdict,) = _judge_all([length], basis.limits, basis.rule, strict_high=False)
    where = f", {length.position} against {found[thinnest].position}" if apart.low > 0 else ""
    return _concluded(basis, verdict, where, verdict.outcome, missing)


def _concluded(
    basis: Basis,
    worst: PositionVerdict,
    where: str,
    outcome: Outcome,
    missing: Sequence[str],
    *,
    positions: tuple[PositionVerdict, ...] = (),
    warning: str = "",
) -> CheckVerdict:
    words = Words(basis)
    floor, ceiling = _limits_in_ticks(basis.limits)
    near = outcome is Outcome.WITHIN and any(
        _is_near(each, basis) for each in (positions or (worst,))
    )
    return CheckVerdict(
        outcome=outcome,
        sentence=words.sentence(
            worst,
            where,
            outcome,
            missing,
            capable=can_accept(floor, ceiling, _u_in_ticks(worst.u, worst.unit), basis.rule),
            near_limit=near,
        ),
        rule=words.rule,
        worst_position=worst.position,
        positions=positions,
        missing=tuple(missing),
        decided_interval=worst.interval,
        decided_unit=worst.unit,
        warning=warning,
        probability=worst.probability,
        near_limit=near,
        computed_from=basis_as_json(basis),
    )


def _nothing_measured(basis: Basis, missing: Sequence[str]) -> CheckVerdict:
    words = Words(basis)
    return CheckVerdict(
        outcome=Outcome.UNDECIDED,
        sentence=words.nothing_measured(missing),
        rule=words.rule,
        worst_position="",
        positions=(),
        missing=tuple(missing),
        decided_interval=None,
        decided_unit=None,
        computed_from=basis_as_json(basis),
    )


def _is_near(verdict: PositionVerdict, basis: Basis) -> bool:
    """Whether the worse end is past four fifths of the way from new to the limit.

    New is the printed figure nearest that limit. Where none is printed, the way to a highest
    limit starts at the lowest one, or at nothing; to a lowest limit there is no way to tell.
    """
    limits, (new_low, new_high) = basis.limits, basis.as_new
    low, high = _in_ticks(verdict.interval, verdict.unit)
    if limits.high is not None:
        new = next((x for x in (new_high, new_low, limits.low) if x is not None), Decimal(0))
        start, limit = ticks(new, limits.unit), ticks(limits.high, limits.unit)
        if start < limit and high - start > _NEAR * (limit - start):
            return True
    new_least = new_high if new_low is None else new_low
    if limits.low is None or new_least is None:
        return False
    start, limit = ticks(new_least, limits.unit), ticks(limits.low, limits.unit)
    return start > limit and start - low > _NEAR * (start - limit)


def _allows_negative(limits: Limits) -> bool:
    return any(figure is not None and figure < 0 for figure in (limits.low, limits.high))


def _badness(verdict: PositionVerdict, basis: Basis) -> tuple[int, int, float, Fraction, Fraction]:
    """Sorts the worst first: by outcome, a warning first, then by the room left to the limit.

    Where the rule asks for a probability, the least likely comes before that.
    """
    interval, unit, limits = verdict.interval, verdict.unit, basis.limits
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
        (verdict.probability or 0.0) if basis.rule.kind is RuleKind.PROBABILITY else 0.0,
        least_proven if verdict.outcome is Outcome.OUT else min(room),
        least_proven,
    )
