"""Does it matter who measures? Repeatability and reproducibility of one way of measuring.

Several persons measure the same parts several times over; a two-way analysis of variance splits
the spread of all readings into what the parts differ by and what the measuring adds. All lengths
of one call are in one unit, which the caller keeps. Sums of squares are formed in exact fractions,
so that readings which are alike give nothing but zero, in whatever order they come; spreads are
standard deviations, as floats.

Sources: AIAG, Measurement Systems Analysis (analysis of variance, average and range, the factor
1.41, the constants); NIST/SEMATECH e-Handbook 2.4.3 and 2.6 (levels of a nested design). Both from
memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import combinations

from scipy.special import fdtrc

from fleet.faults import Fault
from inspections.rules.agreement import meet
from inspections.rules.intervals import Interval
from inspections.rules.studyplan import LEAST, Measured, Place, Plan, faults_of

# Interaction and repeats are one when the test for the interaction is as weak as this.
POOL_ABOVE_P = 0.25
_DISTINCT = 1.41
# A sixth of the tolerance stands for a spread of parts that would just fill it (custom).
_SPREADS_IN_A_TOLERANCE = 6

# K1 by repeats, K2 by persons, K3 by parts: one over d2*, to four figures.
_K1 = {2: 0.8862, 3: 0.5908}
_K2 = {2: 0.7071, 3: 0.5231}
_K3 = {
    2: 0.7071, 3: 0.5231, 4: 0.4467, 5: 0.4030, 6: 0.3742,
    7: 0.3534, 8: 0.3375, 9: 0.3249, 10: 0.3146,
}  # fmt: skip

# By person, then part, then repeat.
Values = Sequence[Sequence[Sequence[Fraction]]]


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the analysis of variance."""

    ss: float
    df: int
    ms: float


@dataclass(frozen=True, slots=True)
class Anova:
    """`f`, `p`: the test of the interaction against the repeats.

    f None: all repeats are alike. p None: the interaction is nothing either. pooled: the two were
    put together, since the interaction is not to be told from chance.
    """

    persons: Line
    parts: Line
    interaction: Line
    repeats: Line
    total: Line
    f: float | None
    p: float | None
    pooled: bool


@dataclass(frozen=True, slots=True)
class Spreads:
    """Standard deviations, in the unit of the study.

    repeatability: one person, one part, again and again (EV). persons: from one person to the
    next (AV). interaction: that persons differ from part to part. measuring: these three together
    (GRR). parts: what truly differs (PV). total: all of it (TV).
    """

    repeatability: float
    persons: float
    interaction: float
    measuring: float
    parts: float
    total: float

    def share(self, spread: float) -> float | None:
        """In percent of the total spread; None where nothing is spread."""
        return None if self.total == 0 else 100 * spread / self.total

    @property
    def distinct(self) -> int | None:
        """How many classes of parts can be told apart; None when measuring adds no spread."""
        return _steps(self.parts, self.measuring)


@dataclass(frozen=True, slots=True)
class Levels:
    """A nested design: short_term pools what varies within the groups, between is the standard
    deviation of the groups' means; each with its degrees of freedom."""

    mean: float
    short_term: float
    short_term_df: int
    between: float
    between_df: int


@dataclass(frozen=True, slots=True)
class OfPerson:
    """offset: how far the person reads above the others of the study, part by part.

    levels: of that offset. Within a part the repeats, between them how it changes with the part.
    """

    person: str
    offset: float
    levels: Levels


@dataclass(frozen=True, slots=True)
class StudyResult:
    """All that a study tells.

    by_ranges: the same by averages and ranges, to check by; None where its tables end.
    bracket: standard uncertainty from the width of the brackets, 0 for values. stated: measuring
    and bracket together. apart: the parts at which the brackets of two persons do not meet; None
    for a study by values.
    """

    anova: Anova
    spreads: Spreads
    by_ranges: Spreads | None
    bracket: float
    stated: float
    apart: tuple[str, ...] | None
    persons: tuple[OfPerson, ...]


def result_of(plan: Plan, readings: Sequence[Measured]) -> StudyResult:
    """Everything a complete study tells. Raises the first of faults_of(plan, readings)."""
    for fault in faults_of(plan, readings):
        raise fault
    by_place = {reading.place: reading.interval for reading in readings}
    intervals = [
        [
            [by_place[Place(person, part, trial)] for trial in range(1, plan.trials + 1)]
            for part in plan.parts
        ]
        for person in plan.persons
    ]
    values = [[[middle(one) for one in cell] for cell in row] for row in intervals]
    anova = crossed_anova(values)
    spreads = spreads_of(anova, values)
    widths = [width(one) for row in intervals for cell in row for one in cell]
    bracket = math.sqrt(sum(w * w for w in widths) / (12 * len(widths)))
    return StudyResult(
        anova=anova,
        spreads=spreads,
        by_ranges=average_and_range(values),
        bracket=bracket,
        stated=math.hypot(spreads.measuring, bracket),
        apart=tuple(_apart(plan.parts, intervals)) if any(widths) else None,
        persons=tuple(_of_persons(plan.persons, values)),
    )


def middle(interval: Interval) -> Fraction:
    """Half way between the ends. Raises Fault "no_upper_end" where there is none."""
    return (Fraction(interval.low) + _upper(interval)) / 2


def width(interval: Interval) -> Fraction:
    """From end to end. Raises Fault "no_upper_end" where there is no upper one."""
    return _upper(interval) - Fraction(interval.low)


def _upper(interval: Interval) -> Fraction:
    if interval.high is None:
        raise Fault(
            "No leaf refused. Measure again with a thicker leaf that does not enter.",
            code="no_upper_end",
        )
    return Fraction(interval.high)


def crossed_anova(values: Values) -> Anova:
    """Persons by parts by repeats, as many of each everywhere and 2 at the least.

    The interaction is pooled with the repeats when its p is above 0.25 (AIAG MSA, from memory).
    """
    a, p, r = len(values), len(values[0]), len(values[0][0])
    n = a * p * r
    every = [one for row in values for cell in row for one in cell]
    around = _total(every) ** 2 / n
    by_person = _total(_of_row(row) ** 2 for row in values) / (p * r) - around
    by_part = _total(_of_part(values, part) ** 2 for part in range(p)) / (a * r) - around
    by_cell = _total(_total(cell) ** 2 for row in values for cell in row) / r - around
    total = _total(one**2 for one in every) - around
    interaction = _line(by_cell - by_person - by_part, (a - 1) * (p - 1))
    repeats = _line(total - by_cell, a * p * (r - 1))
    f = p_value = None
    if repeats.ss > 0:
        f = interaction.ms / repeats.ms
        p_value = float(fdtrc(interaction.df, repeats.df, f))
    elif interaction.ss > 0:
        p_value = 0.0
    return Anova(
        persons=_line(by_person, a - 1),
        parts=_line(by_part, p - 1),
        interaction=interaction,
        repeats=repeats,
        total=_line(total, n - 1),
        f=f,
        p=p_value,
        pooled=p_value is None or p_value > POOL_ABOVE_P,
    )


def spreads_of(anova: Anova, values: Values) -> Spreads:
    """Standard deviations out of the mean squares; what comes out negative is nothing."""
    a, p, r = len(values), len(values[0]), len(values[0][0])
    within, crossed = anova.repeats.ms, anova.interaction.ms
    interaction = 0.0
    if anova.pooled:
        within = (anova.repeats.ss + anova.interaction.ss) / (
            anova.repeats.df + anova.interaction.df
        )
        crossed = within
    else:
        interaction = max(0.0, crossed - within) / r
    persons = max(0.0, anova.persons.ms - crossed) / (p * r)
    parts = max(0.0, anova.parts.ms - crossed) / (a * r)
    return _spreads(within, persons, interaction, parts)


def average_and_range(values: Values) -> Spreads | None:
    """The older way, by ranges; it knows no interaction. None for more than 3 persons or repeats
    or 10 parts, where its table of constants ends."""
    a, p, r = len(values), len(values[0]), len(values[0][0])
    if a not in _K2 or p not in _K3 or r not in _K1:
        return None
    ranges = [max(cell) - min(cell) for row in values for cell in row]
    repeatability = float(_total(ranges) / len(ranges)) * _K1[r]
    means = [_of_row(row) / (p * r) for row in values]
    between = float(max(means) - min(means)) * _K2[a]
    part_means = [_of_part(values, part) / (a * r) for part in range(p)]
    parts = float(max(part_means) - min(part_means)) * _K3[p]
    return _spreads(
        repeatability**2,
        max(0.0, between**2 - repeatability**2 / (p * r)),
        0.0,
        parts**2,
    )


def nested_levels(
    means: Sequence[float], deviations: Sequence[float], dfs: Sequence[int]
) -> Levels:
    """Groups of repeats by their means, standard deviations and degrees of freedom, two or more.

    NIST/SEMATECH e-Handbook 2.4.3 and 2.6 (from memory): level 1 pools the standard deviations,
    level 2 is the standard deviation of the means. Raises Fault "study_too_small".
    """
    within = sum(dfs)
    if len(means) < LEAST or within < 1:
        raise Fault(
            "Two groups with a repeat are the least. Measure on another day, or again.",
            code="study_too_small",
        )
    mean = math.fsum(means) / len(means)
    between = len(means) - 1
    return Levels(
        mean=mean,
        short_term=math.sqrt(
            math.fsum(df * sd * sd for df, sd in zip(dfs, deviations, strict=True)) / within
        ),
        short_term_df=within,
        between=math.sqrt(math.fsum((one - mean) ** 2 for one in means) / between),
        between_df=between,
    )


def share_of_tolerance(spread: float, tolerance: Decimal) -> float:
    """Six standard deviations in percent of the tolerance (AIAG MSA, from memory)."""
    return 100 * _SPREADS_IN_A_TOLERANCE * spread / float(tolerance)


def steps_in_tolerance(measuring: float, tolerance: Decimal) -> int | None:
    """How many classes within the tolerance can be told apart; None when measuring adds nothing.

    The parts' own spread is taken as a sixth of the tolerance, so that the answer does not hang on
    which pumps happened to be in the study.
    """
    return _steps(float(tolerance) / _SPREADS_IN_A_TOLERANCE, measuring)


def _steps(spread: float, measuring: float) -> int | None:
    return None if measuring == 0 else max(1, math.floor(_DISTINCT * spread / measuring))


def _total(values: Iterable[Fraction]) -> Fraction:
    return sum(values, Fraction(0))


def _of_row(row: Sequence[Sequence[Fraction]]) -> Fraction:
    return _total(one for cell in row for one in cell)


def _of_part(values: Values, part: int) -> Fraction:
    return _total(one for row in values for one in row[part])


def _line(ss: Fraction, df: int) -> Line:
    return Line(float(ss), df, float(ss / df))


def _spreads(within: float, persons: float, interaction: float, parts: float) -> Spreads:
    """From variances."""
    measuring = within + persons + interaction
    return Spreads(
        repeatability=math.sqrt(within),
        persons=math.sqrt(persons),
        interaction=math.sqrt(interaction),
        measuring=math.sqrt(measuring),
        parts=math.sqrt(parts),
        total=math.sqrt(measuring + parts),
    )


def _apart(
    parts: Sequence[str], intervals: Sequence[Sequence[Sequence[Interval]]]
) -> Iterable[str]:
    for number, part in enumerate(parts):
        hulls = [_hull(row[number]) for row in intervals]
        if any(not meet(one, other) for one, other in combinations(hulls, 2)):
            yield part


def _hull(several: Sequence[Interval]) -> Interval:
    """From the lowest low to the highest high, each end closed when one that reaches it is."""
    low = min(one.low for one in several)
    high = max(one.high for one in several if one.high is not None)
    return Interval(
        low,
        high,
        any(one.low_closed for one in several if one.low == low),
        any(one.high_closed for one in several if one.high == high),
    )


def _of_persons(persons: Sequence[str], values: Values) -> Iterable[OfPerson]:
    parts, repeats = len(values[0]), len(values[0][0])
    middles = [_of_part(values, part) / (len(values) * repeats) for part in range(parts)]
    for person, row in zip(persons, values, strict=True):
        levels = nested_levels(
            [
                float(_total(cell) / repeats - around)
                for cell, around in zip(row, middles, strict=True)
            ],
            [_deviation(cell) for cell in row],
            [repeats - 1] * parts,
        )
        yield OfPerson(person, levels.mean, levels)


def _deviation(cell: Sequence[Fraction]) -> float:
    mean = _total(cell) / len(cell)
    return math.sqrt(_total((one - mean) ** 2 for one in cell) / (len(cell) - 1))


# --- In words -----------------------------------------------------------------------------------


def sentences(
    result: StudyResult, *, what: str, by: str, parts: int, tolerance: Decimal | None, unit: str
) -> tuple[str, ...]:
    """What the study comes to, for people: the share of the measuring first.

    what: the characteristic and by: the instruments, in the middle of a sentence ("side
    clearance", "leaf sets"). parts: how many were measured.
    """
    spreads = result.spreads
    share = spreads.share(spreads.measuring)
    if share is None:
        said = [
            f"All readings of {what} with {by} are alike: nothing is spread, so nothing can be "
            "said about who measures."
        ]
    else:
        said = [
            f"Of the spread in {what} with {by}, {_percent(share)} comes from who measures and "
            f"how{_told_apart(spreads, tolerance, unit)}."
        ]
    if spreads.measuring > 0:
        said.append(_most_of_it(spreads))
    if result.apart:
        said.append(
            f"At {len(result.apart)} of {parts} parts the brackets of two people do not meet: "
            f"{', '.join(result.apart)}."
        )
    return tuple(said)


def _told_apart(spreads: Spreads, tolerance: Decimal | None, unit: str) -> str:
    if tolerance is None:
        steps, within = spreads.distinct, "the parts of the study"
    else:
        steps = steps_in_tolerance(spreads.measuring, tolerance)
        within = f"a limit {tolerance:f} {unit} wide"
    if steps is None:
        return ""
    if steps == 1:
        return f"; {within} cannot be told apart in steps at all"
    return f"; {within} can be told apart in {steps} steps"


def _most_of_it(spreads: Spreads) -> str:
    causes = (
        (spreads.repeatability, "one person finding something else when measuring again"),
        (spreads.persons, "one person reading higher than another"),
        (spreads.interaction, "people differing from part to part"),
    )
    return f"Most of it comes from {max(causes, key=lambda cause: cause[0])[1]}."


def _percent(share: float) -> str:
    if 0 < share < 1:
        return "less than 1 %"
    if 99 < share < 100:
        return "more than 99 %"
    return f"{share:.0f} %"
