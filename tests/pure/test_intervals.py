"""Interval arithmetic, against sampled lengths."""

from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.faults import Fault
from inspections.rules.intervals import Interval, combine_repeats, difference, exact, spread


@st.composite
def intervals(draw, open_up=True):
    low = draw(st.integers(0, 12))
    kinds = ["exact", "bracket", "closed", "open_low"] + (["no_end"] if open_up else [])
    kind = draw(st.sampled_from(kinds))
    if kind == "exact":
        return exact(D(low))
    if kind == "no_end":
        return Interval(D(low), None)
    high = D(low + draw(st.integers(1, 6)))
    return Interval(D(low), high, kind != "open_low", kind == "closed")


def lengths_in(interval):
    """Lengths inside, the ends and points close to them included."""
    high = interval.low + 40 if interval.high is None else interval.high
    near = D("0.01")
    points = {interval.low, interval.low + near, (interval.low + high) / 2, high - near, high}
    return sorted(point for point in points if interval.holds(point))


@given(intervals(), intervals(open_up=False), st.data())
def test_a_difference_holds_every_difference(first, second, data):
    a = data.draw(st.sampled_from(lengths_in(first)))
    b = data.draw(st.sampled_from(lengths_in(second)))
    assert difference(first, second).holds(a - b)


@given(st.lists(intervals(), min_size=1, max_size=5), st.data())
def test_a_spread_holds_every_spread(several, data):
    chosen = [data.draw(st.sampled_from(lengths_in(each))) for each in several]
    found = spread(several)
    assert found.holds(max(chosen) - min(chosen)) or len(several) == 1


@given(st.lists(intervals(open_up=False), min_size=2, max_size=4))
def test_the_ends_of_a_spread_are_reached_when_closed_and_only_then(several):
    found = spread(several)
    reached = [a_end - b_end for a, b, a_end, b_end in _widest(several)]
    assert (
        found.high
        == max(
            a.high - b.low for i, a in enumerate(several) for j, b in enumerate(several) if i != j
        )
        or found.high == 0
    )
    assert found.high_closed == (found.high in reached or found.high == 0)


def _widest(several):
    return [
        (a, b, a.high, b.low)
        for i, a in enumerate(several)
        for j, b in enumerate(several)
        if i != j and a.high_closed and b.low_closed
    ]


def test_spread_of_four_brackets():
    # Range over four positions: [0.05, 0.15]; computed.
    four = [
        Interval(D(low), D(high))
        for low, high in [(".20", ".25"), (".25", ".30"), (".20", ".25"), (".30", ".35")]
    ]
    found = spread(four)
    assert (found.low, found.high) == (D(".05"), D(".15"))
    assert not found.low_closed  # the thinner gap is less than .25, so they are more than .05 apart
    assert not found.high_closed


def test_small_cases():
    assert spread([exact(D("25.000"))]) == exact(D(0))
    assert spread([exact(D("25.005")), exact(D("25.000"))]) == exact(D("0.005"))
    assert spread([Interval(D("1"), None), exact(D("0"))]) == Interval(D(1), None)
    touching = spread([Interval(D("0.20"), D("0.25")), Interval(D("0.25"), D("0.30"))])
    assert (touching.low, touching.low_closed) == (D(0), False)
    with pytest.raises(Fault) as unbounded:
        difference(exact(D(1)), Interval(D(0), None))
    assert unbounded.value.code == "no_upper_end"
    assert str(unbounded.value) == (
        "A reading that is subtracted has no upper end, so no difference can be formed. "
        "Measure it again with an instrument that gives a figure."
    )


def test_an_end_that_several_pairs_share():
    # The bracket stays below 0.25, so it and 0.30 are more than 0.05 apart, whatever 0.25 says.
    bracket = Interval(D("0.20"), D("0.25"))
    low_end = spread([bracket, exact(D("0.25")), exact(D("0.30"))])
    assert (low_end.low, low_end.low_closed) == (D("0.05"), False)
    # 0.30 itself is 0.10 from 0.20; that the bracket does not reach 0.30 takes nothing away.
    high_end = spread([exact(D("0.30")), Interval(D("0.25"), D("0.30")), exact(D("0.20"))])
    assert (high_end.high, high_end.high_closed) == (D("0.10"), True)


@pytest.mark.parametrize(
    "ends", [("0.2", "0.1", True, True), ("0.1", "0.1", True, False), ("0.1", "0.1", False, True)]
)
def test_an_empty_interval_is_refused(ends):
    with pytest.raises(Fault) as refused:
        Interval(D(ends[0]), D(ends[1]), ends[2], ends[3])
    assert refused.value.code == "empty_interval"
    assert str(refused.value) == (
        f"No length is both {ends[0]} or more and less than {ends[1]}. "
        "Check the readings and measure again."
    )


def test_the_ends_of_a_difference():
    bracket = Interval(D("5"), D("6"))
    assert difference(bracket, Interval(D("1"), D("2"))) == Interval(D(3), D(5), False, False)
    assert difference(bracket, exact(D("1"))) == Interval(D(4), D(5), True, False)
    assert difference(exact(D("5")), Interval(D("1"), D("2"))) == Interval(D(3), D(4), False, True)
    assert difference(Interval(D("5"), None), exact(D("1"))) == Interval(D(4), None)


@given(intervals(), st.lists(intervals(open_up=False), max_size=4), st.integers(-3, 3), st.data())
def test_a_difference_over_several_holds_every_one(first, others, allowance, data):
    lengths = [data.draw(st.sampled_from(lengths_in(each))) for each in (first, *others)]
    found = difference(first, *others, allowance=D(allowance))
    assert found.holds(lengths[0] - sum(lengths[1:]) + allowance)
    # Its ends are reached when closed and only then.
    ends = [(each.low, each.low_closed, each.high, each.high_closed) for each in others]
    assert found.low == first.low - sum(high for _, _, high, _ in ends) + allowance
    assert found.low_closed == (first.low_closed and all(closed for *_, closed in ends))
    if first.high is None:
        assert found.high is None
        assert not found.high_closed
    else:
        assert found.high == first.high - sum(low for low, *_ in ends) + allowance
        assert found.high_closed == (first.high_closed and all(closed for _, closed, *_ in ends))


def test_side_clearance_from_depth_width_and_plates():
    # Pocket less gear is -0.0008 to 0 in: TM 5-2815-241-34&P p.2-296; a gasket of 0.003 in and
    # the rest are invented.
    pocket, gear = exact(D("0.7478")), exact(D("0.7486"))
    assert difference(pocket, gear, allowance=D("0.003")) == exact(D("0.0022"))
    depth, width, plate = exact(D("50.00")), exact(D("40.00")), Interval(D("4.96"), D("4.97"))
    side = difference(depth, width, plate, plate)
    assert side == Interval(D("0.06"), D("0.08"), False, True)
    with pytest.raises(Fault) as unbounded:
        difference(depth, width, Interval(D(1), None))
    assert unbounded.value.code == "no_upper_end"


def test_repeats_of_a_figure_run_from_the_smallest_to_the_largest():
    repeats = [exact(D("0.12")), exact(D("0.10")), exact(D("0.11"))]
    assert combine_repeats(repeats) == (Interval(D("0.10"), D("0.12"), True, True), False)
    assert combine_repeats([exact(D("0.10"))] * 2) == (exact(D("0.10")), False)
    assert combine_repeats(repeats[:1]) == (repeats[0], False)


def test_repeats_that_overlap_keep_what_they_share():
    wide, inside = Interval(D(10), D(20)), Interval(D(12), D(15))
    assert combine_repeats([wide, inside]) == (inside, False)
    assert combine_repeats([wide, Interval(D(15), D(25))]) == (Interval(D(15), D(20)), False)
    assert combine_repeats([wide, Interval(D(12), None)]) == (Interval(D(12), D(20)), False)
    both_open = [Interval(D(10), None), Interval(D(12), None)]
    assert combine_repeats(both_open) == (Interval(D(12), None), False)
    # An end that one of them leaves out is left out.
    shut = Interval(D(10), D(20), False, True)
    assert combine_repeats([wide, shut]) == (Interval(D(10), D(20), False, False), False)
    assert combine_repeats([shut, shut]) == (shut, False)
    # A figure at the end of a bracket, and a bracket that only touches.
    assert combine_repeats([wide, exact(D(10))]) == (exact(D(10)), False)
    closed = Interval(D(5), D(10), True, True)
    assert combine_repeats([wide, closed]) == (exact(D(10)), False)


def test_repeats_that_disagree_are_taken_from_end_to_end():
    one, other = Interval(D(10), D(15)), Interval(D(15), D(20))
    assert combine_repeats([one, other]) == (Interval(D(10), D(20)), True)
    assert combine_repeats([exact(D(15)), one]) == (Interval(D(10), D(15), True, True), True)
    assert combine_repeats([Interval(D(20), None), one]) == (Interval(D(10), None), True)
    open_low = Interval(D(10), D(12), False, True)
    assert combine_repeats([open_low, Interval(D(13), D(14))]) == (
        Interval(D(10), D(14), False, False), True,
    )  # fmt: skip
    same_low = [Interval(D(10), D(12), False), Interval(D(10), D(11)), exact(D(20))]
    assert combine_repeats(same_low) == (Interval(D(10), D(20), True, True), True)
    with pytest.raises(Fault) as nothing:
        combine_repeats([])
    assert nothing.value.code == "no_repeats"
    assert str(nothing.value) == "Nothing is measured here yet. Take a reading."


@given(st.lists(intervals(), min_size=1, max_size=4))
def test_no_length_that_all_repeats_allow_is_lost(repeats):
    found, disagree = combine_repeats(repeats)
    points = sorted({point for each in repeats for point in lengths_in(each)})
    allowed = [p for p in points if all(each.holds(p) for each in repeats)]
    assert all(found.holds(point) for point in allowed)
    if disagree:
        assert not allowed
        assert all(found.holds(p) for each in repeats for p in lengths_in(each))
    elif not all(each.is_exact for each in repeats):
        assert all(p in allowed for p in points if found.holds(p))
