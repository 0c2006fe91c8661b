"""What earlier readings of a pump lead one to expect at a position, as a start for the next leaf.

A straight line through the readings since the part was last renewed, against running hours, and
its prediction for the hours now. It only chooses which leaf comes first: no verdict rests on it,
because a trend must not acquit a part by itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from scipy.special import log_ndtr, ndtri_exp

from fleet.units import LengthUnit, show

# A line through two points shows no scatter, so nothing could be said of how far it misses.
FEWEST_READINGS = 3


@dataclass(frozen=True, slots=True)
class NormalPrior:
    """The gap as a normal distribution, in the unit of the leaves; cut to the bracket in use."""

    mean: float
    sd: float

    def share_below(self, at: float, low: float, high: float) -> float:
        """The chance that a gap known to lie from low to high (inf: no upper end) is below `at`.

        Ratios of distances between logarithms of the distribution function: in a far tail the
        plain differences would both be nothing.
        """
        a, x, b = ((end - self.mean) / self.sd for end in (low, at, high))
        if a + b > 0:
            # Upper tail: the mirror image keeps the digits.
            return 1 - _share(-b, -x, -a)
        return _share(a, x, b)

    def median(self, low: float, high: float) -> float:
        """The length that as much of the cut distribution lies above as below."""
        a, b = ((end - self.mean) / self.sd for end in (low, high))
        mirrored = a + b > 0
        if mirrored:
            a, b = -b, -a
        middle = float(ndtri_exp(np.logaddexp(log_ndtr(a), log_ndtr(b)) - math.log(2)))
        return self.mean + self.sd * (-middle if mirrored else middle)


def _share(a: float, x: float, b: float) -> float:
    return math.exp(_log_between(a, x) - _log_between(a, b))


def _log_between(a: float, b: float) -> float:
    """log(Phi(b) - Phi(a)) for a <= b; -inf where nothing lies between."""
    upper, lower = float(log_ndtr(b)), float(log_ndtr(a))
    if upper <= lower:
        return -math.inf
    return upper + math.log(-math.expm1(lower - upper))


@dataclass(frozen=True, slots=True)
class EarlierReading:
    """A reading at the same position since the part was renewed, in the unit of the leaves.

    `low` = `high` for a value. `u`: standard uncertainty, None where it is not known.
    """

    hours: float
    low: Decimal
    high: Decimal
    u: float | None = None

    @property
    def middle(self) -> float:
        return float(self.low + self.high) / 2

    @property
    def variance(self) -> float:
        """A width w counts w / sqrt(12) (JCGM 100:2008, 4.3.7); a value its last printed digit."""
        width = float(self.high - self.low) or 10.0 ** int(self.low.as_tuple().exponent)
        return width**2 / 12 + (self.u or 0.0) ** 2


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line by least squares: level + slope * (hours - centre)."""

    centre: float
    level: float
    slope: float
    # Of one reading about the line, from the residuals.
    scatter: float
    sum_of_squares: float
    count: int

    @property
    def intercept(self) -> float:
        return self.level - self.slope * self.centre


def line_through(points: Sequence[tuple[float, float]]) -> Line | None:
    """Least squares through (hours, length); None when all were taken at the same hours."""
    n = len(points)
    centre = math.fsum(t for t, _ in points) / n
    level = math.fsum(y for _, y in points) / n
    spread = math.fsum((t - centre) ** 2 for t, _ in points)
    if spread == 0:
        return None
    slope = math.fsum((t - centre) * (y - level) for t, y in points) / spread
    residual = math.fsum((y - level - slope * (t - centre)) ** 2 for t, y in points)
    return Line(centre, level, slope, math.sqrt(residual / (n - 2)), spread, n)


@dataclass(frozen=True, slots=True)
class Trend:
    prior: NormalPrior
    sentence: str


def trend_prior(
    readings: Sequence[EarlierReading], hours_now: float, unit: LengthUnit
) -> Trend | None:
    """The gap to expect at `hours_now`, with a sentence on what it rests on.

    None with fewer than three readings, or when all were taken at the same hours. Wear does not
    heal: a falling line counts as level. The scatter is the larger of what the readings show and
    what they can be read to.
    """
    if len(readings) < FEWEST_READINGS:
        return None
    line = line_through([(r.hours, r.middle) for r in readings])
    if line is None:
        return None
    n = line.count
    read_to = math.fsum(r.variance for r in readings) / n
    if line.slope > 0:
        mean = line.level + line.slope * (hours_now - line.centre)
        lever = 1 + 1 / n + (hours_now - line.centre) ** 2 / line.sum_of_squares
        scatter = line.scatter**2
    else:
        mean, lever = line.level, 1 + 1 / n
        scatter = math.fsum((r.middle - line.level) ** 2 for r in readings) / (n - 1)
    prior = NormalPrior(mean, math.sqrt(max(scatter, read_to) * lever))
    return Trend(
        prior,
        f"{n} earlier readings of this pump at this position lead to about "
        f"{_short(prior.mean, unit)}, give or take {_short(prior.sd, unit)}.",
    )


def _short(value: float, unit: LengthUnit) -> str:
    places = {LengthUnit.MM: 3, LengthUnit.UM: 0, LengthUnit.INCH: 4, LengthUnit.THOU: 1}[unit]
    return show(Decimal(f"{value:.{places}f}"), unit)
