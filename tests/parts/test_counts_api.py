"""The API of counts, values, repair costs, hours and rates."""

from __future__ import annotations

import re
from itertools import count as numbers
from typing import Any

import pytest
from rest_framework.test import APIClient

from fleet.models import User
from fleet.roles import Role
from parts.models import Store
from parts.services import pulling
from tests import factories
from tests.parts import build
from tests.parts.build import make_yard
from tests.parts.counting import valued

pytestmark = pytest.mark.django_db

ON_RECORD = 47113
EXPECTED = re.compile(rb"(?<!\d)47113(?!\d)")
_keys = numbers(1)


def client_of(user: User) -> APIClient:
    client = APIClient()
    client.force_authenticate(user)
    return client


def post(client: APIClient, path: str, body: dict[str, Any] | None = None) -> Any:
    headers = {"Idempotency-Key": f"count-{next(_keys)}"}
    return client.post(f"/api/v1/{path}", body or {}, format="json", headers=headers)


def test_a_count_is_blind_over_the_api_until_the_figure_is_in() -> None:
    yard = make_yard()
    part = valued(yard, ON_RECORD)
    clerk = client_of(yard.clerk)
    made = post(clerk, "counts", {"store": yard.store.pk, "parts": [part.pk], "why": "Monday"})
    assert made.status_code == 201
    pk, (line,) = made.json()["id"], made.json()["lines"]
    assert made.headers["Location"] == f"/api/v1/counts/{pk}"
    assert (line["state"], line["expected"], line["difference"]) == ("to_count", None, None)
    at = f"count-lines/{line['id']}"
    auditor = client_of(factories.make_person(yard.site, Role.AUDITOR))
    for client in (clerk, auditor):
        for path in ("counts", f"counts/{pk}", "count-lines", at):
            answer = client.get(f"/api/v1/{path}")
            assert answer.status_code == 200
            assert not EXPECTED.search(answer.content), path
    assert not EXPECTED.search(made.content)
    for wrong in (-1, "many", 10**9, None):
        refused = post(clerk, f"{at}/figure", {"counted": wrong})
        assert refused.status_code == 422
        assert not EXPECTED.search(refused.content), wrong
    counted = post(clerk, f"{at}/figure", {"counted": ON_RECORD - 1})
    assert (counted.json()["state"], counted.json()["expected"]) == ("unexplained", ON_RECORD)
    assert (counted.json()["difference"], counted.json()["difference_value"]) == (-1, "-10.0000")
    explained = post(clerk, f"{at}/reason", {"reason": "Gone"})
    assert explained.json()["state"] == "corrected"
    assert build.level(yard, part) == (ON_RECORD - 1, 0)
    assert clerk.get(f"/api/v1/counts/{pk}").json()["state"] == "settled"


def test_a_second_person_decides_over_the_api() -> None:
    yard = make_yard()
    part = valued(yard, 20)
    clerk = client_of(yard.clerk)
    other = client_of(factories.make_person(yard.site, Role.SUPERVISOR))
    made = post(clerk, "counts", {"store": yard.store.pk, "due": 5, "why": "Monday"})
    at = f"count-lines/{made.json()['lines'][0]['id']}"
    assert post(clerk, f"{at}/figure", {"counted": 1, "reason": "Gone"}).status_code == 200
    assert post(clerk, f"{at}/approval").status_code == 403
    back = post(other, f"{at}/recount", {"why": "Look behind"})
    assert (back.status_code, back.json()["state"]) == (200, "to_count")
    assert post(clerk, f"{at}/figure", {"counted": 2}).status_code == 422
    again = post(clerk, f"{at}/figure", {"counted": 2, "reason": "Still gone"})
    assert again.json()["state"] == "waiting"
    pending = clerk.get("/api/v1/count-lines", {"pending": "true"}).json()["results"]
    assert [row["id"] for row in pending] == [again.json()["id"]]
    assert post(other, f"{at}/approval").json()["state"] == "corrected"
    assert build.level(yard, part) == (2, 0)
    assert clerk.get("/api/v1/count-lines", {"pending": "true"}).json()["results"] == []


@pytest.mark.parametrize(
    "chosen", [{}, {"due": 2, "bin_from": "A"}, {"due": 0}, {"bin_from": "Z9"}]
)
def test_a_count_takes_one_choice(chosen: dict[str, Any]) -> None:
    yard = make_yard()
    valued(yard, 2)
    body = {"store": yard.store.pk, "why": "Monday", **chosen}
    assert post(client_of(yard.clerk), "counts", body).status_code in (409, 422)


def test_values_costs_hours_and_rates() -> None:
    yard = make_yard()
    Store.objects.filter(pk=yard.store.pk).update(labour_rate="40")
    part = valued(yard, 3, "12.50")
    demand = build.raise_demand(yard, part)
    pulling.pull(actor=yard.clerk, demand=demand, scanned_number=part.number, quantity=1)
    technician = client_of(yard.technician)
    hours = post(
        technician, "labour", {"inspection": demand.inspection_id, "hours": "2", "what": "Fitted"}
    )
    assert (hours.status_code, hours.json()["rate"]) == (201, "40.0000")
    cost = technician.get(f"/api/v1/repair-costs/{demand.inspection_id}").json()
    assert (cost["parts_cost"], cost["labour_cost"]) == ("12.5000", "80.0000")
    assert (cost["total_cost"], cost["currency"]) == ("92.5000", "EUR")
    assert [(row["pieces"], row["cost"]) for row in cost["parts"]] == [(1, "12.5000")]
    back = post(technician, f"labour/{hours.json()['id']}/taking-back", {"reason": "Other pump"})
    assert back.json()["hours"] == "-2.00"
    (row,) = technician.get("/api/v1/repair-costs", {"since": "2026-01-01"}).json()["results"]
    assert row["total_cost"] == "12.5000"
    assert technician.get("/api/v1/repair-costs", {"until": "2020-01-01"}).json()["results"] == []
    assert technician.get("/api/v1/repair-costs", {"until": "soon"}).status_code == 422
    (value,) = technician.get("/api/v1/store-values").json()["results"]
    assert (value["value"], value["parts_held"]) == ("25.0000", 1)
    detail = technician.get(f"/api/v1/store-values/{yard.store.pk}").json()
    assert [row["value"] for row in detail["classes"]] == ["25.0000", "0.0000", "0.0000"]
    manager = client_of(factories.manager_of(yard.site))
    body = {"base": "GBP", "quote": "EUR", "rate": "1.2", "valid_from": "2026-11-01"}
    assert post(manager, "exchange-rates", body).status_code == 201
    assert post(manager, "exchange-rates", body).status_code == 409
    (rate,) = technician.get("/api/v1/exchange-rates").json()["results"]
    assert rate["rate"] == "1.20000000"


def test_files_over_the_api() -> None:
    yard = make_yard()
    part = valued(yard, 3)
    auditor = client_of(factories.make_person(yard.site, Role.AUDITOR))
    file = auditor.get("/api/v1/exports/stock-value")
    assert file.headers["Content-Type"].startswith("text/csv")
    assert part.number in file.content.decode("utf-8-sig")
    assert auditor.get("/api/v1/exports/repair-costs?file=xlsx").content.startswith(b"PK")
    assert client_of(yard.technician).get("/api/v1/exports/stock-value").status_code == 403
