"""Each role may do through the API what fleet/roles.py says, and nothing else.

What a route takes is written down in tests/isolation_routes.py, read from the services; who may is
read from ROLE_MAY. Whoever may not gets 403 and changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from django.db import transaction

from fleet.models import Membership, User
from fleet.roles import ROLE_MAY, Role
from tests.api.test_isolation import as_user, problem, send
from tests.isolation_kinds import Route, Seen
from tests.isolation_routes import API
from tests.isolation_world import (
    World,
    all_roles_at,
    changed,
    content_of,
    database,
    kept_for_a_module,
    make_world,
    person_with,
)


@pytest.fixture(scope="module")
def built(
    django_db_setup: None, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[World, Any]]:
    media = tmp_path_factory.mktemp("media")
    with kept_for_a_module(django_db_blocker, media):
        yield make_world("Ash"), media


@pytest.fixture
def world(built: tuple[World, Any], db: None, settings: Any) -> World:
    settings.MEDIA_ROOT = str(built[1])
    return built[0]


def tried(person: User, route: Route, world: World, before: dict[str, str]) -> tuple[Any, bool]:
    """The answer, and whether a row changed; all is undone afterwards."""
    client = as_user(person)
    with transaction.atomic():
        answer = send(client, route, route.url(world), route.sent(world))
        answer.text_shown = content_of(answer)
        wrote = bool(changed(before))
        transaction.set_rollback(True)
    return answer, wrote


ROUTES = [route for route in API if route.seen is not Seen.OWN]


@pytest.mark.parametrize("role", list(Role))
def test_a_role_may_do_what_the_table_of_roles_says(world: World, role: Role) -> None:
    person = person_with(role, world)
    before = database()
    wrong: list[str] = []
    for route in ROUTES:
        if route.method == "get" and not route.needs and role is not Role.AUDITOR:
            continue  # any role will do: tried with the one that may do least
        may = route.needs <= ROLE_MAY[role]
        answer, wrote = tried(person, route, world, before)
        writes = route.method != "get"
        got = (answer.status_code < 300, answer.status_code, problem(answer), wrote)
        if may and got[0] and wrote == writes:
            continue
        if not may and got[1:] == (403, "not_allowed", False):
            continue
        wrong.append(f"{route} (may: {may}): {got[1:]} {answer.text_shown[:200]}")
    assert not wrong, "\n".join(wrong)


def test_an_auditor_reads_all_of_the_site_and_writes_nothing() -> None:
    # What each route really does for an auditor is tried above.
    may = ROLE_MAY[Role.AUDITOR]
    assert [str(r) for r in ROUTES if r.method != "get" and r.needs <= may] == []
    # A draft of an import is tried anew to be shown, and that is for those who may take it over.
    # The list shows the auditor which file it was, by whom, and whether it was taken over.
    not_read = [r.name for r in ROUTES if r.method == "get" and not r.needs <= may]
    assert not_read == ["import-detail"]


def test_every_capability_is_asked_for_by_some_route() -> None:
    # A capability that no route asks for would be tested by nobody.
    asked = frozenset().union(*(route.needs for route in API))
    assert {c for may in ROLE_MAY.values() for c in may} - asked == set()


def test_a_role_at_one_site_is_no_role_at_another(world: World) -> None:
    """All roles there, an auditor's here: everything is seen and nothing may be done."""
    person = all_roles_at(world.second)
    Membership.objects.create(user=person, site=world.site, role=Role.AUDITOR.value)
    before = database()
    wrong: list[str] = []
    for route in API:
        if route.method == "get" or route.seen in (Seen.SHARED, Seen.OWN):
            continue  # what belongs to all sites may be kept by a role at any
        body = route.sent(world)
        if "storeless" in route.foreign.values():
            body["site"] = world.site.pk
        answer = send(as_user(person), route, route.url(world), body)
        if (answer.status_code, problem(answer)) != (403, "not_allowed") or changed(before):
            wrong.append(f"{route}: {answer.status_code} {content_of(answer)[:200]}")
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("step", ["inspection-countersignature", "inspection-return"])
def test_a_trainee_signs_and_does_not_countersign(world: World, step: str) -> None:
    before = database()
    sign = next(route for route in API if route.name == "inspection-signature")
    answer, _wrote = tried(world.trainee, sign, world, before)
    assert answer.json()["state"] == "awaiting_countersignature"
    route = next(route for route in API if route.name == step)
    answer, wrote = tried(world.trainee, route, world, before)
    assert (answer.status_code, problem(answer), wrote) == (403, "not_allowed", False)
