"""Receipts, counts, scrappings and the order in which waiting demands are served."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pytest
from django.utils import timezone

from fleet.faults import Conflict, Fault, NotAllowed
from fleet.plumbing import outbox
from parts.models import Batch, BatchLevel, Movement, Part, StockLevel, Store
from parts.selectors import Holder, holders_of
from parts.services import stock
from tests.parts.build import (
    Yard,
    level,
    make_part,
    make_yard,
    put_on_shelf,
    raise_demand,
)

pytestmark = pytest.mark.django_db


def test_a_receipt_is_one_ledger_line_and_raises_the_sum() -> None:
    yard = make_yard()
    part = make_part(yard)
    movement = stock.receive(
        actor=yard.clerk, store=yard.store, part=part, quantity=5, reason="Order 17", bin="a3 "
    )
    row = StockLevel.objects.get(store=yard.store, part=part)
    assert (row.on_hand, row.reserved, row.bin) == (5, 0, "A3")
    assert (movement.kind, movement.on_hand_change, movement.by) == ("receipt", 5, yard.clerk)
    assert Movement.objects.count() == 1


def test_a_receipt_without_a_bin_leaves_the_bin_as_it_is() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 1, bin="B7")
    put_on_shelf(yard, part, 1, bin=None)
    assert StockLevel.objects.get().bin == "B7"


@pytest.mark.parametrize("quantity", [0, -1, 1_000_001])
def test_a_quantity_out_of_range_is_refused(quantity: int) -> None:
    yard = make_yard()
    part = make_part(yard)
    with pytest.raises(Fault) as refused:
        put_on_shelf(yard, part, quantity)
    assert refused.value.field == "quantity"
    assert not Movement.objects.exists()


def test_a_shelf_holds_ten_million_at_most() -> None:
    yard = make_yard()
    part = make_part(yard)
    for _ in range(10):
        put_on_shelf(yard, part, 1_000_000)
    with pytest.raises(Conflict):
        put_on_shelf(yard, part, 1)
    assert level(yard, part) == (10_000_000, 0)
    assert Movement.objects.count() == 10


def test_scrapping_more_than_is_free_is_refused_and_says_how_many_there_are() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 3)
    raise_demand(yard, part, 2)
    with pytest.raises(Conflict) as refused:
        stock.scrap(actor=yard.clerk, store=yard.store, part=part, quantity=2, reason="Rusty")
    assert "3 of" in refused.value.detail
    assert "2 of them reserved, so 1 can be taken" in refused.value.detail
    assert level(yard, part) == (3, 2)
    stock.scrap(actor=yard.clerk, store=yard.store, part=part, quantity=1, reason="Rusty")
    assert level(yard, part) == (2, 2)


def test_a_count_sets_the_sum_and_keeps_its_reason() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 5)
    movement = stock.correct_count(
        actor=yard.clerk, store=yard.store, part=part, counted=3, reason="Stocktaking"
    )
    assert (movement.on_hand_change, movement.reason) == (-2, "Stocktaking")
    assert level(yard, part) == (3, 0)


def test_a_count_below_what_is_reserved_is_refused() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 5)
    raise_demand(yard, part, 4)
    with pytest.raises(Conflict) as refused:
        stock.correct_count(
            actor=yard.clerk, store=yard.store, part=part, counted=3, reason="Stocktaking"
        )
    assert refused.value.code == "below_reserved"
    assert level(yard, part) == (5, 4)


def test_a_count_that_changes_nothing_is_refused() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 5)
    with pytest.raises(Conflict) as refused:
        stock.correct_count(
            actor=yard.clerk, store=yard.store, part=part, counted=5, reason="Stocktaking"
        )
    assert refused.value.code == "nothing_to_correct"
    assert Movement.objects.count() == 1


def test_scrapping_and_counting_need_a_reason() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 5)
    with pytest.raises(Fault) as refused:
        stock.scrap(actor=yard.clerk, store=yard.store, part=part, quantity=1, reason=" ")
    assert refused.value.field == "reason"
    with pytest.raises(Fault) as refused:
        stock.correct_count(actor=yard.clerk, store=yard.store, part=part, counted=1, reason="")
    assert refused.value.field == "reason"
    assert level(yard, part) == (5, 0)


def test_a_receipt_serves_the_oldest_waiting_demand_first() -> None:
    yard = make_yard()
    part = make_part(yard)
    older, younger = raise_demand(yard, part), raise_demand(yard, part)
    assert (older.state, younger.state) == ("short", "short")
    put_on_shelf(yard, part, 1)
    older.refresh_from_db()
    younger.refresh_from_db()
    assert (older.state, younger.state) == ("reserved", "short")
    assert older.why == f"1 reserved at {yard.site.name}, bin A3."
    outbox.drain()
    younger.refresh_from_db()
    assert f"1 needed, 0 free of 1 on hand at {yard.site.name}." in younger.why


def test_a_demand_is_reserved_whole_and_not_overtaken_by_a_younger_one() -> None:
    yard = make_yard()
    part = make_part(yard)
    large, small = raise_demand(yard, part, 3), raise_demand(yard, part, 1)
    put_on_shelf(yard, part, 2)
    large.refresh_from_db()
    small.refresh_from_db()
    assert (large.state, small.state) == ("short", "short")
    assert level(yard, part) == (2, 0)
    assert "More urgent demands come first." in small.why
    put_on_shelf(yard, part, 2)
    large.refresh_from_db()
    small.refresh_from_db()
    assert (large.state, small.state) == ("reserved", "reserved")
    assert level(yard, part) == (4, 4)


def test_a_count_that_finds_more_serves_waiting_demands_too() -> None:
    yard = make_yard()
    part = make_part(yard)
    demand = raise_demand(yard, part)
    stock.correct_count(
        actor=yard.clerk, store=yard.store, part=part, counted=1, reason="Found behind B2"
    )
    demand.refresh_from_db()
    assert demand.state == "reserved"


def test_a_receipt_elsewhere_serves_nobody_here() -> None:
    here, there = make_yard("Quarry North"), make_yard("Forest Mill")
    part = make_part(here)
    demand = raise_demand(here, part)
    put_on_shelf(there, part, 4)
    demand.refresh_from_db()
    assert demand.state == "short"
    assert holders_of(part) == [Holder("Forest Mill", 4)]


Act = Callable[[Yard, Yard], object]


@pytest.mark.parametrize(
    "act",
    [
        lambda mine, actor: stock.receive(
            actor=actor, store=mine.store, part=make_part(mine), quantity=1
        ),
        lambda mine, actor: stock.correct_count(
            actor=actor, store=mine.store, part=make_part(mine), counted=1, reason="x"
        ),
        lambda mine, actor: stock.scrap(
            actor=actor, store=mine.store, part=make_part(mine), quantity=1, reason="x"
        ),
    ],
)
@pytest.mark.parametrize("who", ["technician", "outsider"])
def test_only_who_keeps_stock_at_the_site_moves_any(act: Act, who: str) -> None:
    mine, other = make_yard(), make_yard()
    actor = mine.technician if who == "technician" else other.clerk
    with pytest.raises(NotAllowed):
        act(mine, actor)  # type: ignore[arg-type]
    assert not Movement.objects.exists()
    assert not StockLevel.objects.exists()


def test_a_site_has_one_store_however_often_it_is_opened() -> None:
    yard = make_yard()
    again = stock.open_store(actor=yard.clerk, site=yard.site, name="Another name")
    assert again == yard.store
    assert Store.objects.filter(site=yard.site).count() == 1


# --- Parts that age -----------------------------------------------------------------------------


def in_batch(yard: Yard, part: Part, code: str, quantity: int) -> Batch:
    stock.receive(
        actor=yard.clerk,
        store=yard.store,
        part=part,
        quantity=quantity,
        batch_code=code,
        cured_on=timezone.now().date(),
    )
    return Batch.objects.get(part=part, code=code)


def test_a_part_that_ages_is_counted_batch_by_batch() -> None:
    yard = make_yard()
    part = make_part(yard, shelf_life_months=48)
    first, _second = in_batch(yard, part, "B-1", 3), in_batch(yard, part, "B-2", 4)
    with pytest.raises(Fault) as refused:
        stock.correct_count(
            actor=yard.clerk, store=yard.store, part=part, counted=2, reason="Counted"
        )
    assert refused.value.field == "batch_code"
    movement = stock.correct_count(
        actor=yard.clerk, store=yard.store, part=part, counted=2, reason="Counted", batch=first
    )
    assert (movement.batch, movement.on_hand_change) == (first, -1)
    assert level(yard, part) == (6, 0)
    assert dict(BatchLevel.objects.values_list("batch__code", "on_hand")) == {"B-1": 2, "B-2": 4}


def test_nothing_of_unknown_age_is_counted_onto_a_shelf() -> None:
    yard = make_yard()
    part = make_part(yard, shelf_life_months=48)
    with pytest.raises(Fault) as refused:
        stock.correct_count(
            actor=yard.clerk, store=yard.store, part=part, counted=2, reason="Found"
        )
    assert refused.value.field == "batch_code"
    assert not Movement.objects.exists()


def test_a_batch_count_that_would_leave_less_than_is_reserved_is_refused() -> None:
    yard = make_yard()
    part = make_part(yard, shelf_life_months=48)
    batch = in_batch(yard, part, "B-1", 3)
    raise_demand(yard, part, 2)
    with pytest.raises(Conflict) as refused:
        stock.correct_count(
            actor=yard.clerk, store=yard.store, part=part, counted=1, reason="Counted", batch=batch
        )
    assert refused.value.code == "below_reserved"


def test_another_parts_batch_is_neither_counted_nor_scrapped() -> None:
    yard = make_yard()
    part, other = (make_part(yard, shelf_life_months=48) for _ in range(2))
    in_batch(yard, part, "B-1", 3)
    foreign = in_batch(yard, other, "B-9", 3)
    acts: list[Callable[..., object]] = [
        partial(stock.correct_count, counted=1),
        partial(stock.scrap, quantity=1),
    ]
    for act in acts:
        with pytest.raises(Fault) as refused:
            act(actor=yard.clerk, store=yard.store, part=part, batch=foreign, reason="x")
        assert refused.value.code == "other_batch"
    assert level(yard, part) == (3, 0)
