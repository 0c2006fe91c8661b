"""The fleet's pages for each role: what is offered, refused, kept, and how many queries."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from fleet.lifecycle import PumpStatus
from fleet.models import (
    HoursReading,
    ImportDraft,
    LimitSheet,
    Membership,
    Pump,
    PumpModel,
    PumpMove,
    Site,
    StatusChange,
    User,
)
from fleet.roles import ROLE_MAY, Capability, Role
from fleet.services import people
from tests.factories import (
    make_issued_sheet,
    make_model,
    make_person,
    make_pump,
    make_site,
    manager_of,
)
from tests.web.client import queries_of, send_file, signed_in, text_of

pytestmark = pytest.mark.django_db
D = Decimal


@pytest.fixture
def outsider() -> User:
    return make_person(make_site("forest-mill", "Forest Mill"), Role.SUPERVISOR)


# --- Who gets in ------------------------------------------------------------------------------

OPEN_TO_ALL = ["/sign-in/", "/api/", "/api/v1/schema", "/problems/stale"]
EVERYBODY_SEES = ["/pumps/", "/models/", "/people/", "/people/roles/", "/tokens/", "/files/"]


@pytest.mark.parametrize("address", OPEN_TO_ALL)
def test_some_pages_need_no_account(address: str) -> None:
    assert Client().get(address).status_code == 200


@pytest.mark.parametrize("address", [*EVERYBODY_SEES, "/pumps/1/", "/pumps/1/hours/", "/"])
def test_the_rest_leads_to_the_sign_in_page_and_back(address: str) -> None:
    response = Client().get(address)
    assert response.status_code == 302
    assert response["Location"] == f"/sign-in/?next={address}"


def test_signing_in_leads_to_the_board_and_out_again(site: Site) -> None:
    make_person(site, username="wim", password="seven-lamps-on-a-hill")
    client = Client()
    sent = {"username": "wim", "password": "seven-lamps-on-a-hill"}
    assert client.post("/sign-in/", sent)["Location"] == "/"
    assert client.get("/sign-out/").status_code == 405
    assert client.post("/sign-out/")["Location"] == "/sign-in/"
    assert client.get("/")["Location"] == "/sign-in/?next=/"


def test_a_wrong_password_is_refused_without_saying_which_was_wrong(site: Site) -> None:
    make_person(site, username="wim", password="seven-lamps-on-a-hill")
    for username in ("wim", "nobody"):
        response = Client().post("/sign-in/", {"username": username, "password": "wrong"})
        assert "User name and password do not belong together" in text_of(response)


@pytest.mark.parametrize("role", list(Role))
def test_every_role_sees_the_lists_and_a_pump(role: Role, site: Site, pump: Pump) -> None:
    client = signed_in(make_person(site, role))
    for address in [*EVERYBODY_SEES, f"/pumps/{pump.pk}/", f"/models/{pump.model_id}/"]:
        assert client.get(address).status_code == 200, address


@pytest.mark.parametrize("role", list(Role))
def test_a_pump_offers_what_the_role_may_do_and_nothing_else(
    role: Role, site: Site, pump: Pump
) -> None:
    page = signed_in(make_person(site, role)).get(f"/pumps/{pump.pk}/").content.decode()
    offered = {
        Capability.RECORD_HOURS: f"/pumps/{pump.pk}/hours/",
        Capability.MOVE_PUMPS: f"/pumps/{pump.pk}/move/",
        Capability.KEEP_REGISTER: f"/pumps/{pump.pk}/status/",
        Capability.INSPECT: f"/inspections/open/{pump.pk}/",
    }
    for capability, address in offered.items():
        assert (f'href="{address}"' in page) is (capability in ROLE_MAY[role]), capability


FORMS: list[tuple[str, Capability]] = [
    ("/pumps/add/", Capability.KEEP_REGISTER),
    ("/pumps/{pump}/edit/", Capability.KEEP_REGISTER),
    ("/pumps/{pump}/hours/", Capability.RECORD_HOURS),
    ("/pumps/{pump}/move/", Capability.MOVE_PUMPS),
    ("/pumps/{pump}/status/", Capability.KEEP_REGISTER),
    ("/models/add/", Capability.KEEP_REGISTER),
    ("/models/{model}/edit/", Capability.KEEP_REGISTER),
    ("/models/{model}/sheets/add/", Capability.DRAFT_LIMITS),
    ("/sheets/{sheet}/revise/", Capability.DRAFT_LIMITS),
    ("/sites/{site}/people/add/", Capability.KEEP_PEOPLE),
    ("/sites/{site}/roles/add/", Capability.KEEP_PEOPLE),
    ("/sites/add/", Capability.KEEP_PEOPLE),
]


@pytest.mark.parametrize("role", list(Role))
def test_a_form_opens_only_for_roles_that_may_send_it(role: Role, site: Site, pump: Pump) -> None:
    client = signed_in(make_person(site, role))
    sheet = LimitSheet.objects.get()
    for pattern, capability in FORMS:
        address = pattern.format(pump=pump.pk, model=pump.model_id, sheet=sheet.pk, site=site.pk)
        expected = 200 if capability in ROLE_MAY[role] else 403
        assert client.get(address).status_code == expected, address


def everything() -> list[Any]:
    models: list[Any] = [Pump, HoursReading, PumpMove, StatusChange, Membership, ImportDraft, Site]
    return [list(model.objects.order_by("pk").values()) for model in models]


def test_an_outsider_finds_nothing_and_changes_nothing(
    site: Site, pump: Pump, outsider: User
) -> None:
    upload = SimpleUploadedFile("p.csv", b"tag,maker,designation,serial,machine\n")
    signed_in(manager_of(site)).post("/files/", {"kind": "pumps", "site": site.pk, "file": upload})
    draft = ImportDraft.objects.get()
    member = Membership.objects.filter(site=site).first()
    assert member is not None
    client = signed_in(outsider)
    before = everything()
    for page in ("", "edit/", "hours/", "move/", "status/"):
        address = f"/pumps/{pump.pk}/{page}"
        assert client.get(address).status_code == 404, address
    whole = {"meter_h": "2000", "why": "x", "status": "spare", "to_site": site.pk, "tag": "T"}
    for page in ("edit/", "hours/", "move/", "status/"):
        assert client.post(f"/pumps/{pump.pk}/{page}", whole).status_code == 404, page
    person = {"username": "new", "full_name": "New", "roles": ["auditor"]}
    assert client.post(f"/sites/{site.pk}/people/add/", person).status_code == 404
    assert client.post(f"/roles/{member.pk}/revoke/").status_code == 404
    assert client.get(f"/files/{draft.pk}/").status_code == 404
    assert client.post(f"/files/{draft.pk}/").status_code == 404
    assert "HY-001" not in client.get("/pumps/").content.decode()
    assert "Harbour Yard" not in text_of(client.get("/people/"))
    assert everything() == before


def test_an_outsiders_site_cannot_be_chosen_in_a_form(site: Site, outsider: User) -> None:
    model = make_model()
    sent = {"site": site.pk, "model": model.pk, "tag": "X-1", "serial": "1", "machine": "m"}
    sent |= {"meter_h": "0", "status": "in_service"}
    response = signed_in(outsider).post("/pumps/add/", sent)
    assert response.status_code == 422
    assert Pump.objects.count() == 0


# --- Pumps ------------------------------------------------------------------------------------


def new_pump(site: Site, **fields: Any) -> dict[str, Any]:
    model = PumpModel.objects.first() or make_model()
    return {
        "site": site.pk,
        "model": model.pk,
        "tag": "HY-009",
        "serial": "S-9",
        "machine": "Crane 4",
        "meter_h": "1200,5",
        "status": "in_service",
        **fields,
    }


def test_a_pump_is_added_with_a_comma_for_the_decimal_mark(site: Site) -> None:
    response = signed_in(manager_of(site)).post("/pumps/add/", new_pump(site))
    pump = Pump.objects.get()
    assert response["Location"] == f"/pumps/{pump.pk}/"
    assert (pump.tag, pump.meter_h, pump.running_h) == ("HY-009", D("1200.5"), D("1200.5"))


def test_refusals_stand_beside_their_fields_and_what_was_typed_stays(
    site: Site, pump: Pump
) -> None:
    sent = new_pump(site, tag="two words", meter_h="12.55", machine="Log grab 2")
    response = signed_in(manager_of(site)).post("/pumps/add/", sent)
    assert response.status_code == 422
    form = response.context["form"]
    assert form.errors["tag"] == ["A tag is letters, figures and . _ / - without spaces."]
    assert form.errors["meter_h"] == [
        "12.55 h has more than one decimal place. Give hours to a tenth."
    ]
    page = response.content.decode()
    for typed in ("two words", "12.55", "Log grab 2", "S-9"):
        assert f'value="{typed}"' in page
    assert 'aria-invalid="true"' in page
    assert Pump.objects.count() == 1


def test_a_taken_tag_is_refused_beside_the_tag(site: Site, pump: Pump) -> None:
    response = signed_in(manager_of(site)).post("/pumps/add/", new_pump(site, tag=pump.tag))
    assert response.status_code == 422
    assert list(response.context["form"].errors) == ["tag"]


def test_the_same_form_sent_twice_acts_once(site: Site, pump: Pump) -> None:
    client = signed_in(manager_of(site))
    sent = {"meter_h": "1300", "request_key": "tap"}
    first, second = (client.post(f"/pumps/{pump.pk}/hours/", sent) for _ in range(2))
    assert (first.status_code, second.status_code) == (302, 302)
    assert second["Idempotent-Replay"] == "true"
    assert pump.hours_readings.count() == 2


def test_a_falling_meter_is_refused_until_its_change_is_told(site: Site, pump: Pump) -> None:
    client = signed_in(make_person(site))
    address = f"/pumps/{pump.pk}/hours/"
    refused = client.post(address, {"meter_h": "3"})
    assert refused.status_code == 422
    assert "a meter does not run back" in refused.context["form"].errors["meter_h"][0]
    assert client.post(address, {"meter_h": "3", "meter_changed": "on"}).status_code == 302
    pump.refresh_from_db()
    assert (pump.meter_h, pump.running_h) == (D("3.0"), D("1200.0"))


def test_a_move_takes_a_reason_and_a_site_of_ones_own(site: Site, pump: Pump) -> None:
    quarry = make_site("quarry-north", "Quarry North")
    mover = make_person(site, Role.SUPERVISOR)
    client = signed_in(mover)
    address = f"/pumps/{pump.pk}/move/"
    assert client.post(address, {"to_site": quarry.pk, "why": "Swap"}).status_code == 422
    people.grant_role(actor=manager_of(quarry), user=mover, site=quarry, role="technician")
    assert client.post(address, {"to_site": quarry.pk, "why": ""}).status_code == 422
    assert client.post(address, {"to_site": quarry.pk, "why": "Swap"}).status_code == 302
    pump.refresh_from_db()
    assert pump.site == quarry
    assert PumpMove.objects.get().why == "Swap"


def test_an_old_page_does_not_overwrite_what_somebody_else_changed(site: Site, pump: Pump) -> None:
    client = signed_in(manager_of(site))
    sent = {"tag": "HY-001", "machine": "Crane 4", "position": "", "next_inspection_on": ""}
    address = f"/pumps/{pump.pk}/edit/"
    assert client.post(address, {**sent, "version": pump.version}).status_code == 302
    late = client.post(address, {**sent, "machine": "Press 1", "version": pump.version})
    assert late.status_code == 422
    assert "was changed by somebody else" in text_of(late)
    pump.refresh_from_db()
    assert pump.machine == "Crane 4"
    # The page that comes back carries the new version, so the second look can be sent.
    again = {**sent, "machine": "Press 1", "version": late.context["version"]}
    assert client.post(address, again).status_code == 302


def test_the_state_is_set_by_hand_with_a_reason(site: Site, pump: Pump) -> None:
    client = signed_in(manager_of(site))
    address = f"/pumps/{pump.pk}/status/"
    assert client.post(address, {"status": "on_bench", "why": "x"}).status_code == 422
    assert client.post(address, {"status": "spare", "why": "Shelf 3"}).status_code == 302
    pump.refresh_from_db()
    assert pump.status == PumpStatus.SPARE
    assert "Shelf 3" in text_of(client.get(f"/pumps/{pump.pk}/"))


def test_the_register_narrows_by_sentence_and_answers_htmx_with_rows(site: Site) -> None:
    model = make_model()
    make_pump(site, model, tag="HY-001", machine="Crane 4")
    make_pump(site, model, tag="HY-002", machine="Press 1", status="spare")
    client = signed_in(make_person(site))
    page = client.get("/pumps/?status=spare")
    assert "HY-002" in page.content.decode()
    assert "HY-001" not in page.content.decode()
    part = client.get("/pumps/?machine=crane", headers={"HX-Request": "true"})
    assert "<html" not in part.content.decode()
    assert "HY-001" in part.content.decode()
    assert part["Vary"].count("HX-Request") == 1
    assert 'data-announce="1 pump"' in part.content.decode()
    odd = client.get("/pumps/?status=broken&site=999999")
    assert odd.status_code == 200
    assert "Select a valid choice" in text_of(odd)


def test_files_go_out_to_roles_that_may_export(site: Site, pump: Pump) -> None:
    csv = signed_in(make_person(site, Role.AUDITOR)).get("/pumps/export.csv")
    assert csv.status_code == 200
    assert csv["Content-Disposition"] == 'attachment; filename="pumps.csv"'
    assert csv.content.decode("utf-8-sig").splitlines()[1].startswith("harbour-yard,HY-001,")
    for address in ("/pumps/export.xlsx", "/models/export.csv", "/sheets/export.xlsx"):
        assert signed_in(make_person(site, Role.AUDITOR)).get(address).status_code == 200
        assert signed_in(make_person(site)).get(address).status_code == 403


# --- Query counts -----------------------------------------------------------------------------


def ten_pumps(site: Site) -> None:
    model = PumpModel.objects.get()
    for _ in range(9):
        make_pump(site, model)


def ten_models(site: Site) -> None:
    for _ in range(9):
        make_issued_sheet(make_model())


def ten_people(site: Site) -> None:
    for _ in range(9):
        make_person(site)


def ten_files(site: Site) -> None:
    for _ in range(9):
        send_file(signed_in(manager_of(site)), site, "tag\nA\n")


@pytest.mark.parametrize(
    ("address", "grow"),
    [
        ("/pumps/", ten_pumps),
        ("/models/", ten_models),
        ("/people/", ten_people),
        ("/files/", ten_files),
    ],
)
def test_a_list_asks_as_many_queries_for_ten_rows_as_for_one(
    address: str, grow: Callable[[Site], None], site: Site, pump: Pump
) -> None:
    send_file(signed_in(manager_of(site)), site, "tag\nA\n")
    client = signed_in(make_person(site, Role.SUPERVISOR))
    one = queries_of(client, address)
    grow(site)
    assert queries_of(client, address) == one
