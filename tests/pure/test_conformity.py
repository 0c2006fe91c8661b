"""The one rule: ticks, probabilities of conformity, three decision rules."""

import math
from decimal import Decimal as D
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from fleet.decisions import SIMPLE, DecisionRule, RuleKind
from fleet.faults import Fault
from fleet.units import IN_MM, LengthUnit, as_fraction_mm, convert
from inspections.rules.conformity import (
    NO_HIGH,
    NO_LOW,
    OUT,
    OUTCOMES,
    TICKS,
    UNDECIDED,
    WITHIN,
    Outcome,
    conformance_probability,
    guard_ticks,
    judge_many,
    ticks,
)
from tests.pure.verdict_samples import judged

MM, UM, INCH, THOU = LengthUnit.MM, LengthUnit.UM, LengthUnit.INCH, LengthUnit.THOU
GUARDED = DecisionRule(RuleKind.GUARDED, guard_z=D(2))
LIKELY = DecisionRule(RuleKind.PROBABILITY)
RULES = (SIMPLE, GUARDED, LIKELY)
NAN, INF = math.nan, math.inf


# Ticks


@pytest.mark.parametrize(
    ("figure", "unit", "expected"),
    [
        # 1 in = 25.4 mm exactly: definition (international yard and pound, 1959), from memory.
        ("0.000001", MM, 10_000),
        ("0.000001", UM, 10),
        ("0.000001", INCH, 254_000),
        ("0.000001", THOU, 254),
        ("0.005", INCH, 1_270_000_000),
        ("0.127", MM, 1_270_000_000),
        ("-0.0008", INCH, -203_200_000),
        ("0.0000000001", MM, 1),
    ],
)
def test_ticks_are_exact(figure, unit, expected):
    assert ticks(D(figure), unit) == expected


@given(st.decimals(-9999, 9999, places=6, allow_nan=False), st.sampled_from(LengthUnit))
def test_every_figure_of_six_decimals_is_whole_ticks_and_comes_back(value, unit):
    whole = ticks(value, unit)
    assert Fraction(whole, 10**10) == as_fraction_mm(value, unit)
    in_mm = D(whole).scaleb(-10)
    assert convert(in_mm, MM, unit) == value
    assert Fraction(TICKS[unit], 10**10) == Fraction(IN_MM[unit])


@pytest.mark.parametrize(
    ("figure", "unit", "code"),
    [
        (D("0.00000000001"), MM, "not_whole_ticks"),
        (D(1) / D(3), MM, "not_whole_ticks"),
        (D("NaN"), MM, "not_a_length"),
        (D("Infinity"), MM, "not_a_length"),
        (D(2**61) / 10**10, MM, "too_long"),
        (-D(2**61) / 10**10, MM, "too_long"),
    ],
)
def test_what_is_no_whole_tick_is_refused(figure, unit, code):
    with pytest.raises(Fault) as refused:
        ticks(figure, unit)
    assert refused.value.code == code
    if code == "too_long":
        assert "mm is no length of a pump part" in refused.value.detail


def test_the_longest_length_is_just_short_of_the_bound():
    assert ticks(D(2**61 - 1) / 10**10, MM) == 2**61 - 1
    assert ticks(D(-(2**61) + 1) / 10**10, MM) == -(2**61) + 1


def test_codes_are_places_of_outcomes_from_good_to_bad():
    assert [OUTCOMES[code] for code in (WITHIN, UNDECIDED, OUT)] == [
        Outcome.WITHIN, Outcome.UNDECIDED, Outcome.OUT,
    ]  # fmt: skip
    assert [each.value for each in OUTCOMES] == ["within", "undecided", "out"]
    assert [each.label for each in OUTCOMES] == ["within limits", "undecided", "out of limits"]


# Probability of conformity: published values


@pytest.mark.parametrize(
    ("figure", "u", "low", "high", "printed", "places", "exact"),
    [
        # JCGM 106:2012, 7.3, Zener diode: breakdown -5.47 V, u 0.05 V, at most -5.40 V: 0.919.
        (-5.47, 0.05, -INF, -5.40, 0.919, 3, 0.919243),
        # JCGM 106:2012, 7.3, burst pressure of a pipe 509.7 kPa, u 8.6, at least 490: 0.989.
        (509.7, 8.6, 490.0, INF, 0.989, 3, 0.989010),
        # JCGM 106:2012, 7.4, viscosity of an oil 13.6, u 1.8, from 12.5 to 16.3: 0.66.
        (13.6, 1.8, 12.5, 16.3, 0.66, 2, 0.662630),
    ],
)  # values from memory, six figures recomputed
def test_published_conformance_probabilities(figure, u, low, high, printed, places, exact):
    found = float(conformance_probability(figure, figure, u, low, high))
    assert round(found, places) == printed
    assert found == pytest.approx(exact, abs=6e-7)


@pytest.mark.parametrize(
    # JCGM 106:2012, table 1, from memory: z for a one-sided limit, six figures recomputed.
    ("p", "z"),
    [(0.80, 0.841621), (0.90, 1.281552), (0.95, 1.644854), (0.99, 2.326348), (0.999, 3.090232)],
)
def test_a_reading_z_short_of_the_limit_conforms_with_p(p, z):
    assert float(conformance_probability(-z, -z, 1.0, -INF, 0.0)) == pytest.approx(p, abs=2e-7)
    assert float(conformance_probability(z, z, 1.0, 0.0, INF)) == pytest.approx(p, abs=2e-7)


def test_a_guard_of_the_expanded_uncertainty():
    # g = U = 2 u leaves at least 97.7 %: JCGM 106:2012, 8.3.2.2 (from memory).
    assert float(conformance_probability(8.0, 8.0, 1.0, -INF, 10.0)) == pytest.approx(
        0.9772499, abs=1e-7
    )


@pytest.mark.parametrize(
    ("limit", "p"),
    [(0.24, 0.002379), (0.26, 0.202379), (0.29, 0.797621), (0.305, 0.986403), (0.31, 0.997621)],
)
def test_a_blurred_bracket(limit, p):
    # Bracket 0.25 to 0.30, u 0.006: computed, and by a second way here.
    found = float(conformance_probability(0.25, 0.30, 0.006, -INF, limit))
    assert found == pytest.approx(p, abs=6e-7)
    by_parts, _ = integrate.quad(
        lambda x: stats.norm.cdf((limit - x) / 0.006) / 0.05, 0.25, 0.30, epsabs=1e-12
    )
    assert found == pytest.approx(by_parts, abs=1e-10)


def test_without_blur_a_bracket_is_cut_by_the_limit():
    for u in (0.0, NAN):
        assert float(conformance_probability(0.25, 0.30, u, -INF, 0.29)) == pytest.approx(0.8)
        assert float(conformance_probability(0.25, 0.30, u, 0.29, INF)) == pytest.approx(0.2)
        assert float(conformance_probability(0.25, 0.30, u, 0.26, 0.28)) == pytest.approx(0.4)
        assert float(conformance_probability(0.25, 0.30, u, -INF, 0.25)) == 0.0
        assert float(conformance_probability(0.25, 0.30, u, -INF, 0.30)) == 1.0
    assert float(conformance_probability(0.25, 0.30, 1e-15, -INF, 0.29)) == pytest.approx(0.8)
    assert float(conformance_probability(0.25, 0.30, 1e-320, -INF, 0.29)) == pytest.approx(0.8)


def test_without_limits_everything_conforms():
    found = conformance_probability([0.1, 0.1, 0.1], [0.1, 0.2, 0.2], [0.0, 0.01, NAN])
    assert found.tolist() == [1.0, 1.0, 1.0]


def test_a_figure_without_uncertainty_meets_the_limit_or_does_not():
    def chance(figure, low, high, strict=False):
        return float(conformance_probability(figure, figure, 0.0, low, high, strict_high=strict))

    assert chance(0.15, -INF, 0.15) == 1.0
    assert chance(0.15, -INF, 0.15, strict=True) == 0.0
    assert chance(0.149, -INF, 0.15, strict=True) == 1.0
    assert chance(0.151, -INF, 0.15) == 0.0
    assert chance(0.15, 0.15, INF) == 1.0
    assert chance(0.149, 0.15, INF) == 0.0
    assert chance(0.15, 0.15, 0.15) == 1.0
    assert chance(0.1, 0.15, 0.2) == 0.0


def test_what_is_not_known_has_no_probability():
    found = conformance_probability([0.1, 0.1, 0.1], [0.1, INF, INF], [NAN, 0.01, NAN], -INF, 0.15)
    assert np.isnan(found).all()


def test_no_gap_is_less_than_nothing():
    # Nothing entered, the 0.05 leaf refused, u 0.02: cut off at 0 and scaled up; computed.
    def density(y):
        return (stats.norm.cdf(y / 0.02) - stats.norm.cdf((y - 0.05) / 0.02)) / 0.05

    whole, _ = integrate.quad(density, 0.0, 0.5, points=[0.05])
    for limit in (0.001, 0.03, 0.05, 0.08):
        part, _ = integrate.quad(density, 0.0, limit)
        found = float(conformance_probability(0.0, 0.05, 0.02, -INF, limit))
        assert found == pytest.approx(part / whole, abs=1e-8)
        above = float(conformance_probability(0.0, 0.05, 0.02, limit, INF))
        assert above == pytest.approx(1.0 - part / whole, abs=1e-8)
    assert float(conformance_probability(0.0, 0.05, 0.02, -INF, 0.0)) == 0.0
    assert float(conformance_probability(0.0, 0.05, 0.02, 0.0, INF)) == 1.0
    assert float(conformance_probability(0.0, 0.05, 0.02, -INF, -0.01)) == 0.0


def test_a_difference_can_be_less_than_nothing():
    free = float(conformance_probability(0.0, 0.05, 0.02, -INF, 0.0, signed=True))
    by_parts, _ = integrate.quad(lambda x: stats.norm.cdf(-x / 0.02) / 0.05, 0.0, 0.05)
    assert free == pytest.approx(by_parts, abs=1e-9)
    # A bracket that starts below nothing says so itself.
    one = float(conformance_probability(-0.02, 0.05, 0.02, -INF, 0.0))
    assert one == float(conformance_probability(-0.02, 0.05, 0.02, -INF, 0.0, signed=True))
    assert one > 0.2
    # A figure is a normal distribution about itself, wherever it lies.
    assert float(conformance_probability(0.0, 0.0, 0.02, 0.0, INF)) == 0.5


def test_tails_keep_their_digits():
    def chance(figure, low, high):
        return float(conformance_probability(figure, figure, 1.0, low, high))

    for far in (5.0, 10.0, 30.0):
        tail = pytest.approx(stats.norm.sf(far), rel=1e-12)
        assert chance(far, -INF, 0.0) == tail
        assert chance(-far, 0.0, INF) == tail
        # Between two limits the nearer one is all that counts, on either side.
        assert chance(100.0 + far, 0.0, 100.0) == tail
        assert chance(-far, 0.0, 100.0) == tail
    assert chance(0.0, -50.0, 50.0) == 1.0
    assert chance(500.0, -INF, 0.0) == 0.0


@pytest.mark.parametrize("share", [1e-12, 1e-6, 0.99e-3, 1.01e-3, 1e-2])
def test_a_narrow_bracket_is_its_middle(share):
    # The nearest to both forms: Phi(z) + w^2/24 Phi''(z); next term below 1e-17 for 1e-3.
    for z in (-6.0, -1.5, 0.0, 0.7, 3.0):
        low, high = 10.0 - share / 2, 10.0 + share / 2
        found = float(conformance_probability(low, high, 1.0, -INF, 10.0 + z))
        width = high - low
        middle = (low + high) / 2
        away = 10.0 + z - middle
        expected = stats.norm.cdf(away) - width**2 / 24 * away * stats.norm.pdf(away)
        assert found == pytest.approx(expected, abs=1e-10 if share < 2e-3 else 1e-9)


def test_a_bracket_far_out_is_certain_but_for_rounding():
    assert float(conformance_probability(10.0, 10.05, 1e-9, -INF, 10.2)) == 1.0
    assert float(conformance_probability(10.0, 10.05, 1e-9, -INF, 9.9)) == 0.0
    # Against a minimum, and between both.
    assert float(conformance_probability(10.0, 10.05, 1e-9, 9.9, INF)) == 1.0
    assert float(conformance_probability(10.0, 10.05, 1e-9, 9.9, 10.2)) == 1.0


positive = st.floats(0.001, 1.0)


@given(st.floats(1.0, 2.0), positive, positive, st.floats(-3.0, 6.0), st.booleans())
def test_a_bracket_is_as_likely_as_something_between_its_ends(low, width, u, limit, least):
    limits = (limit, INF) if least else (-INF, limit)
    of = [
        float(conformance_probability(a, b, u, *limits, signed=True))
        for a, b in ((low, low), (low, low + width), (low + width, low + width))
    ]
    assert min(of[0], of[2]) - 1e-12 <= of[1] <= max(of[0], of[2]) + 1e-12


@given(st.floats(0.0, 2.0), positive, st.floats(0.0, 1.0), positive, positive, st.floats(0.0, 3.0))
def test_a_larger_gap_is_never_more_likely_below_a_maximum(low, width, up, wider, u, limit):
    before = float(conformance_probability(low, low + width, u, -INF, limit))
    after = float(conformance_probability(low + up, low + width + up + wider, u, -INF, limit))
    assert after <= before + 1e-12


@given(st.floats(1.0, 2.0), st.floats(0.0, 1.0), positive, st.floats(0.0, 3.0), positive)
def test_below_within_and_above_make_one(low, width, u, limit, room):
    chances = [
        float(conformance_probability(low, low + width, u, *limits, signed=True))
        for limits in ((-INF, limit), (limit, limit + room), (limit + room, INF))
    ]
    assert sum(chances) == pytest.approx(1.0, abs=1e-12)


# The three rules, to the tick


def test_simple_acceptance_to_the_tick():
    def code(*args, **more):
        return judged(*args, SIMPLE, **more)[0]

    assert code(1000, 1000, NO_LOW, 1000) == WITHIN
    assert code(1001, 1001, NO_LOW, 1000) == OUT
    assert code(1000, 1000, NO_LOW, 1000, strict_high=True) == OUT
    assert code(999, 999, NO_LOW, 1000, strict_high=True) == WITHIN
    assert code(1000, 1000, 1000, NO_HIGH) == WITHIN
    assert code(999, 999, 1000, NO_HIGH) == OUT
    assert code(900, 1000, NO_LOW, 1000, strict_high=True) == WITHIN
    assert code(900, 1000, NO_LOW, 1000, strict_high=True, high_closed=True) == UNDECIDED
    assert code(900, 1000, NO_LOW, 1000, high_closed=True) == WITHIN
    assert code(900, 1001, NO_LOW, 1000) == UNDECIDED
    assert code(1000, 1100, NO_LOW, 1000) == UNDECIDED
    assert code(1000, 1100, NO_LOW, 1000, low_closed=False) == OUT
    assert code(1000, 1100, NO_LOW, 1000, strict_high=True) == OUT
    assert code(900, 1000, 1000, NO_HIGH) == OUT
    assert code(900, 1000, 1000, NO_HIGH, high_closed=True) == UNDECIDED
    assert code(900, 999, 1000, NO_HIGH, high_closed=True) == OUT
    assert code(900, 1001, 900, 1000) == UNDECIDED
    assert code(899, 1000, 900, 1000) == UNDECIDED
    assert code(900, 1000, 900, 1000) == WITHIN
    assert code(1000, NO_HIGH, NO_LOW, 1000) == UNDECIDED
    assert code(1001, NO_HIGH, NO_LOW, 1000) == OUT
    assert code(1000, NO_HIGH, 1000, NO_HIGH) == WITHIN
    assert code(999, NO_HIGH, 1000, NO_HIGH) == UNDECIDED
    assert code(950, NO_HIGH, 900, 1000) == UNDECIDED


def test_guarded_acceptance_to_the_tick():
    # ISO 14253-1: proving within and proving out both cost the guard (from memory).
    def code(*args, **more):
        return judged(*args, GUARDED, u=50.0, **more)[0]

    assert code(900, 900, NO_LOW, 1000) == WITHIN
    assert code(901, 901, NO_LOW, 1000) == UNDECIDED
    assert code(1100, 1100, NO_LOW, 1000) == UNDECIDED
    assert code(1101, 1101, NO_LOW, 1000) == OUT
    assert code(1100, 1100, NO_LOW, 1000, strict_high=True) == OUT
    assert code(900, 900, NO_LOW, 1000, strict_high=True) == UNDECIDED
    assert code(1100, 1100, 1000, NO_HIGH) == WITHIN
    assert code(1099, 1099, 1000, NO_HIGH) == UNDECIDED
    assert code(900, 900, 1000, NO_HIGH) == UNDECIDED
    assert code(899, 899, 1000, NO_HIGH) == OUT
    assert code(800, 900, NO_LOW, 1000) == WITHIN
    assert code(800, 901, NO_LOW, 1000) == UNDECIDED
    assert code(1101, NO_HIGH, NO_LOW, 1000) == OUT
    assert code(1100, NO_HIGH, NO_LOW, 1000) == UNDECIDED
    assert code(1100, NO_HIGH, 1000, NO_HIGH) == WITHIN
    assert code(1099, NO_HIGH, 1000, NO_HIGH) == UNDECIDED
    assert code(1100, 1150, 1000, 1250) == WITHIN
    assert code(1100, 1151, 1000, 1250) == UNDECIDED
    assert code(1099, 1150, 1000, 1250) == UNDECIDED


def test_the_guard_is_rounded_to_a_whole_tick():
    rule = DecisionRule(RuleKind.GUARDED, guard_z=D("1.645"))
    u = 0.002 * TICKS[MM]
    assert int(guard_ticks(rule, np.asarray(u))) == 32_900_000
    assert int(guard_ticks(rule, np.asarray(NAN))) == 0
    assert int(guard_ticks(SIMPLE, np.asarray(u))) == 0
    assert int(guard_ticks(LIKELY, np.asarray(u))) == 0
    assert int(guard_ticks(rule, np.asarray(1e30))) == 2**61
    limit = ticks(D("0.15"), MM)
    at = ticks(D("0.14671"), MM)
    assert judged(at, at, NO_LOW, limit, rule, u)[0] == WITHIN
    assert judged(at + 1, at + 1, NO_LOW, limit, rule, u)[0] == UNDECIDED


def test_a_guard_of_any_size_leaves_no_room_but_breaks_nothing():
    for figure in (0, 2**61 - 1, -(2**61) + 1):
        assert judged(figure, figure, NO_LOW, 0, GUARDED, u=1e300)[0] == UNDECIDED
        assert judged(figure, figure, 0, NO_HIGH, GUARDED, u=1e300)[0] == UNDECIDED
    assert judged(0, NO_HIGH, -(2**61) + 1, NO_HIGH, GUARDED, u=1.0)[0] == WITHIN


def test_the_probability_rule_at_both_thresholds():
    rule = DecisionRule(RuleKind.PROBABILITY, p_accept=D("0.75"), p_reject=D("0.25"))

    def code(low, high, limit):
        return judged(low, high, NO_LOW, limit, rule, u=0.0)[0]

    assert code(0, 1000, 750) == WITHIN
    assert code(0, 1000, 749) == UNDECIDED
    assert code(0, 1000, 251) == UNDECIDED
    assert code(0, 1000, 250) == OUT
    # By the distribution of a figure: 1.645 u short of the limit is 95 %, beyond it 5 %.
    assert judged(8355, 8355, NO_LOW, 10000, LIKELY, u=1000.0)[0] == WITHIN
    assert judged(8356, 8356, NO_LOW, 10000, LIKELY, u=1000.0)[0] == UNDECIDED
    assert judged(11644, 11644, NO_LOW, 10000, LIKELY, u=1000.0)[0] == UNDECIDED
    assert judged(11645, 11645, NO_LOW, 10000, LIKELY, u=1000.0)[0] == OUT


def test_a_reading_with_no_upper_end_is_judged_by_its_lower_one():
    def of(low, limit_low, limit_high, rule=LIKELY, u=1000.0):
        return judged(low, NO_HIGH, limit_low, limit_high, rule, u)

    code, bound = of(12000, NO_LOW, 10000)
    assert (code, round(bound, 6)) == (OUT, 0.022750)
    code, bound = of(12000, 5000, 10000)
    assert (code, round(bound, 6)) == (OUT, 0.022750)
    code, unknown = of(11000, NO_LOW, 10000)
    assert code == UNDECIDED
    assert math.isnan(unknown)
    code, bound = of(12000, 10000, NO_HIGH)
    assert (code, round(bound, 6)) == (WITHIN, 0.977250)
    assert of(11000, 10000, NO_HIGH)[0] == UNDECIDED
    # However short the lower end: against a maximum that proves nothing, nor against a minimum.
    assert of(1000, NO_LOW, 10000)[0] == UNDECIDED
    assert of(1000, 10000, NO_HIGH)[0] == UNDECIDED
    # A threshold belongs to the verdict it brings.
    sharp = DecisionRule(RuleKind.PROBABILITY, p_accept=D(1), p_reject=D(0))
    assert of(12000, NO_LOW, 10000, sharp, 0.0)[0] == OUT
    assert of(12000, 10000, NO_HIGH, sharp, 0.0)[0] == WITHIN
    assert of(10000, NO_LOW, 10000, sharp, 0.0)[0] == UNDECIDED
    # Simple acceptance gives the bound as well, where it decides.
    code, bound = of(11000, NO_LOW, 10000, SIMPLE)
    assert (code, round(bound, 6)) == (OUT, 0.158655)
    assert math.isnan(of(9000, NO_LOW, 10000, SIMPLE)[1])
    assert math.isnan(of(11000, NO_LOW, 10000, SIMPLE, NAN)[1])


@pytest.mark.parametrize("rule", [GUARDED, LIKELY])
def test_a_rule_that_needs_the_uncertainty_decides_nothing_without(rule):
    assert judged(0, 10, NO_LOW, 1000, rule)[0] == UNDECIDED
    assert judged(2000, 2010, NO_LOW, 1000, rule)[0] == UNDECIDED
    assert judged(0, 10, NO_LOW, 1000, SIMPLE)[0] == WITHIN
    assert judged(0, 10, NO_LOW, 1000, SIMPLE)[1] == 1.0
    assert math.isnan(judged(10, 10, NO_LOW, 1000, SIMPLE)[1])
    assert judged(0, 10, NO_LOW, 1000, rule, u=0.0) == (WITHIN, 1.0)


def test_signed_lengths_are_not_cut_off():
    cut = judged(0, 1000, NO_LOW, 500, SIMPLE, u=500.0)[1]
    free = judged(0, 1000, NO_LOW, 500, SIMPLE, u=500.0, signed=True)[1]
    assert free == pytest.approx(0.5)
    assert cut < 0.4


def test_a_strict_limit_reaches_the_probability():
    assert judged(10, 10, NO_LOW, 10, LIKELY, u=0.0, strict_high=True) == (OUT, 0.0)
    assert judged(10, 10, NO_LOW, 10, LIKELY, u=0.0) == (WITHIN, 1.0)
    assert judged(10, NO_HIGH, NO_LOW, 10, LIKELY, u=0.0, strict_high=True) == (OUT, 0.0)


def test_many_at_once_in_one_shape():
    result = judge_many(
        low=[1, 5, 9], high=[2, 6, NO_HIGH], low_closed=True, high_closed=[False, True, False],
        u=[NAN, 1.0, 0.5], limit_low=NO_LOW, limit_high=5, rule=SIMPLE, strict_high=False,
    )  # fmt: skip
    assert result.codes.dtype == np.int8
    assert result.probability.dtype == np.float64
    assert result.codes.tolist() == [WITHIN, UNDECIDED, OUT]
    assert result.probability[0] == 1.0


@pytest.mark.parametrize(
    ("limits", "u", "code"),
    [
        ((NO_LOW, NO_HIGH), 1.0, "limit_missing"),
        (([0, NO_LOW], [NO_HIGH, NO_HIGH]), 1.0, "limit_missing"),
        ((0, 10), -1.0, "uncertainty"),
        ((0, 10), INF, "uncertainty"),
        ((0, 10), [1.0, -1e-9], "uncertainty"),
    ],
)
def test_what_cannot_be_judged_is_refused(limits, u, code):
    with pytest.raises(Fault) as refused:
        judge_many(
            low=1, high=2, low_closed=True, high_closed=False, u=u,
            limit_low=limits[0], limit_high=limits[1], rule=SIMPLE,
        )  # fmt: skip
    assert refused.value.code == code
    hint = {"limit_missing": "Enter one on the sheet.", "uncertainty": "and not negative."}
    assert refused.value.detail.endswith(hint[code])


whole = st.integers(0, 3000)


@given(
    st.sampled_from(RULES), whole, whole, whole, whole, st.integers(0, 1500),
    st.booleans(), st.booleans(), st.booleans(),
)  # fmt: skip
def test_the_verdict_is_monotone_in_the_reading(
    rule, limit, low, width, more, u, strict, least, high_closed
):
    limits = (limit, NO_HIGH) if least else (NO_LOW, limit)
    codes = [
        judged(
            start, start + width, *limits, rule, float(u),
            high_closed=high_closed or width == 0, strict_high=strict and not least,
        )[0]
        for start in (low, low + more)
    ]  # fmt: skip
    assert codes == sorted(codes, reverse=least)
