"""What stores hold: what the advice rests on, forecasts, and how it is chosen."""

from __future__ import annotations

import threading
import time
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.faults import Conflict, Fault, Faults, NotAllowed, Stale
from fleet.plumbing.models import Delivery, Event
from parts.events import SupplyChanged
from parts.holding_plans import network_plan, plan_of
from parts.holding_selectors import advice_for, below, days_between
from parts.models import Demand, Forecast, Holding, Part, Store
from parts.rules.demand_distributions import Family
from parts.rules.holding_advice import Charges
from parts.rules.stocking import NOT_HELD, Levels
from parts.services import holdings, standins, stock
from tests.parts.build import Yard, make_part, make_yard, put_on_shelf
from tests.parts.buying import make_supplier, offer
from tests.parts.holding import NOW, TODAY, advice, ask, hold, manager_of, stocked, three_stores

pytestmark = pytest.mark.django_db

# --- What it is read from -----------------------------------------------------------------------


def test_demand_counts_from_the_first_record_of_the_store_on() -> None:
    yard = make_yard()
    part, other = make_part(yard), make_part(yard)
    ask(yard, other, 95)
    ask(yard, part, 5, 10, pieces=2)
    pattern = advice(yard.store, part).advice.situation.wanted.pattern
    # 95 days are four periods of 30, two of them without a demand.
    assert (pattern.periods, pattern.family) == (4, Family.POISSON)
    assert pattern.per_day == pytest.approx(2 / 120)
    assert pattern.pieces_per_day == pytest.approx(4 / 120)
    assert pattern.sizes.sizes == (2,)


def test_what_is_older_than_two_years_does_not_count() -> None:
    yard = make_yard()
    part = make_part(yard)
    ask(yard, part, 800, 719, 3)
    pattern = advice(yard.store, part).advice.situation.wanted.pattern
    assert pattern.periods == 24
    assert pattern.per_day == pytest.approx(2 / 720)


def test_cancelled_demands_and_those_of_other_sites_do_not_count() -> None:
    yard, other = make_yard(), make_yard()
    part = make_part(yard)
    ask(yard, part, 40, 10)
    ask(other, part, 20)
    gone = Demand.objects.filter(site=yard.site).latest("pk")
    Demand.objects.filter(pk=gone.pk).update(state="cancelled")
    assert advice(yard.store, part).advice.situation.wanted.pattern.per_day == pytest.approx(1 / 60)


def test_an_old_number_counts_for_the_one_that_took_its_place() -> None:
    yard = make_yard()
    old, new = make_part(yard), make_part(yard)
    ask(yard, old, 3, 6)
    ask(yard, new, 1)
    standins.supersede(actor=yard.clerk, part=old, by=new, version=None)
    new.refresh_from_db()
    assert advice(yard.store, new).advice.situation.wanted.pattern.per_day == pytest.approx(3 / 30)
    assert advice(yard.store, old).advice.levels == NOT_HELD


def test_the_lead_time_is_promised_by_the_preferred_offer() -> None:
    yard = make_yard()
    part = make_part(yard, is_kit=False)
    ask(yard, part, 4)
    assert advice(yard.store, part).advice.situation.lead_days == 30
    supplier = make_supplier(yard.clerk)
    offer(yard.clerk, supplier, part, lead_days=12, pack_size=5, minimum_quantity=10)
    asked = advice(yard.store, part).advice.situation
    assert (asked.lead_days, asked.lead_from) == (12, f"promised by {supplier}")
    assert (asked.pack_size, asked.minimum, asked.unit_cost) == (5, 10, 12.5)
    # What lies on the shelf says better what a piece is worth.
    stock.receive(actor=yard.clerk, store=yard.store, part=part, quantity=4, unit_cost=Decimal(20))
    assert advice(yard.store, part).advice.situation.unit_cost == pytest.approx(20)


def test_an_offer_in_a_currency_without_a_rate_is_no_price() -> None:
    yard = make_yard()
    part = make_part(yard, is_kit=False)
    ask(yard, part, 4)
    offer(yard.clerk, make_supplier(yard.clerk, currency="NOK"), part)
    found = advice(yard.store, part).advice
    assert found.situation.unit_cost is None
    assert found.basis()["money"] is None
    assert found.quantity == 1


def test_the_target_is_the_stores() -> None:
    yard = make_yard()
    part = make_part(yard)
    ask(yard, part, 1, 5, 9, 14, 22)
    low = advice(yard.store, part).advice
    Store.objects.filter(pk=yard.store.pk).update(target_service=Decimal("0.999"))
    yard.store.refresh_from_db()
    assert advice(yard.store, part).advice.levels.order_up_to > low.levels.order_up_to


def test_the_number_of_queries_does_not_grow_with_the_parts() -> None:
    yard = make_yard()
    ask(yard, make_part(yard), 3)

    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            advice_for(yard.store, charges=Charges(), today=TODAY)
        return len(captured)

    before = queries()
    for _ in range(4):
        ask(yard, make_part(yard), 3)
    assert queries() == before


def test_five_hundred_parts_take_a_few_seconds() -> None:
    yard = make_yard()
    ask(yard, make_part(yard), 1)
    parts = Part.objects.bulk_create(Part(number=f"BULK-{n}", name=f"Ring {n}") for n in range(500))
    Forecast.objects.bulk_create(
        Forecast(
            store=yard.store,
            part=part,
            window_days=90,
            probabilities=[0.3, 0.3, 0.2, 0.1, 0.1],
            source="Wear",
            made_at=NOW,
        )
        for part in parts
    )
    put_on_shelf(yard, parts[0], 1)
    started = time.perf_counter()
    plan = plan_of(advice_for(yard.store, charges=Charges(), today=TODAY))
    assert len(plan.rows) == 501
    # Under one second on an idle core; the margin is for a busy machine.
    assert time.perf_counter() - started < 12


# --- Forecasts ----------------------------------------------------------------------------------


def record(yard: Yard, part: Part, probabilities: list[float], **more: Any) -> Forecast:
    values: dict[str, Any] = {"window_days": 90, "source": "Wear of 4 pumps", **more}
    return holdings.record_forecast(
        actor=None, store=yard.store, part=part, probabilities=probabilities, **values
    )


def test_the_newest_forecast_counts_until_its_window_is_over() -> None:
    yard = make_yard()
    part = make_part(yard)
    record(yard, part, [0, 1], window_days=30, now=NOW - timedelta(days=60))
    assert advice(yard.store, part).advice.situation.wanted.forecast is None
    record(yard, part, [0, 1], now=NOW - timedelta(days=60))
    record(yard, part, [0.5, 0.5], source="Wear again")
    wanted = advice(yard.store, part).advice.situation.wanted
    assert wanted.source == "Wear again"
    assert wanted.pieces_per_day == pytest.approx(0.5 / 90)


@pytest.mark.parametrize(
    ("probabilities", "more", "field"),
    [
        ([0.5, 0.4], {}, "probabilities"),
        ([1.5, -0.5], {}, "probabilities"),
        ([float("nan"), 1], {}, "probabilities"),
        ([float("inf")], {}, "probabilities"),
        ([], {}, "probabilities"),
        ([1 / 6000] * 6000, {}, "probabilities"),
        ([1], {"window_days": 0}, "window_days"),
        ([1], {"window_days": 3651}, "window_days"),
        ([1], {"source": "  "}, "source"),
        ([1], {"source": "x" * 201}, "source"),
    ],
)
def test_what_is_no_forecast_is_refused(
    probabilities: list[float], more: dict[str, Any], field: str
) -> None:
    yard = make_yard()
    with pytest.raises(Fault) as refused:
        record(yard, make_part(yard), probabilities, **more)
    assert refused.value.field == field
    assert not Forecast.objects.exists()


def test_several_faults_of_a_forecast_are_all_said() -> None:
    yard = make_yard()
    with pytest.raises(Faults) as refused:
        record(yard, make_part(yard), [0.5], window_days=0, source="")
    assert {f.field for f in refused.value.each()} == {"window_days", "probabilities", "source"}


def test_a_forecast_within_rounding_is_kept_as_one() -> None:
    yard = make_yard()
    row = record(yard, make_part(yard), [1 / 3, 1 / 3, 1 / 3 + 5e-7, 0, 0])
    assert sum(row.probabilities) == pytest.approx(1, abs=1e-12)
    assert len(row.probabilities) == 3


def test_a_forecast_of_a_person_takes_the_role() -> None:
    yard = make_yard()
    with pytest.raises(NotAllowed):
        holdings.record_forecast(
            actor=yard.clerk,
            store=yard.store,
            part=make_part(yard),
            window_days=90,
            probabilities=[1],
            source="Guess",
        )


# --- Choosing -----------------------------------------------------------------------------------


def planned(part: Part) -> int:
    """How often planning was asked for this part since this was asked last."""
    rows = Event.objects.filter(name=SupplyChanged.name)
    found = sum(part.pk in row.payload["part_ids"] for row in rows)
    Delivery.objects.all().delete()
    rows.delete()
    return found


def test_levels_are_kept_with_their_figures_and_planning_is_asked() -> None:
    yard = make_yard()
    part, manager = make_part(yard), manager_of(yard)
    ask(yard, part, 4)
    planned(part)
    row = hold(yard, manager, part, 1, 4, keep_back=2)
    assert (row.reorder_point, row.order_up_to, row.keep_back, row.version) == (1, 4, 2, 1)
    assert (row.chosen_by, row.basis["distribution"]) == (manager, "poisson")
    assert row.basis["order_quantity"] == 3
    assert planned(part) == 1
    again = hold(yard, manager, part, 1, 5, version=1)
    assert (again.pk, again.version, again.keep_back) == (row.pk, 2, 0)
    assert planned(part) == 1
    # The same again changes nothing.
    assert hold(yard, manager, part, 1, 5).version == 2
    assert planned(part) == 0
    holdings.remove_holding(actor=manager, holding=again)
    assert planned(part) == 1


@pytest.mark.parametrize(
    ("low", "high", "keep", "field"),
    [
        (-2, 3, 0, "reorder_point"),
        (3, 3, 0, "order_up_to"),
        (0, 1_000_001, 0, "order_up_to"),
        (1, 3, 4, "keep_back"),
        (1, 3, -1, "keep_back"),
    ],
)
def test_levels_that_cannot_be_are_refused(low: int, high: int, keep: int, field: str) -> None:
    yard = make_yard()
    with pytest.raises(Fault) as refused:
        hold(yard, manager_of(yard), make_part(yard), low, high, keep_back=keep)
    assert field in {f.field for f in refused.value.each()}


def test_who_may_not_and_who_read_something_else_change_nothing() -> None:
    yard, other = make_yard(), make_yard()
    part, manager = make_part(yard), manager_of(yard)
    with pytest.raises(NotAllowed):
        hold(yard, yard.clerk, part, 1, 2)
    with pytest.raises(NotAllowed):
        hold(yard, manager_of(other), part, 1, 2)
    with pytest.raises(Stale):
        hold(yard, manager, part, 1, 2, version=1)
    row = hold(yard, manager, part, 1, 2)
    with pytest.raises(Stale):
        hold(yard, manager, part, 1, 3, version=2)
    with pytest.raises(NotAllowed):
        holdings.remove_holding(actor=yard.clerk, holding=row)
    with pytest.raises(Stale):
        holdings.remove_holding(actor=manager, holding=row, version=7)
    holdings.remove_holding(actor=manager, holding=row, version=1)
    holdings.remove_holding(actor=manager, holding=row)
    assert not Holding.objects.exists()


def test_an_old_number_is_not_held_any_more() -> None:
    yard = make_yard()
    old, new, manager = make_part(yard), make_part(yard), manager_of(yard)
    hold(yard, manager, old, 1, 2)
    ask(yard, old, 3)
    standins.supersede(actor=yard.clerk, part=old, by=new, version=None)
    old.refresh_from_db()
    with pytest.raises(Conflict):
        hold(yard, manager, old, 2, 3)
    done = holdings.take_advice(actor=manager, store=yard.store)
    assert (done.set, done.removed) == (1, 1)
    assert [row.part for row in Holding.objects.all()] == [new]


def test_a_point_of_the_curve_is_held() -> None:
    yard, manager, (cheap, dear, unpriced, unwanted) = stocked()
    hold(yard, manager, unwanted, 1, 2)
    hold(yard, manager, unpriced, 4, 9)
    rows = advice_for(yard.store, charges=Charges(), today=TODAY)
    plan = plan_of(rows)
    assert {row.part for row in plan.weighed} == {cheap, dear}
    assert [row.part for row in plan.unpriced] == [unpriced]
    wanted = plan.levels_at(plan.place(waiting_share=0.1))
    done = holdings.choose(actor=manager, store=yard.store, waiting_percent=10)
    assert done.set == len(wanted)
    held = {row.part_id: Levels(row.reorder_point, row.order_up_to) for row in _held(yard)}
    assert held.items() >= wanted.items()
    assert held[unwanted.pk] == Levels(1, 2)
    assert held[unpriced.pk] == Levels(4, 9)
    now = plan_of(advice_for(yard.store, charges=Charges(), today=TODAY)).now
    assert now.waiting_share <= 0.1
    again = holdings.choose(actor=manager, store=yard.store, waiting_percent=10)
    assert (again.set, again.removed) == (0, 0)


def _held(yard: Yard) -> list[Holding]:
    return list(Holding.objects.filter(store=yard.store))


def test_a_small_budget_goes_to_the_cheap_part_and_the_dear_one_is_ordered_on_demand() -> None:
    yard, manager, (cheap, dear, *_others) = stocked()
    hold(yard, manager, dear, 1, 2)
    done = holdings.choose(actor=manager, store=yard.store, budget=100)
    assert (done.set, done.removed) == (1, 1)
    assert [row.part for row in _held(yard)] == [cheap]


@pytest.mark.parametrize(
    "asked",
    [
        {},
        {"waiting_percent": 5, "budget": 10},
        {"waiting_percent": 0},
        {"waiting_percent": 101},
        {"waiting_percent": float("nan")},
        {"budget": -1},
        {"budget": float("inf")},
    ],
)
def test_a_choice_is_one_of_both_and_in_range(asked: dict[str, float]) -> None:
    yard = make_yard()
    with pytest.raises(Fault):
        holdings.choose(actor=manager_of(yard), store=yard.store, **asked)  # type: ignore[arg-type]


def test_the_advice_is_taken_for_all_parts_that_are_wanted() -> None:
    yard, manager, (_cheap, _dear, _unpriced, unwanted) = stocked()
    with pytest.raises(NotAllowed):
        holdings.take_advice(actor=yard.clerk, store=yard.store)
    assert holdings.take_advice(actor=manager, store=yard.store).set == 3
    for row in _held(yard):
        found = advice(yard.store, row.part).advice
        assert (row.reorder_point, row.order_up_to) == (
            found.levels.reorder_point,
            found.levels.order_up_to,
        )
        assert row.basis["filled"] >= 0.95
    assert unwanted.pk not in {row.part_id for row in _held(yard)}


# --- A central store ----------------------------------------------------------------------------


def test_a_central_store_is_advised_together_with_those_below() -> None:
    quarry, harbour, mill, part = three_stores()
    assert [store.pk for store in below(quarry.store)] == [harbour.store.pk, mill.store.pk]
    row = advice(quarry.store, part)
    assert row.network is not None
    assert row.stores == (harbour.store, mill.store)
    asked = row.advice.situation
    assert asked.pieces_per_day == pytest.approx(7 / 30)
    alone = advice(harbour.store, part).advice.situation
    # Nothing is held at the quarry yet: its 30 days come on top of the way.
    assert alone.owed.mean == pytest.approx(4.0, rel=1e-6)
    assert (alone.central, alone.central_stock) == (str(quarry.store), 0)
    assert alone.lead_days == days_between(quarry.store, harbour.store)[0]


def test_the_advised_stocks_are_held_at_all_stores_where_one_may() -> None:
    quarry, harbour, mill, part = three_stores()
    manager = manager_of(quarry, harbour)
    row = advice(quarry.store, part)
    assert row.network is not None
    stores = holdings.take_spread(actor=manager, store=quarry.store, part=part)
    assert {store.pk for store in stores} == {quarry.store.pk, harbour.store.pk}
    assert Holding.objects.get(store=quarry.store).order_up_to == row.network.spread.central[1]
    at_harbour = Holding.objects.get(store=harbour.store)
    assert at_harbour.order_up_to == row.network.spread.stocks[0]
    assert at_harbour.basis["filled"] >= 0.95
    assert not Holding.objects.filter(store=mill.store).exists()
    plan = network_plan(advice(quarry.store, part), {harbour.store.pk: at_harbour.order_up_to})
    assert plan is not None
    assert plan.lines[0].now_waiting <= 0.05
    assert plan.lines[1].now_waiting == 1
    assert plan.best.missed <= plan.now.missed
    assert plan.pooling_now.pooled <= plan.pooling_now.isolated


def test_there_is_nothing_to_spread_where_no_store_is_below() -> None:
    yard = make_yard()
    with pytest.raises(Conflict):
        holdings.take_spread(actor=manager_of(yard), store=yard.store, part=make_part(yard))


@pytest.mark.django_db(transaction=True)
def test_two_managers_who_choose_at_once_leave_one_row_a_part() -> None:
    yard, manager, _parts = stocked()
    faults: list[BaseException] = []

    def choose(percent: float) -> None:
        try:
            holdings.choose(actor=manager, store=yard.store, waiting_percent=percent)
        except BaseException as exc:  # noqa: BLE001 (whatever it is, the test must see it)
            faults.append(exc)
        finally:
            connection.close()

    both = [threading.Thread(target=choose, args=(percent,)) for percent in (5, 20)]
    for one in both:
        one.start()
    for one in both:
        one.join()
    assert faults == []
    keys = [(row.store_id, row.part_id) for row in Holding.objects.all()]
    assert sorted(keys) == sorted(set(keys))
    assert keys
