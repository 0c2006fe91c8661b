"""Inspections with given decisions, signed without measuring anything, and parts for them.

The inspections' own tests cover the way to a signature; here only what was decided counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from django.utils import timezone

from fleet.models import Pump, Site, User
from fleet.roles import Role
from inspections.events import InspectionSigned
from inspections.models import ComponentDisposition, Inspection
from inspections.rules.lifecycle import InspectionState, Reason
from inspections.services import signing
from parts.models import Demand, Part, StockLevel, Store
from parts.services import catalogue, demands, stock
from tests import factories

SEALS, GEARS, BUSHES, BORE = "seals", "gears", "bushes", "housing_bore"
REPLACE, REPLACE_SET, REUSE, SCRAP = "replace", "replace_as_set", "reuse", "scrap_pump"


@dataclass(frozen=True)
class Yard:
    """A site with a store, a technician, a supervisor and a stores clerk."""

    site: Site
    store: Store
    technician: User
    supervisor: User
    clerk: User


def make_yard(name: str | None = None) -> Yard:
    site = factories.make_site(name=name)
    clerk = factories.make_person(site, Role.STORES_CLERK)
    return Yard(
        site=site,
        store=stock.open_store(actor=clerk, site=site),
        technician=factories.make_person(site, Role.TECHNICIAN),
        supervisor=factories.make_person(site, Role.SUPERVISOR),
        clerk=clerk,
    )


def make_part(yard: Yard, **fields: object) -> Part:
    n = factories.number()
    values = {"number": f"SK-{n}", "name": f"Seal kit {n}", "is_kit": True, **fields}
    return catalogue.add_part(actor=yard.clerk, **values)  # type: ignore[arg-type]


def put_on_shelf(yard: Yard, part: Part, quantity: int, bin: str | None = "A3") -> None:
    stock.receive(actor=yard.clerk, store=yard.store, part=part, quantity=quantity, bin=bin)


def fit(yard: Yard, pump: Pump, component: str, part: Part, quantity: int = 1) -> None:
    catalogue.set_fit(
        actor=yard.clerk, model=pump.model, component=component, part=part, quantity=quantity
    )


def make_open(yard: Yard, pump: Pump, *, reason: Reason = Reason.PLANNED) -> Inspection:
    return factories.make_inspection(
        yard.technician, pump, reason=reason, isolated=False, nameplate=False
    )


def decide_and_sign(
    yard: Yard, inspection: Inspection, decided: Mapping[str, str]
) -> InspectionSigned:
    """The state that signing leaves behind, and the event it emits."""
    inspection.refresh_from_db()
    inspection.dispositions.all().delete()
    ComponentDisposition.objects.bulk_create(
        ComponentDisposition(
            inspection=inspection,
            component=component,
            proposed=word,
            decided=word,
            reasons=[],
            decided_by=yard.technician,
            decided_at=timezone.now(),
        )
        for component, word in decided.items()
    )
    inspection.signed_by, inspection.signed_at = yard.technician, timezone.now()
    inspection.state = InspectionState.SIGNED.value
    inspection.save()
    if inspection.supersedes_id is not None:
        Inspection.objects.filter(pk=inspection.supersedes_id).update(
            state=InspectionState.SUPERSEDED.value
        )
    return InspectionSigned(
        inspection_id=inspection.pk,
        pump_id=inspection.pump_id,
        site_id=inspection.site_id,
        supersedes_id=inspection.supersedes_id,
    )


def make_signed(
    yard: Yard,
    pump: Pump,
    decided: Mapping[str, str] | Iterable[str] = (SEALS,),
    *,
    reason: Reason = Reason.PLANNED,
) -> InspectionSigned:
    """A signed inspection; a list of components means that each is to be replaced."""
    words = decided if isinstance(decided, Mapping) else dict.fromkeys(decided, REPLACE)
    return decide_and_sign(yard, make_open(yard, pump, reason=reason), words)


def make_correction(
    yard: Yard, event: InspectionSigned, decided: Mapping[str, str]
) -> InspectionSigned:
    old = Inspection.objects.get(pk=event.inspection_id)
    new = signing.supersede(actor=yard.supervisor, inspection=old, why="Wrong pump read.")
    return decide_and_sign(yard, new, decided)


def raise_demand(yard: Yard, part: Part, quantity: int = 1, pump: Pump | None = None) -> Demand:
    """One demand for `quantity` of `part`, from one signed inspection of its own."""
    pump = pump or factories.make_pump(yard.site)
    fit(yard, pump, SEALS, part, quantity)
    (demand,) = demands.raise_for_signed(event=make_signed(yard, pump))
    return demand


def level(yard: Yard, part: Part) -> tuple[int, int]:
    """(on hand, reserved), as kept."""
    row = StockLevel.objects.get(store=yard.store, part=part)
    return row.on_hand, row.reserved
