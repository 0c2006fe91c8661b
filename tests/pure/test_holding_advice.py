"""The advice for one part, and that for a central store with those below it."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from parts.rules.demand_distributions import NOTHING, Family, fitted, given, poisson
from parts.rules.holding_advice import (
    Charges,
    Situation,
    Wanted,
    advise,
    advise_network,
    owed_by_central,
    positions_of,
)
from parts.rules.holding_words import reasons
from parts.rules.order_costs import economic_order_quantity
from parts.rules.stocking import NOT_HELD, Levels, one

# One demand in each of 24 periods of 30 days, so no more spread than chance.
MONTHLY = fitted([1] * 24, 30, [1] * 24)
PAIRS = fitted([1] * 24, 30, [2] * 24)


def asked(pattern: Any = MONTHLY, **more: Any) -> Situation:
    values: dict[str, Any] = {
        "part": 1,
        "wanted": Wanted(pattern),
        "lead_days": 30,
        "lead_from": "promised by Seal Works",
        "target": 0.95,
        "unit_cost": 100.0,
        **more,
    }
    return Situation(**values)


FREE = Charges(per_order=0)


def test_one_a_month_over_a_month() -> None:
    """By hand: lead-time demand Poisson 1; P(N <= 3) = 0.981, P(N <= 2) = 0.920, so S = 4.

    What is missed is P(N >= 4) - 4 P(N >= 5) = 0.018988 - 4 * 0.003660 = 0.004348.
    """
    found = advise(asked(), FREE)
    assert found.levels == Levels(3, 4)
    assert found.filled == pytest.approx(0.981012, abs=1e-6)
    assert found.on_hand == pytest.approx(4 - 1 + 0.004348, abs=1e-5)
    assert found.point.money == pytest.approx(found.on_hand * 100)
    # Little: pieces waiting over pieces a day.
    waiting = one(poisson(1), 3, 1)[2]
    assert found.point.waiting_days == pytest.approx(waiting * 30, rel=1e-6)
    # P(N <= 1) is 0.736, P(N <= 2) is 0.920: the 80 % of the next 30 days.
    assert found.keep_back == 2


def test_the_order_quantity_is_the_economic_one_in_packs() -> None:
    charges = Charges(per_order=25, holding_per_year=0.2)
    wanted, _ = economic_order_quantity(25, 20, 365.25 / 30)
    assert round(wanted) == 6
    assert advise(asked(), charges).quantity == 6
    assert advise(asked(pack_size=4), charges).quantity == 8
    assert advise(asked(minimum=10), charges).quantity == 10
    # No more than a year's demand, however cheap.
    assert advise(asked(unit_cost=0.01), charges).quantity == 12
    assert advise(asked(unit_cost=None), charges).quantity == 1
    # From a central store one by one, whatever the packs of the supplier.
    assert advise(asked(central="Quarry North store", pack_size=4), charges).quantity == 1


def test_what_ages_is_held_for_its_shelf_life_at_most() -> None:
    found = advise(asked(shelf_life_months=3), Charges(per_order=500))
    assert found.most == 3
    assert found.levels.order_up_to == 3
    assert found.levels.capped
    assert found.filled < 0.95
    # Room for the target, with orders of three instead of five.
    longer = advise(asked(shelf_life_months=5), Charges(per_order=500))
    assert (longer.most, longer.levels, longer.levels.capped) == (5, Levels(2, 5), False)
    assert longer.filled >= 0.95
    assert longer.curve().place_of(longer.levels) is not None


def test_nothing_wanted_is_ordered_on_demand() -> None:
    found = advise(asked(fitted([0] * 12, 30)), Charges())
    assert (found.levels, found.keep_back, found.held) == (NOT_HELD, 0, False)
    assert found.point.waiting_share == 0
    assert found.at(Levels(1, 3))[1] == pytest.approx(2.5)


def test_pairs_are_met_whole_or_not() -> None:
    single, pairs = advise(asked(), FREE), advise(asked(PAIRS), FREE)
    # Twice what single pieces need.
    assert pairs.levels.order_up_to == 2 * single.levels.order_up_to
    assert pairs.filled == pytest.approx(single.filled, abs=1e-9)


def test_a_forecast_takes_the_place_of_the_records() -> None:
    forecast = Wanted(MONTHLY, given([0.1, 0.2, 0.4, 0.2, 0.1]), 60, "Wear of 9 pumps")
    found = advise(asked(wanted=forecast), FREE)
    assert forecast.family is Family.FORECAST
    assert forecast.pieces_per_day == pytest.approx(2 / 60)
    # Half of the window: each piece counts with one half; by hand P(none) is the sum of p(n)/2^n.
    assert found.lead_time.pmf[0] == pytest.approx(0.1 + 0.1 + 0.1 + 0.025 + 0.00625)
    assert found.lead_time.mean == pytest.approx(1.0)


def test_the_stock_covers_what_the_central_store_owes() -> None:
    alone = advise(asked(lead_days=4), FREE)
    late = advise(asked(lead_days=4, owed=poisson(1.0)), FREE)
    assert late.levels.order_up_to > alone.levels.order_up_to
    assert late.lead_time.mean == pytest.approx(alone.lead_time.mean + 1.0, abs=1e-8)


def test_the_basis_is_json_and_every_figure_has_its_sentence() -> None:
    for situation in (
        asked(),
        asked(PAIRS, unit_cost=None),
        asked(fitted([0, 7, 0, 0, 5, 0, 8, 0], 30)),
        asked(fitted([0] * 3, 30)),
        asked(central="Quarry North store", central_stock=4, owed=poisson(0.3)),
        asked(shelf_life_months=1),
        asked(below=(Wanted(MONTHLY),)),
        asked(wanted=Wanted(MONTHLY, given([0.5, 0.5]), 90, "Wear of 9 pumps")),
    ):
        basis = advise(situation, Charges()).basis()
        assert json.loads(json.dumps(basis)) == basis
        said = dict(reasons(basis, "EUR"))
        assert all(sentence.endswith(".") for sentence in said.values())
        assert {"Demand", "Distribution", "Lead time", "Target", "Order"} <= set(said)
    assert "Wear of 9 pumps" in said["Demand"]


def test_the_reasons_name_the_figures() -> None:
    said = dict(reasons(advise(asked(), FREE).basis(), "EUR"))
    assert said["Demand"] == "1.01 pieces a month in 24 periods of 30 days on record."
    assert said["Lead time"] == "30 days, promised by Seal Works."
    assert said["Target"].startswith("95 % of demands met whole from the shelf. These levels meet")


# --- Several stores -----------------------------------------------------------------------------


def network(target: float = 0.95) -> tuple[Situation, list[Situation]]:
    sites = [
        asked(fitted([2] * 24, 30), lead_days=3, target=target),
        asked(fitted([1] * 24, 30), lead_days=5, target=target),
    ]
    central = asked(MONTHLY, below=tuple(s.wanted for s in sites), target=target)
    return central, sites


def test_the_network_meets_every_target_and_not_with_a_piece_less_at_a_site() -> None:
    central, sites = network()
    found = advise_network(central, sites, FREE)
    for n, (site, stock) in enumerate(zip(found.sites, found.spread.stocks, strict=True)):
        filled = found.tables.filled(n, site.sizes)[found.spread.row]
        assert filled[stock] >= 0.95
        assert filled[stock - 1] < 0.95
    # The central store's own bench.
    assert found.central.filled >= 0.95
    low, high = found.spread.central
    assert found.central.levels == Levels(low - 1, high)


def test_a_central_store_without_a_bench_of_its_own_may_hold_less() -> None:
    central, sites = network()
    bench = advise_network(central, sites, FREE)
    without = advise_network(replace(central, wanted=Wanted(fitted([0] * 24, 30))), sites, FREE)
    assert without.spread.on_hand < bench.spread.on_hand
    assert without.spread.central[1] <= bench.spread.central[1]


def test_the_site_sees_what_the_network_promises_it() -> None:
    """The same store from both ends: its own advice rests on the very pieces that are owed."""
    central, sites = network()
    found = advise_network(central, sites, FREE)
    for n, site in enumerate(sites):
        owed = owed_by_central(central, site.pieces_per_day, found.central.levels)
        own = advise(replace(site, owed=owed, central="Quarry North store"), FREE)
        assert own.levels.order_up_to == found.spread.stocks[n]
        mean = found.tables.pipeline_means(n)[found.spread.row]
        assert own.lead_time.mean == pytest.approx(mean, abs=1e-6)


def test_a_central_store_that_holds_none_owes_all_of_its_lead_time() -> None:
    central, sites = network()
    owed = owed_by_central(central, sites[0].pieces_per_day, None)
    # Two a month over 30 days, thinned out of four.
    assert owed.mean == pytest.approx(2.0, rel=1e-6)
    assert owed_by_central(central, 0.0, None) is NOTHING
    assert positions_of(None) == (0, 0)
    assert positions_of(Levels(3, 9)) == (4, 9)


def test_shelf_life_caps_the_central_store_too() -> None:
    central, sites = network()
    found = advise_network(replace(central, shelf_life_months=1), sites, Charges(per_order=500))
    assert found.central.levels.order_up_to <= 4
