"""How long a supplier takes: what he promises, what was seen, and what is late."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median


@dataclass(frozen=True, slots=True)
class Observed:
    """Days from sending an order to the first receipt, over `orders` lines of orders."""

    orders: int
    median_days: float
    shortest_days: int
    longest_days: int

    def sentence(self) -> str:
        """For people: "median 12 days of 5 orders, 9 to 21"; one order has no range."""
        middle = f"{self.median_days:g}"
        if self.orders == 1:
            return f"{middle} day{'' if middle == '1' else 's'} the one time"
        return (
            f"median {middle} days of {self.orders} orders, "
            f"{self.shortest_days} to {self.longest_days}"
        )


def lead_days(sent_on: date, first_came_on: date) -> int:
    """Whole days from sending to the first receipt; never below 0."""
    return max(0, (first_came_on - sent_on).days)


def observed(days: Sequence[int]) -> Observed | None:
    """Median and range of lead times in days; None when nothing has come yet.

    The median and not the mean: one order that was forgotten for months must not speak for all.
    What has not come yet is not in it, so it flatters a supplier who is late now. Source: house
    rule.
    """
    if not days:
        return None
    return Observed(len(days), float(median(days)), min(days), max(days))


def promised(sent_on: date, promised_days: int) -> date:
    """The day on which an order sent on `sent_on` is to be here. Calendar days, like all here."""
    return sent_on + timedelta(days=promised_days)


def days_late(promised_on: date | None, open_quantity: int, today: date) -> int:
    """Days since the promised day of what has not come; 0 while it is not late.

    The promised day itself is not late yet, and what nobody promised never is.
    """
    if promised_on is None or open_quantity <= 0:
        return 0
    return max(0, (today - promised_on).days)
