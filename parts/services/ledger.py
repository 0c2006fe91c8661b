"""The stock ledger: the only place that appends to it, and the sums kept beside it.

Every quantity that comes, goes or is promised is one Movement; StockLevel and BatchLevel hold the
sums, changed in the same transaction. Locks are taken in one order everywhere: inspection, pump,
stock levels by (store, part), then transfers, orders, counts, demands by id. A batch level changes
only under the lock of its stock level. A demand that names a part changes only under the lock of
its level, so a receipt and a new demand cannot miss each other.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from textwrap import shorten

from django.db import IntegrityError, connection, transaction
from django.db.models import F

from fleet.faults import Conflict, Fault
from fleet.models import Site, User
from fleet.plumbing import outbox
from parts.events import SupplyChanged
from parts.models import (
    Batch,
    BatchLevel,
    Demand,
    DemandStep,
    KitOpening,
    Movement,
    OrderLine,
    StockLevel,
    Store,
    Transfer,
)
from parts.rules.batches import Lot, first_expired_first_out, is_expired
from parts.rules.lifecycle import EFFECTS, DemandState, MovementKind, require_move

LONGEST_WHY = 300
# What a level's value can hold; more is a slip of the pen.
LARGEST_VALUE = Decimal(10) ** 12
_CENT = Decimal("0.0001")


def why_sentence(text: str) -> str:
    """`text` cut to what a demand can hold: site and part names may be long."""
    return shorten(text, LONGEST_WHY, placeholder=" …")


def plan_again(part_ids: Iterable[int | None], *, site: Site | None = None) -> None:
    """Asks for the supply of these parts to be planned again; in the caller's transaction."""
    wanted = tuple(sorted({part_id for part_id in part_ids if part_id is not None}))
    if wanted:
        outbox.append_once(SupplyChanged(part_ids=wanted), site=site)


# --- Locks --------------------------------------------------------------------------------------


def lock_levels(store: Store, part_ids: Iterable[int]) -> dict[int, StockLevel]:
    """The locked levels of these parts by part id, made at nought where there is none yet.

    Call it once per transaction with all parts the transaction will touch.
    """
    wanted = set(part_ids)
    rows = lock_all_levels([(store.pk, part_id) for part_id in wanted])
    return {part_id: rows[store.pk, part_id] for part_id in wanted}


def lock_all_levels(wanted: Iterable[tuple[int, int]]) -> dict[tuple[int, int], StockLevel]:
    """The same over several stores: (store id, part id) -> locked level."""
    pairs = sorted(set(wanted))
    if not pairs:
        return {}
    StockLevel.objects.bulk_create(
        [StockLevel(store_id=store_id, part_id=part_id) for store_id, part_id in pairs],
        ignore_conflicts=True,
    )
    rows = (
        StockLevel.objects.select_for_update(of=("self",))
        .filter(
            store_id__in={store_id for store_id, _ in pairs},
            part_id__in={part_id for _, part_id in pairs},
        )
        .select_related("part", "store__site")
        .order_by("store_id", "part_id")
    )
    return {(row.store_id, row.part_id): row for row in rows}


# --- Batches ------------------------------------------------------------------------------------


def lots_of(level: StockLevel) -> list[Lot]:
    """What lies there by batch; what came in without one is a lot of its own."""
    rows = (
        BatchLevel.objects.filter(store=level.store_id, batch__part=level.part_id, on_hand__gt=0)
        .order_by("batch__expires_on", "batch_id")
        .values_list("batch_id", "batch__expires_on", "on_hand")
    )
    lots = [Lot(*row) for row in rows]
    loose = level.on_hand - sum(lot.quantity for lot in lots)
    return [*lots, Lot(None, None, loose)] if loose > 0 else lots


def expired_of(level: StockLevel, today: date) -> int:
    """How many lie there that may no longer be handed out."""
    if not level.part.ages:
        return 0
    return sum(lot.quantity for lot in lots_of(level) if is_expired(lot.expires_on, today))


def free_of(level: StockLevel, today: date) -> int:
    """How many can be promised: on hand, not reserved and not expired. May be below zero."""
    return level.available - expired_of(level, today)


# --- Appending ----------------------------------------------------------------------------------


def average_cost(level: StockLevel) -> Decimal:
    """What a piece on this shelf is worth; 0 for an empty one."""
    return (level.value / level.on_hand).quantize(_CENT) if level.on_hand else Decimal(0)


def _value_change(level: StockLevel, on_hand: int, unit_cost: Decimal | None) -> Decimal:
    if on_hand >= 0:
        cost = average_cost(level) if unit_cost is None else unit_cost
        return (cost * on_hand).quantize(_CENT)
    there: Decimal = level.value
    if -on_hand == level.on_hand:
        return -there
    share = (there * on_hand / level.on_hand) if level.on_hand else Decimal(0)
    return max(share.quantize(_CENT), -there)


def append(
    level: StockLevel,
    kind: MovementKind,
    quantity: int,
    *,
    by: User | None,
    at: datetime,
    batch: int | None = None,
    unit_cost: Decimal | None = None,
    demand: Demand | None = None,
    transfer: Transfer | None = None,
    order_line: OrderLine | None = None,
    opening: KitOpening | None = None,
    reason: str = "",
) -> Movement:
    """Appends one movement and changes the sums; `level` must be locked and is brought up to date.

    quantity: positive, but signed for a count correction. batch: id of the batch it comes from or
    goes to. unit_cost: what a piece that comes in cost, in the store's currency; None: what those
    on the shelf are worth. What goes out goes at moving average.
    Raises Conflict when the database refuses the new sums: it decides, not a look beforehand; and
    when a part without a batch is taken where only batches lie.
    """
    effect = EFFECTS[kind]
    on_hand, reserved = effect.on_hand * quantity, effect.reserved * quantity
    in_transit = effect.in_transit * quantity
    value = _value_change(level, on_hand, unit_cost)
    if level.value + value >= LARGEST_VALUE:
        raise Fault(
            f"{level.part.number} in {level.store} would be worth more than {LARGEST_VALUE:,}. "
            "Check the price and the quantity.",
            field="unit_cost",
            code="amount",
        )
    if on_hand < 0 and batch is None:
        _require_loose(level, -on_hand)
    try:
        with transaction.atomic():
            StockLevel.objects.filter(pk=level.pk).update(
                on_hand=F("on_hand") + on_hand,
                reserved=F("reserved") + reserved,
                in_transit=F("in_transit") + in_transit,
                value=F("value") + value,
            )
            if batch is not None and on_hand:
                _change_batch(level, batch, on_hand)
            movement = Movement.objects.create(
                store_id=level.store_id,
                part_id=level.part_id,
                batch_id=batch,
                kind=kind.value,
                on_hand_change=on_hand,
                reserved_change=reserved,
                in_transit_change=in_transit,
                value_change=value,
                demand=demand,
                issue_no=1 if demand is None else demand.issue_no,
                transfer=transfer,
                order_line=order_line,
                opening=opening,
                reason=reason,
                by=by,
                at=at,
            )
    except IntegrityError as exc:
        raise _refusal(exc, level, quantity) from exc
    level.on_hand += on_hand
    level.reserved += reserved
    level.in_transit += in_transit
    level.value += value
    return movement


def _require_loose(level: StockLevel, quantity: int) -> None:
    """What lies there in batches is taken by batch: else the batches would add up to too much."""
    batched = sum(lot.quantity for lot in lots_of(level) if lot.batch is not None)
    loose = level.on_hand - batched
    # More than there is at all is for the database to refuse.
    if batched and loose < quantity <= level.on_hand:
        raise Conflict(
            f"{batched} of the {level.on_hand} of {level.part.number} in {level.store} lie there "
            f"by batch, {loose} without one. Say which batch it is.",
            field="batch",
            code="batch_needed",
        )


def _change_batch(level: StockLevel, batch: int, on_hand: int) -> None:
    BatchLevel.objects.bulk_create(
        [BatchLevel(store_id=level.store_id, batch_id=batch)], ignore_conflicts=True
    )
    BatchLevel.objects.filter(store=level.store_id, batch=batch).update(
        on_hand=F("on_hand") + on_hand
    )


def _refusal(exc: IntegrityError, level: StockLevel, quantity: int) -> Exception:
    constraint = getattr(getattr(exc.__cause__, "diag", None), "constraint_name", None)
    if constraint == "parts_batchlevel_never_below_zero":
        return Conflict(
            f"{level.store} has fewer of that batch of {level.part.number} than {abs(quantity)}. "
            "Look at the batch on the label again.",
            field="batch",
            code="not_enough_of_batch",
        )
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


def take_out(
    level: StockLevel,
    kind: MovementKind,
    quantity: int,
    *,
    by: User | None,
    at: datetime,
    batch: Batch | None = None,
    demand: Demand | None = None,
    transfer: Transfer | None = None,
    reason: str = "",
) -> list[Movement]:
    """Takes pieces off a shelf: of `batch`, or where none is named those that expire first.

    One movement a batch. Raises Conflict when too few may still be handed out, or the batch is
    of another part or has expired.
    """
    # Parts that no longer age may still lie there by batch: then no date counts.
    today = at.date() if level.part.ages else date.min
    if batch is not None:
        _require_usable(level, batch, today)
        lots: Sequence[Lot] = [Lot(batch.pk, batch.expires_on, quantity)]
    else:
        lots = first_expired_first_out(lots_of(level), quantity, today)
        found = sum(lot.quantity for lot in lots)
        if found < quantity and found < level.on_hand:
            raise Conflict(
                f"{level.store} has {level.on_hand} of {level.part.number}, but only {found} that "
                f"have not expired: {quantity} is not possible. Scrap what has expired.",
                field="quantity",
                code="expired",
            )
        if found < quantity:
            # Too few altogether: what the database says of it is what is told.
            lots = [Lot(None, None, quantity)]
    return [
        append(
            level,
            kind,
            lot.quantity,
            by=by,
            at=at,
            batch=lot.batch,
            demand=demand,
            transfer=transfer,
            reason=reason,
        )
        for lot in lots
    ]


def _require_usable(level: StockLevel, batch: Batch, today: date) -> None:
    if batch.part_id != level.part_id:
        raise Conflict(
            f"Batch {batch} is not one of {level.part.number}. Look at the label again.",
            field="batch",
            code="other_batch",
        )
    if is_expired(batch.expires_on, today):
        raise Conflict(
            f"Batch {batch} of {level.part.number} expired on {batch.expires_on:%d %b %Y}. Do not "
            "fit it: set it aside and take another.",
            field="batch",
            code="expired",
        )


# --- Demands on the ledger: callers check who may, and hold the locks ---------------------------


def move_demand(
    demand: Demand,
    state: DemandState,
    why: str,
    *,
    by: User | None,
    at: datetime,
    fields: Sequence[str] = (),
) -> None:
    """Moves a locked demand on, or says anew why it stays, and keeps that on record.

    fields: other columns the caller has set. What already stands so is left alone.
    """
    why = why_sentence(why)
    if demand.state == state.value and demand.why == why and not fields:
        return
    if demand.state != state.value:
        require_move(DemandState(demand.state), state)
    demand.state, demand.why = state.value, why
    demand.version += 1
    demand.save(update_fields=["state", "why", "version", *fields])
    DemandStep.objects.create(demand=demand, state=state.value, why=why, by=by, at=at)


def reserve(level: StockLevel, demand: Demand, *, by: User | None, at: datetime) -> None:
    """Promises stock to one waiting demand; both must be locked."""
    append(level, MovementKind.RESERVATION, demand.quantity, by=by, at=at, demand=demand)
    bin = f", bin {level.bin}" if level.bin else ""
    instead = ""
    if demand.supplied_part_id is not None and demand.part is not None:
        instead = f" {level.part.number} stands in for {demand.part.number}."
    demand.transfer = demand.order_line = demand.expected_on = None
    move_demand(
        demand,
        DemandState.RESERVED,
        f"{demand.quantity} reserved at {level.store.site.name}{bin}.{instead}",
        by=by,
        at=at,
        fields=["transfer", "order_line", "expected_on"],
    )


def release(
    level: StockLevel, demand: Demand, *, by: User | None, at: datetime, reason: str
) -> None:
    """Takes the promise back; both must be locked, and the caller moves the demand on."""
    append(level, MovementKind.RELEASE, demand.quantity, by=by, at=at, demand=demand, reason=reason)


def issue(
    level: StockLevel, demand: Demand, *, by: User, at: datetime, batch: Batch | None = None
) -> None:
    """Hands a reserved demand's parts out; both must be locked."""
    require_move(DemandState(demand.state), DemandState.ISSUED)
    take_out(level, MovementKind.ISSUE, demand.quantity, by=by, at=at, batch=batch, demand=demand)
    demand.issued_at, demand.issued_by = at, by
    move_demand(
        demand,
        DemandState.ISSUED,
        f"{demand.quantity} issued from {level.store}.",
        by=by,
        at=at,
        fields=["issued_at", "issued_by"],
    )


# --- Proof that the sums are the sums -----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Difference:
    """One kept sum of one store and part that disagrees with what it is the sum of."""

    store: str
    part: str
    what: str
    kept: Decimal
    summed: Decimal

    def __str__(self) -> str:
        return f"{self.part} in {self.store}: {self.what} is kept as {self.kept}, not {self.summed}"


# One statement, so that all sums are of the same moment while others go on writing.
_COMPARE = """
    WITH ledger AS (
        SELECT store_id, part_id, sum(on_hand_change) AS on_hand, sum(reserved_change) AS reserved,
               sum(in_transit_change) AS in_transit, sum(value_change) AS value
        FROM parts_movement GROUP BY store_id, part_id
    ), promised AS (
        SELECT store_id, part_id, sum(quantity) AS reserved FROM (
            SELECT s.id AS store_id, coalesce(d.supplied_part_id, d.part_id) AS part_id, d.quantity
            FROM parts_demand d JOIN parts_store s ON s.site_id = d.site_id
            WHERE d.state = 'reserved'
            UNION ALL
            SELECT from_store_id, part_id, quantity FROM parts_transfer WHERE state = 'planned'
        ) each GROUP BY store_id, part_id
    ), under_way AS (
        SELECT to_store_id AS store_id, part_id, sum(quantity) AS in_transit
        FROM parts_transfer WHERE state = 'sent' GROUP BY to_store_id, part_id
    ), batched AS (
        SELECT b.store_id, t.part_id, sum(b.on_hand) AS on_hand FROM parts_batchlevel b
        JOIN parts_batch t ON t.id = b.batch_id GROUP BY b.store_id, t.part_id
    ), batches_moved AS (
        SELECT store_id, batch_id, sum(on_hand_change) AS on_hand FROM parts_movement
        WHERE batch_id IS NOT NULL GROUP BY store_id, batch_id
    ), compared AS (
        SELECT store_id, part_id, k.on_hand, k.reserved, k.in_transit, k.value,
               l.on_hand AS l_on_hand, l.reserved AS l_reserved, l.in_transit AS l_in_transit,
               l.value AS l_value, p.reserved AS promised, u.in_transit AS under_way,
               b.on_hand AS batched
        FROM parts_stocklevel k
        FULL JOIN ledger l USING (store_id, part_id)
        FULL JOIN promised p USING (store_id, part_id)
        FULL JOIN under_way u USING (store_id, part_id)
        FULL JOIN batched b USING (store_id, part_id)
    ), pairs AS (
        SELECT c.store_id, c.part_id, v.what, coalesce(v.kept, 0) AS kept,
               coalesce(v.summed, 0) AS summed
        FROM compared c, LATERAL (VALUES
            ('on hand', c.on_hand::numeric, c.l_on_hand::numeric),
            ('reserved', c.reserved, c.l_reserved),
            ('in transit', c.in_transit, c.l_in_transit),
            ('value', c.value, c.l_value),
            ('reserved, by the demands and transfers,', c.reserved, c.promised),
            ('in transit, by the transfers,', c.in_transit, c.under_way),
            -- What came in without a batch lies beside them, so the batches may be fewer.
            ('on hand in batches', c.batched, least(coalesce(c.batched, 0), coalesce(c.on_hand, 0)))
        ) AS v(what, kept, summed)
        UNION ALL
        SELECT store_id, t.part_id, 'on hand of batch ' || t.code, coalesce(b.on_hand, 0),
               coalesce(m.on_hand, 0)
        FROM parts_batchlevel b FULL JOIN batches_moved m USING (store_id, batch_id)
        JOIN parts_batch t ON t.id = batch_id
    )
    SELECT s.name, p.number, x.what, x.kept, x.summed
    FROM pairs x JOIN parts_store s ON s.id = x.store_id JOIN parts_part p ON p.id = x.part_id
    WHERE x.kept <> x.summed
    ORDER BY s.name, p.number, x.what
"""


def check_ledger() -> list[Difference]:
    """Every kept sum that differs from the ledger, the demands or the transfers; best empty."""
    with connection.cursor() as cursor:
        cursor.execute(_COMPARE)
        return [Difference(*row) for row in cursor.fetchall()]
