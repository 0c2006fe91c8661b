"""How many jobs come due in a window when each pump has a chance of its own.

The way in for whatever knows the pumps: it brings one chance a fitted position, or a function that
gives all of them for one usage. Each position that reaches its limit wants its kits.
Sources: Poisson-binomial distribution by the recursion over the trials (Y. Hong, On computing the
distribution function for the Poisson binomial distribution, 2013, from memory); Gauss-Hermite
quadrature for a usage that all pumps of a site share (standard).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from parts.rules.demand_distributions import Distribution, given, poisson

Chances = NDArray[np.float64] | Sequence[float]
NODES = 15


def wear_out(chances: Chances, kits: Sequence[int] | None = None) -> Distribution:
    """Pieces wanted when position i is due with chances[i] and then takes kits[i] >= 1 pieces.

    chances: (m,) from 0 to 1; None of kits: one each. Positions are independent. Exact; the work
    grows with m times the pieces in all. Raises ValueError for a chance that is none.
    """
    each = np.asarray(chances, dtype=float)
    if not np.all((each >= 0) & (each <= 1)):
        raise ValueError("A chance is a figure from 0 to 1.")
    takes = [1] * len(each) if kits is None else list(kits)
    pmf = np.zeros(sum(takes) + 1)
    pmf[0] = 1.0
    last = 0
    for chance, count in zip(each, takes, strict=True):
        # Backwards in one stroke: numpy reads the right-hand side before it writes.
        pmf[count : last + count + 1] = (
            pmf[count : last + count + 1] * (1 - chance) + pmf[: last + 1] * chance
        )
        pmf[:count] *= 1 - chance
        last += count
    return given(pmf)


def mixed(weights: Sequence[float], each: Sequence[Distribution]) -> Distribution:
    """One of several distributions applies, the i-th with weights[i]; they add up to 1."""
    pmf = np.zeros(max(len(one.pmf) for one in each))
    for weight, one in zip(weights, each, strict=True):
        pmf[: len(one.pmf)] += weight * one.pmf
    return given(pmf)


def over_common_usage(
    chances_at: Callable[[float], Chances],
    usage_mean: float,
    usage_sd: float,
    kits: Sequence[int] | None = None,
    nodes: int = NODES,
) -> Distribution:
    """The same where one usage, normal and unknown, drives all positions together.

    chances_at(usage): the chances of all positions to be due within the window at that usage, in
    the unit of usage_mean (hours a day, say). Common usage makes the number vary more than it
    would with each pump on its own. A usage below nought counts as nought.
    """
    places, weights = np.polynomial.hermite_e.hermegauss(nodes)
    weights = weights / weights.sum()
    each = [
        wear_out(chances_at(max(usage_mean + usage_sd * float(place), 0.0)), kits)
        for place in places
    ]
    return mixed([float(w) for w in weights], each)


def with_random_failures(worn: Distribution, mean: float) -> Distribution:
    """Beside what wears out, `mean` pieces on average that fail for no reason of wear."""
    return worn.plus(poisson(mean))
