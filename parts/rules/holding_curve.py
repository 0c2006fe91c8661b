"""Money bound against the risk of waiting, for one part and for all parts of a store.

For one part each reorder point is a point of the curve. For a store the next piece of money always
goes where it takes away most waiting; pieces that wait and money on the shelf are both convex in
the reorder point, so nothing better can be done for the money of a point passed on the way.
Source: marginal analysis, B. L. Fox, Discrete optimization via marginal analysis, 1966; its use for
spares: C. C. Sherbrooke, Optimal Inventory Modeling of Systems (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from parts.rules.demand_distributions import Distribution, Sizes
from parts.rules.stocking import NOT_HELD, Levels, figures, reorder_points_of

# A shelf that keeps fewer than one demand in this many waiting is not looked beyond.
_FAR_ENOUGH = 10_000


@dataclass(frozen=True, slots=True)
class Point:
    """One choice: money on the shelf on average, share of demands that wait, days that one waits.

    waiting_days is the mean over all demands, those that do not wait included.
    """

    money: float
    waiting_share: float
    waiting_days: float


@dataclass(frozen=True, slots=True, eq=False)
class PartCurve:
    """The choices for one part, from not holding it up: arrays of one length.

    money, waiting (pieces on average) and share (of demands that wait) by level; the levels rise.
    """

    part: int
    demands_per_day: float
    pieces_per_day: float
    levels: tuple[Levels, ...]
    money: NDArray[np.float64]
    waiting: NDArray[np.float64]
    share: NDArray[np.float64]

    def point(self, place: int) -> Point:
        return Point(
            float(self.money[place]),
            float(self.share[place]),
            float(self.waiting[place]) / self.pieces_per_day if self.pieces_per_day else 0.0,
        )

    def place_of(self, wanted: Levels) -> int | None:
        """Where these levels stand on the curve; None: they are none of its choices."""
        return next((n for n, levels in enumerate(self.levels) if levels == wanted), None)


def part_curve(
    part: int,
    lead_time: Distribution,
    *,
    demands_per_day: float,
    sizes: Sizes,
    quantity: int,
    unit_cost: float,
    most: int | None = None,
) -> PartCurve:
    """The curve of one part with the order quantity `quantity`; the first choice is not to hold it.

    What is not held is ordered when it is asked for and waits for the whole lead time.
    most: no choice goes above this order-up-to level, except the least one there is.
    """
    points = reorder_points_of(lead_time, sizes)
    found = figures(lead_time, points, quantity, sizes)
    enough = int(np.count_nonzero(found.filled < 1 - 1 / _FAR_ENOUGH)) + 1
    if most is not None:
        enough = min(enough, max(most - quantity + 1, 1))
    kept = slice(0, enough)
    return PartCurve(
        part,
        demands_per_day,
        demands_per_day * sizes.mean,
        (NOT_HELD, *(Levels(int(r), int(r) + quantity) for r in points[kept])),
        np.concatenate(([0.0], found.on_hand[kept] * unit_cost)),
        np.concatenate(([lead_time.mean], found.waiting[kept])),
        np.concatenate(([1.0], 1 - found.filled[kept])),
    )


@dataclass(frozen=True, slots=True)
class Step:
    """The part that changes at a point of a store's curve, from one of its choices to another."""

    part: int
    before: Levels
    after: Levels


@dataclass(frozen=True, slots=True, eq=False)
class StoreCurve:
    """Points from holding nothing up; steps[n] leads from points[n] to points[n + 1]."""

    points: tuple[Point, ...]
    steps: tuple[Step, ...]

    def at_most_waiting(self, share: float) -> int:
        """The first point with no more than this share waiting; the last where there is none."""
        for place, point in enumerate(self.points):
            if point.waiting_share <= share:
                return place
        return len(self.points) - 1

    def for_money(self, budget: float) -> int:
        """The last point with no more money than this; the first where there is none."""
        within = [n for n, point in enumerate(self.points) if point.money <= budget]
        return within[-1] if within else 0

    def chosen(self, place: int) -> Mapping[int, Levels]:
        """part -> levels at a point, for parts that are held there."""
        return {step.part: step.after for step in self.steps[:place]}


def store_curve(curves: Sequence[PartCurve]) -> StoreCurve:
    """All parts together: the steps of all by how much waiting they take away for their money."""
    hulls = [_hull(curve) for curve in curves]
    firsts = np.array([places[0] for places in hulls], dtype=np.int64)
    owner = np.concatenate(
        [np.full(len(places) - 1, n) for n, places in enumerate(hulls)] or [np.zeros(0)]
    ).astype(np.int64)
    before = np.concatenate([places[:-1] for places in hulls] or [firsts]).astype(np.int64)
    after = np.concatenate([places[1:] for places in hulls] or [firsts]).astype(np.int64)
    money, waiting, demands = (np.zeros(len(owner)) for _ in range(3))
    for n, curve in enumerate(curves):
        mine = owner == n
        low, high = before[mine], after[mine]
        money[mine] = curve.money[high] - curve.money[low]
        waiting[mine] = curve.waiting[low] - curve.waiting[high]
        demands[mine] = (curve.share[low] - curve.share[high]) * curve.demands_per_day
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = np.where(money > 0, waiting / money, np.inf)
    # Stable: of steps with the same gain a part's own stay in their order.
    order = np.argsort(-gain, kind="stable")
    start_waiting = sum(float(c.waiting[p[0]]) for c, p in zip(curves, hulls, strict=True))
    start_demands = sum(
        float(c.share[p[0]]) * c.demands_per_day for c, p in zip(curves, hulls, strict=True)
    )
    all_demands = sum(c.demands_per_day for c in curves) or 1.0
    all_pieces = sum(c.pieces_per_day for c in curves) or 1.0
    moneys = np.concatenate(([0.0], np.cumsum(money[order])))
    waits = start_waiting - np.concatenate(([0.0], np.cumsum(waiting[order])))
    shares = start_demands - np.concatenate(([0.0], np.cumsum(demands[order])))
    return StoreCurve(
        tuple(
            Point(float(m), max(float(s), 0.0) / all_demands, max(float(w), 0.0) / all_pieces)
            for m, w, s in zip(moneys, waits, shares, strict=True)
        ),
        tuple(
            Step(
                curves[owner[n]].part,
                curves[owner[n]].levels[before[n]],
                curves[owner[n]].levels[after[n]],
            )
            for n in order
        ),
    )


def sum_of(parts: Sequence[tuple[Point, float, float]]) -> Point:
    """Several parts with (point, demands a day, pieces a day) as one point of their store."""
    demands = sum(rate for _, rate, _ in parts) or 1.0
    pieces = sum(rate for _, _, rate in parts) or 1.0
    return Point(
        sum(point.money for point, _, _ in parts),
        sum(point.waiting_share * rate for point, rate, _ in parts) / demands,
        sum(point.waiting_days * rate for point, _, rate in parts) / pieces,
    )


def _hull(curve: PartCurve) -> NDArray[np.int64]:
    """The places of the choices that are worth their money: the lower convex hull.

    Only the first step, from not holding to holding, can lie above it. Points that cost nothing
    more than a worse one replace it.
    """
    places: list[int] = []
    for place in range(len(curve.money)):
        while places and curve.money[place] <= curve.money[places[-1]] + 1e-12:
            places.pop()
        while len(places) > 1 and not _convex(curve, places[-2], places[-1], place):
            places.pop()
        places.append(place)
    return np.array(places, dtype=np.int64)


def _convex(curve: PartCurve, first: int, middle: int, last: int) -> bool:
    """Whether the middle one takes away more waiting for its money than the last one after it."""
    money, waiting = curve.money, curve.waiting
    before = (waiting[first] - waiting[middle]) * (money[last] - money[middle])
    after = (waiting[middle] - waiting[last]) * (money[middle] - money[first])
    return bool(before > after)
