"""What a study still needs before it can be computed."""

from decimal import Decimal as D

import pytest

from inspections.rules.intervals import Interval
from inspections.rules.studyplan import Measured, Place, Plan, faults_of, missing

WIDE = Interval(D("0.10"), D("0.15"))


def full(plan):
    return [Measured(place, WIDE) for place in plan.places()]


PLAN = Plan(("Ann", "Ben"), ("HP-1", "HP-2"), 2)


def test_a_complete_study_has_no_fault():
    assert faults_of(PLAN, full(PLAN)) == []
    assert missing(PLAN, full(PLAN)) == []


def test_the_places_of_a_plan_are_all_of_them_in_order():
    assert [str(place) for place in PLAN.places()] == [
        f"{person} at {part}, repeat {trial}"
        for person in ("Ann", "Ben")
        for part in ("HP-1", "HP-2")
        for trial in (1, 2)
    ]


def test_missing_cells_are_named_and_the_study_refused():
    readings = full(PLAN)
    del readings[5]
    assert missing(PLAN, readings) == [Place("Ben", "HP-1", 2)]
    (fault,) = faults_of(PLAN, readings)
    assert fault.code == "study_unbalanced"
    assert fault.detail == (
        "Everybody measures every part as often. Still to be measured: Ben at HP-1, repeat 2."
    )


def test_of_many_missing_cells_six_are_named():
    (fault,) = faults_of(PLAN, [])
    assert fault.detail.endswith(
        "Ann at HP-1, repeat 1; Ann at HP-1, repeat 2; Ann at HP-2, repeat 1; "
        "Ann at HP-2, repeat 2; Ben at HP-1, repeat 1; Ben at HP-1, repeat 2; and 2 more."
    )
    (fault,) = faults_of(PLAN, full(PLAN)[:1])
    assert fault.detail.endswith("Ben at HP-2, repeat 1; and 1 more.")
    (fault,) = faults_of(PLAN, full(PLAN)[:2])
    assert fault.detail.endswith("Ben at HP-2, repeat 2.")


def test_a_cell_measured_twice_is_named():
    readings = full(PLAN)
    (fault,) = faults_of(PLAN, [*readings, readings[3]])
    assert fault.code == "study_unbalanced"
    assert fault.detail == (
        "Measured more than once: Ann at HP-2, repeat 2. Keep one reading of each."
    )


def test_a_cell_outside_the_plan_is_named():
    (fault,) = faults_of(PLAN, [*full(PLAN), Measured(Place("Cid", "HP-1", 1), WIDE)])
    assert fault.code == "study_unbalanced"
    assert fault.detail == "Not in the plan of this study: Cid at HP-1, repeat 1."


def test_a_bracket_without_an_upper_end_is_named():
    readings = full(PLAN)
    readings[2] = Measured(readings[2].place, Interval(D("1.00"), None))
    (fault,) = faults_of(PLAN, readings)
    assert fault.code == "no_upper_end"
    assert fault.detail == (
        "No leaf refused: Ann at HP-2, repeat 1. Measure again with a thicker leaf that does not "
        "enter."
    )


@pytest.mark.parametrize(
    ("plan", "sentence"),
    [
        (
            Plan(("Ann",), ("HP-1", "HP-2"), 2),
            "This study has 1 person; it takes 2 at the least. "
            "Have somebody else measure the same parts.",
        ),
        (
            Plan(("Ann", "Ben"), ("HP-1",), 2),
            "This study has 1 part; it takes 2 at the least. Add another pump.",
        ),
        (
            Plan(("Ann", "Ben"), ("HP-1", "HP-2"), 1),
            "This study has 1 repeat; it takes 2 at the least. "
            "Have everybody measure every part again.",
        ),
        (
            Plan((), ("HP-1", "HP-2"), 2),
            "This study has no persons; it takes 2 at the least. "
            "Have somebody else measure the same parts.",
        ),
    ],
)
def test_too_small_a_study_says_what_to_add(plan, sentence):
    faults = faults_of(plan, full(plan))
    assert [(fault.code, fault.detail) for fault in faults] == [("study_too_small", sentence)]
