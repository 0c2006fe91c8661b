"""What the measured clearances of a pump cost: by hand, by part, with its range."""

import math
from dataclasses import replace
from decimal import Decimal

import pytest

from fleet.faults import Fault
from fleet.vocabulary import LeakShape
from inspections.rules.leakage import (
    Clearance,
    Conditions,
    MeasuredPath,
    PartGain,
    Path,
    at_exactly,
    check_conditions,
    losses,
    reynolds,
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

# 40 mm²/s at every temperature would be no oil; this one has 40 mm²/s at 40 °C and no tolerance.
OIL = Oil(40.0, 6.5, 0.0, "made for the test")
AT_40 = Conditions(160, 40, 1500, 37, OIL)
MU = 40e-6 * 870


def measured(path=SIDE, *brackets, key="side_clearance", part="wear plates", **more):
    return MeasuredPath(
        key,
        key.replace("_", " ").capitalize(),
        part,
        path,
        tuple(
            Clearance(f"place {n}", D(low), None if high is None else D(high))
            for n, (low, high) in enumerate(brackets, 1)
        ),
        source="sheet R1, page 14",
        **more,
    )


# --- Losses -----------------------------------------------------------------------------------


def test_one_path_by_hand():
    found = losses([measured(SIDE, ("0.10", "0.10"))], AT_40)
    # 4 gaps of 0.05 mm: 4 * 30 * 0.000125 * 160 * 6 / (12 * 0.0348 * 9).
    by_hand = 4 * 30 * 0.05**3 * 160 * 6 / (12 * MU * 9)
    (only,) = found.paths
    assert only.flow == pytest.approx(by_hand)
    assert found.total == only.flow
    assert only.share == 1.0
    assert only.clearance_mm == pytest.approx(0.10)
    # Neither the gap nor this oil is uncertain.
    assert (only.low, only.high) == pytest.approx((by_hand, by_hand))
    assert (found.low, found.high) == pytest.approx((by_hand, by_hand))
    assert found.conditions.theoretical_l_min == 55.5
    assert found.efficiency == pytest.approx(1 - by_hand / 55.5)
    assert found.efficiency_low == pytest.approx(found.efficiency)
    assert found.efficiency_high == pytest.approx(found.efficiency)
    assert only.reynolds == pytest.approx(reynolds(SIDE, 0.10, AT_40))


def test_theoretical_flow():
    # 55 cm³ at 1800 rpm is 99 L/min (college exercise, computed here).
    assert replace(AT_40, displacement_cm3=55, speed_rpm=1800).theoretical_l_min == 99.0


def test_the_mean_of_the_cubes_over_the_positions():
    wide, narrow = ("0.20", "0.20"), ("0.10", "0.10")
    both = losses([measured(SIDE, wide, narrow)], AT_40).total
    first = losses([measured(SIDE, wide)], AT_40).total
    second = losses([measured(SIDE, narrow)], AT_40).total
    assert both == pytest.approx((first + second) / 2)
    # (8 + 1) / 2 times the narrow one, though the mean clearance is 1.5 times as wide.
    assert both == pytest.approx(4.5 * second)
    assert losses([measured(SIDE, wide, narrow)], AT_40).paths[0].clearance_mm == pytest.approx(
        0.1 * 4.5 ** (1 / 3)
    )


def several():
    return [
        measured(
            SIDE,
            ("0.10", "0.15"),
            as_new=(Clearance("", D("0.05"), D("0.10")),),
            limits_mm=(D("0.15"),),
        ),
        measured(TIP, ("0.05", "0.06"), key="tip_clearance", part="gears"),
        measured(
            BUSH,
            ("0.06", "0.06"),
            key="shaft_to_bush",
            part="bushes",
            as_new=(at_exactly(D("0.03")),),
            limits_mm=(D("0.177"),),
        ),
    ]


def test_shares_gains_and_marks():
    found = losses(several(), AT_40)
    side, tip, bush = found.paths
    assert sum(p.flow for p in found.paths) == pytest.approx(found.total)
    assert side.share + tip.share + bush.share == pytest.approx(1)
    assert side.share == pytest.approx(side.flow / found.total)
    per_mm3 = SIDE.l_min_per_mm3(160, MU)
    assert side.l_min_per_mm3 == pytest.approx(per_mm3)
    assert side.at_limit == pytest.approx(per_mm3 * 0.15**3)
    assert side.as_new == pytest.approx(per_mm3 * (0.10**4 - 0.05**4) / (4 * 0.05))
    assert side.gives_back == pytest.approx(side.flow - side.as_new)
    assert (tip.as_new, tip.at_limit, tip.gives_back) == (None, None, None)
    assert found.gains == (
        PartGain("wear plates", side.gives_back),
        PartGain("bushes", bush.gives_back),
    )


def test_gains_of_one_part_are_added_and_sorted():
    paths = [
        *several(),
        measured(
            TIP,
            ("0.20", "0.20"),
            key="outer_gear_to_body",
            part="bushes",
            as_new=(at_exactly(D("0.10")),),
        ),
    ]
    found = losses(paths, AT_40)
    assert [gain.part for gain in found.gains] == ["bushes", "wear plates"]
    assert found.gains[0].gives_back == pytest.approx(
        found.paths[2].gives_back + found.paths[3].gives_back
    )


def test_better_than_new_gives_nothing_back():
    found = losses([measured(SIDE, ("0.02", "0.02"), as_new=(at_exactly(D("0.05")),))], AT_40)
    assert found.paths[0].gives_back == 0.0
    assert found.gains == ()


def test_the_range_of_a_bracket():
    found = losses([measured(SIDE, ("0.10", "0.15"))], AT_40)
    (only,) = found.paths
    # A uniform length from a to b has its 5th percentile at a + (b - a) / 20.
    assert only.low == pytest.approx(only.l_min_per_mm3 * 0.1025**3, rel=5e-3)
    assert only.high == pytest.approx(only.l_min_per_mm3 * 0.1475**3, rel=5e-3)
    assert found.efficiency_low == pytest.approx(1 - only.high / 55.5)
    assert found.efficiency_high == pytest.approx(1 - only.low / 55.5)


def test_the_range_of_the_oil():
    oil = replace(OIL, tolerance=0.10)
    found = losses([measured(SIDE, ("0.10", "0.10"))], replace(AT_40, oil=oil))
    (only,) = found.paths
    # 1 / v for v uniform from 0.9 to 1.1: its percentiles are at 1 / 1.09 and 1 / 0.91.
    assert only.low == pytest.approx(only.flow / 1.09, rel=2e-3)
    assert only.high == pytest.approx(only.flow / 0.91, rel=2e-3)
    # The same oil runs through both paths: the range of the sum is the sum of the ranges.
    two = losses(
        [measured(SIDE, ("0.10", "0.10")), measured(TIP, ("0.05", "0.05"), key="tip")],
        replace(AT_40, oil=oil),
    )
    assert two.high == pytest.approx(sum(p.high for p in two.paths))
    assert two.low == pytest.approx(sum(p.low for p in two.paths))


def test_the_range_of_a_reading():
    one = replace(measured(SIDE), clearances=(Clearance("x", D("0.1"), D("0.1"), 0.005),))
    (only,) = losses([one], AT_40).paths
    # 1.645 standard deviations either way of a normal distribution.
    assert only.low == pytest.approx(only.l_min_per_mm3 * (0.1 - 1.645 * 0.005) ** 3, rel=5e-3)
    assert only.high == pytest.approx(only.l_min_per_mm3 * (0.1 + 1.645 * 0.005) ** 3, rel=5e-3)


def test_the_same_question_has_the_same_answer_to_the_last_bit():
    assert losses(several(), AT_40) == losses(several(), AT_40)


def test_nothing_measured():
    found = losses([measured(SIDE, limits_mm=(D("0.15"),), as_new=(at_exactly(D("0.1")),))], AT_40)
    assert (found.total, found.low, found.high) == (None, None, None)
    assert (found.efficiency, found.efficiency_low, found.efficiency_high) == (None, None, None)
    (only,) = found.paths
    assert (only.flow, only.share, only.clearance_mm, only.gives_back) == (None, None, None, None)
    assert only.at_limit == pytest.approx(only.l_min_per_mm3 * 0.15**3)
    assert only.as_new == pytest.approx(only.l_min_per_mm3 * 0.1**3)
    assert losses([], AT_40).total is None


@pytest.mark.parametrize(
    "unusable",
    [
        measured(TIP, ("0.20", "0.25"), ("0.15", None), key="tip_clearance"),
        measured(TIP, ("-0.02", "-0.01"), key="tip_clearance"),
        measured(TIP, ("0.20", "0.25"), key="tip_clearance", not_applicable="Loaded plates."),
        measured(TIP, key="tip_clearance"),
    ],
)
def test_a_path_without_a_figure_is_left_out_of_the_sum(unusable):
    assert not unusable.has_figure
    found = losses([unusable, measured(SIDE, ("0.10", "0.10"))], AT_40)
    assert found.paths[0].flow is None
    assert found.total == found.paths[1].flow
    assert found.paths[1].share == 1.0


def test_what_is_open_and_what_is_below_nothing():
    one = measured(SIDE, ("0.1", None), ("-0.2", "-0.1"), ("0.1", "0.2"), ("-0.1", "0.0"))
    assert one.open_upwards == ("place 1",)
    assert one.below_nothing == ("place 2",)


def test_a_closed_gap_leaks_nothing():
    found = losses([measured(SIDE, ("0", "0"))], AT_40)
    assert (found.total, found.paths[0].share) == (0.0, None)
    assert found.efficiency == 1.0


def test_more_lost_than_moved_has_no_efficiency():
    found = losses([measured(SIDE, ("1", "1"))], AT_40)
    assert found.total > 55.5
    assert (found.efficiency, found.efficiency_low, found.efficiency_high) == (None, None, None)
    lost = losses([measured(SIDE, ("0.1", "0.1"))], AT_40).total
    exactly = replace(AT_40, displacement_cm3=lost, speed_rpm=1000)
    assert losses([measured(SIDE, ("0.1", "0.1"))], exactly).efficiency is None


@pytest.mark.parametrize(
    ("field", "name"),
    [
        ("pressure_bar", "pressure"),
        ("speed_rpm", "speed"),
        ("displacement_cm3", "displacement"),
        ("density_kg_m3", "density"),
    ],
)
@pytest.mark.parametrize("figure", [0, -1, math.inf, math.nan])
def test_conditions_that_make_no_sense_are_refused(field, name, figure):
    with pytest.raises(Fault) as refused:
        losses([], replace(AT_40, **{field: figure}))
    assert (refused.value.field, refused.value.code) == (name, "out_of_range")
    assert refused.value.detail == (
        f"Enter a {name} above 0: without it nothing leaks and nothing is delivered."
    )
    check_conditions(replace(AT_40, **{field: 1e-6}))


def test_viscosity_at_the_temperature_asked():
    warm = Conditions(160, 50, 1500, 37, oil_of_grade(46))
    assert warm.kinematic_mm2_s == pytest.approx(29.925, abs=5e-3)
    assert warm.viscosity_pa_s == pytest.approx(29.925e-6 * 870, rel=2e-4)
    assert replace(warm, density_kg_m3=900).viscosity_pa_s == pytest.approx(
        29.925e-6 * 900, rel=2e-4
    )
