"""Reorder points, order quantities, and what they cost, against published figures."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from parts.rules.demand_distributions import (
    NOTHING,
    Distribution,
    Sizes,
    given,
    loss_at,
    negative_binomial,
    poisson,
)
from parts.rules.order_costs import (
    cheapest_poisson,
    cost_normal,
    economic_order_quantity,
    economic_order_quantity_with_backorders,
    newsvendor,
    newsvendor_normal,
)
from parts.rules.stocking import (
    NOT_HELD,
    Levels,
    base_stock,
    figures,
    levels,
    one,
    poisson_loss,
    position_below,
    reorder_point_for,
    shelf_life_cap,
    tidy_quantity,
)

with warnings.catch_warnings():
    # The reference library warns about its own code when it is imported, and about nothing later.
    warnings.simplefilter("ignore")
    from stockpyl import eoq as reference_eoq
    from stockpyl import newsvendor as reference_newsvendor
    from stockpyl import rq as reference_rq

# --- Loss ---------------------------------------------------------------------------------------


def test_loss_of_a_textbook_table() -> None:
    # Hopp and Spearman, Factory Physics, chapter 2, B(R) for mean 1.726 (from memory).
    printed = [1.726, 0.904, 0.389, 0.140, 0.042, 0.011, 0.003, 0.001]
    known = [1.726, 0.903995, 0.389209, 0.139554, 0.042437, 0.011140, 0.002564, 0.000524]
    found = [poisson_loss(1.726, stock) for stock in range(8)]
    np.testing.assert_allclose(found, printed, atol=6e-4)
    np.testing.assert_allclose(found, known, atol=1e-6)
    np.testing.assert_allclose(loss_at(poisson(1.726), np.arange(8)), known, atol=1e-6)


def test_loss_below_nought_is_the_debt_and_all_that_is_wanted() -> None:
    assert poisson_loss(1.5, -2) == pytest.approx(3.5)
    assert loss_at(poisson(1.5), np.array([-2, 0])) == pytest.approx([3.5, 1.5], abs=1e-8)


# --- Levels -------------------------------------------------------------------------------------


def test_fill_rate_of_a_textbook_example() -> None:
    # Factory Physics, chapter 2: (Q, r) = (4, 2) at mean 1.726 fills 0.904 (from memory).
    filled, _, waiting, on_hand = one(poisson(1.726), 2, 4)
    assert filled == pytest.approx(0.904, abs=1e-3)
    assert filled == pytest.approx(0.903339, abs=1e-6)
    # The same by the difference of losses, and stock on hand by what must balance.
    assert filled == pytest.approx(1 - (poisson_loss(1.726, 2) - poisson_loss(1.726, 6)) / 4)
    assert on_hand - waiting == pytest.approx(2 + 2.5 - 1.726)


def test_base_stock_for_a_target() -> None:
    # Own: the least S with P(X <= S - 1) >= 0.95 is scipy.stats.poisson.ppf(0.95, 1.726) + 1.
    assert base_stock(poisson(1.726), 0.95) == 5
    filled, ready, _, _ = one(poisson(1.726), 4, 1)
    assert (filled, ready) == pytest.approx((0.968703, 0.968703), abs=1e-6)
    assert one(poisson(1.726), 3, 1)[0] < 0.95


def simulated(
    dice: np.random.Generator, *, rate: float, lead: float, low: int, high: int, size: int
) -> tuple[float, float]:
    """(share met whole at once, pieces waiting on average) of 60,000 demands, one by one."""
    number = 60_000
    gaps = dice.exponential(1 / rate, number)
    now, position, net = 0.0, high, high
    due: list[tuple[float, int]] = []
    met, area = 0, 0.0
    for gap in gaps:
        end = now + gap
        while due and due[0][0] <= end:
            at, pieces = due.pop(0)
            area += max(-net, 0) * (at - now)
            now, net = at, net + pieces
        area += max(-net, 0) * (end - now)
        now = end
        met += net >= size
        net -= size
        position -= size
        if position <= low:
            due.append((now + lead, high - position))
            position = high
    return met / number, area / now


@pytest.mark.parametrize(
    ("low", "high", "size"),
    [(2, 6, 1), (4, 5, 1), (0, 3, 1), (4, 5, 2), (0, 4, 4), (4, 9, 2), (3, 12, 4)],
)
def test_levels_against_a_simulation(low: int, high: int, size: int) -> None:
    """Own: within some five standard errors of 60,000 demands in bunches of one lead time."""
    mean = 1.726
    sizes = Sizes((size,), (1.0,))
    lead_time = poisson(mean)
    if size > 1:
        pmf = np.zeros(len(lead_time.pmf) * size)
        pmf[::size] = lead_time.pmf
        lead_time = given(pmf)
    filled, _, waiting, _ = one(lead_time, low, high - low, sizes)
    met, late = simulated(
        np.random.default_rng(3), rate=mean, lead=1.0, low=low, high=high, size=size
    )
    assert met == pytest.approx(filled, abs=0.012)
    assert late == pytest.approx(waiting, abs=0.03)


def test_the_position_of_one_at_a_time_lies_everywhere_alike() -> None:
    assert position_below(4) == pytest.approx([0.25] * 4)


def test_the_position_of_several_at_once_skips_what_they_jump_over() -> None:
    # By hand: four at once out of four is always ordered at once; pairs visit even steps only;
    # with one or two, each as often, m = 1, 1/2, 3/4.
    assert position_below(4, Sizes((4,), (1.0,))) == pytest.approx([1, 0, 0, 0])
    assert position_below(4, Sizes((2,), (1.0,))) == pytest.approx([0.5, 0, 0.5, 0])
    mixed = position_below(3, Sizes((1, 2), (0.5, 0.5)))
    assert mixed == pytest.approx(np.array([1, 0.5, 0.75]) / 2.25)


def test_a_target_is_met_by_the_least_reorder_point() -> None:
    for lead_time in (poisson(0.2), poisson(4.4), negative_binomial(6, 2.4)):
        for quantity in (1, 3, 20):
            point = reorder_point_for(lead_time, 0.95, quantity)
            assert one(lead_time, point, quantity)[0] >= 0.95
            if point > 0:
                assert one(lead_time, point - 1, quantity)[0] < 0.95


def test_pairs_need_more_than_single_pieces() -> None:
    # By hand: with N Poisson 0.5 and pairs, S = 4 meets a pair while no more than one is out.
    pairs = Sizes((2,), (1.0,))
    pmf = np.zeros(2 * len(poisson(0.5).pmf))
    pmf[::2] = poisson(0.5).pmf
    filled, ready, _, _ = one(given(pmf), 3, 1, pairs)
    assert filled == pytest.approx(float(poisson(0.5).at_most(1)), abs=1e-9)
    assert ready == pytest.approx(filled)
    assert one(given(pmf), 2, 1, pairs)[0] == pytest.approx(
        float(poisson(0.5).at_most(0)), abs=1e-9
    )


def test_bunched_demand_needs_more_than_poisson() -> None:
    # Own: at mean 3 and ratio 1.8 the 95 % level is 7, by Poisson 6 (see the distributions).
    assert base_stock(negative_binomial(3, 1.8), 0.95) > base_stock(poisson(3), 0.95)


def test_zero_demand_is_ordered_on_demand() -> None:
    assert levels(NOTHING, 0.95, 1) == NOT_HELD == Levels(-1, 0)
    assert base_stock(NOTHING, 0.99) == 0


def test_shelf_life_caps_the_order_first_and_then_the_target() -> None:
    lead_time = poisson(2.0)
    free = levels(lead_time, 0.95, 6)
    assert free == Levels(reorder_point_for(lead_time, 0.95, 6), free.reorder_point + 6)
    assert levels(lead_time, 0.95, 6, most=free.order_up_to) == free
    shorter = levels(lead_time, 0.95, 6, most=free.order_up_to - 1)
    assert shorter.order_up_to < free.order_up_to
    assert one(lead_time, shorter.reorder_point, shorter.order_quantity)[0] >= 0.95
    assert not shorter.capped
    capped = levels(lead_time, 0.95, 6, most=2)
    assert capped == Levels(1, 2, capped=True)
    # Something that is wanted is held, one at least.
    assert levels(lead_time, 0.95, 6, most=0) == Levels(0, 1, capped=True)


def test_the_cap_is_the_demand_within_the_shelf_life() -> None:
    # By hand: 0.1 a day over 12 months of 30.4375 days are 36.5.
    assert shelf_life_cap(0.1, 12) == 36
    assert shelf_life_cap(0.0001, 6) == 1
    assert shelf_life_cap(0.1, None) is None


def test_order_quantities_as_they_are_sold() -> None:
    assert tidy_quantity(3.4, pack_size=1, minimum=1) == 3
    assert tidy_quantity(0.2, pack_size=1, minimum=1) == 1
    assert tidy_quantity(3.4, pack_size=5, minimum=1) == 5
    assert tidy_quantity(3.4, pack_size=5, minimum=12) == 15


def test_more_stock_never_makes_more_wait_and_gains_ever_less() -> None:
    for lead_time in (poisson(0.3), poisson(7), negative_binomial(5, 3)):
        found = figures(lead_time, np.arange(60), 4)
        assert np.all(np.diff(found.waiting) <= 1e-12)
        assert np.all(np.diff(found.waiting, 2) >= -1e-12)
        assert np.all(np.diff(found.on_hand) > 0)
        assert np.all(np.diff(found.filled) >= -1e-12)


# --- Costs --------------------------------------------------------------------------------------


def test_economic_order_quantity() -> None:
    # Snyder and Shen, Fundamentals of Supply Chain Theory, example 3.1.
    found = economic_order_quantity(8, 0.225, 1300)
    assert found == pytest.approx((304.046780, 68.410526), abs=1e-6)
    assert found == pytest.approx(reference_eoq.economic_order_quantity(8, 0.225, 1300)[:2])


def test_economic_order_quantity_with_backorders() -> None:
    # Snyder and Shen, example 3.8 as worked in the reference library.
    found = economic_order_quantity_with_backorders(8, 0.225, 5, 1300)
    assert found == pytest.approx((310.812555, 0.0430622, 66.921364), abs=1e-6)
    expected = reference_eoq.economic_order_quantity_with_backorders(8, 0.225, 5, 1300)
    assert found == pytest.approx(expected[:3])


def test_newsvendor() -> None:
    # Snyder and Shen, example 4.3: holding 0.18, stock-out 0.70, mean 50, sd 8; and with Poisson
    # demand of that mean, as worked in the reference library.
    found = newsvendor_normal(0.18, 0.70, 50, 8)
    assert found == pytest.approx((56.603956, 1.997605), abs=1e-6)
    assert found == pytest.approx(reference_newsvendor.newsvendor_normal(0.18, 0.70, 50, 8))
    whole = newsvendor(0.18, 0.70, poisson(50))
    assert whole == pytest.approx((56, 1.797235), abs=1e-6)
    assert whole == pytest.approx(reference_newsvendor.newsvendor_poisson(0.18, 0.70, 50))


def test_newsvendor_of_any_distribution() -> None:
    pmf = [0.1, 0.2, 0.3, 0.25, 0.15]
    found = newsvendor(1, 4, given(pmf))
    expected = reference_newsvendor.newsvendor_discrete(1, 4, demand_pmf=dict(enumerate(pmf)))
    assert found == pytest.approx(expected)


def test_cheapest_reorder_point_and_quantity() -> None:
    # Snyder and Shen, example 5.8 as worked in the reference library: (3, 5), 107.923581.
    found = cheapest_poisson(100, 20, 150, 1.5, 2)
    assert (found.reorder_point, found.order_quantity) == (3, 5)
    assert found.cost == pytest.approx(107.923581, abs=1e-6)
    expected = reference_rq.r_q_poisson_exact(20, 150, 100, 1.5, 2)
    assert (found.reorder_point, found.order_quantity, found.cost) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("holding", "waiting", "per_order", "demand", "lead_time"),
    [(1, 9, 5, 0.7, 3), (4, 60, 200, 6, 0.5), (0.2, 25, 12, 0.05, 30)],
)
def test_cheapest_against_looking_at_all(
    holding: float, waiting: float, per_order: float, demand: float, lead_time: float
) -> None:
    def cost(low: int, quantity: int) -> float:
        stock = np.arange(low + 1, low + quantity + 1)
        missed = loss_at(poisson(demand * lead_time), stock)
        rate = holding * (stock - demand * lead_time + missed) + waiting * missed
        return (per_order * demand + float(rate.sum())) / quantity

    found = cheapest_poisson(per_order, holding, waiting, demand, lead_time)
    assert found.cost == pytest.approx(cost(found.reorder_point, found.order_quantity), rel=1e-6)
    all_of_them = [cost(low, quantity) for low in range(-6, 25) for quantity in range(1, 60)]
    assert found.cost == pytest.approx(min(all_of_them), rel=1e-6)


def test_cost_of_normal_demand() -> None:
    # Snyder and Shen, example 5.1 as worked in the reference library: 78.071163.
    found = cost_normal(
        126.8,
        328.5,
        per_order=8,
        holding=0.225,
        waiting=7.5,
        demand=1300,
        demand_sd=150,
        lead_time=1 / 12,
    )
    assert found == pytest.approx(78.071163, abs=1e-6)
    expected = reference_rq.r_q_cost(126.8, 328.5, 0.225, 7.5, 8, 1300, 150, 1 / 12)
    assert found == pytest.approx(expected)


def test_one_reorder_point_is_one_entry_of_many() -> None:
    lead_time: Distribution = poisson(3)
    found = figures(lead_time, np.arange(5), 2)
    for place in range(5):
        assert one(lead_time, place, 2) == pytest.approx(
            (
                found.filled[place],
                found.ready[place],
                found.waiting[place],
                found.on_hand[place],
            )
        )
