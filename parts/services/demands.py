"""From a signed 'replace' to the part on the bench.

Locks in the order that parts.services.ledger states. An unmatched demand names no part, so it has
no level: it changes only under the lock of its pump.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime

from django.db import transaction
from django.db.models import Q
from django.db.models.functions import Coalesce
from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict
from fleet.lifecycle import PumpStatus
from fleet.models import Pump, User
from fleet.roles import Capability
from fleet.services.pumps import advance_status
from fleet.vocabulary import Component
from inspections.events import InspectionSigned
from inspections.models import ComponentDisposition, Inspection
from inspections.rules.dispositions import Disposition
from inspections.rules.lifecycle import InspectionState, Reason
from parts.models import Demand, DemandQuerySet, DemandStep, Fit, Need, StockLevel
from parts.rules.lifecycle import DemandState, require_move
from parts.rules.serials import covers, serial_figures
from parts.services import ledger, stock
from parts.services.ledger import why_sentence
from parts.services.pulling import RETURN_IT, waits_for_parts

_RENEWED = frozenset(d.value for d in Disposition if d.renews)
_IN_FORCE = frozenset({InspectionState.SIGNED.value, InspectionState.SUPERSEDED.value})
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

    fits = fits_for(inspection.pump)
    old_ids = list(
        _superseded_demands(inspection, scrapped=scrapped)
        .order_by("pk")
        .values_list("pk", Coalesce("supplied_part", "part"))
    )
    wanted_parts = {fits[d.component].part_id for d in replaced if d.component in fits}
    old_parts = {part_id for _pk, part_id in old_ids if part_id is not None}
    store = stock.store_of(inspection.site)
    levels = ledger.lock_levels(store, wanted_parts | old_parts)
    old = list(
        Demand.objects.select_for_update(of=("self",))
        .filter(pk__in=[pk for pk, _part_id in old_ids])
        .select_related("disposition")
        .order_by("pk")
    )
    _carry_need(inspection, at=at)
    _settle_old(old, inspection, replaced, fits, levels, at=at)
    new = _raise_new(inspection, replaced, fits, at=at)
    for level in levels.values():
        # Also what a cancelled demand set free goes to whoever has waited longest.
        stock.allot(level, by=None, at=at)
    ledger.plan_again(levels, site=inspection.site)
    _move_pump(pump, inspection, scrapped=scrapped, at=at)
    for demand in new:
        demand.refresh_from_db()
    return new


def fits_for(pump: Pump) -> dict[str, Fit]:
    """The fit of each component that holds for this very pump, by its serial number."""
    figures = serial_figures(pump.serial)
    return {
        fit.component: fit
        for fit in Fit.objects.filter(model=pump.model_id).select_related("part", "model")
        if covers(fit.serial_from, fit.serial_to, figures)
    }


def _carry_need(inspection: Inspection, *, at: datetime) -> None:
    """A correction is wanted when and where what it corrects was."""
    old = Need.objects.filter(inspection__in=_corrected_by(inspection)).order_by("-pk").first()
    if old is not None:
        Need.objects.get_or_create(
            inspection=inspection,
            defaults={
                "needed_on": old.needed_on,
                "bench": old.bench,
                "set_by": old.set_by,
                "set_at": at,
            },
        )


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
    # What was pulled short is two demands for one disposition: together they are what was asked.
    asked: Counter[int] = Counter()
    for demand in old:
        asked[demand.disposition_id] += demand.quantity
    for demand in old:
        disposition = new_by_component.get(demand.disposition.component)
        fit = fits.get(disposition.component) if disposition is not None else None
        in_all = asked[demand.disposition_id]
        if disposition is not None and _same_part(demand, in_all, fit):
            # Also when issued: the part lies on the bench already and must not be drawn twice.
            demand.disposition, demand.inspection_id = disposition, disposition.inspection_id
            demand.version += 1
            demand.save(update_fields=["disposition", "inspection_id", "version"])
        elif demand.state != DemandState.ISSUED.value:
            why = f"Inspection {by_inspection.pk} no longer asks for it."
            _cancel(demand, levels, at=at, why=why)
        else:
            ledger.move_demand(demand, DemandState.ISSUED, RETURN_IT, by=None, at=at)


def _same_part(demand: Demand, in_all: int, fit: Fit | None) -> bool:
    if fit is None:
        return demand.part_id is None
    return demand.part_id == fit.part_id and in_all == fit.quantity


def _cancel(demand: Demand, levels: dict[int, StockLevel], *, at: datetime, why: str) -> None:
    require_move(DemandState(demand.state), DemandState.CANCELLED)
    held = demand.pulled_part_id
    if demand.state == DemandState.RESERVED.value and held is not None:
        ledger.release(levels[held], demand, by=None, at=at, reason=why)
    ledger.move_demand(demand, DemandState.CANCELLED, why, by=None, at=at)


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
                alternatives_allowed=fit.alternatives_allowed if fit else False,
                state=(DemandState.SHORT if fit else DemandState.UNMATCHED).value,
                why=stock.JUST_RAISED if fit else _no_part(disposition.component, inspection),
                raised_at=at,
            )
        )
    # The unique disposition is the second lock, should anything ever get past the first.
    Demand.objects.bulk_create(rows, ignore_conflicts=True)
    new = list(
        Demand.objects.filter(disposition__in=[row.disposition_id for row in rows]).order_by("pk")
    )
    DemandStep.objects.bulk_create(
        DemandStep(demand=demand, state=demand.state, why=demand.why, at=at) for demand in new
    )
    return new


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
    elif waits_for_parts(pump):
        new, why = PumpStatus.AWAITING_PARTS, f"Signed: {number} asks for parts."
    else:
        new, why = PumpStatus.READY_TO_REBUILD, f"Signed: {number} leaves no part to wait for."
    advance_status(actor=None, pump_id=pump.pk, new=new, why=why, now=at)


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
    level = ledger.lock_levels(stock.store_of(row.site), [fit.part_id])[fit.part_id]
    require_move(DemandState.UNMATCHED, DemandState.SHORT)
    row.part, row.quantity = fit.part, fit.quantity
    row.alternatives_allowed = fit.alternatives_allowed
    ledger.move_demand(
        row,
        DemandState.SHORT,
        stock.JUST_MATCHED,
        by=actor,
        at=at,
        fields=["part", "quantity", "alternatives_allowed"],
    )
    stock.settle(level, by=actor, at=at)
    row.refresh_from_db()
    return row


def _fit_for(demand: Demand) -> Fit:
    component = demand.disposition.component
    model = demand.inspection.pump.model
    fit = fits_for(demand.inspection.pump).get(component)
    if fit is None:
        raise Conflict(
            f"The catalogue still names no part for {Component(component).label} of {model}. "
            "Add the fit first.",
            field="part",
            code="no_fit",
        )
    return fit
