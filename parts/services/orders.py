"""Orders to suppliers: drafted, submitted, approved, cancelled; sending is a module of its own.

Planning keeps one draft a store and supplier and writes planned quantities; people add to it here.
Whatever changes what is on its way asks for planning again. Orders are locked after stock levels
and before demands; nothing here moves a demand on: that is planning's.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault, NotAllowed
from fleet.models import User
from fleet.roles import Capability
from fleet.services.rows import locked, one_transaction, save_next
from parts.models import (
    Demand,
    Order,
    OrderLine,
    OrderStep,
    Part,
    Store,
    Supplier,
    SupplierPart,
)
from parts.rules.lifecycle import DemandState, OrderState, require_order_move
from parts.rules.ordering import order_quantity
from parts.services import ledger
from parts.services.approvals import limit_at, value_at_store

LONGEST_REASON = 200
LARGEST_MANUAL = 1_000_000


def tidy_why(text: str) -> str:
    """A reason as the order keeps it. Raises Fault for none, or one that is too long."""
    why = text.strip()
    if not why:
        raise Fault("Say why: the order keeps the reason.", field="why", code="required")
    if len(why) > LONGEST_REASON:
        raise Fault(
            f"The reason has more than {LONGEST_REASON} characters; shorten it.", field="why"
        )
    return why


# --- Drafting -----------------------------------------------------------------------------------


def open_draft(
    *, actor: User, store: Store, supplier: Supplier, now: datetime | None = None
) -> Order:
    """The draft of a store to a supplier, made when there is none. Needs buy at the store's site.

    Raises Conflict for a supplier that is not bought from any more.
    """
    require(actor, Capability.BUY, store.site)
    with one_transaction():
        # Under the lock two people who begin at once get the same draft.
        supplier = locked(Supplier, supplier.pk)
        _require_active(supplier)
        draft = Order.objects.filter(
            store=store, supplier=supplier, state=OrderState.DRAFT.value
        ).first()
        if draft is not None:
            return draft
        draft = Order.objects.create(
            store=store,
            supplier=supplier,
            currency=supplier.currency,
            state=OrderState.DRAFT.value,
            raised_by=actor,
            raised_at=now or timezone.now(),
        )
        keep_step(draft, "Draft begun.", by=actor, at=draft.raised_at)
        return draft


def set_line(
    *, actor: User, order: Order, part: Part, manual_quantity: int, version: int | None = None
) -> Order:
    """How many of a part somebody wants beside what planning asks for; 0 takes them out again.

    Needs buy at the store's site; locks the order. The line covers both in whole packs. Raises
    Stale, Conflict when the order is no draft, Fault when the supplier does not offer the part.
    """
    require(actor, Capability.BUY, order.store.site)
    if not 0 <= manual_quantity <= LARGEST_MANUAL:
        raise Fault(
            f"Give a whole number from 0 to {LARGEST_MANUAL:,}.",
            field="manual_quantity",
            code="quantity",
        )
    with one_transaction():
        row = locked_order(order, version)
        _require_draft(row)
        offer = SupplierPart.objects.filter(supplier=row.supplier_id, part=part).first()
        line = OrderLine.objects.filter(order=row, part=part).first()
        if manual_quantity == 0 and (line is None or line.planned_quantity == 0):
            if line is not None:
                _take_off(line)
        else:
            if offer is None:
                raise Fault(
                    f"{row.supplier} has no price for {part.number} on record. Enter the offer "
                    "first, then order it.",
                    field="part",
                    code="not_offered",
                )
            _put_on(row, line or OrderLine(order=row, part=part), offer, manual_quantity)
        save_next(row)
        ledger.plan_again([part.pk], site=row.store.site)
    return row


def _take_off(line: OrderLine) -> None:
    # Settled demands remember what they once waited for; this line was never sent.
    pointing = Demand.objects.filter(order_line=line)
    if pointing.filter(state=DemandState.ORDERED.value).exists():
        raise Conflict(
            "Planning is at work on this line. Try again in a moment.", code="being_planned"
        )
    pointing.update(order_line=None)
    line.delete()


def _put_on(order: Order, line: OrderLine, offer: SupplierPart, manual_quantity: int) -> None:
    line.manual_quantity = manual_quantity
    line.unit_price = offer.price
    line.quantity = order_quantity(
        line.planned_quantity + manual_quantity,
        pack_size=offer.pack_size,
        minimum=offer.minimum_quantity,
    )
    line.save()


def set_note(*, actor: User, order: Order, note: str, version: int | None = None) -> Order:
    """What the supplier is told on a draft. Needs buy at the store's site; locks the order."""
    require(actor, Capability.BUY, order.store.site)
    note = note.strip()
    if len(note) > 300:
        raise Fault("The note has more than 300 characters; shorten it.", field="note")
    with one_transaction():
        row = locked_order(order, version)
        _require_draft(row)
        row.note = note
        save_next(row, "note")
    return row


# --- Approval -----------------------------------------------------------------------------------


def submit(
    *, actor: User, order: Order, version: int | None = None, now: datetime | None = None
) -> Order:
    """Gives a draft out of hand. Within the actor's own limit it is approved at once.

    Needs buy at the store's site; locks the order. Planning then leaves it as it is. Raises
    Stale, Conflict for an empty order, a supplier no more in use or a missing exchange rate.
    """
    require(actor, Capability.BUY, order.store.site)
    at = now or timezone.now()
    with one_transaction():
        row = locked_order(order, version)
        _require_draft(row)
        _require_active(row.supplier)
        if not row.lines.exists():
            raise Conflict("There is nothing on this order. Add a line first.", code="empty")
        value = value_at_store(row, at.date())
        row.submitted_by, row.submitted_at = actor, at
        if limit_at(actor, row.store).covers(value):
            _approve(row, actor, at, "Submitted, and approved within their own limit.")
        else:
            move_order(
                row,
                OrderState.SUBMITTED,
                "Submitted for approval.",
                by=actor,
                at=at,
                fields=["submitted_by", "submitted_at"],
            )
        replan(row)
    return row


def approve(
    *, actor: User, order: Order, version: int | None = None, now: datetime | None = None
) -> Order:
    """Lets a submitted order go out. Needs approve_orders there and a limit that covers its value.

    Locks the order. Raises NotAllowed above the limit, Stale, Conflict.
    """
    require(actor, Capability.APPROVE_ORDERS, order.store.site)
    at = now or timezone.now()
    with one_transaction():
        row = locked_order(order, version)
        if row.state != OrderState.SUBMITTED.value:
            raise Conflict(
                f"{row} is {OrderState(row.state).label}; only one that awaits approval can be "
                "approved.",
                code="illegal_move",
            )
        value = value_at_store(row, at.date())
        limit = limit_at(actor, row.store)
        if not limit.covers(value):
            raise NotAllowed(
                f"{row} comes to {value:,.2f} {row.store.currency}, and {actor} may approve up to "
                f"{limit.amount:,.2f}. Ask somebody with a higher limit.",
                code="above_limit",
            )
        _approve(row, actor, at, "Approved.")
        replan(row)
    return row


def _approve(row: Order, actor: User, at: datetime, what: str) -> None:
    row.approved_by, row.approved_at = actor, at
    move_order(
        row,
        OrderState.APPROVED,
        what,
        by=actor,
        at=at,
        fields=["submitted_by", "submitted_at", "approved_by", "approved_at"],
    )


def send_back(
    *, actor: User, order: Order, why: str, version: int | None = None, now: datetime | None = None
) -> Order:
    """Makes a submitted or approved order a draft again, so that it can be changed.

    Needs buy or approve_orders at the store's site. A draft that was begun meanwhile joins it:
    what people put there comes along, what planning put there it puts here. Locks both orders.
    Raises Stale, Conflict, Fault without a reason.
    """
    _require_buyer_or_approver(actor, order)
    why = tidy_why(why)
    at = now or timezone.now()
    with one_transaction():
        pair = {
            row.pk: row
            for row in Order.objects.select_for_update(of=("self",))
            .select_related("store__site", "supplier")
            .filter(store=order.store_id, supplier=order.supplier_id)
            .filter(pk__in=[order.pk, *_drafts_beside(order)])
            .order_by("pk")
        }
        row = pair.pop(order.pk)
        locked(Order, row.pk, version)
        require_order_move(OrderState(row.state), OrderState.DRAFT)
        for other in pair.values():
            if other.state == OrderState.DRAFT.value:
                _join(other, into=row, by=actor, at=at)
        row.submitted_by = row.submitted_at = row.approved_by = row.approved_at = None
        move_order(
            row,
            OrderState.DRAFT,
            f"Sent back: {why}",
            by=actor,
            at=at,
            fields=["submitted_by", "submitted_at", "approved_by", "approved_at"],
        )
        replan(row)
    return row


def _drafts_beside(order: Order) -> Iterable[int]:
    return Order.objects.filter(
        store=order.store_id, supplier=order.supplier_id, state=OrderState.DRAFT.value
    ).values_list("pk", flat=True)


def _join(other: Order, *, into: Order, by: User, at: datetime) -> None:
    offers = {o.part_id: o for o in SupplierPart.objects.filter(supplier=into.supplier_id)}
    mine = {line.part_id: line for line in into.lines.all()}
    for line in other.lines.filter(manual_quantity__gt=0).select_related("part"):
        offer = offers.get(line.part_id)
        if offer is None:
            continue  # not to be had there any more
        own = mine.get(line.part_id) or OrderLine(order=into, part=line.part)
        _put_on(into, own, offer, own.manual_quantity + line.manual_quantity)
    why = f"Joined with order {into.pk}, which was sent back."
    close(other, OrderState.CANCELLED, why, by=by, at=at)
    replan(other)


def cancel(
    *, actor: User, order: Order, why: str, version: int | None = None, now: datetime | None = None
) -> Order:
    """Gives an order up: a sent one only while nothing of it has come. Needs buy; locks it.

    Raises Stale, Conflict once something has come, Fault without a reason.
    """
    require(actor, Capability.BUY, order.store.site)
    why = tidy_why(why)
    at = now or timezone.now()
    with one_transaction():
        row = locked_order(order, version)
        if row.lines.filter(received_quantity__gt=0).exists():
            raise Conflict(
                f"Some of {row} has come. Give up the lines that are still open instead.",
                code="some_has_come",
            )
        close(row, OrderState.CANCELLED, why, by=actor, at=at)
        replan(row)
    return row


# --- What has been sent -------------------------------------------------------------------------


def promise(
    *, actor: User, line: OrderLine, promised_on: date, now: datetime | None = None
) -> OrderLine:
    """The supplier names another day for a line. Needs buy at the store's site; locks the order.

    Demands that wait for it are told by planning. Raises Conflict when nothing more is to come.
    """
    require(actor, Capability.BUY, line.order.store.site)
    at = now or timezone.now()
    with one_transaction():
        order = locked_order(line.order)
        row = OrderLine.objects.select_for_update(of=("self",)).get(pk=line.pk)
        _require_open(order, row)
        require_not_past(promised_on, at.date(), field="promised_on")
        before = row.promised_on
        row.promised_on = promised_on
        row.save(update_fields=["promised_on"])
        was = f" instead of {_day(before)}" if before else ""
        keep_step(order, f"{row.part.number}: {_day(promised_on)} promised{was}.", by=actor, at=at)
        save_next(order)
        ledger.plan_again([row.part_id], site=order.store.site)
    return row


def give_up(*, actor: User, line: OrderLine, why: str, now: datetime | None = None) -> OrderLine:
    """Expects no more of a line; the order is closed when that was the last one.

    Needs buy at the store's site; locks the order. Raises Conflict when nothing more is to come,
    Fault without a reason.
    """
    require(actor, Capability.BUY, line.order.store.site)
    why = tidy_why(why)
    at = now or timezone.now()
    with one_transaction():
        order = locked_order(line.order)
        row = OrderLine.objects.select_for_update(of=("self",)).get(pk=line.pk)
        _require_open(order, row)
        missing = row.open_quantity
        row.given_up = True
        row.save(update_fields=["given_up"])
        keep_step(order, f"{row.part.number}: the last {missing} given up. {why}", by=actor, at=at)
        finish_if_all_came(order, by=actor, at=at)
        save_next(order)
        ledger.plan_again([row.part_id], site=order.store.site)
    return row


def finish_if_all_came(order: Order, *, by: User, at: datetime) -> bool:
    """Closes a locked order of which nothing more is to come; the caller saves its version."""
    lines = list(order.lines.all())
    if any(line.open_quantity for line in lines):
        return False
    given_up = [line for line in lines if line.given_up]
    why = "All has come."
    if given_up:
        some = any(line.received_quantity for line in lines)
        why = "What has not come is given up." if some else "Nothing came; all is given up."
    close(order, OrderState.RECEIVED, why, by=by, at=at)
    return True


# --- What the services of orders share ----------------------------------------------------------


def locked_order(order: Order, version: int | None = None) -> Order:
    """The order, held until the transaction ends. Raises Stale when it is not `version`."""
    locked(Order, order.pk, version)
    return Order.objects.select_related("store__site", "supplier").get(pk=order.pk)


def keep_step(order: Order, what: str, *, by: User, at: datetime) -> None:
    """Puts on record what was done with an order, in the state it is in now."""
    OrderStep.objects.create(
        order=order, state=order.state, what=ledger.why_sentence(what), by=by, at=at
    )


def move_order(
    order: Order,
    state: OrderState,
    what: str,
    *,
    by: User,
    at: datetime,
    fields: Iterable[str] = (),
) -> None:
    """Moves a locked order on and keeps the step. Raises Conflict for an illegal move."""
    require_order_move(OrderState(order.state), state)
    order.state = state.value
    save_next(order, "state", *fields)
    keep_step(order, what, by=by, at=at)


def close(order: Order, state: OrderState, why: str, *, by: User, at: datetime) -> None:
    """Ends a locked order as received or cancelled."""
    order.closed_at, order.closed_why = at, why
    what = f"Cancelled: {why}" if state is OrderState.CANCELLED else why
    move_order(order, state, what, by=by, at=at, fields=["closed_at", "closed_why"])


def replan(order: Order) -> None:
    """Asks for planning of every part on the order."""
    ledger.plan_again(order.lines.values_list("part_id", flat=True), site=order.store.site)


def require_not_past(day: date, today: date, *, field: str) -> None:
    if day < today:
        raise Fault("That day is past. Give the day it is promised for.", field=field, code="past")


def _day(day: date) -> str:
    return f"{day.day} {day:%b %Y}"


def _require_open(order: Order, line: OrderLine) -> None:
    if order.state != OrderState.SENT.value or not line.open_quantity:
        raise Conflict(
            f"Nothing more of {line.part.number} is to come on {order}: it is "
            f"{OrderState(order.state).label}.",
            code="not_open",
        )


def _require_draft(order: Order) -> None:
    if order.state != OrderState.DRAFT.value:
        raise Conflict(
            f"{order} is {OrderState(order.state).label}. Only a draft can be changed: send it "
            "back first.",
            code="no_draft",
        )


def _require_active(supplier: Supplier) -> None:
    if not supplier.active:
        raise Conflict(
            f"{supplier} is not bought from any more. Tick that it is again, or choose another.",
            code="not_active",
        )


def _require_buyer_or_approver(actor: User, order: Order) -> None:
    try:
        require(actor, Capability.BUY, order.store.site)
    except NotAllowed:
        require(actor, Capability.APPROVE_ORDERS, order.store.site)
