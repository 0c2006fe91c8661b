"""The fleet's pages for each role: what is offered, refused, kept, and how many queries."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client, override_settings
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from fleet.lifecycle import PumpStatus, SheetState
from fleet.models import (
    ApiToken,
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
from fleet.services import people, sheets
from tests.factories import (
    gear_lines,
    make_issued_sheet,
    make_model,
    make_person,
    make_pump,
    make_site,
    manager_of,
)

pytestmark = pytest.mark.django_db
D = Decimal


def signed_in(user: User) -> Client:
    client = Client()
    client.force_login(user)
    return client


def text_of(response: Any) -> str:
    """What stands on a page, without its marks."""
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def queries_of(client: Client, address: str) -> int:
    client.get(address)
    with CaptureQueriesContext(
        connection,
    ) as captured:
        assert client.get(address).status_code == 200
    return len(captured)


@pytest.fixture
def site() -> Site:
    return make_site("harbour-yard", "Harbour Yard")


@pytest.fixture
def pump(site: Site) -> Pump:
    return make_pump(site, tag="HY-001")


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


# --- Models and sheets ------------------------------------------------------------------------

LINE: dict[str, Any] = {
    "characteristic": "side_clearance",
    "component": "wear_plate_front",
    "judged_by": "each",
    "required": "on",
    "page": "14",
    "unit": "mm",
    "limit_high": "0,150",
    "positions": "drive 12 o'clock\r\nidler 12 o'clock\r\n",
}


@pytest.fixture
def draft(site: Site) -> LimitSheet:
    return sheets.draft_sheet(
        actor=manager_of(site), model=make_model(), revision="A", document="Book 1", lines=[]
    )


def test_a_line_is_added_with_its_printed_digits(site: Site, draft: LimitSheet) -> None:
    client = signed_in(manager_of(site))
    response = client.post(f"/sheets/{draft.pk}/lines/add/", {**LINE, "version": draft.version})
    assert response["Location"] == f"/sheets/{draft.pk}/"
    line = draft.lines.get()
    assert str(line.limit_high) == "0.150"
    assert line.positions == ["drive 12 o'clock", "idler 12 o'clock"]
    page = text_of(client.get(f"/sheets/{draft.pk}/"))
    assert "at most 0.150 mm" in page


def test_a_misprint_shows_both_readings_beside_the_second_figure(
    site: Site, draft: LimitSheet
) -> None:
    # 0.15 mm is 0.0059 in; a book that prints 0.060 in beside it has its point in the wrong place.
    sent = {**LINE, "limit_high": "0.15", "also_unit": "in", "also_limit_high": "0.060"}
    response = signed_in(manager_of(site)).post(f"/sheets/{draft.pk}/lines/add/", sent)
    assert response.status_code == 422
    (sentence,) = response.context["form"].errors["also_limit_high"]
    assert "0.15 mm and 0.060 in are not the same length" in sentence
    assert 'value="0.060"' in response.content.decode()
    assert draft.lines.count() == 0


def test_a_second_line_of_the_same_check_is_refused(site: Site, draft: LimitSheet) -> None:
    client = signed_in(manager_of(site))
    client.post(f"/sheets/{draft.pk}/lines/add/", LINE)
    response = client.post(f"/sheets/{draft.pk}/lines/add/", LINE)
    assert response.status_code == 422
    assert response.context["form"].errors["characteristic"] == [
        "Line 1 is of the same characteristic and component. Take one of the two out."
    ]


def test_the_editor_fills_in_what_a_check_usually_says(site: Site, draft: LimitSheet) -> None:
    page = signed_in(manager_of(site)).get(f"/sheets/{draft.pk}/lines/add/?check=shaft_to_bush")
    form = page.context["form"]
    assert form["term_first"].value() == "bore"
    assert form["judged_by"].value() == "difference"
    assert form["positions"].value().splitlines() == [
        "drive front",
        "drive rear",
        "idler front",
        "idler rear",
    ]


def test_a_line_is_changed_and_taken_out(site: Site, draft: LimitSheet) -> None:
    client = signed_in(manager_of(site))
    client.post(f"/sheets/{draft.pk}/lines/add/", LINE)
    client.post(f"/sheets/{draft.pk}/lines/1/", {**LINE, "limit_high": "0.20"})
    assert str(draft.lines.get().limit_high) == "0.20"
    assert client.get(f"/sheets/{draft.pk}/lines/2/").status_code == 404
    assert client.get(f"/sheets/{draft.pk}/lines/1/remove/").status_code == 200
    assert client.post(f"/sheets/{draft.pk}/lines/1/remove/").status_code == 302
    assert draft.lines.count() == 0


def test_issuing_supersedes_and_an_issued_sheet_offers_no_editing(site: Site) -> None:
    model = make_model()
    old = make_issued_sheet(model, revision="A")
    client = signed_in(manager_of(site))
    client.post(f"/sheets/{old.pk}/revise/", {"revision": "B"})
    new = LimitSheet.objects.get(revision="B")
    confirm = text_of(client.get(f"/sheets/{new.pk}/issue/"))
    assert "supersedes sheet A" in confirm
    assert client.post(f"/sheets/{new.pk}/issue/", {"version": new.version}).status_code == 302
    old.refresh_from_db()
    assert old.state == SheetState.SUPERSEDED
    page = client.get(f"/sheets/{new.pk}/").content.decode()
    assert f"/sheets/{new.pk}/lines/" not in page
    assert client.get(f"/sheets/{new.pk}/lines/add/").status_code == 422
    assert "Inspections that were judged by it keep it" in text_of(client.get(f"/sheets/{old.pk}/"))


def test_an_empty_draft_is_not_issued(site: Site, draft: LimitSheet) -> None:
    response = signed_in(manager_of(site)).post(f"/sheets/{draft.pk}/issue/")
    assert response.status_code == 422
    assert "needs at least one line that applies" in text_of(response)


def test_a_competent_person_drafts_and_does_not_issue(site: Site, draft: LimitSheet) -> None:
    client = signed_in(make_person(site, Role.COMPETENT_PERSON))
    assert client.get(f"/sheets/{draft.pk}/lines/add/").status_code == 200
    assert client.post(f"/sheets/{draft.pk}/issue/").status_code == 403
    draft.refresh_from_db()
    assert draft.state == SheetState.DRAFT


def test_a_sheet_is_shown_as_it_is_printed(site: Site) -> None:
    sheet = make_issued_sheet(make_model(), gear_lines())
    page = text_of(signed_in(make_person(site, Role.AUDITOR)).get(f"/sheets/{sheet.pk}/"))
    for printed in (
        "0.05 to 0.10 mm",
        "at most 0.15 mm",
        "at most 0.006 in",
        "less than 0.10 mm",
        "bore less journal",
        "does not apply: Pressure-loaded plates are not flat when free.",
    ):
        assert printed in page


def test_a_model_is_added_and_corrected(site: Site) -> None:
    client = signed_in(manager_of(site))
    sent = {
        "maker": "Halvard",
        "designation": "HX 50",
        "family": "external_gear",
        "displacement_cm3": "50,5",
        "rated_pressure_bar": "210",
        "speed_min_rpm": "500",
        "speed_max_rpm": "400",
        "rotation": "clockwise",
        "oil_grade_vg": "46",
    }
    refused = client.post("/models/add/", sent)
    assert refused.status_code == 422
    assert list(refused.context["form"].errors) == ["speed_min_rpm"]
    client.post("/models/add/", {**sent, "speed_max_rpm": "2500"})
    model = PumpModel.objects.get()
    assert model.displacement_cm3 == D("50.5")
    client.post(f"/models/{model.pk}/edit/", {**sent, "speed_max_rpm": "3000"})
    model.refresh_from_db()
    assert model.speed_max_rpm == 3000


# --- People and tokens ------------------------------------------------------------------------


def test_a_person_is_added_given_a_role_and_loses_it(site: Site) -> None:
    client = signed_in(manager_of(site))
    sent = {
        "full_name": "Noor Fell",
        "username": "noor",
        "password": "seven-lamps-on-a-hill",
        "roles": ["technician"],
        "trainee": "on",
    }
    assert client.post(f"/sites/{site.pk}/people/add/", sent).status_code == 302
    role = {"username": "noor", "role": "stores_clerk"}
    assert client.post(f"/sites/{site.pk}/roles/add/", role).status_code == 302
    assert "technician (trainee)" in text_of(client.get("/people/"))
    membership = Membership.objects.get(user__username="noor", role="stores_clerk")
    assert client.post(f"/roles/{membership.pk}/revoke/").status_code == 302
    assert [m.role for m in Membership.objects.filter(user__username="noor")] == ["technician"]


def test_a_weak_password_is_refused_and_not_shown_again(site: Site) -> None:
    sent = {"full_name": "N", "username": "noor", "password": "12345", "roles": ["auditor"]}
    response = signed_in(manager_of(site)).post(f"/sites/{site.pk}/people/add/", sent)
    assert response.status_code == 422
    assert "password" in response.context["form"].errors
    assert "12345" not in response.content.decode()


def test_the_last_manager_stays(site: Site) -> None:
    manager = manager_of(site)
    membership = Membership.objects.get(user=manager)
    response = signed_in(manager).post(f"/roles/{membership.pk}/revoke/")
    assert response.status_code == 422
    assert "last maintenance manager" in text_of(response)
    assert Membership.objects.filter(pk=membership.pk).exists()


def test_a_supervisor_sees_people_and_changes_none(site: Site) -> None:
    client = signed_in(make_person(site, Role.SUPERVISOR))
    assert "/revoke/" not in client.get("/people/").content.decode()
    membership = Membership.objects.filter(site=site).first()
    assert membership is not None
    assert client.post(f"/roles/{membership.pk}/revoke/").status_code == 403
    assert Membership.objects.filter(pk=membership.pk).exists()


def test_the_roles_page_shows_the_table_that_decides(site: Site) -> None:
    response = signed_in(make_person(site)).get("/people/roles/")
    shown = response.content.decode().count("<td>yes</td>")
    assert shown == sum(len(may) for may in ROLE_MAY.values())


def test_a_token_is_shown_once_and_withdrawn_by_its_owner_only(site: Site) -> None:
    owner, other = make_person(site), make_person(site)
    client = signed_in(owner)
    until = (timezone.now() + timedelta(days=30)).date().isoformat()
    made = client.post("/tokens/", {"name": "Meter gateway", "expires_on": until})
    plain = made.context["issued"][1]
    assert plain in made.content.decode()
    assert made["Cache-Control"] == "private, no-store"
    assert plain not in client.get("/tokens/").content.decode()
    token = ApiToken.objects.get()
    assert signed_in(other).post(f"/tokens/{token.pk}/revoke/").status_code == 404
    token.refresh_from_db()
    assert token.revoked_at is None
    client.post(f"/tokens/{token.pk}/revoke/")
    token.refresh_from_db()
    assert token.revoked_at is not None


def test_a_token_that_ended_before_it_began_is_refused(site: Site) -> None:
    sent = {"name": "Old", "expires_on": "2020-01-01"}
    response = signed_in(make_person(site)).post("/tokens/", sent)
    assert response.status_code == 422
    assert response.context["form"].errors["expires_on"] == ["Choose an end date in the future."]
    assert ApiToken.objects.count() == 0


# --- Files ------------------------------------------------------------------------------------


def send_file(client: Client, site: Site, content: str) -> Any:
    upload = SimpleUploadedFile("pumps.csv", content.encode())
    return client.post("/files/", {"kind": "pumps", "site": site.pk, "file": upload})


def test_a_good_file_is_tried_then_taken_over_once(site: Site) -> None:
    model = make_model(maker="Ostermoor", designation="G2-32")
    rows = "".join(f"P-{n},{model.maker},{model.designation},S-{n},Crane 4\n" for n in range(1, 61))
    client = signed_in(manager_of(site))
    tried = send_file(client, site, "tag,maker,designation,serial,machine\n" + rows)
    assert Pump.objects.count() == 0
    assert "All 60 rows are good." in text_of(client.get(tried["Location"]))
    assert client.post(tried["Location"])["Location"] == "/pumps/"
    assert Pump.objects.count() == 60
    again = client.post(tried["Location"])
    assert again.status_code == 422
    assert Pump.objects.count() == 60


def test_every_bad_row_is_named_and_none_is_taken(site: Site) -> None:
    make_model(maker="Ostermoor", designation="G2-32")
    client = signed_in(manager_of(site))
    tried = send_file(
        client,
        site,
        "tag,maker,designation,serial,machine\n"
        "P-1,Ostermoor,G2-32,S-1,Crane 4\n"
        "P 2,Ostermoor,G2-32,S-2,Crane 4\n"
        "P-3,Ostermoor,G9-99,S-3,Crane 4\n",
    )
    page = client.get(tried["Location"])
    assert [(f.row, f.field) for f in page.context["faults"]] == [(3, "tag"), (4, "designation")]
    assert "2 rows of the file cannot be taken, 1 is good." in text_of(page)
    assert client.post(tried["Location"]).status_code == 422
    assert Pump.objects.count() == 0


def test_a_file_of_another_type_is_refused_beside_the_file(site: Site) -> None:
    upload = SimpleUploadedFile("photo.png", b"\x89PNG\x00\x00")
    response = signed_in(manager_of(site)).post(
        "/files/", {"kind": "pumps", "site": site.pk, "file": upload}
    )
    assert response.status_code == 422
    assert list(response.context["form"].errors) == ["file"]
    assert ImportDraft.objects.count() == 0


def test_a_technician_takes_no_file_over(site: Site) -> None:
    client = signed_in(make_person(site))
    assert send_file(client, site, "tag\nA\n").status_code == 403
    assert ImportDraft.objects.count() == 0


@pytest.mark.parametrize("kind", ["pumps", "models", "sheets"])
@pytest.mark.parametrize("file", ["csv", "xlsx"])
def test_templates_come_with_their_columns(kind: str, file: str, site: Site) -> None:
    client = signed_in(make_person(site))
    response = client.get(f"/files/templates/{kind}.{file}")
    assert response.status_code == 200
    if file == "csv":
        assert b"maker,designation" in response.content


# --- API page and errors ----------------------------------------------------------------------


def test_the_api_page_describes_every_operation_of_the_document() -> None:
    from fleet.web.api_docs import document, groups

    page = Client().get("/api/").content.decode()
    described = {(op.method, op.path) for _heading, ops in groups() for op in ops}
    in_document = {
        (method.upper(), path)
        for path, item in document()["paths"].items()
        for method in item
        if method in ("get", "post", "put", "patch", "delete")
    }
    assert described == in_document
    assert all(f"<code>{path}</code>" in page for _method, path in in_document)
    assert "application/problem+json" in page
    assert "Idempotency-Key: $(uuidgen)" in text_of(Client().get("/api/")).replace("&quot;", '"')


def test_nothing_of_a_page_comes_from_another_host_or_stands_inline(site: Site, pump: Pump) -> None:
    client = signed_in(manager_of(site))
    for address in ("/pumps/", f"/pumps/{pump.pk}/", "/api/", "/files/", "/sign-in/"):
        page = client.get(address, follow=True).content.decode()
        assert not re.findall(r'(?:src|href)="(?:https?:)?//', page), address
        assert not re.findall(r"<style|<script(?! src)|\sstyle=|\son[a-z]+=", page), address


def test_missing_pages_and_refusals_are_in_our_look(site: Site) -> None:
    client = signed_in(make_person(site))
    missing = client.get("/pumps/999999/")
    assert missing.status_code == 404
    assert "There is nothing here that you can see" in text_of(missing)
    refused = client.get("/pumps/add/")
    assert refused.status_code == 403
    assert "may not keep register" in text_of(refused)


def test_a_stale_form_token_is_explained(site: Site) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(make_person(site))
    response = client.post("/tokens/", {"name": "x"})
    assert response.status_code == 403
    assert "This form was too old to be taken" in text_of(response)


@override_settings(ALLOWED_HOSTS=["testserver"])
def test_a_failure_of_ours_has_a_page_without_the_database(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_args: object, **_kwargs: object) -> None:
        raise RuntimeError

    monkeypatch.setattr("fleet.selectors.pump_register", fail)
    client = signed_in(make_person(site))
    client.raise_request_exception = False
    response = client.get("/pumps/")
    assert response.status_code == 500
    assert "Something failed on our side" in text_of(response)


def test_the_navigation_offers_what_the_roles_allow(site: Site) -> None:
    def offered(role: Role) -> list[str]:
        page = signed_in(make_person(site, role)).get("/pumps/")
        return [label for _url, label, _current in page.context["nav"]]

    assert offered(Role.AUDITOR) == [
        "Board",
        "Pumps",
        "Inspections",
        "Limit sheets",
        "Stores",
        "Files",
    ]
    assert "Countersign" in offered(Role.COMPETENT_PERSON)
    assert "People" in offered(Role.MAINTENANCE_MANAGER)


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
