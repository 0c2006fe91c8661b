"""Who is served first."""

from __future__ import annotations

from datetime import date, datetime

Urgency = tuple[date, datetime, int]


def urgency(needed_on: date | None, raised_at: datetime, number: int) -> Urgency:
    """Sort key of a demand: the pump needed soonest first, then whoever has waited longest.

    A demand without a date comes after all that have one. number: the demand's own, the last say.
    Source: house rule.
    """
    return (needed_on or date.max, raised_at, number)
