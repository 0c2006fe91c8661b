"""The board and the stores' pages: sentences, pulling by scanner, refusals, scoping, queries."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from fleet.lifecycle import PumpStatus
from fleet.models import Pump, PumpModel, Site, User
from fleet.roles import ROLE_MAY, Capability, Role
from fleet.services import pumps
from fleet.vocabulary import Component
from inspections.dispositions import Disposition
from inspections.events import InspectionSigned
from inspections.models import Inspection
from inspections.services import dispositions, signing
from parts.models import Demand, Fit, Movement, Part, StockLevel, Store
from parts.services import catalogue, demands, stock
from tests.factories import (
    SIDE,
    TIP,
    complete_inspection,
    make_inspection,
    make_issued_sheet,
    make_model,
    make_person,
    make_pump,
    make_signed_inspection,
    make_site,
    manager_of,
)
from tests.web.test_fleet_pages import queries_of, signed_in, text_of

pytestmark = pytest.mark.django_db

RENEWED = ("seals", "wear_plate_front", "wear_plate_rear", "bushes", "gears")


@pytest.fixture
def site() -> Site:
    return make_site("harbour-yard", "Harbour Yard")


@pytest.fixture
def clerk(site: Site) -> User:
    return make_person(site, Role.STORES_CLERK, full_name="Tess Quarles")


@pytest.fixture
def outsider() -> User:
    return make_person(make_site("forest-mill", "Forest Mill"), Role.STORES_CLERK)


@pytest.fixture
def model() -> PumpModel:
    model = make_model()
    make_issued_sheet(model)
    return model


@pytest.fixture
def kit(site: Site, model: PumpModel) -> Part:
    """The seal kit, which renews the seals; a strip-down always asks for it."""
    part = catalogue.add_part(
        actor=manager_of(site), number="SK-232", name="Seal kit", unit="kit", is_kit=True
    )
    catalogue.set_fit(actor=manager_of(site), model=model, component="seals", part=part)
    return part


@pytest.fixture
def store(site: Site, clerk: User) -> Store:
    return stock.open_store(actor=clerk, site=site)


def raised(inspection: Inspection) -> Inspection:
    """What the relay does with the signature's event."""
    demands.raise_for_signed(
        event=InspectionSigned(
            inspection_id=inspection.pk,
            pump_id=inspection.pump_id,
            site_id=inspection.site_id,
        )
    )
    return inspection


def signed(site: Site, model: PumpModel, *, out: tuple[str, ...] = (), **pump: Any) -> Inspection:
    tech = make_person(site)
    return raised(make_signed_inspection(tech, make_pump(site, model, **pump), out=out))


def on_shelf(store: Store, clerk: User, part: Part, quantity: int, bin: str = "B-14") -> None:
    stock.receive(actor=clerk, store=store, part=part, quantity=quantity, bin=bin)


def everything() -> list[Any]:
    models: list[Any] = [Demand, Movement, StockLevel, Part, Fit, Store, Pump]
    return [list(model.objects.order_by("pk").values()) for model in models]


# --- The board --------------------------------------------------------------------------------


def reused_though_out(site: Site, model: PumpModel, kit: Part, store: Store) -> Pump:
    """Back in service with a tip clearance out of limits: overruled by a supervisor."""
    supervisor = make_person(site, Role.SUPERVISOR)
    clerk = make_person(site, Role.STORES_CLERK)
    on_shelf(store, clerk, kit, 1)
    pump = make_pump(site, model, tag="HY-002", machine="Log grab 2")
    inspection = complete_inspection(supervisor, make_inspection(supervisor, pump), out=(TIP,))
    for row in inspection.dispositions.exclude(component="seals").exclude(decided="reuse"):
        dispositions.overrule(
            actor=supervisor,
            inspection=inspection,
            component=Component(row.component),
            decided=Disposition.REUSE,
            reason="Half load until the shutdown",
        )
    inspection.refresh_from_db()
    raised(signing.sign(actor=supervisor, inspection=inspection))
    demands.pull(actor=clerk, demand=Demand.objects.get(), scanned_number="SK-232", quantity=1)
    pump.refresh_from_db()
    return pumps.set_status(actor=supervisor, pump=pump, status="in_service", why="Rebuilt")


def test_the_board_opens_with_what_is_true(
    site: Site, model: PumpModel, kit: Part, store: Store
) -> None:
    reused_though_out(site, model, kit, store)
    quarry = make_site("quarry-north", "Quarry North")
    keeper = make_person(quarry, Role.STORES_CLERK)
    on_shelf(stock.open_store(actor=keeper, site=quarry), keeper, kit, 6)
    signed(site, model, tag="HY-003")
    trainee = make_person(site, trainee=True, full_name="Noor Fell")
    make_signed_inspection(trainee, make_pump(site, model, tag="HY-004"), out=(SIDE,))
    late = make_pump(site, model, tag="HY-005")
    due = timezone.now().date() - timedelta(days=30)
    pumps.change_pump(actor=manager_of(site), pump=late, next_inspection_on=due)
    make_pump(site, model, tag="HY-006")

    page = signed_in(make_person(site, Role.SUPERVISOR)).get("/")
    said = text_of(page).replace(" .", ".").replace(" ,", ",")
    assert "2 pumps are out of limits, 1 of them running. 1 pump is overdue for inspection." in said
    assert "1 waits for Seal kit, which Quarry North holds." in said
    assert "1 inspection awaits a countersignature." in said
    tags = [row.pump.tag for row in page.context["rows"]]
    # Running out of limits, overdue, awaiting a countersignature, short of parts; HY-006 is well.
    assert tags == ["HY-002", "HY-005", "HY-004", "HY-003"]
    body = page.content.decode()
    assert "verdict-plot--out" in body
    assert "running out of limits" in body
    assert f"Overdue since {due.day} {due:%b %Y}" in body
    assert "Signed by Noor Fell" in said


def test_each_number_leads_to_its_rows(
    site: Site, model: PumpModel, kit: Part, store: Store
) -> None:
    reused_though_out(site, model, kit, store)
    signed(site, model, tag="HY-003")
    client = signed_in(make_person(site, Role.AUDITOR))
    rows = {"running": ["HY-002"], "out": ["HY-002"], "waiting": ["HY-003"], "ready": []}
    for show, tags in rows.items():
        part = client.get(f"/?show={show}", headers={"HX-Request": "true"}).content.decode()
        assert re.findall(r'row-link"[^>]*>([^<]+)<', part) == tags, show
        assert "<html" not in part


def test_the_next_step_on_the_board_follows_the_role(
    site: Site, model: PumpModel, kit: Part, store: Store, clerk: User
) -> None:
    on_shelf(store, clerk, kit, 1)
    waiting = signed(site, model)
    trainee = make_person(site, trainee=True)
    awaiting = make_signed_inspection(trainee, make_pump(site, model))
    countersign = f"/inspections/{awaiting.pk}/countersign/"
    pull = f'href="/stores/lists/{waiting.pk}/">Pull the parts'
    pages = {
        role: signed_in(make_person(site, role)).get("/").content.decode()
        for role in (Role.COMPETENT_PERSON, Role.STORES_CLERK, Role.AUDITOR)
    }
    assert countersign in pages[Role.COMPETENT_PERSON]
    assert countersign not in pages[Role.STORES_CLERK]
    assert pull in pages[Role.STORES_CLERK]
    assert pull not in pages[Role.AUDITOR]


def test_an_empty_installation_says_how_to_begin(site: Site) -> None:
    page = text_of(signed_in(manager_of(site)).get("/"))
    assert "No pump is on the register yet." in page
    assert "Begin with a pump model and its limit sheet" in page


def test_an_outsider_has_an_empty_board(
    site: Site, model: PumpModel, kit: Part, outsider: User
) -> None:
    signed(site, model, tag="HY-003")
    page = signed_in(outsider).get("/")
    assert page.context["rows"] == []
    assert "HY-003" not in page.content.decode()


def test_the_pump_page_takes_in_what_was_found(
    site: Site, model: PumpModel, kit: Part, outsider: User
) -> None:
    inspection = signed(site, model, out=(SIDE,))
    client = signed_in(make_person(site, Role.AUDITOR))
    address = f"/stores/pumps/{inspection.pump_id}/"
    assert f'hx-get="{address}"' in client.get(f"/pumps/{inspection.pump_id}/").content.decode()
    part = client.get(address, headers={"HX-Request": "true"}).content.decode()
    assert "<html" not in part
    assert f"/inspections/{inspection.pk}/report/" in part
    assert "Side clearance" in part
    assert signed_in(outsider).get(address).status_code == 404


# --- Pulling ----------------------------------------------------------------------------------


@pytest.fixture
def bush(site: Site, model: PumpModel) -> Part:
    part = catalogue.add_part(actor=manager_of(site), number="BU-20", name="Bush 20 x 24")
    catalogue.set_fit(
        actor=manager_of(site), model=model, component="bushes", part=part, quantity=4
    )
    return part


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
    assert [line.bin for line, _ in page.context["lines"]][:2] == ["A-02", "B-14"]
    assert "autofocus" in page.content.decode()
    response = client.post(address, {"scanned_number": " sk-232 "})
    assert response["Location"] == address
    demand = Demand.objects.get(disposition__component="seals")
    assert (demand.state, demand.issued_by) == ("issued", clerk)
    after = client.get(address)
    assert "1 SK-232 Seal kit issued." in text_of(after)
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
        "You entered 3, but the demand asks for 4. Pull exactly 4."
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
    client.post("/stores/parts/add/", {"number": "SK-232", "name": "Seal kit", "unit": "kit"})
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
