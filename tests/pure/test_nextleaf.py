"""The next leaf: check values, guards, stacks, priors, narrowing and words."""

import math
from decimal import Decimal as D

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.decisions import DecisionRule, RuleKind
from fleet.faults import Fault
from fleet.limits import Limits
from fleet.units import LengthUnit
from inspections.rules.leafsearch import End, LeafTask, candidates
from inspections.rules.leaves import STANDARD_SETS
from inspections.rules.nextleaf import Wanted, narrowing_leaf, next_leaf, set_gap, set_gaps
from inspections.rules.trendprior import NormalPrior
from inspections.rules.verdicts import Outcome

MM, INCH = LengthUnit.MM, LengthUnit.INCH
METRIC_20 = STANDARD_SETS["metric_20"].leaves
STEPS = (*METRIC_20[:10], *(D(f"0.{n}0") for n in range(6, 10)), D("1.00"))
GUARDED = DecisionRule(RuleKind.GUARDED)
PROBABILITY = DecisionRule(RuleKind.PROBABILITY)


def task(limit, *, leaves=STEPS, low_limit=None, unit=MM, strict=False, stacks=False, **more):
    limits = Limits(
        None if low_limit is None else D(low_limit), None if limit is None else D(limit), unit
    )
    return LeafTask(tuple(leaves), MM, limits, strict_high=strict, stacks=stacks, **more)


def end(at, pieces=1):
    return None if at is None else End(D(at), pieces)


def advise(limit, *, low=None, high="1.00", **more):
    return next_leaf(task(limit, **more), end(low), end(high))


@pytest.mark.parametrize(
    # Computed: leaves 0.05 to 0.50 by 0.05 and 0.60 to 1.00 by 0.10, gap anywhere in 0 to 1 mm.
    ("limit", "strict", "leaf", "tries", "lost"),
    [
        ("0.28", False, "0.30", 1.30, 0.05),
        ("0.30", True, "0.30", 1.00, 0.0),
        ("0.33", False, "0.35", 1.35, 0.05),
        ("0.52", False, "0.50", 1.50, 0.10),
        # 0.90 alone can help: the bracket already ends at 1.00.
        ("0.95", False, "0.90", 1.00, 0.10),
        # A leaf of exactly an allowed maximum decides only by refusing, so 0.35 asks more.
        ("0.30", False, "0.35", 1.35, 0.05),
    ],
)
def test_check_values(limit, strict, leaf, tries, lost):
    advice = advise(limit, strict=strict)
    assert advice.kind == "try"
    assert advice.leaves == (D(leaf),)
    assert advice.thickness == D(leaf)
    assert advice.outcome is Outcome.UNDECIDED
    assert advice.expected_tries == pytest.approx(tries, abs=1e-12)
    assert advice.p_undecided == pytest.approx(lost, abs=1e-12)


def test_a_trend_moves_the_first_leaf():
    # Computed: N(0.36, 0.05) cut to 0.20 to 0.60 against 0.33; two programs agree on 1.4203423.
    prior = NormalPrior(0.36, 0.05)
    advice = advise("0.33", low="0.20", high="0.60", prior=prior)
    assert advice.leaves == (D("0.35"),)
    assert advice.expected_tries == pytest.approx(1.4203423, abs=1e-7)
    # A pump known to be tight is asked for the thinner leaf first.
    tight = advise("0.33", low="0.20", high="0.60", prior=NormalPrior(0.25, 0.02))
    assert tight.leaves == (D("0.30"),)


def test_the_verdict_of_the_bracket_stands_with_the_advice():
    # Clipped line, u not known: (0.33 - 0.30) / 0.10 (JCGM 106, 7, flat prior; computed).
    advice = advise("0.33", leaves=(D("0.30"), D("0.40")), low="0.30", high="0.40")
    assert advice.probability == pytest.approx(0.3, abs=1e-12)
    assert advise("0.30", low="0.35", high="0.40").outcome is Outcome.OUT
    assert advise("0.30", low="0.35", high="0.40").probability == 0.0
    # Above everything nothing is known upwards.
    assert advise("0.30", low="0.10", high=None).probability is None


def test_a_set_that_cannot_decide_says_so():
    # Leaves 0.30 and 0.40 against 0.33: computed.
    advice = advise("0.33", leaves=(D("0.30"), D("0.40")), low="0.30", high="0.40")
    assert advice.kind == "cannot_decide"
    assert (advice.gap_low, advice.gap_high) == (D("0.30"), D("0.40"))
    assert "between 0.30 mm and 0.40 mm" in advice.sentence
    assert advice.p_undecided == 1.0
    assert advice.wanted == (Wanted(D("0.30"), D("0.40")),)
    assert "You need a leaf between 0.30 mm and 0.40 mm, or measure by another way." in (
        advice.sentence
    )
    assert advice.prospect == ""


def test_no_more_leaves_once_decided():
    assert advise("0.30", low="0.10", high="0.30").kind == "decided"
    assert advise("0.30", low="0.35", high="0.40").kind == "decided"


def test_a_minimum_and_a_leaf_of_its_size():
    advice = next_leaf(task(None, low_limit="0.30", leaves=METRIC_20))
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
    hole = set_gap(task("0.005", unit=INCH, leaves=METRIC_20, stacks=True))
    assert hole is not None
    assert (hole.low, hole.high, hole.wide) == (D("0.10"), D("0.15"), True)
    assert "between 0.10 mm and 0.15 mm" in hole.sentence
    assert "0.005 in" in hole.sentence
    assert 0 < hole.p_undecided < 1
    # With a fine set and stacks the hole is narrow.
    fine = set_gap(task("0.005", unit=INCH, leaves=STANDARD_SETS["metric_25"].leaves, stacks=True))
    assert fine is not None
    assert (fine.low, fine.high, fine.wide) == (D("0.12"), D("0.13"), False)
    # A leaf of the limit size that must not enter leaves no hole.
    assert set_gap(task("0.15", leaves=METRIC_20, strict=True)) is None
    assert set_gap(task(None, low_limit="0.15", leaves=METRIC_20)) is None


def test_a_set_that_ends_below_the_limit():
    thin = (D("0.05"), D("0.10"))
    hole = set_gap(task("0.50", leaves=thin))
    assert hole is not None
    assert (hole.low, hole.high, hole.wide) == (D("0.10"), None, True)
    assert "0.10 mm or more" in hole.sentence
    thick = (D("0.80"), D("0.90"))
    hole = set_gap(task("0.50", leaves=thick))
    assert hole is not None
    assert (hole.low, hole.high) == (D(0), D("0.80"))
    assert advise("0.50", leaves=thin, low="0.10", high=None).kind == "cannot_decide"


def test_a_range_has_a_hole_at_each_end():
    holes = set_gaps(task("0.33", low_limit="0.12", leaves=METRIC_20))
    assert [(hole.low, hole.high) for hole in holes] == [
        (D("0.10"), D("0.15")),
        (D("0.30"), D("0.35")),
    ]


# --- Guards and uncertainty ----------------------------------------------------------------------


def test_a_guard_keeps_leaves_clear_of_the_limit():
    # Computed: leaf error 0.01 mm, u = 0.01 / sqrt 3 = 0.0058, guard 1.645 u = 0.0095 mm. Against
    # 0.30 the leaves 0.29 and 0.31 are clear of it, against 0.305 neither 0.30 nor 0.31 is.
    leaves = tuple(D(n) / 100 for n in range(25, 36))
    guarded = {"leaves": leaves, "rule": GUARDED, "permissible_error": D("0.01")}
    (hole,) = set_gaps(task("0.30", **guarded))
    assert (hole.low, hole.high) == (D("0.29"), D("0.31"))
    (hole,) = set_gaps(task("0.305", **guarded))
    assert (hole.low, hole.high) == (D("0.29"), D("0.32"))
    assert hole.wanted == (
        Wanted(D("0.29"), D("0.2955")),
        Wanted(D("0.3145"), D("0.32")),
    )
    assert "with the guard that the rule asks for" in hole.sentence
    assert "between 0.29 mm and 0.2955 mm or between 0.3145 mm and 0.32 mm" in hole.sentence
    stuck = advise("0.305", low="0.30", high="0.31", **guarded)
    assert stuck.kind == "cannot_decide"
    assert stuck.wanted == ()
    assert "The guard leaves no room for any leaf here: measure by another way." in stuck.sentence


def test_a_stack_takes_the_larger_guard():
    # Computed: two leaves of 0.01 mm error and one film of 0.002 mm: u = sqrt(2 a^2 + f^2) / sqrt 3
    # = 0.00825, guard 0.0136 mm. The stack 0.29 is not clear of 0.30; a leaf of 0.29 is.
    stack = {"rule": GUARDED, "permissible_error": D("0.01"), "stacks": True}
    of_two = task("0.30", leaves=(D("0.12"), D("0.17")), **stack)
    assert of_two.u(1) == pytest.approx(0.01 / math.sqrt(3), abs=1e-15)
    assert of_two.u(2) == pytest.approx(math.sqrt(2 * 1e-4 + 4e-6) / math.sqrt(3), abs=1e-15)
    (hole,) = set_gaps(of_two)
    assert hole.low == D("0.17")
    (hole,) = set_gaps(task("0.30", leaves=(D("0.12"), D("0.16")), **stack))
    assert hole.low == D("0.28")
    (hole,) = set_gaps(task("0.30", leaves=(D("0.12"), D("0.17"), D("0.29")), **stack))
    assert hole.low == D("0.29")


def test_an_end_made_by_a_stack_counts_for_the_whole_bracket():
    # The reading's u is that of its worse end, so 0.29 decides only beside an end of one leaf.
    guarded = {"leaves": (D("0.29"),), "rule": GUARDED, "permissible_error": D("0.01")}
    asked = task("0.30", **guarded)
    assert next_leaf(asked, end("0.20"), end("0.29")).outcome is Outcome.WITHIN
    assert next_leaf(asked, end("0.20", 2), end("0.29")).outcome is Outcome.UNDECIDED
    assert next_leaf(asked, end("0.20", 2), end("0.40")).kind == "cannot_decide"


def test_what_leaf_would_help_stays_inside_the_bracket_and_off_the_guard():
    # Computed: 0.30 less and more 1.645 * 0.01 / sqrt 3 is 0.29050 and 0.30950 mm.
    guarded = {"rule": GUARDED, "permissible_error": D("0.01")}
    (hole,) = set_gaps(task("0.30", leaves=(D("0.2905"), D("0.3095")), **guarded))
    assert hole.wanted == ()
    coarse = {"leaves": (D("0.10"), D("0.50")), **guarded}
    assert next_leaf(task("0.30", **coarse), end("0.20"), end("0.40")).wanted == (
        Wanted(D("0.20"), D("0.2905")),
        Wanted(D("0.3095"), D("0.40")),
    )
    # An end made by a stack has the larger guard: it may lie where a single leaf would decide.
    assert next_leaf(task("0.30", **coarse), end("0.20"), end("0.289", 2)).wanted == (
        Wanted(D("0.20"), D("0.289")),
    )
    assert next_leaf(task("0.30", **coarse), end("0.311", 2), end("0.40")).wanted == (
        Wanted(D("0.311"), D("0.40")),
    )


def test_who_measures_widens_the_guard():
    guarded = {"leaves": (D("0.29"), D("0.31")), "rule": GUARDED, "permissible_error": D("0.01")}
    assert next_leaf(task("0.30", **guarded)).kind == "try"
    assert next_leaf(task("0.30", study_u=0.01, **guarded)).kind == "cannot_decide"


@pytest.mark.parametrize("rule", [GUARDED, PROBABILITY])
def test_leaves_of_unknown_error_decide_nothing_where_the_rule_needs_it(rule):
    advice = advise("0.30", rule=rule)
    assert advice.kind == "cannot_decide"
    assert "permissible error" in advice.sentence
    assert (advice.p_undecided, advice.leaves) == (1.0, ())


def test_a_required_probability_asks_for_leaves_that_guarantee_it():
    # Computed: u = 0.006 mm, z(0.95) = 1.6449: 0.0099 mm from 0.30, so 0.29 and 0.31 serve.
    error = D("0.006") * D("1.7320508")
    leaves = (D("0.29"), D("0.295"), D("0.305"), D("0.31"))
    asked = task("0.30", leaves=leaves, rule=PROBABILITY, permissible_error=round(error, 6))
    (hole,) = set_gaps(asked)
    assert (hole.low, hole.high) == (D("0.29"), D("0.31"))
    # JCGM 106, 7 with a flat prior in 0.25 to 0.30, u = 0.006: 0.9864 at 0.305, 0.7976 at 0.29;
    # computed by integration.
    decided = task("0.305", leaves=leaves, rule=PROBABILITY, permissible_error=round(error, 6))
    advice = next_leaf(decided, end("0.25"), end("0.30"))
    assert (advice.kind, advice.outcome) == ("decided", Outcome.WITHIN)
    assert advice.probability == pytest.approx(0.986403, abs=1e-5)
    open_ = task("0.29", leaves=leaves, rule=PROBABILITY, permissible_error=round(error, 6))
    advice = next_leaf(open_, end("0.25"), end("0.30"))
    assert advice.probability == pytest.approx(0.797621, abs=1e-5)
    assert advice.outcome is Outcome.UNDECIDED


def test_both_limits_share_what_may_go_wrong():
    # A gap at the edge of both guards of 0.95 would meet the limits with 0.90 only: z(0.975).
    error = D("0.0173205")  # u = 0.01 mm
    leaves = tuple(D(n) / 1000 for n in range(270, 331))
    rule = {"leaves": leaves, "rule": PROBABILITY, "permissible_error": error}
    two = set_gaps(task("0.32", low_limit="0.28", **rule))
    # 0.28 + 1.645 u and 0.32 - 1.645 u both count: the nearer one may do, and is judged.
    assert [(hole.low, hole.high) for hole in two] == [
        (D(0), D("0.297")),
        (D("0.303"), None),
    ]
    assert two[0].wanted[0] == Wanted(D(0), D("0.2635"))
    assert two[1].wanted[-1] == Wanted(D("0.3365"), None)
    # Half a width of 2 u: at best 0.9545 is met, by a bracket about the middle.
    assert next_leaf(task("0.32", low_limit="0.28", **rule)).kind == "try"


# --- Narrowing -----------------------------------------------------------------------------------


def test_narrowing_halves_what_is_likely():
    asked = task("0.28")
    assert narrowing_leaf(asked, None, end("1.00")).leaves == (D("0.50"),)
    assert narrowing_leaf(asked, end("0.50"), end("0.90")).leaves == (D("0.70"),)
    # Of two that are as near, the thinner.
    assert narrowing_leaf(asked, end("0.20"), end("0.35")).leaves == (D("0.25"),)
    # While nothing refused: up to twice the thickest leaf that can decide, 0.60.
    assert narrowing_leaf(asked).leaves == (D("0.30"),)
    likely = task("0.28", prior=NormalPrior(0.36, 0.05))
    assert narrowing_leaf(likely, None, end("1.00")).leaves == (D("0.35"),)
    assert narrowing_leaf(likely).leaves == (D("0.35"),)
    advice = narrowing_leaf(asked, end("0.20"), end("0.35"))
    assert (advice.kind, advice.outcome) == ("try", Outcome.UNDECIDED)
    assert advice.sentence == "Try 0.25 mm, to narrow it."
    assert advice.prospect == ""


def test_narrowing_goes_on_after_the_verdict_and_says_when_no_leaf_is_left():
    asked = task("0.28", leaves=(D("0.06"), D("0.10"), D("0.14"), D("0.30")), stacks=True)
    advice = narrowing_leaf(asked, end("0.10"), end("0.30"))
    assert advice.leaves == (D("0.14"),)
    stacked = narrowing_leaf(asked, end("0.14"), end("0.30"))
    assert stacked.leaves == (D("0.06"), D("0.14"))
    assert narrowing_leaf(asked, end("0.14"), end("0.16", 2)).kind == "narrowed"
    assert "No leaf of this set lies between the ends" in (
        narrowing_leaf(asked, end("0.14"), end("0.16", 2)).sentence
    )
    # Above the thickest leaf no stack is piled up.
    assert narrowing_leaf(asked, end("0.30"), None).kind == "narrowed"
    assert narrowing_leaf(asked, end("0.10"), end("0.14")).outcome is Outcome.WITHIN


@settings(max_examples=100)
@given(
    st.floats(0.05, 0.9), st.floats(0.01, 0.3),
    st.lists(st.integers(1, 99), min_size=2, max_size=2, unique=True),
)  # fmt: skip
def test_the_median_halves_the_prior(mean, sd, ends):
    low, high = (x / 100 for x in sorted(ends))
    prior = NormalPrior(mean, sd)
    assert prior.share_below(prior.median(low, high), low, high) == pytest.approx(0.5, abs=1e-6)


# --- Words ---------------------------------------------------------------------------------------


def test_what_to_expect_is_said_in_words():
    assert advise("0.28").prospect == (
        "Expect 1.3 tries. Chance that this set leaves it undecided: 5 %."
    )
    assert advise("0.95").prospect == (
        "Expect one try. Chance that this set leaves it undecided: 10 %."
    )
    assert advise("0.30", strict=True).prospect == "One try decides. This set decides any gap."
    rare = advise("0.28", low="0.20", high="0.60", prior=NormalPrior(0.40, 0.03))
    assert rare.prospect.endswith("leaves it undecided: less than 1 %.")
    assert advise("0.30", low="0.35", high="0.40").prospect == ""


def test_a_limit_and_a_bracket_are_needed():
    with pytest.raises(Fault) as missing:
        task(None)
    assert missing.value.code == "limit_missing"
    for ask in (next_leaf, narrowing_leaf):
        with pytest.raises(Fault) as empty:
            ask(task("0.28"), end("0.30"), end("0.20"))
        assert empty.value.code == "empty_interval"
