"""What a study comes to: in words, and against the limits."""

import math
from decimal import Decimal as D

import pytest

from inspections.rules.repeatability import (
    Spreads,
    StudyResult,
    sentences,
    share_of_tolerance,
    steps_in_tolerance,
)


def said(measuring, parts, *, tolerance=None, apart=None, split=(1, 0, 0)):
    """Sentences for spreads of this size; split: squares of repeats, persons and interaction."""
    whole = sum(split)
    own, persons, interaction = (measuring * math.sqrt(one / whole) for one in split)
    spreads = Spreads(own, persons, interaction, measuring, parts, math.hypot(measuring, parts))
    result = StudyResult(None, spreads, None, 0, measuring, apart, ())
    return sentences(
        result, what="side clearance", by="leaf sets", parts=10, tolerance=tolerance, unit="mm"
    )


AGAIN = "Most of it comes from one person finding something else when measuring again."


def test_the_share_of_the_measuring_comes_first():
    # 1.41 * (0.10 / 6) / 0.0056 = 4.2.
    assert said(0.0056, 0.0192, tolerance=D("0.10")) == (
        "Of the spread in side clearance with leaf sets, 28 % comes from who measures and how; "
        "a limit 0.10 mm wide can be told apart in 4 steps.",
        AGAIN,
    )


def test_without_a_tolerance_the_parts_are_what_is_told_apart():
    assert said(1, 2)[0].endswith("; the parts of the study can be told apart in 2 steps.")
    assert said(2, 1)[0].endswith("; the parts of the study cannot be told apart in steps at all.")
    assert said(1, 9, tolerance=D("0.10"))[0].endswith(
        "; a limit 0.10 mm wide cannot be told apart in steps at all."
    )


def test_measuring_that_adds_nothing():
    assert said(0, 1) == (
        "Of the spread in side clearance with leaf sets, 0 % comes from who measures and how.",
    )


def test_readings_that_are_all_alike_say_nothing():
    assert said(0, 0, tolerance=D("0.10")) == (
        "All readings of side clearance with leaf sets are alike: nothing is spread, so nothing "
        "can be said about who measures.",
    )


@pytest.mark.parametrize(
    ("measuring", "parts", "words"),
    [
        (1, 200, "less than 1 %"),
        (200, 1, "more than 99 %"),
        (1, 0, "100 %"),
        (1, math.sqrt(9999), "1 %"),
        (99, math.sqrt(199), "99 %"),
        (3, 4, "60 %"),
    ],
)
def test_a_share_is_told_in_whole_percent(measuring, parts, words):
    assert f", {words} comes from" in said(measuring, parts)[0]


@pytest.mark.parametrize(
    ("split", "words"),
    [
        ((3, 2, 2), "one person finding something else when measuring again"),
        ((2, 3, 2), "one person reading higher than another"),
        ((2, 2, 3), "people differing from part to part"),
    ],
)
def test_the_largest_cause_is_named(split, words):
    assert said(1, 1, split=split)[1] == f"Most of it comes from {words}."


def test_parts_at_which_brackets_do_not_meet_are_counted():
    assert said(1, 1, apart=("HP-1", "HP-4"))[2:] == (
        "At 2 of 10 parts the brackets of two people do not meet: HP-1, HP-4.",
    )
    assert len(said(1, 1, apart=())) == 2


def test_the_share_of_a_tolerance_is_six_spreads():
    assert share_of_tolerance(0.01, D("0.10")) == pytest.approx(60)


def test_steps_within_a_tolerance():
    # 1.41 * (0.12 / 6) / 0.005 = 5.64; never below one; no end where measuring adds nothing.
    assert steps_in_tolerance(0.005, D("0.12")) == 5
    assert steps_in_tolerance(1.0, D("0.12")) == 1
    assert steps_in_tolerance(0, D("0.12")) is None
    assert steps_in_tolerance(1.41 / 6, D(1)) == 1
    assert steps_in_tolerance(1.41 / 12, D(1)) == 2
    assert steps_in_tolerance(1.415 / 12, D(1)) == 1
