"""How many pieces may be wanted: families, how one is chosen, forecasts, pumps of their own."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from parts.rules.demand_distributions import (
    NOTHING,
    Distribution,
    Family,
    Pattern,
    Sizes,
    fitted,
    given,
    loss,
    negative_binomial,
    poisson,
    sizes_of,
)
from parts.rules.wear_out import mixed, over_common_usage, wear_out, with_random_failures

# --- Families -----------------------------------------------------------------------------------


@pytest.mark.parametrize("mean", [0.01, 0.3, 1.726, 10, 150, 4000])
def test_poisson_is_that_of_scipy(mean: float) -> None:
    found = poisson(mean)
    pieces = np.arange(len(found.pmf))
    np.testing.assert_allclose(found.pmf, stats.poisson.pmf(pieces, mean), rtol=1e-9, atol=2e-12)
    assert math.fsum(found.pmf) == pytest.approx(1, abs=1e-12)
    assert found.mean == pytest.approx(mean, rel=1e-8)
    assert found.variance == pytest.approx(mean, rel=1e-7)


def test_lead_time_demand_of_a_textbook_table() -> None:
    # Hopp and Spearman, Factory Physics, chapter 2, table for mean 1.726 (from memory).
    p = poisson(1.726).pmf[:8]
    printed = [0.178, 0.307, 0.265, 0.153, 0.066, 0.023, 0.007, 0.002]
    np.testing.assert_allclose(p, printed, atol=6e-4)
    # The same to six digits, computed by scipy.stats.poisson elsewhere.
    known = [0.177995, 0.307219, 0.265130, 0.152538, 0.065820, 0.022721, 0.006536, 0.001612]
    np.testing.assert_allclose(p, known, atol=1e-6)


def test_chance_of_no_more_than_fourteen_at_mean_ten() -> None:
    # Factory Physics, chapter 2: 0.917 (from memory).
    assert float(poisson(10).at_most(14)) == pytest.approx(0.917, abs=6e-4)
    assert float(poisson(10).at_most(14)) == pytest.approx(0.916542, abs=1e-6)


def test_negative_binomial_is_poisson_of_a_gamma_mean() -> None:
    """Own figures, with the integral over the gamma mean as second method."""
    mean, ratio = 3.0, 1.8
    found = negative_binomial(mean, ratio)
    known = [0.110339, 0.183898, 0.194115, 0.165357, 0.124018, 0.085434]
    np.testing.assert_allclose(found.pmf[:6], known, atol=1e-6)
    rate = stats.gamma(mean / (ratio - 1), scale=ratio - 1)
    for n in range(6):
        chance, _ = integrate.quad(lambda x, n=n: rate.pdf(x) * stats.poisson.pmf(n, x), 0, 60)
        assert found.pmf[n] == pytest.approx(chance, abs=1e-7)
    assert (found.quantile(0.95), poisson(mean).quantile(0.95)) == (7, 6)
    assert found.variance_to_mean == pytest.approx(ratio, rel=1e-7)


def test_nothing_is_wanted_where_the_mean_is_nought() -> None:
    for found in (poisson(0), negative_binomial(0, 2), Pattern(Family.NONE, 0, 1).over(30)):
        assert found.pmf.tolist() == [1.0]
    assert poisson(3).plus(NOTHING).mean == pytest.approx(3, rel=1e-8)
    assert NOTHING.variance_to_mean == 1


def test_at_most_and_quantile_at_the_ends() -> None:
    found = given([0.2, 0.3, 0.5])
    assert found.at_most(np.array([-5, -1, 0, 1, 2, 9])).tolist() == pytest.approx(
        [0, 0, 0.2, 0.5, 1, 1]
    )
    assert [found.quantile(p) for p in (0, 0.2, 0.21, 0.5, 0.51, 0.999)] == [0, 0, 1, 1, 2, 2]


def test_missed_pieces_are_the_expected_excess() -> None:
    found = negative_binomial(4, 2.5)
    pieces = np.arange(len(found.pmf))
    for stock in (0, 1, 5, 20):
        excess = float(np.maximum(pieces - stock, 0) @ found.pmf)
        assert loss(found)[stock] == pytest.approx(excess, abs=1e-10)


# --- Several at once ----------------------------------------------------------------------------


def by_panjer(pattern: Pattern, days: float, most: int) -> list[float]:
    """H. Panjer, Recursive evaluation of a family of compound distributions, 1981."""
    mean, ratio = pattern.per_day * days, pattern.ratio
    if ratio <= 1:
        a, b, first = 0.0, mean, math.exp(-mean)
    else:
        p = 1 / ratio
        n = mean / (ratio - 1)
        a, b, first = 1 - p, (n - 1) * (1 - p), p**n
    chance = dict(zip(pattern.sizes.sizes, pattern.sizes.chances, strict=True))
    found = [first]
    for k in range(1, most + 1):
        found.append(
            sum((a + b * j / k) * chance.get(j, 0) * found[k - j] for j in range(1, k + 1))
        )
    return found


@pytest.mark.parametrize("ratio", [1.0, 1.7])
@pytest.mark.parametrize("sizes", [Sizes((2,), (1.0,)), Sizes((1, 2, 6), (0.5, 0.3, 0.2))])
def test_several_pieces_at_once_agree_with_the_recursion(ratio: float, sizes: Sizes) -> None:
    pattern = Pattern(Family.POISSON, 0.11, ratio, sizes)
    found = pattern.over(30)
    np.testing.assert_allclose(found.pmf[:25], by_panjer(pattern, 30, 24), atol=1e-11)
    mean = 3.3 * sizes.mean
    variance = 3.3 * (sizes.mean_square - sizes.mean**2) + ratio * 3.3 * sizes.mean**2
    assert (found.mean, found.variance) == pytest.approx((mean, variance), rel=1e-6)


def test_sizes_count_what_occurred() -> None:
    assert sizes_of([2, 2, 4, 2]) == Sizes((2, 4), (0.75, 0.25))
    assert sizes_of([]) == Sizes((1,), (1.0,))


# --- Choosing the family ------------------------------------------------------------------------


def test_bunched_demand_over_enough_periods_is_negative_binomial() -> None:
    counts = [0, 6, 0, 0, 5, 0, 0, 7, 0, 1]
    found = fitted(counts, 30, [1] * sum(counts))
    assert found.family is Family.NEGATIVE_BINOMIAL
    assert found.per_day == pytest.approx(1.9 / 30)
    # The variance with n - 1 over the mean, and scipy's test of the same dispersion.
    assert found.ratio == pytest.approx(np.var(counts, ddof=1) / np.mean(counts))
    assert found.p_value == pytest.approx(stats.chisquare(counts).pvalue, abs=1e-12)
    assert found.over(60).mean == pytest.approx(3.8, rel=1e-6)
    assert found.over(60).variance_to_mean == pytest.approx(found.ratio, rel=1e-6)


def test_the_same_bunches_over_too_few_periods_stay_poisson() -> None:
    found = fitted([0, 6, 0, 0, 5, 0, 7], 30)
    assert (found.family, found.ratio, found.p_value) == (Family.POISSON, 1.0, None)
    assert found.observed_ratio > 3


def test_what_chance_explains_stays_poisson() -> None:
    found = fitted([1, 0, 3, 1, 2, 0, 1, 4, 1, 1], 30)
    assert found.observed_ratio > 1.05
    assert found.p_value is not None
    assert found.p_value > 0.05
    assert found.family is Family.POISSON


def test_more_regular_than_chance_stays_poisson() -> None:
    assert fitted([2] * 24, 30).family is Family.POISSON


def test_no_demand_and_no_periods() -> None:
    assert fitted([0] * 12, 30).family is Family.NONE
    assert fitted([], 30).family is Family.NONE
    assert fitted([3], 30).per_day == pytest.approx(0.1)


def test_the_test_rejects_poisson_demand_as_seldom_as_it_says() -> None:
    """Own: of 4,000 Poisson records some 5 % are taken for bunched, which the significance is."""
    draws = np.random.default_rng(20).poisson(3.0, (4000, 24))
    taken = sum(fitted(row.tolist(), 30).family is Family.NEGATIVE_BINOMIAL for row in draws)
    assert 0.035 < taken / 4000 < 0.065


# --- A forecast over another time ---------------------------------------------------------------


def test_a_shorter_time_thins_a_forecast() -> None:
    """Poisson thinned is Poisson; jobs of their own chances keep them by the share."""
    np.testing.assert_allclose(poisson(6).over(1 / 3).pmf[:12], poisson(2).pmf[:12], atol=1e-10)
    chances = [0.9, 0.5, 0.3]
    np.testing.assert_allclose(
        wear_out(chances).over(0.25).pmf, wear_out([c / 4 for c in chances]).pmf, atol=1e-12
    )


def test_a_longer_time_is_windows_in_a_row() -> None:
    window = given([0.2, 0.3, 0.5])
    twice = window.over(2)
    np.testing.assert_allclose(twice.pmf, [0.04, 0.12, 0.29, 0.3, 0.25], atol=1e-12)
    assert window.over(2.5).mean == pytest.approx(2.5 * 1.3)
    assert window.over(0).pmf.tolist() == [1.0]
    assert window.over(1) is not None
    np.testing.assert_allclose(window.over(1).pmf, window.pmf, atol=1e-12)


# --- Pumps with chances of their own ------------------------------------------------------------


def test_three_pumps_by_hand() -> None:
    # By hand: 0.9·0.8·0.7 = 0.504 and so on.
    found = wear_out([0.1, 0.2, 0.3])
    np.testing.assert_allclose(found.pmf, [0.504, 0.398, 0.092, 0.006], atol=1e-12)


def test_many_pumps_agree_with_scipy_and_are_less_spread_than_poisson() -> None:
    # Own: scipy.stats.poisson_binom as the second method.
    chances = np.random.default_rng(7).uniform(0, 0.14, 2000)
    found = wear_out(chances)
    pieces = np.arange(len(found.pmf))
    np.testing.assert_allclose(found.pmf, stats.poisson_binom(chances).pmf(pieces), atol=1e-12)
    assert found.mean == pytest.approx(chances.sum(), rel=1e-9)
    assert found.variance == pytest.approx((chances * (1 - chances)).sum(), rel=1e-7)
    assert found.quantile(0.95) < poisson(float(chances.sum())).quantile(0.95)


def test_pumps_that_take_several_kits() -> None:
    # By hand: none 0.5·0.75, two only 0.5·0.25, three only 0.5·0.75, both 0.5·0.25.
    found = wear_out([0.25, 0.5], [2, 3])
    np.testing.assert_allclose(found.pmf, [0.375, 0, 0.125, 0.375, 0, 0.125], atol=1e-12)


def test_certain_and_impossible_jobs() -> None:
    np.testing.assert_allclose(wear_out([1, 1, 0.5, 0]).pmf, [0, 0, 0.5, 0.5], atol=1e-12)
    assert wear_out([]).pmf.tolist() == [1.0]
    with pytest.raises(ValueError, match="chance"):
        wear_out([1.2])


MEANS_H = np.array([400, 700, 900, 1000, 1200, 1300, 1500, 1800, 2200, 2500, 3000, 4000.0])
SDS_H = np.array([120, 200, 150, 300, 300, 250, 400, 500, 600, 500, 800, 900.0])


def crossed(hours_a_day: float) -> np.ndarray:
    """The chance that each of twelve pumps reaches its limit in 90 days; normal, cut at nought."""
    below = stats.norm.cdf(0, MEANS_H, SDS_H)
    return (stats.norm.cdf(hours_a_day * 90, MEANS_H, SDS_H) - below) / (1 - below)


def test_ninety_days_of_twelve_pumps_on_one_usage() -> None:
    """Own figures; drawing the usage and the pumps is the second method, in the next test."""
    found = over_common_usage(crossed, 14, 2)
    assert found.mean == pytest.approx(5.248055, abs=1e-5)
    assert math.sqrt(found.variance) == pytest.approx(1.412580, abs=1e-5)
    assert found.quantile(0.95) == 7
    assert float(found.at_most(7)) == pytest.approx(0.951905, abs=1e-5)
    # Each pump on its own usage would vary less, Poisson would overstock.
    own = mixed([1.0], [wear_out(_each_its_own())])
    assert math.sqrt(own.variance) == pytest.approx(1.083159, abs=1e-4)
    assert poisson(found.mean).quantile(0.95) == 9


def _each_its_own() -> np.ndarray:
    places, weights = np.polynomial.hermite_e.hermegauss(40)
    weights = weights / weights.sum()
    return np.sum([w * crossed(14 + 2 * x) for x, w in zip(places, weights, strict=True)], axis=0)


def test_ninety_days_of_twelve_pumps_by_simulation() -> None:
    dice = np.random.default_rng(11)
    usage = np.maximum(dice.normal(14, 2, 200_000), 0)
    hours = usage[:, None] * 90
    below = stats.norm.cdf(0, MEANS_H, SDS_H)
    p = (stats.norm.cdf(hours, MEANS_H, SDS_H) - below) / (1 - below)
    jobs = (dice.random(p.shape) < p).sum(axis=1)
    found = over_common_usage(crossed, 14, 2)
    # Five standard errors of 200,000 draws.
    assert jobs.mean() == pytest.approx(found.mean, abs=5 * 1.42 / math.sqrt(200_000))
    assert jobs.std() == pytest.approx(math.sqrt(found.variance), abs=0.012)
    assert (jobs <= 7).mean() == pytest.approx(float(found.at_most(7)), abs=0.0025)


def test_random_failures_come_on_top() -> None:
    worn = wear_out([0.3, 0.6])
    found = with_random_failures(worn, 0.4)
    assert found.mean == pytest.approx(1.3, rel=1e-8)
    assert found.pmf[0] == pytest.approx(0.28 * math.exp(-0.4))
    assert isinstance(found, Distribution)
