"""Lengths: parsing, exact conversion, printed pairs of units."""

import csv
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.faults import Fault
from fleet.units import (
    LengthUnit,
    as_fraction_mm,
    convert,
    cross_check,
    newton_metres,
    parse_length,
    show,
)

MM, UM, INCH, THOU = LengthUnit.MM, LengthUnit.UM, LengthUnit.INCH, LengthUnit.THOU
PINT_NAMES = {MM: "millimeter", UM: "micrometer", INCH: "inch", THOU: "thou"}

figures = st.decimals(min_value=0, max_value=1000, places=4, allow_nan=False)
units = st.sampled_from(LengthUnit)


@pytest.mark.parametrize(
    ("text", "kept"),
    [("0.150", "0.150"), ("0,127", "0.127"), (" .0015 ", "0.0015"), ("25", "25"), ("+1.0", "1.0")],
)
def test_parse_keeps_the_printed_digits(text, kept):
    assert str(parse_length(text)) == kept


@pytest.mark.parametrize(
    "text",
    ["", "  ", "NaN", "Infinity", "-inf", "1e-3", "1E3", "1.", ".", "1,234.5", "0x1", "1 2",
     "٣", "0.1234567", "1234567", "0.15 mm", "--1", "1_0"],
)  # fmt: skip
def test_parse_refuses_what_is_no_plain_figure(text):
    with pytest.raises(Fault):
        parse_length(text, signed=True)


def test_parse_takes_a_sign_only_where_one_can_be():
    with pytest.raises(Fault) as refused:
        parse_length("-0.0008")
    assert refused.value.code == "negative_length"
    assert parse_length("-0.0008", signed=True) == Decimal("-0.0008")
    assert parse_length("−0,0008", signed=True) == Decimal("-0.0008")  # typographic minus


def test_the_inch_by_definition():
    # 1 in = 25.4 mm exactly: definition (international yard and pound, 1959), from memory.
    assert convert(Decimal("0.001"), INCH, MM) == Decimal("0.0254")
    assert convert(Decimal("0.005"), INCH, MM) == Decimal("0.127")
    assert convert(Decimal("0.127"), MM, INCH) == Decimal("0.005")
    assert convert(Decimal("1"), INCH, THOU) == 1000
    assert convert(Decimal("5"), THOU, UM) == 127


@given(figures, units, units)
def test_fractions_survive_a_round_trip_and_agree_with_pint(value, unit, to):
    expected = REGISTRY.Quantity(Fraction(value), PINT_NAMES[unit]).to("millimeter").magnitude
    assert as_fraction_mm(value, unit) == expected
    there = convert(value, unit, to)
    if as_fraction_mm(there, to) == as_fraction_mm(value, unit):
        assert convert(there, to, unit) == value
    else:
        # Only metric to inches need not end.
        assert unit in {MM, UM}
        assert to in {INCH, THOU}


@given(figures, st.sampled_from([INCH, THOU]), st.sampled_from([MM, UM]))
def test_inches_to_metric_is_always_exact(value, unit, to):
    assert as_fraction_mm(convert(value, unit, to), to) == as_fraction_mm(value, unit)


REGISTRY = pint.UnitRegistry(non_int_type=Fraction)


def test_show_is_for_people():
    assert show(Decimal("0.150"), MM) == "0.150 mm"
    assert show(Decimal("0.005"), INCH, MM) == "0.127 mm"
    assert show(Decimal("18.935"), MM, INCH) == "about 0.74547 in"
    assert show(Decimal("100"), MM, UM) == "100000 µm"
    assert show(Decimal("0.0000001"), MM) == "0.0000001 mm"


with (Path(__file__).parent / "golden" / "printed_pairs.csv").open(encoding="utf-8") as _file:
    PAIRS = list(csv.DictReader(_file))


@pytest.mark.parametrize("row", PAIRS, ids=lambda row: f"{row['figure']}{row['unit']}")
def test_printed_pairs_of_real_manuals(row):
    pair = (
        Decimal(row["figure"]), LengthUnit(row["unit"]),
        Decimal(row["also"]), LengthUnit(row["also_unit"]),
    )  # fmt: skip
    if row["agree"] == "yes":
        cross_check(*pair)
        cross_check(*pair[2:], *pair[:2])
        return
    with pytest.raises(Fault) as refused:
        cross_check(*pair)
    assert refused.value.code == "units_disagree"
    assert show(*pair[:2]) in refused.value.detail
    assert show(*pair[2:]) in refused.value.detail
    assert show(pair[0], pair[1], pair[3]) in refused.value.detail


def test_the_refusal_names_the_true_value():
    # TM 5-3810-307-24-1-2 prints 0.007 in (0.018 mm).
    with pytest.raises(Fault, match=r"0\.007 in is 0\.1778 mm, not 0\.018 mm"):
        cross_check(Decimal("0.007"), INCH, Decimal("0.018"), MM)


@given(figures, st.integers(min_value=1, max_value=5))
def test_an_honest_rounding_always_agrees(value, places):
    printed = round(convert(value, INCH, MM), places)
    cross_check(value, INCH, printed, MM)


def test_torque_in_newton_metres():
    # 140, then 370 and 200 lbf·in: TM 9-2320-285-24-2 p.3-420; the N·m figures are computed.
    shown = [round(newton_metres(Decimal(lbf_in)), 1) for lbf_in in (140, 370, 200)]
    assert shown == [Decimal("15.8"), Decimal("41.8"), Decimal("22.6")]
    # 1 lbf·in = 0.112985 N·m: definition, from memory.
    assert round(newton_metres(Decimal(1)), 6) == Decimal("0.112985")


# --- Word for word, and at the edges --------------------------------------------------------------

NO_FIGURE = "Enter a figure, such as 0.15."


def test_units_are_stored_under_their_names():
    stored = {unit.value: unit.label for unit in LengthUnit}
    assert stored == {"mm": "mm", "um": "µm", "in": "in", "thou": "thou"}


def test_an_en_dash_is_a_sign_too():
    assert parse_length("–0.05", signed=True) == Decimal("-0.05")


@pytest.mark.parametrize(
    ("text", "code", "sentence"),
    [
        ("  ", "empty", NO_FIGURE),
        ("-0.05", "negative_length",
         "-0.05 is negative, and this cannot be. Enter the figure without its sign."),
        ("1.5x" + "9" * 50, "not_a_length",
         "'1.5x" + "9" * 36 + "' is not a length. Enter plain figures with at most one decimal "
         "mark, such as 0.15 or 0,15, and at most six figures each side of it."),
    ],
)  # fmt: skip
def test_what_is_said_of_a_text_that_is_no_length(text, code, sentence):
    with pytest.raises(Fault) as refused:
        parse_length(text)
    assert (refused.value.code, refused.value.detail) == (code, sentence)


def test_a_length_that_does_not_end_has_28_figures_and_one_that_ends_has_all():
    # 1 mm = 5/127 in.
    assert str(convert(Decimal(1), MM, INCH)) == "0.03937007874015748031496062992"
    long = Decimal("0.1234567890123456789012345678901")
    assert Fraction(convert(long, INCH, MM)) == Fraction(long) * Fraction("25.4")


def test_what_is_shown_in_another_unit_is_short_enough_for_the_bench():
    assert show(Decimal("1.23456"), INCH, MM) == "about 31.3578 mm"
    assert show(Decimal("0.0012345"), INCH, UM) == "about 31.4 µm"
    assert show(Decimal("0.1"), MM, THOU) == "about 3.94 thou"
    assert show(Decimal("0.1"), MM, INCH) == "about 0.00394 in"


def test_roundings_that_just_touch_agree():
    # 0.15 stands for 0.145 to 0.155, 0.16 for 0.155 to 0.165.
    cross_check(Decimal("0.15"), MM, Decimal("0.16"), MM)
    cross_check(Decimal("0.16"), MM, Decimal("0.15"), MM)
    for pair in (("0.15", "0.17"), ("0.17", "0.15")):
        with pytest.raises(Fault):
            cross_check(Decimal(pair[0]), MM, Decimal(pair[1]), MM)
    with pytest.raises(Fault) as refused:
        cross_check(Decimal("0.007"), INCH, Decimal("0.018"), MM)
    assert refused.value.detail == (
        "0.007 in and 0.018 mm are not the same length: 0.007 in is 0.1778 mm, not 0.018 mm. Look "
        "at the printed page again, and enter only the figure that the maker governs by."
    )
    with pytest.raises(Fault) as nothing:
        cross_check(Decimal("NaN"), MM, Decimal("0.15"), MM)
    assert (nothing.value.code, nothing.value.detail) == ("not_a_length", NO_FIGURE)
