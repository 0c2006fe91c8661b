"""The search for the next leaf, step by step, with figures worked out by hand."""

from decimal import Decimal as D

import pytest

from fleet.decisions import DecisionRule, RuleKind
from fleet.faults import Fault
from fleet.limits import Limits
from fleet.units import LengthUnit
from inspections.rules.leafsearch import End, LeafTask, between, search_for
from inspections.rules.nextleaf import next_leaf

MM = LengthUnit.MM


def ds(*texts):
    return tuple(D(text) for text in texts)


def test_the_tries_that_follow_count_by_how_likely_they_are():
    # From 0 to 0.40, limits 0.10 to 0.20: 0.21 enters 19 times in 40 and proves it out. Otherwise
    # 0.10 refuses 10 times in 21 and proves it out; only then is 0.20 wanted.
    task = LeafTask(ds("0.10", "0.20", "0.21"), MM, Limits(D("0.10"), D("0.20"), MM), stacks=False)
    advice = next_leaf(task, None, End(D("0.40")))
    assert advice.thickness == D("0.21")
    assert advice.expected_tries == pytest.approx(1 + 21 / 40 * (1 + 11 / 21))
    # What lies from 0.20 to 0.21 stays undecided.
    assert advice.p_undecided == pytest.approx(1 / 40)


def test_of_leaves_that_reject_by_entering_the_thinnest_stays_in_question():
    # u of one leaf 0.03/sqrt 3 = 0.01732, with z 2 a guard of 0.0346 round 0.20: 0.16 accepts and
    # 0.24 rejects. A stack as the other end widens the guard to 0.0490, and 0.25 would be wanted.
    task = LeafTask(
        ds("0.15", "0.16", "0.24", "0.25"), MM, Limits(None, D("0.20"), MM),
        rule=DecisionRule(RuleKind.GUARDED, guard_z=D(2)), permissible_error=D("0.03"),
    )  # fmt: skip
    advice = next_leaf(task, None, End(D("0.40")))
    assert advice.thickness in (D("0.16"), D("0.24"))
    assert advice.p_undecided == pytest.approx(0.08 / 0.40)
    assert advice.expected_tries == pytest.approx(1.6)


def test_a_leaf_of_the_limit_size_that_enters_rejects_only_when_that_is_asked():
    limits = Limits(None, D("0.20"), MM)
    usual = LeafTask(ds("0.20"), MM, limits)
    assert next_leaf(usual, End(D("0.20")), None).kind != "decided"
    strict = LeafTask(ds("0.20"), MM, limits, strict_high=True)
    assert next_leaf(strict, End(D("0.20")), None).kind == "decided"


def test_a_task_without_a_limit_is_refused_in_words():
    with pytest.raises(Fault) as refused:
        LeafTask(ds("0.20"), MM, Limits(None, None, MM))
    assert str(refused.value) == "There is no limit to judge by. Enter one on the sheet."


def test_the_middle_of_what_is_left():
    search = search_for(LeafTask(ds("0.10"), MM, Limits(None, D("0.20"), MM)))
    # While no leaf has refused the flat prior ends at twice the limit, or twice the low end.
    assert search.median(None, None) == pytest.approx(0.20)
    assert search.median(End(D("0.10")), None) == pytest.approx(0.25)
    assert search.median(End(D("0.30")), None) == pytest.approx(0.45)
    assert search.median(End(D("0.50")), None) == pytest.approx(0.75)
    assert search.median(None, End(D("0.10"))) == pytest.approx(0.05)


def test_only_sizes_strictly_between_the_ends_tell_something():
    sizes = ds("0.10", "0.20", "0.30")
    assert between(sizes, None, None) == sizes
    assert between(sizes, End(D("0.10")), None) == sizes[1:]
    assert between(sizes, None, End(D("0.30"))) == sizes[:2]
    assert between(sizes, End(D("0.10")), End(D("0.30"))) == sizes[1:2]
    assert between(sizes, End(D("0.20")), End(D("0.30"))) == ()
