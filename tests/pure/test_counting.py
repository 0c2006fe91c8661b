"""Classes of parts, what is due to be counted, and what a difference takes."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.rules.counting import (
    CountClass,
    Due,
    LineState,
    Promise,
    Stocked,
    accuracy,
    bin_key,
    classes,
    due,
    in_bins,
    line_state,
    needs_second_person,
    promises_to_release,
)

A, B, C = CountClass.A, CountClass.B, CountClass.C
TODAY = date(2026, 11, 25)
D = Decimal


def moved(*values: int) -> list[Stocked]:
    return [Stocked(n, D(value), D(0)) for n, value in enumerate(values, 1)]


def test_the_first_80_per_cent_are_a_the_next_15_b_the_rest_c() -> None:
    # Shares 50, 30, 10, 5, 4, 1 per cent: before them lie 0, 50, 80, 90, 95, 99.
    found = classes(moved(50, 30, 10, 5, 4, 1))
    assert found == {1: A, 2: A, 3: B, 4: B, 5: C, 6: C}


def test_the_part_that_crosses_a_share_belongs_to_the_class_above() -> None:
    assert classes(moved(60, 30, 10)) == {1: A, 2: A, 3: B}


def test_a_single_part_is_a_and_one_without_value_is_c() -> None:
    assert classes(moved(7)) == {1: A}
    assert classes(moved(7, 0)) == {1: A, 2: C}
    assert classes(moved(0)) == {1: C}
    assert classes([]) == {}


def test_the_stricter_class_of_movement_and_of_value_on_hand_holds() -> None:
    rows = [
        Stocked(1, moved=D(100), value=D(0)),  # moves much, and the shelf is nearly empty
        Stocked(2, moved=D(0), value=D(100)),  # a dear part that never moves
        Stocked(3, moved=D(1), value=D(1)),
    ]
    assert classes(rows) == {1: A, 2: A, 3: C}


def test_negative_movement_counts_as_none() -> None:
    # More came back than went out within the year.
    assert classes(moved(100, -20)) == {1: A, 2: C}


@given(st.lists(st.integers(0, 10**6), max_size=40))
def test_a_part_is_never_in_a_lower_class_than_one_that_moves_less(values: list[int]) -> None:
    found = classes(moved(*values))
    ranked = sorted(found, key=lambda part: -values[part - 1])
    assert [found[part] for part in ranked] == sorted(found.values())


@given(st.lists(st.integers(1, 10**6), min_size=1, max_size=40))
def test_class_a_carries_at_least_80_per_cent_and_a_and_b_95(values: list[int]) -> None:
    found = classes(moved(*values))
    total = sum(values)
    of = {c: sum(v for n, v in enumerate(values, 1) if found[n] is c) for c in CountClass}
    assert of[A] * 100 >= 80 * total
    assert (of[A] + of[B]) * 100 >= 95 * total


def test_intervals_are_a_month_a_quarter_and_a_year() -> None:
    # House rule, common practice, no source.
    assert [c.interval_days for c in CountClass] == [30, 90, 365]


def test_due_is_what_is_older_than_its_interval_and_never_counted_comes_first() -> None:
    classed = {1: A, 2: A, 3: B, 4: C, 5: C, 6: A}
    days = {1: 30, 2: 31, 3: 200, 4: 365}
    last = {part: TODAY - timedelta(days=ago) for part, ago in days.items()}
    assert due(classed, last, TODAY) == [
        Due(6, A, None, 0),
        Due(5, C, None, 0),
        Due(3, B, last[3], 110),
        Due(2, A, last[2], 1),
    ]


def test_level_with_each_other_the_higher_class_comes_first() -> None:
    last = {1: TODAY - timedelta(days=95), 2: TODAY - timedelta(days=35)}
    assert [row.part for row in due({1: B, 2: A}, last, TODAY)] == [2, 1]


@pytest.mark.parametrize(
    ("difference", "needed"), [(0, False), (10, False), (-10, False), (11, True), (-11, True)]
)
def test_more_than_the_limit_takes_a_second_person(difference: int, *, needed: bool) -> None:
    assert needs_second_person(difference, D("10.00"), D(100)) is needed


def test_a_limit_of_nought_takes_one_for_every_difference_that_is_worth_anything() -> None:
    assert needs_second_person(1, D("0.01"), D(0))
    assert not needs_second_person(1, D(0), D(0))


def test_accuracy_is_the_share_of_lines_without_a_difference() -> None:
    assert accuracy(0, 0) is None
    assert accuracy(3, 2) == D("66.7")
    assert accuracy(5, 5) == D(100)


@pytest.mark.parametrize(
    ("counted", "explained", "corrected", "state"),
    [
        (None, False, False, LineState.TO_COUNT),
        (None, True, False, LineState.TO_COUNT),  # sent back
        (5, False, False, LineState.RIGHT),
        (4, False, False, LineState.UNEXPLAINED),
        (4, True, False, LineState.WAITING),
        (4, True, True, LineState.CORRECTED),
    ],
)
def test_the_state_of_a_line(
    counted: int | None, *, explained: bool, corrected: bool, state: LineState
) -> None:
    found = line_state(counted, 5, explained=explained, corrected=corrected)
    assert found is state


def test_bins_come_as_one_walks() -> None:
    walked = ["A1", "A2", "A10", "A10-3", "B-2", "B-14", "C", ""]
    assert sorted(walked[4:] + walked[:4], key=bin_key) == walked


@pytest.mark.parametrize(
    ("bin", "inside"),
    [("A2", True), ("A1", False), ("A10", True), ("B", True), ("B-14", True), ("C1", False)],
)
def test_a_range_of_bins_holds_both_ends_and_what_begins_like_the_last(
    bin: str, *, inside: bool
) -> None:
    assert in_bins(bin, "A2", "B") is inside
    assert not in_bins("", "A2", "B")


def test_the_least_urgent_promises_go_until_the_rest_fits() -> None:
    promises = [Promise(("demand", n), quantity) for n, quantity in enumerate((2, 1, 3))]
    assert promises_to_release(promises, 6) == []
    assert [p.key[1] for p in promises_to_release(promises, 5)] == [2]
    assert [p.key[1] for p in promises_to_release(promises, 2)] == [2, 1]
    assert [p.key[1] for p in promises_to_release(promises, 0)] == [2, 1, 0]
