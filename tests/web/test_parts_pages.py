"""Catalogue and stock pages, and how many queries the lists take."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from fleet.lifecycle import PumpStatus
from fleet.models import Pump, PumpModel, Site, User
from fleet.roles import ROLE_MAY, Capability, Role
from parts.models import Fit, Part, StockLevel, Store
from parts.services import catalogue
from tests.factories import (
    SIDE,
    make_model,
    make_person,
    make_site,
    manager_of,
)
from tests.web.client import queries_of, signed_in, text_of
from tests.web.stores import on_shelf, signed

pytestmark = pytest.mark.django_db

RENEWED = ("seals", "wear_plate_front", "wear_plate_rear", "bushes", "gears")


@pytest.fixture
def outsider() -> User:
    return make_person(make_site("forest-mill", "Forest Mill"), Role.STORES_CLERK)


# --- Catalogue --------------------------------------------------------------------------------


@pytest.mark.parametrize("role", list(Role))
def test_everybody_reads_the_catalogue_and_its_keepers_write_it(
    role: Role, site: Site, kit: Part
) -> None:
    client = signed_in(make_person(site, role))
    for address in ("/stores/parts/", f"/stores/parts/{kit.pk}/", "/stores/stock/", "/stores/"):
        assert client.get(address).status_code == 200, address
    fit = Fit.objects.get()
    expected = 200 if Capability.KEEP_CATALOGUE in ROLE_MAY[role] else 403
    for address in (
        "/stores/parts/add/",
        f"/stores/parts/{kit.pk}/edit/",
        f"/stores/parts/{kit.pk}/contents/",
        f"/stores/parts/{kit.pk}/fits/add/",
        f"/stores/fits/{fit.pk}/remove/",
    ):
        assert client.get(address).status_code == expected, address
    stock_forms = 200 if Capability.KEEP_STOCK in ROLE_MAY[role] else 403
    for name in ("receive", "correct", "scrap"):
        assert client.get(f"/stores/stock/{name}/").status_code == stock_forms


def test_a_part_number_is_taken_once(site: Site, clerk: User, kit: Part) -> None:
    client = signed_in(clerk)
    sent = {"number": "sk-232", "name": "Another", "unit": "kit"}
    refused = client.post("/stores/parts/add/", sent)
    assert refused.status_code == 422
    assert list(refused.context["form"].errors) == ["number"]
    assert 'value="Another"' in refused.content.decode()
    odd = client.post("/stores/parts/add/", {**sent, "number": "SK 9"})
    assert "capital letters, figures and hyphens" in odd.context["form"].errors["number"][0]
    assert Part.objects.count() == 1


def test_the_contents_of_a_kit_are_saved_row_by_row(site: Site, clerk: User, kit: Part) -> None:
    ring = catalogue.add_part(actor=clerk, number="OR-40", name="O-ring")
    client = signed_in(clerk)
    address = f"/stores/parts/{kit.pk}/contents/"

    def rows(*typed: tuple[str, str]) -> dict[str, Any]:
        sent: dict[str, Any] = {"form-TOTAL_FORMS": len(typed), "form-INITIAL_FORMS": 0}
        for number, (part, quantity) in enumerate(typed):
            sent |= {f"form-{number}-part": part, f"form-{number}-quantity": quantity}
        return {**sent, "version": kit.version}

    unknown = client.post(address, rows(("OR-40", "4"), ("NO-1", "1")))
    assert unknown.status_code == 422
    assert "'NO-1' is not in the catalogue" in unknown.context["formset"][1].errors["part"][0]
    itself = client.post(address, rows(("", ""), ("SK-232", "1"), ("OR-40", "0")))
    assert itself.status_code == 422
    assert itself.context["formset"][1].errors["part"] == [
        "SK-232 is a kit; list its single parts."
    ]
    assert "quantity" in itself.context["formset"][2].errors
    assert kit.contents.count() == 0
    saved = client.post(address, rows(("or-40", "4"), ("", "")))
    assert saved.status_code == 302
    assert list(kit.contents.values_list("part", "quantity")) == [(ring.pk, 4)]


def test_a_fit_for_a_component_of_another_family_is_refused(
    clerk: User, kit: Part, model: PumpModel
) -> None:
    sent = {"model": model.pk, "component": "vanes", "quantity": "1"}
    response = signed_in(clerk).post(f"/stores/parts/{kit.pk}/fits/add/", sent)
    assert response.status_code == 422
    assert list(response.context["form"].errors) == ["component"]
    assert Fit.objects.count() == 1


def test_a_fit_is_taken_out(clerk: User, kit: Part) -> None:
    fit = Fit.objects.get()
    response = signed_in(clerk).post(f"/stores/fits/{fit.pk}/remove/")
    assert response["Location"] == f"/stores/parts/{kit.pk}/"
    assert Fit.objects.count() == 0


def test_the_catalogue_is_searched(site: Site, clerk: User, kit: Part, bush: Part) -> None:
    page = signed_in(clerk).get("/stores/parts/?q=bush 20").content.decode()
    assert "BU-20" in page
    assert "SK-232" not in page


# --- Stock ------------------------------------------------------------------------------------


def level_of(store: Store, part: Part) -> StockLevel:
    return StockLevel.objects.get(store=store, part=part)


def test_parts_are_received_counted_and_scrapped(store: Store, clerk: User, kit: Part) -> None:
    client = signed_in(clerk)
    base = {"store": store.pk, "part": "sk-232"}
    client.post("/stores/stock/receive/", {**base, "quantity": "5", "bin": "b-14"})
    level = level_of(store, kit)
    assert (level.on_hand, level.bin) == (5, "B-14")
    # An empty bin leaves them where they lie.
    client.post("/stores/stock/receive/", {**base, "quantity": "1", "bin": ""})
    assert level_of(store, kit).bin == "B-14"
    client.post("/stores/stock/correct/", {**base, "counted": "4", "reason": "Yearly count"})
    client.post("/stores/stock/scrap/", {**base, "quantity": "1", "reason": "Perished"})
    assert level_of(store, kit).on_hand == 3
    page = text_of(client.get(f"/stores/parts/{kit.pk}/"))
    assert "Yearly count" in page
    assert "Perished" in page


def test_a_delivery_sent_twice_is_on_the_shelf_once(store: Store, clerk: User, kit: Part) -> None:
    client = signed_in(clerk)
    sent = {"store": store.pk, "part": "SK-232", "quantity": "5", "request_key": "tap"}
    for _ in range(2):
        assert client.post("/stores/stock/receive/", sent).status_code == 302
    assert level_of(store, kit).on_hand == 5


def test_more_than_is_free_cannot_be_scrapped(store: Store, clerk: User, kit: Part) -> None:
    on_shelf(store, clerk, kit, 2)
    sent = {"store": store.pk, "part": "SK-232", "quantity": "3", "reason": "Perished"}
    response = signed_in(clerk).post("/stores/stock/scrap/", sent)
    assert response.status_code == 422
    assert "3 is not possible" in response.context["form"].errors["quantity"][0]
    assert 'value="Perished"' in response.content.decode()
    assert level_of(store, kit).on_hand == 2


def test_the_store_of_a_site_is_opened_by_its_clerk(site: Site, clerk: User) -> None:
    other = signed_in(make_person(site))
    assert other.post(f"/stores/stock/open/{site.pk}/").status_code == 403
    assert Store.objects.count() == 0
    client = signed_in(clerk)
    assert "Open the store of Harbour Yard" in text_of(client.get("/stores/stock/"))
    client.post(f"/stores/stock/open/{site.pk}/")
    assert Store.objects.get().site == site


def test_odd_addresses_get_an_answer(
    site: Site, model: PumpModel, kit: Part, store: Store, clerk: User
) -> None:
    inspection = signed(site, model)
    supervisor, keeper = signed_in(make_person(site, Role.SUPERVISOR)), signed_in(clerk)
    assert keeper.get(f"/stores/parts/{'9' * 30}/").status_code == 404
    lists = {
        "/": ("show", "site"),
        "/pumps/": ("site", "status", "family", "model", "tag", "machine", "page"),
        "/stores/parts/": ("q", "page"),
        "/stores/stock/": ("q", "page"),
        "/stores/": ("done", "page"),
    }
    for odd in ("%00", "-1", "x' OR 1=1", "9" * 30, "\u0663", ""):
        for address, names in lists.items():
            for name in names:
                assert supervisor.get(f"{address}?{name}={odd}").status_code == 200, (name, odd)
        assert keeper.get(f"/stores/stock/?store={odd}").status_code in (200, 404), odd
        assert keeper.get(f"/stores/stock/receive/?store={odd}&part={odd}").status_code == 200
        assert keeper.get(f"/stores/parts/{kit.pk}/fits/add/?model={odd}").status_code == 200
        sent = {"scanned_number": odd, "quantity": odd, "request_key": odd}
        assert keeper.post(f"/stores/lists/{inspection.pk}/", sent).status_code == 422


# --- Query counts -----------------------------------------------------------------------------


def test_lists_ask_as_many_queries_for_ten_rows_as_for_one(
    site: Site, model: PumpModel, kit: Part, store: Store, clerk: User
) -> None:
    first = signed(site, model, out=(SIDE,))
    client: Client = signed_in(clerk)
    addresses = (
        "/",
        "/stores/",
        f"/stores/lists/{first.pk}/",
        "/stores/unmatched/",
        "/stores/parts/",
        "/stores/stock/",
        f"/stores/parts/{kit.pk}/",
        f"/stores/pumps/{first.pump_id}/",
    )
    one = {address: queries_of(client, address) for address in addresses}
    for n in range(9):
        signed(site, model, out=(SIDE,))
        part = catalogue.add_part(actor=clerk, number=f"P-{n}", name="Part")
        on_shelf(store, clerk, part, 1)
        catalogue.set_fit(actor=clerk, model=make_model(), component="seals", part=kit)
    assert {address: queries_of(client, address) for address in addresses} == one


def test_a_pump_that_was_put_right_leaves_the_board(
    site: Site, model: PumpModel, kit: Part, store: Store, clerk: User
) -> None:
    on_shelf(store, clerk, kit, 1)
    inspection = signed(site, model)
    client = signed_in(clerk)
    assert len(client.get("/").context["rows"]) == 1
    client.post(f"/stores/lists/{inspection.pk}/", {"scanned_number": "SK-232"})
    pump = Pump.objects.get()
    assert pump.status == PumpStatus.READY_TO_REBUILD
    signed_in(manager_of(site)).post(
        f"/pumps/{pump.pk}/status/", {"status": "in_service", "why": "Rebuilt"}
    )
    assert client.get("/").context["rows"] == []
