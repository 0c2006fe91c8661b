"""Leaves, stacks and brackets."""

from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.faults import Fault
from fleet.units import LengthUnit
from inspections.rules.intervals import Interval
from inspections.rules.leafsearch import candidates
from inspections.rules.leaves import (
    STANDARD_SETS,
    Feel,
    Try,
    bracket,
    check_try,
    ends,
    outside_bs957,
    repeats_disagree,
    series,
)

MM, INCH = LengthUnit.MM, LengthUnit.INCH
METRIC_20 = STANDARD_SETS["metric_20"].leaves


def enters(*leaves: str) -> Try:
    return Try(tuple(D(leaf) for leaf in leaves), Feel.FREE)


def refuses(*leaves: str) -> Try:
    return Try(tuple(D(leaf) for leaf in leaves), Feel.REFUSES)


@pytest.mark.parametrize(
    # The usual lists: from memory; the counts are computed from them.
    ("key", "count", "thinnest", "thickest"),
    [
        ("metric_8", 8, "0.05", "0.50"),
        ("metric_10_fine", 10, "0.04", "0.30"),
        ("metric_13_a", 13, "0.03", "0.50"),
        ("metric_13_b", 13, "0.05", "1.00"),
        ("metric_20", 20, "0.05", "1.00"),
        ("metric_25", 7 + 18, "0.04", "1.00"),
        ("metric_26", 8 + 18, "0.03", "1.00"),
        ("metric_28", 11 + 17, "0.05", "1.00"),
        ("inch_9", 9, "0.0015", "0.015"),
        ("inch_25", 25, "0.001", "0.025"),
        ("inch_26", 3 + 23, "0.0015", "0.025"),
    ],
)
def test_standard_sets(key, count, thinnest, thickest):
    leaves = STANDARD_SETS[key].leaves
    assert len(leaves) == len(set(leaves)) == count
    assert list(leaves) == sorted(leaves)
    assert (leaves[0], leaves[-1]) == (D(thinnest), D(thickest))


def test_the_list_of_sets_is_whole():
    assert len(STANDARD_SETS) == 11
    assert STANDARD_SETS["metric_13_a"].leaves != STANDARD_SETS["metric_13_b"].leaves
    names = {key: leaf_set.label for key, leaf_set in STANDARD_SETS.items()}
    assert names == {
        "metric_8": "Metric, 8 leaves",
        "metric_10_fine": "Metric, 10 leaves, fine",
        "metric_13_a": "Metric, 13 leaves, from 0.03",
        "metric_13_b": "Metric, 13 leaves, to 1.00",
        "metric_20": "Metric, 20 leaves",
        "metric_25": "Metric, 25 leaves",
        "metric_26": "Metric, 26 leaves",
        "metric_28": "Metric, 28 leaves",
        "inch_9": "Inch, 9 leaves",
        "inch_25": "Inch, 25 leaves",
        "inch_26": "Inch, 26 leaves",
    }


def test_range_of_bs_957():
    # BS 957:2008 covers 0.03-1.00 mm and 0.0015-0.025 in: scope text.
    for leaf_set in STANDARD_SETS.values():
        outside = outside_bs957(leaf_set.leaves, leaf_set.unit)
        assert outside == ([D("0.001")] if leaf_set.key == "inch_25" else [])
    assert outside_bs957([D("0.02"), D("0.03"), D("1.00"), D("1.05")], MM) == [D("0.02"), D("1.05")]
    assert outside_bs957([D("20"), D("30")], LengthUnit.UM) == [D("20")]
    assert outside_bs957([D("1"), D("25"), D("26")], LengthUnit.THOU) == [D("1"), D("26")]


def test_a_stack_is_two_leaves_at_most():
    # Two leaves may be added: TM 1-1500-204-23-9 p.3-32.
    check_try(enters("0.05", "0.10"), METRIC_20, MM)
    check_try(enters("1.00"), METRIC_20, MM)


@pytest.mark.parametrize(
    ("leaves", "of", "code", "sentence"),
    [
        ((), METRIC_20, "no_leaf", "Say which leaf was tried."),
        (("0.05", "0.10", "0.15"), METRIC_20, "stack_too_thick",
         "A stack is two leaves at most. Try one leaf, or two laid together."),
        (("0.05", "0.05"), METRIC_20, "leaf_twice",
         "The set has one leaf of 0.05 mm; it cannot be laid on itself. Name two different "
         "leaves."),
        (("0.12",), METRIC_20, "leaf_not_in_set",
         "This set has no leaf of 0.12 mm. The nearest are 0.10 mm and 0.15 mm."),
        (("0.05", "0.02"), METRIC_20, "leaf_not_in_set",
         "This set has no leaf of 0.02 mm. The nearest is 0.05 mm."),
        (("1.05",), METRIC_20, "leaf_not_in_set",
         "This set has no leaf of 1.05 mm. The nearest is 1.00 mm."),
        (("0.12",), (), "leaf_not_in_set",
         "This set has no leaf of 0.12 mm. It has no leaves at all: choose another set."),
    ],
)  # fmt: skip
def test_a_try_that_the_set_does_not_allow_is_refused(leaves, of, code, sentence):
    with pytest.raises(Fault) as refused:
        check_try(enters(*leaves), of, MM)
    assert (refused.value.code, refused.value.field) == (code, "leaves")
    assert str(refused.value) == sentence


def test_how_a_leaf_goes_in():
    assert {feel.value: feel.label for feel in Feel} == {
        "free": "Enters freely",
        "drag": "Enters with light drag",
        "refuses": "Does not enter",
    }
    assert [feel.enters for feel in Feel] == [True, True, False]


def test_thickness_of_a_stack_is_exact():
    # 0.10 + 0.06 = 0.16 mm: computed; float addition would miss it.
    assert enters("0.10", "0.06").thickness == D("0.16")


def test_brackets():
    assert bracket([enters("0.10"), refuses("0.20"), enters("0.15")]) == Interval(
        D("0.15"), D("0.20")
    )
    assert bracket([refuses("0.05")]) == Interval(D(0), D("0.05"))
    assert bracket([enters("1.00")]) == Interval(D("1.00"), None)
    drag = Try((D("0.15"),), Feel.DRAG)
    assert bracket([drag, refuses("0.20")]).low == D("0.15")
    with pytest.raises(Fault) as none_yet:
        bracket([])
    assert none_yet.value.code == "no_tries"
    assert str(none_yet.value) == "No leaf has been tried yet. Try one."


def test_tries_that_disagree_name_the_pair():
    for tries, sentence in (
        ([enters("0.20"), refuses("0.15")],
         "0.20 entered although the thinner 0.15 did not. Clean the leaves and the gap, and "
         "repeat both."),
        ([enters("0.15"), refuses("0.15")],
         "0.15 both entered and did not enter. Clean the leaf and the gap, and try 0.15 again."),
        ([enters("0.05", "0.10"), refuses("0.15")],
         "0.15 both entered and did not enter. Clean the leaf and the gap, and try 0.15 again."),
    ):  # fmt: skip
        with pytest.raises(Fault) as refused:
            bracket(tries)
        assert refused.value.code == "tries_disagree"
        assert str(refused.value) == sentence


def again(repeat: int, *tries: Try) -> list[Try]:
    return [Try(t.leaves, t.feel, repeat) for t in tries]


def test_repeats_that_agree_hold_what_all_of_them_hold():
    # Computed by hand, as all brackets of repeats here.
    tries = [enters("0.10"), refuses("0.20"), *again(2, enters("0.15"), refuses("0.25"))]
    assert bracket(tries) == Interval(D("0.15"), D("0.20"))
    assert not repeats_disagree(tries)
    assert series(tries) == {
        1: Interval(D("0.10"), D("0.20")),
        2: Interval(D("0.15"), D("0.25")),
    }
    # A repeat with one end only.
    assert bracket([*tries, *again(3, enters("0.16"))]) == Interval(D("0.16"), D("0.20"))
    assert bracket([enters("0.10"), *again(2, enters("0.15"))]) == Interval(D("0.15"), None)
    assert not repeats_disagree([enters("0.10"), *again(2, enters("0.15"))])


def test_repeats_that_disagree_count_from_end_to_end():
    # 0.10 to 0.15 and 0.15 to 0.20 hold no length in common: 0.15 itself is in the second only.
    tries = [
        enters("0.10"), refuses("0.15"), *again(2, enters("0.15"), refuses("0.20")),
    ]  # fmt: skip
    assert repeats_disagree(tries)
    assert bracket(tries) == Interval(D("0.10"), D("0.20"))
    open_up = [refuses("0.15"), *again(2, enters("0.20"))]
    assert repeats_disagree(open_up)
    assert bracket(open_up) == Interval(D(0), None)
    # The same leaf felt differently in two repeats is a doubt, not a slip of the hand.
    assert repeats_disagree([enters("0.15"), *again(2, refuses("0.15"))])
    assert not repeats_disagree([])
    with pytest.raises(Fault, match=r"both entered and did not enter"):
        bracket([enters("0.10"), *again(2, enters("0.15"), refuses("0.15"))])


def test_the_tries_that_made_the_ends():
    thin, thick = enters("0.10"), refuses("0.05", "0.15")
    assert ends([enters("0.05"), thin, refuses("0.30"), thick]) == (thin, thick)
    assert ends([thin]) == (thin, None)
    assert ends([thick]) == (None, thick)
    # Of a stack and a single leaf of one thickness, the single one.
    single = refuses("0.20")
    assert ends([thick, single]) == (None, single)
    assert ends([enters("0.05", "0.10"), enters("0.15")])[0] == enters("0.15")
    # Repeats that disagree: the lowest and the highest end.
    first, second = [thin, refuses("0.15")], again(2, enters("0.15"), single)
    assert ends([*first, *second]) == (thin, second[1])
    with pytest.raises(Fault):
        ends([])


sizes = st.integers(min_value=1, max_value=200).map(lambda hundredths: D(hundredths) / 100)


@given(
    st.lists(sizes, min_size=1, max_size=12, unique=True),
    st.integers(min_value=0, max_value=50_000).map(lambda x: D(x) / 10_000),
    st.data(),
)
def test_a_bracket_never_loses_the_true_gap(leaves, gap, data):
    """Any set, any tries in any order, a feel true to the gap: the gap stays in the bracket."""
    thicknesses = candidates(leaves, stacks=True)
    chosen = data.draw(st.lists(st.sampled_from(sorted(thicknesses)), min_size=1, max_size=8))
    tries = []
    for thickness in chosen:
        entering = st.sampled_from([Feel.FREE, Feel.DRAG])
        feel = data.draw(entering) if thickness <= gap else Feel.REFUSES
        tries.append(Try(thicknesses[thickness], feel))
        check_try(tries[-1], leaves, MM)
    found = bracket(tries)
    assert found.holds(gap)
    assert bracket(data.draw(st.permutations(tries))) == found
    # One try more never widens it.
    for shorter in range(1, len(tries)):
        earlier = bracket(tries[:shorter])
        assert earlier.low <= found.low
        assert earlier.high is None or (found.high is not None and found.high <= earlier.high)


@given(
    st.lists(sizes, min_size=1, max_size=12, unique=True),
    st.integers(min_value=0, max_value=50_000).map(lambda x: D(x) / 10_000),
    st.data(),
)
def test_repeats_never_lose_the_true_gap(leaves, gap, data):
    """As above, over several repeats, taken in any order: and they then never disagree."""
    thicknesses = candidates(leaves, stacks=True)
    tries = [
        Try(thicknesses[t], Feel.DRAG if t <= gap else Feel.REFUSES, repeat)
        for t, repeat in data.draw(
            st.lists(
                st.tuples(st.sampled_from(sorted(thicknesses)), st.integers(1, 3)),
                min_size=1,
                max_size=9,
            )
        )
    ]
    found = bracket(tries)
    assert found.holds(gap)
    assert not repeats_disagree(tries)
    assert all(one.holds(gap) for one in series(tries).values())
    assert bracket(data.draw(st.permutations(tries))) == found
    # The ends are those of the tries that made them.
    low, high = ends(tries)
    assert (low.thickness if low else D(0)) == found.low
    assert (high.thickness if high else None) == found.high


@given(
    st.lists(
        st.tuples(st.lists(sizes, min_size=1, max_size=2, unique=True), st.booleans(),
                  st.integers(1, 3)),
        min_size=1,
        max_size=8,
    )
)  # fmt: skip
def test_a_reading_holds_the_whole_of_what_its_repeats_say(found):
    """Whatever was felt: inside every repeat where they agree, over all of them where not."""
    tries = [Try(tuple(leaves), Feel.FREE if e else Feel.REFUSES, n) for leaves, e, n in found]
    if any(
        max([t.thickness for t in tries if t.repeat == n and t.feel.enters], default=D(0))
        >= min([t.thickness for t in tries if t.repeat == n and not t.feel.enters], default=D(99))
        for n in (1, 2, 3)
    ):
        with pytest.raises(Fault):
            bracket(tries)
        return
    whole = bracket(tries)
    for one in series(tries).values():
        if repeats_disagree(tries):
            assert whole.low <= one.low
            assert whole.high is None or (one.high is not None and one.high <= whole.high)
        else:
            assert whole.low >= one.low
            assert one.high is None or (whole.high is not None and whole.high <= one.high)
