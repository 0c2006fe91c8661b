"""The next leaf, against exhaustive search over every leaf and every order."""

from decimal import Decimal as D
from fractions import Fraction
from functools import cache
from itertools import pairwise

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from fleet.limits import Limits
from fleet.units import LengthUnit
from inspections.intervals import Interval
from inspections.leaves import STANDARD_SETS
from inspections.nextleaf import candidates, next_leaf, set_gap, set_gaps
from inspections.verdicts import Outcome, judge_interval

MM, INCH = LengthUnit.MM, LengthUnit.INCH
METRIC_20 = STANDARD_SETS["metric_20"].leaves
STEPS = (*METRIC_20[:10], *(D(f"0.{n}0") for n in range(6, 10)), D("1.00"))


def advise(limit, *, leaves=STEPS, low="0", high="1", strict=False, stacks=False):
    return next_leaf(
        leaves=leaves,
        leaves_unit=MM,
        limits=Limits(None, D(limit), MM),
        bracket=Interval(D(low), None if high is None else D(high)),
        strict_high=strict,
        stacks=stacks,
    )


@pytest.mark.parametrize(
    # Computed: leaves 0.05 to 0.50 by 0.05 and 0.60 to 1.00 by 0.10, gap anywhere in 0 to 1 mm.
    ("limit", "strict", "leaf", "tries"),
    [
        ("0.28", False, "0.30", 1.30),
        ("0.30", True, "0.30", 1.00),
        ("0.33", False, "0.35", 1.35),
        ("0.52", False, "0.50", 1.50),
        ("0.95", False, "0.90", 1.00),
        # A leaf of exactly an allowed maximum decides only by refusing, so 0.35 asks more.
        ("0.30", False, "0.35", 1.35),
    ],
)
def test_check_values(limit, strict, leaf, tries):
    advice = advise(limit, strict=strict)
    assert advice.kind == "try"
    assert advice.leaves == (D(leaf),)
    assert advice.expected_tries == pytest.approx(tries, abs=1e-12)


def test_a_set_that_cannot_decide_says_so():
    # Leaves 0.30 and 0.40 against 0.33: computed.
    advice = advise("0.33", leaves=(D("0.30"), D("0.40")), low="0.30", high="0.40")
    assert advice.kind == "cannot_decide"
    assert (advice.gap_low, advice.gap_high) == (D("0.30"), D("0.40"))
    assert "between 0.30 mm and 0.40 mm" in advice.sentence
    assert advice.p_undecided == 1.0


def test_no_more_leaves_once_decided():
    assert advise("0.30", low="0.10", high="0.30").kind == "decided"
    assert advise("0.30", low="0.35", high="0.40").kind == "decided"


def test_a_minimum_and_a_leaf_of_its_size():
    advice = next_leaf(
        leaves=METRIC_20,
        leaves_unit=MM,
        limits=Limits(D("0.30"), None, MM),
        bracket=Interval(D(0), None),
        stacks=False,
    )
    assert advice.leaves == (D("0.30"),)
    assert advice.expected_tries == 1.0
    assert advice.p_undecided == 0.0
    assert advice.gap_low is None


def test_a_stack_fills_the_hole_where_no_leaf_does():
    # 0.10 + 0.06 against max 0.15: computed.
    fine = (*METRIC_20, D("0.06"))
    alone = advise("0.15", leaves=fine, low="0.15", high="0.20")
    assert alone.kind == "cannot_decide"
    stacked = advise("0.15", leaves=fine, low="0.15", high="0.20", stacks=True)
    assert stacked.leaves == (D("0.06"), D("0.10"))
    assert stacked.thickness == D("0.16")
    assert "laid together" in stacked.sentence


def test_single_leaves_go_before_stacks_of_the_same_thickness():
    assert candidates(METRIC_20, stacks=True)[D("0.15")] == (D("0.15"),)
    # Of two stacks, the one whose thinner leaf is thicker: thin leaves bend.
    made = candidates([D("0.05"), D("0.10"), D("0.15"), D("0.20")], stacks=True)
    assert made[D("0.25")] == (D("0.10"), D("0.15"))
    assert D("0.30") in made  # 0.10 and 0.20; never a leaf on itself
    assert candidates([D("0.05")], stacks=True) == {D("0.05"): (D("0.05"),)}


def test_the_hole_of_a_set_is_said_before_measuring():
    # 0.05 steps against 0.127 mm (0.005 in): every gap from 0.10 to 0.15 mm is open; computed.
    hole = set_gap(METRIC_20, MM, Limits(None, D("0.005"), INCH))
    assert hole is not None
    assert (hole.low, hole.high, hole.wide) == (D("0.10"), D("0.15"), True)
    assert "between 0.10 mm and 0.15 mm" in hole.sentence
    assert "0.005 in" in hole.sentence
    assert 0 < hole.p_undecided < 1
    # With a fine set and stacks the hole is narrow.
    fine = set_gap(STANDARD_SETS["metric_25"].leaves, MM, Limits(None, D("0.005"), INCH))
    assert fine is not None
    assert (fine.low, fine.high, fine.wide) == (D("0.12"), D("0.13"), False)
    # A leaf of the limit size that must not enter leaves no hole.
    assert set_gap(METRIC_20, MM, Limits(None, D("0.15"), MM), strict_high=True) is None
    assert set_gap(METRIC_20, MM, Limits(D("0.15"), None, MM)) is None


def test_a_set_that_ends_below_the_limit():
    thin = (D("0.05"), D("0.10"))
    hole = set_gap(thin, MM, Limits(None, D("0.50"), MM), stacks=False)
    assert hole is not None
    assert (hole.low, hole.high, hole.wide) == (D("0.10"), None, True)
    assert "0.10 mm or more" in hole.sentence
    thick = (D("0.80"), D("0.90"))
    hole = set_gap(thick, MM, Limits(None, D("0.50"), MM), stacks=False)
    assert hole is not None
    assert (hole.low, hole.high) == (D(0), D("0.80"))
    assert advise("0.50", leaves=thin, low="0.10", high=None).kind == "cannot_decide"


def test_a_range_has_a_hole_at_each_end():
    holes = set_gaps(METRIC_20, MM, Limits(D("0.12"), D("0.33"), MM), stacks=False)
    assert [(hole.low, hole.high) for hole in holes] == [
        (D("0.10"), D("0.15")),
        (D("0.30"), D("0.35")),
    ]


def exhaustive(leaves, limits, bracket, strict):
    """Least (chance of no verdict, expected tries) over all ways of trying all leaves."""

    @cache
    def best(state):
        if judge_interval(state, MM, limits, strict_high=strict) is not Outcome.UNDECIDED:
            return Fraction(0), Fraction(0)
        low, high = Fraction(state.low), Fraction(state.high)
        found = []
        for leaf in leaves:
            if not state.low < leaf < state.high:
                continue
            halves = ((Interval(leaf, state.high), high - Fraction(leaf)),
                      (Interval(state.low, leaf), Fraction(leaf) - low))  # fmt: skip
            lost, tries = Fraction(0), Fraction(1)
            for half, width in halves:
                half_lost, half_tries = best(half)
                share = width / (high - low)
                lost += share * half_lost
                tries += share * half_tries
            found.append((lost, tries))
        # Giving up is allowed once nothing can decide any more.
        return min([(lost, tries) for lost, tries in found if lost < 1], default=(1, Fraction(0)))

    return best(bracket)


hundredths = st.integers(1, 40).map(lambda x: D(x) / 100)


@st.composite
def problems(draw):
    leaves = tuple(draw(st.lists(hundredths, min_size=1, max_size=6, unique=True)))
    low, high = sorted(draw(st.lists(hundredths, min_size=2, max_size=2, unique=True)))
    one, other = draw(hundredths), draw(hundredths)
    limits = draw(
        st.sampled_from(
            [
                Limits(None, one, MM),
                Limits(one, None, MM),
                Limits(min(one, other), max(one, other), MM),
            ]
        )
    )
    return leaves, limits, Interval(low, high), draw(st.booleans())


@settings(max_examples=300)
@given(problems())
def test_as_good_as_exhaustive_search(problem):
    leaves, limits, bracket, strict = problem
    advice = next_leaf(
        leaves=leaves, leaves_unit=MM, limits=limits, bracket=bracket, strict_high=strict,
        stacks=False,
    )  # fmt: skip
    lost, tries = exhaustive(leaves, limits, bracket, strict)
    if advice.kind == "decided":
        assert judge_interval(bracket, MM, limits, strict_high=strict) is not Outcome.UNDECIDED
        return
    assert advice.expected_tries == pytest.approx(float(tries), abs=1e-12)
    assert advice.p_undecided == pytest.approx(float(lost), abs=1e-12)
    assert (advice.kind == "cannot_decide") == (lost == 1)
    if advice.kind == "cannot_decide":
        assert advice.gap_low is not None
    if lost == 0:
        assert advice.gap_low is None


@settings(max_examples=200)
@given(problems(), st.booleans(), st.integers(0, 4500))
def test_at_most_two_tries_for_each_limit(problem, stacks, hidden):
    leaves, limits, _, strict = problem
    gap = D(hidden) / 10_000
    bracket = Interval(D(0), None)
    tries = 0
    while True:
        advice = next_leaf(
            leaves=leaves, leaves_unit=MM, limits=limits, bracket=bracket, strict_high=strict,
            stacks=stacks,
        )  # fmt: skip
        if advice.kind != "try":
            break
        tries += 1
        assert advice.thickness == sum(advice.leaves)
        assert len(set(advice.leaves)) == len(advice.leaves) <= 2
        assert set(advice.leaves) <= set(leaves)
        bracket = (
            Interval(advice.thickness, bracket.high)
            if advice.thickness <= gap
            else Interval(bracket.low, advice.thickness)
        )
    one_limit = limits.low is None or limits.high is None
    assert tries <= (2 if one_limit else 4)
    truth = judge_interval(Interval(gap, gap, True, True), MM, limits, strict_high=strict)
    if advice.kind == "decided":
        assert judge_interval(bracket, MM, limits, strict_high=strict) is truth
    else:
        assert advice.kind == "cannot_decide"
        holes = set_gaps(leaves, MM, limits, stacks=stacks, strict_high=strict)
        assert any(hole.low <= gap and (hole.high is None or gap < hole.high) for hole in holes)


@given(st.sampled_from(sorted(STANDARD_SETS)), st.integers(1, 100), st.booleans())
def test_every_gap_outside_the_holes_is_decided(key, limit, strict):
    leaf_set = STANDARD_SETS[key]
    limits = Limits(None, D(limit) / 100, MM)
    holes = set_gaps(leaf_set.leaves, leaf_set.unit, limits, strict_high=strict)
    thicknesses = sorted(candidates(leaf_set.leaves, stacks=True))
    assume(len(thicknesses) > 1)
    for low, high in pairwise(thicknesses):
        outcome = judge_interval(Interval(low, high), leaf_set.unit, limits, strict_high=strict)
        in_hole = any(
            hole.low <= low and (hole.high is None or high <= hole.high) for hole in holes
        )
        assert (outcome is Outcome.UNDECIDED) == in_hole
