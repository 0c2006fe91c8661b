"""Models and limit sheets: drafted line by line, refused beside the figure, issued once."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from fleet.lifecycle import SheetState
from fleet.models import (
    LimitSheet,
    PumpModel,
    Site,
)
from fleet.roles import Role
from fleet.services import sheets
from tests.factories import (
    gear_lines,
    make_issued_sheet,
    make_model,
    make_person,
    manager_of,
)
from tests.web.client import signed_in, text_of

pytestmark = pytest.mark.django_db
D = Decimal


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
