"""Suppliers, offers and orders for tests, built through services."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from fleet.models import User
from fleet.roles import Role
from parts.models import ExchangeRate, Order, OrderLine, Part, Supplier, SupplierPart
from parts.services import order_sending, orders, suppliers
from tests import factories
from tests.parts.build import Yard, make_part, make_yard

D = Decimal


@dataclass(frozen=True)
class Trade:
    """A yard with a manager, a supplier and one part that he sells at 12.50 in fives."""

    yard: Yard
    manager: User
    supplier: Supplier
    part: Part
    offer: SupplierPart


def make_supplier(actor: User, **fields: Any) -> Supplier:
    values = {"name": f"Seal Works {factories.number()}", **fields}
    return suppliers.add_supplier(actor=actor, **values)


def offer(actor: User, supplier: Supplier, part: Part, **fields: Any) -> SupplierPart:
    values: dict[str, Any] = {"price": D("12.50"), "lead_days": 14, **fields}
    return suppliers.set_offer(actor=actor, supplier=supplier, part=part, **values)


def make_trade(**offered: Any) -> Trade:
    yard = make_yard()
    supplier = make_supplier(yard.clerk)
    part = make_part(yard, is_kit=False)
    terms = {"pack_size": 5, "supplier_number": "SW-9", **offered}
    return Trade(
        yard,
        factories.manager_of(yard.site),
        supplier,
        part,
        offer(yard.clerk, supplier, part, **terms),
    )


def draft_of(trade: Trade, quantity: int = 10) -> Order:
    order = orders.open_draft(
        actor=trade.yard.clerk, store=trade.yard.store, supplier=trade.supplier
    )
    return orders.set_line(
        actor=trade.yard.clerk, order=order, part=trade.part, manual_quantity=quantity
    )


def approved(trade: Trade, quantity: int = 10, **now: datetime) -> Order:
    return orders.submit(actor=trade.manager, order=draft_of(trade, quantity), **now)


def sent(trade: Trade, quantity: int = 10, **now: datetime) -> Order:
    return order_sending.send(actor=trade.yard.clerk, order=approved(trade, quantity, **now), **now)


def line_of(order: Order) -> OrderLine:
    return OrderLine.objects.select_related("order__store__site", "part").get(order=order)


def set_rate(person: User, base: str, quote: str, rate: str, on: date) -> None:
    ExchangeRate.objects.create(base=base, quote=quote, rate=D(rate), valid_from=on, set_by=person)


def supervisor_of(yard: Yard) -> User:
    return factories.make_person(yard.site, Role.SUPERVISOR)
