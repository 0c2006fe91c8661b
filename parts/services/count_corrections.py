"""The correction that follows a count: what it takes back, and what it refuses.

For parts.services.counts, which asks who may.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal

from django.db.models import Q, Sum
from django.db.models.functions import Coalesce

from fleet.faults import Conflict
from fleet.models import User
from parts.models import BatchLevel, Count, CountLine, Demand, Movement, StockLevel, Transfer
from parts.rules.batches import is_expired
from parts.rules.counting import Promise, promises_to_release
from parts.rules.lifecycle import DemandState, MovementKind, TransferState
from parts.rules.urgency import Urgency
from parts.services import ledger, stock, transfers

_CENT = Decimal("0.0001")
_LAST: Urgency = (date.max, datetime.max.replace(tzinfo=UTC), 0)


@dataclass(frozen=True)
class Held:
    """A line with all that its correction may touch, locked."""

    count: Count
    line: CountLine
    level: StockLevel
    # The levels of the stores to which some of it is promised, by (store, part).
    levels: dict[tuple[int, int], StockLevel]
    promised: list[Transfer]


def hold(line: CountLine) -> Held:
    """Locks the line's level, planned transfers from it with their receivers' levels, the count."""
    store_id, part_id = line.count.store_id, line.part_id
    planned = Transfer.objects.filter(
        from_store=store_id, part=part_id, state=TransferState.PLANNED.value
    )
    receivers = planned.values_list("to_store_id", flat=True)
    levels = ledger.lock_all_levels([(store_id, part_id), *((to, part_id) for to in receivers)])
    promised = list(planned.select_for_update(of=("self",)).order_by("pk"))
    if any((transfer.to_store_id, part_id) not in levels for transfer in promised):
        raise Conflict(
            "Some of this part was promised to another store just now. Try again.", code="try_again"
        )
    count = (
        Count.objects.select_for_update(of=("self",))
        .select_related("store__site")
        .get(pk=line.count_id)
    )
    row = (
        CountLine.objects.select_for_update(of=("self",))
        .select_related("part", "batch", "counted_by")
        .get(pk=line.pk)
    )
    row.count = count
    return Held(count, row, levels[store_id, part_id], levels, promised)


def on_record(level: StockLevel, batch_id: int | None) -> int:
    """What the ledger says of one batch on a locked level; None: of what lies without a batch."""
    rows = BatchLevel.objects.filter(store=level.store_id, batch__part=level.part_id)
    if batch_id is not None:
        rows = rows.filter(batch=batch_id)
    total: int = rows.aggregate(total=Coalesce(Sum("on_hand"), 0))["total"]
    return total if batch_id is not None else level.on_hand - total


def piece_value(level: StockLevel) -> Decimal:
    """What a piece on a locked level is worth; of an empty one, what the last that moved was."""
    if level.on_hand:
        return ledger.average_cost(level)
    last = (
        Movement.objects.filter(store=level.store_id, part=level.part_id)
        .exclude(on_hand_change=0)
        .exclude(value_change=0)
        .order_by("-id")
        .first()
    )
    return (last.value_change / last.on_hand_change).quantize(_CENT) if last else Decimal(0)


def correct(held: Held, *, by: User, at: datetime) -> None:
    """Applies the difference of a counted line to the ledger as it is now.

    Takes back the least urgent promises that no longer fit, and serves who waits. Raises Conflict
    when the difference cannot be applied any more.
    """
    line, level = held.line, held.level
    difference = (line.counted or 0) - (line.expected or 0)
    _refuse_what_moved_on(held, difference)
    if difference < 0:
        _release_what_no_longer_fits(held, difference, by=by, at=at)
    line.movement = ledger.append(
        level,
        MovementKind.CORRECTION,
        difference,
        by=by,
        at=at,
        batch=line.batch_id,
        # Onto an empty shelf there is no average to come in at.
        unit_cost=None if level.on_hand else line.unit_value,
        reason=line.reason,
    )
    line.save(update_fields=["movement"])
    stock.settle(level, by=by, at=at)


def _refuse_what_moved_on(held: Held, difference: int) -> None:
    line, level = held.line, held.level
    of_the_same = Q(batch=line.batch_id) | Q(batch=None, count_line=None)
    if Movement.objects.filter(
        of_the_same,
        store=level.store_id,
        part=level.part_id,
        kind=MovementKind.CORRECTION.value,
        at__gt=line.counted_at,
    ).exists():
        raise Conflict(
            f"{line.part.number} was corrected after this count, so the difference may be in the "
            "ledger already. Send the line back and have it counted again.",
            code="corrected_since",
        )
    there = on_record(level, line.batch_id)
    if difference < 0 and there + difference < 0:
        what = f"batch {line.batch.code} of {line.part.number}" if line.batch else line.part.number
        raise Conflict(
            f"{-difference} fewer of {what} were counted than the ledger had, and only {there} are "
            "left in it by now: some have gone out since. Send the line back and have it counted "
            "again.",
            code="moved_since",
        )


def _release_what_no_longer_fits(held: Held, difference: int, *, by: User, at: datetime) -> None:
    line, level, today = held.line, held.level, at.date()
    site = level.store.site.name
    expired = ledger.expired_of(level, today)
    if line.batch is not None and is_expired(line.batch.expires_on, today):
        expired += difference
    usable = level.on_hand + difference - expired
    if level.reserved <= usable:
        return
    reserved = {
        demand.pk: demand
        for demand in Demand.objects.select_for_update(of=("self",))
        .filter(
            Q(site=level.store.site_id, state=DemandState.RESERVED.value)
            & (Q(supplied_part=level.part_id) | Q(supplied_part=None, part=level.part_id))
            | Q(pk__in=[transfer.demand_id for transfer in held.promised])
        )
        .select_related("inspection__need", "part", "supplied_part")
        .order_by("pk")
    }
    promised = {transfer.pk: transfer for transfer in held.promised}
    ranked: list[tuple[Urgency, Promise]] = [
        (stock.urgency_of(demand), Promise(("demand", demand.pk), demand.quantity))
        for demand in reserved.values()
        if demand.state == DemandState.RESERVED.value
    ]
    for transfer in promised.values():
        waits = reserved.get(transfer.demand_id or 0)
        urgent = stock.urgency_of(waits) if waits is not None else _LAST
        ranked.append((urgent, Promise(("transfer", transfer.pk), transfer.quantity)))
    ranked.sort(key=lambda pair: pair[0])
    for promise in promises_to_release([promise for _, promise in ranked], usable):
        kind, pk = promise.key
        why = f"The count of {at.day} {at:%b %Y} at {site} found fewer than there were on record."
        if kind == "transfer":
            transfer = promised[pk]
            transfers.call_off(transfer, level, why, at, by)
            waits = reserved.get(transfer.demand_id or 0)
            if waits is not None and waits.transfer_id == transfer.pk:
                waits.transfer = waits.expected_on = None
                ledger.move_demand(
                    waits,
                    DemandState.SHORT,
                    f"{why} The transfer is called off.",
                    by=by,
                    at=at,
                    fields=["transfer", "expected_on"],
                )
            stock.settle(held.levels[transfer.to_store_id, level.part_id], by=by, at=at)
        else:
            demand = reserved[pk]
            ledger.release(level, demand, by=by, at=at, reason=why)
            ledger.move_demand(
                demand, DemandState.SHORT, f"{why} The reservation is taken back.", by=by, at=at
            )
