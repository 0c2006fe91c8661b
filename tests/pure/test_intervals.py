"""Interval arithmetic, against sampled lengths."""

from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.faults import Fault
from inspections.intervals import Interval, difference, exact, spread


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


@pytest.mark.parametrize(
    "ends", [("0.2", "0.1", True, True), ("0.1", "0.1", True, False), ("0.1", "0.1", False, True)]
)
def test_an_empty_interval_is_refused(ends):
    with pytest.raises(Fault) as refused:
        Interval(D(ends[0]), D(ends[1]), ends[2], ends[3])
    assert refused.value.code == "empty_interval"


def test_the_ends_of_a_difference():
    bracket = Interval(D("5"), D("6"))
    assert difference(bracket, Interval(D("1"), D("2"))) == Interval(D(3), D(5), False, False)
    assert difference(bracket, exact(D("1"))) == Interval(D(4), D(5), True, False)
    assert difference(exact(D("5")), Interval(D("1"), D("2"))) == Interval(D(3), D(4), False, True)
    assert difference(Interval(D("5"), None), exact(D("1"))) == Interval(D(4), None)
