"""Signed inspections, shelves and what lies on them, for the pages of the stores."""

from __future__ import annotations

from typing import Any

from fleet.models import Pump, PumpModel, Site, User
from inspections.events import InspectionSigned
from inspections.models import Inspection
from parts.models import Demand, Fit, Movement, Part, StockLevel, Store
from parts.services import demands, stock
from tests.factories import (
    make_person,
    make_pump,
    make_signed_inspection,
)


def raised(inspection: Inspection) -> Inspection:
    """What the relay does with the signature's event."""
    demands.raise_for_signed(
        event=InspectionSigned(
            inspection_id=inspection.pk,
            pump_id=inspection.pump_id,
            site_id=inspection.site_id,
        )
    )
    return inspection


def signed(site: Site, model: PumpModel, *, out: tuple[str, ...] = (), **pump: Any) -> Inspection:
    tech = make_person(site)
    return raised(make_signed_inspection(tech, make_pump(site, model, **pump), out=out))


def on_shelf(store: Store, clerk: User, part: Part, quantity: int, bin: str = "B-14") -> None:
    stock.receive(actor=clerk, store=store, part=part, quantity=quantity, bin=bin)


def everything() -> list[Any]:
    models: list[Any] = [Demand, Movement, StockLevel, Part, Fit, Store, Pump]
    return [list(model.objects.order_by("pk").values()) for model in models]
