"""The stock ledger: the only place that appends to it, and the sums kept beside it.

Every quantity that comes, goes or is promised is one Movement; StockLevel holds the sums, changed
in the same transaction. Locks are taken in one order everywhere: inspection, pump, stock levels
by (store, part), demands by id. A demand that names a part changes only under the lock of its
level, so a receipt and a new demand cannot miss each other.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from textwrap import shorten

from django.db import IntegrityError, connection, transaction
from django.db.models import F
from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault
from fleet.models import Site, User
from fleet.roles import Capability
from parts.lifecycle import EFFECTS, DemandState, MovementKind, require_move
from parts.models import Demand, Movement, Part, StockLevel, Store
from parts.selectors import holders_of

LARGEST_QUANTITY = 1_000_000
LONGEST_WHY = 300


def why_sentence(text: str) -> str:
    """`text` cut to what a demand can hold: site and part names may be long."""
    return shorten(text, LONGEST_WHY, placeholder=" …")


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


def lock_levels(store: Store, part_ids: Iterable[int]) -> dict[int, StockLevel]:
    """The locked levels of these parts by part id, made at nought where there is none yet.

    Call it once per transaction with all parts the transaction will touch.
    """
    wanted = sorted(set(part_ids))
    StockLevel.objects.bulk_create(
        [StockLevel(store=store, part_id=part_id) for part_id in wanted], ignore_conflicts=True
    )
    rows = (
        StockLevel.objects.select_for_update(of=("self",))
        .filter(store=store, part_id__in=wanted)
        .select_related("part", "store__site")
        .order_by("store_id", "part_id")
    )
    return {row.part_id: row for row in rows}


def _append(
    level: StockLevel,
    kind: MovementKind,
    quantity: int,
    *,
    by: User | None,
    at: datetime,
    demand: Demand | None = None,
    reason: str = "",
) -> Movement:
    """Appends one movement and changes the sums; `level` must be locked and is brought up to date.

    quantity: positive, but signed for a count correction. Raises Conflict when the database
    refuses the new sums: it decides, not a look beforehand.
    """
    effect = EFFECTS[kind]
    on_hand, reserved = effect.on_hand * quantity, effect.reserved * quantity
    try:
        with transaction.atomic():
            StockLevel.objects.filter(pk=level.pk).update(
                on_hand=F("on_hand") + on_hand, reserved=F("reserved") + reserved
            )
            movement = Movement.objects.create(
                store_id=level.store_id,
                part_id=level.part_id,
                kind=kind.value,
                on_hand_change=on_hand,
                reserved_change=reserved,
                demand=demand,
                reason=reason,
                by=by,
                at=at,
            )
    except IntegrityError as exc:
        raise _refusal(exc, level, quantity) from exc
    level.on_hand += on_hand
    level.reserved += reserved
    return movement


def _refusal(exc: IntegrityError, level: StockLevel, quantity: int) -> Exception:
    constraint = getattr(getattr(exc.__cause__, "diag", None), "constraint_name", None)
    if constraint not in (
        "parts_stocklevel_never_below_zero",
        "parts_stocklevel_reserved_is_there",
    ):
        return exc
    return Conflict(
        f"{level.store} has {level.on_hand} of {level.part.number} on hand, {level.reserved} of "
        f"them reserved, so {level.available} can be taken: {abs(quantity)} is not possible.",
        field="quantity",
        code="not_enough_stock",
    )


def _require_quantity(quantity: int, *, field: str = "quantity", least: int = 1) -> None:
    if not least <= quantity <= LARGEST_QUANTITY:
        raise Fault(
            f"Give a whole number from {least} to {LARGEST_QUANTITY:,}, not {quantity:,}.",
            field=field,
            code="quantity",
        )


def _reason(text: str, *, needed: bool) -> str:
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
    now: datetime | None = None,
) -> Movement:
    """Puts parts on the shelf and reserves them for demands that wait, oldest first.

    Needs keep_stock at the store's site. Locks the level. bin: where they lie from now on; None
    leaves it as it is. Returns the receipt.
    """
    require(actor, Capability.KEEP_STOCK, store.site)
    _require_quantity(quantity)
    reason = _reason(reason, needed=False)
    at = now or timezone.now()
    level = lock_levels(store, [part.pk])[part.pk]
    if bin is not None:
        _set_bin(level, bin)
    movement = _append(level, MovementKind.RECEIPT, quantity, by=actor, at=at, reason=reason)
    allot(level, by=actor, at=at)
    return movement


def _set_bin(level: StockLevel, bin: str) -> None:
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
    now: datetime | None = None,
) -> Movement:
    """Sets the sum on hand to what was counted on the shelf. Needs keep_stock; locks the level.

    Raises Conflict when fewer were counted than are reserved, or when the count changes nothing.
    """
    require(actor, Capability.KEEP_STOCK, store.site)
    _require_quantity(counted, field="counted", least=0)
    reason = _reason(reason, needed=True)
    at = now or timezone.now()
    level = lock_levels(store, [part.pk])[part.pk]
    if counted < level.reserved:
        raise Conflict(
            f"{level.reserved} of {part.number} are reserved for demands, but {counted} were "
            "counted. First record the pulls of what has already left the shelf, then count "
            "again.",
            field="counted",
            code="below_reserved",
        )
    if counted == level.on_hand:
        raise Conflict(
            f"The ledger says {counted} as well; there is nothing to correct.",
            field="counted",
            code="nothing_to_correct",
        )
    movement = _append(
        level, MovementKind.CORRECTION, counted - level.on_hand, by=actor, at=at, reason=reason
    )
    allot(level, by=actor, at=at)
    return movement


@transaction.atomic
def scrap(
    *,
    actor: User,
    store: Store,
    part: Part,
    quantity: int,
    reason: str,
    now: datetime | None = None,
) -> Movement:
    """Takes unusable parts off the shelf for good. Needs keep_stock; locks the level.

    Raises Conflict when more than the unreserved quantity would go.
    """
    require(actor, Capability.KEEP_STOCK, store.site)
    _require_quantity(quantity)
    reason = _reason(reason, needed=True)
    level = lock_levels(store, [part.pk])[part.pk]
    return _append(
        level, MovementKind.SCRAP, quantity, by=actor, at=now or timezone.now(), reason=reason
    )


# --- Steps of the demand services: they check who may, and hold the locks -----------------------


def allot(level: StockLevel, *, by: User | None, at: datetime) -> None:
    """Reserves what is free for the site's waiting demands, oldest first, and tells the rest why.

    `level` must be locked. A demand is reserved whole or not at all, and a younger one never
    overtakes an older one: a pump that needs four seals would otherwise wait for ever.
    """
    waiting = list(
        Demand.objects.select_for_update(of=("self",))
        .filter(site_id=level.store.site_id, part_id=level.part_id, state=DemandState.SHORT.value)
        .order_by("raised_at", "id")
    )
    site = level.store.site
    blocked = False
    elsewhere: str | None = None
    for demand in waiting:
        if not blocked and level.available >= demand.quantity:
            reserve(level, demand, by=by, at=at)
            continue
        if elsewhere is None:
            elsewhere = _held_elsewhere(level.part, site)
        queue = " Older demands come first." if blocked else ""
        why = why_sentence(
            f"{demand.quantity} needed, {level.available} free of {level.on_hand} on hand at "
            f"{site.name}.{queue} {elsewhere}"
        )
        blocked = True
        if demand.why != why:
            demand.why = why
            demand.version += 1
            demand.save(update_fields=["why", "version"])


def _held_elsewhere(part: Part, site: Site) -> str:
    holders = [h for h in holders_of(part) if h.site_name != site.name]
    if not holders:
        return "No other site has any free."
    return "Free elsewhere: " + ", ".join(f"{h.site_name} {h.available}" for h in holders) + "."


def reserve(level: StockLevel, demand: Demand, *, by: User | None, at: datetime) -> None:
    """Promises stock to one waiting demand; both must be locked."""
    require_move(DemandState(demand.state), DemandState.RESERVED)
    _append(level, MovementKind.RESERVATION, demand.quantity, by=by, at=at, demand=demand)
    demand.state = DemandState.RESERVED.value
    bin = f", bin {level.bin}" if level.bin else ""
    demand.why = why_sentence(f"{demand.quantity} reserved at {level.store.site.name}{bin}.")
    demand.version += 1
    demand.save(update_fields=["state", "why", "version"])


def release(
    level: StockLevel, demand: Demand, *, by: User | None, at: datetime, reason: str
) -> None:
    """Takes the promise back; both must be locked, and the caller moves the demand on."""
    _append(
        level, MovementKind.RELEASE, demand.quantity, by=by, at=at, demand=demand, reason=reason
    )


def issue(level: StockLevel, demand: Demand, *, by: User, at: datetime) -> None:
    """Hands a reserved demand's parts out; both must be locked."""
    require_move(DemandState(demand.state), DemandState.ISSUED)
    _append(level, MovementKind.ISSUE, demand.quantity, by=by, at=at, demand=demand)
    demand.state = DemandState.ISSUED.value
    demand.issued_at, demand.issued_by = at, by
    demand.why = why_sentence(f"{demand.quantity} issued from {level.store}.")
    demand.version += 1
    demand.save(update_fields=["state", "issued_at", "issued_by", "why", "version"])


# --- Proof that the sums are the sums -----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Difference:
    """One store and part whose kept sums disagree with the ledger or with the demands."""

    store: str
    part: str
    on_hand: int
    on_hand_in_ledger: int
    reserved: int
    reserved_in_ledger: int
    reserved_by_demands: int

    def __str__(self) -> str:
        return (
            f"{self.part} in {self.store}: on hand {self.on_hand}, ledger "
            f"{self.on_hand_in_ledger}; reserved {self.reserved}, ledger "
            f"{self.reserved_in_ledger}, demands {self.reserved_by_demands}"
        )


# One statement, so that all three sums are of the same moment while others go on writing.
_COMPARE = """
    WITH ledger AS (
        SELECT store_id, part_id, sum(on_hand_change) AS on_hand, sum(reserved_change) AS reserved
        FROM parts_movement GROUP BY store_id, part_id
    ), promised AS (
        SELECT s.id AS store_id, d.part_id, sum(d.quantity) AS reserved
        FROM parts_demand d JOIN parts_store s ON s.site_id = d.site_id
        WHERE d.state = 'reserved' GROUP BY s.id, d.part_id
    ), compared AS (
        SELECT store_id, part_id,
               coalesce(k.on_hand, 0) AS on_hand, coalesce(l.on_hand, 0) AS ledger_on_hand,
               coalesce(k.reserved, 0) AS reserved, coalesce(l.reserved, 0) AS ledger_reserved,
               coalesce(p.reserved, 0) AS promised
        FROM parts_stocklevel k
        FULL JOIN ledger l USING (store_id, part_id)
        FULL JOIN promised p USING (store_id, part_id)
    )
    SELECT s.name, p.number, c.on_hand, c.ledger_on_hand, c.reserved, c.ledger_reserved, c.promised
    FROM compared c JOIN parts_store s ON s.id = c.store_id JOIN parts_part p ON p.id = c.part_id
    WHERE c.on_hand <> c.ledger_on_hand OR c.reserved <> c.ledger_reserved
       OR c.reserved <> c.promised
    ORDER BY s.name, p.number
"""


def check_ledger() -> list[Difference]:
    """Every store and part whose sums differ from the ledger or the open demands; best empty."""
    with connection.cursor() as cursor:
        cursor.execute(_COMPARE)
        return [
            Difference(name, number, *(int(value) for value in sums))
            for name, number, *sums in cursor.fetchall()
        ]
