"""What the clearances cost, as a page, a table and a drawing; and where its leak paths are kept."""

from __future__ import annotations

import csv
import io
import xml.etree.ElementTree as ET

import pytest

from fleet.models import LeakPath, PumpModel, Site
from fleet.roles import Role
from inspections.services import readings
from tests import factories
from tests.leaks import SIDE_PATH, give_leak_paths
from tests.web.bench import Bench, signed_in, words

pytestmark = pytest.mark.django_db


@pytest.fixture
def leaking(bench: Bench) -> Bench:
    """A bench whose pump model has leak paths."""
    give_leak_paths(factories.manager_of(bench.site), bench.inspection.pump.model)
    return bench


def asked(bench: Bench, **query: str) -> str:
    query = {"pressure": "40", "speed_rpm": "2500", **query}
    return bench.url("leakage") + "?" + "&".join(f"{name}={v}" for name, v in query.items())


# --- The page ---------------------------------------------------------------------------------


def test_a_model_without_leak_paths_says_how_to_begin(bench: Bench) -> None:
    page = signed_in(bench.technician).get(bench.url("leakage"))
    assert page.status_code == 200
    assert "No leak paths for" in words(page)
    assert "Ask somebody who keeps the register" in words(page)
    enter = f"/models/{bench.inspection.pump.model_id}/leak-paths/"
    assert enter not in page.content.decode()
    assert (
        enter
        in signed_in(factories.manager_of(bench.site)).get(bench.url("leakage")).content.decode()
    )


def test_nothing_measured_leads_to_the_bench(leaking: Bench) -> None:
    page = signed_in(leaking.technician).get(leaking.url("leakage"))
    said = words(page)
    assert "No clearance is measured yet that would say what is lost." in said
    assert said.count("Not measured yet.") == 6  # in the table and over each drawing
    assert f'href="{leaking.url("bench")}"' in page.content.decode()


def test_the_sentence_comes_first_with_the_models_figures(leaking: Bench) -> None:
    factories.measure_all(leaking.technician, leaking.inspection)
    page = signed_in(leaking.auditor).get(leaking.url("leakage"))
    text = words(page).replace("\xa0", " ")
    first, table = text.index("The clearances measured indicate"), text.index("Clearance by")
    assert first < table
    assert "of 80.0 L/min at 210 bar and 50 °C" in text
    form = page.context["form"]
    assert (form["pressure"].value(), form["speed_rpm"].value()) == ("210", "2500")
    assert form["oil_grade_vg"].value() == "46"
    assert "(Actuators 2026, 15(1), 56)" in text
    assert "indicates where the oil goes" in text


def test_every_figure_opens_to_its_sum(leaking: Bench) -> None:
    factories.measure_all(leaking.technician, leaking.inspection)
    page = signed_in(leaking.technician).get(asked(leaking))
    text = words(page)
    assert "Q = n · b · h³ · Δp / (12 · μ · L)" in text
    assert "μ, dynamic viscosity 0.0260 Pa·s" in text
    sheet = leaking.inspection.sheet
    assert f"sheet {sheet.revision}, {sheet.document}, page 14" in text
    assert page.content.decode().count('<svg class="leak-plot"') == 3
    assert "of it on one side would leak 4 times as much" in text


def test_the_units_of_the_reader(leaking: Bench) -> None:
    factories.measure_all(leaking.technician, leaking.inspection)
    client = signed_in(leaking.technician)
    metric = client.get(asked(leaking)).context["losses"]
    # 40 bar is 580.15 psi, 50 °C is 122 °F.
    us = client.get(
        asked(
            leaking,
            pressure="580.151",
            pressure_unit="psi",
            temperature="122",
            temperature_unit="degF",
            flow_unit="us_gpm",
        )
    )
    assert us.context["losses"].total == pytest.approx(metric.total, rel=1e-5)
    text = words(us).replace("\xa0", " ")
    assert "at 580 psi and 122 °F" in text
    assert "of 21.1 US gpm" in text
    assert float(us.context["total"]) == pytest.approx(metric.total * 0.264172, rel=0.06)


def test_a_refusal_stands_beside_its_field(leaking: Bench) -> None:
    client = signed_in(leaking.technician)
    for query, field, said in (
        ({"pressure": "abc"}, "pressure", "is no number"),
        ({"pressure": "0"}, "pressure", "above 0 and below 2000 bar"),
        ({"temperature": "400", "temperature_unit": "degF"}, "temperature", "between -30 and 150"),
        ({"oil_grade_vg": "2"}, "oil_grade_vg", "Enter both viscosities"),
        ({"oil_grade_vg": "33"}, "oil_grade_vg", "33"),
        ({"nu40": "46"}, "nu100", "Enter both viscosities"),
        ({"flow_unit": "barrels"}, "flow_unit", "barrels"),
    ):
        page = client.get(asked(leaking, **query))
        assert page.status_code == 422, query
        assert said in page.context["form"].errors[field][0]
        assert "leak-plot" not in page.content.decode().split("</head>")[1]
    thin = client.get(asked(leaking, oil_grade_vg="2", nu40="2.9", nu100="2.1"))
    assert thin.status_code == 200


def test_an_open_gap_is_left_out_and_said(leaking: Bench) -> None:
    factories.measure_all(leaking.technician, leaking.inspection)
    readings.retake(
        actor=leaking.technician,
        inspection=leaking.inspection,
        line=leaking.line("tip_clearance").pk,
        position="drive middle",
    )
    readings.record_tries(
        actor=leaking.technician,
        inspection=leaking.inspection,
        line=leaking.line("tip_clearance").pk,
        position="drive middle",
        instrument=leaking.leaf_set,
        tries=[factories.leaf("0.10")],
    )
    text = words(signed_in(leaking.technician).get(asked(leaking)))
    assert "Not counted: the tip clearance." in text
    assert "Every leaf went in at drive middle" in text


def test_the_page_of_a_signed_inspection_and_of_other_sites(leaking: Bench) -> None:
    assert signed_in(leaking.outsider).get(leaking.url("leakage")).status_code == 404
    for name in ("leakage", "leakage-table"):
        assert signed_in(leaking.outsider).get(leaking.url(name)).status_code == 404


# --- Files ------------------------------------------------------------------------------------


def test_the_table_as_a_file(leaking: Bench) -> None:
    factories.measure_all(leaking.technician, leaking.inspection)
    client = signed_in(leaking.technician)
    response = client.get(asked(leaking).replace("/leakage/", "/leakage/table.csv"))
    assert "attachment" in response["Content-Disposition"]
    rows = list(csv.DictReader(io.StringIO(response.content.decode("utf-8-sig"))))
    losses = client.get(asked(leaking)).context["losses"]
    assert [row["clearance"] for row in rows] == [
        "Side clearance",
        "Tip clearance",
        "Shaft to bush",
    ]
    assert [float(row["loss_l_min"]) for row in rows] == pytest.approx(
        [path.flow for path in losses.paths], rel=1e-5
    )
    assert (rows[0]["gap_low_mm"], rows[0]["gap_high_mm"]) == ("0.08", "0.09")
    assert (rows[0]["pressure_bar"], rows[0]["speed_rpm"]) == ("40", "2500")
    assert (
        client.get(
            asked(leaking, pressure="x").replace("/leakage/", "/leakage/table.csv")
        ).status_code
        == 422
    )


def test_a_drawing_as_a_file(leaking: Bench) -> None:
    factories.measure_all(leaking.technician, leaking.inspection)
    client = signed_in(leaking.technician)
    response = client.get(leaking.url("leakage-drawing", "side_clearance"))
    assert response["Content-Type"] == "image/svg+xml"
    assert "side_clearance.svg" in response["Content-Disposition"]
    root = ET.fromstring(response.content)  # noqa: S314 (our own drawing)
    assert any(e.tag.endswith("style") for e in root.iter())
    assert client.get(leaking.url("leakage-drawing", "backlash")).status_code == 404


# --- Leak paths of a model --------------------------------------------------------------------

SENT = {
    "side_clearance_shape": "slot",
    "side_clearance_count": "4",
    "side_clearance_gap_factor": "0,5",
    "side_clearance_width_mm": "30",
    "side_clearance_length_mm": "9",
    "shaft_to_bush_shape": "annulus",
    "shaft_to_bush_count": "4",
    "shaft_to_bush_gap_factor": "0.5",
    "shaft_to_bush_diameter_mm": "20",
    "shaft_to_bush_length_mm": "22.5",
    "shaft_to_bush_eccentricity": "1",
    # Of a shape that is not chosen: the page does not show it, and it is not kept.
    "shaft_to_bush_width_mm": "7",
    "tip_clearance_count": "1",
    "tip_clearance_gap_factor": "1",
}


def test_leak_paths_are_entered_on_one_page(site: Site, model: PumpModel) -> None:
    client = signed_in(factories.manager_of(site))
    address = f"/models/{model.pk}/leak-paths/"
    form = client.get(address).context["form"]
    # What is usual stands there already, but no path until a shape is chosen.
    assert form["side_clearance_gap_factor"].value() == "0.5"
    assert not form["side_clearance_shape"].value()
    response = client.post(address, {**SENT, "version": model.version})
    assert response["Location"] == f"/models/{model.pk}/"
    side, bush = LeakPath.objects.filter(model=model).order_by("id")
    assert (side.characteristic, side.count, str(side.gap_factor)) == (
        "side_clearance",
        4,
        "0.500",
    )
    assert (bush.shape, str(bush.length_mm), bush.width_mm) == ("annulus", "22.500", None)
    shown = words(client.get(f"/models/{model.pk}/"))
    assert "30 wide, 9 along the flow" in shown
    assert "diameter 20, 22.5 along the flow, eccentricity 1" in shown
    again = client.get(address).context["form"]
    assert again["shaft_to_bush_length_mm"].value() == "22.5"
    assert again["side_clearance_eccentricity"].value() == ""


def test_choosing_no_leak_path_takes_it_away(site: Site, model: PumpModel) -> None:
    give_leak_paths(factories.manager_of(site), model, SIDE_PATH)
    client = signed_in(factories.manager_of(site))
    client.post(f"/models/{model.pk}/leak-paths/", {**SENT, "side_clearance_shape": ""})
    assert [p.characteristic for p in LeakPath.objects.filter(model=model)] == ["shaft_to_bush"]


def test_what_is_wrong_stands_beside_its_figure(site: Site, model: PumpModel) -> None:
    client = signed_in(factories.manager_of(site))
    address = f"/models/{model.pk}/leak-paths/"
    for changed, field, said in (
        ({"side_clearance_width_mm": ""}, "side_clearance_width_mm", "Enter the width in mm."),
        ({"shaft_to_bush_length_mm": "0"}, "shaft_to_bush_length_mm", "above 0"),
        ({"shaft_to_bush_eccentricity": "2"}, "shaft_to_bush_eccentricity", "from 0, centred"),
        ({"side_clearance_count": "1.5"}, "side_clearance_count", "whole number"),
        ({"side_clearance_count": "0"}, "side_clearance_count", "1 to 100"),
        ({"side_clearance_width_mm": "thirty"}, "side_clearance_width_mm", "is no number"),
    ):
        response = client.post(address, {**SENT, **changed})
        assert response.status_code == 422, changed
        assert said in response.context["form"].errors[field][0]
    assert not LeakPath.objects.filter(model=model).exists()
    stale = client.post(address, {**SENT, "version": model.version + 1})
    assert stale.status_code == 422
    assert not LeakPath.objects.filter(model=model).exists()


def test_only_who_keeps_the_register_enters_them(site: Site, model: PumpModel) -> None:
    technician = factories.make_person(site, Role.TECHNICIAN)
    client = signed_in(technician)
    assert client.get(f"/models/{model.pk}/leak-paths/").status_code == 403
    page = client.get(f"/models/{model.pk}/")
    assert "No leak paths yet." in words(page)
    assert "leak-paths/" not in page.content.decode()
