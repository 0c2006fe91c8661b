"""All parts of a store together: what is held now, what is advised, and the curve between."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from parts.holding_selectors import PartAdvice
from parts.models import Store
from parts.rules.echelons import Spread, Tables, best_spread, of_stocks
from parts.rules.holding_advice import DAYS_A_YEAR, positions_of
from parts.rules.holding_curve import Point, Step, StoreCurve, store_curve, sum_of
from parts.rules.pooling import Pooled, pooling
from parts.rules.stocking import Levels

# Shares of demands that wait, in percent, at which the table of the curve stops.
STOPS = (50, 40, 30, 20, 15, 10, 7.5, 5, 4, 3, 2, 1.5, 1, 0.5)


@dataclass(frozen=True, slots=True, eq=False)
class StorePlan:
    """weighed: the rows on the curve; without a price or a demand a part cannot be weighed."""

    rows: Sequence[PartAdvice]
    weighed: Sequence[PartAdvice]
    unpriced: Sequence[PartAdvice]
    curve: StoreCurve
    now: Point
    advised: Point

    @property
    def demands_per_year(self) -> float:
        return DAYS_A_YEAR * sum(r.advice.situation.demands_per_day for r in self.weighed)

    def row_of(self, part: int) -> PartAdvice:
        return next(row for row in self.weighed if row.part.pk == part)

    def place(self, *, waiting_share: float | None = None, budget: float | None = None) -> int:
        """The point of the curve that is asked for: by the share that waits, else by money."""
        if waiting_share is not None:
            return self.curve.at_most_waiting(waiting_share)
        return self.curve.for_money(budget or 0.0)

    def levels_at(self, place: int) -> dict[int, Levels]:
        """Part id -> levels, of the parts that are held at this point."""
        return dict(self.curve.chosen(place))

    def changes(self, place: int) -> list[tuple[PartAdvice, Levels | None]]:
        """The weighed parts whose levels would change at this point; None: no longer held."""
        wanted = self.levels_at(place)
        return [
            (row, wanted.get(row.part.pk))
            for row in self.weighed
            if row.chosen != wanted.get(row.part.pk)
        ]

    def stops(self) -> list[tuple[float, Point, int]]:
        """(percent, point, parts held) for the table; those that the curve does not reach are out,
        and of several that fall on one point the least percent stays."""
        found: dict[int, tuple[float, Point, int]] = {}
        for percent in STOPS:
            place = self.curve.at_most_waiting(percent / 100)
            point = self.curve.points[place]
            if point.waiting_share <= percent / 100:
                found[place] = (percent, point, len(self.levels_at(place)))
        return list(found.values())

    def step_before(self, place: int) -> tuple[Step, Point] | None:
        """The step that led here, and the point before it."""
        return (self.curve.steps[place - 1], self.curve.points[place - 1]) if place else None

    def step_after(self, place: int) -> tuple[Step, Point] | None:
        if place >= len(self.curve.steps):
            return None
        return self.curve.steps[place], self.curve.points[place + 1]


def plan_of(rows: Sequence[PartAdvice]) -> StorePlan:
    wanted = [row for row in rows if row.advice.situation.pieces_per_day > 0]
    weighed = [row for row in wanted if row.advice.situation.unit_cost]
    return StorePlan(
        rows,
        weighed,
        [row for row in wanted if not row.advice.situation.unit_cost],
        store_curve([row.advice.curve() for row in weighed]),
        _sum(weighed, [row.advice.at(row.chosen)[0] for row in weighed]),
        _sum(weighed, [row.advice.point for row in weighed]),
    )


def _sum(rows: Sequence[PartAdvice], points: Sequence[Point]) -> Point:
    return sum_of(
        [
            (point, row.advice.situation.demands_per_day, row.advice.situation.pieces_per_day)
            for row, point in zip(rows, points, strict=True)
        ]
    )


# --- Several stores -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NetworkLine:
    """One store below a central one: stocks now and as advised, and what they bring.

    waiting: share of its demands.
    """

    store: Store
    pieces_per_day: float
    lead_days: float
    now: int
    now_waiting: float
    advised: int
    advised_waiting: float


@dataclass(frozen=True, slots=True)
class NetworkPlan:
    """A part at a central store and those below it. best: the pieces of now, spread best."""

    lines: tuple[NetworkLine, ...]
    now: Spread
    advised: Spread
    best: Spread
    pooling_now: Pooled
    pooling_advised: Pooled


def network_plan(row: PartAdvice, held: Mapping[int, int]) -> NetworkPlan | None:
    """held: store id -> the order-up-to level there now; a store without one holds none."""
    network = row.network
    if network is None:
        return None
    then, advised = network.tables, network.spread
    held_here = positions_of(row.chosen)
    present = network.at([held_here])
    stocks = [held.get(store.pk, 0) for store in row.stores]
    lines = []
    for n, (store, site) in enumerate(zip(row.stores, network.sites, strict=True)):
        lines.append(
            NetworkLine(
                store,
                site.per_day,
                network.lead_days[n],
                stocks[n],
                1 - _entry(present.filled(n, site.sizes), 0, stocks[n]),
                advised.stocks[n],
                1 - _entry(then.filled(n, site.sizes), advised.row, advised.stocks[n]),
            )
        )
    now = of_stocks(present, 0, stocks)
    base = network.at([(stock, stock) for stock in range(now.pieces + 1)])
    return NetworkPlan(
        tuple(lines),
        now,
        advised,
        best_spread(base, now.pieces),
        _pooling(present, 0, stocks),
        _pooling(then, advised.row, advised.stocks),
    )


def _pooling(tables: Tables, row: int, stocks: Sequence[int]) -> Pooled:
    """Loads are the pieces due to each store at any time."""
    loads = [float(tables.pipeline_means(n)[row]) for n in range(len(stocks))]
    return pooling(stocks, loads)


def _entry(table: NDArray[np.float64], row: int, stock: int) -> float:
    """Beyond the table nothing changes any more."""
    return float(table[row, min(stock, table.shape[1] - 1)])
