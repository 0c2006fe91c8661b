"""Nobody sees or changes through the API what belongs to a site of which they are no member.

Walks the URL resolver: an address without an entry in tests/isolation_routes.py fails here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import transaction
from django.utils import timezone
from rest_framework.test import APIClient

from fleet.lifecycle import PumpStatus
from fleet.models import ApiToken, User
from fleet.plumbing.authentication import issue_token, revoke_token
from fleet.plumbing.scoping import SharedViewSet, SiteScopedViewSet
from fleet.services import people, pumps
from inspections.rules.lifecycle import InspectionState
from inspections.services import signing
from tests import factories
from tests.isolation_kinds import Route, Seen, class_of, methods_of, routes_below
from tests.isolation_routes import API
from tests.isolation_world import (
    NOWHERE,
    World,
    all_roles_at,
    changed,
    content_of,
    database,
    fresh_key,
    kept_for_a_module,
    make_world,
    without_role,
)

METHODS = ("get", "head", "post", "put", "patch", "delete", "options")
# The schema is on paper as well: it describes the API and nobody's data.
OPEN_NAMES = {"api-schema"}

# Views of what belongs to all sites by design; they still ask for a role at one of them.
SHARED_VIEWS = {
    "PumpModelViewSet",
    "LeakPathsView",
    "PumpModelExport",
    "LimitSheetViewSet",
    "LimitSheetExport",
    "RejudgementViewSet",
    "PartViewSet",
    "FitViewSet",
    "SupplierViewSet",
    "OfferViewSet",
    "ExchangeRateViewSet",
    "AlternativeViewSet",
}
# Other views without scoping, each with the reason why it shows nothing of a site.
UNSCOPED = {
    "TokenViewSet": "one's own tokens",
    "PersonViewSet": "takes a site that its serializer scopes, and answers the new account alone",
    "LeafSetView": "the standard's usual lists of leaves",
    "ReceiptViewSet": "takes a store that its serializer scopes, and reads nothing back",
    "CorrectionViewSet": "takes a store that its serializer scopes, and reads nothing back",
    "ScrappingViewSet": "takes a store that its serializer scopes, and reads nothing back",
    "HoldingChoiceViewSet": "takes a store that its serializer scopes, and answers two counts",
    "SpectacularAPIView": "the description of the API",
}


def as_user(user: User | None) -> APIClient:
    client = APIClient(raise_request_exception=False)
    if user is not None:
        client.force_authenticate(user)
    return client


def send(client: APIClient, route: Route, url: str, body: Mapping[str, Any]) -> Any:
    """One call as a program would make it that knows the address and the present version."""
    call = getattr(client, route.method)
    if route.method == "get":
        return call(url, dict(body))
    headers = {"Idempotency-Key": fresh_key(), "If-Match": "*"}
    form = "multipart" if route.files else "json"
    return call(url, dict(body), format=form, headers=headers)


def problem(response: Any) -> str:
    """The kind of problem, "" for none."""
    if response.headers.get("Content-Type") != "application/problem+json":
        return ""
    return str(response.json()["type"]).removeprefix("/problems/")


@dataclass(frozen=True)
class Two:
    """Two sites with everything; the outsider may do all that there is, at the other one only."""

    here: World
    there: World
    outsider: User
    media: Path


@pytest.fixture(scope="module")
def built(
    django_db_setup: None, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Two]:
    media = tmp_path_factory.mktemp("media")
    with kept_for_a_module(django_db_blocker, media):
        here, there = make_world("Ash"), make_world("Birch")
        outsider = all_roles_at(there.site, there.second, there.storeless)
        yield Two(here, there, outsider, media)


@pytest.fixture
def two(built: Two, db: None, settings: Any) -> Two:
    settings.MEDIA_ROOT = str(built.media)
    return built


# --- The table is whole -------------------------------------------------------------------------


def test_every_route_of_the_api_is_in_the_table() -> None:
    found = {
        (name, method)
        for name, _path, callback in routes_below("api/v1/")
        if name not in OPEN_NAMES
        for method in methods_of(callback)
    }
    known = {(route.name, route.method) for route in API}
    assert found == known, (
        f"not tried by anybody: {sorted(found - known)}; gone: {sorted(known - found)}"
    )


def test_a_view_of_site_rows_is_scoped_or_says_why_not() -> None:
    views = {class_of(callback) for _name, _path, callback in routes_below("api/v1/")}
    shared = {view.__name__ for view in views if issubclass(view, SharedViewSet)}
    assert shared == SHARED_VIEWS
    either = (SiteScopedViewSet, SharedViewSet)
    assert {view.__name__ for view in views if not issubclass(view, either)} == set(UNSCOPED)
    for view in views:
        if issubclass(view, SiteScopedViewSet):
            # A class attribute `queryset` would be read past the scope by DRF itself.
            assert getattr(view, "queryset", None) is None, view
            assert hasattr(view.scoped_queryset, "visible_to"), view


# --- Somebody of another site -------------------------------------------------------------------


def expected_outside(route: Route) -> tuple[int, str]:
    """Status and kind of problem that an outsider gets for what belongs to another site."""
    if route.seen is Seen.BODY:
        return 422, "invalid"
    if route.seen is Seen.HIDDEN or (route.seen is Seen.OWN and route.path):
        return 404, "not_found"
    return 200, ""


def test_an_outsider_finds_nothing_and_changes_nothing(two: Two) -> None:
    client, before = as_user(two.outsider), database()
    wrong: list[str] = []
    tried: Counter[Seen] = Counter()
    for route in API:
        if route.method != "get" and route.seen in (Seen.SHARED, Seen.OWN) and not route.path:
            continue  # allowed by design; test_roles.py shows what it takes
        if route.method != "get" and route.seen is Seen.SHARED:
            continue
        tried[route.seen] += 1
        answer = send(client, route, route.url(two.here), route.sent(two.here))
        got = (answer.status_code, problem(answer))
        if got != expected_outside(route):
            wrong.append(f"{route}: {got}")
        text = content_of(answer)
        if marks := two.here.marks_in(text):
            wrong.append(f"{route} shows {marks}")
        if tables := changed(before):
            wrong.append(f"{route} changed {tables}")
    assert not wrong, "\n".join(wrong)
    assert min(tried[Seen.HIDDEN] - 30, tried[Seen.BODY] - 8, tried[Seen.LIST] - 8) > 0, tried


def test_the_same_lists_do_show_a_site_to_its_own_people(two: Two) -> None:
    # Or the test above could pass because nothing is ever shown.
    client = as_user(all_roles_at(two.here.site))
    for route in API:
        if route.seen is Seen.LIST and route.name != "token-list":
            answer = send(client, route, route.url(two.here), {})
            assert answer.status_code == 200
            shown = content_of(answer)
            own = {"site-list": two.here.site.name, "store-list": two.here.store.name}
            expected = own.get(route.name)
            if route.name in ("stock-list", "movement-list", "order-line-list"):
                expected = two.here.part.number
            seen = expected in shown if expected else bool(two.here.marks_in(shown))
            assert seen, route
    mine = as_user(two.here.technician).get("/api/v1/tokens")
    assert two.here.marks_in(content_of(mine))


def test_lists_narrowed_to_the_rows_of_another_site_are_empty(two: Two) -> None:
    client, here = as_user(two.outsider), two.here
    insider = as_user(all_roles_at(here.site))
    narrowed: tuple[tuple[str, dict[str, Any]], ...] = (
        ("pumps", {"site": here.site.pk}),
        ("pumps", {"tag": here.pump.tag}),
        ("memberships", {"site": here.site.pk}),
        ("memberships", {"username": here.technician.username}),
        ("instruments", {"site": here.site.pk}),
        ("inspections", {"site": here.site.pk}),
        ("inspections", {"pump": here.open.pump_id}),
        ("inspections", {"awaiting": "true", "site": here.site.pk}),
        ("stock", {"store": here.store.pk}),
        ("stock", {"part": here.part.pk}),
        ("movements", {"store": here.store.pk}),
        ("movements", {"demand": here.reserved.pk}),
        ("counts", {"store": here.store.pk}),
        ("count-lines", {"count": here.count.pk}),
        ("labour", {"inspection": here.signed.pk}),
        ("repair-costs", {"site": here.site.pk}),
        ("orders", {"store": here.store.pk}),
        ("holdings", {"store": here.store.pk}),
        ("forecasts", {"part": here.part.pk}),
        ("order-lines", {"order": here.order_sent.pk}),
        ("demands", {"site": here.site.pk}),
        ("demands", {"inspection": here.signed.pk}),
    )
    for path, query in narrowed:
        answer = client.get(f"/api/v1/{path}", query)
        assert (answer.status_code, answer.json()["results"]) == (200, []), (path, query)
        own = insider.get(f"/api/v1/{path}", query)
        assert own.json()["results"], (path, query)
    file = client.get(f"/api/v1/exports/pumps?site={here.site.pk}&file=csv")
    assert content_of(file).count("\n") == 1, "the column names and no row"


def test_ids_of_another_site_in_a_body_are_refused_like_ids_that_do_not_exist(two: Two) -> None:
    client, before = as_user(two.outsider), database()
    wrong: list[str] = []
    tried = 0
    for route in API:
        for field, name in route.foreign.items():
            url = route.url(two.there)
            answers = []
            for foreign in (two.here.id_of(name), NOWHERE):
                body = {**route.sent(two.there), field: foreign}
                answer = send(client, route, url, body)
                said = content_of(answer).replace(f"No {foreign} that", "No # that")
                answers.append((answer.status_code, said))
            tried += 1
            if answers[0] != answers[1]:
                wrong.append(f"{route}, {field}: {answers}")
            if answers[0][0] != 422 or f'"pointer": "/{field}"' not in answers[0][1]:
                wrong.append(f"{route}, {field}: {answers[0]}")
            if tables := changed(before):
                wrong.append(f"{route}, {field} changed {tables}")
            with transaction.atomic():
                # The very same call with an id of their own goes through.
                own = send(client, route, url, route.sent(two.there))
                transaction.set_rollback(True)
            if own.status_code >= 300:
                wrong.append(f"{route} fails anyhow: {own.status_code} {content_of(own)}")
    assert not wrong, "\n".join(wrong)
    assert tried >= 13


def test_a_line_of_another_model_is_not_measured(two: Two) -> None:
    client, before = as_user(two.outsider), database()
    here = f"/api/v1/inspections/{two.there.open.pk}"
    for step in ("readings", "retakes", "waivers", "next-leaf"):
        route = next(r for r in API if r.name == f"inspection-{step}")
        body = {**route.sent(two.there), "line": two.here.line.pk}
        answer = send(client, route, f"{here}/{step}", body)
        assert (answer.status_code, problem(answer)) == (422, "invalid"), step
    assert changed(before) == []


def test_a_row_is_not_found_below_an_inspection_of_ones_own(two: Two) -> None:
    client, before = as_user(two.outsider), database()
    own = two.there.open.pk
    for path in (f"findings/{two.here.finding.pk}", f"photos/{two.here.photo.pk}"):
        assert client.delete(f"/api/v1/inspections/{own}/{path}").status_code == 404
    assert client.get(f"/api/v1/inspections/{own}/photos/{two.here.photo.pk}").status_code == 404
    assert changed(before) == []


def test_other_methods_give_nothing_away(two: Two) -> None:
    client, before = as_user(two.outsider), database()
    supported = {(route.name, route.method) for route in API}
    wrong: list[str] = []
    for route in {route.name: route for route in API}.values():
        url = route.url(two.here)
        for method in METHODS:
            if (route.name, method) in supported:
                continue
            answer = getattr(client, method)(url)
            reads = method == "head" and (route.name, "get") in supported
            usual = (200, 404, 405) if method == "options" else (200, 404) if reads else (404, 405)
            if answer.status_code not in usual or two.here.marks_in(content_of(answer)):
                wrong.append(f"{method.upper()} {route.name}: {answer.status_code}")
    assert not wrong, "\n".join(wrong)
    assert changed(before) == []


# --- Nobody in particular -----------------------------------------------------------------------


def test_an_account_without_any_role_gets_nothing(two: Two) -> None:
    client = as_user(without_role(two.here))
    before = database()
    wrong: list[str] = []
    for route in API:
        if route.seen is Seen.OPEN or (route.seen is Seen.OWN and not route.path):
            continue
        answer = send(client, route, route.url(two.here), route.sent(two.here))
        got = (answer.status_code, problem(answer))
        if route.seen is Seen.LIST and not route.needs:
            if got != (200, "") or answer.json()["results"] != []:
                wrong.append(f"{route}: {got}")
        elif route.seen in (Seen.SHARED, Seen.LIST):
            if got != (403, "not_allowed"):
                wrong.append(f"{route}: {got}")
        elif got != expected_outside(route):
            wrong.append(f"{route}: {got}")
        if marks := two.here.marks_in(content_of(answer)):
            wrong.append(f"{route} shows {marks}")
        if tables := changed(before):
            wrong.append(f"{route} changed {tables}")
    assert not wrong, "\n".join(wrong)


def test_who_is_not_signed_in_gets_401(two: Two) -> None:
    ended, withdrawn, closed = ended_token(two), withdrawn_token(two), closed_account(two)
    before = database()
    wrong: list[str] = []
    for headers, kind in (
        ({}, "not_signed_in"),
        ({"Authorization": "Bearer wb_never-issued"}, "token_unknown"),
        ({"Authorization": f"Bearer {ended}"}, "token_expired"),
        ({"Authorization": f"Bearer {withdrawn}"}, "token_revoked"),
        ({"Authorization": f"Bearer {closed}"}, "token_unknown"),
    ):
        client = APIClient(headers=headers)
        for route in API:
            answer = send(client, route, route.url(two.here), route.sent(two.here))
            if (answer.status_code, problem(answer)) != (401, kind):
                wrong.append(f"{route} as {kind}: {answer.status_code} {problem(answer)}")
            if "WWW-Authenticate" not in answer.headers:
                wrong.append(f"{route} as {kind}: does not say how to sign in")
    assert not wrong, "\n".join(wrong)
    assert changed(before) == []


def test_the_session_of_a_closed_account_ends_at_once(two: Two) -> None:
    client = APIClient()
    client.force_login(two.here.technician)
    assert client.get("/api/v1/pumps").status_code == 200
    User.objects.filter(pk=two.here.technician.pk).update(is_active=False)
    for route in API:
        answer = send(client, route, route.url(two.here), route.sent(two.here))
        assert answer.status_code == 401, route


def test_the_good_token_of_the_same_person_opens_the_door(two: Two) -> None:
    _token, plain = issue_token(
        user=two.here.technician, name="Good", expires_at=timezone.now() + timedelta(days=1)
    )
    client = APIClient(headers={"Authorization": f"Bearer {plain}"})
    assert client.get(f"/api/v1/pumps/{two.here.pump.pk}").status_code == 200


def ended_token(two: Two) -> str:
    now = timezone.now()
    token, plain = issue_token(
        user=two.here.technician, name="Ended", expires_at=now + timedelta(hours=1)
    )
    ApiToken.objects.filter(pk=token.pk).update(
        created_at=now - timedelta(days=2), expires_at=now - timedelta(days=1)
    )
    return plain


def withdrawn_token(two: Two) -> str:
    token, plain = issue_token(
        user=two.here.technician, name="Lost", expires_at=timezone.now() + timedelta(days=1)
    )
    revoke_token(token=token)
    return plain


def closed_account(two: Two) -> str:
    _token, plain = issue_token(
        user=two.here.trainee, name="Left", expires_at=timezone.now() + timedelta(days=1)
    )
    User.objects.filter(pk=two.here.trainee.pk).update(is_active=False)
    return plain


# --- When somebody or something goes to another site --------------------------------------------


def test_a_role_taken_away_closes_the_site_with_the_next_request(two: Two) -> None:
    client = as_user(two.here.trainee)
    path = f"/api/v1/pumps/{two.here.pump.pk}"
    assert client.get(path).status_code == 200
    people.revoke_role(actor=factories.manager_of(two.here.site), membership=two.here.membership)
    assert client.get(path).status_code == 404


def test_a_pump_that_moves_leaves_its_inspections_behind(two: Two) -> None:
    pump, old = moved_after_signing(two)
    receiver, sender = as_user(two.outsider), as_user(all_roles_at(two.here.site))
    assert receiver.get(f"/api/v1/pumps/{pump.pk}").status_code == 200
    assert receiver.get(f"/api/v1/inspections/{old.pk}").status_code == 404
    assert receiver.get("/api/v1/inspections", {"pump": pump.pk}).json()["results"] == []
    assert sender.get(f"/api/v1/pumps/{pump.pk}").status_code == 404
    assert sender.get(f"/api/v1/inspections/{old.pk}").status_code == 200


def test_a_correction_does_not_reach_the_pump_at_its_new_site(two: Two) -> None:
    pump, old = moved_after_signing(two)
    before = database()["fleet_pump"], database()["fleet_statuschange"]
    supervisor = all_roles_at(two.here.site)
    new = signing.supersede(actor=supervisor, inspection=old, why="Wrong page read.")
    assert InspectionState(new.state) is InspectionState.OPEN
    assert (database()["fleet_pump"], database()["fleet_statuschange"]) == before
    pump.refresh_from_db()
    assert pump.status == "ready_to_rebuild"


def moved_after_signing(two: Two) -> tuple[Any, Any]:
    """A pump signed at one site, ready to rebuild, then moved to the other."""
    both = all_roles_at(two.here.site, two.there.site)
    pump = factories.make_pump(two.here.site, two.here.model)
    old = factories.make_signed_inspection(both, pump)
    pumps.advance_status(
        actor=both,
        pump_id=pump.pk,
        new=PumpStatus.READY_TO_REBUILD,
        why="Nothing to wait for",
    )
    moved = pumps.move_pump(actor=both, pump=pump, to_site=two.there.site, why="Spare needed")
    return moved, old
