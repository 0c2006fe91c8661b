"""An approved order goes to its supplier, and to the supplier's system where there is one."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date, datetime

from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault, Faults
from fleet.models import User
from fleet.plumbing import outbox, webhooks
from fleet.roles import Capability
from fleet.services.rows import one_transaction
from parts.buying_selectors import message_of, offers_for
from parts.events import OrderSent
from parts.models import Order
from parts.order_documents import as_data
from parts.rules.lead_times import promised
from parts.rules.lifecycle import OrderState, require_order_move
from parts.services import orders

ORDER_ID = "Wearbook-Order"


def promises_for(order: Order, sent_on: date) -> dict[int, date | None]:
    """Line id -> the day it would be promised for by the supplier's offer; None: not known."""
    offers = offers_for(order)
    return {
        line.pk: promised(sent_on, offers[line.part_id].lead_days)
        if line.part_id in offers
        else None
        for line in order.lines.order_by("id")
    }


def send(
    *,
    actor: User,
    order: Order,
    promised_on: Mapping[int, date] | None = None,
    version: int | None = None,
    now: datetime | None = None,
) -> Order:
    """Marks an approved order as sent, with a promised day on each line, and tells its system.

    promised_on: line id -> day, where it is another than the lead time gives. Needs buy at the
    store's site; locks the order. Raises Stale, Conflict, Fault or Faults for a day that is
    missing or past.
    """
    require(actor, Capability.BUY, order.store.site)
    at = now or timezone.now()
    given = dict(promised_on or {})
    with one_transaction():
        row = orders.locked_order(order, version)
        require_order_move(OrderState(row.state), OrderState.SENT)
        days = promises_for(row, at.date()) | given
        faults: list[Fault] = []
        for line in row.lines.select_related("part").order_by("id"):
            day = days[line.pk]
            if day is None:
                faults.append(
                    Fault(
                        f"No lead time is known for {line.part.number}. Give the promised day.",
                        field=f"promised_on.{line.pk}",
                        code="required",
                    )
                )
                continue
            try:
                orders.require_not_past(day, at.date(), field=f"promised_on.{line.pk}")
            except Fault as fault:
                faults.append(fault)
                continue
            line.promised_on = day
            line.save(update_fields=["promised_on"])
        if faults:
            raise Faults(faults) if len(faults) > 1 else faults[0]
        unknown = given.keys() - {line.pk for line in row.lines.all()}
        if unknown:
            raise Fault("A line is named that is not on this order.", field="promised_on")
        row.sent_by, row.sent_at = actor, at
        orders.move_order(
            row,
            OrderState.SENT,
            f"Sent to {row.supplier}.",
            by=actor,
            at=at,
            fields=["sent_by", "sent_at"],
        )
        outbox.append(OrderSent(order_id=row.pk), site=row.store.site)
        orders.replan(row)
    return row


def send_again(*, actor: User, order: Order) -> Order:
    """Tells the supplier's system once more of an order that it has not taken.

    Needs buy at the store's site. Raises Conflict where there is no such system, where it has
    taken the order, or while the first message is still being tried.
    """
    require(actor, Capability.BUY, order.store.site)
    with one_transaction():
        row = orders.locked_order(order)
        if row.state != OrderState.SENT.value or row.delivered_at is not None:
            raise Conflict(
                f"{row} does not wait to be taken by the supplier's system.", code="not_waiting"
            )
        if not row.supplier.webhook_url:
            raise Conflict(
                f"{row.supplier} has no address for orders. Send the PDF instead.",
                code="no_address",
            )
        waiting = message_of(row)
        if waiting is not None and not waiting.given_up:
            raise Conflict(
                "The last message is still being tried. Wait for it.", code="being_tried"
            )
        outbox.append(OrderSent(order_id=row.pk), site=row.store.site)
        orders.keep_step(row, "Sent to the supplier's system again.", by=actor, at=timezone.now())
    return row


def deliver_order(*, event: OrderSent) -> bool:
    """Posts a sent order to its supplier's system; False when there is nothing to tell.

    Run by the outbox, which tries again with growing pauses whatever raises NotDelivered. It runs
    in the transaction that marks the delivery, so that transaction is open for as long as the
    post takes: ten seconds at the most, far below the lease. What that holds meanwhile is one
    connection and the row of the delivery. The order is read without a lock, and stamped only
    when the answer is there, so nobody at work on it waits. Should the worker die between the
    answer and the commit, the same message goes out again, under the same delivery id.
    """
    order = Order.objects.select_related("supplier", "store__site").get(pk=event.order_id)
    supplier = order.supplier
    told = order.delivered_at is not None or order.sent_at is None
    if told or not supplier.webhook_url or order.state == OrderState.CANCELLED.value:
        return False
    now = timezone.now()
    webhooks.post(
        supplier.webhook_url,
        json.dumps(as_data(order), ensure_ascii=False).encode(),
        secret=supplier.webhook_secret,
        delivery=delivery_id(order),
        timestamp=int(now.timestamp()),
        headers={ORDER_ID: str(order.pk)},
    )
    # No new version: nobody can overwrite the stamp, and an open form must not become stale by it.
    Order.objects.filter(pk=order.pk, delivered_at__isnull=True).update(delivered_at=timezone.now())
    return True


def delivery_id(order: Order) -> str:
    """The same for every try of one order, so that the receiver can take it once."""
    return f"order-{order.pk}-{order.sent_at:%Y%m%dT%H%M%S%f}Z"
