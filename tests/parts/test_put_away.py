"""Deliveries: partial, over, with batches, at cost, and to the benches that wait first."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from django.utils import timezone

from fleet.faults import Conflict, Fault
from inspections.models import Inspection
from parts import buying_selectors
from parts.models import Batch, Demand, Movement, Need, Part, StockLevel, Supplier
from parts.services import ledger, orders, put_away
from tests.parts.build import level, make_part, put_on_shelf, raise_demand
from tests.parts.buying import draft_of, line_of, make_trade, offer, sent, set_rate

pytestmark = pytest.mark.django_db
D = Decimal


def test_part_of_a_line_comes_and_then_the_rest() -> None:
    trade = make_trade()
    order = sent(trade, 10)
    clerk = trade.yard.clerk
    first = put_away.receive_line(actor=clerk, line=line_of(order), quantity=4, reason="Note 7")
    assert (line_of(order).received_quantity, line_of(order).open_quantity) == (4, 6)
    assert (first.movement.order_line_id, first.movement.reason) == (line_of(order).pk, "Note 7")
    order.refresh_from_db()
    assert order.state == "sent"
    put_away.receive_line(actor=clerk, line=line_of(order), quantity=6)
    order.refresh_from_db()
    assert (order.state, order.closed_why) == ("received", "All has come.")
    assert level(trade.yard, trade.part) == (10, 0)
    assert ledger.check_ledger() == []


def test_more_than_was_ordered_is_asked_about_and_then_taken() -> None:
    trade = make_trade()
    order = sent(trade, 10)
    clerk = trade.yard.clerk
    put_away.receive_line(actor=clerk, line=line_of(order), quantity=8)
    with pytest.raises(Conflict) as refused:
        put_away.receive_line(actor=clerk, line=line_of(order), quantity=5)
    assert (refused.value.code, refused.value.field) == ("over_delivery", "over_ok")
    assert "10 ordered, 8 have come" in refused.value.detail
    assert "3 more than expected" in refused.value.detail
    assert level(trade.yard, trade.part) == (8, 0)
    put_away.receive_line(actor=clerk, line=line_of(order), quantity=5, over_ok=True)
    order.refresh_from_db()
    assert (line_of(order).received_quantity, order.state) == (13, "received")


def test_an_order_of_two_lines_is_received_when_the_last_has_come_or_is_given_up() -> None:
    trade = make_trade()
    clerk = trade.yard.clerk
    other = make_part(trade.yard)
    offer(clerk, trade.supplier, other)
    orders.set_line(actor=clerk, order=draft_of(trade), part=other, manual_quantity=2)
    order = sent(trade)
    first, second = order.lines.select_related("order__store__site").order_by("id")
    put_away.receive_line(actor=clerk, line=first, quantity=first.quantity)
    order.refresh_from_db()
    assert order.state == "sent"
    put_away.receive_line(actor=clerk, line=second, quantity=1)
    orders.give_up(actor=clerk, line=second, why="No longer made")
    order.refresh_from_db()
    assert (order.state, order.closed_why) == ("received", "What has not come is given up.")


def test_what_was_given_up_may_come_all_the_same() -> None:
    trade = make_trade()
    clerk = trade.yard.clerk
    other = make_part(trade.yard)
    offer(clerk, trade.supplier, other)
    orders.set_line(actor=clerk, order=draft_of(trade), part=other, manual_quantity=2)
    order = sent(trade)
    line = order.lines.select_related("order__store__site").get(part=other)
    orders.give_up(actor=clerk, line=line, why="Not to be had")
    with pytest.raises(Conflict) as refused:
        put_away.receive_line(actor=clerk, line=line, quantity=1)
    assert refused.value.code == "over_delivery"
    put_away.receive_line(actor=clerk, line=line, quantity=1, over_ok=True)
    assert level(trade.yard, other) == (1, 0)


def test_nothing_is_taken_in_on_an_order_that_is_not_sent() -> None:
    trade = make_trade()
    order = draft_of(trade)
    with pytest.raises(Conflict) as refused:
        put_away.receive_line(actor=trade.yard.clerk, line=line_of(order), quantity=1)
    assert refused.value.code == "not_sent"
    assert not Movement.objects.exists()


def test_it_comes_in_at_the_price_of_the_line_or_at_what_is_said() -> None:
    trade = make_trade()
    order = sent(trade, 10)
    clerk = trade.yard.clerk
    put_away.receive_line(actor=clerk, line=line_of(order), quantity=4)
    assert StockLevel.objects.get().value == D(50)
    put_away.receive_line(actor=clerk, line=line_of(order), quantity=6, unit_cost=D(10))
    assert StockLevel.objects.get().value == D(110)
    with pytest.raises(Fault):
        put_away.receive_line(actor=clerk, line=line_of(order), quantity=1, unit_cost=D(-1))


def test_another_currency_comes_in_at_the_newest_rate() -> None:
    trade = make_trade()
    today = timezone.now().date()
    Supplier.objects.filter(pk=trade.supplier.pk).update(currency="SEK")
    set_rate(trade.manager, "SEK", "EUR", "0.08", today)
    order = sent(trade, 10)
    put_away.receive_line(actor=trade.yard.clerk, line=line_of(order), quantity=10)
    assert StockLevel.objects.get().value == D(10)  # 125 SEK


def test_a_part_that_ages_comes_with_its_batch() -> None:
    trade = make_trade()
    Part.objects.filter(pk=trade.part.pk).update(shelf_life_months=48)
    order = sent(trade, 10)
    clerk = trade.yard.clerk
    with pytest.raises(Fault) as refused:
        put_away.receive_line(actor=clerk, line=line_of(order), quantity=5)
    assert refused.value.field == "batch_code"
    assert line_of(order).received_quantity == 0
    cured = timezone.now().date() - timedelta(days=30)
    for code, quantity in (("b-1", 4), ("b-2", 6)):
        put_away.receive_line(
            actor=clerk, line=line_of(order), quantity=quantity, batch_code=code, cured_on=cured
        )
    assert sorted(Batch.objects.values_list("code", "levels__on_hand")) == [("B-1", 4), ("B-2", 6)]
    assert ledger.check_ledger() == []


def test_benches_that_wait_are_served_before_the_bin_the_soonest_first() -> None:
    trade = make_trade()
    put_on_shelf(trade.yard, trade.part, 1, bin="B-14")
    today = timezone.now().date()
    late, soon, much = (raise_demand(trade.yard, trade.part, n) for n in (2, 2, 50))
    for demand, days, bench in ((late, 9, "Bench 1"), (soon, 2, "Bench 3"), (much, 30, "")):
        Need.objects.create(
            inspection=Inspection.objects.get(pk=demand.inspection_id),
            needed_on=today + timedelta(days=days),
            bench=bench,
            set_at=timezone.now(),
        )
    order = sent(trade, 10)
    found = put_away.receive_line(actor=trade.yard.clerk, line=line_of(order), quantity=10)
    assert [(s.demand.pk, s.bench, s.needed_on) for s in found.served] == [
        (soon.pk, "Bench 3", today + timedelta(days=2)),
        (late.pk, "Bench 1", today + timedelta(days=9)),
    ]
    assert (found.to_benches, found.to_bin, found.bin) == (4, 6, "B-14")
    assert Demand.objects.get(pk=soon.pk).state == "reserved"
    # The page says the same later on, whatever has come since.
    put_on_shelf(trade.yard, trade.part, 1, bin=None)
    (again,) = buying_selectors.put_away_of(order)
    assert [s.demand for s in again.served] == [soon, late]


def test_each_receipt_names_its_own_benches() -> None:
    trade = make_trade()
    first, second = (raise_demand(trade.yard, trade.part, 2) for _ in range(2))
    order = sent(trade, 10)
    for _ in range(2):
        put_away.receive_line(actor=trade.yard.clerk, line=line_of(order), quantity=2)
    newest, oldest = buying_selectors.put_away_of(order)
    assert [s.demand for s in oldest.served] == [first]
    assert [s.demand for s in newest.served] == [second]
    assert (newest.to_bin, oldest.to_bin) == (0, 0)
