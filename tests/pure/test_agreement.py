"""Two people at one gap: against intervals worked out by hand and by trying lengths."""

from decimal import Decimal as D
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.units import LengthUnit
from inspections.rules.agreement import agree, meet, running_share
from inspections.rules.intervals import Interval, exact

MM, UM, INCH, THOU = LengthUnit.MM, LengthUnit.UM, LengthUnit.INCH, LengthUnit.THOU


def bracket(low, high):
    return Interval(D(low), None if high is None else D(high))


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [
        (bracket("0.10", "0.15"), bracket("0.12", "0.20"), True),
        (bracket("0.10", "0.15"), bracket("0.11", "0.12"), True),
        # What refuses one enters the other: no length is in both.
        (bracket("0.10", "0.15"), bracket("0.15", "0.20"), False),
        (bracket("0.10", "0.15"), bracket("0.20", "0.25"), False),
        (bracket("0.10", "0.15"), exact(D("0.10")), True),
        (bracket("0.10", "0.15"), exact(D("0.15")), False),
        (exact(D("0.15")), exact(D("0.150")), True),
        (exact(D("0.15")), exact(D("0.151")), False),
        (bracket("0.10", None), bracket("0.30", "0.40"), True),
        (bracket("0.10", None), bracket("0.30", None), True),
        (bracket("0.10", None), bracket("0.05", "0.10"), False),
        (Interval(D(1), D(2), low_closed=False), Interval(D(0), D(1), high_closed=True), False),
        (Interval(D(1), D(2), low_closed=True), Interval(D(0), D(1), high_closed=True), True),
    ],
)
def test_two_intervals_meet_where_some_length_lies_in_both(one, other, expected):
    assert meet(one, other) is expected
    assert meet(other, one) is expected


@st.composite
def intervals(draw):
    low = draw(st.integers(0, 8))
    high = low + draw(st.integers(0, 4))
    if low == high:
        return exact(D(low))
    return Interval(D(low), D(high), draw(st.booleans()), draw(st.booleans()))


@given(intervals(), intervals())
def test_meeting_is_having_a_length_in_common(one, other):
    quarters = [D(number) / 4 for number in range(60)]
    assert meet(one, other) == any(one.holds(x) and other.holds(x) for x in quarters)


def test_a_slack_brings_two_together_up_to_its_very_end():
    one, other = bracket("0.10", "0.15"), bracket("0.17", "0.20")
    assert not meet(one, other, Fraction("0.0199"))
    assert meet(one, other, Fraction("0.02"))
    assert meet(other, one, Fraction("0.02"))


def test_units_are_compared_exactly():
    # 1 in = 25.4 mm exactly: 0.004 in is 0.1016 mm, 4 thou and 101.6 um.
    inch = exact(D("0.004"))
    assert agree(inch, INCH, exact(D("0.1016")), MM)
    assert agree(inch, INCH, exact(D("4")), THOU)
    assert agree(exact(D("101.6")), UM, inch, INCH)
    assert not agree(inch, INCH, exact(D("0.101600001")), MM)


# 10 thou is 0.254 mm, 0.010 mm short of the control: two of 0.19685 thou, or of 0.005 mm.
@pytest.mark.parametrize(
    ("own_u_thou", "control_u_mm", "expected"),
    [
        (None, None, False),
        (0.1968, None, False),
        (0.1969, None, True),
        (None, 0.0049, False),
        (None, 0.0051, True),
        (0.09, 0.0025, False),
        (0.10, 0.0025, True),
    ],
)
def test_each_is_widened_by_twice_its_uncertainty_in_its_own_unit(
    own_u_thou, control_u_mm, expected
):
    own, control = exact(D("10.0")), exact(D("0.264"))
    found = agree(own, THOU, control, MM, own_u=own_u_thou, control_u=control_u_mm)
    assert found is expected


def test_the_running_share_looks_back_on_ten():
    hits = [True, False] + [True] * 9 + [False]
    assert running_share(hits) == pytest.approx(
        [1, 1 / 2, 2 / 3, 3 / 4, 4 / 5, 5 / 6, 6 / 7, 7 / 8, 8 / 9, 9 / 10, 9 / 10, 9 / 10]
    )
    assert running_share([True] * 10 + [False] * 10)[-1] == 0
    assert running_share([]) == []
    assert running_share([True, False, False], look_back=2) == [1, 0.5, 0]
