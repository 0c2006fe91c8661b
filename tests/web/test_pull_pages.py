"""Pulling by scanner, and demands without a part."""

from __future__ import annotations

import pytest

from fleet.models import PumpModel, Site, User
from fleet.roles import ROLE_MAY, Capability, Role
from inspections.models import Inspection
from parts.models import Demand, Movement, Part, Store
from parts.services import catalogue, stock
from tests.factories import (
    make_person,
    make_site,
    manager_of,
)
from tests.web.client import signed_in, text_of
from tests.web.stores import everything, on_shelf, signed

pytestmark = pytest.mark.django_db

RENEWED = ("seals", "wear_plate_front", "wear_plate_rear", "bushes", "gears")


@pytest.fixture
def outsider() -> User:
    return make_person(make_site("forest-mill", "Forest Mill"), Role.STORES_CLERK)


# --- Pulling ----------------------------------------------------------------------------------


@pytest.fixture
def waiting(
    site: Site, model: PumpModel, kit: Part, bush: Part, store: Store, clerk: User
) -> Inspection:
    """One kit and four bushes lie reserved; the gears have no part in the catalogue."""
    on_shelf(store, clerk, kit, 1, "B-14")
    on_shelf(store, clerk, bush, 4, "A-02")
    inspection = signed(site, model, out=("shaft_to_bush",))
    states = set(Demand.objects.values_list("disposition__component", "state"))
    assert {("seals", "reserved"), ("bushes", "reserved")} <= states
    return inspection


def test_a_scan_and_enter_issues_a_single_part(waiting: Inspection, clerk: User) -> None:
    client = signed_in(clerk)
    address = f"/stores/lists/{waiting.pk}/"
    page = client.get(address)
    assert [bin for bin, _lines in page.context["stops"]] == ["A-02", "B-14"]
    assert "autofocus" in page.content.decode()
    response = client.post(address, {"scanned_number": " sk-232 "})
    assert response["Location"] == address
    demand = Demand.objects.get(disposition__component="seals")
    assert (demand.state, demand.issued_by) == ("issued", clerk)
    after = client.get(address)
    assert f"1 SK-232 Seal kit issued. Put into the bag of {waiting.pump.tag}." in text_of(after)
    assert "issued by Tess Quarles" in text_of(after)


def test_several_of_a_part_are_counted_first(waiting: Inspection, clerk: User) -> None:
    client = signed_in(clerk)
    address = f"/stores/lists/{waiting.pk}/"
    asked = client.post(address, {"scanned_number": "BU-20"})
    assert asked.status_code == 200
    assert "on the list 4 times" in asked.context["ask"]
    assert asked.context["form"].errors == {}
    assert 'value="BU-20"' in asked.content.decode()
    wrong = client.post(address, {"scanned_number": "BU-20", "quantity": "3"})
    assert wrong.context["form"].errors["quantity"] == [
        "You entered 3, but the demand asks for 4. Pull exactly 4, or record a "
        "short pull if no more lie there."
    ]
    assert Demand.objects.get(disposition__component="bushes").state == "reserved"
    right = client.post(address, {"scanned_number": "BU-20", "quantity": "4"})
    assert right.status_code == 302
    assert Demand.objects.get(disposition__component="bushes").state == "issued"


@pytest.mark.parametrize(
    ("scanned", "says"),
    [
        ("XX-1", "You scanned 'XX-1', which is not in the catalogue."),
        ("OR-40", "You scanned OR-40 (O-ring)."),
        ("", "Scan the label, or type the number that is on it."),
    ],
)
def test_a_wrong_label_is_explained_beside_the_field_and_nothing_moves(
    scanned: str, says: str, waiting: Inspection, clerk: User, site: Site
) -> None:
    catalogue.add_part(actor=manager_of(site), number="OR-40", name="O-ring")
    before = everything()
    response = signed_in(clerk).post(
        f"/stores/lists/{waiting.pk}/", {"scanned_number": scanned}, headers={"HX-Request": "true"}
    )
    assert response.status_code == 422
    assert says in response.context["form"].errors["scanned_number"][0]
    assert "<html" not in response.content.decode()
    assert everything() == before


def test_a_part_that_was_issued_says_by_whom(waiting: Inspection, clerk: User) -> None:
    client = signed_in(clerk)
    address = f"/stores/lists/{waiting.pk}/"
    client.post(address, {"scanned_number": "SK-232"})
    again = client.post(address, {"scanned_number": "SK-232"})
    assert again.status_code == 422
    assert "Tess Quarles issued this on" in again.context["form"].errors["scanned_number"][0]
    assert Movement.objects.filter(kind="issue").count() == 1


def test_a_repeated_scan_form_acts_once(waiting: Inspection, clerk: User) -> None:
    client = signed_in(clerk)
    sent = {"scanned_number": "SK-232", "request_key": "double-tap"}
    answers = [client.post(f"/stores/lists/{waiting.pk}/", sent).status_code for _ in range(2)]
    assert answers == [302, 302]
    assert Movement.objects.filter(kind="issue").count() == 1


def test_a_short_line_names_who_holds_it(site: Site, model: PumpModel, kit: Part) -> None:
    quarry = make_site("quarry-north", "Quarry North")
    keeper = make_person(quarry, Role.STORES_CLERK)
    inspection = signed(site, model)
    on_shelf(stock.open_store(actor=keeper, site=quarry), keeper, kit, 6)
    client = signed_in(make_person(site))
    assert "Ask Quarry North." in text_of(client.get(f"/stores/lists/{inspection.pk}/"))
    slot = text_of(client.get(f"/stores/inspections/{inspection.pk}/"))
    assert "Seals waits for 1 Seal kit, which Quarry North holds" in slot


def test_only_who_may_pull_gets_the_scan_field(waiting: Inspection, site: Site) -> None:
    address = f"/stores/lists/{waiting.pk}/"
    for role in Role:
        client = signed_in(make_person(site, role))
        may = Capability.PULL_PARTS in ROLE_MAY[role]
        page = client.get(address)
        assert page.status_code == 200
        assert ('name="scanned_number"' in page.content.decode()) is may, role
        if not may:
            assert client.post(address, {"scanned_number": "SK-232"}).status_code == 403
    assert Movement.objects.filter(kind="issue").count() == 0


def test_an_outsider_finds_no_list_and_moves_nothing(
    waiting: Inspection, store: Store, site: Site, outsider: User
) -> None:
    client = signed_in(outsider)
    before = everything()
    unmatched = Demand.objects.filter(state="unmatched").first()
    assert unmatched is not None
    for address in (
        f"/stores/lists/{waiting.pk}/",
        f"/stores/inspections/{waiting.pk}/",
        f"/stores/stock/?store={store.pk}",
    ):
        assert client.get(address).status_code == 404, address
    sent = {"scanned_number": "SK-232"}
    assert client.post(f"/stores/lists/{waiting.pk}/", sent).status_code == 404
    assert client.post(f"/stores/unmatched/{unmatched.pk}/").status_code == 404
    assert client.post(f"/stores/stock/open/{site.pk}/").status_code == 404
    received = {"store": store.pk, "part": "SK-232", "quantity": "5"}
    assert client.post("/stores/stock/receive/", received).status_code == 422
    assert client.get("/stores/").context["page"].paginator.count == 0
    assert everything() == before


def test_the_lists_open_with_sentences(waiting: Inspection, clerk: User) -> None:
    page = text_of(signed_in(clerk).get("/stores/"))
    assert "1 pump waits for parts. 2 lines can be pulled now." in page
    assert waiting.pump.tag in page


# --- Unmatched --------------------------------------------------------------------------------


def test_an_unmatched_demand_finds_its_part_after_the_fit_is_added(
    site: Site, model: PumpModel, clerk: User
) -> None:
    signed(site, model)
    client = signed_in(clerk)
    demand = Demand.objects.get()
    assert "Seals" in text_of(client.get("/stores/unmatched/"))
    refused = client.post(f"/stores/unmatched/{demand.pk}/", follow=True)
    assert "The catalogue still names no part for Seals" in text_of(refused)
    client.post(
        "/stores/parts/add/",
        {"number": "SK-232", "name": "Seal kit", "unit": "kit", "pack_size": "1"},
    )
    part = Part.objects.get()
    fit = {"model": model.pk, "component": "seals", "quantity": "1"}
    assert client.post(f"/stores/parts/{part.pk}/fits/add/", fit).status_code == 302
    client.post(f"/stores/unmatched/{demand.pk}/")
    demand.refresh_from_db()
    assert (demand.part, demand.state) == (part, "short")
    assert "Every demand has its part." in text_of(client.get("/stores/unmatched/"))


def test_an_auditor_may_not_match(site: Site, model: PumpModel) -> None:
    signed(site, model)
    demand = Demand.objects.get()
    client = signed_in(make_person(site, Role.AUDITOR))
    assert client.post(f"/stores/unmatched/{demand.pk}/").status_code == 403
    assert "Match again" not in text_of(client.get("/stores/unmatched/"))
