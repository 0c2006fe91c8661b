"""The table that the bench looks its advice up in, against the advice itself."""

import json
from decimal import Decimal as D

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.decisions import SIMPLE, DecisionRule, RuleKind
from fleet.limits import Limits
from fleet.units import LengthUnit
from inspections.rules.leafplan import chance_of, key_of, plan
from inspections.rules.leafsearch import End, LeafTask, candidates
from inspections.rules.leaves import STANDARD_SETS
from inspections.rules.nextleaf import narrowing_leaf, next_leaf
from inspections.rules.trendprior import NormalPrior

MM = LengthUnit.MM
RULES = [SIMPLE, DecisionRule(RuleKind.GUARDED), DecisionRule(RuleKind.PROBABILITY)]


def looked_up(table, low_key, high_key):
    """As the bench does it: by the ranks of the ends; None where it has to wait."""
    place = "|".join("" if key is None else str(table["ends"][key]) for key in (low_key, high_key))
    cell = table["cells"].get(place)
    if cell is None:
        return None
    state, decide, narrow = cell
    return table["states"][state], table["advices"][decide], table["advices"][narrow]


@st.composite
def tasks(draw):
    leaf_set = STANDARD_SETS[draw(st.sampled_from(sorted(STANDARD_SETS)))]
    factor = D("0.01") if leaf_set.unit is MM else D("0.0005")
    one, other = sorted(draw(st.integers(1, 60)) * factor for _ in range(2))
    limits = draw(
        st.sampled_from(
            [
                Limits(None, one, leaf_set.unit),
                Limits(one, None, leaf_set.unit),
                Limits(one, other, leaf_set.unit),
            ]
        )
    )
    return LeafTask(
        leaf_set.leaves,
        leaf_set.unit,
        limits,
        strict_high=draw(st.booleans()),
        rule=draw(st.sampled_from(RULES)),
        permissible_error=draw(st.sampled_from([None, D("0.0001"), D("0.004")])),
        prior=draw(st.sampled_from([None, NormalPrior(0.2, 0.06), NormalPrior(0.006, 0.002)])),
    )


@settings(max_examples=60, deadline=None)
@given(tasks(), st.data())
def test_the_table_says_what_the_rules_say(task, data):
    table = plan(task)
    made = candidates(task.leaves, stacks=True)
    keys = {key_of(leaves): size for size, leaves in made.items()}
    known = sorted(table["ends"], key=table["ends"].get)
    assert [keys[key] for key in known] == sorted(keys[key] for key in known)
    assert {key_of([leaf]) for leaf in task.leaves} <= set(known)
    low, high = sorted(
        data.draw(st.lists(st.sampled_from([None, *known]), min_size=2, max_size=2, unique=True)),
        key=lambda key: D(-1) if key is None else keys[key],
    )
    if data.draw(st.booleans()):
        low, high = high, None  # nothing refused yet
    ends = [None if k is None else End(keys[k], len(made[keys[k]])) for k in (low, high)]
    found = looked_up(table, low, high)
    if found is None:
        # Only a stack that narrows waits, beside an end that its advice never led to.
        assert any(key is not None and "+" in key for key in (low, high))
        return
    (outcome, words, chance), deciding, narrowing = found
    for advice, row in (
        (next_leaf(task, *ends), deciding),
        (narrowing_leaf(task, *ends), narrowing),
    ):
        assert row == [advice.kind, advice.sentence, key_of(advice.leaves), advice.prospect]
        assert outcome == advice.outcome.value
        assert words == advice.outcome.label
        assert chance == chance_of(advice)


@settings(max_examples=60, deadline=None)
@given(tasks(), st.integers(0, 6000), st.lists(st.booleans(), min_size=30, max_size=30))
def test_following_the_advice_never_leaves_the_table(task, hidden, narrows):
    gap = D(hidden) / (10_000 if task.unit is MM else 200_000)
    table = plan(task)
    low = high = None
    for narrow in narrows:
        found = looked_up(table, low, high)
        assert found is not None
        kind, _, leaves, _ = found[2 if narrow else 1]
        if kind != "try":
            continue
        thickness = sum(map(D, leaves.split(" + ")))
        low, high = (leaves, high) if thickness <= gap else (low, leaves)
    if low is not None and high is not None:
        assert sum(map(D, low.split(" + "))) <= gap < sum(map(D, high.split(" + ")))


def test_every_bracket_of_single_leaves_stands_in_the_table():
    leaf_set = STANDARD_SETS["metric_8"]
    table = plan(LeafTask(leaf_set.leaves, MM, Limits(None, D("0.12"), MM)))
    singles = [key_of([leaf]) for leaf in leaf_set.leaves]
    for i, low in enumerate([None, *singles]):
        for high in [*singles[i:], None]:
            assert looked_up(table, low, high) is not None
    assert looked_up(table, "0.10", "0.10") is None
    assert looked_up(table, "0.20", "0.10") is None


def test_a_stack_of_the_hand_is_taken_into_the_table():
    # 0.12 is made by hand of 0.05 and 0.07, by the set of 0.06 and 0.06 never.
    leaves = tuple(map(D, ("0.05", "0.07", "0.10", "0.15")))
    task = LeafTask(leaves, MM, Limits(None, D("0.13"), MM))
    assert "0.05 + 0.07" not in plan(task)["ends"] or looked_up(plan(task), "0.05 + 0.07", "0.15")
    met = ((End(D("0.22"), 2), "0.07 + 0.15"),)
    table = plan(task, met)
    assert looked_up(table, "0.07 + 0.15", None) is not None
    assert looked_up(table, "0.10", "0.07 + 0.15") is not None


def test_the_chance_stands_in_words_where_it_is_known():
    task = LeafTask((D("0.20"), D("0.30")), MM, Limits(None, D("0.26"), MM))
    table = plan(task)
    assert looked_up(table, "0.20", "0.30")[0] == ["undecided", "undecided", "60 %"]
    assert looked_up(table, "0.20", None)[0] == ["undecided", "undecided", ""]
    assert looked_up(table, "0.30", None)[0][:2] == ["out", "out of limits"]


def test_leaves_are_named_thinnest_first():
    assert key_of([D("0.10"), D("0.06")]) == "0.06 + 0.10"
    assert key_of([D("0.10")]) == "0.10"
    assert key_of([]) == ""


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("prior", [None, NormalPrior(0.2, 0.05)])
def test_a_table_for_28_leaves_is_small_enough_to_go_with_the_card(rule, prior):
    task = LeafTask(
        STANDARD_SETS["metric_28"].leaves,
        MM,
        Limits(D("0.05"), D("0.33"), MM),
        rule=rule,
        permissible_error=D("0.0037"),
        prior=prior,
    )
    table = plan(task)
    assert len(json.dumps(table, separators=(",", ":"))) < 60_000
    assert plan(task) is table
