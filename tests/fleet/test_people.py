"""Sites, people, roles, and the command that begins an installation."""

from __future__ import annotations

import io
import sys
from datetime import timedelta

import pytest
from django.core.management import CommandError, call_command
from django.utils import timezone

from fleet.access import roles_at
from fleet.faults import Conflict, Fault, Faults, NotAllowed
from fleet.models import ApiToken, Membership, Site, User
from fleet.plumbing.authentication import issue_token
from fleet.roles import Role
from fleet.services import people as services
from tests import factories
from tests.fleet.conftest import People


def test_who_adds_a_site_looks_after_it(people: People) -> None:
    site = services.add_site(actor=people.manager, code="forest-mill", name="Forest Mill")
    assert roles_at(people.manager, site) == {Role.MAINTENANCE_MANAGER}
    with pytest.raises(NotAllowed):
        services.add_site(actor=people.supervisor, code="other", name="Other")
    assert not Site.objects.filter(code="other").exists()


def test_a_site_code_is_taken_once(people: People) -> None:
    with pytest.raises(Conflict) as refused:
        services.add_site(actor=people.manager, code="harbour-yard", name="Other yard")
    assert (refused.value.field, refused.value.code) == ("code", "taken")
    with pytest.raises(Conflict) as refused:
        services.add_site(actor=people.manager, code="other", name="Harbour Yard")
    assert refused.value.field == "name"


def test_a_person_is_added_with_roles(people: People) -> None:
    user = services.add_person(
        actor=people.manager,
        site=people.north,
        username="ines",
        full_name="Ines Harrow",
        password="seven-lamps-on-a-hill",
        roles=["technician", "stores_clerk"],
        trainee=True,
    )
    assert user.check_password("seven-lamps-on-a-hill")
    held = Membership.objects.filter(user=user).values_list("role", "is_trainee")
    assert sorted(held) == [("stores_clerk", False), ("technician", True)]


def test_a_person_without_password_cannot_sign_in_by_one(people: People) -> None:
    user = factories.make_person(people.north, Role.INTEGRATOR, password=None)
    assert not user.has_usable_password()


def test_a_person_is_refused_with_all_that_is_wrong(people: People) -> None:
    before = User.objects.count()
    with pytest.raises(Faults) as refused:
        services.add_person(
            actor=people.manager,
            site=people.north,
            username="a b",
            full_name="",
            password="123",
            roles=["technician"],
        )
    assert {f.field for f in refused.value.each()} == {"username", "full_name", "password"}
    with pytest.raises(Fault) as role:
        factories.make_person(people.north, "captain")
    assert role.value.field == "role"
    assert User.objects.count() == before


def test_a_user_name_is_taken_once(people: People) -> None:
    factories.make_person(people.north, username="ines")
    with pytest.raises(Conflict) as refused:
        factories.make_person(people.harbour, username="ines")
    assert (refused.value.field, refused.value.code) == ("username", "taken")


def test_only_a_technician_is_a_trainee(people: People) -> None:
    with pytest.raises(Fault) as refused:
        factories.make_person(people.north, Role.SUPERVISOR, trainee=True)
    assert refused.value.field == "trainee"
    with pytest.raises(Fault) as refused:
        services.grant_role(
            actor=people.manager,
            user=people.technician,
            site=people.north,
            role="supervisor",
            is_trainee=True,
        )
    assert (refused.value.field, refused.value.code) == ("is_trainee", "trainee_role")


def test_roles_are_given_by_who_keeps_people_at_that_site(people: People) -> None:
    before = Membership.objects.count()
    for actor in (people.supervisor, people.outsider):
        with pytest.raises(NotAllowed):
            services.grant_role(
                actor=actor, user=people.technician, site=people.north, role="auditor"
            )
    assert Membership.objects.count() == before


def test_a_role_is_held_once(people: People) -> None:
    with pytest.raises(Conflict) as refused:
        services.grant_role(
            actor=people.manager, user=people.technician, site=people.north, role="technician"
        )
    assert refused.value.code == "taken"


def test_the_last_maintenance_manager_stays(people: People) -> None:
    own = Membership.objects.get(user=people.manager, site=people.north)
    with pytest.raises(Conflict) as refused:
        services.revoke_role(actor=people.manager, membership=own)
    assert refused.value.code == "last_manager"
    assert Membership.objects.filter(pk=own.pk).exists()
    services.grant_role(
        actor=people.manager,
        user=people.supervisor,
        site=people.north,
        role="maintenance_manager",
    )
    services.revoke_role(actor=people.manager, membership=own)
    assert not Membership.objects.filter(pk=own.pk).exists()


def test_a_token_passes_on_no_longer_life_than_its_own(people: People) -> None:
    soon = timezone.now() + timedelta(days=1)
    token, _plain = issue_token(user=people.technician, name="dash", expires_at=soon)
    with pytest.raises(Fault) as refused:
        services.issue_own_token(
            actor=people.technician,
            name="longer",
            expires_at=soon + timedelta(days=1),
            by_token=token,
        )
    assert (refused.value.field, refused.value.code) == ("expires_at", "beyond_own_end")
    assert ApiToken.objects.count() == 1


def test_a_token_is_withdrawn_by_its_owner_only(people: People) -> None:
    soon = timezone.now() + timedelta(days=1)
    token, _plain = issue_token(user=people.technician, name="dash", expires_at=soon)
    with pytest.raises(NotAllowed):
        services.revoke_own_token(actor=people.manager, token=token)
    token.refresh_from_db()
    assert token.revoked_at is None
    services.revoke_own_token(actor=people.technician, token=token)
    token.refresh_from_db()
    assert token.revoked_at is not None


def _found(monkeypatch: pytest.MonkeyPatch, *arguments: str, password: str) -> str:
    monkeypatch.setattr(sys, "stdin", io.StringIO(password + "\n"))
    out = io.StringIO()
    call_command("found_site", *arguments, "--password-stdin", stdout=out)
    return out.getvalue()


@pytest.mark.django_db
def test_the_first_site_is_founded_from_the_command_line(monkeypatch: pytest.MonkeyPatch) -> None:
    said = _found(
        monkeypatch, "north", "Quarry North", "ada", "Ada Ferris", password="seven-lamps-on-a-hill"
    )
    assert "Quarry North" in said
    assert "seven-lamps" not in said
    user = User.objects.get(username="ada")
    assert user.check_password("seven-lamps-on-a-hill")
    assert roles_at(user, Site.objects.get(code="north")) == {Role.MAINTENANCE_MANAGER}


@pytest.mark.django_db
def test_founding_a_site_again_is_refused_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    _found(monkeypatch, "north", "North", "ada", "Ada Ferris", password="seven-lamps-on-a-hill")
    with pytest.raises(CommandError, match="Another site has this code"):
        _found(monkeypatch, "north", "Other", "bo", "Bo Lind", password="seven-lamps-on-a-hill")
    assert not User.objects.filter(username="bo").exists()


@pytest.mark.django_db
def test_a_weak_password_is_refused_on_the_command_line(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(CommandError):
        _found(monkeypatch, "north", "North", "ada", "Ada Ferris", password="12345678")
    assert not Site.objects.exists()
