"""Instruments that are not capable, and the risks over a fleet."""

import math
from decimal import Decimal as D

import numpy as np
import pytest
from scipy import stats

from fleet.decisions import SIMPLE, DecisionRule, RuleKind
from fleet.faults import Fault
from fleet.units import LengthUnit
from inspections.rules.conformity import (
    NO_HIGH,
    NO_LOW,
    UNDECIDED,
    WITHIN,
    can_accept,
    conformance_probability,
    consumer_risk,
    guard_for_risk,
    producer_risk,
)
from tests.pure.verdict_samples import judged

MM, UM, INCH, THOU = LengthUnit.MM, LengthUnit.UM, LengthUnit.INCH, LengthUnit.THOU
GUARDED = DecisionRule(RuleKind.GUARDED, guard_z=D(2))
LIKELY = DecisionRule(RuleKind.PROBABILITY)
RULES = (SIMPLE, GUARDED, LIKELY)
NAN, INF = math.nan, math.inf


def test_half_width_of_1_90_u_never_reaches_95_percent():
    # Two-sided, half-width 1.90 u: at best 0.942567; 1.96 u: 0.95. Computed.
    best = float(conformance_probability(0.0, 0.0, 1.0, -1.90, 1.90))
    assert best == pytest.approx(0.942567, abs=5e-7)
    assert not can_accept(0, 3800, 1000.0, LIKELY)
    assert can_accept(0, 3920, 1000.0, LIKELY)
    assert not can_accept(0, 3919, 1000.0, LIKELY)
    assert can_accept(0, NO_HIGH, 1e9, LIKELY)
    assert can_accept(NO_LOW, 0, 1e9, LIKELY)
    assert can_accept(0, 3800, NAN, LIKELY)


def test_guards_that_meet_leave_one_figure_and_crossed_ones_none():
    assert can_accept(0, 200, 50.0, GUARDED)
    assert judged(100, 100, 0, 200, GUARDED, 50.0)[0] == WITHIN
    assert not can_accept(0, 199, 50.0, GUARDED)
    assert all(judged(y, y, 0, 199, GUARDED, 50.0)[0] != WITHIN for y in range(200))
    assert can_accept(0, 199, 50.0, SIMPLE)
    assert can_accept(-100, -100, 50.0, SIMPLE)


def test_within_half_width_3_u_only_the_middle_is_accepted():
    # Half-width 3 u: accepted for |y| below 1.355082 u. Computed.
    assert judged(13550, 13550, -30000, 30000, LIKELY, 10000.0, signed=True)[0] == WITHIN
    assert judged(13551, 13551, -30000, 30000, LIKELY, 10000.0, signed=True)[0] == UNDECIDED
    assert judged(-13550, -13550, -30000, 30000, LIKELY, 10000.0, signed=True)[0] == WITHIN
    assert judged(-13551, -13551, -30000, 30000, LIKELY, 10000.0, signed=True)[0] == UNDECIDED


# JCGM 106:2012, 9.5.4: radial error of bearings, prior gamma of shape 4 and scale 1/4 µm,
# measured with u 0.25 µm, at most 2 µm.
BEARINGS = stats.gamma(4, scale=0.25)


def test_bearings_accepted_and_rejected_wrongly():
    assert BEARINGS.sf(2.0) == pytest.approx(0.0423801, abs=5e-8)
    assert consumer_risk(BEARINGS, 0.25, -INF, 2.0) == pytest.approx(0.00801911, abs=2e-9)
    # A lowest limit that no bearing can miss, and limits where there is none, add nothing.
    assert consumer_risk(BEARINGS, 0.25, -9.0, 2.0) == pytest.approx(0.00801911, abs=2e-9)
    assert producer_risk(BEARINGS, 0.25, -9.0, -8.0) == 0.0
    # The producer's risk is computed: no figure for it is printed.
    assert producer_risk(BEARINGS, 0.25, -INF, 2.0) == pytest.approx(0.0174446, abs=1e-7)


def test_the_guard_that_keeps_the_consumers_risk_at_a_tenth_of_a_percent():
    guard = guard_for_risk(BEARINGS, 0.25, -INF, 2.0, 0.001)
    assert guard == pytest.approx(2.0 - 1.671829, abs=2e-6)
    assert consumer_risk(BEARINGS, 0.25, -INF, 2.0, guard) == pytest.approx(0.001, abs=1e-9)
    assert producer_risk(BEARINGS, 0.25, -INF, 2.0, guard) == pytest.approx(0.0754939, abs=1e-6)
    assert guard_for_risk(BEARINGS, 0.25, -INF, 2.0, 0.0081) == 0.0
    assert guard_for_risk(BEARINGS, 0.25, -INF, 2.0, 1e-9) > 4 * 0.25


def test_risks_agree_with_draws_and_with_their_mirror_image():
    prior = stats.norm(0.10, 0.02)
    random = np.random.default_rng(5)
    true = prior.rvs(400_000, random_state=random)
    read = true + random.normal(0.0, 0.01, true.size)
    inside = (true >= 0.05) & (true <= 0.13)
    accepted = (read >= 0.055) & (read <= 0.125)
    consumer = consumer_risk(prior, 0.01, 0.05, 0.13, 0.005)
    producer = producer_risk(prior, 0.01, 0.05, 0.13, 0.005)
    assert consumer == pytest.approx(np.mean(~inside & accepted), abs=6e-4)
    assert producer == pytest.approx(np.mean(inside & ~accepted), abs=1e-3)
    mirrored = stats.norm(-0.10, 0.02)
    assert consumer_risk(mirrored, 0.01, -0.13, -0.05, 0.005) == pytest.approx(consumer)
    assert producer_risk(mirrored, 0.01, -0.13, -0.05, 0.005) == pytest.approx(producer)
    alone = consumer_risk(prior, 0.01, -INF, 0.13) + consumer_risk(prior, 0.01, 0.05, INF)
    assert consumer_risk(prior, 0.01, 0.05, 0.13) == pytest.approx(alone, rel=1e-4)
    assert producer_risk(prior, 0.01, 0.05, INF) == pytest.approx(
        producer_risk(mirrored, 0.01, -INF, -0.05)
    )


def test_a_guard_past_the_middle_accepts_nothing():
    prior = stats.norm(0.10, 0.02)
    assert consumer_risk(prior, 0.001, 0.05, 0.13, 0.2) == 0.0
    assert producer_risk(prior, 0.001, 0.05, 0.13, 0.2) == pytest.approx(
        prior.cdf(0.13) - prior.cdf(0.05)
    )


@pytest.mark.parametrize("u", [0.0, -1.0, NAN, INF])
def test_a_risk_needs_an_uncertainty(u):
    for risk in (consumer_risk, producer_risk):
        with pytest.raises(Fault) as refused:
            risk(BEARINGS, u, -INF, 2.0)
        assert refused.value.code == "uncertainty"
