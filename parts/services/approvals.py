"""Up to which value who may approve orders of a store."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal

from fleet.access import require, roles_at
from fleet.faults import Conflict, Fault
from fleet.models import User
from fleet.roles import Capability, Role
from fleet.services.rows import locked, one_transaction
from parts.buying_selectors import value_of
from parts.models import ApprovalLimit, Order, Store
from parts.money_selectors import rates
from parts.rules.approval import APPROVERS, USUAL_LIMITS, Limit, limit_of
from parts.rules.money import convert
from parts.services.stock import require_amount


def limits_at(store: Store) -> dict[Role, Decimal | None]:
    """What each role that approves orders may approve at a store, in its currency; None: any."""
    return {
        role: USUAL_LIMITS.get(role, Decimal(0)) for role in Role if role in APPROVERS
    } | _set_at(store)


def _set_at(store: Store) -> dict[Role, Decimal | None]:
    rows = ApprovalLimit.objects.filter(store=store).values_list("role", "amount")
    return {Role(role): amount for role, amount in rows}


def limit_at(actor: User, store: Store) -> Limit:
    """The actor's own limit at a store, by the highest of their roles."""
    return limit_of(roles_at(actor, store.site), _set_at(store))


def set_limits(*, actor: User, store: Store, limits: Mapping[Role, Decimal | None]) -> None:
    """Sets the limits of some roles at a store, in its currency; None: any value.

    Needs keep_people at the store's site: whoever says who holds a role says what it may spend.
    Raises Fault for a role that approves no orders, or an amount that cannot be.
    """
    require(actor, Capability.KEEP_PEOPLE, store.site)
    with one_transaction():
        locked(Store, store.pk)
        for role, amount in limits.items():
            if role not in APPROVERS:
                raise Fault(
                    f"A {role.label} approves no orders.", field=role.value, code="invalid_choice"
                )
            ApprovalLimit.objects.update_or_create(
                store=store,
                role=role.value,
                defaults={"amount": require_amount(amount, field=role.value)},
            )


def known_value(order: Order, today: date) -> Decimal | None:
    """What the order comes to in its store's currency; None while no rate is on record."""
    return convert(value_of(order), order.currency, order.store.currency, today, rates())


def in_store_currency(amount: Decimal, order: Order, today: date) -> Decimal:
    """An amount of the order in its store's currency, by the newest rate.

    Raises Conflict while nobody has entered a rate of the two.
    """
    theirs, ours = order.currency, order.store.currency
    worth = convert(amount, theirs, ours, today, rates())
    if worth is None:
        raise Conflict(
            f"No exchange rate between {theirs} and {ours} is on record. Enter one, then try "
            f"again: limits and stock values are in {ours}.",
            code="no_rate",
        )
    return worth


def value_at_store(order: Order, today: date) -> Decimal:
    """What the order comes to in its store's currency. Raises Conflict for want of a rate."""
    return in_store_currency(value_of(order), order, today)
