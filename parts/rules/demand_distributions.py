"""How many pieces may be wanted within a time: from what was asked for, or from a forecast.

Whoever asks, asks for one or several pieces at once; how often somebody asks is Poisson, or
negative binomial where the records vary more than chance allows.
Sources: S. Axsäter, Inventory Control, on Poisson, compound Poisson and negative binomial demand
over a lead time (from memory); the dispersion test is the usual chi-square test of Poisson counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

Pmf = NDArray[np.float64]

FEWEST_PERIODS = 8
LEAST_RATIO = 1.05
SIGNIFICANCE = 0.05
# What a tail may hold and still be left off.
_TAIL = 1e-12


class Family(StrEnum):
    """Where a distribution comes from."""

    NONE = "none"
    POISSON = "poisson"
    NEGATIVE_BINOMIAL = "negative_binomial"
    FORECAST = "forecast"


@dataclass(frozen=True, slots=True, eq=False)
class Distribution:
    """The chance of each number of pieces: pmf[n] for n pieces, float array that adds up to 1."""

    pmf: Pmf

    @property
    def mean(self) -> float:
        return float(np.arange(len(self.pmf)) @ self.pmf)

    @property
    def variance(self) -> float:
        pieces = np.arange(len(self.pmf)) - self.mean
        return float((pieces * pieces) @ self.pmf)

    @property
    def variance_to_mean(self) -> float:
        """1 for Poisson; 1 as well where nothing is ever wanted."""
        mean = self.mean
        return self.variance / mean if mean > 0 else 1.0

    def at_most(self, pieces: NDArray[np.int64] | int) -> NDArray[np.float64]:
        """P(N <= pieces), of one number or of an array of them; below 0 it is 0."""
        cdf = np.concatenate(([0.0], np.minimum(np.cumsum(self.pmf), 1.0)))
        places: NDArray[np.float64] = cdf[np.clip(np.asarray(pieces) + 1, 0, len(self.pmf))]
        return places

    def quantile(self, chance: float) -> int:
        """The least number of pieces that is not exceeded with this chance, 0 <= chance < 1."""
        found = int(np.searchsorted(np.cumsum(self.pmf), chance - _TAIL))
        return min(found, len(self.pmf) - 1)

    def plus(self, other: Distribution) -> Distribution:
        """The sum of two that have nothing to do with each other, by convolution."""
        return _cut(np.convolve(self.pmf, other.pmf))

    def thinned(self, share: float) -> Distribution:
        """Where each piece counts with the chance `share`, 0 to 1, whatever becomes of the rest."""
        if share >= 1:
            return self
        if share <= 0:
            return NOTHING
        pieces = np.arange(len(self.pmf))
        return _cut(stats.binom.pmf(pieces[:, None], pieces[None, :], share) @ self.pmf)

    def over(self, share: float) -> Distribution:
        """Out of a window, over `share` of its length; above 1: several windows like it.

        Within the window each piece is taken to be wanted at any time alike, so a shorter time sees
        a thinned number. Windows that follow one another are taken to be independent and alike.
        """
        whole, rest = divmod(share, 1)
        found = self.thinned(rest)
        for _ in range(int(whole)):
            found = found.plus(self)
        return found


NOTHING = Distribution(np.ones(1))


def given(probabilities: Sequence[float] | Pmf) -> Distribution:
    """A distribution as somebody gives it; it must be one (see `faults_of`)."""
    pmf = np.asarray(probabilities, dtype=float)
    return _cut(pmf / pmf.sum())


def poisson(mean: float) -> Distribution:
    """Poisson; mean >= 0 pieces."""
    if mean <= 0:
        return NOTHING
    # By hand, since scipy.stats takes ten times as long over its arguments, and stores have
    # hundreds of parts. Eight standard deviations, and some, hold all but 1e-12.
    pieces = np.arange(int(mean + 8 * math.sqrt(mean)) + 25)
    return _cut(np.exp(special.xlogy(pieces, mean) - mean - special.gammaln(pieces + 1)))


def negative_binomial(mean: float, ratio: float) -> Distribution:
    """Negative binomial; mean >= 0, ratio > 1 of variance to mean: n = mean/(v-1), p = 1/v."""
    if mean <= 0:
        return NOTHING
    n, p = mean / (ratio - 1), 1 / ratio
    last = int(stats.nbinom.isf(_TAIL, n, p)) + 1
    return _cut(stats.nbinom.pmf(np.arange(last + 1), n, p))


@dataclass(frozen=True, slots=True)
class Sizes:
    """How many pieces are asked for at once: sizes[i] with chances[i], which add up to 1."""

    sizes: tuple[int, ...] = (1,)
    chances: tuple[float, ...] = (1.0,)

    @property
    def mean(self) -> float:
        return sum(s * c for s, c in zip(self.sizes, self.chances, strict=True))

    @property
    def mean_square(self) -> float:
        return sum(s * s * c for s, c in zip(self.sizes, self.chances, strict=True))


ONE_AT_A_TIME = Sizes()


def sizes_of(quantities: Sequence[int]) -> Sizes:
    """The sizes on record, each as often as it occurred; one at a time where there are none."""
    if not quantities:
        return ONE_AT_A_TIME
    sizes, counts = np.unique(np.asarray(quantities), return_counts=True)
    return Sizes(
        tuple(int(size) for size in sizes), tuple(float(n) / len(quantities) for n in counts)
    )


@dataclass(frozen=True, slots=True)
class Pattern:
    """How often somebody asks, and for how many.

    per_day: demands a day; ratio: variance to mean of their number, 1 for Poisson.
    """

    family: Family
    per_day: float
    ratio: float
    sizes: Sizes = ONE_AT_A_TIME
    # What the choice rests on; p_value is None where there were too few periods to test.
    periods: int = 0
    observed_ratio: float = 1.0
    p_value: float | None = None

    @property
    def pieces_per_day(self) -> float:
        return self.per_day * self.sizes.mean

    def over(self, days: float) -> Distribution:
        """The pieces wanted within so many days; 0 days give nothing.

        Both families stay what they are over any time: the mean grows with it, the ratio stays.
        """
        mean = self.per_day * days
        if mean <= 0:
            return NOTHING
        plain = poisson(mean) if self.ratio <= 1 else negative_binomial(mean, self.ratio)
        return plain if self.sizes.sizes == (1,) else compounded(plain, mean, self)


def compounded(plain: Distribution, mean: float, pattern: Pattern) -> Distribution:
    """The pieces of a random number of demands with sizes of their own.

    The generating function of the number, taken at that of the sizes, on the unit circle: exact but
    for rounding. Source: compound distributions by Fourier transform (standard).
    """
    most = max(pattern.sizes.sizes)
    # No shorter than all that can come together, so that nothing folds back.
    length = 1 << (len(plain.pmf) * most).bit_length()
    size = np.zeros(length)
    size[list(pattern.sizes.sizes)] = pattern.sizes.chances
    transform = np.fft.rfft(size)
    if pattern.ratio <= 1:
        powers = np.exp(mean * (transform - 1))
    else:
        powers = (1 + (pattern.ratio - 1) * (1 - transform)) ** (-mean / (pattern.ratio - 1))
    return _cut(np.maximum(np.fft.irfft(powers, length), 0.0))


def fitted(counts: Sequence[int], period_days: float, quantities: Sequence[int] = ()) -> Pattern:
    """What the records of equal periods in a row, those without any demand too, say of demand.

    counts: demands raised in each period; quantities: pieces that each of them asked for.
    Negative binomial when the variance of the counts is more than 1.05 times their mean over at
    least 8 periods and the sum of (count - mean)² / mean lies beyond the 95 % point of chi-square
    with one degree of freedom less than there are periods; else Poisson.
    """
    number = len(counts)
    total = sum(counts)
    if not total or not number:
        return Pattern(Family.NONE, 0.0, 1.0, periods=number)
    mean = total / number
    dispersion = sum((count - mean) ** 2 for count in counts) / mean
    observed = dispersion / (number - 1) if number > 1 else 1.0
    p_value = float(special.chdtrc(number - 1, dispersion)) if number >= FEWEST_PERIODS else None
    varies = p_value is not None and p_value < SIGNIFICANCE and observed > LEAST_RATIO
    return Pattern(
        Family.NEGATIVE_BINOMIAL if varies else Family.POISSON,
        mean / period_days,
        observed if varies else 1.0,
        sizes_of(quantities),
        number,
        observed,
        p_value,
    )


def loss(distribution: Distribution) -> NDArray[np.float64]:
    """B[s] = E[(N - s)+] for s = 0 .. len(pmf), whose last is 0: pieces missed on average."""
    beyond = 1 - np.minimum(np.cumsum(distribution.pmf), 1.0)
    return np.concatenate((np.cumsum(beyond[::-1])[::-1], [0.0]))


def loss_at(distribution: Distribution, stock: NDArray[np.int64]) -> NDArray[np.float64]:
    """B at each stock, which may be below 0 (then all that is wanted and the debt is missed)."""
    table = loss(distribution)
    inside: NDArray[np.float64] = table[np.clip(stock, 0, len(table) - 1)]
    return np.where(stock < 0, table[0] - stock, inside)


def _cut(pmf: Pmf) -> Distribution:
    """Without the far tail, whose chance is spread over the rest."""
    beyond = np.cumsum(pmf[::-1])[::-1]
    keep = max(int(np.count_nonzero(beyond > _TAIL)), 1)
    kept = pmf[:keep]
    total = float(kept.sum())
    if not math.isfinite(total) or total <= 0:
        raise ValueError("These are not the chances of numbers of pieces.")
    return Distribution(kept / total)
