"""From readings and leak paths to losses, and their API."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from fleet.faults import Fault, Faults
from fleet.models import User
from fleet.services.sheets import LineDraft
from fleet.units import LengthUnit
from inspections.losses import conditions_of, cost_of
from inspections.models import Inspection
from inspections.services import readings
from tests import factories
from tests.inspections.conftest import Bench, Client
from tests.leaks import BUSH_PATH, SIDE_PATH, TIP_PATH, give_leak_paths

D = Decimal
SIDE, TIP, BUSH = factories.SIDE, factories.TIP, factories.SHAFT_TO_BUSH

AsClient = Callable[[User], Client]


@pytest.fixture
def opened(bench: Bench) -> Inspection:
    give_leak_paths(factories.manager_of(bench.site), bench.pump.model)
    return factories.make_inspection(bench.technician, bench.pump)


def by_key(inspection: Inspection, **asked: Any) -> dict[str, Any]:
    cost = cost_of(inspection, conditions_of(inspection.pump.model, **asked))
    return {one.loss.measured.key: one for one in cost.paths}


def opened_with(bench: Bench, *lines: LineDraft) -> Inspection:
    """An inspection by a sheet of other lines, of a model with all three paths."""
    model = factories.make_model()
    give_leak_paths(factories.manager_of(bench.site), model)
    factories.make_issued_sheet(model, lines)
    return factories.make_inspection(bench.technician, factories.make_pump(bench.site, model))


def side_line(component: str = "wear_plate_front", **changed: Any) -> LineDraft:
    values: dict[str, Any] = {
        "characteristic": SIDE,
        "component": component,
        "judged_by": "each",
        "unit": "in",
        "page": "14",
        "limit_high": D("0.006"),
        "positions": ("drive 12 o'clock",),
    }
    return LineDraft(**{**values, **changed})


# --- Conditions -------------------------------------------------------------------------------


def test_the_model_says_what_is_usual(bench: Bench) -> None:
    asked = conditions_of(bench.pump.model)
    assert (asked.pressure_bar, asked.temperature_c, asked.speed_rpm) == (210.0, 50.0, 2500.0)
    assert asked.displacement_cm3 == 32.0
    assert asked.oil.source.startswith("ISO 3448 VG 46")
    assert asked.theoretical_l_min == 80.0


def test_what_is_asked_stands_in_its_place(bench: Bench) -> None:
    asked = conditions_of(
        bench.pump.model, pressure_bar=160, temperature_c=60, speed_rpm=1500, oil_grade_vg=32
    )
    assert (asked.pressure_bar, asked.temperature_c, asked.speed_rpm) == (160, 60, 1500)
    assert asked.oil.source.startswith("ISO 3448 VG 32")
    assert conditions_of(bench.pump.model, nu40_mm2_s=46, nu100_mm2_s=6.8).oil.tolerance == 0


@pytest.mark.parametrize(
    ("asked", "fields"),
    [
        ({"pressure_bar": 0.0}, ["pressure_bar"]),
        ({"pressure_bar": 2000.0}, ["pressure_bar"]),
        ({"temperature_c": -30.0}, ["temperature_c"]),
        ({"temperature_c": 150.0}, ["temperature_c"]),
        ({"speed_rpm": 50_000.0}, ["speed_rpm"]),
        ({"speed_rpm": float("nan")}, ["speed_rpm"]),
        ({"oil_grade_vg": 2}, ["oil_grade_vg"]),
        ({"nu40_mm2_s": 46.0}, ["nu100_mm2_s"]),
        ({"nu100_mm2_s": 6.8}, ["nu40_mm2_s"]),
        ({"nu40_mm2_s": 6.8, "nu100_mm2_s": 46.0}, ["nu40_mm2_s"]),
        ({"pressure_bar": -1.0, "speed_rpm": 0.0, "oil_grade_vg": 3},
         ["pressure_bar", "speed_rpm", "oil_grade_vg"]),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_all_at_once(
    bench: Bench, asked: dict[str, Any], fields: list[str]
) -> None:
    with pytest.raises((Fault, Faults)) as caught:
        conditions_of(bench.pump.model, **asked)
    assert [fault.field for fault in caught.value.each()] == fields


# --- From readings ----------------------------------------------------------------------------


def test_brackets_values_and_differences_become_gaps(bench: Bench, opened: Inspection) -> None:
    factories.measure_all(bench.technician, opened)
    paths = by_key(opened, pressure_bar=160, speed_rpm=1500)
    side = paths[SIDE].loss.measured
    # factories.GOOD_TRIES: 0.08 enters, 0.09 does not, at all three positions.
    assert [(c.position, c.low_mm, c.high_mm) for c in side.clearances] == [
        (place, D("0.08"), D("0.09"))
        for place in ("drive 12 o'clock", "drive 6 o'clock", "idler 12 o'clock")
    ]
    assert side.part == "wear plates"
    assert side.limits_mm == (D("0.15"),)
    assert [(c.low_mm, c.high_mm) for c in side.as_new] == [(D("0.05"), D("0.10"))]
    sheet = opened.sheet
    assert side.source == f"sheet {sheet.revision}, {sheet.document}, page 14"
    # A difference: bore 20.060 less journal 20.000.
    bush = paths[BUSH].loss.measured
    assert [(c.low_mm, c.high_mm) for c in bush.clearances] == [(D("0.060"), D("0.060"))]
    # By hand: 4 gaps half as wide, b 30, L 9 mm, 160 bar, 29.925 mm²/s at 870 kg/m³.
    mean_cube = (0.09**4 - 0.08**4) / 4 / 0.01
    by_hand = 4 * 30 * mean_cube / 8 * 160 * 6 / (12 * 29.925e-6 * 870 * 9)
    assert paths[SIDE].loss.flow == pytest.approx(by_hand, rel=1e-3)


def test_a_position_still_open_upwards_has_no_loss(bench: Bench, opened: Inspection) -> None:
    leaf_set = factories.make_leaf_set(bench.site)
    readings.record_tries(
        actor=bench.technician,
        inspection=opened,
        line=factories.line_named(opened, SIDE).pk,
        position="drive 6 o'clock",
        instrument=leaf_set,
        tries=[factories.leaf("0.10")],
    )
    loss = by_key(opened)[SIDE].loss
    assert loss.measured.open_upwards == ("drive 6 o'clock",)
    assert loss.measured.missing == ("drive 12 o'clock", "idler 12 o'clock")
    assert loss.flow is None


def test_nothing_measured_and_no_line_at_all(bench: Bench) -> None:
    inspection = opened_with(bench, side_line())
    paths = by_key(inspection)
    assert paths[SIDE].loss.measured.missing == ("drive 12 o'clock",)
    assert paths[SIDE].loss.flow is None
    assert paths[SIDE].unit is LengthUnit.INCH
    assert paths[TIP].loss.measured.source == ""
    assert paths[TIP].checks == ()
    assert paths[TIP].unit is LengthUnit.MM


def test_inches_become_millimetres(bench: Bench) -> None:
    inspection = opened_with(bench, side_line(new_high=D("0.004")))
    readings.record_tries(
        actor=bench.technician,
        inspection=inspection,
        line=factories.line_named(inspection, SIDE).pk,
        position="drive 12 o'clock",
        instrument=factories.make_leaf_set(
            bench.site, [D("0.003"), D("0.004")], unit=LengthUnit.INCH
        ),
        tries=factories.bracketed("0.003", "0.004"),
    )
    measured = by_key(inspection)[SIDE].loss.measured
    (gap,) = measured.clearances
    assert (gap.low_mm, gap.high_mm) == (D("0.0762"), D("0.1016"))
    assert measured.limits_mm == (D("0.1524"),)
    # One figure as new stands for both ends.
    assert [(c.low_mm, c.high_mm) for c in measured.as_new] == [(D("0.1016"), D("0.1016"))]


def test_a_clearance_on_two_components_is_one_path(bench: Bench) -> None:
    inspection = opened_with(bench, side_line(), side_line("wear_plate_rear"))
    measured = by_key(inspection)[SIDE].loss.measured
    assert measured.missing == ("drive 12 o'clock", "drive 12 o'clock")
    assert measured.part == "wear plates"
    assert len(measured.limits_mm) == 2


def test_pressure_loaded_plates_have_no_path(bench: Bench) -> None:
    why = "Pressure-loaded plates: the gap at rest is not the running gap."
    inspection = opened_with(
        bench,
        side_line(
            judged_by="not_applicable",
            limit_high=None,
            positions=(),
            not_applicable_reason=why,
        ),
        side_line("gears", characteristic=TIP),
    )
    loss = by_key(inspection)[SIDE].loss
    assert loss.measured.not_applicable == why
    assert (loss.flow, loss.at_limit) == (None, None)


def test_the_cost_takes_few_queries(
    bench: Bench, opened: Inspection, django_assert_num_queries: Callable[[int], Any]
) -> None:
    factories.measure_all(bench.technician, opened)
    asked = conditions_of(opened.pump.model)
    with django_assert_num_queries(5):
        cost_of(opened, asked)


def test_without_paths_nothing_is_read(
    bench: Bench, django_assert_num_queries: Callable[[int], Any]
) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump)
    asked = conditions_of(inspection.pump.model)
    with django_assert_num_queries(1):
        assert cost_of(inspection, asked).paths == ()


# --- The API ----------------------------------------------------------------------------------


def test_the_api_gives_figures_and_sentences(
    bench: Bench, opened: Inspection, as_: AsClient
) -> None:
    factories.measure_all(bench.technician, opened, out=[SIDE])
    response = as_(bench.auditor).get(
        f"inspections/{opened.pk}/leakage", pressure_bar=20, speed_rpm=1500, temperature_c=50
    )
    assert response.status_code == 200
    assert response["ETag"].startswith(f'"{opened.pk}-')
    body = response.json()
    assert body["conditions"]["pressure_bar"] == 20.0
    assert body["conditions"]["kinematic_mm2_s"] == pytest.approx(29.925, abs=5e-3)
    assert body["theoretical_l_min"] == 48.0
    flows = [path["flow_l_min"] for path in body["paths"]]
    assert body["total_l_min"] == pytest.approx(sum(flows))
    assert body["volumetric_efficiency"] == pytest.approx(1 - sum(flows) / 48)
    assert body["low_l_min"] < body["total_l_min"] < body["high_l_min"]
    side = body["paths"][0]
    assert (side["characteristic"], side["part"]) == (SIDE, "wear plates")
    assert side["gives_back_l_min"] == pytest.approx(side["flow_l_min"] - side["as_new_l_min"])
    assert body["gains"] == [{"part": "wear plates", "gives_back_l_min": side["gives_back_l_min"]}]
    assert body["sentence"].startswith("The clearances measured indicate a loss of ")
    assert body["change_first"].startswith("Change the wear plates first: ")
    assert any("Actuators 2026" in said for said in body["validity"])


def test_a_model_without_paths_has_none_in_the_answer(bench: Bench, as_: AsClient) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump)
    body = as_(bench.technician).get(f"inspections/{inspection.pk}/leakage").json()
    assert (body["paths"], body["total_l_min"]) == ([], None)


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        ({"pressure_bar": "much"}, "/pressure_bar"),
        ({"pressure_bar": "-3"}, "/pressure_bar"),
        ({"oil_grade_vg": "33"}, "/oil_grade_vg"),
        ({"oil_grade_vg": "2"}, "/oil_grade_vg"),
        ({"nu40_mm2_s": "46"}, "/nu100_mm2_s"),
    ],
)
def test_the_api_refuses_what_cannot_be(
    bench: Bench, opened: Inspection, as_: AsClient, query: dict[str, str], pointer: str
) -> None:
    response = as_(bench.technician).get(f"inspections/{opened.pk}/leakage", **query)
    assert response.status_code == 422
    assert [e["pointer"] for e in response.json()["errors"]] == [pointer]


def test_another_site_sees_nothing(bench: Bench, opened: Inspection, as_: AsClient) -> None:
    assert as_(bench.outsider).get(f"inspections/{opened.pk}/leakage").status_code == 404


def test_all_three_paths_are_there(opened: Inspection) -> None:
    kept = [path.characteristic for path in opened.pump.model.leak_paths.order_by("id")]
    assert kept == [p.characteristic for p in (SIDE_PATH, TIP_PATH, BUSH_PATH)]
