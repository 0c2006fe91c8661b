"""Standard uncertainty of a reading, after JCGM 100:2008 (the guide to its expression).

A budget lists what a reading may be off by; each contribution is turned into one standard
deviation, and these add as squares. Everything of one budget is in one unit, that of the reading.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from fleet.faults import Fault
from fleet.units import IN_MM, LengthUnit, convert

Floats = NDArray[np.float64]
Function = Callable[..., Any]

# What an oil film or dirt may add at each face where two leaves lie together, either way
# (common practice, no source).
FILM_MM = Decimal("0.002")

# A first-order result further than this from the draws is not to be trusted.
MOST_APART = 0.05


class Distribution(StrEnum):
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    TRAPEZOIDAL = "trapezoidal"
    NORMAL = "normal"


@dataclass(frozen=True, slots=True)
class Contribution:
    """One thing that a reading may be off by.

    `half_width`: the bound either way, in the reading's unit; of a normal one its standard
    deviation; None when it is not known. `u`: standard uncertainty, None when not known.
    `degrees` of freedom, None for infinitely many.
    """

    name: str
    half_width: Decimal | float | None
    distribution: Distribution
    u: float | None
    degrees: float | None = None


def rectangular(name: str, half_width: Decimal | None) -> Contribution:
    """Equally likely within +- half_width: a / sqrt 3 (JCGM 100, 4.3.7). None: not known."""
    if half_width is None:
        return Contribution(name, None, Distribution.RECTANGULAR, None)
    _not_negative(half_width)
    return Contribution(
        name, half_width, Distribution.RECTANGULAR, float(half_width) / math.sqrt(3.0)
    )


def asymmetric(name: str, below: Decimal, above: Decimal) -> Contribution:
    """From `below` under the figure to `above` over it: (below + above) / sqrt 12 about their
    middle (JCGM 100, 4.3.8)."""
    _not_negative(below)
    _not_negative(above)
    width = below + above
    return Contribution(name, width / 2, Distribution.RECTANGULAR, float(width) / math.sqrt(12.0))


def resolution_step(name: str, step: Decimal) -> Contribution:
    """A scale or display that shows whole steps: step / sqrt 12 (JCGM 100, F.2.2.1)."""
    _not_negative(step)
    return Contribution(name, step / 2, Distribution.RECTANGULAR, float(step) / math.sqrt(12.0))


def triangular(name: str, half_width: Decimal) -> Contribution:
    """Most likely in the middle, down to nothing at +- half_width: a / sqrt 6 (JCGM 100, 4.3.9)."""
    _not_negative(half_width)
    return Contribution(
        name, half_width, Distribution.TRIANGULAR, float(half_width) / math.sqrt(6.0)
    )


def trapezoidal(name: str, one: Decimal, other: Decimal) -> Contribution:
    """The sum of two rectangular ones: sqrt((a^2 + b^2) / 3) (JCGM 100, 4.3.9)."""
    _not_negative(one)
    _not_negative(other)
    return Contribution(
        name,
        one + other,
        Distribution.TRAPEZOIDAL,
        math.hypot(float(one), float(other)) / math.sqrt(3.0),
    )


def normal(name: str, u: float, degrees: float | None = None) -> Contribution:
    """One known by its standard deviation, from a certificate (U / k) or a study."""
    _not_negative(u)
    return Contribution(name, u, Distribution.NORMAL, u, degrees)


def repeated(name: str, figures: Sequence[Decimal]) -> Contribution:
    """The mean of repeats, by their scatter: s / sqrt n, n - 1 degrees (JCGM 100, 4.2.3).

    Raises Fault "too_few" for fewer than two.
    """
    if len(figures) < 2:
        raise Fault("Scatter needs at least two repeats. Measure again.", code="too_few")
    scatter = float(np.std([float(figure) for figure in figures], ddof=1))
    return normal(name, scatter / math.sqrt(len(figures)), float(len(figures) - 1))


def _not_negative(figure: Decimal | float) -> None:
    if not (math.isfinite(figure) and figure >= 0):
        raise Fault(
            "An uncertainty is a finite figure, and not negative. Enter it without its sign.",
            code="uncertainty",
        )


def combine(
    u: Sequence[float],
    sensitivities: Sequence[float] | None = None,
    correlation: ArrayLike | None = None,
) -> float:
    """Combined standard uncertainty (JCGM 100, 5.1.2 and 5.2.2).

    `sensitivities` c_i = df/dx_i, 1 where not given; `correlation` n x n, none where not given.
    """
    parts = _parts(u, sensitivities)
    if correlation is None:
        return float(np.sqrt(np.sum(parts * parts)))
    matrix = np.asarray(correlation, dtype=np.float64)
    return float(np.sqrt(max(float(parts @ matrix @ parts), 0.0)))


def _parts(u: Sequence[float], sensitivities: Sequence[float] | None) -> Floats:
    us = np.asarray(u, dtype=np.float64)
    if sensitivities is None:
        return us
    return us * np.asarray(sensitivities, dtype=np.float64)


def effective_degrees(
    u: Sequence[float],
    degrees: Sequence[float | None],
    sensitivities: Sequence[float] | None = None,
) -> float:
    """Welch-Satterthwaite: u_c^4 / sum(u_i^4 / degrees_i) (JCGM 100, G.4.1), inf when all are.

    None among `degrees` stands for infinitely many.
    """
    parts = _parts(u, sensitivities)
    finite = np.asarray([math.inf if each is None else each for each in degrees])
    below = float(np.sum(parts**4 / finite))
    return math.inf if below == 0.0 else float(np.sum(parts * parts)) ** 2 / below


def expanded(u: float, degrees: float = math.inf, coverage: float = 0.95) -> float:
    """U = t u: `coverage` of a Student distribution lies within +- U (JCGM 100, G.3.2).

    `degrees`, 1 or more, are cut to a whole number first (G.6.4). Raises Fault "too_few".
    """
    # A whole number that floating point left just below itself is not cut to the one before.
    whole = degrees if math.isinf(degrees) else math.floor(degrees + 1e-9)
    if whole < 1:
        raise Fault("Less than one degree of freedom says nothing. Measure again.", code="too_few")
    return float(stdtrit(whole, (1.0 + coverage) / 2.0)) * u


@dataclass(frozen=True, slots=True)
class Propagated:
    """A measured function: its `value`, its `u` and df/dx_i, the inputs along the first axis.

    Each in the shape that the inputs broadcast to; df/dx_i is 0 where u_i is.
    """

    value: Floats
    u: Floats
    sensitivities: Floats


def propagate(
    function: Function,
    x: Sequence[ArrayLike],
    u: Sequence[ArrayLike],
    *,
    correlation: ArrayLike | None = None,
    second_order: bool = False,
) -> Propagated:
    """The uncertainty of function(x_1, ..., x_n) by central differences over +- u_i.

    First order after JCGM 100, 5.1.3 note 2 and 5.2.2; with `second_order` also the terms of
    5.1.2, note, which hold for inputs that do not go together. Each x_i and u_i is a figure or an
    array over many readings; the function must take arrays. Raises Fault "second_order" when both
    a correlation and second-order terms are asked for.
    """
    if second_order and correlation is not None:
        raise Fault(
            "Second-order terms hold for independent inputs only. Leave the correlation out, or "
            "check by draws.",
            code="second_order",
        )
    count = len(x)
    both = np.broadcast_arrays(*(np.asarray(each, dtype=np.float64) for each in (*x, *u)))
    at, by = both[:count], both[count:]

    def moved(*steps: tuple[int, float]) -> Floats:
        """The function with input i moved by so many u_i, for each (i, steps)."""
        places = list(at)
        for place, step in steps:
            places[place] = places[place] + step * by[place]
        return np.asarray(function(*places), dtype=np.float64)

    value = moved()
    first = np.stack([(moved((i, 1)) - moved((i, -1))) / 2.0 for i in range(count)])
    if correlation is None:
        variance = np.sum(first * first, axis=0)
    else:
        matrix = np.asarray(correlation, dtype=np.float64)
        variance = np.einsum("i...,ij,j...->...", first, matrix, first)
    if second_order:
        variance = variance + _second_order(moved, first, value)
    # Without an uncertainty there is no step to difference over, and nothing to multiply it with.
    steps = np.stack(by)
    sensitivities = np.divide(first, steps, out=np.zeros_like(first), where=steps > 0.0)
    return Propagated(value, np.sqrt(np.maximum(variance, 0.0)), sensitivities)


def _second_order(moved: Callable[..., Floats], first: Floats, value: Floats) -> Floats:
    """Sum over i, j of (f_ij^2 / 2 + f_i f_ijj) u_i^2 u_j^2, in steps of u."""
    total = np.zeros_like(value)
    for i in range(len(first)):
        for j in range(len(first)):
            if i == j:
                mixed = moved((i, 1)) - 2.0 * value + moved((i, -1))
                third = (
                    moved((i, 2)) - 2.0 * moved((i, 1)) + 2.0 * moved((i, -1)) - moved((i, -2))
                ) / 2.0
            else:
                up, down = [[moved((i, a), (j, b)) for b in (1, 0, -1)] for a in (1, -1)]
                mixed = (up[0] - up[2] - down[0] + down[2]) / 4.0
                third = ((up[0] - 2.0 * up[1] + up[2]) - (down[0] - 2.0 * down[1] + down[2])) / 2.0
            total = total + mixed * mixed / 2.0 + first[i] * third
    return total


@dataclass(frozen=True, slots=True)
class Draws:
    """What a Monte Carlo check found. `differs`: the propagated u is off by more than 5 %."""

    mean: float
    u: float
    propagated_u: float
    differs: bool


def check_by_draws(
    function: Function,
    x: Sequence[float],
    u: Sequence[float],
    propagated_u: float,
    *,
    seed: int,
    draws: int = 100_000,
    distributions: Sequence[Distribution] | None = None,
) -> Draws:
    """Propagate distributions by random draws and compare (JCGM 101:2008, clause 7).

    Each input is drawn about x_i with standard deviation u_i: normal, or as `distributions` says
    (rectangular, triangular or normal). The same seed gives the same result.
    """
    random = np.random.default_rng(seed)
    kinds = distributions or [Distribution.NORMAL] * len(x)
    drawn = [
        middle + spread * _standard_draws(kind, random, draws)
        for middle, spread, kind in zip(x, u, kinds, strict=True)
    ]
    out = np.asarray(function(*drawn), dtype=np.float64)
    found = float(np.std(out, ddof=1))
    differs = abs(found - propagated_u) > MOST_APART * found
    return Draws(float(np.mean(out)), found, propagated_u, differs)


def _standard_draws(kind: Distribution, random: np.random.Generator, count: int) -> Floats:
    """Draws with mean 0 and standard deviation 1."""
    if kind is Distribution.NORMAL:
        return random.standard_normal(count)
    if kind is Distribution.RECTANGULAR:
        return random.uniform(-math.sqrt(3.0), math.sqrt(3.0), count)
    if kind is Distribution.TRIANGULAR:
        return random.triangular(-math.sqrt(6.0), 0.0, math.sqrt(6.0), count)
    raise Fault("Draw the two rectangular parts of a trapezoidal one.", code="distribution")


def value_budget(
    permissible_error: Decimal | None, resolution: Decimal | None, study_u: float | None
) -> tuple[Contribution, ...]:
    """The budget of a figure read off an instrument, all in the unit of the reading.

    `permissible_error` +- of the instrument, None when it is not known: then so is u of the
    reading. `resolution`: the smallest step that it shows, None where that is included already.
    `study_u`: from a repeatability and reproducibility study, None where there is none.
    """
    budget = [rectangular("permissible error", permissible_error)]
    if resolution is not None:
        budget.append(resolution_step("resolution", resolution))
    if study_u is not None:
        budget.append(normal("who measures, and repeats", study_u))
    return tuple(budget)


def leaf_budget(
    stack_sizes: Sequence[int],
    leaf_tolerance: Decimal | None,
    unit: LengthUnit,
    study_u: float | None,
    film_mm: Decimal = FILM_MM,
) -> tuple[Contribution, ...]:
    """The budget of a feeler bracket: that of the end with the larger u.

    `stack_sizes`: how many leaves made each end, one or two figures. Each leaf may be off by
    +- `leaf_tolerance` (None: not known), each face where two lie together by a film. All in
    `unit`, that of the reading; the film is converted from mm. Raises Fault "no_leaf".
    """
    most = max(stack_sizes, default=0)
    if most < 1:
        raise Fault("Say which leaf was tried.", field="leaves", code="no_leaf")
    leaves = [rectangular(f"leaf {number}", leaf_tolerance) for number in range(1, most + 1)]
    films = [_film(f"film {number}", film_mm, unit) for number in range(1, most)]
    study = [] if study_u is None else [normal("who measures, and repeats", study_u)]
    return (*leaves, *films, *study)


def _film(name: str, film_mm: Decimal, unit: LengthUnit) -> Contribution:
    # In inches the figure does not end, so u comes from the fraction, rounded once.
    exact = float(Fraction(film_mm) / Fraction(IN_MM[unit]))
    shown = convert(film_mm, LengthUnit.MM, unit)
    return Contribution(name, shown, Distribution.RECTANGULAR, exact / math.sqrt(3.0))


def standard_uncertainty(budget: Sequence[Contribution]) -> float | None:
    """Root sum square of the budget; None when something in it is not known, or it is empty."""
    us = [each.u for each in budget]
    known = [u for u in us if u is not None]
    return combine(known) if us and len(known) == len(us) else None


def budget_as_json(budget: Sequence[Contribution]) -> list[dict[str, Any]]:
    """For storing: a decimal half width as text, so that its digits stay."""
    return [
        {
            "name": each.name,
            "half_width": f"{each.half_width}"
            if isinstance(each.half_width, Decimal)
            else each.half_width,
            "distribution": each.distribution.value,
            "u": each.u,
            "degrees": each.degrees,
        }
        for each in budget
    ]


def budget_from_json(stored: Sequence[Mapping[str, Any]]) -> tuple[Contribution, ...]:
    """The inverse of budget_as_json, to the same bits."""
    return tuple(
        Contribution(
            each["name"],
            Decimal(each["half_width"])
            if isinstance(each["half_width"], str)
            else each["half_width"],
            Distribution(each["distribution"]),
            each["u"],
            each.get("degrees"),
        )
        for each in stored
    )
