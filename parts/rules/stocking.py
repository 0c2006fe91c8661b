"""What a reorder point and an order-up-to level bring: how often a demand waits, what lies there.

Continuous review: as soon as what is there and on its way, less what is wanted, has fallen to the
reorder point r, it is brought up to S = r + Q. This position then lies between r + 1 and S; with
one piece at a time each as often as the other, with several at once as renewal theory says.
Sources: L. V. Snyder and Z.-J. M. Shen, Fundamentals of Supply Chain Theory, on (r, Q) policies
with Poisson demand; W. J. Hopp and M. L. Spearman, Factory Physics, on base stock; Y.-S. Zheng and
A. Federgruen, Operations Research 39 (1991), on the position under (s, S) (all from memory).
For demand that is not (compound) Poisson it is an approximation, unless Q = 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from parts.rules.demand_distributions import (
    ONE_AT_A_TIME,
    Distribution,
    Sizes,
    loss_at,
)
from parts.rules.ordering import order_quantity

DAYS_A_MONTH = 365.25 / 12
ON_DEMAND = -1
"""The reorder point of what is not held: a piece is ordered when one is asked for."""


def poisson_loss(mean: float, stock: int) -> float:
    """E[(N - stock)+] of a Poisson number: mean·P(N >= stock) - stock·P(N > stock)."""
    if stock <= 0:
        return mean - stock
    return float(mean * stats.poisson.sf(stock - 1, mean) - stock * stats.poisson.sf(stock, mean))


@dataclass(frozen=True, slots=True, eq=False)
class Figures:
    """What each of several reorder points brings: arrays of one length.

    filled: share of demands met whole from the shelf at once; ready: share of the time with a
    piece on the shelf; waiting, on_hand: pieces on average.
    """

    reorder_points: NDArray[np.int64]
    order_quantity: int
    filled: NDArray[np.float64]
    ready: NDArray[np.float64]
    waiting: NDArray[np.float64]
    on_hand: NDArray[np.float64]


def figures(
    lead_time: Distribution,
    reorder_points: NDArray[np.int64],
    quantity: int,
    sizes: Sizes = ONE_AT_A_TIME,
) -> Figures:
    """The figures of several reorder points in ascending steps of one, all with the same Q >= 1.

    lead_time: pieces wanted between an order and its receipt.
    """
    first = int(reorder_points[0]) + 1
    # Every stock that the position stands for under any of the reorder points.
    stocks = np.arange(first, int(reorder_points[-1]) + quantity + 1)
    each = {
        "filled": sum(
            chance * lead_time.at_most(stocks - size)
            for size, chance in zip(sizes.sizes, sizes.chances, strict=True)
        ),
        "ready": lead_time.at_most(stocks - 1),
        "waiting": loss_at(lead_time, stocks),
    }
    below = position_below(quantity, sizes)
    spread = {
        name: np.asarray(np.convolve(np.asarray(values), below, mode="valid"), dtype=np.float64)
        for name, values in each.items()
    }
    position = reorder_points + quantity - float(np.arange(quantity) @ below)
    return Figures(
        reorder_points,
        quantity,
        spread["filled"],
        spread["ready"],
        spread["waiting"],
        position - lead_time.mean + spread["waiting"],
    )


def position_below(quantity: int, sizes: Sizes = ONE_AT_A_TIME) -> NDArray[np.float64]:
    """How often the position lies 0, 1, ... quantity - 1 pieces below the order-up-to level.

    The share is proportional to how often the demands since the last order can add up to that
    many: m(0) = 1, m(j) = sum over sizes s of chance(s)·m(j - s).
    """
    visits = np.zeros(quantity)
    visits[0] = 1.0
    for j in range(1, quantity):
        visits[j] = sum(
            chance * visits[j - size]
            for size, chance in zip(sizes.sizes, sizes.chances, strict=True)
            if size <= j
        )
    shares: NDArray[np.float64] = visits / visits.sum()
    return shares


def one(
    lead_time: Distribution, reorder_point: int, quantity: int, sizes: Sizes = ONE_AT_A_TIME
) -> tuple[float, float, float, float]:
    """(filled, ready, waiting, on hand) of one reorder point."""
    found = figures(lead_time, np.array([reorder_point]), quantity, sizes)
    return (
        float(found.filled[0]),
        float(found.ready[0]),
        float(found.waiting[0]),
        float(found.on_hand[0]),
    )


def base_stock(lead_time: Distribution, target: float, sizes: Sizes = ONE_AT_A_TIME) -> int:
    """The least S under (S-1, S) that meets the share `target` of demands from the shelf.

    0 where nothing is ever wanted.
    """
    return reorder_point_for(lead_time, target, 1, sizes) + 1


def reorder_point_for(
    lead_time: Distribution, target: float, quantity: int, sizes: Sizes = ONE_AT_A_TIME
) -> int:
    """The least reorder point >= 0 that meets the target; ON_DEMAND where nothing is wanted."""
    if lead_time.mean <= 0:
        return ON_DEMAND
    found = figures(lead_time, reorder_points_of(lead_time, sizes), quantity, sizes)
    enough = np.flatnonzero(found.filled >= target - 1e-12)
    return int(found.reorder_points[enough[0]])


def reorder_points_of(lead_time: Distribution, sizes: Sizes) -> NDArray[np.int64]:
    """0 and up, as far as any target below 1 can ask."""
    return np.arange(len(lead_time.pmf) + max(sizes.sizes))


@dataclass(frozen=True, slots=True)
class Levels:
    """What is to be held: r and S; capped: by shelf life, so the target is not met."""

    reorder_point: int
    order_up_to: int
    capped: bool = False

    @property
    def order_quantity(self) -> int:
        return self.order_up_to - self.reorder_point


NOT_HELD = Levels(ON_DEMAND, 0)


def levels(
    lead_time: Distribution,
    target: float,
    quantity: int,
    sizes: Sizes = ONE_AT_A_TIME,
    most: int | None = None,
) -> Levels:
    """The levels for a target and an order quantity; `most`: S is never above it.

    What ages must go before it expires: with `most` at the demand within the shelf life the order
    gets smaller first, and only where one at a time is too much still, the target is missed.
    """
    if lead_time.mean <= 0:
        return NOT_HELD
    if most is None:
        point = reorder_point_for(lead_time, target, quantity, sizes)
        return Levels(point, point + quantity)
    top = max(most, 1)
    for smaller in range(min(quantity, top), 0, -1):
        point = reorder_point_for(lead_time, target, smaller, sizes)
        if point + smaller <= top:
            return Levels(point, point + smaller)
    return Levels(top - 1, top, capped=True)


def shelf_life_cap(pieces_per_day: float, shelf_life_months: int | None) -> int | None:
    """The pieces expected to be wanted before one of them expires, at least 1; None: no limit."""
    if shelf_life_months is None:
        return None
    return max(int(pieces_per_day * shelf_life_months * DAYS_A_MONTH), 1)


def tidy_quantity(wanted: float, *, pack_size: int, minimum: int) -> int:
    """An order quantity as one can buy it: whole pieces, whole packs, no less than the minimum."""
    return order_quantity(max(round(wanted), 1), pack_size=pack_size, minimum=minimum)
