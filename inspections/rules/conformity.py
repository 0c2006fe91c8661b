"""The one rule by which a length meets its limits, for one reading or for many at once.

Lengths are compared as whole ticks of 1e-10 mm, so every printed figure is exact in each of the
four units. Probabilities are floats, after JCGM 106:2012, clause 7: a value is a normal
distribution about its figure; a feeler bracket is equally likely anywhere inside it, blurred by
the standard uncertainty of its ends.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from decimal import Decimal
from enum import StrEnum
from itertools import pairwise
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import ndtr

from fleet.decisions import DecisionRule, RuleKind
from fleet.faults import Fault
from fleet.units import LengthUnit, show

Ticks = NDArray[np.int64]
Floats = NDArray[np.float64]

TICKS: dict[LengthUnit, int] = {
    LengthUnit.MM: 10_000_000_000,
    LengthUnit.UM: 10_000_000,
    LengthUnit.INCH: 254_000_000_000,
    LengthUnit.THOU: 254_000_000,
}

# Stand for "no lowest limit" and for "no highest limit" or "no upper end". Lengths and guards
# stay a factor of two below, so that no difference of theirs leaves 64 bits.
NO_LOW = -(2**62)
NO_HIGH = 2**62
_MOST = 2**61

# Below this share of u the width of a bracket is a correction to its middle; the closed form
# would lose as many digits as the share is small.
_NARROW = 1e-3


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

# An outcome code is its place here: the larger the worse.
OUTCOMES = (Outcome.WITHIN, Outcome.UNDECIDED, Outcome.OUT)
WITHIN, UNDECIDED, OUT = range(3)


def ticks(value: Decimal, unit: LengthUnit) -> int:
    """The length in ticks of 1e-10 mm, exactly.

    Whole for every figure of at most six decimals in mm, µm, in or thou. Raises Fault
    "not_whole_ticks" for a finer figure and "too_long" past 230 m.
    """
    if not value.is_finite():
        raise Fault("Enter a figure, such as 0.15.", code="not_a_length")
    numerator, denominator = value.as_integer_ratio()
    whole, rest = divmod(numerator * TICKS[unit], denominator)
    if rest:
        raise Fault(
            f"{show(value, unit)} is finer than can be judged. Enter it with at most six decimals.",
            code="not_whole_ticks",
        )
    if abs(whole) >= _MOST:
        raise Fault(
            f"{show(value, unit)} is no length of a pump part. Check the figure and its unit.",
            code="too_long",
        )
    return whole


class Judged(NamedTuple):
    """`codes`: places in OUTCOMES, int8. `probability` of meeting the limits, NaN where unknown.

    With no upper end a probability is a bound only, given where it decides: "at most" against a
    highest limit, "at least" where there is a lowest limit alone.
    """

    codes: NDArray[np.int8]
    probability: Floats


def judge_many(
    *,
    low: ArrayLike,
    high: ArrayLike,
    low_closed: ArrayLike,
    high_closed: ArrayLike,
    u: ArrayLike,
    limit_low: ArrayLike,
    limit_high: ArrayLike,
    rule: DecisionRule,
    strict_high: ArrayLike = False,
    signed: ArrayLike = False,
) -> Judged:
    """Judge intervals against limits by one rule; all arguments broadcast to one shape.

    Ticks, int64: `low`, `high` (NO_HIGH: no upper end), `limit_low` (NO_LOW: none), `limit_high`
    (NO_HIGH: none). `u`: standard uncertainty in ticks, NaN where unknown. `low_closed`,
    `high_closed`: whether the end belongs to the interval. `strict_high`: the highest limit
    itself is out. `signed`: the length can be negative, so a bracket is not cut off at 0.

    Simple: by the interval alone. Guarded (ISO 14253-1): by guard_z times u on both sides of each
    limit, rounded to a whole tick. Probability (JCGM 106): by p_accept and p_reject. Where the
    rule needs u and it is unknown, undecided. Raises Fault "limit_missing" or "uncertainty".
    """
    lows, highs, limits_low, limits_high = np.broadcast_arrays(
        *(np.asarray(each, dtype=np.int64) for each in (low, high, limit_low, limit_high))
    )
    us = np.asarray(u, dtype=np.float64)
    if np.any((limits_low == NO_LOW) & (limits_high == NO_HIGH)):
        raise Fault("There is no limit to judge by. Enter one on the sheet.", code="limit_missing")
    if np.any((us < 0) | np.isinf(us)):
        raise Fault("An uncertainty is a finite figure, and not negative.", code="uncertainty")
    open_up = highs == NO_HIGH
    no_high = limits_high == NO_HIGH
    floor = np.where(limits_low == NO_LOW, -np.inf, limits_low.astype(np.float64))
    ceiling = np.where(no_high, np.inf, limits_high.astype(np.float64))
    chance = conformance_probability(
        lows,
        np.where(open_up, np.inf, highs.astype(np.float64)),
        us,
        floor,
        ceiling,
        strict_high=strict_high,
        signed=signed,
    )
    if np.any(open_up):
        bound = conformance_probability(
            lows, lows, us, np.where(no_high, floor, -np.inf), ceiling, strict_high=strict_high
        )
    else:
        bound = chance
    if rule.kind is RuleKind.PROBABILITY:
        accepts, rejects = float(rule.p_accept), float(rule.p_reject)
        within = np.where(open_up, no_high & (bound >= accepts), chance >= accepts)
        out = np.where(open_up, ~no_high & (bound <= rejects), chance <= rejects)
        codes = _code(within, out)
    else:
        guard = guard_ticks(rule, us)
        codes = interval_code(
            lows,
            highs,
            np.asarray(low_closed, dtype=np.bool_),
            np.asarray(high_closed, dtype=np.bool_),
            guard,
            limits_low,
            limits_high,
            np.asarray(strict_high, dtype=np.bool_),
        )
    if rule.needs_uncertainty:
        codes = np.where(np.isnan(us), UNDECIDED, codes)
    chance = np.where(open_up & (codes != UNDECIDED), bound, chance)
    return Judged(np.asarray(codes, dtype=np.int8), np.asarray(chance, dtype=np.float64))


def guard_ticks(rule: DecisionRule, u: Floats) -> Ticks:
    """The guard that the rule asks for at `u` (ticks), in whole ticks; 0 unless it is guarded."""
    if rule.kind is not RuleKind.GUARDED:
        return np.zeros(u.shape, dtype=np.int64)
    wanted = np.where(np.isnan(u), 0.0, float(rule.guard_z) * u)
    return np.rint(np.minimum(wanted, float(_MOST))).astype(np.int64)


def interval_code(
    low: Any,
    high: Any,
    low_closed: Any,
    high_closed: Any,
    guard: Any,
    limit_low: Any,
    limit_high: Any,
    strict_high: Any,
) -> Any:
    """Outcome code of intervals against limits with a guard on both sides of each; all in ticks.

    Takes plain ints and bools, or arrays of one shape: the same comparisons serve both. NO_LOW and
    NO_HIGH lie so far out that an end without a figure, or a limit that is none, needs no care of
    its own but where both meet.
    """
    accept_high, reject_high = limit_high - guard, limit_high + guard
    accept_low, reject_low = limit_low + guard, limit_low - guard
    short_enough = (high < accept_high) | (
        (high == accept_high) & ((strict_high & high_closed) ^ True)
    )
    within = ((limit_high == NO_HIGH) | short_enough) & (low >= accept_low)
    too_long = (low > reject_high) | ((low == reject_high) & (strict_high | (low_closed ^ True)))
    too_short = (high < reject_low) | ((high == reject_low) & (high_closed ^ True))
    return _code(within, too_long | too_short)


def _code(within: Any, out: Any) -> Any:
    return UNDECIDED + out * 1 - within * 1


def conformance_probability(
    low: ArrayLike,
    high: ArrayLike,
    u: ArrayLike,
    limit_low: ArrayLike = -math.inf,
    limit_high: ArrayLike = math.inf,
    *,
    strict_high: ArrayLike = False,
    signed: ArrayLike = False,
) -> Floats:
    """Probability that the true value lies within the limits; any one unit, shapes broadcast.

    `low == high`: normal about the figure with standard uncertainty `u` (JCGM 106:2012, 7.3, 7.4).
    A bracket: flat inside, its ends blurred by u; unless `signed`, what would be negative is cut
    off and the rest scaled up, since no gap is less than nothing. u = 0, and a bracket of unknown
    u (NaN): the part of the bracket within the limits. An infinite limit is none. NaN where
    nothing can be said: no upper end (`high` infinite), or a figure of unknown u.
    """
    a, b, spread, floor, ceiling, strict, negative = np.broadcast_arrays(
        *(np.asarray(x, dtype=np.float64) for x in (low, high, u, limit_low, limit_high)),
        np.asarray(strict_high, dtype=np.bool_),
        np.asarray(signed, dtype=np.bool_),
    )
    open_up = np.isinf(b)
    b = np.where(open_up, a, b)
    is_figure = a == b
    unknown = np.isnan(spread)
    spread = np.where(unknown, 0.0, spread)
    cut = ~(is_figure | negative | (a < 0.0))
    from_ = np.where(cut, np.maximum(floor, 0.0), floor)
    # Differences are taken in the lower tail, where they keep their digits: readings below the
    # middle of the limits are mirrored.
    mirror = np.isinf(ceiling) | (a + b - from_ < ceiling)
    left, right = np.where(mirror, -b, a), np.where(mirror, -a, b)
    upper = np.where(mirror, -from_, ceiling)
    lower = np.where(mirror, -ceiling, from_)
    chance = _below(upper, left, right, spread) - _below(lower, left, right, spread)
    chance = np.where(cut, chance / np.where(cut, _below(0.0, -b, -a, spread), 1.0), chance)
    certain = (a >= floor) & ((a < ceiling) | ((a == ceiling) & ~strict))
    chance = np.where(is_figure & (spread == 0.0), certain.astype(np.float64), chance)
    chance = np.clip(chance, 0.0, 1.0)
    return np.asarray(np.where((unknown & is_figure) | open_up, np.nan, chance))


_ROOT_TWO_PI = math.sqrt(2.0 * math.pi)
# Past this many standard uncertainties a normal tail is nothing in a float.
_FAR = 40.0


def _below(limit: Any, low: Floats, high: Floats, u: Floats) -> Floats:
    """P(Y <= limit), Y flat from low to high and blurred by u.

    With psi(z) = z Phi(z) + phi(z) it is u/w (psi((limit - low)/u) - psi((limit - high)/u)).
    Since psi(z) = max(z, 0) + tail(|z|), the clipped line is taken apart from what u adds.
    """
    width = high - low
    blurred = u > 0.0
    safe_u = np.where(blurred, u, 1.0)
    safe_width = np.where(width > 0.0, width, 1.0)
    with np.errstate(over="ignore", invalid="ignore"):
        to_low, to_high = limit - low, limit - high
        line = (np.maximum(to_low, 0.0) - np.maximum(to_high, 0.0)) / safe_width
        blur = u / safe_width * (_tail(to_low / safe_u) - _tail(to_high / safe_u))
        middle = np.clip((limit - (low + high) / 2.0) / safe_u, -_FAR, _FAR)
    density = np.exp(-middle * middle / 2.0) / _ROOT_TWO_PI
    # Only small shares are used; to cap the others keeps them finite.
    share = np.minimum(width, _NARROW * safe_u) / safe_u
    narrow = ndtr(middle) - share * share / 24.0 * middle * density
    chance = np.where(blurred & (width < _NARROW * u), narrow, line + blur)
    return np.asarray(np.where(np.isinf(limit), np.where(limit > 0.0, 1.0, 0.0), chance))


def _tail(z: Floats) -> Floats:
    away = np.minimum(np.abs(z), _FAR)
    return np.asarray(np.exp(-away * away / 2.0) / _ROOT_TWO_PI - away * ndtr(-away))


def can_accept(limit_low: int, limit_high: int, u: float, rule: DecisionRule) -> bool:
    """Whether any figure at all would be accepted; False: the instrument is not capable.

    Limits in ticks, NO_LOW and NO_HIGH for a side without one, which leaves room enough. `u` in
    ticks, NaN where unknown. The best place is the middle of the limits.
    """
    if limit_low == NO_LOW or limit_high == NO_HIGH or math.isnan(u):
        return True
    if rule.kind is RuleKind.PROBABILITY:
        middle = (limit_low + limit_high) / 2.0
        best = conformance_probability(middle, middle, u, limit_low, limit_high)
        return bool(best >= float(rule.p_accept))
    return bool(limit_high - limit_low >= 2 * int(guard_ticks(rule, np.asarray(u))))


class Prior(Protocol):
    """What lengths a fleet has: a frozen distribution of scipy.stats, say."""

    def pdf(self, x: float, /) -> Any: ...
    def support(self) -> tuple[float, float]: ...


def consumer_risk(
    prior: Prior, u: float, limit_low: float, limit_high: float, guard: float = 0.0
) -> float:
    """Probability that a part is outside the limits and yet accepted (JCGM 106:2012, 9.5.2).

    Over all parts that `prior` describes, measured with `u` above 0 and accepted by a figure that
    keeps `guard` from each limit. All in the unit of the prior; an infinite limit is none.
    """
    accepted = _acceptance(u, limit_low, limit_high, guard)
    # Further out than this nothing is accepted that a float could tell from nothing.
    reach = _FAR / 4.0 * u
    outside = ((limit_low - reach, limit_low), (limit_high, limit_high + reach))
    return sum(_mass(prior, ends, accepted) for ends in outside if all(map(math.isfinite, ends)))


def producer_risk(
    prior: Prior, u: float, limit_low: float, limit_high: float, guard: float = 0.0
) -> float:
    """Probability that a part is within the limits and yet rejected (JCGM 106:2012, 9.5.3)."""
    accepted = _acceptance(u, limit_low, limit_high, guard)
    # Where the integrand falls off, so that no narrow step is stepped over.
    steps = (limit_low + guard, limit_high - guard)
    return _mass(prior, (limit_low, limit_high), lambda y: 1.0 - accepted(y), steps)


def guard_for_risk(
    prior: Prior, u: float, limit_low: float, limit_high: float, target: float
) -> float:
    """The smallest guard, 0 or more, that keeps the consumer's risk at `target` or below."""

    def excess(guard: float) -> float:
        return consumer_risk(prior, u, limit_low, limit_high, guard) - target

    if excess(0.0) <= 0.0:
        return 0.0
    enough = u
    while excess(enough) > 0.0:
        enough *= 2.0
    return float(brentq(excess, 0.0, enough, xtol=1e-12 * enough))


def _acceptance(
    u: float, limit_low: float, limit_high: float, guard: float
) -> Callable[[float], float]:
    """P(a part of true length y is accepted); nothing is once the guards have met."""
    if not 0.0 < u < math.inf:
        raise Fault("A risk needs an uncertainty above 0. Enter one.", code="uncertainty")

    def accepted(y: float) -> float:
        upper = float(ndtr((limit_high - guard - y) / u))
        return max(upper - float(ndtr((limit_low + guard - y) / u)), 0.0)

    return accepted


def _mass(
    prior: Prior,
    ends: tuple[float, float],
    weight: Callable[[float], float],
    steps: Sequence[float] = (),
) -> float:
    least, most = prior.support()
    low, high = max(ends[0], least), min(ends[1], most)
    if low >= high:
        return 0.0
    inside = sorted(step for step in steps if low < step < high)
    marks = (low, *inside, high)
    return sum(
        float(quad(lambda y: float(prior.pdf(y)) * weight(y), a, b, epsabs=1e-13, epsrel=1e-10)[0])
        for a, b in pairwise(marks)
    )
