"""A kit opened for single parts: from then on its contents are stocked one by one."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault
from fleet.models import User
from fleet.roles import Capability
from parts.models import Batch, KitContent, KitOpening, Part, StockLevel, Store
from parts.rules.batches import first_expired_first_out, is_expired
from parts.rules.lifecycle import MovementKind
from parts.rules.shares import shares
from parts.services import batches, ledger, stock


@transaction.atomic
def open_kit(
    *,
    actor: User,
    store: Store,
    kit: Part,
    why: str,
    batch: Batch | None = None,
    now: datetime | None = None,
) -> KitOpening:
    """Takes one free kit off the shelf and puts all that lies in it there, one by one.

    Needs keep_stock at the store's site. Locks the levels of the kit and of its contents. Contents
    that age get a batch with the code and the dates of the kit's; the value of the kit is divided
    among the contents in proportion to what they are worth on this shelf, or by pieces where that
    is not known of all. batch: the one on the kit's label; None: the one that expires first.
    Raises Conflict when there is no such kit free, or nothing is known to lie in it.
    """
    require(actor, Capability.KEEP_STOCK, store.site)
    why = _reason(why)
    at = now or timezone.now()
    wanted = set(KitContent.objects.filter(kit=kit).values_list("part_id", flat=True))
    levels = ledger.lock_levels(store, {kit.pk, *wanted})
    # Held after the levels, as everywhere: what lies in it stays so until it is opened.
    held = Part.objects.select_for_update(no_key=True).get(pk=kit.pk)
    contents = list(KitContent.objects.filter(kit=held).select_related("part").order_by("part_id"))
    if not held.is_kit or not contents:
        raise Conflict(
            f"Nothing is known to lie in {held.number}. Enter its contents first.",
            field="kit",
            code="no_contents",
        )
    if wanted != {content.part_id for content in contents}:
        raise Conflict(
            f"What lies in {held.number} was changed just now. Look at it, then try again.",
            field="kit",
            code="contents_changed",
        )
    level = levels[held.pk]
    lot = _lot_to_open(level, batch, at)
    if lot is None and any(content.part.ages for content in contents):
        ageing = ", ".join(c.part.number for c in contents if c.part.ages)
        raise Conflict(
            f"{held.number} has no batch, so nobody could tell how old {ageing} in it is. Give "
            "the kit a shelf life and its batch first.",
            field="batch",
            code="no_batch",
        )
    opening = KitOpening.objects.create(
        store=store, kit=held, batch=lot, why=why, opened_by=actor, opened_at=at
    )
    out = ledger.append(
        level,
        MovementKind.KIT_OPENED,
        1,
        by=actor,
        at=at,
        batch=lot.pk if lot else None,
        opening=opening,
        reason=why,
    )
    _put_contents(levels, contents, lot, -out.value_change, opening)
    for part_id in sorted(levels):
        stock.settle(levels[part_id], by=actor, at=at)
    return opening


def _reason(why: str) -> str:
    why = why.strip()
    if not why:
        raise Fault("Say what the kit is opened for.", field="why", code="required")
    if len(why) > 200:
        raise Fault(f"The reason has {len(why)} characters; shorten it to 200.", field="why")
    return why


def _lot_to_open(level: StockLevel, batch: Batch | None, at: datetime) -> Batch | None:
    """The batch that one free kit is taken from; None for one without."""
    today = at.date()
    kit = level.part
    if ledger.free_of(level, today) < 1:
        expired = ledger.expired_of(level, today)
        old = f", {expired} expired" if expired else ""
        raise Conflict(
            f"No {kit.number} is free in {level.store}: {level.on_hand} on hand, {level.reserved} "
            f"reserved{old}. Receive one first, or have one sent.",
            field="kit",
            code="not_enough_stock",
        )
    if batch is not None:
        if batch.part_id != kit.pk:
            raise Fault(f"Batch {batch.code} is not one of {kit.number}.", field="batch")
        if is_expired(batch.expires_on, today):
            raise Conflict(
                f"Batch {batch.code} expired on {batches.shown_day(batch.expires_on)}. Scrap it.",
                field="batch",
                code="expired",
            )
        return batch
    if not kit.ages:
        return None
    lots = first_expired_first_out(ledger.lots_of(level), 1, today)
    return Batch.objects.get(pk=lots[0].batch) if lots and lots[0].batch is not None else None


def _put_contents(
    levels: dict[int, StockLevel],
    contents: Sequence[KitContent],
    lot: Batch | None,
    value: Decimal,
    opening: KitOpening,
) -> None:
    for content, share in zip(contents, shares(value, _weights(levels, contents)), strict=True):
        into = _batch_out_of(lot, content.part) if lot and content.part.ages else None
        ledger.append(
            levels[content.part_id],
            MovementKind.OUT_OF_KIT,
            content.quantity,
            by=opening.opened_by,
            at=opening.opened_at,
            batch=into.pk if into else None,
            unit_cost=share / content.quantity,
            opening=opening,
            reason=opening.why,
        )


def _weights(levels: dict[int, StockLevel], contents: Sequence[KitContent]) -> list[Decimal]:
    """What each of the contents is worth; where that is not known of all, how many pieces."""
    known = [ledger.average_cost(levels[content.part_id]) for content in contents]
    if not all(known):
        known = [Decimal(1)] * len(contents)
    return [cost * content.quantity for cost, content in zip(known, contents, strict=True)]


def _batch_out_of(lot: Batch, part: Part) -> Batch:
    """The batch of a part out of a kit: the kit's code, and a number behind where it is taken.

    Taken: the part was also delivered loose under this code, with another date.
    """
    n, code = 1, lot.code
    while True:
        batch, _created = Batch.objects.get_or_create(
            part=part,
            code=code,
            defaults={
                "cured_on": lot.cured_on,
                "expires_on": lot.expires_on,
                "extended_why": lot.extended_why,
            },
        )
        if batch.expires_on == lot.expires_on:
            return batch
        n += 1
        code = f"{lot.code[:36]}-{n}"
