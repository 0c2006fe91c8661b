"""What can be wrong with a row of a limits sheet."""

from dataclasses import replace
from decimal import Decimal as D

import pytest

from fleet.limits import JudgedBy, LimitRow, Limits, check_row
from fleet.units import LengthUnit
from fleet.vocabulary import Characteristic, Component

MM, INCH = LengthUnit.MM, LengthUnit.INCH

# Side clearance 0.002-0.006 in (0.05-0.15 mm): TM 5-3825-229-14&P p.5-33.
SIDE = LimitRow(
    characteristic=Characteristic.SIDE_CLEARANCE,
    component=Component.WEAR_PLATE_FRONT,
    judged_by=JudgedBy.EACH,
    limits=Limits(D("0.002"), D("0.006"), INCH),
    positions=("drive 12 o'clock", "idler 12 o'clock"),
    also_unit=MM,
    also_low=D("0.05"),
    also_high=D("0.15"),
)


def codes(row: LimitRow) -> set[str]:
    return {fault.code for fault in check_row(row)}


def limits(low: str | None, high: str | None) -> Limits:
    return Limits(None if low is None else D(low), None if high is None else D(high), INCH)


def test_a_sound_row_stands():
    assert check_row(SIDE) == []
    plain = replace(SIDE, also_unit=None, also_low=None, also_high=None)
    assert check_row(plain) == []
    assert check_row(replace(plain, new_low=D("0.002"), new_high=D("0.006"))) == []


PLAIN = replace(SIDE, also_unit=None, also_low=None, also_high=None)


@pytest.mark.parametrize(
    ("row", "code"),
    [
        (replace(PLAIN, limits=limits("0.006", "0.002")), "limit_contradictory"),
        (replace(PLAIN, limits=limits("-0.002", "0.006")), "limit_negative"),
        (replace(PLAIN, limits=limits(None, None)), "limit_missing"),
        (replace(PLAIN, new_low=D("0.001")), "as_new_outside_limit"),
        (replace(PLAIN, new_high=D("0.007")), "as_new_outside_limit"),
        (replace(PLAIN, new_low=D("0.005"), new_high=D("0.003")), "as_new_contradictory"),
        (replace(PLAIN, limits=limits(None, "0.006"), new_low=D("-0.001")), "as_new_negative"),
        (replace(PLAIN, positions=()), "positions_missing"),
        (replace(PLAIN, positions=("a", "b", "a")), "positions_repeated"),
        (replace(PLAIN, positions=("a", " ")), "position_unnamed"),
        (replace(PLAIN, terms=("bore", "journal")), "terms"),
        (replace(PLAIN, judged_by=JudgedBy.LEAF_ENTERS), "leaf_limit"),
        (
            replace(PLAIN, judged_by=JudgedBy.LEAF_ENTERS, limits=limits("0.005", None)),
            "leaf_limit",
        ),
        (replace(PLAIN, judged_by=JudgedBy.LEAF_ENTERS, limits=limits(None, "0")), "leaf_limit"),
        (replace(PLAIN, judged_by=JudgedBy.DIFFERENCE), "terms"),
        (replace(PLAIN, judged_by=JudgedBy.DIFFERENCE, terms=("bore", "bore")), "terms"),
        (replace(PLAIN, judged_by=JudgedBy.DIFFERENCE, terms=("bore", " ")), "terms"),
        (replace(PLAIN, judged_by=JudgedBy.SPREAD), "spread_low"),
        (
            replace(
                PLAIN, judged_by=JudgedBy.SPREAD, limits=limits(None, "0.001"), positions=("a",)
            ),
            "spread_positions",
        ),
        (
            replace(PLAIN, judged_by=JudgedBy.NOT_APPLICABLE, limits=limits(None, None)),
            "reason_missing",
        ),
        (
            replace(PLAIN, judged_by=JudgedBy.NOT_APPLICABLE, not_applicable_reason="floating"),
            "limit_not_applicable",
        ),
        # 0.007 in (0.018 mm): misprint in TM 5-3810-307-24-1-2.
        (
            replace(
                PLAIN, limits=limits(None, "0.007"), also_unit=MM, also_high=D("0.018")
            ),
            "units_disagree",
        ),
        (replace(PLAIN, also_high=D("0.15")), "second_unit"),
        (replace(PLAIN, also_unit=INCH, also_high=D("0.006")), "second_unit"),
        (replace(PLAIN, also_unit=MM, also_new_high=D("0.15")), "second_unit_alone"),
    ],
)  # fmt: skip
def test_each_fault_is_named(row, code):
    assert codes(row) == {code}


def test_all_faults_are_reported_at_once():
    row = replace(SIDE, limits=limits("-0.009", "-0.010"), positions=("a", "a"), also_high=D("3"))
    assert codes(row) == {
        "limit_negative", "limit_contradictory", "positions_repeated", "units_disagree",
    }  # fmt: skip
    assert [f.field for f in check_row(row)] == [
        "limits.low", "limits.high", "limits", "positions", "also_low", "also_high",
    ]  # fmt: skip


def test_a_difference_may_be_negative_by_design():
    # Pocket depth less gear width -0.0008 to 0 in: TM 5-2815-241-34&P p.2-296, computed.
    row = replace(
        PLAIN,
        judged_by=JudgedBy.DIFFERENCE,
        terms=("pocket", "gear"),
        limits=limits("-0.0008", "0"),
    )
    assert check_row(row) == []


def test_not_applicable_needs_only_its_reason():
    row = replace(
        PLAIN,
        judged_by=JudgedBy.NOT_APPLICABLE,
        limits=limits(None, None),
        positions=(),
        not_applicable_reason="Pressure-loaded plates: the gap at rest is not the running gap.",
    )
    assert check_row(row) == []


def test_cut_in_limits_belong_to_the_model():
    # 0.004, 0.005 and 0.007 in: TM 5-3820-256-24-1 p.4-69; TM 5-3820-256-24-2 §7-1.4.1;
    # TM 5-3810-307-24-1-2. The word alone has no limit anywhere in the code.
    for size in ("0.004", "0.005", "0.007"):
        row = LimitRow(
            characteristic=Characteristic.CUT_IN_DEPTH,
            component=Component.HOUSING_BORE,
            judged_by=JudgedBy.LEAF_ENTERS,
            limits=limits(None, size),
            positions=("drive centre",),
        )
        assert check_row(row) == []
        assert size in row.limits.sentence(strict_high=True)


def test_limits_in_words():
    assert Limits(None, D("0.15"), MM).sentence() == "at most 0.15 mm"
    assert Limits(None, D("0.005"), INCH).sentence(strict_high=True) == "less than 0.005 in"
    assert Limits(D("18.935"), None, MM).sentence() == "at least 18.935 mm"
    assert Limits(D("0.05"), D("0.15"), MM).sentence() == "0.05 mm to 0.15 mm"
