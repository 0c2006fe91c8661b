"""When an instrument's calibration is due, in words. All days are days of UTC."""

from __future__ import annotations

from datetime import date
from enum import StrEnum

# How long before its day a calibration is worth arranging (house rule, no source).
SOON_DAYS = 30


class Standing(StrEnum):
    """How an instrument stands to its calibration, what asks for attention first."""

    OVERDUE = "overdue"
    DUE_SOON = "due_soon"
    NO_DATE = "no_date"
    IN_DATE = "in_date"

    @property
    def rank(self) -> int:
        return list(Standing).index(self)


def is_overdue(due_on: date | None, day: date) -> bool:
    """Whether a reading of `day` is one with an overdue instrument. The due day itself counts."""
    return due_on is not None and due_on < day


def standing(due_on: date | None, today: date) -> Standing:
    if due_on is None:
        return Standing.NO_DATE
    if is_overdue(due_on, today):
        return Standing.OVERDUE
    return Standing.DUE_SOON if (due_on - today).days <= SOON_DAYS else Standing.IN_DATE


def standing_sentence(due_on: date | None, today: date) -> str:
    """To stand after the instrument's name: "overdue since 3 Feb 2026, by 12 days"."""
    if due_on is None:
        return "no calibration date on record"
    on = f"{due_on.day} {due_on:%b %Y}"
    days = abs((due_on - today).days)
    if days == 0:
        return f"due today, {on}"
    counted = f"{days} day{'' if days == 1 else 's'}"
    match standing(due_on, today):
        case Standing.OVERDUE:
            return f"overdue since {on}, by {counted}"
        case Standing.DUE_SOON:
            return f"due on {on}, in {counted}"
        case _:
            return f"due on {on}"
