"""What comes onto a shelf, leaves it for good, is counted, and who gets what is free."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

from django.db import transaction
from django.db.models.functions import Coalesce
from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault
from fleet.models import Site, User
from fleet.roles import Capability
from parts.models import Batch, Demand, Movement, OrderLine, Part, StockLevel, Store
from parts.rules.lifecycle import WAITING, DemandState, MovementKind
from parts.rules.urgency import Urgency, urgency
from parts.selectors import holders_of
from parts.services import batches, ledger
from parts.services.ledger import lock_levels

LARGEST_QUANTITY = 1_000_000
JUST_RAISED = "Just raised."
JUST_MATCHED = "Just matched."
NOT_LOOKED_AT = frozenset({JUST_RAISED, JUST_MATCHED})
LARGEST_AMOUNT = 1_000_000_000


def open_store(*, actor: User, site: Site, name: str = "") -> Store:
    """The store of a site, made when there is none yet. Needs keep_stock there."""
    require(actor, Capability.KEEP_STOCK, site)
    return store_of(site, name=name)


def store_of(site: Site, *, name: str = "") -> Store:
    """The same for a handler that acts for nobody: a demand must not fail for want of a store."""
    found = Store.objects.select_related("site").filter(site=site).first()
    if found is not None:
        return found
    wanted = name.strip() or f"{site.name} store"
    Store.objects.bulk_create([Store(site=site, name=wanted[:80])], ignore_conflicts=True)
    return Store.objects.select_related("site").get(site=site)


def require_quantity(quantity: int, *, field: str = "quantity", least: int = 1) -> None:
    if not least <= quantity <= LARGEST_QUANTITY:
        raise Fault(
            f"Give a whole number from {least} to {LARGEST_QUANTITY:,}, not {quantity:,}.",
            field=field,
            code="quantity",
        )


def require_amount(amount: Decimal | None, *, field: str) -> Decimal | None:
    """An amount of money as it can be stored. Raises Fault for what cannot."""
    if amount is None:
        return None
    if not amount.is_finite() or not 0 <= amount < LARGEST_AMOUNT:
        raise Fault(f"Give an amount from 0 to {LARGEST_AMOUNT:,}.", field=field, code="amount")
    return amount.quantize(Decimal("0.0001"))


def tidy_reason(text: str, *, needed: bool) -> str:
    reason = text.strip()
    if needed and not reason:
        raise Fault("Say why: the ledger keeps the reason.", field="reason", code="required")
    if len(reason) > 200:
        raise Fault("The reason has more than 200 characters; shorten it.", field="reason")
    return reason


@transaction.atomic
def receive(
    *,
    actor: User,
    store: Store,
    part: Part,
    quantity: int,
    reason: str = "",
    bin: str | None = None,
    batch_code: str = "",
    cured_on: date | None = None,
    expires_on: date | None = None,
    unit_cost: Decimal | None = None,
    now: datetime | None = None,
) -> Movement:
    """Puts parts on the shelf and reserves them for demands that wait, the most urgent first.

    Needs keep_stock at the store's site. Locks the level. bin: where they lie from now on; None
    leaves it as it is. A part that ages needs its batch, and its cure date or expiry when the
    batch is new. unit_cost: a piece, in the store's currency; None: as those on the shelf.
    Returns the receipt.
    """
    require(actor, Capability.KEEP_STOCK, store.site)
    require_quantity(quantity)
    reason = tidy_reason(reason, needed=False)
    at = now or timezone.now()
    level = lock_levels(store, [part.pk])[part.pk]
    batch = batches.batch_for(
        level.part, code=batch_code, cured_on=cured_on, expires_on=expires_on, today=at.date()
    )
    return take_in(
        level,
        quantity,
        by=actor,
        at=at,
        batch=batch,
        unit_cost=require_amount(unit_cost, field="unit_cost"),
        bin=bin,
        reason=reason,
    )


def take_in(
    level: StockLevel,
    quantity: int,
    *,
    by: User,
    at: datetime,
    batch: Batch | None = None,
    unit_cost: Decimal | None = None,
    bin: str | None = None,
    order_line: OrderLine | None = None,
    reason: str = "",
) -> Movement:
    """A receipt onto a locked level, and what follows of it; the caller checks who may."""
    if bin is not None:
        set_bin(level, bin)
    movement = ledger.append(
        level,
        MovementKind.RECEIPT,
        quantity,
        by=by,
        at=at,
        batch=batch.pk if batch else None,
        unit_cost=unit_cost,
        order_line=order_line,
        reason=reason,
    )
    settle(level, by=by, at=at)
    return movement


def settle(level: StockLevel, *, by: User | None, at: datetime) -> None:
    """After any change of what is free on a locked level: serve who waits, and plan again."""
    allot(level, by=by, at=at)
    ledger.plan_again([level.part_id], site=level.store.site)


def set_bin(level: StockLevel, bin: str) -> None:
    bin = bin.strip().upper()
    if len(bin) > 20:
        raise Fault("A bin has at most 20 characters.", field="bin")
    level.bin = bin
    level.save(update_fields=["bin"])


@transaction.atomic
def correct_count(
    *,
    actor: User,
    store: Store,
    part: Part,
    counted: int,
    reason: str,
    batch: Batch | None = None,
    now: datetime | None = None,
) -> Movement:
    """Sets the sum on hand to what was counted on the shelf. Needs keep_stock; locks the level.

    batch: counted are those of this batch alone; a part that lies there by batch needs it. Raises
    Conflict when fewer would be left than are reserved, or when the count changes nothing.
    """
    require(actor, Capability.KEEP_STOCK, store.site)
    require_quantity(counted, field="counted", least=0)
    reason = tidy_reason(reason, needed=True)
    at = now or timezone.now()
    level = lock_levels(store, [part.pk])[part.pk]
    change = counted - _on_record(level, batch, counted)
    left = level.on_hand + change
    if left < level.reserved:
        raise Conflict(
            f"{level.reserved} of {part.number} are reserved for demands and transfers, but by "
            f"this count {left} would be left. First record the pulls of what has already left "
            "the shelf, then count again.",
            field="counted",
            code="below_reserved",
        )
    if change == 0:
        raise Conflict(
            f"The ledger says {counted} as well; there is nothing to correct.",
            field="counted",
            code="nothing_to_correct",
        )
    movement = ledger.append(
        level,
        MovementKind.CORRECTION,
        change,
        by=actor,
        at=at,
        batch=batch.pk if batch else None,
        reason=reason,
    )
    settle(level, by=actor, at=at)
    return movement


def _on_record(level: StockLevel, batch: Batch | None, counted: int) -> int:
    """What the ledger says of what was counted: one batch, or all where none lies by batch."""
    lots = ledger.lots_of(level)
    if batch is not None:
        require_batch_of(level.part, batch)
        return sum(lot.quantity for lot in lots if lot.batch == batch.pk)
    more_of_unknown_age = level.part.ages and counted > level.on_hand
    if more_of_unknown_age or any(lot.batch is not None for lot in lots):
        raise Fault(
            f"{level.part.number} is kept by batch: count one batch at a time, and say which. "
            "What lies there of a new batch is received.",
            field="batch_code",
            code="required",
        )
    return level.on_hand


def require_batch_of(part: Part, batch: Batch) -> None:
    if batch.part_id != part.pk:
        raise Fault(
            f"Batch {batch} is not one of {part.number}. Look at the label again.",
            field="batch_code",
            code="other_batch",
        )


@transaction.atomic
def scrap(
    *,
    actor: User,
    store: Store,
    part: Part,
    quantity: int,
    reason: str,
    batch: Batch | None = None,
    now: datetime | None = None,
) -> Movement:
    """Takes unusable parts off the shelf for good. Needs keep_stock; locks the level.

    batch: which they are of; what has expired goes this way too. Raises Conflict when more than
    the unreserved quantity would go, or the part lies there by batch and none is named.
    """
    require(actor, Capability.KEEP_STOCK, store.site)
    require_quantity(quantity)
    reason = tidy_reason(reason, needed=True)
    if batch is not None:
        require_batch_of(part, batch)
    level = lock_levels(store, [part.pk])[part.pk]
    at = now or timezone.now()
    movement = ledger.append(
        level,
        MovementKind.SCRAP,
        quantity,
        by=actor,
        at=at,
        batch=batch.pk if batch else None,
        reason=reason,
    )
    settle(level, by=actor, at=at)
    return movement


def allot(level: StockLevel, *, by: User | None, at: datetime) -> None:
    """Reserves what is free for the site's waiting demands, the most urgent first.

    `level` must be locked. A demand is reserved whole or not at all, and a less urgent one never
    overtakes: a pump that needs four seals would otherwise wait for ever. Who still has nothing is
    told why; what comes from elsewhere is planning's to say.
    """
    waiting = list(
        Demand.objects.select_for_update(of=("self",))
        .annotate(wanted=Coalesce("supplied_part", "part"))
        .filter(
            site_id=level.store.site_id,
            wanted=level.part_id,
            state__in=[s.value for s in WAITING],
        )
        .select_related("inspection__need", "part")
        .order_by("id")
    )
    if not waiting:
        return
    waiting.sort(key=urgency_of)
    site = level.store.site
    free = ledger.free_of(level, at.date())
    blocked = False
    elsewhere: str | None = None
    for demand in waiting:
        if not blocked and free >= demand.quantity:
            ledger.reserve(level, demand, by=by, at=at)
            free -= demand.quantity
            continue
        # Planning has looked at all stores by the second time, and says it better.
        if demand.state == DemandState.SHORT.value and demand.why in NOT_LOOKED_AT:
            if elsewhere is None:
                elsewhere = _held_elsewhere(level.part, site)
            queue = " More urgent demands come first." if blocked else ""
            why = (
                f"{demand.quantity} needed, {max(free, 0)} free of {level.on_hand} on hand at "
                f"{site.name}.{queue} {elsewhere}"
            )
            ledger.move_demand(demand, DemandState.SHORT, why, by=by, at=at)
        blocked = True


def urgency_of(demand: Demand) -> Urgency:
    """Sort key of a demand read with its inspection's need."""
    need = getattr(demand.inspection, "need", None)
    return urgency(need.needed_on if need else None, demand.raised_at, demand.pk)


def _held_elsewhere(part: Part, site: Site) -> str:
    holders = [h for h in holders_of(part) if h.site_name != site.name]
    if not holders:
        return "No other site has any free."
    return "Free elsewhere: " + ", ".join(f"{h.site_name} {h.available}" for h in holders) + "."
