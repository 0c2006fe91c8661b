"""Suppliers, orders and deliveries by the REST API."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from fleet.plumbing.models import IdempotencyKey
from parts.models import Order, OrderLine
from parts.services import suppliers
from tests.parts.buying import approved, draft_of, line_of, make_trade, sent
from tests.parts.test_api import Caller

pytestmark = pytest.mark.django_db


def test_the_whole_way_from_supplier_to_receipt() -> None:
    trade = make_trade()
    clerk = Caller(trade.yard.clerk)
    works = clerk.post("/suppliers", {"name": "Ring Works", "currency": "EUR"})
    assert works.status_code == 201
    offered = clerk.post(
        "/offers",
        {
            "supplier": works.json()["id"],
            "part": trade.part.pk,
            "price": "2.5",
            "lead_days": 10,
            "pack_size": 4,
            "preferred": True,
        },
    )
    assert (offered.status_code, offered.json()["preferred"]) == (200, True)
    assert clerk.get("/offers", part=trade.part.pk, preferred="true").json()["results"] == [
        offered.json()
    ]
    order = clerk.post("/orders", {"store": trade.yard.store.pk, "supplier": works.json()["id"]})
    address = f"/orders/{order.json()['id']}"
    lined = clerk.put(
        f"{address}/lines", {"part": trade.part.pk, "manual_quantity": 6}, order["ETag"]
    )
    (line,) = lined.json()["lines"]
    assert (line["quantity"], line["unit_price"], lined.json()["value"]) == (
        8,
        "2.5000",
        "20.0000",
    )

    def on(step: str, etag: str, body: Any = None) -> Any:
        return clerk.client.post(
            f"/api/v1{address}/{step}",
            body or {},
            headers={"Idempotency-Key": step, "If-Match": etag},
        )

    submitted = on("submission", lined["ETag"])
    assert (submitted.status_code, submitted.json()["state"]) == (200, "approved")
    assert on("dispatch", lined["ETag"]).status_code == 412
    day = {"promised": [{"line": line["id"], "promised_on": "2099-01-31"}]}
    gone = on("dispatch", submitted["ETag"], day)
    assert (gone.json()["state"], gone.json()["lines"][0]["promised_on"]) == ("sent", "2099-01-31")
    receipts = f"/order-lines/{line['id']}/receipts"
    refused = clerk.post(receipts, {"quantity": 9})
    assert refused.status_code == 409
    assert refused.json()["errors"][0]["code"] == "over_delivery"
    assert refused.json()["errors"][0]["pointer"] == "/over_ok"
    came = clerk.post(receipts, {"quantity": 9, "over_ok": True, "bin": "c-1"})
    assert (came.status_code, came.json()["to_bin"], came.json()["bin"]) == (201, 9, "C-1")
    assert clerk.get(address).json()["state"] == "received"
    assert clerk.get(f"{address}/put-away").json() == [came.json()]
    steps = [step["what"] for step in clerk.get(address).json()["steps"]]
    assert steps[-2:] == [
        f"{trade.part.number}: 9 received, 1 more than expected.",
        "All has come.",
    ]


def test_a_change_needs_the_version_that_was_read() -> None:
    trade = make_trade()
    order, clerk = draft_of(trade), Caller(trade.yard.clerk)
    path = f"/orders/{order.pk}"
    assert clerk.patch(path, {"note": "x"}, None).status_code == 428
    assert clerk.patch(path, {"note": "x"}, '"0-0"').status_code == 412
    assert clerk.post(f"{path}/submission").status_code == 428
    now = clerk.get(path)
    assert clerk.patch(path, {"note": "Gate 3"}, now["ETag"]).json()["note"] == "Gate 3"


def test_the_secret_is_in_one_answer_and_nowhere_else() -> None:
    trade = make_trade()
    clerk = Caller(trade.yard.clerk)
    path = f"/suppliers/{trade.supplier.pk}"
    made = clerk.put(
        f"{path}/webhook", {"webhook_url": "https://a.example.com/in"}, clerk.get(path)["ETag"]
    )
    secret = made.json()["secret"]
    assert len(secret) >= 43
    assert made["Cache-Control"] == "no-store"
    shown = clerk.get(path).content + clerk.get("/suppliers").content
    assert secret.encode() not in shown
    assert not any(secret.encode() in bytes(key.body) for key in IdempotencyKey.objects.all())
    refused = clerk.put(
        f"{path}/webhook", {"webhook_url": "https://10.0.0.1/"}, clerk.get(path)["ETag"]
    )
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["pointer"] == "/webhook_url"


def test_documents_of_an_order() -> None:
    trade = make_trade()
    order, clerk = approved(trade), Caller(trade.yard.clerk)
    pdf = clerk.get(f"/orders/{order.pk}/pdf")
    assert (pdf["Content-Type"], pdf.content[:5]) == ("application/pdf", b"%PDF-")
    csv = clerk.get(f"/orders/{order.pk}/csv")
    assert csv["Content-Type"].startswith("text/csv")
    assert csv["Content-Disposition"] == f'attachment; filename="order-{order.pk}.csv"'
    assert trade.part.number.encode() in csv.content


def test_lists_are_narrowed_to_what_is_late() -> None:
    trade = make_trade()
    late, good, clerk = sent(trade), sent(trade), Caller(trade.yard.clerk)
    OrderLine.objects.filter(order=late).update(
        promised_on=timezone.now().date() - timedelta(days=1)
    )

    def ids(path: str, **query: str) -> list[int]:
        return [row["id"] for row in clerk.get(path, **query).json()["results"]]

    assert ids("/orders", late="true") == [late.pk]
    assert ids("/orders", late="false") == [good.pk]
    assert ids("/order-lines", late="true") == [line_of(late).pk]
    assert ids("/order-lines", late="false") == [line_of(good).pk]
    assert ids("/orders", state="sent") == [good.pk, late.pk]
    assert ids("/orders", state="draft") == []


def test_limits_are_read_and_set_by_role() -> None:
    trade = make_trade()
    path = f"/approval-limits/{trade.yard.store.pk}"
    usual = {"supervisor": "5000.0000", "maintenance_manager": None, "stores_clerk": "500.0000"}
    assert Caller(trade.yard.clerk).get(path).json() == usual
    changed = Caller(trade.manager).put(path, {"supervisor": None, "stores_clerk": "50"}, None)
    assert changed.json() == {**usual, "supervisor": None, "stores_clerk": "50.0000"}


def test_a_list_takes_the_same_number_of_queries_however_long_it_is() -> None:
    trade = make_trade()
    clerk = Caller(trade.yard.clerk)

    def queries(path: str) -> int:
        with CaptureQueriesContext(
            connection,
        ) as caught:
            assert clerk.get(path).status_code == 200
        return len(caught)

    sent(trade)
    paths = ("/orders", "/order-lines", "/offers", "/suppliers")
    before = [queries(path) for path in paths]
    for _ in range(4):
        sent(trade)
    suppliers.add_supplier(actor=trade.yard.clerk, name="One more")
    assert [queries(path) for path in paths] == before
    assert Order.objects.count() == 5
    assert json.loads(clerk.get("/orders").content)["results"]
