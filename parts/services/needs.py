"""When and where the parts of an inspection are wanted, and that one is not wanted any more."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from django.db import transaction
from django.db.models.functions import Coalesce
from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault, Stale
from fleet.lifecycle import PumpStatus
from fleet.models import Pump, User
from fleet.roles import Capability
from fleet.services.pumps import advance_status
from inspections.models import Inspection
from inspections.rules.lifecycle import InspectionState
from parts.models import Demand, Need, StockLevel
from parts.rules.lifecycle import PLANNED, DemandState
from parts.services import ledger, stock
from parts.services.pulling import waits_for_parts

LONGEST_BENCH = 40
LONGEST_WHY = 200
_FURTHEST = timedelta(days=3 * 366)


@transaction.atomic
def set_need(
    *,
    actor: User,
    inspection: Inspection,
    needed_on: date | None,
    bench: str = "",
    version: int | None = None,
    now: datetime | None = None,
) -> Need:
    """By when the parts of an inspection are wanted, and at which bench; then plans them again.

    Needs set_needs at its site. Locks the inspection. needed_on: None: no day is set, so every
    demand with one goes first. version: of the need as it was read; None takes it as it is.
    Raises Fault for a day that is past or years ahead, or a long bench; Stale when somebody else
    changed it; Conflict for an inspection that is abandoned, or that a correction has replaced.
    """
    require(actor, Capability.SET_NEEDS, inspection.site)
    at = now or timezone.now()
    row = Inspection.objects.select_for_update(of=("self",)).get(pk=inspection.pk)
    if row.state in (InspectionState.SUPERSEDED.value, InspectionState.ABANDONED.value):
        raise Conflict(
            f"Inspection {row.pk} is {InspectionState(row.state).label}: nothing waits for it. Set "
            "the day on the newer inspection of this pump.",
            code="not_in_force",
        )
    need = Need.objects.filter(inspection=row).first()
    if version is not None and version != (need.version if need else 0):
        raise Stale(
            "Somebody else has just set when these parts are wanted. Look at it, then set it again."
        )
    bench = " ".join(bench.split())
    before = need.needed_on if need else None
    _refuse_odd(needed_on, bench, before, at.date())
    if need is not None and (need.needed_on, need.bench) == (needed_on, bench):
        return need
    if need is None:
        need = Need(inspection=row, version=0)
    need.needed_on, need.bench = needed_on, bench
    need.set_by, need.set_at = actor, at
    need.version += 1
    need.save()
    waiting = Demand.objects.filter(inspection=row, state__in=[s.value for s in PLANNED])
    if before != needed_on:
        ledger.plan_again(waiting.values_list("part_id", flat=True), site=inspection.site)
    return need


def _refuse_odd(needed_on: date | None, bench: str, before: date | None, today: date) -> None:
    if len(bench) > LONGEST_BENCH:
        raise Fault(f"A bench has at most {LONGEST_BENCH} characters.", field="bench")
    if needed_on is None or needed_on == before:
        return
    if needed_on < today:
        raise Fault("That day is past. Give today or a later day.", field="needed_on", code="past")
    if needed_on - today > _FURTHEST:
        raise Fault(
            "That day is more than three years ahead. Check the year.",
            field="needed_on",
            code="far_ahead",
        )


@transaction.atomic
def cancel_demand(*, actor: User, demand: Demand, why: str, now: datetime | None = None) -> Demand:
    """The bench does not want it any more: what was kept for it is free for others.

    Needs set_needs at the demand's site. Locks pump, level, demand. With the last open one the
    pump is ready to rebuild. Raises Fault without a reason, Conflict when it is issued (then it
    is returned) or settled otherwise.
    """
    require(actor, Capability.SET_NEEDS, demand.site)
    at = now or timezone.now()
    reason = _tidy(why)
    pump = Pump.objects.select_for_update(of=("self",)).get(inspections__demands=demand)
    level, row = _lock(demand)
    state = DemandState(row.state)
    if state is DemandState.ISSUED:
        raise Conflict(
            "It is handed out already. Return it to the store instead.",
            field="state",
            code="issued",
        )
    if state is not DemandState.UNMATCHED and state not in PLANNED:
        raise Conflict(f"This demand is {state.label} already.", field="state", code="illegal_move")
    if state is DemandState.RESERVED and level is not None:
        ledger.release(level, row, by=actor, at=at, reason=reason)
    # The transfer that was planned for it, or its place on an order, is planning's to take back.
    row.transfer = row.order_line = row.expected_on = None
    ledger.move_demand(
        row,
        DemandState.CANCELLED,
        f"Cancelled by {actor}: {reason}",
        by=actor,
        at=at,
        fields=["transfer", "order_line", "expected_on"],
    )
    if level is not None:
        stock.settle(level, by=actor, at=at)
    if pump.status == PumpStatus.AWAITING_PARTS.value and not waits_for_parts(pump):
        advance_status(
            actor=actor,
            pump_id=pump.pk,
            new=PumpStatus.READY_TO_REBUILD,
            why=f"Inspection {row.inspection_id} waits for no part any more.",
            now=at,
        )
    return row


def _tidy(why: str) -> str:
    reason = why.strip()
    if not reason:
        raise Fault("Say why: the demand keeps the reason.", field="why", code="required")
    if len(reason) > LONGEST_WHY:
        raise Fault(f"The reason has more than {LONGEST_WHY} characters; shorten it.", field="why")
    return reason


def _lock(demand: Demand) -> tuple[StockLevel | None, Demand]:
    """The demand with the level of what it holds or waits for; None while it is unmatched."""
    held = Demand.objects.values_list(Coalesce("supplied_part", "part"), flat=True)
    part_id = held.get(pk=demand.pk)
    level = None
    if part_id is not None:
        level = ledger.lock_levels(stock.store_of(demand.site), [part_id])[part_id]
    row = (
        Demand.objects.select_for_update(of=("self",))
        .select_related("site", "part", "supplied_part")
        .get(pk=demand.pk)
    )
    if row.pulled_part_id != part_id:
        # Planning put another number in its place between the two reads.
        raise Conflict(
            "What stands in for this part has just changed. Look at the demand again.",
            code="part_changed",
        )
    return level, row
