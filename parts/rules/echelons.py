"""A central store and the stores it restocks: how many pieces are missed where, exactly.

Each piece that a store hands out is asked for at the central store at once (base stock), and the
central store, which may order several at once, serves in the order in which it is asked. What it
cannot serve at once belongs to one store or another by their shares of the demand, each piece by
itself (binomial thinning), and delays what is on its way to that store. With Poisson demand this is
exact; taking only the mean of the delay, as METRIC does, understates what is missed.
Sources: C. C. Sherbrooke, METRIC, 1968; S. C. Graves, A multi-echelon inventory model for a
repairable item with one-for-one replenishment, 1985; S. Axsäter, Inventory Control (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from parts.rules.demand_distributions import ONE_AT_A_TIME, Distribution, Sizes
from parts.rules.stocking import poisson_loss


@dataclass(frozen=True, slots=True, eq=False)
class Site:
    """One store below the central one.

    per_day: pieces that it asks the central store for a day; local: pieces on the way from there,
    or in its own repair, when the central store never keeps it waiting.
    """

    per_day: float
    local: Distribution
    sizes: Sizes = ONE_AT_A_TIME


Positions = tuple[int, int]
"""Between which two numbers, both included, the central store's stock and what it has on order,
less what it owes, lies, each as often as the other: (s, s) for base stock s, (r + 1, r + Q) for
(r, Q)."""


def positions_of(quantity: int, most: int) -> list[Positions]:
    """Holding none, then the reorder points 0 .. most - 1 with orders of `quantity`."""
    return [(0, 0), *((low, low + quantity - 1) for low in range(1, most + 1))]


@dataclass(frozen=True, slots=True, eq=False)
class Tables:
    """All that follows for each of several positions of the central store: rows in their order.

    central_missed, central_on_hand: (rows,) pieces on average; pipelines[j]: (rows, k) the chances
    of n pieces due to store j and not there yet.
    """

    positions: tuple[Positions, ...]
    central_missed: NDArray[np.float64]
    central_on_hand: NDArray[np.float64]
    pipelines: tuple[NDArray[np.float64], ...]

    def missed(self, site: int) -> NDArray[np.float64]:
        """(rows, k + 1): pieces missed at a store by central row and its own stock, on average."""
        beyond = 1 - np.minimum(np.cumsum(self.pipelines[site], axis=1), 1.0)
        table = np.cumsum(beyond[:, ::-1], axis=1)[:, ::-1]
        return np.hstack((table, np.zeros((len(table), 1))))

    def pipeline_means(self, site: int) -> NDArray[np.float64]:
        pipeline = self.pipelines[site]
        return np.asarray(pipeline @ np.arange(pipeline.shape[1]), dtype=float)

    def filled(self, site: int, sizes: Sizes) -> NDArray[np.float64]:
        """(rows, k + most size): share of a store's demands met whole at once, by own stock."""
        cdf = np.minimum(np.cumsum(self.pipelines[site], axis=1), 1.0)
        most = max(sizes.sizes)
        rows, width = cdf.shape
        shares = np.zeros((rows, width + most))
        for size, chance in zip(sizes.sizes, sizes.chances, strict=True):
            shares[:, size : size + width] += chance * cdf
            shares[:, size + width :] += chance
        return shares


def tables(sites: Sequence[Site], waiting: Distribution, positions: Sequence[Positions]) -> Tables:
    """What follows for `sites`, all that ask the central store for anything.

    waiting: pieces that they ask for between the central store's order and its receipt. Exact where
    it is Poisson; else the sharing out is an approximation, for pieces asked for together would
    also be late together.
    """
    rate = sum(site.per_day for site in sites)
    low, high = np.array(positions, dtype=np.int64).T
    owed = _owed(waiting, low, high)
    missed = owed @ np.arange(owed.shape[1], dtype=float)
    return Tables(
        tuple(positions),
        missed,
        (low + high) / 2 - waiting.mean + missed,
        tuple(
            _convolved(_thinned(owed, site.per_day / rate if rate else 0.0), site.local)
            for site in sites
        ),
    )


def _owed(
    waiting: Distribution, low: NDArray[np.int64], high: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Row by row the chances of (N - position)+ pieces owed, over all its positions alike."""
    pieces = np.arange(len(waiting.pmf))
    # The chances of pieces + position, summed over the positions, are a difference of the cdf.
    owed = waiting.at_most(pieces + high[:, None]) - waiting.at_most(pieces + low[:, None] - 1)
    owed = owed / (high - low + 1)[:, None]
    owed[:, 0] = 1 - owed[:, 1:].sum(axis=1)
    return np.asarray(owed, dtype=float)


def _thinned(rows: NDArray[np.float64], share: float) -> NDArray[np.float64]:
    """Each piece owed is this store's with the chance `share`, by itself."""
    counts = np.arange(rows.shape[1])
    owed, mine = counts[:, None], counts[None, :]
    others = np.maximum(owed - mine, 0)
    ways = special.gammaln(owed + 1) - special.gammaln(mine + 1) - special.gammaln(others + 1)
    chances = np.exp(ways + special.xlogy(mine, share) + special.xlog1py(others, -share))
    return np.asarray(rows @ np.where(mine <= owed, chances, 0.0), dtype=float)


def _convolved(rows: NDArray[np.float64], local: Distribution) -> NDArray[np.float64]:
    width = rows.shape[1] + len(local.pmf) - 1
    found = np.zeros((len(rows), width))
    for count, chance in enumerate(local.pmf):
        found[:, count : count + rows.shape[1]] += chance * rows
    return found


def metric_missed(
    sites: Sequence[Site], central_mean: float, central: int, stocks: Sequence[int]
) -> list[float]:
    """Pieces missed at each store by METRIC: the mean of the delay alone. To compare with.

    central_mean: pieces asked for within the central store's lead time, Poisson.
    """
    rate = sum(site.per_day for site in sites)
    owed = poisson_loss(central_mean, central)
    return [
        poisson_loss(site.local.mean + owed * site.per_day / rate, stock)
        for site, stock in zip(sites, stocks, strict=True)
    ]


@dataclass(frozen=True, slots=True)
class Spread:
    """A position of the central store and the stocks of those below it.

    row: of the tables; missed (below) and on_hand (in all): pieces on average.
    """

    row: int
    central: Positions
    stocks: tuple[int, ...]
    missed: float
    on_hand: float

    @property
    def pieces(self) -> int:
        """All that is held at most, here and below."""
        return self.central[1] + sum(self.stocks)


def of_stocks(found: Tables, row: int, stocks: Sequence[int]) -> Spread:
    """What given stocks below bring at one position of the central store."""
    missed, on_hand = _brought(found, np.array([row]), [np.array([stock]) for stock in stocks])
    return Spread(row, found.positions[row], tuple(stocks), float(missed[0]), float(on_hand[0]))


def _brought(
    found: Tables, rows: NDArray[np.int64], stocks: Sequence[NDArray[np.int64]]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(missed below, on hand in all) at each row, where store j has stocks[j] of that row."""
    missed = np.zeros(len(rows))
    on_hand = found.central_on_hand[rows].copy()
    for site, stock in enumerate(stocks):
        table = found.missed(site)
        here = table[rows, np.minimum(stock, table.shape[1] - 1)]
        missed += here
        on_hand += stock - found.pipeline_means(site)[rows] + here
    return missed, on_hand


def best_spread(found: Tables, pieces: int) -> Spread:
    """How `pieces` >= 0 are spread so that the fewest are missed below.

    found: of the base stocks (0, 0), (1, 1) ... of the central store. For each of them the rest
    goes one by one to the store that gains most by it, which is the best there is, since each next
    piece at a store gains less than the one before.
    """
    each = [found.missed(site) for site in range(len(found.pipelines))]
    spreads = []
    for central in range(min(pieces, len(found.positions) - 1) + 1):
        gains = [-np.diff(table[central]) for table in each]
        owner = np.concatenate([np.full(len(gain), site) for site, gain in enumerate(gains)])
        order = np.argsort(-np.concatenate(gains), kind="stable")[: pieces - central]
        stocks = np.bincount(owner[order], minlength=len(gains))
        spreads.append(of_stocks(found, central, [int(n) for n in stocks]))
    return min(spreads, key=lambda spread: round(spread.missed, 12))


def least_for(
    found: Tables, sites: Sequence[Site], targets: Sequence[float], first_row: int = 0
) -> Spread:
    """The spread with the least stock on hand that meets each store's target share of demands.

    first_row: the central store needs at least this position for its own site.
    """
    rows = np.arange(first_row, len(found.positions))
    stocks = [
        np.argmax(found.filled(site, each.sizes)[rows] >= target - 1e-9, axis=1)
        for site, (each, target) in enumerate(zip(sites, targets, strict=True))
    ]
    missed, on_hand = _brought(found, rows, stocks)
    # Of equals the first: rounded, so that the last bit does not choose.
    best = int(np.argmin(np.round(on_hand, 9)))
    row = int(rows[best])
    return Spread(
        row,
        found.positions[row],
        tuple(int(stock[best]) for stock in stocks),
        float(missed[best]),
        float(on_hand[best]),
    )
