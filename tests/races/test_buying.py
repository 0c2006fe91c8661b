"""Deliveries and orders that several people act on at the same moment, through real connections."""

from __future__ import annotations

from functools import partial

import pytest

from fleet.faults import Conflict
from fleet.plumbing.models import Event
from parts.events import OrderSent
from parts.models import Movement, Order, SupplierPart
from parts.services import ledger, order_sending, orders, put_away, suppliers
from tests.parts.build import level
from tests.parts.buying import approved, line_of, make_supplier, make_trade, offer, sent
from tests.races.crowd import all_at_once

pytestmark = pytest.mark.django_db(transaction=True)


def test_ten_who_take_in_three_of_ten_at_once_take_in_nine() -> None:
    trade = make_trade()
    order = sent(trade, 10)
    receive = partial(
        put_away.receive_line, actor=trade.yard.clerk, line=line_of(order), quantity=3
    )
    results = all_at_once([receive] * 10)
    refused = [r for r in results if isinstance(r, Exception)]
    assert len(refused) == 7
    assert {(type(r), getattr(r, "code", "")) for r in refused} == {(Conflict, "over_delivery")}
    assert (line_of(order).received_quantity, level(trade.yard, trade.part)) == (9, (9, 0))
    assert Movement.objects.filter(kind="receipt").count() == 3
    assert ledger.check_ledger() == []


def test_an_order_that_two_send_at_once_is_sent_and_told_of_once() -> None:
    trade = make_trade()
    order = approved(trade)
    results = all_at_once([partial(order_sending.send, actor=trade.yard.clerk, order=order)] * 6)
    assert sum(isinstance(r, Conflict) for r in results) == 5
    assert Event.objects.filter(name=OrderSent.name).count() == 1


def test_a_receipt_and_a_cancellation_at_once_leave_one_of_them() -> None:
    trade = make_trade()
    for _ in range(5):
        order = sent(trade, 10)
        clerk, line = trade.yard.clerk, line_of(order)
        results = all_at_once(
            [
                partial(put_away.receive_line, actor=clerk, line=line, quantity=10),
                partial(orders.cancel, actor=clerk, order=order, why="Not wanted"),
            ]
        )
        assert sum(isinstance(r, Conflict) for r in results) == 1
        order.refresh_from_db()
        came = line_of(order).received_quantity
        assert (order.state, came) in (("received", 10), ("cancelled", 0))
    assert ledger.check_ledger() == []


def test_drafts_begun_at_once_are_one_and_offers_entered_at_once_have_one_mark() -> None:
    trade = make_trade()
    clerk, store = trade.yard.clerk, trade.yard.store
    begun = all_at_once(
        [partial(orders.open_draft, actor=clerk, store=store, supplier=trade.supplier)] * 8
    )
    assert {getattr(r, "pk", r) for r in begun} == {Order.objects.get().pk}
    suppliers.remove_offer(actor=clerk, offer=trade.offer)
    others = [make_supplier(clerk) for _ in range(6)]
    entered = all_at_once([partial(offer, clerk, other, trade.part) for other in others])
    assert not [r for r in entered if isinstance(r, Exception)]
    assert SupplierPart.objects.filter(part=trade.part, preferred=True).count() == 1
