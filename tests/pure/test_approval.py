"""Approval limits. The usual limits are a house rule: no source."""

from __future__ import annotations

from decimal import Decimal

import pytest

from fleet.roles import Capability, Role, roles_that_may
from parts.rules.approval import APPROVERS, NOTHING, USUAL_LIMITS, Limit, limit_of

D = Decimal


@pytest.mark.parametrize(
    ("role", "covered", "above"),
    [
        (Role.STORES_CLERK, "500", "500.0001"),
        (Role.SUPERVISOR, "5000", "5000.0001"),
        (Role.MAINTENANCE_MANAGER, "999999999999", None),
    ],
)
def test_the_usual_limits(role: Role, covered: str, above: str | None) -> None:
    limit = limit_of([role], {})
    assert limit.covers(D(covered))
    assert above is None or not limit.covers(D(above))


def test_every_role_that_may_approve_has_a_usual_limit() -> None:
    assert set(USUAL_LIMITS) == APPROVERS == roles_that_may(Capability.APPROVE_ORDERS)


@pytest.mark.parametrize("role", sorted(set(Role) - APPROVERS))
def test_a_role_that_approves_nothing_covers_not_even_nought(role: Role) -> None:
    assert limit_of([role], {role: None}) == NOTHING
    assert not limit_of([role], {}).covers(D(0))


def test_what_was_set_takes_the_place_of_the_usual() -> None:
    assert limit_of([Role.STORES_CLERK], {Role.STORES_CLERK: D(50)}) == Limit(D(50))
    assert limit_of([Role.STORES_CLERK], {Role.STORES_CLERK: None}) == Limit(None)
    assert limit_of([Role.MAINTENANCE_MANAGER], {Role.MAINTENANCE_MANAGER: D(9)}) == Limit(D(9))
    # Nought is a limit too: of nothing that costs anything.
    nought = limit_of([Role.STORES_CLERK], {Role.STORES_CLERK: D(0)})
    assert (nought.covers(D(0)), nought.covers(D("0.01"))) == (True, False)


def test_of_several_roles_the_highest_limit_counts_in_any_order() -> None:
    roles = [Role.SUPERVISOR, Role.TECHNICIAN, Role.STORES_CLERK]
    for order in (roles, roles[::-1]):
        assert limit_of(order, {}) == Limit(D(5000))
        assert limit_of(order, {Role.STORES_CLERK: D(7000)}) == Limit(D(7000))
        assert limit_of([*order, Role.MAINTENANCE_MANAGER], {}) == Limit(None)
    assert limit_of([], {}) == NOTHING
