"""Over the counter and back: pulls, short pulls, pulls undone, returns, and the bench's word.

Nothing is edited: what went wrong is put right by another line of the ledger. Locks in the order
that parts.services.ledger states.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from textwrap import shorten

from django.db import transaction
from django.db.models import Q
from django.db.models.functions import Coalesce
from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault
from fleet.lifecycle import PumpStatus
from fleet.models import Pump, User
from fleet.roles import Capability
from fleet.services.pumps import advance_status
from fleet.services.rows import moment, refuse
from inspections.models import Inspection
from inspections.rules.lifecycle import UNDER_WORK
from parts.models import Demand, DemandStep, Movement, StockLevel, Store, Transfer, TransferQuerySet
from parts.pulling_selectors import read_scan, usable_lots
from parts.rules.batches import is_expired
from parts.rules.lifecycle import (
    WAITING,
    DemandState,
    MovementKind,
    TransferState,
    require_move,
)
from parts.services import ledger, stock, transfers
from parts.services.scans import batch_to_take, scan_faults

RETURN_IT = "Issued before the correction: return it to the store."
_LONGEST_REASON = 200


@transaction.atomic
def pull(
    *,
    actor: User,
    demand: Demand,
    scanned_number: str,
    quantity: int,
    batch_code: str = "",
    confirmed: bool = False,
    now: datetime | None = None,
) -> Demand:
    """Hands the reserved part of one demand out, after the label was scanned.

    scanned_number: any number of the part, or our shelf label `NUMBER/BATCH`. batch_code: of a
    part that ages, when the label does not carry it. confirmed: the clerk was asked about the
    batch and goes on. Needs pull_parts at the demand's site. Locks pump, level, demand. When it
    was the last one of its pump, the pump becomes ready to rebuild. Raises Conflict when the
    demand is not reserved, Fault or Faults for the wrong part, quantity or batch (see
    parts.services.scans.batch_to_take).
    """
    require(actor, Capability.PULL_PARTS, demand.site)
    at = now or timezone.now()
    pump, level, row = _locked(demand)
    _refuse_under_work(pump)
    if level is None or row.state != DemandState.RESERVED.value:
        raise Conflict(_why_not_reserved(row), field="state", code="not_reserved")
    scan = read_scan(scanned_number)
    refuse(scan_faults(row, level, scan, quantity))
    batch = batch_to_take(
        level,
        code=batch_code.strip().upper() or scan.batch,
        quantity=quantity,
        confirmed=confirmed,
        today=at.date(),
    )
    ledger.issue(level, row, by=actor, at=at, batch=batch)
    if pump.status == PumpStatus.AWAITING_PARTS.value and not waits_for_parts(pump):
        advance_status(
            actor=actor,
            pump_id=pump.pk,
            new=PumpStatus.READY_TO_REBUILD,
            why=f"All parts of inspection {row.inspection_id} are issued.",
            now=at,
        )
    return row


def waits_for_parts(pump: Pump) -> bool:
    """Of whichever inspection: a pump is not ready while anything for it is still to come."""
    return Demand.objects.filter(inspection__pump=pump).open().exists()


def _locked(demand: Demand) -> tuple[Pump, StockLevel | None, Demand]:
    """The demand with its pump and its level (None while unmatched), all locked."""
    pump = _locked_pump(demand)
    part_id = _held_part(demand)
    level = None
    if part_id is not None:
        level = ledger.lock_levels(stock.store_of(demand.site), [part_id])[part_id]
    return pump, level, _locked_row(demand, part_id)


def _locked_pump(demand: Demand) -> Pump:
    return Pump.objects.select_for_update(of=("self",)).get(inspections__demands=demand)


def _locked_row(demand: Demand, part_id: int | None) -> Demand:
    row = (
        Demand.objects.select_for_update(of=("self",))
        .select_related("site", "part", "supplied_part", "inspection", "disposition", "issued_by")
        .get(pk=demand.pk)
    )
    if row.pulled_part_id != part_id:
        # Planning put another number in its place between the two reads.
        raise Conflict(
            "What stands in for this part has just changed. Look at the list again.",
            field="scanned_number",
            code="part_changed",
        )
    return row


def _held_part(demand: Demand) -> int | None:
    held: int | None = Demand.objects.values_list(Coalesce("supplied_part", "part"), flat=True).get(
        pk=demand.pk
    )
    return held


def _refuse_under_work(pump: Pump) -> None:
    # A correction may drop the part; and an abandoned inspection puts the pump back to the state
    # it came from, which must still be true then.
    work = Inspection.objects.filter(pump=pump, state__in=[s.value for s in UNDER_WORK]).first()
    if work is not None:
        raise Conflict(
            f"{pump.tag} is on the bench again under inspection {work.pk}, which may change what "
            "it needs. Pull the part when that inspection is signed.",
            code="under_inspection",
        )


def _why_not_reserved(demand: Demand) -> str:
    state = DemandState(demand.state)
    if state is DemandState.ISSUED and demand.issued_at is not None:
        return (
            f"{demand.issued_by} issued this on {moment(demand.issued_at)}. A demand is issued "
            "once; look for the part on the bench."
        )
    if state in WAITING:
        return f"Nothing is reserved for this demand. {demand.why}"
    if state is DemandState.RETURNED:
        return "It was handed out and came back: the bench does not need it."
    if state is DemandState.UNMATCHED:
        return f"There is nothing to pull yet. {demand.why}"
    return f"This demand is cancelled; leave the part on the shelf. {demand.why}"


# --- Fewer on the shelf than the ledger says ----------------------------------------------------


@transaction.atomic
def short_pull(
    *,
    actor: User,
    demand: Demand,
    found: int,
    reason: str,
    batch_code: str = "",
    now: datetime | None = None,
) -> Demand:
    """Fewer lie there than are reserved: issues what was found, and the rest waits again.

    found: 0 up to one less than the demand asks for. Those are issued, and a demand of its own
    carries the rest; with none found the demand itself waits again. The shelf is then known to be
    empty of what can be used: all that was promised from it is released, planned transfers are
    called off, and the count is put right; what has expired stays. batch_code: asked only where
    several batches should lie there. Needs pull_parts at the demand's site. Locks pump, levels,
    transfers, demands. Returns the demand. Raises Conflict when it is not reserved, Fault for an
    odd count or no reason.
    """
    require(actor, Capability.PULL_PARTS, demand.site)
    at = now or timezone.now()
    reason = stock.tidy_reason(reason, needed=True)
    pump, part_id = _locked_pump(demand), _held_part(demand)
    if part_id is None:
        raise Conflict(_why_not_reserved(demand), field="state", code="not_reserved")
    level = _lock_with_receivers(demand, part_id)
    promised = list(
        _planned_from(level.store, part_id).select_for_update(of=("self",)).order_by("pk")
    )
    rows = {
        row.pk: row
        for row in Demand.objects.select_for_update(of=("self",))
        .annotate(wanted=Coalesce("supplied_part", "part"))
        .filter(
            Q(pk=demand.pk)
            | Q(site=demand.site_id, wanted=part_id, state=DemandState.RESERVED.value)
            | Q(transfer__in=promised, state=DemandState.COMING.value)
        )
        .order_by("pk")
    }
    row = _locked_row(demand, part_id)
    del rows[row.pk]
    if row.state != DemandState.RESERVED.value:
        raise Conflict(_why_not_reserved(row), field="state", code="not_reserved")
    if not 0 <= found < row.quantity:
        raise Fault(
            f"Give how many lay there, from 0 to {row.quantity - 1}. If all {row.quantity} are in "
            "your hand, scan the part instead.",
            field="found",
            code="out_of_range",
        )
    if found:
        _refuse_under_work(pump)
    why = shorten(f"Short pull: {reason}", _LONGEST_REASON, placeholder=" …")
    said = f"{why.rstrip('.')}."
    for transfer in promised:
        transfers.call_off(transfer, level, why, at, actor)
    for other in rows.values():
        _wait_again(other, level, f"{said} Nothing is left of it at {level.store}.", at, actor)
    _issue_found(row, level, found, batch_code, why, at, actor)
    _empty(level, why, at, actor)
    ledger.plan_again([part_id], site=row.site)
    return row


def _lock_with_receivers(demand: Demand, part_id: int) -> StockLevel:
    """The level of the demand, locked together with those that planned transfers would go to."""
    store = stock.store_of(demand.site)
    planned = _planned_from(store, part_id).values_list("to_store", "part")
    here, receivers = (store.pk, part_id), set(planned.all())
    level = ledger.lock_all_levels({here, *receivers})[here]
    if set(planned.all()) - receivers:
        raise Conflict(
            "Another store was promised some of this part at this very moment. Try again.",
            code="just_promised",
        )
    return level


def _planned_from(store: Store, part_id: int) -> TransferQuerySet:
    return Transfer.objects.filter(
        from_store=store, part=part_id, state=TransferState.PLANNED.value
    )


def _wait_again(demand: Demand, level: StockLevel, why: str, at: datetime, by: User) -> None:
    if demand.state == DemandState.RESERVED.value:
        ledger.release(level, demand, by=by, at=at, reason=why[:_LONGEST_REASON])
    demand.transfer = demand.expected_on = None
    ledger.move_demand(
        demand, DemandState.SHORT, why, by=by, at=at, fields=["transfer", "expected_on"]
    )


def _issue_found(
    row: Demand,
    level: StockLevel,
    found: int,
    batch_code: str,
    why: str,
    at: datetime,
    by: User,
) -> None:
    if not found:
        _wait_again(row, level, f"{why.rstrip('.')}. None of {row.quantity} lay there.", at, by)
        return
    batch = None
    if batch_code or (level.part.ages and len(usable_lots(level, at.date())) > 1):
        batch = batch_to_take(
            level,
            code=batch_code.strip().upper(),
            quantity=found,
            confirmed=True,
            today=at.date(),
        )
    rest = row.quantity - found
    ledger.append(level, MovementKind.RELEASE, rest, by=by, at=at, demand=row, reason=why)
    row.quantity = found
    row.save(update_fields=["quantity"])
    ledger.issue(level, row, by=by, at=at, batch=batch)
    waiting = Demand.objects.create(
        site=row.site,
        inspection=row.inspection,
        disposition=row.disposition,
        rest_of=row,
        part=row.part,
        alternatives_allowed=row.alternatives_allowed,
        quantity=rest,
        state=DemandState.SHORT.value,
        why=ledger.why_sentence(f"{why.rstrip('.')}. {found} of {found + rest} lay there."),
        # It has waited as long as the whole.
        raised_at=row.raised_at,
    )
    DemandStep.objects.create(demand=waiting, state=waiting.state, why=waiting.why, by=by, at=at)


def _empty(level: StockLevel, why: str, at: datetime, by: User) -> None:
    """Puts the count right: nothing that can be used lies there, whatever the ledger said."""
    for lot in usable_lots(level, at.date()):
        ledger.append(
            level,
            MovementKind.CORRECTION,
            -lot.quantity,
            by=by,
            at=at,
            batch=lot.batch.pk if lot.batch else None,
            reason=why,
        )


# --- Back over the counter ----------------------------------------------------------------------


@transaction.atomic
def undo_pull(*, actor: User, demand: Demand, why: str, now: datetime | None = None) -> Demand:
    """Takes a mistaken pull back by counter-entry: the parts lie there again, still reserved.

    They go back to the batches and at the value they left with. Needs pull_parts at the demand's
    site. Locks pump, level, demand. The pump waits for its parts again. Raises Conflict when
    nothing is issued, the technician has confirmed it, or the pump has gone on.
    """
    require(actor, Capability.PULL_PARTS, demand.site)
    at = now or timezone.now()
    why = stock.tidy_reason(why, needed=True)
    pump, level, row = _locked(demand)
    if level is None or row.state != DemandState.ISSUED.value:
        raise Conflict(
            f"This demand is {DemandState(row.state).label}: there is no pull to undo.",
            field="state",
            code="not_issued",
        )
    if row.confirmed_at is not None:
        raise Conflict(
            f"{row.confirmed_by} has it in hand since {moment(row.confirmed_at)}. Have it brought "
            "back, and take it in as a return.",
            field="state",
            code="confirmed",
        )
    if row.why == RETURN_IT:
        raise Conflict(
            "No inspection asks for it any more. Take it in as a return.",
            field="state",
            code="not_wanted",
        )
    _refuse_under_work(pump)
    if pump.status not in (PumpStatus.READY_TO_REBUILD, PumpStatus.AWAITING_PARTS):
        raise Conflict(
            f"{pump.tag} is {PumpStatus(pump.status).label}: it has gone on with this part. Take "
            "the part in as a return if it comes back.",
            code="pump_gone_on",
        )
    _take_back(row, level, why, at, actor)
    row.issue_no += 1
    ledger.append(level, MovementKind.RESERVATION, row.quantity, by=actor, at=at, demand=row)
    row.issued_at = row.issued_by = None
    ledger.move_demand(
        row,
        DemandState.RESERVED,
        f"Pull undone: {why}",
        by=actor,
        at=at,
        fields=["issued_at", "issued_by", "issue_no"],
    )
    advance_status(
        actor=actor,
        pump_id=pump.pk,
        new=PumpStatus.AWAITING_PARTS,
        why=f"A pull for inspection {row.inspection_id} is undone.",
        now=at,
    )
    return row


@transaction.atomic
def return_issued(
    *, actor: User, demand: Demand, why: str, fit_for_stock: bool, now: datetime | None = None
) -> Demand:
    """Takes in what the bench does not need: back to its shelf, or scrapped if it is not fit.

    It comes in at the value and to the batches it left with. Needs pull_parts at the demand's
    site. Locks pump, level, demand; who waits for the part is served. Raises Conflict when it is
    not issued, or would go back to a batch that has expired meanwhile.
    """
    require(actor, Capability.PULL_PARTS, demand.site)
    at = now or timezone.now()
    why = stock.tidy_reason(why, needed=True)
    _pump, level, row = _locked(demand)
    require_move(DemandState(row.state), DemandState.RETURNED)
    if level is None:
        raise Conflict("No part is known for this demand.", field="state", code="not_issued")
    back = _take_back(row, level, why, at, actor)
    gone = [m.batch for m in back if m.batch and is_expired(m.batch.expires_on, at.date())]
    if gone and fit_for_stock:
        raise Conflict(
            f"Batch {gone[0]} has expired meanwhile: it does not go back onto the shelf. Take it "
            "in as not fit for stock.",
            field="fit_for_stock",
            code="expired",
        )
    if not fit_for_stock:
        for movement in back:
            ledger.append(
                level,
                MovementKind.SCRAP,
                movement.on_hand_change,
                by=actor,
                at=at,
                batch=movement.batch_id,
                demand=row,
                reason=why,
            )
    how = "back on the shelf" if fit_for_stock else "not fit for stock, scrapped"
    ledger.move_demand(
        row, DemandState.RETURNED, f"{row.quantity} returned, {how}: {why}", by=actor, at=at
    )
    if fit_for_stock:
        stock.settle(level, by=actor, at=at)
    return row


def _take_back(row: Demand, level: StockLevel, why: str, at: datetime, by: User) -> list[Movement]:
    """Appends a return for each line of the last issue, to its batch and at its value."""
    issued = Movement.objects.filter(
        demand=row, kind=MovementKind.ISSUE.value, issue_no=row.issue_no
    ).select_related("batch")
    back = []
    for movement in issued.order_by("id"):
        quantity = -movement.on_hand_change
        returned = ledger.append(
            level,
            MovementKind.RETURN,
            quantity,
            by=by,
            at=at,
            batch=movement.batch_id,
            unit_cost=-movement.value_change / quantity,
            demand=row,
            reason=why,
        )
        returned.batch = movement.batch
        back.append(returned)
    return back


# --- At the bench -------------------------------------------------------------------------------


@transaction.atomic
def confirm_issue(
    *, actor: User, demands: Iterable[Demand], now: datetime | None = None
) -> list[Demand]:
    """The technician has the parts of these demands in hand. Needs inspect at their sites.

    Locks the demands. What is confirmed already stays as it is. Raises Conflict for one that is
    not issued. Returns them by id.
    """
    at = now or timezone.now()
    rows = list(
        Demand.objects.select_for_update(of=("self",))
        .filter(pk__in=[demand.pk for demand in demands])
        .select_related("site", "part", "supplied_part")
        .order_by("pk")
    )
    for row in rows:
        require(actor, Capability.INSPECT, row.site)
    for row in rows:
        if row.state != DemandState.ISSUED.value:
            raise Conflict(
                f"{row.supplied_part or row.part or 'This part'} is "
                f"{DemandState(row.state).label}, not issued: there is nothing to confirm.",
                field="state",
                code="not_issued",
            )
        if row.confirmed_at is not None:
            continue
        row.confirmed_at, row.confirmed_by = at, actor
        why = row.why if row.why == RETURN_IT else f"{actor} has it at the bench. {row.why}"
        ledger.move_demand(
            row,
            DemandState.ISSUED,
            why,
            by=actor,
            at=at,
            fields=["confirmed_at", "confirmed_by"],
        )
    return rows
