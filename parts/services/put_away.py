"""What a supplier delivers comes onto the shelf, and to the benches that wait for it first."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict
from fleet.models import User
from fleet.roles import Capability
from fleet.services.rows import one_transaction, save_next
from parts.buying_selectors import PutAway, put_away_of
from parts.models import OrderLine
from parts.rules.lifecycle import OrderState
from parts.rules.ordering import surplus
from parts.services import batches, ledger, orders, stock
from parts.services.approvals import in_store_currency


def receive_line(
    *,
    actor: User,
    line: OrderLine,
    quantity: int,
    over_ok: bool = False,
    bin: str | None = None,
    batch_code: str = "",
    cured_on: date | None = None,
    expires_on: date | None = None,
    unit_cost: Decimal | None = None,
    reason: str = "",
    now: datetime | None = None,
) -> PutAway:
    """Takes in some of one line of a sent order; demands that wait are served, most urgent first.

    Needs keep_stock at the store's site. Locks the stock level, then the order. quantity: pieces;
    fewer than are open leave the rest open, more than that need over_ok. A part that ages needs
    its batch (services.batches.batch_for). unit_cost: a piece, in the store's currency; None: the
    line's price at the newest exchange rate. reason: a delivery note's number, say. The order is
    received once all lines have come or are given up.
    Raises Conflict (code over_delivery) for more than are open, Conflict when the order is not
    sent or no rate is known, Fault for what cannot be stored.
    """
    store = line.order.store
    require(actor, Capability.KEEP_STOCK, store.site)
    stock.require_quantity(quantity)
    reason = stock.tidy_reason(reason, needed=False)
    unit_cost = stock.require_amount(unit_cost, field="unit_cost")
    at = now or timezone.now()
    with one_transaction():
        level = ledger.lock_levels(store, [line.part_id])[line.part_id]
        order = orders.locked_order(line.order)
        row = OrderLine.objects.select_for_update(of=("self",)).get(pk=line.pk)
        if order.state != OrderState.SENT.value:
            raise Conflict(
                f"{order} is {OrderState(order.state).label}, so nothing is taken in on it. Take "
                "the parts in as a receipt without an order.",
                code="not_sent",
            )
        over = surplus(row.quantity, row.received_quantity, quantity, given_up=row.given_up)
        if over and not over_ok:
            raise Conflict(
                _too_many(row, level.part.number, over), field="over_ok", code="over_delivery"
            )
        if unit_cost is None:
            unit_cost = in_store_currency(row.unit_price, order, at.date())
        batch = batches.batch_for(
            level.part, code=batch_code, cured_on=cured_on, expires_on=expires_on, today=at.date()
        )
        movement = stock.take_in(
            level,
            quantity,
            by=actor,
            at=at,
            batch=batch,
            unit_cost=unit_cost,
            bin=bin,
            order_line=row,
            reason=reason,
        )
        row.received_quantity += quantity
        row.save(update_fields=["received_quantity"])
        beside = f", {over} more than expected" if over else ""
        orders.keep_step(
            order, f"{level.part.number}: {quantity} received{beside}.", by=actor, at=at
        )
        orders.finish_if_all_came(order, by=actor, at=at)
        save_next(order)
        (found,) = put_away_of(order, movement_ids=[movement.pk])
    return found


def _too_many(line: OrderLine, number: str, over: int) -> str:
    so_far = f"{line.quantity} ordered, {line.received_quantity} have come"
    if line.given_up:
        so_far += ", and the rest was given up"
    return (
        f"{number}: {so_far}. This is {over} more than expected. Count again; if it is right, say "
        "that the surplus is taken."
    )
