"""Uncertainty budgets against published examples, a second method and random draws."""

import json
import math
from decimal import Decimal as D
from fractions import Fraction

import numpy as np
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from fleet.faults import Fault
from fleet.units import LengthUnit
from inspections.rules.uncertainty import (
    Contribution,
    Distribution,
    asymmetric,
    budget_as_json,
    budget_from_json,
    check_by_draws,
    combine,
    effective_degrees,
    expanded,
    leaf_budget,
    normal,
    propagate,
    rectangular,
    repeated,
    resolution_step,
    standard_uncertainty,
    trapezoidal,
    triangular,
    value_budget,
)

MM, UM, INCH, THOU = LengthUnit.MM, LengthUnit.UM, LengthUnit.INCH, LengthUnit.THOU
RECTANGULAR, TRIANGULAR = Distribution.RECTANGULAR, Distribution.TRIANGULAR
NORMAL = Distribution.NORMAL


def close(value, rel=1e-12):
    return pytest.approx(value, rel=rel)


# Contributions


def test_rectangular_bounds():
    # JCGM 100:2008, 4.3.7: thermal expansion of copper, +- 0.40e-6 per °C, u 0.23e-6 (from
    # memory; more figures computed).
    one = rectangular("expansion", D("0.40e-6"))
    assert one.u == pytest.approx(0.23e-6, abs=0.005e-6)
    assert one.u == close(0.230940108e-6, 1e-8)
    assert (one.name, one.half_width, one.distribution) == ("expansion", D("0.40e-6"), RECTANGULAR)
    assert one.degrees is None


def test_asymmetric_bounds():
    # JCGM 100:2008, 4.3.8: the same with bounds 0.40e-6 below and 0.12e-6 above: u 0.15e-6 (from
    # memory; more figures computed).
    one = asymmetric("expansion", D("0.40e-6"), D("0.12e-6"))
    assert one.u == pytest.approx(0.15e-6, abs=0.005e-6)
    assert one.u == close(0.150111070e-6, 1e-8)
    assert (one.name, one.half_width, one.distribution) == ("expansion", D("0.26e-6"), RECTANGULAR)
    assert asymmetric("same", D("0.2"), D("0.2")).u == close(rectangular("same", D("0.2")).u)


def test_a_resolution_is_half_a_step_either_way():
    # u = 0.29 steps: JCGM 100:2008, F.2.2.1 (from memory).
    one = resolution_step("scale", D("0.01"))
    assert one == Contribution("scale", D("0.005"), RECTANGULAR, one.u)
    assert one.u == pytest.approx(0.0029, abs=0.00005)
    assert one.u == close(rectangular("scale", D("0.005")).u)


def test_triangular_and_trapezoidal_bounds():
    # JCGM 100:2008, 4.3.9: a^2 / 6, and a^2 (1 + beta^2) / 6 with half-widths a at the foot and
    # beta a at the top (from memory).
    one = triangular("height", D("0.6"))
    assert one == Contribution("height", D("0.6"), TRIANGULAR, one.u)
    assert one.u**2 == close(0.6**2 / 6)
    both = trapezoidal("two", D("0.5"), D("0.2"))
    foot, top = 0.7, 0.3
    assert both.u**2 == close(foot**2 * (1 + (top / foot) ** 2) / 6)
    assert (both.name, both.half_width, both.distribution) == ("two", D("0.7"), "trapezoidal")
    assert trapezoidal("even", D("0.5"), D("0.5")).u == close(triangular("even", D(1)).u)


def test_repeats_have_the_scatter_of_their_mean():
    # s / sqrt n: JCGM 100:2008, 4.2.3; variance of 9, 10, 11, 14 is 14/3, computed by hand.
    one = repeated("repeats", [D(9), D(10), D(11), D(14)])
    assert one.u == close(math.sqrt(14 / 3 / 4))
    assert one == Contribution("repeats", one.u, NORMAL, one.u, 3.0)
    assert repeated("two", [D("0.1"), D("0.3")]).u == close(0.1)
    with pytest.raises(Fault) as refused:
        repeated("one", [D("0.1")])
    assert refused.value.code == "too_few"


def test_a_known_deviation_is_taken_as_it_is():
    assert normal("certificate", 0.25, 18.0) == Contribution(
        "certificate", 0.25, NORMAL, 0.25, 18.0
    )
    assert normal("study", 0.0).u == 0.0
    assert normal("study", 0.1).degrees is None


@pytest.mark.parametrize(
    "make",
    [
        lambda: rectangular("x", D("-0.1")),
        lambda: asymmetric("x", D("-0.1"), D("0.2")),
        lambda: asymmetric("x", D("0.1"), D("-0.2")),
        lambda: resolution_step("x", D("-1")),
        lambda: triangular("x", D("-1")),
        lambda: trapezoidal("x", D("-1"), D("1")),
        lambda: trapezoidal("x", D("1"), D("-1")),
        lambda: normal("x", -0.1),
        lambda: normal("x", math.nan),
        lambda: normal("x", math.inf),
    ],
)
def test_a_bound_is_finite_and_not_negative(make):
    with pytest.raises(Fault) as refused:
        make()
    assert refused.value.code == "uncertainty"


def test_a_bound_of_nothing_adds_nothing():
    assert rectangular("x", D(0)).u == 0.0
    assert resolution_step("x", D(0)).u == 0.0


# Combining


def test_combined_as_squares():
    assert combine([3.0, 4.0]) == 5.0
    assert combine([3.0, 4.0], [2.0, -1.0]) == close(math.sqrt(52))
    assert combine([]) == 0.0


def test_correlated_inputs():
    # JCGM 100:2008, 5.2.2: ten resistors of 1000 ohm, each 0.1 ohm off by the same reference, in
    # series: u 1 ohm, where independent ones would give 0.32 ohm (from memory).
    together = np.ones((10, 10))
    assert combine([0.1] * 10, correlation=together) == close(1.0)
    assert combine([0.1] * 10) == pytest.approx(0.32, abs=0.005)
    half = [[1.0, 0.5], [0.5, 1.0]]
    assert combine([1.0, 2.0], [3.0, -1.0], half) == close(math.sqrt(9 + 4 - 2 * 0.5 * 6))
    # A difference of two that go wholly together has no uncertainty.
    assert combine([0.1, 0.1], [1.0, -1.0], np.ones((2, 2))) == pytest.approx(0.0, abs=1e-9)


def test_effective_degrees_of_freedom():
    # Welch-Satterthwaite: JCGM 100:2008, G.4.1; example with 10, 5 and 15 degrees at u 0.25,
    # 0.57 and 0.82: 19.0 (from memory), and u_c 1.03.
    u, degrees = [0.25, 0.57, 0.82], [9.0, 4.0, 14.0]
    assert combine(u) == pytest.approx(1.03, abs=0.005)
    assert effective_degrees(u, degrees) == pytest.approx(19.0, abs=0.05)
    assert effective_degrees([2.0], [7.0]) == close(7.0)
    assert effective_degrees([1.0, 1.0], [None, 5.0]) == close(20.0)
    assert effective_degrees([1.0, 1.0], [None, math.inf]) == math.inf
    assert effective_degrees([2.0, 1.0], [3.0, 6.0], [0.5, 3.0]) == close(100 / (1 / 3 + 81 / 6))


def test_expanded_uncertainty():
    # Student's t: JCGM 100:2008, table G.2 (from memory): 2.92 for 16 degrees at 99 %, 2.26 for 9
    # at 95 %, 1.960 for infinitely many.
    assert expanded(1.0, 16, 0.99) == pytest.approx(2.920782, abs=1e-6)
    assert expanded(2.0, 9) == pytest.approx(2 * 2.262157, abs=1e-5)
    assert expanded(1.0) == pytest.approx(1.959964, abs=1e-6)
    # Cut to a whole number, but not for want of the last bit.
    assert expanded(1.0, 16.99, 0.99) == expanded(1.0, 16, 0.99)
    assert expanded(1.0, 16 - 1e-12, 0.99) == expanded(1.0, 16, 0.99)
    assert expanded(1.0, 1) == pytest.approx(12.7062, abs=1e-4)
    with pytest.raises(Fault) as refused:
        expanded(1.0, 0.9)
    assert refused.value.code == "too_few"


# Propagating: the end gauge of JCGM 100:2008, H.1 (from memory; further figures computed)

# Lengths in mm, temperatures in °C: standard, measured difference, difference of expansion,
# deviation of temperature, expansion of the standard, difference of temperature.
GAUGE = [50.000623, 215e-6, 0.0, -0.1, 11.5e-6, 0.0]
U_OF_D = combine([5.8e-6, 3.9e-6, 6.7e-6])
GAUGE_U = [25e-6, U_OF_D, 0.58e-6, 0.41, 1.2e-6, 0.029]


def gauge_length(standard, d, d_alpha, theta, alpha, d_theta):
    return standard + d - standard * (d_alpha * theta + alpha * d_theta)


def test_end_gauge_first_order():
    assert pytest.approx(9.7e-6, abs=0.05e-6) == U_OF_D
    assert pytest.approx(9.681942e-6, abs=1e-12) == U_OF_D
    degrees_of_d = effective_degrees([5.8, 3.9, 6.7], [24, 5, 8])
    # 25.6 is printed, from u rounded to 9.7 nm; unrounded it is 25.447.
    assert degrees_of_d == pytest.approx(25.4473, abs=1e-4)
    assert degrees_of_d * (9.7e-6 / U_OF_D) ** 4 == pytest.approx(25.6, abs=0.05)
    found = propagate(gauge_length, GAUGE, GAUGE_U)
    assert found.value == pytest.approx(50.000838, abs=5e-7)
    assert found.u == pytest.approx(32e-6, abs=0.5e-6)
    assert found.u == pytest.approx(31.70509e-6, abs=1e-11)
    parts = np.abs(found.sensitivities) * GAUGE_U * 1e6
    assert parts == pytest.approx([25.0, 9.681942, 2.900036, 0.0, 0.0, 16.675208], abs=1e-5)
    degrees = effective_degrees(GAUGE_U, [18, degrees_of_d, 50, None, None, 2], found.sensitivities)
    assert degrees == pytest.approx(16.7, abs=0.1)
    assert expanded(float(found.u), degrees, 0.99) == pytest.approx(93e-6, abs=0.5e-6)


def test_end_gauge_by_another_library():
    inputs = [uncertainties.ufloat(x, u) for x, u in zip(GAUGE, GAUGE_U, strict=True)]
    other = gauge_length(*inputs)
    found = propagate(gauge_length, GAUGE, GAUGE_U)
    assert found.u == close(other.s, 1e-7)
    assert found.value == close(other.n, 1e-15)
    assert found.sensitivities == pytest.approx(
        [other.derivatives[x] for x in inputs], rel=1e-6, abs=1e-12
    )


def test_end_gauge_second_order():
    # H.1.7: 11.7 nm and 1.7 nm more, together 34 nm.
    found = propagate(gauge_length, GAUGE, GAUGE_U, second_order=True)
    assert found.u == pytest.approx(34e-6, abs=0.5e-6)
    assert found.u == pytest.approx(33.90599e-6, abs=2e-11)
    first = propagate(gauge_length, GAUGE, GAUGE_U)
    added = math.sqrt(found.u**2 - first.u**2)
    assert added == pytest.approx(math.hypot(11.890e-6, 1.740e-6), abs=1e-9)


def test_end_gauge_by_draws():
    first = propagate(gauge_length, GAUGE, GAUGE_U)
    drawn = check_by_draws(gauge_length, GAUGE, GAUGE_U, float(first.u), seed=11)
    assert drawn.u == pytest.approx(33.88e-6, rel=0.01)
    assert drawn.mean == pytest.approx(50.000838, abs=1e-6)
    assert drawn.propagated_u == first.u
    # First order falls 6 % short here, and the check says so; second order does not.
    assert drawn.differs
    second = propagate(gauge_length, GAUGE, GAUGE_U, second_order=True)
    assert not check_by_draws(gauge_length, GAUGE, GAUGE_U, float(second.u), seed=11).differs


def test_second_order_terms_of_known_functions():
    # Exact variances of normal inputs, by hand: x^2 at 0 has 2 u^4; x y at 0, 0 has (u_x u_y)^2;
    # x^3 at 0 has 15 u^6, of which these terms hold none; x^3 at 1 has 9 u^2 + 36 u^4 + 15 u^6,
    # of which they hold the first two.
    def u(function, x, by):
        return float(propagate(function, x, by, second_order=True).u)

    assert u(lambda x: x * x, [0.0], [0.1]) ** 2 == close(2e-4)
    assert u(lambda x, y: x * y, [0.0, 0.0], [0.1, 0.3]) ** 2 == close(9e-4)
    assert u(lambda x, y: x * y, [2.0, 3.0], [0.1, 0.3]) ** 2 == close(0.09 + 0.36 + 9e-4)
    # x y^2 at 1, 1: 4 u_y^2 + u_x^2 + 2 u_y^4 + 4 u_x^2 u_y^2 + 2 u_x^2 u_y^2, by hand.
    ux, uy = 0.1, 0.2
    expected = 4 * uy**2 + ux**2 + 2 * uy**4 + 6 * ux**2 * uy**2
    step_error = 0.0  # central differences are exact for a function of second degree in each
    assert u(lambda x, y: x * y * y, [1.0, 1.0], [ux, uy]) ** 2 == close(expected + step_error)
    # Differences over +- u see (1 + u^2) in the slope of x^3: 3 + u^2 for 3, so compare by hand.
    s = 0.1
    slope = 3 * s + s**3
    expected = slope**2 + 0.5 * (6 * s * s) ** 2 + slope * 6 * s**3
    assert u(lambda x: x**3, [1.0], [s]) ** 2 == close(expected)


def test_second_order_and_correlation_exclude_each_other():
    with pytest.raises(Fault) as refused:
        propagate(
            lambda x, y: x * y, [1.0, 1.0], [0.1, 0.1], correlation=np.eye(2), second_order=True
        )
    assert refused.value.code == "second_order"


def test_propagation_with_correlation():
    half = [[1.0, 0.5], [0.5, 1.0]]
    found = propagate(lambda x, y: 3 * x - y, [1.0, 2.0], [1.0, 2.0], correlation=half)
    assert found.u == close(math.sqrt(9 + 4 - 6))
    alone = propagate(lambda x, y: 3 * x - y, [1.0, 2.0], [1.0, 2.0], correlation=np.eye(2))
    assert alone.u == close(propagate(lambda x, y: 3 * x - y, [1.0, 2.0], [1.0, 2.0]).u)


def test_many_readings_at_once_are_each_as_if_alone():
    bore = np.array([19.112, 19.2, 19.3])
    journal = np.array([18.935, 18.94, 18.95])
    u_bore = np.array([0.001, 0.002, 0.0])

    def ratio(bore, journal):
        return bore / journal

    many = propagate(ratio, [bore, journal], [u_bore, 0.003], second_order=True)
    assert many.u.shape == (3,)
    assert many.sensitivities.shape == (2, 3)
    for place in range(3):
        one = propagate(
            ratio, [bore[place], journal[place]], [u_bore[place], 0.003], second_order=True
        )
        assert many.u[place] == one.u
        assert many.value[place] == one.value
    assert many.sensitivities[0, 2] == 0.0
    assert many.sensitivities[0, :2] == pytest.approx(1 / journal[:2])
    matrix = [[1.0, 0.3], [0.3, 1.0]]
    correlated = propagate(ratio, [bore, journal], [u_bore, 0.003], correlation=matrix)
    assert (
        correlated.u[1]
        == propagate(ratio, [bore[1], journal[1]], [u_bore[1], 0.003], correlation=matrix).u
    )


@given(st.floats(1.0, 50.0), st.floats(1.0, 50.0), st.floats(1e-4, 0.01), st.floats(1e-4, 0.01))
def test_first_order_agrees_with_another_library(a, b, u_a, u_b):
    other = (uncertainties.ufloat(a, u_a) ** 2) / uncertainties.ufloat(b, u_b)
    found = propagate(lambda x, y: x**2 / y, [a, b], [u_a, u_b])
    assert found.u == close(other.s, 2e-4)


def test_draws_of_each_distribution():
    def same(x):
        return x

    for kind in (NORMAL, RECTANGULAR, TRIANGULAR):
        drawn = check_by_draws(same, [5.0], [0.2], 0.2, seed=3, distributions=[kind])
        assert drawn.u == pytest.approx(0.2, rel=0.01)
        assert drawn.mean == pytest.approx(5.0, abs=0.003)
        assert not drawn.differs
    again = [check_by_draws(same, [5.0], [0.2], 0.2, seed=s, draws=1000) for s in (3, 3, 4)]
    assert again[0] == again[1]
    assert again[0] != again[2]
    with pytest.raises(Fault) as refused:
        check_by_draws(same, [5.0], [0.2], 0.2, seed=3, distributions=[Distribution.TRAPEZOIDAL])
    assert refused.value.code == "distribution"


def test_draws_have_the_shape_of_their_distribution():
    seen = {}

    def keep(x, y, z):
        seen.update(normal=x, rectangular=y, triangular=z)
        return x + y + z

    drawn = check_by_draws(
        keep, [0.0, 0.0, 0.0], [1.0, 1.0, 1.0], math.sqrt(3), seed=8, draws=20_000,
        distributions=[NORMAL, RECTANGULAR, TRIANGULAR],
    )  # fmt: skip
    assert {len(each) for each in seen.values()} == {20_000}
    total = sum(seen.values())
    assert (drawn.mean, drawn.u) == (np.mean(total), np.std(total, ddof=1))
    half, foot = math.sqrt(3), math.sqrt(6)
    for name, expected in (
        ("normal", stats.norm()),
        ("rectangular", stats.uniform(-half, 2 * half)),
        ("triangular", stats.triang(0.5, -foot, 2 * foot)),
    ):
        assert stats.kstest(seen[name], expected.cdf).pvalue > 1e-3


def test_five_percent_apart_is_where_the_check_speaks():
    found = check_by_draws(lambda x: x, [0.0], [1.0], 1.0, seed=1).u
    for factor, differs in ((1.049, False), (0.951, False), (1.051, True), (0.949, True)):
        drawn = check_by_draws(lambda x: x, [0.0], [1.0], factor * found, seed=1)
        assert drawn.differs is differs


def test_a_trapezoidal_input_is_drawn_in_its_two_parts():
    with pytest.raises(Fault) as refused:
        check_by_draws(
            lambda x: x, [0.0], [1.0], 1.0, seed=1, distributions=[Distribution.TRAPEZOIDAL]
        )
    assert refused.value.code == "distribution"
    assert str(refused.value) == "Draw the two rectangular parts of a trapezoidal one."


def test_draws_need_one_distribution_for_each_input():
    with pytest.raises(ValueError, match="zip"):
        check_by_draws(lambda x: x, [0.0, 1.0], [1.0], 1.0, seed=1)


# Budgets of readings


def test_the_budget_of_a_figure():
    budget = value_budget(D("0.004"), D("0.001"), 0.0015)
    assert budget == (
        rectangular("permissible error", D("0.004")),
        resolution_step("resolution", D("0.001")),
        normal("who measures, and repeats", 0.0015),
    )
    assert standard_uncertainty(budget) == close(
        math.sqrt(0.004**2 / 3 + 0.001**2 / 12 + 0.0015**2)
    )
    assert value_budget(D("0.004"), None, None) == (rectangular("permissible error", D("0.004")),)


def test_without_the_permissible_error_the_uncertainty_is_not_known():
    budget = value_budget(None, D("0.001"), 0.0015)
    assert budget[0] == Contribution("permissible error", None, RECTANGULAR, None)
    assert len(budget) == 3
    assert standard_uncertainty(budget) is None
    assert standard_uncertainty(leaf_budget([1], None, MM, 0.001)) is None
    assert standard_uncertainty(()) is None


def test_the_budget_of_leaves():
    one = leaf_budget([1, 1], D("0.004"), MM, None)
    assert one == (rectangular("leaf 1", D("0.004")),)
    assert standard_uncertainty(one) == close(0.004 / math.sqrt(3))
    # The end with more leaves has the larger u, and counts.
    two = leaf_budget([2, 1], D("0.004"), MM, 0.003)
    assert two == leaf_budget([1, 2], D("0.004"), MM, 0.003)
    assert [each.name for each in two] == [
        "leaf 1", "leaf 2", "film 1", "who measures, and repeats",
    ]  # fmt: skip
    film = two[2]
    assert (film.half_width, film.distribution) == (D("0.002"), RECTANGULAR)
    assert standard_uncertainty(two) == close(math.sqrt(2 * 0.004**2 / 3 + 0.002**2 / 3 + 0.003**2))
    three = leaf_budget([3], D("0.004"), MM, None)
    assert standard_uncertainty(three) == close(math.sqrt((3 * 0.004**2 + 2 * 0.002**2) / 3))
    assert leaf_budget([2], D(0), MM, None, film_mm=D("0.006"))[2].u == close(0.006 / math.sqrt(3))
    for nothing in ([], [0]):
        with pytest.raises(Fault) as refused:
            leaf_budget(nothing, D("0.004"), MM, None)
        assert (refused.value.code, refused.value.field) == ("no_leaf", "leaves")
        assert refused.value.detail == "Say which leaf was tried."


def test_a_bracket_of_leaves_as_one_standard_uncertainty():
    # Bracket 0.20 to 0.25, leaves +- 0.002: 0.0144338 alone, 0.0144799 with them; computed.
    width = resolution_step("bracket", D("0.05"))
    assert width.u == pytest.approx(0.0144338, abs=5e-8)
    both = [width, *leaf_budget([1], D("0.002"), MM, None)]
    assert standard_uncertainty(both) == pytest.approx(0.0144799, abs=5e-8)


@pytest.mark.parametrize("unit", LengthUnit)
def test_the_film_is_the_same_length_in_every_unit(unit):
    film = leaf_budget([2], D(0), unit, None)[2]
    per_mm = {
        MM: Fraction(1),
        UM: Fraction(1000),
        INCH: Fraction(10, 254),
        THOU: Fraction(10000, 254),
    }
    exact = Fraction(2, 1000) * per_mm[unit]
    assert film.u == float(exact) / math.sqrt(3)
    assert abs(Fraction(film.half_width) - exact) < exact / 10**27


@given(
    st.lists(
        st.one_of(
            st.builds(
                rectangular, st.text(), st.decimals(0, 1, places=6, allow_nan=False) | st.none()
            ),
            st.builds(normal, st.text(), st.floats(0, 1), st.none() | st.floats(1, 100)),
            st.builds(
                trapezoidal,
                st.text(),
                st.decimals(0, 1, places=3, allow_nan=False),
                st.decimals(0, 1, places=5, allow_nan=False),
            ),
        )
    )
)
def test_a_budget_comes_back_from_json_to_the_same_bits(budget):
    stored = json.loads(json.dumps(budget_as_json(budget)))
    back = budget_from_json(stored)
    assert back == tuple(budget)
    assert [str(each.half_width) for each in back] == [str(each.half_width) for each in budget]
    assert standard_uncertainty(back) == standard_uncertainty(budget)


def test_a_budget_as_stored():
    assert budget_as_json(value_budget(D("0.0040"), None, 0.5)) == [
        {
            "name": "permissible error",
            "half_width": "0.0040",
            "distribution": "rectangular",
            "u": 0.004 / math.sqrt(3),
            "degrees": None,
        },
        {
            "name": "who measures, and repeats",
            "half_width": 0.5,
            "distribution": "normal",
            "u": 0.5,
            "degrees": None,
        },
    ]
    # Stored without degrees of freedom: infinitely many.
    short = {"name": "a", "half_width": "1", "distribution": "rectangular", "u": 0.5}
    assert budget_from_json([short]) == (Contribution("a", D(1), RECTANGULAR, 0.5),)
