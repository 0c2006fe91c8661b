"""What the advice on the next leaf says, and how holes of a set are weighed; worked by hand."""

import math
from decimal import Decimal as D

import pytest

from fleet.decisions import DecisionRule, RuleKind
from fleet.limits import Limits
from fleet.units import LengthUnit
from inspections.rules.leafsearch import End, LeafTask
from inspections.rules.nextleaf import Wanted, narrowing_leaf, next_leaf, set_gap, set_gaps

MM, UM, INCH, THOU = LengthUnit.MM, LengthUnit.UM, LengthUnit.INCH, LengthUnit.THOU
OTHER = "or measure by another way."


def task(leaves, low, high, *, stacks=False, **more):
    limits = Limits(None if low is None else D(low), None if high is None else D(high), MM)
    return LeafTask(tuple(D(leaf) for leaf in leaves.split()), MM, limits, stacks=stacks, **more)


BOTH = task("0.10 0.20 0.21", "0.10", "0.20")


def test_each_end_of_a_try_is_said_for_the_bracket_that_it_leaves():
    first = next_leaf(BOTH, None, End(D("0.40")))
    assert first.sentence == (
        "Try 0.21 mm. If it enters, this is out of limits; if it does not enter, another leaf is "
        "needed."
    )
    last = next_leaf(BOTH, End(D("0.10")), End(D("0.21")))
    assert last.sentence == (
        "Try 0.20 mm. If it enters, this leaf set cannot decide it; if it does not enter, this is "
        "within limits."
    )
    assert last.leaves == (D("0.20"),)
    assert (last.gap_low, last.gap_high) == (D("0.20"), D("0.21"))
    assert last.wanted == (Wanted(D("0.20"), D("0.21")),)
    # Flat from 0.10 to 0.21, at most 0.20.
    assert last.probability == pytest.approx(10 / 11)
    assert last.p_undecided == pytest.approx(1 / 11)


def test_what_is_decided_or_cannot_be_is_said():
    assert next_leaf(BOTH, End(D("0.10")), End(D("0.20"))).sentence == (
        "No further leaf is needed: this is within limits."
    )
    stuck = next_leaf(BOTH, End(D("0.20")), End(D("0.21")))
    assert stuck.kind == "cannot_decide"
    assert stuck.sentence == (
        "This leaf set cannot decide a gap between 0.20 mm and 0.21 mm against the limit of "
        "0.20 mm: no leaf lies between them. You need a leaf between 0.20 mm and 0.21 mm, " + OTHER
    )
    assert (stuck.probability, stuck.gap_low, stuck.gap_high) == (0.0, D("0.20"), D("0.21"))
    assert stuck.wanted == (Wanted(D("0.20"), D("0.21")),)


def test_a_stack_is_named_with_its_leaves():
    stacked = task("0.10 0.15", None, "0.25", stacks=True, strict_high=True)
    assert next_leaf(stacked, None, End(D("0.40"))).sentence == (
        "Try 0.10 mm and 0.15 mm laid together, 0.25 mm. If it enters, this is out of limits; if "
        "it does not enter, this is within limits."
    )


def test_holes_and_how_likely_they_are():
    # The flat prior runs to twice the thickest that decides: 0.25, since two leaves laid together
    # that are thicker than it decide nothing more.
    (hole,) = set_gaps(task("0.10 0.20 0.25", None, "0.22", stacks=True))
    assert (hole.low, hole.high, hole.limit, hole.limit_unit) == (
        D("0.20"), D("0.25"), D("0.22"), MM,
    )  # fmt: skip
    assert hole.p_undecided == pytest.approx(0.05 / 0.50)
    assert hole.wide
    assert hole.sentence == (
        "This leaf set cannot decide a gap between 0.20 mm and 0.25 mm against the limit of "
        "0.22 mm: no leaf and no stack of two lies between them. You need a leaf between 0.20 mm "
        "and 0.25 mm, " + OTHER
    )
    (without_end,) = set_gaps(task("0.10", None, "0.20"))
    assert (without_end.low, without_end.high, without_end.wide) == (D("0.10"), None, True)
    assert without_end.p_undecided == pytest.approx(0.30 / 0.40)
    assert without_end.sentence == (
        "This leaf set cannot decide a gap of 0.10 mm or more against the limit of 0.20 mm: no "
        "leaf is thick enough. You need a leaf of 0.10 mm or more, " + OTHER
    )


def test_a_hole_of_just_a_tenth_of_the_limit_is_not_wide():
    assert not set_gap(task("0.95 1.05", None, "1.00")).wide
    assert set_gap(task("0.94 1.05", None, "1.00")).wide


def test_the_likeliest_hole_of_the_bracket_is_named():
    two = task("0.08 0.11 0.20 0.24", "0.10", "0.22")
    holes = {hole.low: hole.p_undecided for hole in set_gaps(two)}
    assert holes == pytest.approx({D("0.08"): 0.03 / 0.48, D("0.20"): 0.04 / 0.48})
    assert set_gap(two).low == D("0.20")
    # 0.03 of the lower hole against 0.04 of the upper.
    assert next_leaf(two, End(D("0.05")), End(D("0.40"))).gap_low == D("0.20")
    # A leaf that is not of the set refused inside the upper hole: 0.04 against the 0.03 left.
    other = task("0.07 0.11 0.20 0.24", "0.10", "0.22")
    assert next_leaf(other, End(D("0.05")), End(D("0.23"))).gap_low == D("0.07")
    assert next_leaf(other, None, End(D("0.23"))).gap_low == D("0.07")


def guarded(leaves, limit, error, unit, **more):
    return LeafTask(
        tuple(D(leaf) for leaf in leaves.split()), unit, Limits(None, D(limit), unit),
        rule=DecisionRule(RuleKind.GUARDED, guard_z=D(2)), permissible_error=D(error), **more,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("leaves", "limit", "error", "unit", "places"),
    [
        ("0.10 0.40", "0.20", "0.01", MM, 4),
        ("100 400", "200", "10", UM, 1),
        ("0.004 0.016", "0.008", "0.0004", INCH, 5),
        ("4 16", "8", "0.4", THOU, 2),
    ],
)
def test_a_leaf_to_borrow_is_rounded_away_from_the_guard(leaves, limit, error, unit, places):
    (hole,) = set_gaps(guarded(leaves, limit, error, unit, stacks=False))
    below, above = hole.wanted
    guard, step = 2 * float(error) / math.sqrt(3), 10.0**-places
    assert 0 <= float(limit) - guard - float(below.high) < step
    assert 0 <= float(above.low) - float(limit) - guard < step
    assert max(-end.as_tuple().exponent for end in (below.high, above.low)) <= places
    assert hole.sentence.startswith(
        f"This leaf set cannot decide a gap between {hole.low} {unit.label} and {hole.high} "
        f"{unit.label} against the limit of {limit} {unit.label} with the guard that the rule asks "
        f"for. You need a leaf between {hole.low} {unit.label} and {below.high} {unit.label} or "
        f"between {above.low} {unit.label} and {hole.high} {unit.label}, "
    )


def test_a_guard_that_fills_the_hole_leaves_no_leaf_to_borrow():
    (hole,) = set_gaps(guarded("0.18 0.22", "0.20", "0.0173", MM, stacks=False))
    assert hole.wanted == ()
    assert hole.sentence.endswith(
        "The guard leaves no room for any leaf here: measure by another way."
    )


def test_narrowing_in_words():
    tried = narrowing_leaf(BOTH, End(D("0.13")), End(D("0.40")))
    assert tried.sentence == "Try 0.21 mm, to narrow it."
    assert tried.thickness == D("0.21")
    assert narrowing_leaf(BOTH, End(D("0.13")), None).kind == "try"
    done = narrowing_leaf(BOTH, End(D("0.20")), End(D("0.21")))
    assert done.sentence == (
        "No leaf of this set lies between the ends: it cannot narrow this further."
    )


def test_a_stack_thicker_than_the_leaf_that_decides_stretches_no_prior():
    # Steps of 0.05 to 1.00 against 0.18: 0.15 proves it within, 0.20 out, and 1.00 + 0.05 nothing.
    steps = " ".join(f"{D('0.05') * n:f}" for n in range(1, 21))
    fine = task(steps, None, "0.18", stacks=True)
    assert next_leaf(fine, None, None).p_undecided == pytest.approx(0.05 / 0.40)
    assert next_leaf(fine, End(D("0.15")), None).p_undecided == pytest.approx(0.05 / 0.25)
