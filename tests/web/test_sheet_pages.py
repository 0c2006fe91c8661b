"""Models and limit sheets: drafted line by line, refused beside the figure, issued once."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from statistics import NormalDist
from typing import Any

import pytest

from fleet.lifecycle import SheetState
from fleet.models import LimitSheet, PumpModel, SheetRule, Site
from fleet.roles import Role
from fleet.services import sheets
from fleet.vocabulary import Characteristic, PumpFamily, usual_checks
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
    assert form["terms"].value().splitlines() == ["bore", "journal"]
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
        "Shaft to bush = bore − journal",
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


# --- Usual checks, computed checks, checks of one's own -----------------------------------------


@pytest.mark.parametrize("family", list(PumpFamily))
def test_a_draft_offers_the_usual_checks_of_its_family_until_they_are_on_it(
    site: Site, family: PumpFamily
) -> None:
    client = signed_in(manager_of(site))
    draft = sheets.draft_sheet(
        actor=manager_of(site),
        model=make_model(family=family.value),
        revision="A",
        document="Book 1",
        lines=[],
    )
    checks = usual_checks(family)
    address = f"/sheets/{draft.pk}/lines/add/"
    page = client.get(f"/sheets/{draft.pk}/").content.decode()
    assert all(f'{address}?check={check.value}"' in page for check in (*checks, Characteristic.OWN))
    for check in checks:
        form = client.get(f"{address}?check={check.value}").context["form"]
        # What the page fills in, and the figures of the book, which are invented here.
        sent = {name: form[name].value() or "" for name in form.fields}
        assert sent["component"], check
        sent |= {"limit_high": "0.9", "page": "3", "required": "on"}
        answer = client.post(address, sent)
        assert answer.status_code == 302, (check, answer.context["form"].errors)
    assert draft.lines.count() == len(checks)
    page = client.get(f"/sheets/{draft.pk}/").content.decode()
    assert not any(f"?check={check.value}" in page for check in checks)
    assert client.post(f"/sheets/{draft.pk}/issue/").status_code == 302


def test_a_spread_is_offered_over_the_places_of_the_check_on_the_draft(
    site: Site, draft: LimitSheet
) -> None:
    client = signed_in(manager_of(site))
    client.post(f"/sheets/{draft.pk}/lines/add/", {**LINE, "unit": "in", "limit_high": "0.006"})
    form = client.get(f"/sheets/{draft.pk}/lines/add/?check=side_out_of_parallel").context["form"]
    assert form["readings_from"].value() == "side_clearance"
    assert form["judged_by"].value() == "spread"
    assert form["unit"].value() == "in"
    assert form["positions"].value().splitlines() == ["drive 12 o'clock", "idler 12 o'clock"]
    sent = {name: form[name].value() or "" for name in form.fields}
    client.post(f"/sheets/{draft.pk}/lines/add/", {**sent, "limit_high": "0.002", "page": "14"})
    page = text_of(client.get(f"/sheets/{draft.pk}/"))
    assert "Largest less smallest of the readings of side clearance; nothing is measured" in page
    # The check it borrows from cannot go.
    refused = client.post(f"/sheets/{draft.pk}/lines/1/remove/")
    assert refused.status_code == 422
    assert "has no such line" in text_of(refused)
    assert draft.lines.count() == 2


def test_a_computed_check_shows_its_formula(site: Site, draft: LimitSheet) -> None:
    client = signed_in(manager_of(site))
    address = f"/sheets/{draft.pk}/lines/add/"
    form = client.get(f"{address}?check=side_clearance.computed").context["form"]
    assert form["judged_by"].value() == "difference"
    assert form["instrument_kind"].value() == "depth_micrometer"
    sent = {name: form[name].value() or "" for name in form.fields}
    answer = client.post(address, {**sent, "limit_high": "0.15", "allowance": "0.25", "page": "14"})
    assert answer.status_code == 302, answer.context["form"].errors
    line = draft.lines.get()
    assert line.terms == ["housing depth", "gear width", "wear plate front", "wear plate rear"]
    assert line.allowance == D("0.25")
    formula = (
        "Side clearance = housing depth − gear width − wear plate front − wear plate rear "
        "+ 0.25 mm allowance"
    )
    assert formula in text_of(client.get(f"/sheets/{draft.pk}/"))
    assert formula in text_of(client.get(f"/sheets/{draft.pk}/issue/"))
    # Typed again as it stands, nothing is lost.
    form = client.get(f"/sheets/{draft.pk}/lines/1/").context["form"]
    client.post(f"/sheets/{draft.pk}/lines/1/", {n: form[n].value() or "" for n in form.fields})
    again = draft.lines.get()
    assert sheets.draft_of(again) == replace(sheets.draft_of(line), required=True)


def test_a_check_of_ones_own_is_named(site: Site, draft: LimitSheet) -> None:
    client = signed_in(manager_of(site))
    address = f"/sheets/{draft.pk}/lines/add/"
    own = {**LINE, "characteristic": "own", "component": "housing_bore"}
    refused = client.post(address, own)
    assert refused.status_code == 422
    assert list(refused.context["form"].errors) == ["name"]
    client.post(address, {**own, "name": "Cover bow"})
    refused = client.post(address, {**own, "name": "cover bow"})
    assert list(refused.context["form"].errors) == ["name"]
    client.post(address, {**own, "name": "Dowel wear"})
    page = text_of(client.get(f"/sheets/{draft.pk}/"))
    assert "Cover bow" in page
    assert "Dowel wear" in page
    assert "Dowel wear leaves the draft" in text_of(
        client.get(f"/sheets/{draft.pk}/lines/2/remove/")
    )


# --- The decision rule --------------------------------------------------------------------------


def test_a_rule_is_chosen_and_stands_in_the_history(site: Site) -> None:
    sheet = make_issued_sheet(make_model(), revision="A")
    supervisor = make_person(site, Role.SUPERVISOR, full_name="Ines Vale")
    client = signed_in(supervisor)
    assert "Simple acceptance, no guard." in text_of(client.get(f"/sheets/{sheet.pk}/"))
    address = f"/sheets/{sheet.pk}/rule/"
    form = client.get(address).context["form"]
    assert {n: form[n].value() for n in form.fields} == {
        "kind": "simple",
        "guard_z": "1.645",
        "p_accept": "0.95",
        "p_reject": "0.05",
        "why": None,
    }
    client.post(address, {"kind": "guarded", "guard_z": "1,96", "why": "Quality manual, 4.2"})
    client.post(address, {"kind": "probability", "why": "Agreed with the owner"})
    page = text_of(client.get(f"/sheets/{sheet.pk}/"))
    latest = "within from a probability of conformity of 95 % on, out at 5 % and below"
    assert f"{latest.capitalize()}." in page
    assert f"{latest.capitalize()} , Ines Vale: “Agreed with the owner”" in page
    assert "Ines Vale: “Quality manual, 4.2”" in page
    rule = SheetRule.objects.order_by("id").first()
    assert rule is not None
    assert f"/inspections/rules/{rule.pk}/" in client.get(f"/sheets/{sheet.pk}/").content.decode()


def test_a_rule_that_cannot_be_comes_back_as_typed(site: Site) -> None:
    sheet = make_issued_sheet(make_model())
    client = signed_in(make_person(site, Role.SUPERVISOR))
    sent = {"kind": "guarded", "guard_z": "7", "why": "Quality manual"}
    refused = client.post(f"/sheets/{sheet.pk}/rule/", sent)
    assert refused.status_code == 422
    assert list(refused.context["form"].errors) == ["guard_z"]
    assert 'value="7"' in refused.content.decode()
    same = client.post(f"/sheets/{sheet.pk}/rule/", {"kind": "simple", "why": "As before"})
    assert list(same.context["form"].errors) == ["kind"]
    assert client.post(f"/sheets/{sheet.pk}/rule/", {"kind": "guarded"}).status_code == 422
    assert not SheetRule.objects.exists()


def test_the_page_of_the_three_rules_counts_rightly(site: Site) -> None:
    sheet = make_issued_sheet(make_model())
    page = text_of(signed_in(make_person(site, Role.SUPERVISOR)).get(f"/sheets/{sheet.pk}/rule/"))
    # JCGM 106:2012, 7.3: a normal distribution about the reading; ISO 14253-1: limit less guard.
    limit, u, guard = 0.150, 0.004, 1.645 * 0.004
    for reading, said in ((0.140, "99.4 %"), (0.146, "84.1 %")):
        assert f"{NormalDist(reading, u).cdf(limit):.1%}".replace("%", " %") == said
        assert said in page
    assert f"= {guard:.4f} mm" in page
    assert f"up to {limit - guard:.4f} is" in page
    assert f"not above {limit + guard:.4f}" in page


def test_a_draft_says_which_rule_it_takes_over_and_issuing_says_when_it_changes(
    site: Site,
) -> None:
    old = make_issued_sheet(make_model(), revision="A")
    supervisor = make_person(site, Role.SUPERVISOR)
    client = signed_in(supervisor)
    guarded = "guarded acceptance, guard 1.645 standard uncertainties"
    client.post(f"/sheets/{old.pk}/rule/", {"kind": "guarded", "why": "Quality manual"})
    new = sheets.draft_sheet(
        actor=supervisor, model=old.model, revision="B", document="Book 2", lines=gear_lines()
    )
    assert f"Once it is issued: {guarded}." in text_of(client.get(f"/sheets/{new.pk}/"))
    issue = text_of(client.get(f"/sheets/{new.pk}/issue/"))
    assert f"Readings are judged by {guarded}." in issue
    assert "judged again" not in issue
    client.post(f"/sheets/{new.pk}/rule/", {"kind": "simple", "why": "Trial is over"})
    issue = text_of(client.get(f"/sheets/{new.pk}/issue/"))
    assert f"Sheet A is judged by {guarded}: signed inspections will be judged again" in issue
    client.post(f"/sheets/{new.pk}/issue/")
    assert client.get(f"/sheets/{old.pk}/rule/").status_code == 200
    refused = client.post(f"/sheets/{old.pk}/rule/", {"kind": "guarded", "why": "Again"})
    assert refused.status_code == 422
    assert "Choose the rule on the sheet in force" in text_of(refused)
