"""What can be wrong with a row of a limits sheet."""

from dataclasses import replace
from decimal import Decimal as D

import pytest

from fleet.limits import JudgedBy, LimitRow, Limits, check_row, formula, usually_judged_by
from fleet.lines_together import check_together
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
        (
            replace(PLAIN, judged_by=JudgedBy.DIFFERENCE, terms=tuple("abcdefg")),
            "terms",
        ),
        (replace(PLAIN, judged_by=JudgedBy.DIFFERENCE, terms=("bore",)), "terms"),
        # A gap between two capitals of one word is no other reading.
        (replace(PLAIN, judged_by=JudgedBy.DIFFERENCE, terms=("bore", "Bore ")), "terms"),
        (replace(PLAIN, allowance=D("0.01")), "allowance"),
        (replace(PLAIN, readings_from=Characteristic.BACKLASH), "source"),
        (
            replace(
                PLAIN,
                judged_by=JudgedBy.SPREAD,
                limits=limits(None, "0.001"),
                readings_from=Characteristic.SIDE_CLEARANCE,
            ),
            "source",
        ),
        (replace(PLAIN, name="Side gap"), "name_not_own"),
        (replace(PLAIN, characteristic=Characteristic.OWN), "name_missing"),
        (replace(PLAIN, characteristic=Characteristic.OWN, name=" "), "name_missing"),
        (
            replace(
                PLAIN,
                judged_by=JudgedBy.NOT_APPLICABLE,
                limits=limits(None, None),
                not_applicable_reason="floating",
                terms=("bore", "journal"),
            ),
            "limit_not_applicable",
        ),
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


# --- Computed checks ------------------------------------------------------------------------------

# Pocket 0.7478-0.7483 in, gear 0.7483-0.7486 in: TM 5-2815-241-34&P p.2-296. That the depth is
# smaller than the width by itself shows why an allowance is needed; the gasket here is invented.
FOUR = replace(
    PLAIN,
    judged_by=JudgedBy.DIFFERENCE,
    terms=("housing depth", "gear width", "wear plate front", "wear plate rear"),
    allowance=D("0.010"),
)


def test_a_computed_check_takes_two_to_six_readings_and_an_allowance():
    assert check_row(FOUR) == []
    assert check_row(replace(FOUR, terms=tuple("ab"))) == []
    assert check_row(replace(FOUR, terms=tuple("abcdef"))) == []
    assert check_row(replace(FOUR, allowance=D("-0.002"))) == []


@pytest.mark.parametrize(
    ("allowance", "end"),
    [
        (D("0.010"), " + 0.010 in allowance"),
        (D("-0.002"), " − 0.002 in allowance"),
        (D("0.000"), ""),
        (None, ""),
    ],
)
def test_the_formula_of_a_computed_check_in_words(allowance, end):
    assert formula("Side clearance", FOUR.terms, allowance, INCH) == (
        "Side clearance = housing depth − gear width − wear plate front − wear plate rear" + end
    )


def test_a_measured_check_has_no_formula():
    assert formula("Backlash", (), None, MM) == ""


def test_how_a_check_is_usually_judged():
    assert usually_judged_by(Characteristic.BACKLASH) is JudgedBy.EACH
    assert usually_judged_by(Characteristic.SHAFT_TO_BUSH) is JudgedBy.DIFFERENCE
    # Journal readings that differ by more than 0.001 in reject: TM 5-3805-274-13&P.
    assert usually_judged_by(Characteristic.JOURNAL_SPREAD) is JudgedBy.SPREAD
    # The leaf of the limit size that enters rejects the body: TM 5-3820-256-24-1 p.4-69.
    assert usually_judged_by(Characteristic.CUT_IN_DEPTH) is JudgedBy.LEAF_ENTERS


# --- Between the rows of a sheet ------------------------------------------------------------------

OUT_OF_PARALLEL = replace(
    PLAIN,
    characteristic=Characteristic.SIDE_OUT_OF_PARALLEL,
    judged_by=JudgedBy.SPREAD,
    limits=limits(None, "0.002"),
    readings_from=Characteristic.SIDE_CLEARANCE,
)
OWN = replace(PLAIN, characteristic=Characteristic.OWN, name="Cover bow")


def together(*rows):
    return [(fault.field, fault.code) for fault in check_together(rows)]


def test_a_spread_over_the_readings_of_another_check_stands():
    assert check_row(OUT_OF_PARALLEL) == []
    assert together(PLAIN, OUT_OF_PARALLEL) == []
    assert together(OUT_OF_PARALLEL, PLAIN) == []
    one_of_three = replace(PLAIN, positions=(*PLAIN.positions, "idler 6 o'clock"))
    assert together(one_of_three, OUT_OF_PARALLEL) == []


@pytest.mark.parametrize(
    ("rows", "field", "code"),
    [
        ((OUT_OF_PARALLEL,), "0.readings_from", "source_missing"),
        (
            (replace(PLAIN, component=Component.WEAR_PLATE_REAR), OUT_OF_PARALLEL),
            "1.readings_from",
            "source_missing",
        ),
        (
            (replace(PLAIN, positions=PLAIN.positions[:1]), OUT_OF_PARALLEL),
            "1.positions",
            "source_positions",
        ),
        ((FOUR, OUT_OF_PARALLEL), "1.readings_from", "source"),
        (
            (replace(PLAIN, judged_by=JudgedBy.NOT_APPLICABLE), OUT_OF_PARALLEL),
            "1.readings_from",
            "source",
        ),
        (
            (OWN, replace(OUT_OF_PARALLEL, readings_from=Characteristic.OWN)),
            "1.readings_from",
            "source",
        ),
    ],
    ids=["missing", "another component", "positions", "computed", "not applicable", "own"],
)
def test_what_can_be_wrong_with_the_source_of_a_spread(rows, field, code):
    assert together(*rows) == [(field, code)]


def test_no_chain_of_spreads():
    second = replace(
        OUT_OF_PARALLEL,
        characteristic=Characteristic.PLATE_FLATNESS,
        readings_from=Characteristic.SIDE_OUT_OF_PARALLEL,
    )
    assert together(PLAIN, OUT_OF_PARALLEL, second) == [("2.readings_from", "source")]


def test_a_row_that_cannot_be_read_is_not_held_to_be_missing():
    assert together(None, OUT_OF_PARALLEL) == []


def test_own_checks_of_one_component_differ_by_their_name():
    assert check_row(OWN) == []
    other = replace(OWN, name="Cover rust")
    assert together(OWN, other) == []
    assert together(OWN, other, replace(OWN, name="cover BOW ")) == [("2.name", "taken")]
    assert together(OWN, replace(OWN, component=Component.WEAR_PLATE_REAR)) == []
    assert together(PLAIN, PLAIN) == [("1.characteristic", "taken")]
