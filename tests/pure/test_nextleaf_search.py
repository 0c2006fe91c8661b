"""The next leaf against exhaustive search over every leaf, every stack and every order."""

import math
from dataclasses import replace
from decimal import Decimal as D
from functools import cache
from itertools import pairwise

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from fleet.decisions import SIMPLE, DecisionRule, RuleKind
from fleet.limits import Limits
from fleet.units import LengthUnit
from inspections.rules.intervals import Interval
from inspections.rules.leafsearch import End, LeafTask, candidates
from inspections.rules.leaves import STANDARD_SETS
from inspections.rules.nextleaf import next_leaf, set_gaps
from inspections.rules.trendprior import NormalPrior
from inspections.rules.verdicts import Outcome, judge_interval

MM = LengthUnit.MM
GUARDED = DecisionRule(RuleKind.GUARDED)

# Computed here anew, in ticks of 1e-10 mm.
TICK = 10**10


def u_ticks(pieces, error, study):
    error, film = float(error), 0.002
    return math.sqrt(pieces * error**2 / 3 + (pieces - 1) * film**2 / 3 + study**2) * TICK


def outcome_of(state, problem):
    """Within, out or None, by the interval and the guard alone."""
    low, low_pieces, high, high_pieces = state
    limits, rule = problem.limits, problem.rule
    guard = 0
    if rule.kind is RuleKind.GUARDED:
        pieces = max(low_pieces, high_pieces)
        u = u_ticks(pieces, problem.permissible_error, problem.study_u or 0) if pieces else 0
        guard = round(float(rule.guard_z) * u)
    found = []
    if limits.high is not None:
        limit = int(limits.high * TICK)
        refused = low > limit + guard or (low == limit + guard and problem.strict_high)
        found.append("out" if refused else "within" if high <= limit - guard else None)
    if limits.low is not None:
        limit = int(limits.low * TICK)
        refused = high <= limit - guard
        found.append("out" if refused else "within" if low >= limit + guard else None)
    if "out" in found:
        return "out"
    return None if None in found else "within"


def exhaustive(problem, start):
    """Least (chance of no verdict, expected tries) over all ways of trying all leaves."""
    made = candidates(problem.leaves, stacks=problem.stacks)
    sizes = [(int(t * TICK), len(leaves)) for t, leaves in made.items()]

    def share(at, low, high):
        if problem.prior is None:
            return (at - low) / (high - low)
        below = norm(problem.prior.mean, problem.prior.sd).cdf
        return (below(at / TICK) - below(low / TICK)) / (below(high / TICK) - below(low / TICK))

    @cache
    def best(state):
        if outcome_of(state, problem) is not None:
            return 0.0, 0.0, True
        low, low_pieces, high, high_pieces = state
        found = []
        for at, pieces in sizes:
            if not low < at < high:
                continue
            p = share(at, low, high)
            lost, tries, decides = 0.0, 1.0, False
            for half, part in (
                ((at, pieces, high, high_pieces), 1 - p),
                ((low, low_pieces, at, pieces), p),
            ):
                half_lost, half_tries, half_decides = best(half)
                lost += part * half_lost
                tries += part * half_tries
                decides |= half_decides
            # Giving up is allowed once nothing can decide any more.
            if decides:
                found.append((lost, tries, True))
        return min(found, key=lambda each: (round(each[0], 10), each[1]), default=(1.0, 0.0, False))

    return best(start)


hundredths = st.integers(1, 40).map(lambda x: D(x) / 100)


@st.composite
def problems(draw, most=7, stacks=False):
    leaves = tuple(draw(st.lists(hundredths, min_size=1 + stacks, max_size=most, unique=True)))
    one, other = sorted((draw(hundredths), draw(hundredths)))
    limits = draw(
        st.sampled_from([Limits(None, one, MM), Limits(one, None, MM), Limits(one, other, MM)])
    )
    prior = draw(
        st.one_of(
            st.none(),
            # Wide enough for plain differences of the distribution function to be exact here.
            st.builds(NormalPrior, st.floats(0.05, 0.4), st.floats(0.1, 0.3)),
        )
    )
    return LeafTask(
        leaves,
        MM,
        limits,
        strict_high=draw(st.booleans()),
        stacks=stacks,
        rule=draw(st.sampled_from([SIMPLE, GUARDED])),
        permissible_error=draw(st.sampled_from([D("0.003"), D("0.0113"), D("0.03")])),
        study_u=draw(st.sampled_from([None, 0.0071])),
        prior=prior,
    )


@st.composite
def brackets(draw):
    low, high = sorted(draw(st.lists(st.integers(0, 41), min_size=2, max_size=2, unique=True)))
    return (None if low == 0 else End(D(low) / 100), End(D(high) / 100))


def check_against_every_order(problem, low, high):
    advice = next_leaf(problem, low, high)
    start = (
        0 if low is None else int(low.at * TICK),
        0 if low is None else low.pieces,
        int(high.at * TICK),
        high.pieces,
    )
    lost, tries, decides = exhaustive(problem, start)
    decided = outcome_of(start, problem)
    assert (advice.kind == "decided") == (decided is not None)
    assert advice.outcome.value == (decided or "undecided")
    if decided:
        return
    assert advice.p_undecided == pytest.approx(lost, abs=1e-8)
    assert advice.expected_tries == pytest.approx(tries, abs=1e-8)
    assert (advice.kind == "cannot_decide") == (not decides)
    if problem.prior is None:
        if advice.kind == "cannot_decide":
            assert advice.gap_low is not None
        if lost == 0:
            assert advice.gap_low is None


@settings(max_examples=400, deadline=None)
@given(problems(), brackets())
def test_as_good_as_exhaustive_search(problem, bracket):
    check_against_every_order(problem, *bracket)


@settings(max_examples=150, deadline=None)
@given(problems(most=4, stacks=True), brackets())
def test_as_good_as_exhaustive_search_with_stacks(problem, bracket):
    check_against_every_order(problem, *bracket)


@settings(max_examples=60, deadline=None)
@given(problems(most=5), brackets(), st.sampled_from([D("0.8"), D("0.95"), D("0.99")]))
def test_a_probability_decides_at_least_what_its_guard_guarantees(problem, bracket, p):
    """JCGM 106, 7: what lies z(p) u clear of the limit meets it with p, whatever the bracket."""
    rule = DecisionRule(RuleKind.PROBABILITY, p_accept=p, p_reject=1 - p)
    z = D(norm.ppf(float(1 + p) / 2))
    guarded = DecisionRule(RuleKind.GUARDED, guard_z=z)
    by = {
        kind: next_leaf(replace(problem, rule=each), *bracket)
        for kind, each in (("probability", rule), ("guard", guarded))
    }
    if by["guard"].kind == "decided":
        assert by["probability"].outcome is by["guard"].outcome
    else:
        assert by["probability"].p_undecided <= by["guard"].p_undecided + 1e-9


@settings(max_examples=200, deadline=None)
@given(st.booleans().flatmap(lambda stacks: problems(most=6, stacks=stacks)), st.integers(0, 4500))
def test_at_most_two_tries_for_each_limit(problem, hidden):
    gap = D(hidden) / 10_000
    low = high = None
    tries = 0
    while True:
        advice = next_leaf(problem, low, high)
        if advice.kind != "try":
            break
        tries += 1
        assert advice.thickness == sum(advice.leaves)
        assert len(set(advice.leaves)) == len(advice.leaves) <= 2
        assert set(advice.leaves) <= set(problem.leaves)
        tried = End(advice.thickness, len(advice.leaves))
        low, high = (tried, high) if advice.thickness <= gap else (low, tried)
    limits = problem.limits
    one_limit = limits.low is None or limits.high is None
    assert tries <= (2 if one_limit else 4)
    truth = judge_interval(
        Interval(gap, gap, True, True), MM, limits, strict_high=problem.strict_high
    )
    if advice.kind == "decided":
        assert advice.outcome is truth
    else:
        assert advice.kind == "cannot_decide"
        assert any(
            hole.low <= gap and (hole.high is None or gap < hole.high) for hole in set_gaps(problem)
        )


@given(st.sampled_from(sorted(STANDARD_SETS)), st.integers(1, 100), st.booleans())
def test_every_gap_outside_the_holes_is_decided(key, limit, strict):
    leaf_set = STANDARD_SETS[key]
    limits = Limits(None, D(limit) / 100, MM)
    holes = set_gaps(LeafTask(leaf_set.leaves, leaf_set.unit, limits, strict_high=strict))
    thicknesses = sorted(candidates(leaf_set.leaves, stacks=True))
    assume(len(thicknesses) > 1)
    for low, high in pairwise(thicknesses):
        outcome = judge_interval(Interval(low, high), leaf_set.unit, limits, strict_high=strict)
        in_hole = any(
            hole.low <= low and (hole.high is None or high <= hole.high) for hole in holes
        )
        assert (outcome is Outcome.UNDECIDED) == in_hole
