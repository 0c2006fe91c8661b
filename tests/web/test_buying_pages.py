"""The pages of suppliers, orders and deliveries, as the people of a site use them."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from inspections.models import Inspection
from parts.models import Need, Order, OrderLine, Part, Supplier
from parts.rules.lifecycle import OrderState
from parts.services import orders, suppliers
from tests.parts.build import raise_demand
from tests.parts.buying import approved, draft_of, line_of, make_trade, sent, supervisor_of
from tests.web.client import signed_in, text_of

pytestmark = pytest.mark.django_db


def at(name: str, *args: int) -> str:
    return reverse(f"parts:{name}", args=args)


def test_a_clerk_orders_receives_and_learns_which_bench_waits() -> None:
    trade = make_trade()
    yard, client = trade.yard, signed_in(trade.yard.clerk)
    begun = client.post(at("order-add"), {"store": yard.store.pk, "supplier": trade.supplier.pk})
    order = Order.objects.get()
    assert begun["Location"] == at("order", order.pk)
    client.post(at("order-line-add", order.pk), {"part": trade.part.pk, "manual_quantity": "7"})
    shown = text_of(client.get(at("order", order.pk)))
    assert "1 line, 125.00 EUR. Submit it when it is complete." in shown
    assert "7 added" in shown
    client.post(at("order", order.pk), {"do": "submit"})
    assert "Approved by" in text_of(client.get(at("order", order.pk)))
    line = line_of(order)
    form = client.get(at("order-send", order.pk))
    usual = timezone.now().date() + timedelta(days=14)
    assert f'value="{usual.isoformat()}"' in form.content.decode()
    said = client.post(
        at("order-send", order.pk), {f"line_{line.pk}": usual.isoformat()}, follow=True
    )
    assert "Hand or mail the PDF to" in text_of(said)

    demand = raise_demand(yard, trade.part, 2)
    Need.objects.create(
        inspection=Inspection.objects.get(pk=demand.inspection_id),
        bench="Bench 3",
        needed_on=usual,
        set_at=timezone.now(),
    )
    page = client.get(at("order-receive", line.pk))
    assert "Your site rules and licensed persons come first." in text_of(page)
    assert "over_ok" not in page.content.decode()
    assert "batch_code" not in page.content.decode()
    asked = client.post(at("order-receive", line.pk), {"quantity": "12"})
    assert asked.status_code == 422
    assert "2 more than expected" in text_of(asked)
    assert 'name="over_ok"' in asked.content.decode()
    came = client.post(
        at("order-receive", line.pk),
        {"quantity": "12", "over_ok": "on", "bin": "b-14"},
        follow=True,
    )
    shown = text_of(came)
    assert "2 of them for a bench that waits." in shown
    assert "Bench 3" in shown
    assert demand.inspection.pump.tag in shown
    assert "The rest, onto the shelf" in shown
    order.refresh_from_db()
    assert order.state == OrderState.RECEIVED.value


def test_a_part_that_ages_is_asked_for_its_batch() -> None:
    trade = make_trade()
    Part.objects.filter(pk=trade.part.pk).update(shelf_life_months=48)
    line, client = line_of(sent(trade)), signed_in(trade.yard.clerk)
    refused = client.post(at("order-receive", line.pk), {"quantity": "5"})
    assert refused.status_code == 422
    assert 'name="batch_code"' in refused.content.decode()
    good = {"quantity": "5", "batch_code": "x-1", "cured_on": timezone.now().date().isoformat()}
    assert client.post(at("order-receive", line.pk), good).status_code == 302


def test_who_may_approve_sees_the_button_and_who_may_not_is_told_the_limit() -> None:
    trade = make_trade()
    order = orders.submit(actor=trade.yard.clerk, order=draft_of(trade, 45))
    clerk, supervisor = signed_in(trade.yard.clerk), signed_in(supervisor_of(trade.yard))
    page = clerk.get(at("order", order.pk))
    assert "It is above what you may approve, 500.00 EUR." in text_of(page)
    assert 'value="approve"' not in page.content.decode()
    # Sent all the same, it is refused.
    assert clerk.post(at("order", order.pk), {"do": "approve"}).status_code == 403
    assert 'value="approve"' in supervisor.get(at("order", order.pk)).content.decode()
    supervisor.post(at("order-send-back", order.pk), {"why": "Half will do"})
    assert "Sent back: Half will do" in text_of(clerk.get(at("order", order.pk)))
    assert clerk.post(at("order", order.pk), {"do": "burn"}).status_code == 404


def test_an_old_page_does_not_submit_what_nobody_has_read() -> None:
    trade = make_trade()
    order, client = draft_of(trade), signed_in(trade.yard.clerk)
    answer = client.post(at("order", order.pk), {"do": "submit", "version": order.version - 1})
    assert answer.status_code == 422
    assert "changed by somebody else" in text_of(answer)


def test_below_the_least_order_it_is_said() -> None:
    trade = make_trade()
    suppliers.change_supplier(
        actor=trade.yard.clerk,
        supplier=trade.supplier,
        version=None,
        minimum_order_value=Decimal(200),
    )
    page = signed_in(trade.yard.clerk).get(at("order", draft_of(trade).pk))
    assert "75.00 EUR below the least order" in text_of(page)


def test_late_lines_are_named_on_their_list_their_order_and_the_first_page_of_the_stores() -> None:
    trade = make_trade()
    order, client = sent(trade), signed_in(trade.yard.clerk)
    assert "Nothing that is on order is late." in text_of(client.get(at("orders")))
    assert "late" not in text_of(client.get(at("pull-lists")))
    OrderLine.objects.update(promised_on=timezone.now().date() - timedelta(days=3))
    assert "1 line is late." in text_of(client.get(at("orders")))
    assert "3 days late" in text_of(client.get(f"{at('orders')}?show=late"))
    assert "3 days late" in text_of(client.get(at("order", order.pk)))
    assert "1 order line is late." in text_of(client.get(at("pull-lists")))


def test_the_secret_is_shown_once() -> None:
    trade = make_trade()
    client = signed_in(trade.yard.clerk)
    page = at("supplier-webhook", trade.supplier.pk)
    answer = client.post(page, {"webhook_url": "https://orders.example.com/in"})
    secret = Supplier.objects.get().webhook_secret
    assert secret in answer.content.decode()
    assert answer["Cache-Control"] == "private, no-store"
    for again in (page, at("supplier", trade.supplier.pk), at("suppliers")):
        assert secret not in client.get(again).content.decode()
    refused = client.post(page, {"webhook_url": "http://orders.example.com/in"})
    assert (refused.status_code, "https://" in text_of(refused)) == (422, True)
    assert Supplier.objects.get().webhook_secret == secret


def test_files_of_an_order() -> None:
    trade = make_trade()
    order, client = approved(trade), signed_in(trade.yard.clerk)
    pdf, csv = client.get(at("order-pdf", order.pk)), client.get(at("order-csv", order.pk))
    assert pdf.content.startswith(b"%PDF-")
    assert pdf["Content-Disposition"] == f'attachment; filename="order-{order.pk}.pdf"'
    assert trade.part.number in csv.content.decode()


def test_a_filter_that_names_nothing_of_ones_own_shows_nothing() -> None:
    trade = make_trade()
    sent(trade)
    client = signed_in(trade.yard.clerk)
    assert "No order is like that." in text_of(client.get(f"{at('orders')}?store=999999"))
    assert "No order is like that." in text_of(client.get(f"{at('orders')}?show=burnt"))
    closed = text_of(client.get(f"{at('orders')}?show=closed&supplier={trade.supplier.pk}"))
    assert "No order is like that." in closed


def test_lists_take_the_same_number_of_queries_however_long_they_are() -> None:
    trade = make_trade()
    client = signed_in(trade.yard.clerk)

    def queries(path: str) -> int:
        with CaptureQueriesContext(connection) as caught:
            assert client.get(path).status_code == 200
        return len(caught)

    order = sent(trade)
    paths = [at("orders"), at("suppliers"), at("supplier", trade.supplier.pk)]
    paths += [f"{at('orders')}?show=late", at("order", order.pk)]
    late = {"promised_on": timezone.now().date() - timedelta(days=1)}
    OrderLine.objects.update(**late)
    before = [queries(path) for path in paths]
    for _ in range(4):
        sent(trade)
    OrderLine.objects.update(**late)
    assert [queries(path) for path in paths] == before


def test_a_part_says_where_it_is_bought() -> None:
    trade = make_trade()
    client = signed_in(trade.yard.clerk)
    shown = text_of(client.get(at("part", trade.part.pk)))
    assert f"{trade.supplier} bought here SW-9 12.50 EUR 5 14 nothing has come yet" in shown
    suppliers.remove_offer(actor=trade.yard.clerk, offer=trade.offer)
    assert "No supplier offers it" in text_of(client.get(at("part", trade.part.pk)))
