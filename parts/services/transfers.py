"""Parts on their way from one store to another: asked or planned, sent, received.

A planned transfer is a promise of the giving store: it is reserved there. Sent, it is on its way
to the receiving store; received, it lies there, and what did not come is written off with a
reason. A transfer leaves the state of planned only under the lock of the giver's level, and ends
under that of the receiver's. Value goes out at the giver's average and comes in as it went out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault
from fleet.models import User
from fleet.roles import Capability
from parts.models import Demand, Movement, Part, StockLevel, Store, Transfer
from parts.money_selectors import rates
from parts.pulling_selectors import Scan, meant_by, read_scan
from parts.rules.lifecycle import (
    WAITING,
    DemandState,
    MovementKind,
    TransferState,
    require_transfer_move,
)
from parts.rules.money import convert
from parts.services import ledger, stock
from parts.services.scans import batch_to_take, what_it_is

# --- For planning: on levels that the caller has locked -----------------------------------------


def plan_transfer(
    level_from: StockLevel,
    level_to: StockLevel,
    quantity: int,
    demand: Demand | None,
    why: str,
    expected_on: date | None,
    at: datetime,
    *,
    by: User | None = None,
) -> Transfer:
    """Promises stock of one store to another; both levels must be locked.

    demand: whom it is for; the caller moves it on. by: who asked for it; None: planning.
    Raises Conflict when the giver has fewer free, not counting what has expired.
    """
    free = ledger.free_of(level_from, at.date())
    if free < quantity:
        raise Conflict(
            f"{level_from.store.site.name} has {max(free, 0)} of {level_from.part.number} free: "
            f"{quantity} cannot be promised. Ask for fewer, or ask another site.",
            field="quantity",
            code="not_enough_stock",
        )
    transfer = Transfer.objects.create(
        from_store=level_from.store,
        to_store=level_to.store,
        part=level_from.part,
        quantity=quantity,
        demand=demand,
        state=TransferState.PLANNED.value,
        why=ledger.why_sentence(why),
        raised_by=by,
        raised_at=at,
        expected_on=expected_on,
    )
    ledger.append(level_from, MovementKind.RESERVATION, quantity, by=by, at=at, transfer=transfer)
    return transfer


def call_off(
    transfer: Transfer, level_from: StockLevel, why: str, at: datetime, by: User | None
) -> Transfer:
    """Takes back the promise of a planned transfer; its giver's level must be locked.

    The caller moves its demand on and serves who waits at the giver. Raises Conflict when it is
    no longer planned: what is sent has to arrive.
    """
    return _take_back(transfer, level_from, TransferState.CANCELLED, why, at=at, by=by)


def _take_back(
    transfer: Transfer,
    level_from: StockLevel,
    state: TransferState,
    why: str,
    *,
    at: datetime,
    by: User | None,
) -> Transfer:
    row = _locked(transfer)
    require_transfer_move(TransferState(row.state), state)
    ledger.append(
        level_from,
        MovementKind.RELEASE,
        row.quantity,
        by=by,
        at=at,
        transfer=row,
        reason=ledger.why_sentence(why)[:200],
    )
    row.why = ledger.why_sentence(f"{state.label.capitalize()}: {why} Planned because: {row.why}")
    return _advance(row, state, "why")


def _locked(transfer: Transfer) -> Transfer:
    return (
        Transfer.objects.select_for_update(of=("self",))
        .select_related("from_store__site", "to_store__site", "part")
        .get(pk=transfer.pk)
    )


def _advance(row: Transfer, state: TransferState, *fields: str) -> Transfer:
    row.state = state.value
    row.version += 1
    row.save(update_fields=["state", "version", *fields])
    return row


# --- What people do -----------------------------------------------------------------------------


@transaction.atomic
def ask_transfer(
    *,
    actor: User,
    from_store: Store,
    to_store: Store,
    part: Part,
    quantity: int,
    why: str,
    now: datetime | None = None,
) -> Transfer:
    """Asks another store for parts, which are reserved there at once.

    Needs keep_stock at the receiving site. Locks both levels. Raises Conflict when the other
    store has fewer free, Fault for an odd quantity, no reason, or one's own store.
    """
    require(actor, Capability.KEEP_STOCK, to_store.site)
    stock.require_quantity(quantity)
    reason = _why(why)
    if from_store.pk == to_store.pk:
        raise Fault("Ask another store than your own.", field="from_site_name", code="own_store")
    at = now or timezone.now()
    levels = ledger.lock_all_levels([(from_store.pk, part.pk), (to_store.pk, part.pk)])
    transfer = plan_transfer(
        levels[from_store.pk, part.pk],
        levels[to_store.pk, part.pk],
        quantity,
        None,
        f"{actor} asks: {reason}",
        None,
        at,
        by=actor,
    )
    ledger.plan_again([part.pk], site=to_store.site)
    return transfer


def _why(text: str, field: str = "why") -> str:
    why = text.strip()
    if not why:
        raise Fault("Say why: the other store reads it.", field=field, code="required")
    if len(why) > 200:
        raise Fault("The reason has more than 200 characters; shorten it.", field=field)
    return why


@transaction.atomic
def send(
    *,
    actor: User,
    transfer: Transfer,
    scanned_number: str,
    batch_code: str = "",
    confirmed: bool = False,
    now: datetime | None = None,
) -> Transfer:
    """Takes the parts of a planned transfer off the giver's shelf and puts them on their way.

    scanned_number: any number of the part, or our shelf label `NUMBER/BATCH`. batch_code: of a
    part that ages, when the label does not carry it; what expires first goes first. confirmed:
    the clerk was asked about the batch and goes on. Needs keep_stock at the giving site. Locks
    both levels and the transfer. Raises Fault for the wrong part, Conflict when it is not planned
    any more or too few may still be sent; for a batch as parts.services.scans.batch_to_take.
    """
    require(actor, Capability.KEEP_STOCK, transfer.from_store.site)
    at = now or timezone.now()
    level_from, level_to = _both_levels(transfer)
    row = _locked(transfer)
    require_transfer_move(TransferState(row.state), TransferState.SENT)
    scan = read_scan(scanned_number)
    _require_part(level_from, scan)
    _require_usable(level_from, row.quantity, at.date())
    batch = batch_to_take(
        level_from,
        code=batch_code.strip().upper() or scan.batch,
        quantity=row.quantity,
        confirmed=confirmed,
        today=at.date(),
    )
    ledger.take_out(
        level_from,
        MovementKind.TRANSFER_OUT,
        row.quantity,
        by=actor,
        at=at,
        batch=batch,
        transfer=row,
    )
    ledger.append(level_to, MovementKind.TRANSFER_DUE, row.quantity, by=actor, at=at, transfer=row)
    row.sent_by, row.sent_at = actor, at
    _advance(row, TransferState.SENT, "sent_by", "sent_at")
    ledger.plan_again([row.part_id], site=row.to_store.site)
    return row


def _both_levels(transfer: Transfer) -> tuple[StockLevel, StockLevel]:
    start = (transfer.from_store_id, transfer.part_id)
    end = (transfer.to_store_id, transfer.part_id)
    levels = ledger.lock_all_levels([start, end])
    return levels[start], levels[end]


def _require_part(level: StockLevel, scan: Scan) -> None:
    if level.part_id not in meant_by(scan, level.store_id):
        where = f"bin {level.bin}" if level.bin else f"{level.store} (no bin on record)"
        raise Fault(
            f"You scanned {what_it_is(scan)}. The transfer asks for {level.part.number} "
            f"({level.part.name}) from {where}. Put that one back and scan this one.",
            field="scanned_number",
            code="wrong_part",
        )


def _require_usable(level: StockLevel, quantity: int, today: date) -> None:
    usable = level.on_hand - ledger.expired_of(level, today)
    if usable < quantity:
        raise Conflict(
            f"{quantity} are asked for, but only {usable} of {level.on_hand} have not expired. "
            "Refuse the transfer, and scrap what has expired on the page of the stock.",
            field="scanned_number",
            code="expired",
        )


@dataclass(frozen=True, slots=True)
class SentLot:
    """What of one batch is on its way. batch: its id, code "" and None for parts without one."""

    batch: int | None
    code: str
    expires_on: date | None
    quantity: int
    # In the giver's currency.
    value: Decimal


def sent_lots(transfer: Transfer) -> list[SentLot]:
    """What a sent transfer carries, batch by batch, what expires first first."""
    rows = (
        Movement.objects.filter(transfer=transfer, kind=MovementKind.TRANSFER_OUT.value)
        .order_by("batch__expires_on", "id")
        .values_list(
            "batch_id", "batch__code", "batch__expires_on", "on_hand_change", "value_change"
        )
    )
    return [SentLot(pk, code or "", ends, -count, -value) for pk, code, ends, count, value in rows]


@transaction.atomic
def receive(
    *,
    actor: User,
    transfer: Transfer,
    received: Mapping[str, int] | None = None,
    reason: str = "",
    bin: str | None = None,
    now: datetime | None = None,
) -> Transfer:
    """Puts what arrived on the receiver's shelf, and serves who waits for it.

    Needs keep_stock at the receiving site. Locks the receiver's level and the transfer. received:
    batch code ("" for parts without one) -> how many came; a batch that is left out did not come;
    None: all came. bin: where they lie from now on; None leaves it as it is. Whatever did not
    come is lost, with its reason. Raises Fault for more than was sent or a missing reason,
    Conflict when it is not under way.
    """
    require(actor, Capability.KEEP_STOCK, transfer.to_store.site)
    reason = stock.tidy_reason(reason, needed=False)
    at = now or timezone.now()
    level = ledger.lock_levels(transfer.to_store, [transfer.part_id])[transfer.part_id]
    row = _locked(transfer)
    require_transfer_move(TransferState(row.state), TransferState.RECEIVED)
    lots = sent_lots(row)
    came = _counted(lots, received)
    lost = row.quantity - sum(came.values())
    if lost and not reason:
        raise Fault(
            f"{lost} of {row.quantity} did not come: say why. The ledger keeps the reason.",
            field="reason",
            code="required",
        )
    if bin is not None:
        stock.set_bin(level, bin)
    for lot in lots:
        if came[lot.code]:
            ledger.append(
                level,
                MovementKind.TRANSFER_IN,
                came[lot.code],
                by=actor,
                at=at,
                batch=lot.batch,
                unit_cost=_unit_cost(row, lot, at.date()),
                transfer=row,
            )
    if lost:
        ledger.append(
            level,
            MovementKind.TRANSFER_LOSS,
            lost,
            by=actor,
            at=at,
            transfer=row,
            reason=reason,
        )
    row.received_by, row.received_at, row.received_quantity = actor, at, row.quantity - lost
    _advance(row, TransferState.RECEIVED, "received_by", "received_at", "received_quantity")
    _set_free(row, f"{row.quantity - lost} came from {row.from_store.site.name}.", by=actor, at=at)
    stock.settle(level, by=actor, at=at)
    return row


def _counted(lots: list[SentLot], received: Mapping[str, int] | None) -> dict[str, int]:
    if received is None:
        return {lot.code: lot.quantity for lot in lots}
    given = {code.strip().upper(): quantity for code, quantity in received.items()}
    sent = {lot.code: lot.quantity for lot in lots}
    for code, quantity in given.items():
        if code not in sent:
            known = ", ".join(code or "no batch" for code in sent)
            raise Fault(
                f"No batch '{code[:40]}' was sent with this transfer, but: {known}. Compare the "
                "label, and set aside what does not belong to it.",
                field="received",
                code="other_batch",
            )
        if not 0 <= quantity <= sent[code]:
            of = f" of batch {code}" if code else ""
            raise Fault(
                f"{sent[code]}{of} were sent: give a number from 0 to {sent[code]}. What came "
                "beside them is received on its own.",
                field="received",
                code="quantity",
            )
    return {code: given.get(code, 0) for code in sent}


def _unit_cost(transfer: Transfer, lot: SentLot, today: date) -> Decimal | None:
    """What a piece of it is worth to the receiver; None: what those on his shelf are."""
    start, end = transfer.from_store.currency, transfer.to_store.currency
    value = convert(lot.value, start, end, today, () if start == end else rates())
    return None if value is None else value / lot.quantity


@transaction.atomic
def refuse(*, actor: User, transfer: Transfer, why: str, now: datetime | None = None) -> Transfer:
    """The giver cannot spare it after all. Planning does not ask that store again for the demand.

    Needs keep_stock at the giving site. Locks both levels, the transfer, its demand.
    """
    require(actor, Capability.KEEP_STOCK, transfer.from_store.site)
    reason = _why(why)
    level_from, _level_to = _both_levels(transfer)
    said = f"{transfer.from_store.site.name} cannot spare it: {_ended(reason)}"
    return _end(transfer, level_from, TransferState.REFUSED, said, actor=actor, now=now)


@transaction.atomic
def cancel(*, actor: User, transfer: Transfer, why: str, now: datetime | None = None) -> Transfer:
    """What was asked for is no longer wanted. Needs keep_stock at the receiving site.

    Locks both levels and the transfer. Raises Conflict for a transfer that planning made for a
    demand: it would only ask again.
    """
    require(actor, Capability.KEEP_STOCK, transfer.to_store.site)
    reason = _why(why)
    if transfer.demand_id is not None:
        raise Conflict(
            f"This was planned for demand {transfer.demand_id}, which still waits for it: it would "
            "be planned again. Cancel the demand, or let the other store refuse.",
            field="why",
            code="for_a_demand",
        )
    level_from, _level_to = _both_levels(transfer)
    return _end(transfer, level_from, TransferState.CANCELLED, _ended(reason), actor=actor, now=now)


def _ended(reason: str) -> str:
    return reason if reason.endswith(".") else f"{reason}."


def _end(
    transfer: Transfer,
    level_from: StockLevel,
    state: TransferState,
    why: str,
    *,
    actor: User,
    now: datetime | None,
) -> Transfer:
    at = now or timezone.now()
    row = _take_back(transfer, level_from, state, why, at=at, by=actor)
    _set_free(row, why, by=actor, at=at)
    # What it held at the giver is free again, for his own demands first.
    stock.settle(level_from, by=actor, at=at)
    return row


def _set_free(transfer: Transfer, why: str, *, by: User, at: datetime) -> None:
    """The demand no longer waits for this transfer: whoever serves it next decides anew."""
    waiting = (
        Demand.objects.select_for_update(of=("self",))
        .filter(transfer=transfer, state__in=[s.value for s in WAITING])
        .order_by("pk")
    )
    for demand in waiting:
        demand.transfer = demand.expected_on = None
        ledger.move_demand(
            demand,
            DemandState.SHORT,
            why,
            by=by,
            at=at,
            fields=["transfer", "expected_on"],
        )
