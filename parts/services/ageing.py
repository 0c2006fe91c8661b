"""The age of what lies in the stores: a later expiry for a batch, a batch for what has none."""

from __future__ import annotations

from datetime import date, datetime

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from fleet.access import require, require_anywhere
from fleet.faults import Conflict, Fault
from fleet.models import User
from fleet.roles import Capability
from fleet.services.rows import column_faults, locked, refuse, save_next
from parts.models import Batch, BatchLevel, Part, StockLevel, Store
from parts.rules.lifecycle import MovementKind
from parts.services import batches, ledger, stock

LONGEST_WHY = 200


@transaction.atomic
def extend_batch(
    *,
    actor: User,
    level: BatchLevel,
    expires_on: date,
    why: str,
    version: int | None,
    now: datetime | None = None,
) -> Batch:
    """Moves the expiry of a batch that somebody looked at again, in every store that holds it.

    level: some of it in a store of the actor, who needs extend_batches at its site. Locks the
    part's stock level in all these stores, then the batch. Raises Stale when `version` is not the
    batch's; Fault or Conflict for a date no later than today and the old one, or without a reason.
    """
    require(actor, Capability.EXTEND_BATCHES, level.store.site)
    why = why.strip()
    if not why:
        raise Fault("Say why it may be kept longer: who looked at it, and how.", field="why")
    if len(why) > LONGEST_WHY:
        raise Fault(f"The reason has {len(why)} characters; shorten it to 200.", field="why")
    at = now or timezone.now()
    part_id = level.batch.part_id
    holding = BatchLevel.objects.filter(batch=level.batch_id, on_hand__gt=0)
    # What becomes free by this is promised at once, so nobody may be promising meanwhile.
    levels = ledger.lock_all_levels((row.store_id, part_id) for row in holding)
    batch = locked(Batch, level.batch_id, version)
    if expires_on <= batch.expires_on:
        raise Conflict(
            f"Batch {batch.code} expires on {batches.shown_day(batch.expires_on)} as it is. "
            "Enter a later date, or scrap it.",
            field="expires_on",
            code="not_later",
        )
    if expires_on <= at.date():
        raise Fault("Enter a date after today; else scrap the batch.", field="expires_on")
    batch.expires_on, batch.extended_why = expires_on, why
    save_next(batch, "expires_on", "extended_why")
    for each in levels.values():
        stock.settle(each, by=actor, at=at)
    return batch


@transaction.atomic
def put_in_batch(
    *,
    actor: User,
    store: Store,
    part: Part,
    batch_code: str,
    cured_on: date | None = None,
    expires_on: date | None = None,
    now: datetime | None = None,
) -> Batch:
    """Gives what lies in a store without a batch one, so that its age is known.

    Needs keep_stock at the store's site; locks the level. Two count corrections that cancel out.
    Raises Fault or Conflict for a part that does not age, a batch that cannot be, or when all of
    it has its batch already.
    """
    require(actor, Capability.KEEP_STOCK, store.site)
    at = now or timezone.now()
    level = ledger.lock_levels(store, [part.pk])[part.pk]
    batch = batches.batch_for(
        level.part,
        code=batch_code,
        cured_on=cured_on,
        expires_on=expires_on,
        today=at.date(),
        on_the_shelf=True,
    )
    if batch is None:
        raise Conflict(f"{part.number} does not age, so it has no batches.", code="does_not_age")
    if not loose_of(level):
        raise Conflict(f"All of {part.number} in {store} has its batch.", code="nothing_loose")
    _into_batch(level, batch, by=actor, at=at)
    stock.settle(level, by=actor, at=at)
    return batch


@transaction.atomic
def begin_ageing(
    *,
    actor: User,
    part: Part,
    version: int | None,
    shelf_life_months: int,
    batch_code: str,
    cured_on: date,
    now: datetime | None = None,
) -> Part:
    """Gives a part that lies in the stores already a shelf life, and all that lies there one batch.

    cured_on: of the oldest that may be among it, so that nothing is taken for younger than it is.
    Needs keep_catalogue at any site. Locks the part's level in all stores, then the part.
    Raises Stale when `version` is not the part's; Conflict when it ages already, or some of it is
    on its way between stores.
    """
    require_anywhere(actor, Capability.KEEP_CATALOGUE)
    at = now or timezone.now()
    held = StockLevel.objects.filter(part=part).filter(Q(on_hand__gt=0) | Q(in_transit__gt=0))
    levels = ledger.lock_all_levels((row.store_id, part.pk) for row in held)
    row = locked(Part, part.pk, version)
    if row.ages:
        raise Conflict(
            f"{row.number} has a shelf life already. Correct it on its page.", code="ages_already"
        )
    if any(level.in_transit for level in levels.values()):
        raise Conflict(
            f"Some of {row.number} is on its way between stores. Have it received first, then "
            "give it a shelf life.",
            code="in_transit",
        )
    if held.exclude(pk__in=[level.pk for level in levels.values()]).exists():
        raise Conflict(f"Some of {row.number} came in just now. Send it again.", code="moved")
    row.shelf_life_months = shelf_life_months
    refuse(column_faults(row))
    save_next(row, "shelf_life_months")
    batch = batches.batch_for(
        row, code=batch_code, cured_on=cured_on, today=at.date(), on_the_shelf=True
    )
    assert batch is not None  # noqa: S101  # it ages from now on
    for level in levels.values():
        level.part = row
        _into_batch(level, batch, by=actor, at=at)
        stock.settle(level, by=actor, at=at)
    return row


def loose_of(level: StockLevel) -> int:
    """How many lie on a shelf without a batch."""
    return sum(lot.quantity for lot in ledger.lots_of(level) if lot.batch is None)


def _into_batch(level: StockLevel, batch: Batch, *, by: User, at: datetime) -> None:
    loose = loose_of(level)
    if loose <= 0:
        return
    why = f"Put into batch {batch.code}."
    # First in, then out: what is reserved stays covered. The value of the lot, to the last digit.
    ledger.append(
        level,
        MovementKind.CORRECTION,
        loose,
        by=by,
        at=at,
        batch=batch.pk,
        unit_cost=level.value / level.on_hand,
        reason=why,
    )
    ledger.append(level, MovementKind.CORRECTION, -loose, by=by, at=at, reason=why)
