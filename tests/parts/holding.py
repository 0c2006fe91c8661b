"""Stores with a past: demands at given days, parts with prices, a central store."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

from django.utils import timezone

from fleet.models import User
from fleet.roles import Role
from fleet.services import people
from parts.holding_selectors import PartAdvice, advice_for
from parts.models import Demand, Holding, Part, Store
from parts.rules.holding_advice import Charges
from parts.services import holdings
from tests import factories
from tests.parts.build import Yard, make_part, make_yard, raise_demand
from tests.parts.buying import make_supplier, offer

NOW = timezone.now()
TODAY = timezone.localdate(NOW)


def manager_of(*yards: Yard) -> User:
    person = factories.make_person(yards[0].site, Role.MAINTENANCE_MANAGER)
    for yard in yards[1:]:
        holder = factories.manager_of(yard.site)
        people.grant_role(
            actor=holder, user=person, site=yard.site, role=Role.MAINTENANCE_MANAGER.value
        )
    return person


def ask(yard: Yard, part: Part, *days_ago: int, pieces: int = 1) -> None:
    """One demand for each of these days."""
    for days in days_ago:
        demand = raise_demand(yard, part, pieces)
        Demand.objects.filter(pk=demand.pk).update(raised_at=NOW - timedelta(days=days))


def advice(store: Store, part: Part, **more: Any) -> PartAdvice:
    (row,) = advice_for(store, charges=Charges(**more), today=TODAY, part=part)
    return row


def hold(yard: Yard, actor: User, part: Part, low: int, high: int, **more: Any) -> Holding:
    return holdings.set_holding(
        actor=actor, store=yard.store, part=part, reorder_point=low, order_up_to=high, **more
    )


def stocked() -> tuple[Yard, User, list[Part]]:
    """A store with a cheap part, a dear one, one without a price and one that nobody wants."""
    yard = make_yard()
    supplier = make_supplier(yard.clerk)
    parts = [make_part(yard, is_kit=False) for _ in range(4)]
    for part, price in ((parts[0], 3), (parts[1], 900)):
        offer(yard.clerk, supplier, part, price=Decimal(price))
        ask(yard, part, 2, 12, 33, 41)
    ask(yard, parts[2], 5)
    return yard, manager_of(yard), parts


def three_stores() -> tuple[Yard, Yard, Yard, Part]:
    """Harbour and mill are restocked from the quarry; all of them want the part."""
    quarry, harbour, mill = make_yard(), make_yard(), make_yard()
    part = make_part(quarry, is_kit=False)
    offer(quarry.clerk, make_supplier(quarry.clerk), part, lead_days=30)
    for yard, days in ((quarry, (5, 25)), (harbour, (3, 11, 19, 28)), (mill, (9,))):
        ask(yard, part, *days)
    for yard in (harbour, mill):
        Store.objects.filter(pk=yard.store.pk).update(supplied_by=quarry.store)
        yard.store.refresh_from_db()
    return quarry, harbour, mill, part
