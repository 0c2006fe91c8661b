"""What parts wants to hear of the rest."""

from __future__ import annotations

from fleet.plumbing import outbox
from inspections.events import InspectionSigned
from parts.events import OrderSent, SupplyChanged
from parts.services import demands, order_sending, planning


def raise_demands(event: InspectionSigned) -> None:
    demands.raise_for_signed(event=event)


def tell_supplier(event: OrderSent) -> None:
    order_sending.deliver_order(event=event)


def plan_supply(event: SupplyChanged) -> None:
    planning.plan_parts(part_ids=event.part_ids)


def register() -> None:
    outbox.subscribe("parts.plan_supply", SupplyChanged, plan_supply)
    outbox.subscribe("parts.tell_supplier", OrderSent, tell_supplier)
    outbox.subscribe("parts.raise_demands", InspectionSigned, raise_demands)
