"""The REST API of stand-ins, serial ranges, kits and batches."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from django.utils import timezone

from parts.models import Alternative, Batch, BatchLevel, Fit, KitOpening, Part, StockLevel
from parts.services import catalogue, standins
from tests import factories
from tests.parts.build import SEALS, Yard, level, make_part, make_yard, put_on_shelf
from tests.parts.test_api import Caller

pytestmark = pytest.mark.django_db

TODAY = timezone.now().date()


@pytest.fixture
def yard() -> Yard:
    return make_yard()


@pytest.fixture
def clerk(yard: Yard) -> Caller:
    return Caller(yard.clerk)


def test_a_part_is_sent_and_given_with_all_that_is_known_of_it(clerk: Caller) -> None:
    body = {
        "number": "OS-1",
        "own_number": "70 100",
        "maker": "Ostermoor",
        "name": "Ring",
        "pack_size": 25,
        "shelf_life_months": 48,
    }
    made = clerk.post("/parts", body)
    assert made.status_code == 201
    assert {name: made.json()[name] for name in body} == body
    assert made.json()["superseded_by"] is None
    path = f"/parts/{made.json()['id']}"
    changed = clerk.patch(path, {"shelf_life_months": None, "own_number": ""}, made["ETag"])
    assert (changed.json()["shelf_life_months"], changed.json()["own_number"]) == (None, "")
    for field, value in (("pack_size", 0), ("shelf_life_months", 601)):
        refused = clerk.patch(path, {field: value}, changed["ETag"])
        assert refused.status_code == 422
        assert [e["pointer"] for e in refused.json()["errors"]] == [f"/{field}"]


def test_an_old_number_is_found_and_names_the_new(clerk: Caller, yard: Yard) -> None:
    old, new = make_part(yard, number="A-1"), make_part(yard, number="B-1")
    path = f"/parts/{old.pk}/supersession"
    assert clerk.put(path, {"by": new.pk}, None).status_code == 428
    done = clerk.put(path, {"by": new.pk}, f'"{old.pk}-1"')
    assert (done.status_code, done["ETag"]) == (200, f'"{old.pk}-2"')
    (found,) = clerk.get("/parts", q="A-1").json()["results"]
    assert (found["superseded_by"], found["superseded_by_number"]) == (new.pk, "B-1")
    loop = clerk.put(f"/parts/{new.pk}/supersession", {"by": old.pk}, f'"{new.pk}-1"')
    assert loop.status_code == 409
    assert [(e["pointer"], e["code"]) for e in loop.json()["errors"]] == [("/by", "loop")]
    stale = clerk.client.delete(f"/api/v1{path}", headers={"If-Match": f'"{old.pk}-1"'})
    assert stale.status_code == 412
    back = clerk.client.delete(f"/api/v1{path}", headers={"If-Match": f'"{old.pk}-2"'})
    assert (back.status_code, back.json()["superseded_by"]) == (200, None)
    assert not Part.objects.filter(superseded_by__isnull=False).exists()


def test_alternatives_are_named_once_a_key_and_taken_out(clerk: Caller, yard: Yard) -> None:
    part, other = make_part(yard), make_part(yard)
    body = {"part": part.pk, "other": other.pk, "why": "Bulletin 7"}
    first = clerk.post("/alternatives", body, key="one")
    assert (first.status_code, clerk.post("/alternatives", body, key="one").content) == (
        201,
        first.content,
    )
    assert clerk.post("/alternatives", body).status_code == 409
    assert clerk.get("/alternatives", part=part.pk).json()["results"] == [first.json()]
    assert clerk.get("/alternatives", other=part.pk).json()["results"] == []
    gone = clerk.client.delete(f"/api/v1/alternatives/{first.json()['id']}")
    assert gone.status_code == 204
    assert not Alternative.objects.exists()


def test_fits_have_ranges_and_overlaps_name_the_other(clerk: Caller, yard: Yard) -> None:
    model, part = factories.make_model(), make_part(yard)
    body = {"model": model.pk, "component": SEALS, "part": part.pk}
    made = clerk.post("/fits", {**body, "serial_to": 499, "alternatives_allowed": True})
    assert (made.json()["serial_from"], made.json()["serial_to"]) == (None, 499)
    assert made.json()["alternatives_allowed"] is True
    refused = clerk.post("/fits", {**body, "serial_from": 499})
    assert refused.status_code == 409
    (error,) = refused.json()["errors"]
    assert (error["pointer"], error["code"]) == ("/serial_from", "overlap")
    assert f"serials up to 499, is {part.number} already" in error["detail"]
    assert clerk.post("/fits", {**body, "serial_from": 500}).status_code == 200
    assert Fit.objects.count() == 2


def test_a_receipt_brings_a_batch_and_a_cost(clerk: Caller, yard: Yard) -> None:
    seal = make_part(yard, is_kit=False, shelf_life_months=48)
    body = {"store": yard.store.pk, "part": seal.pk, "quantity": 4}
    refused = clerk.post("/stock-receipts", body)
    assert [e["pointer"] for e in refused.json()["errors"]] == ["/batch_code"]
    ends = TODAY + timedelta(days=90)
    lot = {"batch_code": "b-1", "expires_on": ends.isoformat(), "unit_cost": "0.2500"}
    assert clerk.post("/stock-receipts", {**body, **lot}).status_code == 201
    assert StockLevel.objects.get().value == Decimal(1)
    (row,) = clerk.get("/batches", store=yard.store.pk).json()["results"]
    assert (row["batch_code"], row["expires_on"], row["on_hand"]) == ("B-1", ends.isoformat(), 4)
    assert clerk.get("/batches", expires_by=TODAY.isoformat()).json()["results"] == []
    scrap = {**body, "quantity": 1, "reason": "Torn"}
    wrong = clerk.post("/stock-scrappings", {**scrap, "batch_code": "B-9"})
    assert [e["pointer"] for e in wrong.json()["errors"]] == ["/batch_code"]
    assert clerk.post("/stock-scrappings", {**scrap, "batch_code": "B-1"}).status_code == 201
    assert BatchLevel.objects.get().on_hand == 3


def test_a_batch_is_extended_on_what_was_read(clerk: Caller, yard: Yard) -> None:
    seal = make_part(yard, is_kit=False, shelf_life_months=48)
    body = {"store": yard.store.pk, "part": seal.pk, "quantity": 4, "batch_code": "B-1"}
    clerk.post("/stock-receipts", {**body, "cured_on": TODAY.isoformat()})
    path = f"/batches/{BatchLevel.objects.get().pk}"
    supervisor = Caller(yard.supervisor)
    etag = supervisor.get(path)["ETag"]
    assert etag == f'"{Batch.objects.get().pk}-1"'
    later = {"expires_on": "2099-01-31", "why": "Hardness checked"}

    def extend(caller: Caller, tag: str) -> int:
        headers = {"If-Match": tag, "Idempotency-Key": f"k{factories.number()}"}
        answer = caller.client.post(f"/api/v1{path}/extension", later, headers=headers)
        return int(answer.status_code)

    assert extend(clerk, etag) == 403
    assert extend(supervisor, '"1-99"') == 412
    assert extend(supervisor, etag) == 200
    row = supervisor.get(path)
    assert (row.json()["extended_why"], row["ETag"]) == (
        "Hardness checked",
        f'"{Batch.objects.get().pk}-2"',
    )


def test_a_kit_is_opened_once_per_key(clerk: Caller, yard: Yard) -> None:
    kit, ring = make_part(yard), make_part(yard, is_kit=False)
    catalogue.set_kit_contents(actor=yard.clerk, kit=kit, version=None, contents=[(ring, 4)])
    put_on_shelf(yard, kit, 2)
    body = {"store": yard.store.pk, "kit": kit.pk, "why": "One ring"}
    first = clerk.post("/kit-openings", body, key="one")
    assert first.status_code == 201
    assert clerk.post("/kit-openings", body, key="one").content == first.content
    assert (level(yard, kit), level(yard, ring)) == ((1, 0), (4, 0))
    assert clerk.get("/kit-openings", kit=kit.pk).json()["results"] == [first.json()]
    wrong = clerk.post("/kit-openings", {**body, "batch_code": "B-9"})
    assert [e["pointer"] for e in wrong.json()["errors"]] == ["/batch_code"]
    assert KitOpening.objects.count() == 1


def test_stock_of_unknown_age_gets_one(clerk: Caller, yard: Yard) -> None:
    part = make_part(yard, is_kit=False)
    put_on_shelf(yard, part, 3)
    tag = f'"{part.pk}-1"'
    refused = clerk.patch(f"/parts/{part.pk}", {"shelf_life_months": 48}, tag)
    assert [e["code"] for e in refused.json()["errors"]] == ["stock_without_batch"]
    body = {"shelf_life_months": 48, "cured_on": "2026-01-01", "batch_code": "stock-1"}
    assert clerk.put(f"/parts/{part.pk}/shelf-life", body, None).status_code == 428
    done = clerk.put(f"/parts/{part.pk}/shelf-life", body, tag)
    assert (done.status_code, done.json()["shelf_life_months"]) == (200, 48)
    (row,) = clerk.get("/batches", part=part.pk).json()["results"]
    assert (row["batch_code"], row["on_hand"]) == ("STOCK-1", 3)
    nothing = clerk.post(
        "/batches", {"store": yard.store.pk, "part": part.pk, "batch_code": "STOCK-1"}
    )
    assert [e["code"] for e in nothing.json()["errors"]] == ["nothing_loose"]


def test_a_technician_sees_all_this_and_changes_nothing(yard: Yard) -> None:
    part, other = make_part(yard), make_part(yard)
    standins.add_alternative(actor=yard.clerk, part=part, other=other, why="Same")
    caller = Caller(yard.technician)
    for path in ("/alternatives", "/batches", "/kit-openings"):
        assert caller.get(path).status_code == 200
    store = yard.store.pk
    for path, body in (
        ("/alternatives", {"part": other.pk, "other": part.pk, "why": "x"}),
        ("/kit-openings", {"store": store, "kit": part.pk, "why": "x"}),
        (
            "/batches",
            {"store": store, "part": part.pk, "batch_code": "B", "cured_on": "2026-01-01"},
        ),
    ):
        assert caller.post(path, body).status_code == 403, path
    put = caller.put(f"/parts/{part.pk}/supersession", {"by": other.pk}, f'"{part.pk}-1"')
    assert put.status_code == 403
    assert Alternative.objects.count() == 1
