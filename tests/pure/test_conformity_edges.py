"""Digits far out in the tails, brackets next to narrow ones, and sides without a limit."""

import math
from decimal import Decimal as D

import pytest
from scipy import stats

from fleet.decisions import SIMPLE
from fleet.faults import Fault
from fleet.units import LengthUnit
from inspections.rules.conformity import (
    NO_HIGH,
    NO_LOW,
    conformance_probability,
    guard_for_risk,
    judge_many,
    ticks,
)


def chance(*arguments, **more):
    return float(conformance_probability(*arguments, **more))


def psi(z):
    return z * stats.norm.cdf(z) + stats.norm.pdf(z)


def test_a_chance_far_out_keeps_its_digits_on_either_side():
    # One tail of the normal distribution, ten standard uncertainties out; nothing is near it.
    tail = pytest.approx(stats.norm.sf(10), rel=1e-9, abs=0)
    assert chance(-10.0, -10.0, 1.0, 0.0, 100.0) == tail
    assert chance(110.0, 110.0, 1.0, 0.0, 100.0) == tail
    assert chance(-110.0, -110.0, 1.0, -100.0, 0.0) == tail
    assert chance(110.0, 110.0, 1.0, -math.inf, 100.0) == tail
    assert chance(-10.0, -10.0, 1.0, 0.0) == tail


@pytest.mark.parametrize("width", [0.0011, 0.01, 0.1, 0.5, 1.0])
def test_a_bracket_of_about_the_uncertainty_is_not_taken_for_a_narrow_one(width):
    # Flat from 5 to 5 + width, blurred by 1, at most 6: u/w (psi(6-5) - psi(6-5-w)).
    expected = (psi(1.0) - psi(1.0 - width)) / width
    found = chance(5.0, 5.0 + width, 1.0, -math.inf, 6.0, signed=True)
    assert found == pytest.approx(expected, rel=1e-9)


def test_without_any_limit_everything_meets_it():
    assert chance(1.0, 1.0, 0.5) == 1.0
    assert chance(1.0, 2.0, 0.5) == 1.0
    assert chance(0.0, 2.0, 0.5, signed=True) == 1.0


def test_a_chance_leaves_nothing_above_one():
    # A bracket from 0, cut off and scaled up, against a limit far away.
    for high in (0.3, 0.7, 1.1, 1.9, 3.3):
        assert 0.999 < chance(0.0, high, 0.1, -math.inf, 50.0) <= 1.0
        assert 0.999 < chance(0.0, high, 0.1, 0.0, 50.0) <= 1.0
    # Here the rounding of the closed form alone would give 5e-15 more.
    assert chance(0.989, 1.011, 0.0004, 0.0, 2.0) <= 1.0


def test_a_length_is_cut_off_at_nothing_unless_it_has_a_sign():
    # A bracket of 0 to 1 blurred by 1: psi as above; what is below 0 is scaled away.
    share_below_0 = psi(0.0) - psi(-1.0)
    share_below_1 = psi(1.0) - psi(0.0)
    assert chance(0.0, 1.0, 1.0, -math.inf, 1.0, signed=True) == pytest.approx(share_below_1)
    cut = (share_below_1 - share_below_0) / (1.0 - share_below_0)
    assert chance(0.0, 1.0, 1.0, -math.inf, 1.0) == pytest.approx(cut)
    given = {"low": 0, "high": 1000, "low_closed": True, "high_closed": False, "u": 1000.0}
    limits = {"limit_low": NO_LOW, "limit_high": 1000, "rule": SIMPLE}
    assert float(judge_many(**given, **limits).probability) == pytest.approx(cut)
    signed = judge_many(**given, **limits, signed=True)
    assert float(signed.probability) == pytest.approx(share_below_1)


def test_a_figure_at_the_limit_meets_it_unless_that_is_strict():
    assert chance(2.0, 2.0, 0.0, -math.inf, 2.0) == 1.0
    assert chance(2.0, 2.0, 0.0, -math.inf, 2.0, strict_high=True) == 0.0
    assert chance(2.0, 2.0, 0.0, 2.0) == 1.0
    assert chance(1.9, 1.9, 0.0, 2.0) == 0.0


def test_the_guard_for_a_risk_is_as_good_in_metres_as_in_micrometres():
    # JCGM 106:2012, 9.5.4: bearings, at most 2 µm, u 0.25 µm; a risk of a tenth of a percent.
    fleet = stats.gamma(4, scale=0.25e-6)
    guard = guard_for_risk(fleet, 0.25e-6, -math.inf, 2e-6, 0.001)
    assert guard == pytest.approx((2.0 - 1.671829) * 1e-6, rel=1e-5)


@pytest.mark.parametrize("u", [-1.0, math.inf])
def test_an_uncertainty_that_is_none_is_refused_in_words(u):
    with pytest.raises(Fault) as refused:
        judge_many(
            low=0, high=0, low_closed=True, high_closed=True, u=u, limit_low=NO_LOW,
            limit_high=1, rule=SIMPLE,
        )  # fmt: skip
    assert str(refused.value) == "An uncertainty is a finite figure, and not negative."
    with pytest.raises(Fault) as limitless:
        judge_many(
            low=0, high=0, low_closed=True, high_closed=True, u=1.0, limit_low=NO_LOW,
            limit_high=NO_HIGH, rule=SIMPLE,
        )  # fmt: skip
    assert str(limitless.value) == "There is no limit to judge by. Enter one on the sheet."


def test_a_length_that_cannot_be_judged_is_refused_in_words():
    for value, sentence in (
        (D("0.12345678901"), "0.12345678901 mm is finer than can be judged. "
         "Enter it with at most six decimals."),
        (D("999999999"), "999999999 mm is no length of a pump part. "
         "Check the figure and its unit."),
        (D("NaN"), "Enter a figure, such as 0.15."),
    ):  # fmt: skip
        with pytest.raises(Fault) as refused:
            ticks(value, LengthUnit.MM)
        assert str(refused.value) == sentence
