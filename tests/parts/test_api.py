"""The REST API of catalogue, stores and demands."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from rest_framework.response import Response
from rest_framework.test import APIClient

from fleet.models import Pump, User
from parts.models import Demand, Fit, KitContent, Movement, Part, StockLevel, Store
from parts.services import catalogue, demands
from tests import factories
from tests.parts.build import (
    GEARS,
    SEALS,
    Yard,
    fit,
    level,
    make_part,
    make_signed,
    make_yard,
    put_on_shelf,
    raise_demand,
)

pytestmark = pytest.mark.django_db

API = "/api/v1"


class Caller:
    """One person's program; each POST carries a new key unless it is given one."""

    def __init__(self, user: User) -> None:
        self.client = APIClient()
        self.client.force_authenticate(user)

    def get(self, path: str, **query: Any) -> Response:
        return self.client.get(API + path, query)

    def post(self, path: str, body: Any = None, key: str | None = None) -> Response:
        return self.client.post(
            API + path, body or {}, headers={"Idempotency-Key": key or f"k{factories.number()}"}
        )

    def patch(self, path: str, body: Any, etag: str | None) -> Response:
        return self.client.patch(API + path, body, headers={"If-Match": etag} if etag else {})

    def put(self, path: str, body: Any, etag: str | None) -> Response:
        return self.client.put(API + path, body, headers={"If-Match": etag} if etag else {})


def everything() -> list[Any]:
    """All rows that the API could have changed."""
    models = (Part, KitContent, Fit, Store, StockLevel, Movement, Demand, Pump)
    return [list(m._default_manager.order_by("pk").values()) for m in models]


@pytest.fixture
def yard() -> Yard:
    return make_yard()


@pytest.fixture
def clerk(yard: Yard) -> Caller:
    return Caller(yard.clerk)


# --- Catalogue ----------------------------------------------------------------------------------


def test_a_part_is_added_once_per_key(clerk: Caller) -> None:
    body = {"number": "sk-1", "name": "Seal kit", "is_kit": True}
    first, second = clerk.post("/parts", body, key="one"), clerk.post("/parts", body, key="one")
    assert (first.status_code, second.status_code) == (201, 201)
    assert first.content == second.content
    assert first.json()["number"] == "SK-1"
    part = Part.objects.get()
    assert first["Location"].endswith(f"/parts/{part.pk}")
    assert first["ETag"] == f'"{part.pk}-1"'
    assert clerk.post("/parts", {**body, "name": "x"}, key="one").status_code == 422


def test_a_post_without_a_key_is_refused(clerk: Caller) -> None:
    response = clerk.client.post(f"{API}/parts", {"number": "SK-1", "name": "Seal kit"})
    assert response.status_code == 400
    assert response["Content-Type"] == "application/problem+json"
    assert not Part.objects.exists()


def test_a_taken_number_is_a_conflict_with_a_pointer(clerk: Caller, yard: Yard) -> None:
    make_part(yard, number="SK-1")
    response = clerk.post("/parts", {"number": "SK-1", "name": "Other"})
    assert response.status_code == 409
    assert [e["pointer"] for e in response.json()["errors"]] == ["/number"]
    assert Part.objects.count() == 1


def test_a_change_needs_the_present_tag(clerk: Caller, yard: Yard) -> None:
    part = make_part(yard)
    path = f"/parts/{part.pk}"
    etag = clerk.get(path)["ETag"]
    assert clerk.patch(path, {"name": "New"}, None).status_code == 428
    changed = clerk.patch(path, {"name": "New"}, etag)
    assert (changed.status_code, changed.json()["name"]) == (200, "New")
    assert changed["ETag"] == f'"{part.pk}-2"'
    stale = clerk.patch(path, {"name": "Newer"}, etag)
    assert (stale.status_code, stale["ETag"]) == (412, f'"{part.pk}-2"')
    part.refresh_from_db()
    assert (part.name, part.version) == ("New", 2)


def test_the_contents_of_a_kit_are_put_as_a_whole(clerk: Caller, yard: Yard) -> None:
    kit, ring = make_part(yard), make_part(yard, is_kit=False)
    path = f"/parts/{kit.pk}/contents"
    body = {"contents": [{"part": ring.pk, "quantity": 4}]}
    assert clerk.put(path, body, None).status_code == 428
    response = clerk.put(path, body, f'"{kit.pk}-1"')
    assert response.status_code == 200
    assert response.json()["contents"] == [
        {"part": ring.pk, "number": ring.number, "name": ring.name, "quantity": 4}
    ]
    wrong = {"contents": [{"part": kit.pk, "quantity": 0}]}
    refused = clerk.put(path, wrong, f'"{kit.pk}-2"')
    assert refused.status_code == 422
    assert {e["pointer"] for e in refused.json()["errors"]} == {
        "/contents/0/part",
        "/contents/0/quantity",
    }
    assert KitContent.objects.count() == 1


def test_parts_are_found_by_words(clerk: Caller, yard: Yard) -> None:
    small = make_part(yard, number="SK-100", name="Seal kit, small")
    make_part(yard, number="SK-200", name="Seal kit, large")
    assert [p["id"] for p in clerk.get("/parts", q="small sk").json()["results"]] == [small.pk]
    assert len(clerk.get("/parts").json()["results"]) == 2


def test_fits_are_named_and_taken_back(clerk: Caller, yard: Yard) -> None:
    model, part = factories.make_model(), make_part(yard)
    body = {"model": model.pk, "component": SEALS, "part": part.pk, "quantity": 2}
    made = clerk.post("/fits", body)
    assert made.status_code == 200
    assert clerk.get("/fits", model=model.pk).json()["results"] == [made.json()]
    assert clerk.get("/fits", model=model.pk + 1).json()["results"] == []
    assert clerk.client.delete(f"{API}/fits/{made.json()['id']}").status_code == 204
    assert not Fit.objects.exists()


def test_holders_name_sites_and_numbers_only(clerk: Caller, yard: Yard) -> None:
    other = make_yard("Forest Mill")
    part = make_part(yard)
    put_on_shelf(other, part, 3)
    response = clerk.get(f"/parts/{part.pk}/holders")
    assert response.json() == [{"site_name": "Forest Mill", "available": 3}]


# --- Stores -------------------------------------------------------------------------------------


def test_a_receipt_answers_with_its_ledger_line(clerk: Caller, yard: Yard) -> None:
    part = make_part(yard)
    body = {"store": yard.store.pk, "part": part.pk, "quantity": 5, "bin": "a3"}
    response = clerk.post("/stock-receipts", body, key="once")
    again = clerk.post("/stock-receipts", body, key="once")
    assert (response.status_code, again.content) == (201, response.content)
    assert response.json()["on_hand_change"] == 5
    assert level(yard, part) == (5, 0)
    (row,) = clerk.get("/stock").json()["results"]
    assert (row["bin"], row["on_hand"], row["available"], row["missing"]) == ("A3", 5, 5, 0)


def test_counts_and_scrappings_go_into_the_ledger(clerk: Caller, yard: Yard) -> None:
    part = make_part(yard)
    put_on_shelf(yard, part, 5)
    at = {"store": yard.store.pk, "part": part.pk}
    counted = clerk.post("/stock-corrections", {**at, "counted": 4, "reason": "Counted"})
    scrapped = clerk.post("/stock-scrappings", {**at, "quantity": 1, "reason": "Rusty"})
    assert (counted.status_code, scrapped.status_code) == (201, 201)
    too_many = clerk.post("/stock-scrappings", {**at, "quantity": 9, "reason": "Rusty"})
    assert too_many.status_code == 409
    assert "3 of" in too_many.json()["detail"]
    kinds = [m["kind"] for m in clerk.get("/movements", **at).json()["results"]]
    assert kinds == ["scrap", "correction", "receipt"]
    assert level(yard, part) == (3, 0)


def test_stock_is_filtered_by_what_is_missing(clerk: Caller, yard: Yard) -> None:
    here, missing = make_part(yard), make_part(yard)
    put_on_shelf(yard, here, 1)
    raise_demand(yard, missing, 3)
    (row,) = clerk.get("/stock", short="true").json()["results"]
    assert (row["part"], row["missing"]) == (missing.pk, 3)
    (row,) = clerk.get("/stock", short="false").json()["results"]
    assert row["part"] == here.pk


def test_the_store_of_a_new_site_is_opened(yard: Yard) -> None:
    site = factories.make_site()
    caller = Caller(factories.make_person(site, "stores_clerk"))
    response = caller.post("/stores", {"site": site.pk, "name": "Main store"})
    assert response.status_code == 200
    assert caller.get("/stores").json()["results"] == [response.json()]
    assert caller.get(f"/stores/{response.json()['id']}").json()["name"] == "Main store"


# --- Demands ------------------------------------------------------------------------------------


def test_a_pull_is_done_once_per_key(clerk: Caller, yard: Yard) -> None:
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    demand = raise_demand(yard, part)
    path = f"/demands/{demand.pk}/pull"
    body = {"scanned_number": part.number, "quantity": 1}
    first, second = clerk.post(path, body, key="p"), clerk.post(path, body, key="p")
    assert (first.status_code, first.json()["state"]) == (200, "issued")
    assert second.content == first.content
    third = clerk.post(path, body)
    assert third.status_code == 409
    assert "issued this on" in third.json()["detail"]
    assert level(yard, part) == (0, 0)


def test_a_wrong_scan_is_told_by_pointer(clerk: Caller, yard: Yard) -> None:
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    demand = raise_demand(yard, part)
    response = clerk.post(f"/demands/{demand.pk}/pull", {"scanned_number": "ZZ-9", "quantity": 2})
    assert response.status_code == 422
    assert [(e["pointer"], e["code"]) for e in response.json()["errors"]] == [
        ("/scanned_number", "wrong_part"),
        ("/quantity", "wrong_quantity"),
    ]
    assert level(yard, part) == (1, 1)


def test_an_unmatched_demand_is_matched_after_its_fit(clerk: Caller, yard: Yard) -> None:
    pump = factories.make_pump(yard.site)
    (demand,) = demands.raise_for_signed(event=make_signed(yard, pump))
    path = f"/demands/{demand.pk}"
    assert clerk.post(f"{path}/retry").status_code == 409
    fit(yard, pump, SEALS, make_part(yard))
    matched = clerk.post(f"{path}/retry")
    assert (matched.status_code, matched.json()["state"]) == (200, "short")
    shown = clerk.get(path)
    assert shown.json() == matched.json()
    assert shown["ETag"] == matched["ETag"]


def test_demands_are_filtered(clerk: Caller, yard: Yard) -> None:
    part = make_part(yard)
    short = raise_demand(yard, part)
    (unmatched,) = demands.raise_for_signed(
        event=make_signed(yard, factories.make_pump(yard.site), [GEARS])
    )

    def ids(**query: Any) -> list[int]:
        return [d["id"] for d in clerk.get("/demands", **query).json()["results"]]

    assert ids() == [unmatched.pk, short.pk]
    assert ids(state="short") == [short.pk]
    assert ids(inspection=unmatched.inspection_id) == [unmatched.pk]
    assert ids(site=yard.site.pk + 1) == []
    assert clerk.get("/demands", state="lost").status_code == 422


def test_pull_lists_show_what_is_open_and_one_shows_its_demands(clerk: Caller, yard: Yard) -> None:
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    done, waiting = raise_demand(yard, part), raise_demand(yard, part)
    clerk.post(f"/demands/{done.pk}/pull", {"scanned_number": part.number, "quantity": 1})
    (row,) = clerk.get("/pull-lists").json()["results"]
    assert (row["inspection"], row["short"], row["issued"]) == (waiting.inspection_id, 1, 0)
    detail = clerk.get(f"/pull-lists/{done.inspection_id}").json()
    assert [(d["id"], d["bin"]) for d in detail["demands"]] == [(done.pk, "A3")]
    assert detail["issued"] == 1


# --- Who may ------------------------------------------------------------------------------------


def changes(yard: Yard, part: Part, demand: Demand, fit: Fit) -> list[tuple[str, str, Any, int]]:
    """(method, path, body, what an outsider gets) of every change that belongs to a site."""
    shelf = {"store": yard.store.pk, "part": part.pk, "reason": "x"}
    return [
        ("post", "/stores", {"site": yard.site.pk}, 422),
        ("post", "/stock-receipts", {**shelf, "quantity": 1}, 422),
        ("post", "/stock-corrections", {**shelf, "counted": 9}, 422),
        ("post", "/stock-scrappings", {**shelf, "quantity": 1}, 422),
        (
            "post",
            f"/demands/{demand.pk}/pull",
            {"scanned_number": part.number, "quantity": 1},
            404,
        ),
        ("post", f"/demands/{demand.pk}/retry", {}, 404),
    ]


def catalogue_changes(part: Part, fit: Fit) -> list[tuple[str, str, Any]]:
    return [
        ("post", "/parts", {"number": "X-1", "name": "X"}),
        ("patch", f"/parts/{part.pk}", {"name": "X"}),
        ("put", f"/parts/{part.pk}/contents", {"contents": []}),
        ("post", "/fits", {"model": fit.model_id, "component": GEARS, "part": part.pk}),
        ("delete", f"/fits/{fit.pk}", None),
    ]


def send(caller: Caller, method: str, path: str, body: Any) -> Response:
    headers = {"Idempotency-Key": f"k{factories.number()}", "If-Match": "*"}
    return getattr(caller.client, method)(API + path, body, headers=headers)


@pytest.fixture
def stocked(yard: Yard) -> tuple[Part, Demand, Fit]:
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    return part, raise_demand(yard, part), Fit.objects.get()


def test_an_outsider_sees_and_changes_nothing_of_a_site(
    yard: Yard, stocked: tuple[Part, Demand, Fit]
) -> None:
    part, demand, made_fit = stocked
    outsider = Caller(make_yard().clerk)
    before = everything()
    for path in ("/stock", "/movements", "/demands", "/pull-lists"):
        assert outsider.get(path).json()["results"] == [], path
    assert [s["id"] for s in outsider.get("/stores").json()["results"]] != [yard.store.pk]
    for path in (
        f"/stores/{yard.store.pk}",
        f"/demands/{demand.pk}",
        f"/pull-lists/{demand.inspection_id}",
    ):
        assert outsider.get(path).status_code == 404, path
    for method, path, body, status in changes(yard, part, demand, made_fit):
        assert send(outsider, method, path, body).status_code == status, path
    assert everything() == before


def test_a_technician_of_the_site_sees_but_changes_nothing(
    yard: Yard, stocked: tuple[Part, Demand, Fit]
) -> None:
    part, demand, made_fit = stocked
    technician = Caller(yard.technician)
    before = everything()
    assert technician.get(f"/demands/{demand.pk}").status_code == 200
    assert len(technician.get("/stock").json()["results"]) == 1
    for method, path, body, _status in changes(yard, part, demand, made_fit):
        assert send(technician, method, path, body).status_code == 403, path
    for method, path, body in catalogue_changes(part, made_fit):
        assert send(technician, method, path, body).status_code == 403, path
    assert everything() == before


def test_who_is_not_signed_in_gets_nothing(stocked: tuple[Part, Demand, Fit]) -> None:
    client = APIClient()
    for path in (
        "/parts", "/fits", "/stores", "/stock", "/movements", "/demands", "/pull-lists",
    ):  # fmt: skip
        assert client.get(API + path).status_code == 401, path


# --- Lists stay cheap ---------------------------------------------------------------------------


def test_lists_take_the_same_number_of_queries_for_one_row_and_many(
    yard: Yard, clerk: Caller
) -> None:
    paths = ("/parts", "/fits", "/stores", "/stock", "/movements", "/demands", "/pull-lists")

    def add() -> None:
        kit, ring = make_part(yard), make_part(yard, is_kit=False)
        catalogue.set_kit_contents(actor=yard.clerk, kit=kit, version=None, contents=[(ring, 1)])
        put_on_shelf(yard, kit, 1)
        raise_demand(yard, kit)

    def counts() -> dict[str, int]:
        found = {}
        for path in paths:
            with CaptureQueriesContext(
                connection,
            ) as queries:
                assert clerk.get(path).status_code == 200
            found[path] = len(queries)
        return found

    add()
    one = counts()
    for _ in range(5):
        add()
    assert counts() == one
    assert max(one.values()) <= 4
