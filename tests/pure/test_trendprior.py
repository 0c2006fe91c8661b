"""What earlier readings lead one to expect: the line, its prediction, and the cut normal."""

import math
from decimal import Decimal as D

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import norm, truncnorm

from fleet.units import LengthUnit
from inspections.rules.trendprior import EarlierReading, NormalPrior, line_through, trend_prior

MM, THOU = LengthUnit.MM, LengthUnit.THOU

# NIST StRD, linear regression, "Norris": y, x; certified figures below.
NORRIS = [
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5),
    (668.5, 666.3), (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4),
    (0.1, 0.6), (778.1, 775.5), (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6),
    (557.7, 556.0), (228.3, 228.1), (998.0, 995.8), (888.8, 887.6), (119.6, 120.2), (0.3, 0.3),
    (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2), (998.5, 999.0), (778.9, 779.0),
    (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9), (0.2, 0.5),
]  # fmt: skip


def test_the_line_of_norris():
    line = line_through([(x, y) for y, x in NORRIS])
    assert line is not None
    assert line.slope == pytest.approx(1.00211681802045, abs=1e-9)
    assert line.intercept == pytest.approx(-0.262323073774029, abs=1e-9)
    assert line.scatter == pytest.approx(0.884796396144373, abs=1e-9)
    assert line.count == 36


def read(hours, low, high=None):
    return EarlierReading(hours, D(low), D(high or low))


def test_three_readings_are_needed_at_different_hours():
    two = [read(0, "0.10"), read(1000, "0.12")]
    assert trend_prior(two, 2000, MM) is None
    assert trend_prior([*two, read(2000, "0.14")], 3000, MM) is not None
    same = [read(1000, "0.10"), read(1000, "0.12"), read(1000, "0.14")]
    assert trend_prior(same, 2000, MM) is None


def test_the_prediction_of_a_line():
    # By hand: t 0, 1, 2; y 1, 3, 4: slope 1.5, level 8/3, residuals -1/6, 1/3, -1/6, s^2 = 1/6.
    # At t = 3: 8/3 + 1.5 * 2 = 17/3; variance 1/6 * (1 + 1/3 + 4/2) = 5/9.
    found = trend_prior([read(0, "1"), read(1, "3"), read(2, "4")], 3, MM)
    assert found is not None
    assert found.prior.mean == pytest.approx(17 / 3, abs=1e-12)
    assert found.prior.sd == pytest.approx(math.sqrt(5) / 3, abs=1e-12)


def test_a_line_no_better_than_its_readings():
    # Brackets 0.05 wide on a straight line: w^2 / 12 (JCGM 100:2008, 4.3.7) takes the place of
    # the scatter, which is nothing. 1 + 1/3 + 2000^2 / 2 000 000 = 10/3.
    brackets = [read(n * 1000, f"0.{10 + n:02d}", f"0.{15 + n:02d}") for n in range(3)]
    found = trend_prior(brackets, 3000, MM)
    assert found is not None
    assert found.prior.mean == pytest.approx(0.155, abs=1e-12)
    assert found.prior.sd == pytest.approx(0.05 / math.sqrt(12) * math.sqrt(10 / 3), abs=1e-12)
    assert found.sentence == (
        "3 earlier readings of this pump at this position lead to about 0.155 mm, give or take "
        "0.026 mm."
    )


def test_what_one_reading_is_known_to():
    # JCGM 100:2008, 4.3.7: a bracket of width w has u = w / sqrt 12; 0.20/0.25 mm: 0.0144338 mm.
    assert math.sqrt(read(0, "0.20", "0.25").variance) == pytest.approx(0.0144338, abs=1e-7)
    # A value stands for its last printed digit.
    assert math.sqrt(read(0, "0.20").variance) == pytest.approx(0.01 / math.sqrt(12), abs=1e-12)
    with_u = EarlierReading(0, D("0.20"), D("0.25"), u=0.01)
    assert with_u.variance == pytest.approx(0.0025 / 12 + 0.0001, abs=1e-12)
    assert with_u.middle == pytest.approx(0.225)


def test_wear_does_not_heal():
    # Falling figures count as level: mean 0.12, scatter about it 0.02, sqrt(1 + 1/3) of it.
    falling = [read(0, "0.14"), read(1000, "0.12"), read(2000, "0.10")]
    found = trend_prior(falling, 9000, MM)
    assert found is not None
    assert found.prior.mean == pytest.approx(0.12, abs=1e-12)
    assert found.prior.sd == pytest.approx(0.02 * math.sqrt(4 / 3), abs=1e-12)
    level = trend_prior([read(n, "0.12") for n in range(4)], 9000, MM)
    assert level is not None
    assert level.prior.mean == pytest.approx(0.12, abs=1e-12)
    assert level.prior.sd == pytest.approx(0.01 / math.sqrt(12) * math.sqrt(5 / 4), abs=1e-12)


def test_the_sentence_is_as_fine_as_its_unit():
    found = trend_prior([read(n * 500, str(4 + n)) for n in range(3)], 1500, THOU)
    assert found is not None
    assert "about 7.0 thou" in found.sentence
    for unit, words in ((MM, "7.000 mm"), (LengthUnit.UM, "7 µm"), (LengthUnit.INCH, "7.0000 in")):
        found = trend_prior([read(n * 500, str(4 + n)) for n in range(3)], 1500, unit)
        assert found is not None
        assert f"about {words}, give" in found.sentence


# --- The cut normal ------------------------------------------------------------------------------


def test_shares_of_a_cut_normal():
    # Against the distribution function itself, N(0.36, 0.05) cut to 0.20 to 0.60.
    prior = NormalPrior(0.36, 0.05)
    cut = truncnorm((0.20 - 0.36) / 0.05, (0.60 - 0.36) / 0.05, 0.36, 0.05)
    for at in (0.20, 0.30, 0.36, 0.41, 0.60):
        assert prior.share_below(at, 0.20, 0.60) == pytest.approx(cut.cdf(at), abs=1e-12)
    assert prior.median(0.20, 0.60) == pytest.approx(cut.median(), abs=1e-9)
    # Without an upper end.
    assert prior.share_below(0.36, -math.inf, math.inf) == pytest.approx(0.5, abs=1e-12)
    above = prior.share_below(0.41, 0.36, math.inf)
    assert above == pytest.approx(2 * (norm.cdf(1) - 0.5), abs=1e-12)
    assert prior.median(0.0, math.inf) == pytest.approx(0.36, abs=1e-6)


@pytest.mark.parametrize("mirror", [1, -1])
def test_far_in_a_tail_the_shares_keep_their_digits(mirror):
    # 40 standard deviations out the density falls by exp(-40.5 d) over a small d:
    # share of the first of two equal steps of 0.01 sd, computed from the density's own ratio.
    prior = NormalPrior(0.0, 1.0)
    ends = sorted(mirror * x for x in (40.0, 40.01, 40.02))
    near = prior.share_below(ends[1], ends[0], ends[2])

    # Mills' ratio to three terms: Q(x) = phi(x) / x (1 - 1/x^2 + 3/x^4).
    def q(x):
        return math.exp(-(x * x - 1600) / 2) / x * (1 - x**-2 + 3 * x**-4)

    first = (q(40.0) - q(40.01)) / (q(40.0) - q(40.02))
    assert near == pytest.approx(first if mirror == 1 else 1 - first, abs=1e-6)


@given(
    st.floats(-1, 1), st.floats(0.01, 1),
    st.lists(st.integers(0, 100), min_size=3, max_size=3, unique=True),
)  # fmt: skip
def test_shares_rise_from_none_to_all(mean, sd, ends):
    low, at, high = (x / 100 for x in sorted(ends))
    prior = NormalPrior(mean, sd)
    assume(high - low > 1e-6)
    assert prior.share_below(low, low, high) == 0
    assert prior.share_below(high, low, high) == pytest.approx(1, abs=1e-12)
    share = prior.share_below(at, low, high)
    assert 0 <= share <= 1
    middle = prior.median(low, high)
    assert low <= middle <= high
    assert (share >= 0.5) == (at >= middle) or share == pytest.approx(0.5, abs=1e-9)
