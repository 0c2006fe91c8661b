"""Whether a person may do a thing at a site. Services ask here; pages ask to show a button."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from fleet.faults import NotAllowed
from fleet.models import Membership, Site, User
from fleet.plumbing.scoping import HoldsARole, memberships_of
from fleet.roles import Capability, Role, allowed, roles_that_may


def roles_at(actor: Any, site: Site) -> frozenset[Role]:
    if not actor.is_active:
        return frozenset()
    held = Membership.objects.filter(user_id=actor.pk, site=site).values_list("role", flat=True)
    return frozenset(Role(role) for role in held)


def may(actor: Any, capability: Capability, site: Site) -> bool:
    return allowed(roles_at(actor, site), capability)


def may_anywhere(actor: Any, capability: Capability) -> bool:
    """Pump models, limit sheets and the catalogue belong to all sites: a role at one will do."""
    return (
        actor.is_active
        and Membership.objects.filter(
            user_id=actor.pk, role__in=[r.value for r in roles_that_may(capability)]
        ).exists()
    )


def capabilities_of(actor: Any) -> frozenset[Capability]:
    """All the person may do at any site: decides what the navigation offers."""
    if not actor.is_authenticated or not actor.is_active:
        return frozenset()
    held = Membership.objects.filter(user_id=actor.pk).values_list("role", flat=True)
    roles = [Role(role) for role in set(held)]
    return frozenset(c for c in Capability if allowed(roles, c))


def _refuse(actor: User, capability: Capability, where: str) -> NotAllowed:
    roles: Iterable[str] = sorted(r.label for r in roles_that_may(capability))
    return NotAllowed(
        f"{actor} may not {capability.label} {where}. It takes one of these roles there: "
        f"{', '.join(roles)}."
    )


def require(actor: User, capability: Capability, site: Site) -> None:
    """Raises NotAllowed unless `actor` may do this at `site`."""
    if not may(actor, capability, site):
        raise _refuse(actor, capability, f"at {site}")


def require_anywhere(actor: User, capability: Capability) -> None:
    """Raises NotAllowed unless `actor` may do this at one site at least."""
    if not may_anywhere(actor, capability):
        raise _refuse(actor, capability, "at any site")


def require_role_somewhere(actor: User) -> None:
    """Raises NotAllowed unless `actor` has a role at one site at least: what all sites share."""
    if not memberships_of(actor).exists():
        raise NotAllowed(HoldsARole.message)


def is_trainee_at(actor: User, site: Site) -> bool:
    """True when nothing but a trainee's place lets this person inspect at `site`.

    Somebody who is a trainee in one role and qualified in another is qualified.
    """
    inspecting = [r.value for r in roles_that_may(Capability.INSPECT)]
    places = Membership.objects.filter(user=actor, site=site, role__in=inspecting)
    return places.filter(is_trainee=True).exists() and not places.filter(is_trainee=False).exists()
