"""Flow through clearances against textbook examples, and the cube of an uncertain clearance."""

import math
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.faults import Fault
from fleet.vocabulary import LeakShape
from inspections.rules.leakage import (
    Clearance,
    Conditions,
    Path,
    annulus_flow_m3_s,
    at_exactly,
    disc_flow_m3_s,
    reynolds,
    slot_flow_m3_s,
)
from inspections.rules.viscosity import Oil, oil_of_grade

D = Decimal

SIDE = Path(LeakShape.SLOT, count=4, gap_factor=D("0.5"), width_mm=D(30), length_mm=D(9))
TIP = Path(LeakShape.SLOT, count=2, width_mm=D(25), length_mm=D(8))
BUSH = Path(
    LeakShape.ANNULUS,
    count=4,
    gap_factor=D("0.5"),
    diameter_mm=D(20),
    length_mm=D(20),
    eccentricity=D(1),
)
FACE = Path(LeakShape.DISC, count=2, diameter_mm=D(60), inner_diameter_mm=D(20))

# 40 mm²/s at every temperature would be no oil; this one has 40 mm²/s at 40 °C and no tolerance.
OIL = Oil(40.0, 6.5, 0.0, "made for the test")
AT_40 = Conditions(160, 40, 1500, 37, OIL)


# --- Formulas ---------------------------------------------------------------------------------


def test_the_slot_of_the_fluids_book():
    # b 50, h 1, L 150 mm, 0.08 Pa·s, 2 bar: data from an open textbook of fluid mechanics, chapter
    # 16; 6.944e-5 m³/s = 4.17 L/min computed here.
    flow = slot_flow_m3_s(
        width_m=0.050, gap_m=0.001, length_m=0.150, pressure_pa=2e5, viscosity_pa_s=0.08
    )
    assert flow == pytest.approx(6.944e-5, rel=1e-4)
    path = Path(LeakShape.SLOT, width_mm=D(50), length_mm=D(150))
    assert path.flow_l_min(1.0, pressure_bar=2, viscosity_pa_s=0.08) == pytest.approx(
        4.1667, rel=1e-4
    )


def test_the_ring_gap_of_the_fluids_book():
    # Radii 50 and 49 mm, 1 m long, 0.001 m³/s at 250 kPa: data from the same book; 0.00648 Pa·s
    # computed here. The exact annulus and the slot form differ by 7 in a million.
    outer, inner, flow, pressure = 0.050, 0.049, 0.001, 250e3
    exact = (
        math.pi
        * pressure
        / (8 * flow)
        * (outer**4 - inner**4 - (outer**2 - inner**2) ** 2 / math.log(outer / inner))
    )
    of_one = annulus_flow_m3_s(
        diameter_m=0.099, gap_m=0.001, length_m=1.0, pressure_pa=pressure, viscosity_pa_s=1.0
    )
    assert of_one / flow == pytest.approx(0.00648, abs=5e-6)
    assert of_one / flow == pytest.approx(exact, rel=1e-4)
    assert exact / (of_one / flow) - 1 == pytest.approx(7e-6, abs=5e-7)


def test_a_piston_centred_and_touching():
    # 25 mm, radial 5 µm, 15 mm long, 19 MPa, 0.018 Pa·s: 57.6 mm³/s centred, 143.9 touching
    # (textbook exercise from memory, computed here).
    common = {
        "diameter_m": 0.025,
        "gap_m": 5e-6,
        "length_m": 0.015,
        "pressure_pa": 19e6,
        "viscosity_pa_s": 0.018,
    }
    assert annulus_flow_m3_s(**common) * 1e9 == pytest.approx(57.6, abs=0.05)
    assert annulus_flow_m3_s(**common, eccentricity=1.0) * 1e9 == pytest.approx(143.9, abs=0.06)
    assert annulus_flow_m3_s(**common, eccentricity=0.5) / annulus_flow_m3_s(
        **common
    ) == pytest.approx(1.375)


@pytest.mark.parametrize(("gap_mm", "l_min"), [(0.010, 0.0156), (0.020, 0.125), (0.040, 1.00)])
def test_a_side_gap_doubled_twice(gap_mm, l_min):
    # b 40, L 8 mm, 175 bar, 0.028 Pa·s (computed here).
    path = Path(LeakShape.SLOT, width_mm=D(40), length_mm=D(8))
    found = path.flow_l_min(gap_mm, pressure_bar=175, viscosity_pa_s=0.028)
    assert found == pytest.approx(l_min, rel=5e-3)


def test_a_moving_wall_drags_half_its_speed_along():
    still = {
        "width_m": 0.02,
        "gap_m": 1e-4,
        "length_m": 0.01,
        "pressure_pa": 1e6,
        "viscosity_pa_s": 0.03,
    }
    # Couette flow: b h U / 2 = 0.02 * 0.0001 * 3 / 2 (textbook, from memory).
    drag = slot_flow_m3_s(**still, wall_speed_m_s=3.0) - slot_flow_m3_s(**still)
    assert drag == pytest.approx(3e-6)
    assert slot_flow_m3_s(**still, wall_speed_m_s=-3.0) == pytest.approx(
        slot_flow_m3_s(**still) - 3e-6
    )


def test_a_flat_ring_gap():
    # Q = pi h³ dp / (6 mu ln(r2/r1)): textbook, from memory. Here ln = 1.
    flow = disc_flow_m3_s(
        outer_diameter_m=0.02 * math.e,
        inner_diameter_m=0.02,
        gap_m=1e-4,
        pressure_pa=6e6,
        viscosity_pa_s=math.pi / 100,
    )
    assert flow == pytest.approx(1e-4)
    # A ring so thin that it is a slot as wide as it is round.
    thin = disc_flow_m3_s(
        outer_diameter_m=0.1002,
        inner_diameter_m=0.0998,
        gap_m=1e-5,
        pressure_pa=1e6,
        viscosity_pa_s=0.03,
    )
    slot = slot_flow_m3_s(
        width_m=math.pi * 0.1,
        gap_m=1e-5,
        length_m=0.0002,
        pressure_pa=1e6,
        viscosity_pa_s=0.03,
    )
    assert thin == pytest.approx(slot, rel=1e-5)


# --- Paths ------------------------------------------------------------------------------------

shapes = st.sampled_from([SIDE, TIP, BUSH, FACE])
gaps = st.floats(0.001, 1.0)
pressures = st.floats(1.0, 400.0)
thick = st.floats(0.001, 1.0)


@given(shapes, gaps, pressures, thick)
def test_cube_law(path, gap, pressure, mu):
    def flow(times, at=pressure, thickness=mu):
        return path.flow_l_min(gap * times, pressure_bar=at, viscosity_pa_s=thickness)

    # Twice the gap leaks 8, half as much again 3.375, three times 27 times as much.
    assert flow(2) == pytest.approx(8 * flow(1))
    assert flow(1.5) == pytest.approx(3.375 * flow(1))
    assert flow(3) == pytest.approx(27 * flow(1))
    # Straight in pressure, the other way round in viscosity.
    assert flow(1, at=pressure * 2.5) == pytest.approx(2.5 * flow(1))
    assert flow(1, thickness=mu * 4) == pytest.approx(flow(1) / 4)


@given(shapes, gaps, st.floats(1.0001, 3))
def test_wider_leaks_more(path, gap, times):
    def flow(h):
        return path.flow_l_min(h, pressure_bar=100, viscosity_pa_s=0.03)

    assert 0 < flow(gap) < flow(gap * times)


def test_hot_oil_leaks_more():
    # Grade 46 from 40 to 60 °C: 46 / 20.6 = 2.2 times (computed here).
    cold, hot = (oil_of_grade(46).kinematic_mm2_s(t) for t in (40, 60))
    assert cold / hot == pytest.approx(2.2, abs=0.05)


def test_count_and_gap_factor():
    one = Path(LeakShape.SLOT, width_mm=D(30), length_mm=D(9))
    common = {"pressure_bar": 100.0, "viscosity_pa_s": 0.03}
    assert SIDE.l_min_per_mm3(**common) == pytest.approx(4 / 8 * one.l_min_per_mm3(**common))
    # 30 * 100e5 / (12 * 0.03 * 9) * 1e-9 m³/s * 60000 for 1 mm.
    assert one.l_min_per_mm3(**common) == pytest.approx(5555.5556)
    assert replace(one, count=7).flow_l_min(0.1, **common) == pytest.approx(7 * 5.5555556)


def test_the_ring_and_the_disc_in_mm():
    common = {"pressure_bar": 100.0, "viscosity_pa_s": 0.03}
    assert BUSH.l_min_per_mm3(**common) == pytest.approx(
        4 * 0.125 * math.pi * 20 * 2.5 * 100 * 6 / (12 * 0.03 * 20)
    )
    assert FACE.l_min_per_mm3(**common) == pytest.approx(
        2 * math.pi * 100 * 6 / (6 * 0.03 * math.log(3))
    )


@pytest.mark.parametrize(
    ("path", "field", "said"),
    [
        (Path(LeakShape.SLOT, length_mm=D(9)), "width_mm", "width"),
        (Path(LeakShape.SLOT, width_mm=D(9)), "length_mm", "length"),
        (Path(LeakShape.ANNULUS, length_mm=D(9)), "diameter_mm", "diameter"),
        (Path(LeakShape.DISC, diameter_mm=D(9)), "inner_diameter_mm", "inner diameter"),
    ],
)
def test_a_path_without_a_length_is_refused(path, field, said):
    with pytest.raises(Fault) as refused:
        path.l_min_per_mm3(100, 0.03)
    assert (refused.value.field, refused.value.code) == (field, "leak_path_incomplete")
    assert refused.value.detail == (
        f"A path of the shape '{path.shape.label.lower()}' needs its {said}. Enter it with the "
        "model."
    )


def test_how_far_and_how_fast():
    common = {"pressure_bar": 160.0, "viscosity_pa_s": 0.0348}
    assert (SIDE.along_mm, BUSH.along_mm, FACE.along_mm) == pytest.approx((9, 20, 20))
    # h² dp / (12 mu L), with half the clearance: 0.05e-3² * 160e5 / (12 * 0.0348 * 0.009).
    assert SIDE.speed_m_s(0.1, **common) == pytest.approx(10.643, rel=1e-4)
    # The wide side of a ring that touches is twice the gap: (2 * 0.05e-3)² there.
    assert BUSH.speed_m_s(0.1, **common) == pytest.approx(19.157, rel=1e-4)
    # The flow of one gap through the ring of its inner edge.
    inner = math.pi * 0.020 * 0.1e-3
    assert FACE.speed_m_s(0.1, **common) == pytest.approx(
        FACE.flow_l_min(0.1, **common) / 2 / 6e4 / inner
    )


def test_the_reynolds_number_of_a_gap():
    # Speed times height over kinematic viscosity, both at the wide side.
    conditions = replace(AT_40, pressure_bar=160)
    assert reynolds(SIDE, 0.1, conditions) == pytest.approx(10.643 * 0.05e-3 / 40e-6, rel=1e-4)
    assert reynolds(BUSH, 0.1, conditions) == pytest.approx(19.157 * 0.1e-3 / 40e-6, rel=1e-4)


# --- Clearances -------------------------------------------------------------------------------


def test_the_mean_cube_of_a_bracket():
    # E[h³] of a uniform length: (b⁴ - a⁴) / 4 (b - a) (mathematics). Not the cube of the middle.
    a, b = 0.10, 0.15
    found = Clearance("x", D("0.10"), D("0.15")).mean_cube_mm3()
    assert found == pytest.approx((b**4 - a**4) / (4 * (b - a)))
    assert found > 0.125**3
    assert Clearance("x", D("0.1"), D("0.1")).mean_cube_mm3() == pytest.approx(0.001)


def test_the_mean_cube_with_an_uncertainty():
    # E[(h + e)³] = h³ + 3 h u² for a normal error (mathematics).
    assert Clearance("x", D("0.1"), D("0.1"), 0.02).mean_cube_mm3() == pytest.approx(
        0.1**3 + 3 * 0.1 * 0.02**2
    )


@given(low=st.floats(0.05, 0.3), wide=st.floats(0.0, 0.2), part=st.floats(0.0, 0.2))
def test_the_draws_have_that_mean(low, wide, part):
    one = Clearance("x", D(str(low)), D(str(low + wide)), part * low)
    drawn = one.draws_mm3(np.random.default_rng(5), 40_000)
    assert drawn.shape == (40_000,)
    spread = drawn.std() / 200
    assert drawn.mean() == pytest.approx(one.mean_cube_mm3(), abs=6 * spread + 1e-12)


def test_no_length_is_below_nothing():
    assert Clearance("x", D("-0.02"), D("0.04")).bracket_mm == (0.0, 0.04)
    assert Clearance("x", D("-0.02"), D("-0.01")).bracket_mm == (0.0, 0.0)
    drawn = Clearance("x", D("0"), D("0.01"), 0.05).draws_mm3(np.random.default_rng(5), 1000)
    assert drawn.min() == 0.0


def test_at_exactly():
    assert at_exactly(D("0.15")) == Clearance("", D("0.15"), D("0.15"), None)
