"""How much to order at once, and how much for one season, by what it costs.

Money is in any one currency and time in any one unit; both must be the same throughout a call.
Source: L. V. Snyder and Z.-J. M. Shen, Fundamentals of Supply Chain Theory, chapters 3 to 5.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from parts.rules.demand_distributions import Distribution, loss_at, poisson


def economic_order_quantity(per_order: float, holding: float, demand: float) -> tuple[float, float]:
    """(Q, cost per unit of time) = √(2Kλ/h), √(2Kλh). per_order, holding, demand > 0."""
    quantity = math.sqrt(2 * per_order * demand / holding)
    return quantity, holding * quantity


def economic_order_quantity_with_backorders(
    per_order: float, holding: float, waiting: float, demand: float
) -> tuple[float, float, float]:
    """(Q, share that waits, cost) where a piece that waits costs `waiting` per unit of time."""
    share = holding / (holding + waiting)
    quantity = math.sqrt(2 * per_order * demand / (holding * (1 - share)))
    return quantity, share, math.sqrt(2 * per_order * demand * holding * (1 - share))


def newsvendor_normal(
    too_many: float, too_few: float, mean: float, sd: float
) -> tuple[float, float]:
    """(S, cost): what to have for a season of normal demand, at so much a piece left or missed."""
    fractile = too_few / (too_few + too_many)
    z = float(stats.norm.ppf(fractile))
    return mean + z * sd, (too_many + too_few) * float(stats.norm.pdf(z)) * sd


def newsvendor(too_many: float, too_few: float, demand: Distribution) -> tuple[int, float]:
    """The same in whole pieces for any distribution."""
    stock = demand.quantile(too_few / (too_few + too_many))
    missed = float(loss_at(demand, np.array([stock]))[0])
    return stock, too_many * (stock - demand.mean + missed) + too_few * missed


@dataclass(frozen=True, slots=True)
class Cheapest:
    """The reorder point and order quantity that cost least, and what they cost per unit of time."""

    reorder_point: int
    order_quantity: int
    cost: float


def cheapest_poisson(
    per_order: float, holding: float, waiting: float, demand: float, lead_time: float
) -> Cheapest:
    """The cheapest (r, Q) for Poisson demand of single pieces, exact.

    Source: A. Federgruen and Y.-S. Zheng, An efficient algorithm for computing an optimal (r, Q)
    policy in continuous review stochastic inventory systems, 1992 (from memory): from the cheapest
    stock on, the cheaper neighbour is taken in as long as it costs less than all do on average.
    """
    over_lead_time = poisson(demand * lead_time)

    def rate(stock: int) -> float:
        missed = float(loss_at(over_lead_time, np.array([stock]))[0])
        return holding * (stock - over_lead_time.mean + missed) + waiting * missed

    low = high = over_lead_time.quantile(waiting / (waiting + holding))
    total = per_order * demand + rate(low)
    while True:
        below, above = rate(low - 1), rate(high + 1)
        average = total / (high - low + 1)
        if min(below, above) >= average:
            return Cheapest(low - 1, high - low + 1, average)
        total += min(below, above)
        if below < above:
            low -= 1
        else:
            high += 1


def cost_normal(
    reorder_point: float,
    quantity: float,
    *,
    per_order: float,
    holding: float,
    waiting: float,
    demand: float,
    demand_sd: float,
    lead_time: float,
) -> float:
    """The cost per unit of time of (r, Q) for normal demand: demand and its sd per unit of time.

    The position is spread evenly from r to r + Q, so the integral of the rate of cost over it
    counts; that of the loss is closed: ½[(z² + 1)(1 - Φ(z)) - zφ(z)]·σ².
    """
    mean, sd = demand * lead_time, demand_sd * math.sqrt(lead_time)

    def missed_beyond(stock: float) -> float:
        z = (stock - mean) / sd
        tail, density = float(stats.norm.sf(z)), float(stats.norm.pdf(z))
        return 0.5 * ((z * z + 1) * tail - z * density) * sd * sd

    missed = (missed_beyond(reorder_point) - missed_beyond(reorder_point + quantity)) / quantity
    position = reorder_point + quantity / 2
    return per_order * demand / quantity + holding * (position - mean + missed) + waiting * missed
