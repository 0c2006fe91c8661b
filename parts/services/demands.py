"""From a signed 'replace' to the part on the bench.

Locks in the order that parts.services.stock states. An unmatched demand names no part, so it has
no level: it changes only under the lock of its pump.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault
from fleet.lifecycle import PumpStatus
from fleet.models import Pump, User
from fleet.roles import Capability
from fleet.services.pumps import advance_status
from fleet.services.rows import moment, refuse
from fleet.vocabulary import Component
from inspections.events import InspectionSigned
from inspections.models import ComponentDisposition, Inspection
from inspections.rules.dispositions import Disposition
from inspections.rules.lifecycle import UNDER_WORK, InspectionState, Reason
from parts.lifecycle import DemandState, require_move
from parts.models import Demand, DemandQuerySet, Fit, Part, StockLevel
from parts.services import stock
from parts.services.catalogue import normalised
from parts.services.stock import why_sentence

_RENEWED = frozenset(d.value for d in Disposition if d.renews)
_IN_FORCE = frozenset({InspectionState.SIGNED.value, InspectionState.SUPERSEDED.value})
RETURN_IT = "Issued before the correction: return it to the store."
# Before the event is handled the pump is still where the signature left it.
_FRESHLY_SIGNED = frozenset({PumpStatus.ON_BENCH.value, PumpStatus.AWAITING_COUNTERSIGNATURE.value})


@transaction.atomic
def raise_for_signed(*, event: InspectionSigned, now: datetime | None = None) -> list[Demand]:
    """Turns each 'replace' of a signed inspection into one demand; for the outbox, nobody's act.

    May run any number of times, late, at once with itself and out of order: a disposition has one
    demand at most, and an inspection that a signed correction has replaced raises none. Demands
    of what the inspection corrects are carried over where they are still wanted; the others are
    cancelled, or flagged for return when already issued. Moves the pump on. Returns the new ones.
    """
    at = now or timezone.now()
    inspection = (
        Inspection.objects.select_for_update(of=("self",))
        .select_related("site", "pump__model")
        .get(pk=event.inspection_id)
    )
    pump = Pump.objects.select_for_update(of=("self",)).get(pk=inspection.pump_id)
    if inspection.state not in _IN_FORCE or _corrected(inspection):
        return []
    decided = list(ComponentDisposition.objects.filter(inspection=inspection).order_by("pk"))
    training = inspection.reason == Reason.TRAINING.value
    scrapped = not training and any(d.decided == Disposition.SCRAP.value for d in decided)
    replaced = [] if scrapped or training else [d for d in decided if d.decided in _RENEWED]

    fits = {
        fit.component: fit
        for fit in Fit.objects.filter(model=inspection.pump.model).select_related("part")
    }
    old_ids = list(
        _superseded_demands(inspection, scrapped=scrapped)
        .order_by("pk")
        .values_list("pk", "part_id")
    )
    wanted_parts = {fits[d.component].part_id for d in replaced if d.component in fits}
    old_parts = {part_id for _pk, part_id in old_ids if part_id is not None}
    store = stock.store_of(inspection.site)
    levels = stock.lock_levels(store, wanted_parts | old_parts)
    old = list(
        Demand.objects.select_for_update(of=("self",))
        .filter(pk__in=[pk for pk, _part_id in old_ids])
        .select_related("disposition")
        .order_by("pk")
    )
    _settle_old(old, inspection, replaced, fits, levels, at=at)
    new = _raise_new(inspection, replaced, fits, at=at)
    for level in levels.values():
        # Also what a cancelled demand set free goes to whoever has waited longest.
        stock.allot(level, by=None, at=at)
    _move_pump(pump, inspection, scrapped=scrapped, at=at)
    for demand in new:
        demand.refresh_from_db()
    return new


def _corrected(inspection: Inspection) -> bool:
    """Whether a correction of this inspection is signed: then its own event settles the demands."""
    return Inspection.objects.filter(supersedes=inspection, state__in=_IN_FORCE).exists()


def _corrected_by(inspection: Inspection) -> list[int]:
    """Ids of all that this inspection corrects, directly or through a correction between.

    Through: the event of the one between may come later than this one's, or have come to nothing.
    """
    found: list[int] = []
    step = inspection.supersedes_id
    while step is not None:
        found.append(step)
        step = Inspection.objects.values_list("supersedes_id", flat=True).get(pk=step)
    return found


def _superseded_demands(inspection: Inspection, *, scrapped: bool) -> DemandQuerySet:
    """Live demands that this inspection's signature puts in question."""
    of_corrected = Q(inspection__in=_corrected_by(inspection))
    if not scrapped:
        return Demand.objects.filter(of_corrected).live()
    # A scrapped pump needs nothing any more, whoever found it needed something.
    open_before = Q(inspection__pump=inspection.pump_id, inspection__lt=inspection) & ~Q(
        state=DemandState.ISSUED.value
    )
    return Demand.objects.filter(of_corrected | open_before, site=inspection.site).live()


def _settle_old(
    old: Sequence[Demand],
    by_inspection: Inspection,
    replaced: Sequence[ComponentDisposition],
    fits: dict[str, Fit],
    levels: dict[int, StockLevel],
    *,
    at: datetime,
) -> None:
    new_by_component = {d.component: d for d in replaced}
    for demand in old:
        disposition = new_by_component.get(demand.disposition.component)
        if disposition is not None and _same_part(demand, fits.get(disposition.component)):
            # Also when issued: the part lies on the bench already and must not be drawn twice.
            demand.disposition, demand.inspection_id = disposition, disposition.inspection_id
            demand.version += 1
            demand.save(update_fields=["disposition", "inspection_id", "version"])
        elif demand.state != DemandState.ISSUED.value:
            why = f"Inspection {by_inspection.pk} no longer asks for it."
            _cancel(demand, levels, at=at, why=why)
        elif demand.why != RETURN_IT:
            demand.why = RETURN_IT
            demand.version += 1
            demand.save(update_fields=["why", "version"])


def _same_part(demand: Demand, fit: Fit | None) -> bool:
    if fit is None:
        return demand.part_id is None
    return demand.part_id == fit.part_id and demand.quantity == fit.quantity


def _cancel(demand: Demand, levels: dict[int, StockLevel], *, at: datetime, why: str) -> None:
    state = DemandState(demand.state)
    require_move(state, DemandState.CANCELLED)
    if state is DemandState.RESERVED and demand.part_id is not None:
        stock.release(levels[demand.part_id], demand, by=None, at=at, reason=why)
    demand.state = DemandState.CANCELLED.value
    demand.why = why
    demand.version += 1
    demand.save(update_fields=["state", "why", "version"])


def _raise_new(
    inspection: Inspection,
    replaced: Sequence[ComponentDisposition],
    fits: dict[str, Fit],
    *,
    at: datetime,
) -> list[Demand]:
    has_one = set(
        Demand.objects.filter(disposition__in=replaced).values_list("disposition_id", flat=True)
    )
    rows = []
    for disposition in replaced:
        if disposition.pk in has_one:
            continue
        fit = fits.get(disposition.component)
        rows.append(
            Demand(
                site=inspection.site,
                inspection=inspection,
                disposition=disposition,
                part=fit.part if fit else None,
                quantity=fit.quantity if fit else 1,
                state=(DemandState.SHORT if fit else DemandState.UNMATCHED).value,
                why="Just raised." if fit else _no_part(disposition.component, inspection),
                raised_at=at,
            )
        )
    # The unique disposition is the second lock, should anything ever get past the first.
    Demand.objects.bulk_create(rows, ignore_conflicts=True)
    return list(
        Demand.objects.filter(disposition__in=[row.disposition_id for row in rows]).order_by("pk")
    )


def _no_part(component: str, inspection: Inspection) -> str:
    return why_sentence(
        f"The catalogue names no part for {Component(component).label} of "
        f"{inspection.pump.model}. Add the fit, then match again."
    )


def _move_pump(pump: Pump, inspection: Inspection, *, scrapped: bool, at: datetime) -> None:
    # A late or second run must not move a pump that has gone on, or is open on the bench again.
    newer = Inspection.objects.filter(pump=pump, pk__gt=inspection.pk).exclude(
        state=InspectionState.ABANDONED.value
    )
    if pump.status not in _FRESHLY_SIGNED or newer.exists():
        return
    number = f"inspection {inspection.pk}"
    if scrapped:
        new, why = PumpStatus.SCRAPPED, f"Decided in {number}: scrap the pump."
    elif _waits_for_parts(pump):
        new, why = PumpStatus.AWAITING_PARTS, f"Signed: {number} asks for parts."
    else:
        new, why = PumpStatus.READY_TO_REBUILD, f"Signed: {number} leaves no part to wait for."
    advance_status(actor=None, pump_id=pump.pk, new=new, why=why, now=at)


def _waits_for_parts(pump: Pump) -> bool:
    """Of whichever inspection: a pump is not ready while anything for it is still to come."""
    settled = [DemandState.ISSUED.value, DemandState.CANCELLED.value]
    return Demand.objects.filter(inspection__pump=pump).exclude(state__in=settled).exists()


@transaction.atomic
def pull(
    *,
    actor: User,
    demand: Demand,
    scanned_number: str,
    quantity: int,
    now: datetime | None = None,
) -> Demand:
    """Hands the reserved part of one demand out, after the label was scanned.

    Needs pull_parts at the demand's site. Locks pump, level, demand. When it was the last one of
    its inspection, the pump becomes ready to rebuild. Raises Conflict when the demand is not
    reserved, Fault or Faults for the wrong part or quantity.
    """
    require(actor, Capability.PULL_PARTS, demand.site)
    at = now or timezone.now()
    pump, level, row = _locked(demand)
    _refuse_under_work(pump)
    if level is None or row.state != DemandState.RESERVED.value:
        raise Conflict(_why_not_reserved(row), field="state", code="not_reserved")
    refuse(_scan_faults(row, level, normalised(scanned_number), quantity))
    stock.issue(level, row, by=actor, at=at)
    if pump.status == PumpStatus.AWAITING_PARTS.value and not _waits_for_parts(pump):
        advance_status(
            actor=actor,
            pump_id=pump.pk,
            new=PumpStatus.READY_TO_REBUILD,
            why=f"All parts of inspection {row.inspection_id} are issued.",
            now=at,
        )
    return row


def _locked(demand: Demand) -> tuple[Pump, StockLevel | None, Demand]:
    """The demand with its pump and its level (None while unmatched), all locked."""
    pump = Pump.objects.select_for_update(of=("self",)).get(inspections__demands=demand)
    # Only a match gives a demand its part, and that takes the pump's lock: it stays as read here.
    part_id = Demand.objects.values_list("part_id", flat=True).get(pk=demand.pk)
    level = None
    if part_id is not None:
        level = stock.lock_levels(stock.store_of(demand.site), [part_id])[part_id]
    row = (
        Demand.objects.select_for_update(of=("self",))
        .select_related("site", "part", "inspection", "disposition", "issued_by")
        .get(pk=demand.pk)
    )
    return pump, level, row


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
    if state is DemandState.SHORT:
        return f"Nothing is reserved for this demand. {demand.why}"
    if state is DemandState.UNMATCHED:
        return f"There is nothing to pull yet. {demand.why}"
    return f"This demand is cancelled; leave the part on the shelf. {demand.why}"


def _scan_faults(demand: Demand, level: StockLevel, scanned: str, quantity: int) -> list[Fault]:
    faults: list[Fault] = []
    asked = level.part
    if scanned != asked.number:
        known = Part.objects.filter(number=scanned).first()
        if not scanned:
            what = "nothing"
        elif known is None:
            what = f"'{scanned[:40]}', which is not in the catalogue"
        else:
            what = f"{scanned} ({known.name})"
        where = f"bin {level.bin}" if level.bin else f"{level.store} (no bin on record)"
        faults.append(
            Fault(
                f"You scanned {what}. This demand asks for {asked.number} ({asked.name}) from "
                f"{where}. Put that one back and scan this one.",
                field="scanned_number",
                code="wrong_part",
            )
        )
    if quantity != demand.quantity:
        faults.append(
            Fault(
                f"You entered {quantity}, but the demand asks for {demand.quantity}. Pull "
                f"exactly {demand.quantity}.",
                field="quantity",
                code="wrong_quantity",
            )
        )
    return faults


@transaction.atomic
def retry_unmatched(*, actor: User, demand: Demand, now: datetime | None = None) -> Demand:
    """Matches a demand for which no part was known, after its fit was added.

    Needs keep_catalogue at the demand's site: who adds the fit may use it. Locks pump, level,
    demand. Raises Conflict when the demand has its part already or the catalogue still names none.
    """
    require(actor, Capability.KEEP_CATALOGUE, demand.site)
    at = now or timezone.now()
    Pump.objects.select_for_update(of=("self",)).get(inspections__demands=demand)
    row = Demand.objects.select_related("site", "disposition", "inspection__pump__model").get(
        pk=demand.pk
    )
    if row.state != DemandState.UNMATCHED.value:
        raise Conflict(
            f"This demand is {DemandState(row.state).label}; there is nothing to match.",
            field="state",
            code="not_unmatched",
        )
    fit = _fit_for(row)
    level = stock.lock_levels(stock.store_of(row.site), [fit.part_id])[fit.part_id]
    require_move(DemandState.UNMATCHED, DemandState.SHORT)
    row.part, row.quantity, row.state = fit.part, fit.quantity, DemandState.SHORT.value
    row.why = "Just matched."
    row.version += 1
    row.save(update_fields=["part", "quantity", "state", "why", "version"])
    stock.allot(level, by=actor, at=at)
    row.refresh_from_db()
    return row


def _fit_for(demand: Demand) -> Fit:
    component = demand.disposition.component
    model = demand.inspection.pump.model
    fit = Fit.objects.filter(model=model, component=component).select_related("part").first()
    if fit is None:
        raise Conflict(
            f"The catalogue still names no part for {Component(component).label} of {model}. "
            "Add the fit first.",
            field="part",
            code="no_fit",
        )
    return fit
