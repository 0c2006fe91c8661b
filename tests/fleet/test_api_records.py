"""The REST API of models, sheets, people, tokens and files."""

from __future__ import annotations

import io
from datetime import timedelta

import pytest
from django.utils import timezone
from rest_framework.test import APIClient

from fleet.models import (
    ApiToken,
    IdempotencyKey,
    ImportDraft,
    LimitSheet,
    Membership,
    Pump,
    PumpModel,
    User,
)
from tests import factories
from tests.fleet.calls import GOOD_FILE, MakeApi, refused, upload
from tests.fleet.conftest import People

MODEL = {
    "maker": "Kestrelhyd",
    "designation": "K1",
    "family": "external_gear",
    "displacement_cm3": "16.5",
    "rated_pressure_bar": "210",
    "speed_min_rpm": 500,
    "speed_max_rpm": 3000,
    "rotation": "clockwise",
    "oil_grade_vg": 46,
}
LINE = {
    "characteristic": "side_clearance",
    "component": "wear_plate_front",
    "judged_by": "each",
    "unit": "in",
    "limit_high": "0.0070",
    "positions": ["drive 12 o'clock"],
    "page": "4-70",
}


def test_a_model_is_added_and_corrected(people: People, api: MakeApi) -> None:
    client = api(people.manager)
    made = client.post("pump-models", MODEL)
    assert made.status_code == 201, made.content
    assert made.json() == {
        **MODEL,
        "id": made.json()["id"],
        "displacement_cm3": "16.500",
        "rated_pressure_bar": "210.0",
        "mass_kg": None,
        "body_replaceable": False,
        "version": 1,
    }
    path = f"pump-models/{made.json()['id']}"
    changed = client.patch(path, {"mass_kg": "8.5"}, **{"If-Match": made["ETag"]})
    assert (changed.status_code, changed.json()["mass_kg"]) == (200, "8.5")
    refused(client.patch(path, {"mass_kg": "9"}, **{"If-Match": made["ETag"]}), 412, "stale")
    again = client.post("pump-models", MODEL)
    assert refused(again, 409, "conflict") == [("/designation", "taken")]
    refused(api(people.technician).patch(path, {}, **{"If-Match": "*"}), 403, "not_allowed")
    assert PumpModel.objects.get(designation="K1").version == 2


def test_a_sheet_goes_from_draft_to_issued_to_superseded(people: People, api: MakeApi) -> None:
    client = api(people.supervisor)
    model = factories.make_model()
    made = client.post(
        "limit-sheets",
        {"model": model.pk, "revision": "A", "document": "OG-114", "lines": [LINE]},
    )
    assert made.status_code == 201, made.content
    sheet = made.json()
    assert (sheet["state"], sheet["lines"][0]["limit_high"]) == ("draft", "0.0070")
    assert sheet["lines"][0]["required"] is True
    path = f"limit-sheets/{sheet['id']}"
    lines = [{**LINE, "limit_high": "0.006", "required": False}]
    put = client.put(f"{path}/lines", {"lines": lines}, **{"If-Match": made["ETag"]})
    assert put.status_code == 200, put.content
    assert put.json()["lines"][0]["limit_high"] == "0.006"
    assert put.json()["lines"][0]["required"] is False
    refused(client.post(f"{path}/issue", **{"If-Match": made["ETag"]}), 412, "stale")
    issued = client.post(f"{path}/issue", **{"If-Match": put["ETag"]})
    assert (issued.status_code, issued.json()["state"]) == (201, "issued")
    fixed = client.put(f"{path}/lines", {"lines": lines}, **{"If-Match": issued["ETag"]})
    assert refused(fixed, 409, "conflict") == [("", "sheet_fixed")]
    second = client.post(f"{path}/revision", {"revision": "B", "document": "OG-115"})
    assert (second.status_code, second.json()["lines"]) == (201, issued.json()["lines"])
    assert second.json()["document"] == "OG-115"
    next_path = second["Location"].removeprefix("/api/v1/")
    client.post(f"{next_path}/issue", **{"If-Match": second["ETag"]})
    assert client.get(path).json()["state"] == "superseded"
    found = client.get("limit-sheets", model=model.pk, state="issued").json()["results"]
    assert [row["revision"] for row in found] == ["B"]


def test_a_misprint_is_a_problem_that_shows_both_readings(people: People, api: MakeApi) -> None:
    # TM 5-3810-307-24-1-2 prints 0.007 in as (0.018 mm); it is 0.178 mm.
    misprint = {**LINE, "limit_high": "0.007", "also_unit": "mm", "also_limit_high": "0.018"}
    body = {"model": factories.make_model().pk, "revision": "A", "document": "OG-114"}
    response = api(people.supervisor).post("limit-sheets", {**body, "lines": [LINE, misprint]})
    assert refused(response, 422, "invalid") == [
        ("/lines/1/also_limit_high", "units_disagree"),
        ("/lines/1/characteristic", "taken"),
    ]
    detail = response.json()["errors"][0]["detail"]
    assert "0.007 in" in detail
    assert "0.018 mm" in detail
    assert not LimitSheet.objects.exists()


def test_a_length_as_a_json_number_is_refused(people: People, api: MakeApi) -> None:
    body = {"model": factories.make_model().pk, "revision": "A", "document": "OG-114"}
    lines = [{**LINE, "limit_high": 0.15}, {**LINE, "limit_high": "1e-3", "unit": "cm"}]
    response = api(people.supervisor).post("limit-sheets", {**body, "lines": lines})
    assert refused(response, 422, "invalid") == [
        ("/lines/0/limit_high", "not_text"),
        ("/lines/1/unit", "invalid_choice"),
        ("/lines/1/limit_high", "not_a_length"),
    ]


# --- People and tokens ------------------------------------------------------------------------


def test_roles_are_given_and_taken(people: People, api: MakeApi) -> None:
    client = api(people.manager)
    body = {"site": people.north.pk, "username": people.technician.username, "role": "auditor"}
    made = client.post("memberships", body)
    assert made.status_code == 201, made.content
    assert (made.json()["role"], made.json()["full_name"]) == ("auditor", str(people.technician))
    assert refused(client.post("memberships", body), 409, "conflict") == [("/role", "taken")]
    unknown = client.post("memberships", {**body, "username": "nobody"})
    assert refused(unknown, 422, "invalid") == [("/username", "unknown")]
    path = f"memberships/{made.json()['id']}"
    refused(api(people.supervisor).delete(path), 403, "not_allowed")
    assert client.delete(path).status_code == 204
    assert Membership.objects.filter(user=people.technician).count() == 1


def test_a_site_is_added_and_is_its_founders_own(people: People, api: MakeApi) -> None:
    client = api(people.manager)
    made = client.post("sites", {"code": "ridge", "name": "Ridge Pit"})
    assert made.status_code == 201, made.content
    assert client.get(f"sites/{made.json()['id']}").json() == made.json()
    refused(api(people.outsider).get(f"sites/{made.json()['id']}"), 404, "not_found")
    again = client.post("sites", {"code": "ridge", "name": "Ridge"})
    assert refused(again, 409, "conflict")[0][0] == "/code"
    odd = client.post("sites", {"code": "a b", "name": "x" * 81})
    assert [at for at, _code in refused(odd, 422, "invalid")] == ["/code", "/name"]
    refused(api(people.supervisor).post("sites", {"code": "c", "name": "C"}), 403, "not_allowed")


def test_a_person_is_added_with_roles_and_a_password_nobody_can_read(
    people: People, api: MakeApi
) -> None:
    client = api(people.manager)
    password = "nine-wet-lanterns"
    body = {
        "site": people.north.pk,
        "username": "greta",
        "full_name": "Greta Lind",
        "password": password,
        "roles": ["technician", "auditor"],
        "trainee": True,
    }
    made = client.post("people", body)
    assert made.status_code == 201, made.content
    held = [(m["role"], m["is_trainee"]) for m in made.json()["memberships"]]
    assert held == [("technician", True), ("auditor", False)]
    user = User.objects.get(username="greta")
    assert user.check_password(password)
    assert password not in made.content.decode()
    assert refused(client.post("people", body), 409, "conflict")[0][0] == "/username"
    weak = client.post("people", {**body, "username": "hugo", "password": "12345", "roles": []})
    assert ("/roles", "min_length") in refused(weak, 422, "invalid")
    gateway = {**body, "username": "gate", "password": None, "roles": ["integrator"]}
    assert client.post("people", {**gateway, "trainee": False}).status_code == 201
    assert not User.objects.get(username="gate").has_usable_password()
    abroad = client.post("people", {**body, "username": "ida", "site": people.harbour.pk})
    assert refused(abroad, 422, "invalid")[0][0] == "/site"
    refused(api(people.supervisor).post("people", {**body, "username": "jo"}), 403, "not_allowed")


def test_a_token_is_shown_once_and_kept_nowhere(people: People, api: MakeApi) -> None:
    client = api(people.technician)
    body = {"name": "dash", "expires_at": (timezone.now() + timedelta(days=9)).isoformat()}
    made = client.post("tokens", body, **{"Idempotency-Key": "t"})
    assert made.status_code == 201, made.content
    plain = made.json()["token"]
    bearer = APIClient(headers={"Authorization": f"Bearer {plain}"})
    assert bearer.get("/api/v1/sites").status_code == 200
    again = client.post("tokens", body, **{"Idempotency-Key": "t"})
    assert again.json() == {**made.json(), "token": None}
    assert ApiToken.objects.count() == 1
    assert plain.encode() not in bytes(IdempotencyKey.objects.get().body)
    listed = client.get("tokens").json()["results"]
    assert [(row["name"], "token" in row) for row in listed] == [("dash", False)]
    assert api(people.manager).get("tokens").json()["results"] == []
    longer = bearer.post(
        "/api/v1/tokens",
        {"name": "x", "expires_at": "2099-01-01T00:00:00Z"},
        format="json",
        headers={"Idempotency-Key": "u"},
    )
    assert refused(longer, 422, "invalid") == [("/expires_at", "beyond_own_end")]
    assert client.delete(f"tokens/{made.json()['id']}").status_code == 204
    refused(bearer.get("/api/v1/sites"), 401, "token_revoked")


# --- Files ------------------------------------------------------------------------------------


def test_a_file_is_tried_and_taken_over(people: People, api: MakeApi) -> None:
    factories.make_model(maker="Ostermoor", designation="G2-32")
    client = api(people.manager)
    good = GOOD_FILE + b"HP-1,Ostermoor,G2-32,OS-1,Loader\n"
    tried = upload(client, people, good)
    assert tried.status_code == 201, tried.content
    assert (tried.json()["rows_ok"], tried.json()["faults"]) == (1, [])
    assert not Pump.objects.exists()
    path = tried["Location"].removeprefix("/api/v1/")
    taken = client.post(f"{path}/application")
    assert (taken.status_code, taken.json()) == (201, {"rows": 1})
    assert Pump.objects.get().tag == "HP-1"
    twice = client.post(f"{path}/application")
    assert refused(twice, 409, "conflict") == [("", "applied_already")]
    seen = client.get(path).json()
    assert [(f["row"], f["field"]) for f in seen["faults"]] == [(2, "serial"), (2, "tag")]


def test_a_bad_file_is_answered_with_every_bad_row(people: People, api: MakeApi) -> None:
    client = api(people.manager)
    tried = upload(client, people, GOOD_FILE + b"HP 1,Ostermoor,G9,,Loader\n")
    assert tried.status_code == 201, tried.content
    assert [(f["row"], f["field"]) for f in tried.json()["faults"]] == [
        (2, "designation"),
        (2, "serial"),
        (2, "tag"),
    ]
    applied = client.post(f"imports/{tried.json()['draft']['id']}/application")
    assert [pointer for pointer, _code in refused(applied, 422, "invalid")] == [
        "/rows/2/designation",
        "/rows/2/serial",
        "/rows/2/tag",
    ]
    assert ImportDraft.objects.get().applied_at is None


def test_a_wrong_type_of_file_is_refused_with_what_to_send(people: People, api: MakeApi) -> None:
    response = upload(api(people.manager), people, b"%PDF-1.7", "pumps.pdf")
    assert refused(response, 422, "invalid") == [("/file", "wrong_type")]
    assert "Send a .csv file" in response.json()["detail"]
    refused(upload(api(people.technician), people, GOOD_FILE), 403, "not_allowed")
    assert not ImportDraft.objects.exists()


@pytest.mark.parametrize("what", ["pumps", "pump-models", "limit-sheets"])
def test_exports_come_as_csv_or_workbook(
    people: People, api: MakeApi, pump: Pump, what: str
) -> None:
    factories.make_issued_sheet(pump.model)
    client = api(people.auditor)
    csv = client.get(f"exports/{what}")
    assert (csv.status_code, csv["Content-Type"]) == (200, "text/csv; charset=utf-8")
    assert csv["Content-Disposition"] == f'attachment; filename="{what}.csv"'
    book = client.get(f"exports/{what}", file="xlsx")
    assert book.content[:2] == b"PK"
    asked = client.client.get(f"/api/v1/exports/{what}", headers={"Accept": book["Content-Type"]})
    assert asked["Content-Type"] == book["Content-Type"]
    assert refused(client.get(f"exports/{what}", file="pdf"), 422, "invalid") == [
        ("/file", "invalid_choice")
    ]
    refused(api(people.technician).get(f"exports/{what}"), 403, "not_allowed")
    outside = api(people.outsider).get(f"exports/{what}")
    assert (b"HP-1" in outside.content) is False


def test_an_export_is_narrowed_like_the_list(people: People, api: MakeApi, pump: Pump) -> None:
    factories.make_pump(people.north, pump.model, tag="HP-2", status="spare")
    content = io.StringIO(
        api(people.auditor).get("exports/pumps", status="spare").content.decode("utf-8-sig")
    )
    assert [row.split(",")[1] for row in content.read().splitlines()] == ["tag", "HP-2"]
