"""Orders: drafted, submitted, approved by limit, sent, told to the supplier, cancelled."""

from __future__ import annotations

import csv
import html
import io
import json
import re
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone

from fleet.faults import Conflict, Fault, NotAllowed, Stale
from fleet.plumbing import outbox, webhooks
from fleet.plumbing.models import Delivery, Event
from fleet.roles import Role
from parts import buying_selectors, order_documents
from parts.events import OrderSent
from parts.models import Order, OrderLine, Supplier
from parts.rules.lifecycle import OrderState
from parts.services import approvals, order_sending, orders, put_away, suppliers
from tests import factories
from tests.parts.build import make_part, make_yard
from tests.parts.buying import (
    Trade,
    approved,
    draft_of,
    line_of,
    make_trade,
    offer,
    sent,
    set_rate,
    supervisor_of,
)

pytestmark = pytest.mark.django_db
D = Decimal


def planned_again(part_id: int) -> bool:
    rows = Event.objects.filter(name="parts.supply_changed")
    return any(part_id in row.payload["part_ids"] for row in rows)


def forget() -> None:
    Event.objects.all().delete()


# --- Drafting -----------------------------------------------------------------------------------


def test_a_store_has_one_draft_to_a_supplier_and_lines_are_made_up_to_packs() -> None:
    trade = make_trade()
    first = draft_of(trade, 7)
    assert (
        orders.open_draft(actor=trade.yard.clerk, store=trade.yard.store, supplier=trade.supplier)
        == first
    )
    line = line_of(first)
    assert (line.manual_quantity, line.quantity, line.unit_price) == (7, 10, D("12.50"))
    assert first.currency == trade.supplier.currency
    assert planned_again(trade.part.pk)


def test_planned_and_manual_are_covered_together() -> None:
    trade = make_trade(minimum_quantity=12)
    order = draft_of(trade, 1)
    assert line_of(order).quantity == 15
    OrderLine.objects.filter(order=order).update(planned_quantity=13)
    orders.set_line(actor=trade.yard.clerk, order=order, part=trade.part, manual_quantity=4)
    assert line_of(order).quantity == 20
    # One's own are taken out; what planning asks for stays.
    orders.set_line(actor=trade.yard.clerk, order=order, part=trade.part, manual_quantity=0)
    assert line_of(order).quantity == 15


def test_a_line_of_ones_own_goes_when_it_is_set_to_nought() -> None:
    trade = make_trade()
    order = draft_of(trade)
    orders.set_line(actor=trade.yard.clerk, order=order, part=trade.part, manual_quantity=0)
    assert not order.lines.exists()
    # What is not on the order can be taken out of it as well.
    orders.set_line(actor=trade.yard.clerk, order=order, part=trade.part, manual_quantity=0)


def test_what_the_supplier_does_not_offer_is_not_ordered() -> None:
    trade = make_trade()
    order = draft_of(trade)
    other = make_part(trade.yard)
    with pytest.raises(Fault) as refused:
        orders.set_line(actor=trade.yard.clerk, order=order, part=other, manual_quantity=1)
    assert (refused.value.field, refused.value.code) == ("part", "not_offered")


@pytest.mark.parametrize("quantity", [-1, 1_000_001])
def test_a_quantity_out_of_range_is_refused(quantity: int) -> None:
    trade = make_trade()
    with pytest.raises(Fault) as refused:
        draft_of(trade, quantity)
    assert refused.value.field == "manual_quantity"


def test_nobody_writes_over_what_they_have_not_read() -> None:
    trade = make_trade()
    order = draft_of(trade)
    with pytest.raises(Stale):
        orders.submit(actor=trade.yard.clerk, order=order, version=order.version - 1)


def test_a_supplier_that_is_left_gets_no_more_orders() -> None:
    trade = make_trade()
    order = draft_of(trade)
    suppliers.change_supplier(
        actor=trade.yard.clerk, supplier=trade.supplier, version=None, active=False
    )
    with pytest.raises(Conflict):
        orders.submit(actor=trade.yard.clerk, order=order)
    with pytest.raises(Conflict):
        draft_of(trade)


# --- Approval -----------------------------------------------------------------------------------


def test_within_ones_own_limit_an_order_is_approved_at_once() -> None:
    trade = make_trade()  # the clerk's usual limit is 500, forty pieces come to that
    order = orders.submit(actor=trade.yard.clerk, order=draft_of(trade, 40))
    assert (order.state, order.approved_by) == ("approved", trade.yard.clerk)


def test_above_it_the_order_waits_for_somebody_with_a_higher_limit() -> None:
    trade = make_trade()
    clerk, supervisor = trade.yard.clerk, supervisor_of(trade.yard)
    order = orders.submit(actor=clerk, order=draft_of(trade, 45))
    assert (order.state, order.approved_by) == ("submitted", None)
    with pytest.raises(NotAllowed) as refused:
        orders.approve(actor=clerk, order=order)
    assert "562.50 EUR" in refused.value.detail
    assert "up to 500.00" in refused.value.detail
    order = orders.approve(actor=supervisor, order=order)
    assert (order.state, order.approved_by, order.submitted_by) == ("approved", supervisor, clerk)


def test_a_manager_approves_any_value_and_a_limit_set_for_the_store_counts() -> None:
    trade = make_trade(price=D(100_000))
    order = draft_of(trade, 100)
    orders.submit(actor=trade.yard.clerk, order=order)
    approvals.set_limits(
        actor=trade.manager, store=trade.yard.store, limits={Role.MAINTENANCE_MANAGER: D(50)}
    )
    with pytest.raises(NotAllowed):
        orders.approve(actor=trade.manager, order=order)
    approvals.set_limits(
        actor=trade.manager, store=trade.yard.store, limits={Role.MAINTENANCE_MANAGER: None}
    )
    assert orders.approve(actor=trade.manager, order=order).state == "approved"


def test_limits_are_of_one_store_and_set_by_who_gives_the_roles() -> None:
    trade, other = make_trade(), make_yard()
    approvals.set_limits(
        actor=trade.manager, store=trade.yard.store, limits={Role.STORES_CLERK: D(9)}
    )
    assert approvals.limit_at(trade.yard.clerk, trade.yard.store).amount == D(9)
    assert approvals.limit_at(other.clerk, other.store).amount == D(500)
    with pytest.raises(NotAllowed):
        approvals.set_limits(
            actor=trade.yard.clerk, store=trade.yard.store, limits={Role.STORES_CLERK: None}
        )
    with pytest.raises(Fault):
        approvals.set_limits(
            actor=trade.manager, store=trade.yard.store, limits={Role.TECHNICIAN: D(9)}
        )


def test_the_value_is_judged_in_the_stores_currency_by_the_newest_rate() -> None:
    trade = make_trade()
    today = timezone.now().date()
    Supplier.objects.filter(pk=trade.supplier.pk).update(currency="SEK")
    order = draft_of(trade, 100)  # 1,250 SEK
    with pytest.raises(Conflict) as refused:
        orders.submit(actor=trade.yard.clerk, order=order)
    assert refused.value.code == "no_rate"
    assert "SEK and EUR" in refused.value.detail
    set_rate(trade.manager, "SEK", "EUR", "0.09", today - timedelta(days=9))
    set_rate(trade.manager, "SEK", "EUR", "0.9", today - timedelta(days=2))
    set_rate(trade.manager, "SEK", "EUR", "0.01", today + timedelta(days=1))
    assert approvals.value_at_store(order, today) == D(1125)
    assert orders.submit(actor=trade.yard.clerk, order=order).state == "submitted"
    # The other way round does as well: 0.1 EUR a krona.
    set_rate(trade.manager, "EUR", "SEK", "10", today)
    assert approvals.value_at_store(order, today) == D(125)


def test_an_empty_order_is_not_submitted() -> None:
    trade = make_trade()
    order = orders.open_draft(
        actor=trade.yard.clerk, store=trade.yard.store, supplier=trade.supplier
    )
    with pytest.raises(Conflict) as refused:
        orders.submit(actor=trade.yard.clerk, order=order)
    assert refused.value.code == "empty"


def test_below_the_suppliers_least_value_it_goes_out_all_the_same() -> None:
    trade = make_trade()
    suppliers.change_supplier(
        actor=trade.yard.clerk,
        supplier=trade.supplier,
        version=None,
        minimum_order_value=D(1000),
    )
    assert approved(trade).state == "approved"


# --- Sent back, cancelled -----------------------------------------------------------------------


def test_sent_back_with_a_reason_it_can_be_changed_again() -> None:
    trade = make_trade()
    order = orders.submit(actor=trade.yard.clerk, order=draft_of(trade, 45))
    supervisor = supervisor_of(trade.yard)
    with pytest.raises(Fault) as refused:
        orders.send_back(actor=supervisor, order=order, why=" ")
    assert refused.value.field == "why"
    order = orders.send_back(actor=supervisor, order=order, why="Half will do")
    assert (order.state, order.submitted_by, order.submitted_at) == ("draft", None, None)
    step = order.steps.last()
    assert step is not None
    assert (step.what, step.by) == ("Sent back: Half will do", supervisor)
    orders.set_line(actor=trade.yard.clerk, order=order, part=trade.part, manual_quantity=20)
    assert orders.submit(actor=trade.yard.clerk, order=order).state == "approved"


def test_a_draft_that_was_begun_meanwhile_joins_the_one_that_comes_back() -> None:
    trade = make_trade()
    clerk = trade.yard.clerk
    first = orders.submit(actor=clerk, order=draft_of(trade, 45))
    second = draft_of(trade, 7)
    other = make_part(trade.yard)
    offer(clerk, trade.supplier, other)
    orders.set_line(actor=clerk, order=second, part=other, manual_quantity=2)
    forget()
    orders.send_back(actor=clerk, order=first, why="More is wanted")
    second.refresh_from_db()
    assert (second.state, second.closed_at is not None) == ("cancelled", True)
    assert str(first.pk) in second.closed_why
    assert dict(first.lines.values_list("part", "manual_quantity")) == {
        trade.part.pk: 52,
        other.pk: 2,
    }
    assert planned_again(trade.part.pk)
    assert planned_again(other.pk)


@pytest.mark.parametrize("state", ["draft", "received", "cancelled", "sent"])
def test_only_what_waits_can_be_sent_back(state: str) -> None:
    trade = make_trade()
    order = sent(trade)
    Order.objects.filter(pk=order.pk).update(state=state)
    with pytest.raises(Conflict):
        orders.send_back(actor=trade.yard.clerk, order=order, why="No")


def test_a_sent_order_is_cancelled_only_while_nothing_of_it_has_come() -> None:
    trade = make_trade()
    first, second = sent(trade), sent(trade)
    forget()
    orders.cancel(actor=trade.yard.clerk, order=first, why="Ordered twice")
    assert planned_again(trade.part.pk)
    first.refresh_from_db()
    assert (first.state, first.closed_why) == ("cancelled", "Ordered twice")
    put_away.receive_line(actor=trade.yard.clerk, line=line_of(second), quantity=1)
    with pytest.raises(Conflict) as refused:
        orders.cancel(actor=trade.yard.clerk, order=second, why="No")
    assert refused.value.code == "some_has_come"


# --- Who ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("role", list(Role))
def test_who_may_do_what_with_an_order(role: Role) -> None:
    trade = make_trade()
    person = factories.make_person(trade.yard.site, role)
    buys = role in (Role.STORES_CLERK, Role.MAINTENANCE_MANAGER)
    approves = buys or role is Role.SUPERVISOR
    waiting = draft_of(trade, 41)

    def may(work: Any) -> bool:
        try:
            work()
        except NotAllowed:
            return False
        return True

    store, supplier, part = trade.yard.store, trade.supplier, trade.part
    assert may(lambda: orders.open_draft(actor=person, store=store, supplier=supplier)) == buys
    assert (
        may(lambda: orders.set_line(actor=person, order=waiting, part=part, manual_quantity=9))
        == buys
    )
    assert may(lambda: orders.set_note(actor=person, order=waiting, note="Ring first")) == buys
    assert may(lambda: orders.submit(actor=person, order=waiting)) == buys
    Order.objects.filter(pk=waiting.pk).update(state="submitted", approved_at=None)
    assert may(lambda: orders.approve(actor=person, order=waiting)) == approves
    Order.objects.filter(pk=waiting.pk).update(state="submitted")
    assert may(lambda: orders.send_back(actor=person, order=waiting, why="x")) == approves
    out = approved(trade)
    assert may(lambda: order_sending.send(actor=person, order=out)) == buys
    out = sent(trade)
    assert (
        may(lambda: orders.promise(actor=person, line=line_of(out), promised_on=date(2099, 1, 1)))
        == buys
    )
    assert may(lambda: orders.give_up(actor=person, line=line_of(out), why="x")) == buys
    out = sent(trade)
    assert may(lambda: orders.cancel(actor=person, order=out, why="x")) == buys
    receives = role is Role.STORES_CLERK
    out = sent(trade)
    assert (
        may(lambda: put_away.receive_line(actor=person, line=line_of(out), quantity=1)) == receives
    )


def test_a_role_at_another_site_does_not_help() -> None:
    trade, other = make_trade(), make_yard()
    order = draft_of(trade)
    for actor in (other.clerk, factories.manager_of(other.site)):
        with pytest.raises(NotAllowed):
            orders.submit(actor=actor, order=order)
        with pytest.raises(NotAllowed):
            orders.approve(actor=actor, order=order)


# --- Sending ------------------------------------------------------------------------------------


def test_sending_promises_a_day_on_each_line_and_tells_of_it() -> None:
    trade = make_trade()
    order = approved(trade)
    forget()
    order = order_sending.send(actor=trade.yard.clerk, order=order)
    today = timezone.now().date()
    assert (order.state, order.sent_by) == ("sent", trade.yard.clerk)
    assert line_of(order).promised_on == today + timedelta(days=14)
    told = Event.objects.get(name=OrderSent.name)
    assert told.payload == {"order_id": order.pk}
    assert planned_again(trade.part.pk)


def test_another_day_can_be_given_and_none_that_is_past() -> None:
    trade = make_trade()
    order = approved(trade)
    line = line_of(order)
    yesterday = timezone.now().date() - timedelta(days=1)
    with pytest.raises(Fault) as refused:
        order_sending.send(actor=trade.yard.clerk, order=order, promised_on={line.pk: yesterday})
    assert refused.value.field == f"promised_on.{line.pk}"
    order.refresh_from_db()
    assert (order.state, line_of(order).promised_on) == ("approved", None)
    order_sending.send(
        actor=trade.yard.clerk, order=order, promised_on={line.pk: date(2099, 1, 31)}
    )
    assert line_of(order).promised_on == date(2099, 1, 31)


def test_without_an_offer_the_day_must_be_given() -> None:
    trade = make_trade()
    order = approved(trade)
    suppliers.remove_offer(actor=trade.yard.clerk, offer=trade.offer)
    with pytest.raises(Fault) as refused:
        order_sending.send(actor=trade.yard.clerk, order=order)
    assert refused.value.code == "required"


@pytest.mark.parametrize("state", [s for s in OrderState if s is not OrderState.APPROVED])
def test_only_an_approved_order_is_sent(state: OrderState) -> None:
    trade = make_trade()
    order = sent(trade)
    Order.objects.filter(pk=order.pk).update(state=state.value)
    with pytest.raises(Conflict):
        order_sending.send(actor=trade.yard.clerk, order=order)


def test_another_promised_day_and_giving_up_ask_for_planning() -> None:
    trade = make_trade()
    order = sent(trade)
    forget()
    orders.promise(actor=trade.yard.clerk, line=line_of(order), promised_on=date(2099, 1, 1))
    assert planned_again(trade.part.pk)
    with pytest.raises(Fault):
        orders.promise(actor=trade.yard.clerk, line=line_of(order), promised_on=date(2020, 1, 1))
    forget()
    orders.give_up(actor=trade.yard.clerk, line=line_of(order), why="No longer made")
    assert planned_again(trade.part.pk)
    order.refresh_from_db()
    assert (order.state, order.closed_why) == ("received", "Nothing came; all is given up.")
    with pytest.raises(Conflict):
        orders.give_up(actor=trade.yard.clerk, line=line_of(order), why="Again")


def test_late_lines_are_those_promised_before_today_that_have_not_come() -> None:
    trade = make_trade()
    first, second, third = sent(trade), sent(trade), sent(trade)
    today = timezone.now().date()
    yesterday = {"promised_on": today - timedelta(days=1)}
    OrderLine.objects.filter(order__in=[first, second]).update(**yesterday)
    OrderLine.objects.filter(order=third).update(promised_on=today)
    put_away.receive_line(actor=trade.yard.clerk, line=line_of(second), quantity=10)
    clerk = trade.yard.clerk
    assert [line.order_id for line in buying_selectors.late_lines(clerk, today)] == [first.pk]
    assert buying_selectors.late_count(clerk, today) == 1
    assert buying_selectors.late_count(make_yard().clerk, today) == 0
    assert list(buying_selectors.late(buying_selectors.orders(), today)) == [first]


# --- The message to the supplier's system -------------------------------------------------------


def connected(trade: Trade) -> str:
    return suppliers.set_webhook(
        actor=trade.yard.clerk,
        supplier=trade.supplier,
        version=None,
        url="https://orders.example.com/in",
    )


class Receiver:
    """Stands in for the network: keeps what was posted, and answers as it is told."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.got: list[dict[str, Any]] = []
        self.down = False
        monkeypatch.setattr(webhooks, "post", self.post)

    def post(self, url: str, body: bytes, **sent_with: Any) -> int:
        self.got.append({"url": url, "body": body, **sent_with})
        if self.down:
            raise webhooks.NotDelivered("The answer was HTTP 500.")
        return 200


@pytest.fixture
def receiver(monkeypatch: pytest.MonkeyPatch) -> Receiver:
    return Receiver(monkeypatch)


def test_a_sent_order_goes_to_the_suppliers_system_once(receiver: Receiver) -> None:
    trade = make_trade()
    secret = connected(trade)
    order = sent(trade)
    outbox.drain()
    order.refresh_from_db()
    assert order.delivered_at is not None
    (message,) = receiver.got
    assert message["secret"] == secret
    assert message["headers"] == {"Wearbook-Order": str(order.pk)}
    told = json.loads(message["body"])
    assert told["order"]["id"] == order.pk
    (line,) = told["lines"]
    assert (line["supplier_number"], line["quantity"], line["unit_price"]) == ("SW-9", 10, "12.50")
    assert line["promised_on"] == line_of(order).promised_on.isoformat()  # type: ignore[union-attr]
    # Late, twice and out of order: nothing is sent again.
    assert order_sending.deliver_order(event=OrderSent(order.pk)) is False
    assert len(receiver.got) == 1


def test_without_an_address_or_once_cancelled_nothing_is_told(receiver: Receiver) -> None:
    trade = make_trade()
    order = sent(trade)
    assert order_sending.deliver_order(event=OrderSent(order.pk)) is False
    connected(trade)
    orders.cancel(actor=trade.yard.clerk, order=order, why="Wrong part")
    assert order_sending.deliver_order(event=OrderSent(order.pk)) is False
    assert receiver.got == []


def test_what_fails_is_tried_again_under_the_same_id_and_the_page_can_say_why(
    receiver: Receiver,
) -> None:
    trade = make_trade()
    connected(trade)
    order = sent(trade)
    row = Delivery.objects.get(handler="parts.tell_supplier")
    receiver.down = True
    assert outbox.deliver(row.pk) is outbox.Outcome.FAILED
    message = buying_selectors.message_of(order)
    assert message == buying_selectors.Message("The answer was HTTP 500.", 1, given_up=False)
    with pytest.raises(Conflict) as refused:
        order_sending.send_again(actor=trade.yard.clerk, order=order)
    assert refused.value.code == "being_tried"
    Delivery.objects.filter(pk=row.pk).update(attempts=outbox.MAX_ATTEMPTS - 1)
    assert outbox.deliver(row.pk) is outbox.Outcome.PARKED
    order.refresh_from_db()
    assert order.delivered_at is None
    order_sending.send_again(actor=trade.yard.clerk, order=order)
    receiver.down = False
    outbox.drain()
    order.refresh_from_db()
    assert order.delivered_at is not None
    assert len({message["delivery"] for message in receiver.got}) == 1
    with pytest.raises(Conflict):
        order_sending.send_again(actor=trade.yard.clerk, order=order)


def test_the_stamp_makes_no_open_form_stale(receiver: Receiver) -> None:
    trade = make_trade()
    connected(trade)
    order = sent(trade)
    before = Order.objects.get(pk=order.pk).version
    outbox.drain()
    assert Order.objects.get(pk=order.pk).version == before


# --- Paper and files ----------------------------------------------------------------------------

HOSTILE = '#import "x"; ] $ \\ <a> Bjørk Šícha Ωμέγα 泵 `raw` //'


def hostile(trade: Trade) -> Order:
    Supplier.objects.filter(pk=trade.supplier.pk).update(name=HOSTILE)
    trade.part.name = '=HYPERLINK("x") ' + HOSTILE
    trade.part.save()
    offer(trade.yard.clerk, trade.supplier, trade.part, supplier_number="=1+1")
    order = draft_of(trade)
    orders.set_note(actor=trade.yard.clerk, order=order, note=HOSTILE)
    return buying_selectors.orders().get(pk=order.pk)  # type: ignore[no-any-return]


def test_texts_of_people_are_printed_and_never_become_markup() -> None:
    order = hostile(make_trade())
    pdf = order_documents.order_pdf(order)
    assert pdf.content.startswith(b"%PDF-")
    assert pdf.name == f"order-{order.pk}.pdf"
    assert pdf.content.rstrip().endswith(b"%%EOF")
    # The title stands in the file uncompressed: the whole text, as it was typed.
    titled = re.search(rb"<dc:title>.*?</dc:title>", pdf.content, re.DOTALL)
    assert titled is not None
    assert f"Order {order.pk} to {HOSTILE}" in html.unescape(titled.group().decode())


def test_cells_that_a_spreadsheet_would_compute_are_marked() -> None:
    order = hostile(make_trade())
    file = order_documents.order_csv(order)
    (row,) = csv.DictReader(io.StringIO(file.content.decode("utf-8-sig")))
    assert row["supplier_number"] == "'=1+1"
    assert row["name"].startswith("'=HYPERLINK")
    assert (row["quantity"], row["unit_price"], row["line_value"]) == ("10", "12.50", "125.00")


def test_amounts_keep_two_places_and_more_only_where_there_are_more() -> None:
    trade = make_trade(price=D("0.0123"), pack_size=1)
    order = draft_of(trade, 1000)
    data = order_documents.as_data(order)
    assert data["lines"][0]["unit_price"] == "0.0123"
    assert data["order"]["value"] == "12.30"
