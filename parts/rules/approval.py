"""Up to which value somebody may approve an order."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal

from fleet.roles import Capability, Role, roles_that_may

USUAL_LIMITS: Mapping[Role, Decimal | None] = {
    Role.STORES_CLERK: Decimal(500),
    Role.SUPERVISOR: Decimal(5000),
    Role.MAINTENANCE_MANAGER: None,
}
"""In the store's currency, where no limit was set for the role; None: any value.

Source: house rule.
"""

APPROVERS: frozenset[Role] = roles_that_may(Capability.APPROVE_ORDERS)


@dataclass(frozen=True, slots=True)
class Limit:
    """amount: in the store's currency; None: any value."""

    amount: Decimal | None

    def covers(self, value: Decimal) -> bool:
        return self.amount is None or value <= self.amount


NOTHING = Limit(Decimal("-1"))
"""Of somebody who approves no order, not even one that costs nothing."""


def limit_of(roles: Iterable[Role], set_limits: Mapping[Role, Decimal | None]) -> Limit:
    """The highest limit that the roles somebody holds at a store give.

    set_limits: what was set for the store by role; what is missing there is usual.
    Roles that approve no orders give none, whatever was set. Source: house rule.
    """
    found = NOTHING
    for role in roles:
        if role not in APPROVERS:
            continue
        amount = set_limits[role] if role in set_limits else USUAL_LIMITS.get(role, Decimal(0))
        if amount is None:
            return Limit(None)
        if found.amount is None or amount > found.amount:
            found = Limit(amount)
    return found
