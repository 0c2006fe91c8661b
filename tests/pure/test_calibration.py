"""When an instrument is overdue, and in which words. Common practice, no source."""

from datetime import date

import pytest

from inspections.rules.calibration import Standing, is_overdue, standing, standing_sentence

TODAY = date(2026, 3, 14)


@pytest.mark.parametrize(
    ("due_on", "expected", "sentence"),
    [
        (None, Standing.NO_DATE, "no calibration date on record"),
        (date(2026, 2, 3), Standing.OVERDUE, "overdue since 3 Feb 2026, by 39 days"),
        (date(2026, 3, 13), Standing.OVERDUE, "overdue since 13 Mar 2026, by 1 day"),
        (date(2026, 3, 14), Standing.DUE_SOON, "due today, 14 Mar 2026"),
        (date(2026, 3, 15), Standing.DUE_SOON, "due on 15 Mar 2026, in 1 day"),
        (date(2026, 4, 13), Standing.DUE_SOON, "due on 13 Apr 2026, in 30 days"),
        (date(2026, 4, 14), Standing.IN_DATE, "due on 14 Apr 2026"),
    ],
)
def test_the_due_day_itself_still_counts(
    due_on: date | None, expected: Standing, sentence: str
) -> None:
    assert standing(due_on, TODAY) is expected
    assert standing_sentence(due_on, TODAY) == sentence
    assert is_overdue(due_on, TODAY) is (expected is Standing.OVERDUE)
