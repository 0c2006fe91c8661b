"""Sites, people and the roles they hold at a site."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError

from fleet.access import require, require_anywhere
from fleet.faults import Conflict, Fault, NotAllowed
from fleet.models import ApiToken, Membership, Site, User
from fleet.plumbing.authentication import issue_token, revoke_token
from fleet.roles import Capability, Role
from fleet.services.rows import column_faults, locked, moment, one_transaction, refuse


def found_site(*, code: str, name: str, username: str, full_name: str, password: str) -> Site:
    """A site and its first maintenance manager, without anybody there to allow it.

    For the command line of whoever runs the server only. A person who has the user name already
    keeps name and password and gets the role.
    """
    with one_transaction():
        site = _new_site(code, name)
        user = User.objects.filter(username=username).first()
        if user is None:
            user = _new_user(username, full_name, password)
        _new_membership(user, site, Role.MAINTENANCE_MANAGER, is_trainee=False)
    return site


def add_site(*, actor: User, code: str, name: str) -> Site:
    """A new site; `actor` becomes its first maintenance manager, or nobody could see it.

    Who keeps people at one site may add another.
    """
    require_anywhere(actor, Capability.KEEP_PEOPLE)
    with one_transaction():
        site = _new_site(code, name)
        _new_membership(actor, site, Role.MAINTENANCE_MANAGER, is_trainee=False)
    return site


def add_person(
    *,
    actor: User,
    site: Site,
    username: str,
    full_name: str,
    password: str | None,
    roles: Sequence[str],
    trainee: bool = False,
) -> User:
    """A new person with roles at one site.

    password: None for somebody who cannot sign in by password (a system that posts by token).
    trainee: holds for the technician's role, which then must be among the roles.
    """
    require(actor, Capability.KEEP_PEOPLE, site)
    faults = []
    if not roles:
        faults.append(Fault("Choose at least one role.", field="roles", code="required"))
    if trainee and Role.TECHNICIAN.value not in roles:
        faults.append(
            Fault(
                "Only a technician can be a trainee. Add that role, or leave trainee out.",
                field="trainee",
                code="trainee_role",
            )
        )
    refuse(faults)
    with one_transaction():
        user = _new_user(username, full_name, password)
        for role in dict.fromkeys(roles):
            is_trainee = trainee and role == Role.TECHNICIAN.value
            _new_membership(user, site, role, is_trainee=is_trainee)
    return user


def grant_role(
    *, actor: User, user: User, site: Site, role: str, is_trainee: bool = False
) -> Membership:
    """One more role for a person who has an account."""
    require(actor, Capability.KEEP_PEOPLE, site)
    with one_transaction():
        return _new_membership(user, site, role, is_trainee=is_trainee)


def grant_role_by_name(
    *, actor: User, username: str, site: Site, role: str, is_trainee: bool = False
) -> Membership:
    """The same for programs, which know a person of another site by user name only."""
    require(actor, Capability.KEEP_PEOPLE, site)
    user = User.objects.filter(username=username, is_active=True).first()
    if user is None:
        raise Fault(
            f"Nobody has the user name '{username[:40]}'. Check it, or add the person first.",
            field="username",
            code="unknown",
        )
    return grant_role(actor=actor, user=user, site=site, role=role, is_trainee=is_trainee)


def revoke_role(*, actor: User, membership: Membership) -> None:
    """Takes one role away; a site keeps at least one maintenance manager.

    Locks the site: two managers who remove each other at once would leave none.
    """
    require(actor, Capability.KEEP_PEOPLE, membership.site)
    with one_transaction():
        locked(Site, membership.site_id)
        managers = Membership.objects.filter(
            site_id=membership.site_id, role=Role.MAINTENANCE_MANAGER.value, user__is_active=True
        )
        others = managers.exclude(pk=membership.pk).exists()
        if membership.role == Role.MAINTENANCE_MANAGER.value and not others:
            raise Conflict(
                f"{membership.user} is the last maintenance manager of {membership.site}. Give "
                "somebody else that role first.",
                code="last_manager",
            )
        Membership.objects.filter(pk=membership.pk).delete()


def issue_own_token(
    *, actor: User, name: str, expires_at: datetime, by_token: ApiToken | None = None
) -> tuple[ApiToken, str]:
    """A new API token of one's own and its plain text, which cannot be had again.

    by_token: the token that asks, if one does. It can pass on no longer life than its own, or who
    found a token could keep it for ever.
    """
    if by_token is not None and expires_at > by_token.expires_at:
        raise Fault(
            f"The token you are using ends {moment(by_token.expires_at)}, and it cannot make one "
            "that lasts longer. Choose an earlier end, or sign in and make it on the tokens page.",
            field="expires_at",
            code="beyond_own_end",
        )
    return issue_token(user=actor, name=name, expires_at=expires_at)


def revoke_own_token(*, actor: User, token: ApiToken) -> None:
    """Withdraws a token of one's own at once; a second time changes nothing."""
    if token.user_id != actor.pk:
        raise NotAllowed("This is somebody else's token. Only its owner can withdraw it.")
    revoke_token(token=token)


def _new_site(code: str, name: str) -> Site:
    site = Site(code=code.strip(), name=name.strip())
    refuse(column_faults(site))
    site.save(force_insert=True)
    return site


def _new_user(username: str, full_name: str, password: str | None) -> User:
    user = User(username=username.strip(), full_name=full_name.strip())
    faults = column_faults(user, exclude=["password"])
    if password is not None:
        try:
            validate_password(password, user)
        except ValidationError as exc:
            faults += [
                Fault(" ".join(error.messages), field="password", code=error.code)
                for error in exc.error_list
            ]
    refuse(faults)
    # None gives a password that nothing matches.
    user.set_password(password)
    user.save(force_insert=True)
    return user


def _new_membership(user: User, site: Site, role: str, *, is_trainee: bool) -> Membership:
    membership = Membership(user=user, site=site, role=str(role), is_trainee=is_trainee)
    refuse(column_faults(membership, exclude=["user", "site"]))
    membership.save(force_insert=True)
    return membership
