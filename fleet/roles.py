"""Who may do what: the one table. Roles are held per site; several may be held at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum


class Role(StrEnum):
    TECHNICIAN = "technician"
    COMPETENT_PERSON = "competent_person"
    SUPERVISOR = "supervisor"
    MAINTENANCE_MANAGER = "maintenance_manager"
    STORES_CLERK = "stores_clerk"
    INTEGRATOR = "integrator"
    AUDITOR = "auditor"

    @property
    def label(self) -> str:
        return self.value.replace("_", " ")


class Capability(StrEnum):
    """One thing a person can be allowed to do at a site. Seeing needs no more than a role there."""

    INSPECT = "inspect"
    COUNTERSIGN = "countersign"
    OVERRULE = "overrule"
    WAIVE = "waive"
    SUPERSEDE = "supersede"
    KEEP_REGISTER = "keep_register"
    MOVE_PUMPS = "move_pumps"
    RECORD_HOURS = "record_hours"
    KEEP_INSTRUMENTS = "keep_instruments"
    DRAFT_LIMITS = "draft_limits"
    ISSUE_LIMITS = "issue_limits"
    KEEP_CATALOGUE = "keep_catalogue"
    KEEP_STOCK = "keep_stock"
    PULL_PARTS = "pull_parts"
    SET_NEEDS = "set_needs"
    EXTEND_BATCHES = "extend_batches"
    APPROVE_COUNTS = "approve_counts"
    BUY = "buy"
    APPROVE_ORDERS = "approve_orders"
    SET_HOLDINGS = "set_holdings"
    RECORD_LABOUR = "record_labour"
    KEEP_PEOPLE = "keep_people"
    EXPORT = "export"

    @property
    def label(self) -> str:
        return self.value.replace("_", " ")


C = Capability

ROLE_MAY: Mapping[Role, frozenset[Capability]] = {
    Role.TECHNICIAN: frozenset({C.INSPECT, C.OVERRULE, C.RECORD_HOURS, C.RECORD_LABOUR}),
    Role.COMPETENT_PERSON: frozenset(
        {
            C.INSPECT,
            C.COUNTERSIGN,
            C.OVERRULE,
            C.WAIVE,
            C.SUPERSEDE,
            C.RECORD_HOURS,
            C.KEEP_INSTRUMENTS,
            C.DRAFT_LIMITS,
            C.SET_NEEDS,
            C.RECORD_LABOUR,
        }
    ),
    Role.SUPERVISOR: frozenset(
        {
            C.INSPECT,
            C.COUNTERSIGN,
            C.OVERRULE,
            C.WAIVE,
            C.SUPERSEDE,
            C.RECORD_HOURS,
            C.KEEP_REGISTER,
            C.MOVE_PUMPS,
            C.KEEP_INSTRUMENTS,
            C.DRAFT_LIMITS,
            C.ISSUE_LIMITS,
            C.SET_NEEDS,
            C.EXTEND_BATCHES,
            C.APPROVE_COUNTS,
            C.APPROVE_ORDERS,
            C.RECORD_LABOUR,
            C.EXPORT,
        }
    ),
    Role.MAINTENANCE_MANAGER: frozenset(
        {
            C.RECORD_HOURS,
            C.KEEP_REGISTER,
            C.MOVE_PUMPS,
            C.DRAFT_LIMITS,
            C.ISSUE_LIMITS,
            C.KEEP_CATALOGUE,
            C.SET_NEEDS,
            C.EXTEND_BATCHES,
            C.APPROVE_COUNTS,
            C.BUY,
            C.APPROVE_ORDERS,
            C.SET_HOLDINGS,
            C.KEEP_PEOPLE,
            C.EXPORT,
        }
    ),
    Role.STORES_CLERK: frozenset(
        {
            C.KEEP_CATALOGUE,
            C.KEEP_STOCK,
            C.PULL_PARTS,
            C.SET_NEEDS,
            C.APPROVE_COUNTS,
            C.BUY,
            C.APPROVE_ORDERS,
            C.EXPORT,
        }
    ),
    Role.INTEGRATOR: frozenset({C.RECORD_HOURS, C.EXPORT}),
    Role.AUDITOR: frozenset({C.EXPORT}),
}


def roles_that_may(capability: Capability) -> frozenset[Role]:
    return frozenset(role for role, may in ROLE_MAY.items() if capability in may)


def allowed(roles: Iterable[Role], capability: Capability) -> bool:
    return any(capability in ROLE_MAY[role] for role in roles)
