"""What stores hold, over the API and on the pages."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse
from rest_framework.test import APIClient

from fleet.models import User
from fleet.roles import Role
from parts.holding_plans import plan_of
from parts.holding_selectors import advice_for
from parts.models import Holding
from parts.rules.holding_advice import Charges
from parts.rules.holding_words import money
from tests import factories
from tests.parts.build import make_yard
from tests.parts.holding import TODAY, manager_of, stocked, three_stores
from tests.web.client import signed_in, text_of

pytestmark = pytest.mark.django_db


# --- API ----------------------------------------------------------------------------------------


def api(person: User) -> APIClient:
    client = APIClient()
    client.force_authenticate(person)
    return client


def test_holdings_over_the_api() -> None:
    yard, manager, (cheap, *_others) = stocked()
    client = api(manager)
    body = {"store": yard.store.pk, "part": cheap.pk, "reorder_point": 1, "order_up_to": 4}
    made = client.post("/api/v1/holdings", body, headers={"Idempotency-Key": "h-1"})
    assert made.status_code == 200, made.content
    shown = client.get(f"/api/v1/holdings/{made.data['id']}")
    assert shown.data["basis"]["distribution"] == "poisson"
    bad = client.post(
        "/api/v1/holdings", {**body, "order_up_to": 1}, headers={"Idempotency-Key": "h-2"}
    )
    assert bad.status_code == 422
    assert bad.json()["errors"][0]["pointer"] == "/order_up_to"
    advised = client.get(f"/api/v1/holding-advice/{yard.store.pk}").json()
    assert {row["part_number"] for row in advised} >= {cheap.number}
    assert [r["held_order_up_to"] for r in advised if r["part"] == cheap.pk] == [4]
    curve = client.get(f"/api/v1/holding-curve/{yard.store.pk}").json()
    assert curve["points"][0] == {
        "money": 0.0,
        "waiting_share": 1.0,
        "waiting_days": pytest.approx(14, rel=1e-6),
        "part": None,
        "part_number": None,
        "reorder_point": None,
        "order_up_to": None,
    }
    assert curve["now"]["waiting_share"] < 1
    gone = client.delete(f"/api/v1/holdings/{made.data['id']}", headers={"If-Match": shown["ETag"]})
    assert gone.status_code == 204


def test_choices_and_forecasts_over_the_api() -> None:
    yard, manager, (cheap, *_others) = stocked()
    client = api(manager)
    done = client.post(
        "/api/v1/holding-choices",
        {"store": yard.store.pk, "waiting_percent": 5},
        headers={"Idempotency-Key": "c-1"},
    )
    assert (done.status_code, done.json()["set"]) == (201, 2)
    body = {
        "store": yard.store.pk,
        "part": cheap.pk,
        "window_days": 90,
        "probabilities": [0.2, 0.5, 0.3],
        "source": "Wear of 11 pumps",
    }
    made = client.post("/api/v1/forecasts", body, format="json", headers={"Idempotency-Key": "f-1"})
    assert made.status_code == 201, made.content
    wrong = client.post(
        "/api/v1/forecasts",
        {**body, "probabilities": [0.2, 0.5]},
        format="json",
        headers={"Idempotency-Key": "f-2"},
    )
    assert wrong.json()["errors"][0]["pointer"] == "/probabilities"


# --- Pages --------------------------------------------------------------------------------------


def test_the_page_of_a_store_says_what_it_holds_and_what_it_should() -> None:
    yard, manager, (cheap, dear, unpriced, _unwanted) = stocked()
    page = signed_in(manager).get(reverse("parts:holdings"))
    shown = text_of(page)
    assert "Held now: 0.00 EUR bound; 100 % of demands wait" in shown
    assert "1 wanted part without a price is not on it." in shown
    assert all(part.number in shown for part in (cheap, dear, unpriced))
    assert b"hold-plot__curve" in page.content
    assert "Hold what is looked at" in shown
    auditor = factories.make_person(yard.site, Role.AUDITOR)
    assert "Hold what is looked at" not in text_of(
        signed_in(auditor).get(reverse("parts:holdings"))
    )


def test_a_point_is_looked_at_and_held_from_the_page() -> None:
    yard, manager, (cheap, *_others) = stocked()
    client = signed_in(manager)
    shown = client.get(reverse("parts:holdings"), {"waiting_percent": "20"})
    assert "One step cheaper" in text_of(shown)
    assert "One step dearer" in text_of(shown)
    done = client.post(
        reverse("parts:holdings-choose", args=[yard.store.pk]),
        {"do": "point", "waiting_percent": "20"},
        follow=True,
    )
    assert "Planning follows." in text_of(done)
    assert Holding.objects.filter(part=cheap).exists()
    bad = client.get(reverse("parts:holdings"), {"waiting_percent": "0"})
    assert bad.status_code == 422


def test_the_steps_of_the_page_lead_to_the_points_they_speak_of() -> None:
    yard, manager, _parts = stocked()
    client: Client = signed_in(manager)
    plan = plan_of(advice_for(yard.store, charges=Charges(), today=TODAY))
    place = plan.place(waiting_share=0.2)
    shown = client.get(reverse("parts:holdings"), {"waiting_percent": "20"})
    links = [address for _name, _sentence, address in shown.context["steps"]]
    for address, to in zip(links, (place - 1, place + 1), strict=True):
        there = client.get(f"{reverse('parts:holdings')}?{address}")
        assert money(plan.curve.points[to].money, "EUR") in there.context["looked"]


def test_one_part_says_why_and_takes_levels() -> None:
    yard, manager, (cheap, *_others) = stocked()
    client = signed_in(manager)
    address = reverse("parts:holding", args=[yard.store.pk, cheap.pk])
    shown = text_of(client.get(address))
    assert "promised by" in shown
    assert "Poisson" in shown
    refused = client.post(
        address, {"do": "set", "reorder_point": "3", "order_up_to": "2", "keep_back": "0"}
    )
    assert refused.status_code == 422
    assert "Order up to more than the reorder point" in text_of(refused)
    levels = {"reorder_point": "2", "order_up_to": "5", "keep_back": "1"}
    done = client.post(address, {"do": "set", **levels}, follow=True)
    assert "is held ordered at 2, up to 5" in text_of(done)
    stale = client.post(address, {"do": "set", "version": "9", **levels})
    assert "changed by somebody else" in text_of(stale)
    gone = client.post(address, {"do": "remove", "version": "1"}, follow=True)
    assert "ordered on demand from now on" in text_of(gone)
    assert not Holding.objects.exists()


def test_the_central_page_names_the_stores_that_one_may_see_only() -> None:
    quarry, harbour, mill, part = three_stores()
    manager = manager_of(quarry, harbour)
    client = signed_in(manager)
    address = reverse("parts:holding", args=[quarry.store.pk, part.pk])
    page = client.get(address)
    shown = text_of(page)
    assert str(harbour.store) in shown
    assert str(mill.store) not in shown
    assert "1 more store that you do not see is in the figures." in shown
    done = client.post(address, {"do": "spread"}, follow=True)
    assert f"held as advised at {quarry.store}, {harbour.store}." in text_of(done)


def test_drawings_and_tables_are_taken_away_as_files() -> None:
    yard, manager, (cheap, _dear, unpriced, _unwanted) = stocked()
    client = signed_in(manager)
    for name, args in (
        ("parts:holdings-file", [yard.store.pk]),
        ("parts:holding-file", [yard.store.pk, cheap.pk]),
    ):
        drawing = client.get(reverse(name, args=[*args, "svg"]))
        assert drawing["Content-Type"] == "image/svg+xml"
        assert drawing.content.startswith(b"<svg")
        assert b"<style>" in drawing.content
        table = client.get(reverse(name, args=[*args, "csv"])).content.decode("utf-8-sig")
        assert "money_bound" in table.splitlines()[0]
        assert len(table.splitlines()) > 4
    # Without a price there is nothing to draw.
    none = reverse("parts:holding-file", args=[yard.store.pk, unpriced.pk, "svg"])
    assert client.get(none).status_code == 404


def test_charges_of_ones_own_change_the_order() -> None:
    yard, manager, (cheap, *_others) = stocked()
    client = signed_in(manager)
    address = reverse("parts:holding", args=[yard.store.pk, cheap.pk])
    usual = client.get(address).context["row"].advice.quantity
    often = client.get(address, {"per_order": "1"}).context["row"].advice.quantity
    # √(2·25·λ/0.6) is more than the year's 24 that cap it; √(2·1·24.35/0.6) = 9.
    assert (usual, often) == (24, 9)
    assert client.get(address, {"per_order": "-1"}).status_code == 422


def test_a_new_shop_says_how_to_begin() -> None:
    yard = make_yard()
    page = text_of(signed_in(manager_of(yard)).get(reverse("parts:holdings")))
    assert "Nothing is wanted, held or chosen here yet." in page
