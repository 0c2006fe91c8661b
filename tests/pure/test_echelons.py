"""A central store and those below it: the exact form against METRIC, hand values, simulation."""

from __future__ import annotations

import heapq
from itertools import product

import numpy as np
import pytest
from scipy import stats

from parts.rules.demand_distributions import Distribution, Sizes, given, poisson
from parts.rules.echelons import (
    Site,
    best_spread,
    least_for,
    metric_missed,
    of_stocks,
    positions_of,
    tables,
)
from parts.rules.pooling import erlang_b, pooling

# C. C. Sherbrooke's one item (from memory): five sites, 23.2 demands a year each, of which a fifth
# is repaired there in 0.01 years; from the depot 0.01 years, the depot's own pipeline 0.02531.
RATE, REPAIRED, REPAIR, TRANSPORT, DEPOT = 23.2, 0.2, 0.01, 0.01, 0.02531
FIVE = [
    Site(
        RATE * (1 - REPAIRED),
        poisson(RATE * (REPAIRED * REPAIR + (1 - REPAIRED) * TRANSPORT)),
    )
] * 5
CENTRAL_MEAN = 5 * RATE * (1 - REPAIRED) * DEPOT

# Central stock, stock of each site, pieces owed by the depot, mean of METRIC, missed by METRIC and
# exactly. Own figures, since the book's table was not at hand; the exact ones once agreed with
# 2,000,000 simulated demands, and the form itself is simulated below.
ROWS = [
    (0, 1, 2.348768, 0.701754, 0.197469, 0.197469),
    (2, 1, 0.764018, 0.384804, 0.065388, 0.072309),
    (3, 1, 0.347167, 0.301433, 0.041190, 0.045213),
    (3, 2, 0.347167, 0.301433, 0.003935, 0.005332),
]


def base_stocks(most: int) -> list[tuple[int, int]]:
    return [(stock, stock) for stock in range(most + 1)]


@pytest.mark.parametrize(("central", "stock", "owed", "mean", "metric", "exact"), ROWS)
def test_the_two_echelon_table(
    central: int, stock: int, owed: float, mean: float, metric: float, exact: float
) -> None:
    found = tables(FIVE, poisson(CENTRAL_MEAN), base_stocks(5))
    assert found.central_missed[central] == pytest.approx(owed, abs=1e-6)
    assert found.pipeline_means(0)[central] == pytest.approx(mean, abs=1e-6)
    assert found.missed(0)[central, stock] == pytest.approx(exact, abs=1e-6)
    assert metric_missed(FIVE, CENTRAL_MEAN, central, [stock] * 5)[0] == pytest.approx(
        metric, abs=1e-6
    )


def test_the_mean_of_the_delay_alone_understates_what_is_missed() -> None:
    """By 9 to 26 % in the table, and not at all where the depot holds nothing."""
    short = [1 - metric / exact for *_, metric, exact in ROWS]
    assert short[0] == pytest.approx(0, abs=1e-6)
    assert all(0.08 < each < 0.27 for each in short[1:])


def simulated(
    *, low: int, high: int, stock: int, rate: float, lead: float, transport: float, number: int
) -> tuple[float, float]:
    """(share of demands met at once, mean pieces missed at a site) of two sites under one depot.

    Event by event: the depot orders high - low pieces at its reorder point and serves in turn.
    """
    dice = np.random.default_rng(29)
    events: list[tuple[float, int, int]] = []
    times = np.cumsum(dice.exponential(1 / (2 * rate), number))
    sites = dice.integers(0, 2, number)
    for at, site in zip(times, sites, strict=True):
        events.append((float(at), 0, int(site)))
    heapq.heapify(events)
    shelf, position = high, high
    queue: list[int] = []
    net = [stock, stock]
    met, area, before = 0, 0.0, 0.0
    while events:
        at, kind, what = heapq.heappop(events)
        area += sum(max(-n, 0) for n in net) * (at - before)
        before = at
        if kind == 0:
            met += net[what] > 0
            net[what] -= 1
            position -= 1
            if shelf > 0:
                shelf -= 1
                heapq.heappush(events, (at + transport, 1, what))
            else:
                queue.append(what)
            if position <= low:
                heapq.heappush(events, (at + lead, 2, high - position))
                position = high
        elif kind == 1:
            net[what] += 1
        else:
            shelf += what
            while shelf > 0 and queue:
                shelf -= 1
                heapq.heappush(events, (at + transport, 1, queue.pop(0)))
        if at >= times[-1]:
            break
    return met / number, area / before / 2


@pytest.mark.parametrize(("low", "high", "stock"), [(1, 2, 1), (0, 4, 2), (-1, 0, 1)])
def test_against_a_simulation_of_two_stores(low: int, high: int, stock: int) -> None:
    """Own: 60,000 demands, which leave some 0.003 of a share and 0.01 of a piece to chance."""
    rate, lead, transport = 1.0, 1.2, 0.3
    sites = [Site(rate, poisson(rate * transport))] * 2
    found = tables(sites, poisson(2 * rate * lead), [(low + 1, high)])
    met, missed = simulated(
        low=low, high=high, stock=stock, rate=rate, lead=lead, transport=transport, number=60_000
    )
    assert found.filled(0, Sizes())[0, stock] == pytest.approx(met, abs=0.012)
    assert found.missed(0)[0, stock] == pytest.approx(missed, abs=0.03)


def test_one_site_alone_waits_for_the_depot_and_the_way() -> None:
    """With nothing at the depot both lead times add up; with plenty only the way is left."""
    site = Site(0.5, poisson(1.5))
    found = tables([site], poisson(4.0), [(0, 0), (40, 40)])
    np.testing.assert_allclose(found.pipelines[0][0][:12], poisson(5.5).pmf[:12], atol=1e-10)
    np.testing.assert_allclose(found.pipelines[0][1][:8], poisson(1.5).pmf[:8], atol=1e-10)


def test_shares_of_what_is_owed_add_up() -> None:
    sites = [Site(1.0, poisson(0.4)), Site(0.3, poisson(0.9)), Site(2.2, poisson(0.1))]
    found = tables(sites, poisson(3.5), [(0, 0), (2, 2), (1, 6)])
    for row in range(3):
        above = sum(found.pipeline_means(n)[row] - site.local.mean for n, site in enumerate(sites))
        assert above == pytest.approx(found.central_missed[row], abs=1e-8)
        for n in range(3):
            assert found.pipelines[n][row].sum() == pytest.approx(1, abs=1e-9)


def test_the_sharing_out_is_binomial() -> None:
    """By hand: of exactly two pieces owed a store with a third of the demand has none, one, two."""
    two = given([0, 0, 1])
    site, other = Site(1.0, given([1])), Site(2.0, given([1]))
    found = tables([site, other], two, [(0, 0)])
    np.testing.assert_allclose(found.pipelines[0][0], [4 / 9, 4 / 9, 1 / 9], atol=1e-12)


def test_a_range_of_positions_is_the_mean_of_each() -> None:
    waiting = poisson(2.4)
    sites = [Site(1.0, poisson(0.5)), Site(1.0, poisson(0.2))]
    each = tables(sites, waiting, base_stocks(7))
    spread = tables(sites, waiting, [(3, 7)])
    np.testing.assert_allclose(
        spread.pipelines[1][0], each.pipelines[1][3:8].mean(axis=0), atol=1e-12
    )
    assert spread.central_missed[0] == pytest.approx(each.central_missed[3:8].mean())
    assert spread.central_on_hand[0] == pytest.approx(each.central_on_hand[3:8].mean())
    loss = [stats.poisson(2.4).expect(lambda n, s=s: np.maximum(n - s, 0)) for s in range(8)]
    np.testing.assert_allclose(each.central_missed, loss, atol=1e-8)


def test_the_best_spread_is_the_best_of_all() -> None:
    sites = [Site(1.0, poisson(0.4)), Site(0.3, poisson(0.9)), Site(2.2, poisson(0.1))]
    found = tables(sites, poisson(3.5), base_stocks(7))
    for pieces in (0, 1, 4, 7):
        best = best_spread(found, pieces)
        assert best.pieces == pieces
        everything = [
            of_stocks(found, central, stocks)
            for central in range(pieces + 1)
            for stocks in product(range(pieces + 1), repeat=3)
            if central + sum(stocks) == pieces
        ]
        assert best.missed == pytest.approx(min(s.missed for s in everything), abs=1e-12)


def test_the_least_that_meets_all_targets_is_the_least_of_all() -> None:
    sites = [
        Site(1.0, poisson(0.4)),
        Site(0.3, poisson(0.9), Sizes((1, 2), (0.5, 0.5))),
    ]
    found = tables(sites, poisson(3.5), positions_of(3, 9))
    targets = [0.95, 0.9]
    best = least_for(found, sites, targets)
    met = [found.filled(n, site.sizes) for n, site in enumerate(sites)]
    for n in range(2):
        assert met[n][best.row, best.stocks[n]] >= targets[n]
    everything = [
        of_stocks(found, row, stocks)
        for row in range(len(found.positions))
        for stocks in product(range(9), repeat=2)
        if all(met[n][row, stocks[n]] >= targets[n] for n in range(2))
    ]
    assert best.on_hand == pytest.approx(min(s.on_hand for s in everything), abs=1e-9)
    assert least_for(found, sites, targets, first_row=6).row >= 6


def test_stock_on_hand_balances() -> None:
    """All that is held is on a shelf, on its way, or owed; nothing else."""
    found = tables(FIVE, poisson(CENTRAL_MEAN), base_stocks(4))
    spread = of_stocks(found, 3, [1, 2, 0, 1, 1])
    on_the_way = CENTRAL_MEAN + 5 * FIVE[0].local.mean
    assert spread.on_hand - spread.missed == pytest.approx(spread.pieces - on_the_way, abs=1e-8)


# --- Helping one another out --------------------------------------------------------------------


def test_erlangs_loss() -> None:
    # Traffic table: 10 lines carry 4.461 Erlang at 1 % (from memory).
    assert erlang_b(10, 4.461) == pytest.approx(0.01, abs=2e-5)
    assert erlang_b(10, 4.461) == pytest.approx(0.009998, abs=1e-6)
    # The formula itself: (a^n/n!) over the sum of such terms.
    terms = stats.poisson.pmf(range(7), 3.3)
    assert erlang_b(6, 3.3) == pytest.approx(terms[-1] / terms.sum(), rel=1e-12)
    assert (erlang_b(0, 2.0), erlang_b(3, 0.0)) == (1.0, 0.0)


def test_three_stores_alone_and_together() -> None:
    # Own: the pooled figure is checked by the simulation below, the isolated one by hand:
    # 0.18 / (1 + 0.6 + 0.18).
    found = pooling([2, 2, 2], [0.6, 0.6, 0.6])
    assert found.isolated == pytest.approx(0.18 / 1.78)
    assert found.isolated == pytest.approx(0.101124, abs=1e-6)
    assert found.pooled == pytest.approx(0.0078287, abs=1e-7)
    assert found.each == pytest.approx([0.18 / 1.78] * 3)
    assert pooling([1], [0.0]).pooled == 0


def test_three_stores_together_by_simulation() -> None:
    """200,000 demands, fixed lead time; whoever is empty asks the others, at no delay.

    Lost is what finds all empty. Five standard errors are 0.001.
    """
    dice = np.random.default_rng(17)
    number = 200_000
    times = np.cumsum(dice.exponential(1 / 1.8, number))
    due: list[float] = []
    lost = 0
    for at in times:
        while due and due[0] <= at:
            heapq.heappop(due)
        if len(due) < 6:
            heapq.heappush(due, float(at) + 1.0)
        else:
            lost += 1
    assert lost / number == pytest.approx(0.0078287, abs=0.001)


def test_bunched_demand_above_is_missed_more_often_below() -> None:
    bunched = Distribution(np.convolve(given([0.7, 0, 0, 0, 0.3]).pmf, poisson(0.3).pmf))
    even = poisson(bunched.mean)
    sites = [Site(1.0, poisson(0.2)), Site(1.0, poisson(0.2))]
    assert (
        tables(sites, bunched, [(2, 2)]).missed(0)[0, 1]
        > tables(sites, even, [(2, 2)]).missed(0)[0, 1]
    )
