"""Lead times, promised and seen."""

from __future__ import annotations

import random
import statistics
from datetime import date

import pytest

from parts.rules.lead_times import Observed, days_late, lead_days, observed, promised

MONDAY = date(2026, 3, 2)


def test_days_are_calendar_days_and_never_below_nought() -> None:
    assert lead_days(MONDAY, date(2026, 3, 14)) == 12
    assert lead_days(MONDAY, MONDAY) == 0
    assert lead_days(MONDAY, date(2026, 3, 1)) == 0
    # 2028 is a leap year (proleptic Gregorian calendar, ISO 8601).
    assert lead_days(date(2028, 2, 28), date(2028, 3, 1)) == 2
    assert promised(date(2028, 2, 28), 2) == date(2028, 3, 1)


def test_nothing_seen_says_nothing() -> None:
    assert observed([]) is None


def test_median_and_range_are_those_of_the_standard_library() -> None:
    dice = random.Random(7)
    for n in range(1, 30):
        days = [dice.randrange(0, 90) for _ in range(n)]
        found = observed(days)
        assert found == Observed(n, statistics.median(days), min(days), max(days))


def test_one_order_that_was_forgotten_does_not_speak_for_all() -> None:
    found = observed([10, 11, 12, 12, 300])
    assert found is not None
    assert found.median_days == 12


@pytest.mark.parametrize(
    ("days", "sentence"),
    [
        ([12], "12 days the one time"),
        ([1], "1 day the one time"),
        ([9, 12, 21], "median 12 days of 3 orders, 9 to 21"),
        ([9, 12], "median 10.5 days of 2 orders, 9 to 12"),
    ],
)
def test_the_sentence(days: list[int], sentence: str) -> None:
    found = observed(days)
    assert found is not None
    assert found.sentence() == sentence


@pytest.mark.parametrize(
    ("promised_on", "still_open", "late"),
    [
        (date(2026, 3, 1), 3, 1),
        (date(2026, 1, 31), 1, 30),
        (MONDAY, 3, 0),  # the day itself
        (date(2026, 3, 3), 3, 0),
        (date(2026, 3, 1), 0, 0),  # all has come
        (None, 3, 0),  # nobody promised
    ],
)
def test_what_is_late(promised_on: date | None, still_open: int, late: int) -> None:
    assert days_late(promised_on, still_open, MONDAY) == late
