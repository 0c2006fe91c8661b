"""The REST API of the fleet: who sees what, who may what, and how it is refused."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import (
    ApiToken,
    HoursReading,
    IdempotencyKey,
    LimitSheet,
    Membership,
    Pump,
)
from fleet.services.people import grant_role
from tests import factories
from tests.fleet.calls import GOOD_FILE, MakeApi, refused, upload
from tests.fleet.conftest import People


def pumps_now() -> list[Any]:
    return list(Pump.objects.order_by("pk").values_list())


# --- Who sees what ----------------------------------------------------------------------------


def test_nobody_is_let_in_without_signing_in(people: People, api: MakeApi) -> None:
    refused(api(None).get("pumps"), 401, "not_signed_in")


def test_lists_hold_the_own_sites_only(people: People, api: MakeApi, pump: Pump) -> None:
    other = factories.make_pump(people.harbour, pump.model, tag="HP-1")
    for user, own in ((people.technician, pump), (people.outsider, other)):
        found = api(user).get("pumps").json()["results"]
        assert [row["id"] for row in found] == [own.pk]
    assert [s["code"] for s in api(people.outsider).get("sites").json()["results"]] == [
        "harbour-yard"
    ]
    held = api(people.outsider).get("memberships").json()["results"]
    assert [row["site_code"] for row in held] == ["harbour-yard"]


@pytest.mark.parametrize(
    ("method", "path", "body"),
    [
        ("get", "pumps/{pump}", None),
        ("get", "pumps/{pump}/history", None),
        ("patch", "pumps/{pump}", {"tag": "HP-X"}),
        ("post", "pumps/{pump}/hours", {"meter_h": "9999"}),
        ("post", "pumps/{pump}/moves", {"to_site": 1, "why": "x"}),
        ("post", "pumps/{pump}/status", {"status": "spare", "why": "x"}),
        ("get", "sites/{site}", None),
        ("get", "memberships/{member}", None),
        ("delete", "memberships/{member}", None),
        ("get", "imports/{draft}", None),
        ("post", "imports/{draft}/application", None),
        ("get", "tokens/{token}", None),
        ("delete", "tokens/{token}", None),
    ],
)
def test_an_outsider_finds_nothing_and_changes_nothing(
    people: People, api: MakeApi, pump: Pump, method: str, path: str, body: Any
) -> None:
    draft = upload(api(people.manager), people, GOOD_FILE).json()["draft"]["id"]
    api(people.manager).post("tokens", {"name": "dash", "expires_at": "2099-01-01T00:00:00Z"})
    ids = {
        "pump": pump.pk,
        "site": people.north.pk,
        "member": Membership.objects.get(user=people.technician).pk,
        "draft": draft,
        "token": ApiToken.objects.get().pk,
    }
    before = (pumps_now(), list(Membership.objects.values_list()), list(ApiToken.objects.values()))
    client = api(people.outsider)
    call = getattr(client, method)
    arguments = [path.format(**ids)] + ([body] if body is not None else [])
    if method == "patch":
        response = call(*arguments, **{"If-Match": "*"})
    else:
        response = call(*arguments)
    refused(response, 404, "not_found")
    after = (pumps_now(), list(Membership.objects.values_list()), list(ApiToken.objects.values()))
    assert after == before


def test_an_id_of_another_site_in_a_body_is_as_unknown_as_one_that_is_not_there(
    people: People, api: MakeApi, pump: Pump
) -> None:
    body = {"model": pump.model.pk, "tag": "HP-2", "serial": "S-2", "machine": "Loader"}
    client = api(people.manager)
    said = []
    for site in (people.harbour.pk, 999_999):
        response = client.post("pumps", {**body, "site": site})
        assert refused(response, 422, "invalid") == [("/site", "does_not_exist")]
        said.append(response.json()["detail"].replace(str(site), "N"))
    assert said[0] == said[1]
    assert Pump.objects.count() == 1


@pytest.mark.parametrize(
    ("path", "body"),
    [
        (
            "pumps",
            {"site": "{site}", "model": "{model}", "tag": "X", "serial": "X", "machine": "X"},
        ),
        ("pumps/{pump}/status", {"status": "spare", "why": "x"}),
        ("pumps/{pump}/moves", {"to_site": "{site}", "why": "x"}),
        ("pumps/{pump}/hours", {"meter_h": "9999"}),
        ("memberships", {"site": "{site}", "username": "x", "role": "auditor"}),
        ("limit-sheets", {"model": "{model}", "revision": "B", "document": "x"}),
        ("limit-sheets/{sheet}/issue", {}),
        ("limit-sheets/{sheet}/revision", {"revision": "C"}),
    ],
)
def test_a_member_without_the_role_is_refused_and_nothing_changes(
    people: People, api: MakeApi, pump: Pump, path: str, body: dict[str, Any]
) -> None:
    sheet = factories.make_issued_sheet(pump.model)
    ids = {"pump": pump.pk, "site": people.north.pk, "model": pump.model.pk, "sheet": sheet.pk}
    body = {k: v.format(**ids) if isinstance(v, str) else v for k, v in body.items()}

    def everything() -> list[Any]:
        tables = (Pump, HoursReading, Membership, LimitSheet, IdempotencyKey)
        return [list(table.objects.order_by("pk").values_list()) for table in tables]

    before = everything()
    response = api(people.auditor).post(path.format(**ids), body, **{"If-Match": "*"})
    refused(response, 403, "not_allowed")
    assert everything() == before


# --- Pumps ------------------------------------------------------------------------------------


def test_a_pump_is_added_read_and_changed_by_its_tag_of_version(
    people: People, api: MakeApi
) -> None:
    client = api(people.manager)
    model = factories.make_model()
    made = client.post(
        "pumps",
        {
            "site": people.north.pk,
            "model": model.pk,
            "tag": "HP-1",
            "serial": "OS-1",
            "machine": "Loader 7",
            "meter_h": "1200.5",
            "read_at": "2026-03-14T08:30:00Z",
        },
    )
    assert made.status_code == 201, made.content
    body = made.json()
    assert made["Location"] == f"/api/v1/pumps/{body['id']}"
    assert made["ETag"] == f'"{body["id"]}-1"'
    assert body == {
        "id": body["id"],
        "site": people.north.pk,
        "site_code": "quarry-north",
        "model": model.pk,
        "model_name": str(model),
        "family": "external_gear",
        "tag": "HP-1",
        "serial": "OS-1",
        "machine": "Loader 7",
        "position": "",
        "status": "in_service",
        "meter_h": "1200.5",
        "running_h": "1200.5",
        "hours_read_at": "2026-03-14T08:30:00Z",
        "next_inspection_on": None,
        "version": 1,
    }
    read = client.get(f"pumps/{body['id']}")
    assert (read.json(), read["ETag"]) == (body, made["ETag"])
    changed = client.patch(
        f"pumps/{body['id']}", {"machine": "Crusher"}, **{"If-Match": made["ETag"]}
    )
    assert changed.status_code == 200, changed.content
    assert (changed.json()["machine"], changed["ETag"]) == ("Crusher", f'"{body["id"]}-2"')


def test_a_change_needs_the_present_etag(people: People, api: MakeApi, pump: Pump) -> None:
    client = api(people.manager)
    before = pumps_now()
    refused(client.patch(f"pumps/{pump.pk}", {"tag": "X"}), 428, "precondition_missing")
    for tag in (f'"{pump.pk}-2"', f'W/"{pump.pk}-1"'):
        response = client.patch(f"pumps/{pump.pk}", {"tag": "X"}, **{"If-Match": tag})
        refused(response, 412, "stale")
        assert response["ETag"] == f'"{pump.pk}-1"'
    for path in ("moves", "status"):
        body = {"to_site": people.north.pk, "status": "spare", "why": "x"}
        refused(client.post(f"pumps/{pump.pk}/{path}", body), 428, "precondition_missing")
    assert pumps_now() == before


def test_a_repeated_post_acts_once(people: People, api: MakeApi, pump: Pump) -> None:
    client = api(people.technician)
    body = {"meter_h": "1300.0"}
    first = client.post(f"pumps/{pump.pk}/hours", body, **{"Idempotency-Key": "same"})
    again = client.post(f"pumps/{pump.pk}/hours", body, **{"Idempotency-Key": "same"})
    assert (first.status_code, again.status_code) == (201, 201)
    assert (again.content, again["ETag"]) == (first.content, first["ETag"])
    assert again["Idempotent-Replay"] == "true"
    assert HoursReading.objects.filter(pump=pump).count() == 2
    other = client.post(
        f"pumps/{pump.pk}/hours", {"meter_h": "1400.0"}, **{"Idempotency-Key": "same"}
    )
    refused(other, 422, "idempotency_key_reused")
    missing = client.post(f"pumps/{pump.pk}/hours", body, **{"Idempotency-Key": ""})
    refused(missing, 400, "idempotency_key_missing")
    assert HoursReading.objects.filter(pump=pump).count() == 2


def test_a_meter_that_falls_is_a_problem_that_names_both_readings(
    people: People, api: MakeApi, pump: Pump
) -> None:
    before = pumps_now()
    response = api(people.technician).post(f"pumps/{pump.pk}/hours", {"meter_h": "1100"})
    assert refused(response, 422, "invalid") == [("/meter_h", "meter_falls")]
    assert "1200.0 h" in response.json()["detail"]
    assert "1100.0 h" in response.json()["detail"]
    assert pumps_now() == before
    assert HoursReading.objects.filter(pump=pump).count() == 1


def test_a_pump_moves_and_its_history_tells(people: People, api: MakeApi, pump: Pump) -> None:
    grant_role(actor=people.outsider, user=people.manager, site=people.harbour, role="auditor")
    client = api(people.manager)
    client.post(f"pumps/{pump.pk}/hours", {"meter_h": "1250", "note": "Service"})
    moved = client.post(
        f"pumps/{pump.pk}/moves",
        {"to_site": people.harbour.pk, "why": "On loan"},
        **{"If-Match": f'"{pump.pk}-2"'},
    )
    assert moved.status_code == 201, moved.content
    assert (moved.json()["site_code"], moved["ETag"]) == ("harbour-yard", f'"{pump.pk}-3"')
    refused(api(people.technician).get(f"pumps/{pump.pk}"), 404, "not_found")
    history = client.get(f"pumps/{pump.pk}/history").json()
    assert history["more_before"] is None
    assert [(line["what"], line["summary"]) for line in history["results"]] == [
        ("move", "From Quarry North to Harbour Yard"),
        ("hours", "Meter 1250.0 h, running 1250.0 h"),
        ("status", "Registered, in service"),
        ("hours", "Meter 1200.0 h, running 1200.0 h"),
    ]
    earlier = client.get(f"pumps/{pump.pk}/history", before=history["results"][1]["at"]).json()
    assert earlier["results"] == history["results"][2:]


def test_a_state_is_set_by_hand(people: People, api: MakeApi, pump: Pump) -> None:
    body = {"status": "spare", "why": "Machine sold"}
    response = api(people.manager).post(
        f"pumps/{pump.pk}/status", body, **{"If-Match": f'"{pump.pk}-1"'}
    )
    assert (response.status_code, response.json()["status"]) == (201, "spare")
    response = api(people.manager).post(
        f"pumps/{pump.pk}/status", body, **{"If-Match": f'"{pump.pk}-2"'}
    )
    assert refused(response, 409, "conflict") == [("/status", "illegal_move")]


def test_lists_are_narrowed_by_filters(people: People, api: MakeApi, pump: Pump) -> None:
    other = factories.make_pump(
        people.north,
        factories.make_model(family="vane"),
        tag="VP-9",
        machine="Press",
        status="spare",
    )
    client = api(people.auditor)

    def tags(**query: Any) -> list[str]:
        return [row["tag"] for row in client.get("pumps", **query).json()["results"]]

    assert tags() == ["VP-9", "HP-1"]
    assert tags(family="vane") == tags(status="spare") == tags(tag="vp") == ["VP-9"]
    assert tags(machine="press") == tags(model=other.model.pk) == ["VP-9"]
    assert tags(site=people.north.pk) == ["VP-9", "HP-1"]
    assert tags(site=people.harbour.pk) == []
    assert refused(client.get("pumps", family="boat"), 422, "invalid") == [
        ("/family", "invalid_choice")
    ]


@pytest.mark.parametrize("path", ["pumps", "pump-models", "limit-sheets", "memberships", "imports"])
def test_a_list_takes_the_same_queries_for_one_row_and_for_many(
    people: People, api: MakeApi, path: str
) -> None:
    client = api(people.manager)

    def add() -> None:
        model = factories.make_model()
        factories.make_issued_sheet(model)
        factories.make_pump(people.north, model)
        factories.make_person(people.north)
        upload(client, people, GOOD_FILE)

    def queries() -> tuple[int, int]:
        with CaptureQueriesContext(connection) as captured:
            rows = client.get(path).json()["results"]
        return len(captured), len(rows)

    add()
    before, few = queries()
    for _ in range(5):
        add()
    after, many = queries()
    assert many == few + 5
    assert after == before


def test_pages_follow_each_other_by_cursor(people: People, api: MakeApi, pump: Pump) -> None:
    for _ in range(4):
        factories.make_pump(people.north, pump.model)
    client = api(people.manager)
    page = client.get("pumps", page_size=2).json()
    ids = [row["id"] for row in page["results"]]
    while page["next"]:
        page = client.client.get(page["next"]).json()
        ids += [row["id"] for row in page["results"]]
    assert ids == sorted(Pump.objects.values_list("pk", flat=True), reverse=True)
