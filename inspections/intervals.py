"""What is known of a length after measuring: an interval, with ends that belong to it or do not.

A feeler gives a bracket, a micrometer a single figure; both are intervals. Every figure of one
calculation is in one unit, which the caller keeps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import permutations

from fleet.faults import Fault


@dataclass(frozen=True, slots=True)
class Interval:
    """From low to high; a closed end belongs to it. `high` None: nothing is known upwards.

    The default ends are those of a feeler bracket: a leaf that enters may fit exactly, a leaf that
    refuses is thicker than the gap. Raises Fault "empty_interval" when no length is left.
    """

    low: Decimal
    high: Decimal | None
    low_closed: bool = True
    high_closed: bool = False

    def __post_init__(self) -> None:
        if self.high is None:
            return
        both_closed = self.low_closed and self.high_closed
        if self.low > self.high or (self.low == self.high and not both_closed):
            raise Fault(
                f"No length is both {self.low:f} or more and less than {self.high:f}. "
                "Check the readings and measure again.",
                code="empty_interval",
            )

    @property
    def is_exact(self) -> bool:
        return self.low == self.high

    def holds(self, value: Decimal) -> bool:
        above = value > self.low or (self.low_closed and value == self.low)
        below = self.high is None or value < self.high or (self.high_closed and value == self.high)
        return above and below

    def scaled(self, factor: Decimal) -> Interval:
        """The same interval in a unit `factor` times as small; factor above nothing."""
        high = None if self.high is None else self.high * factor
        return Interval(self.low * factor, high, self.low_closed, self.high_closed)


def exact(value: Decimal) -> Interval:
    """A figure read off an instrument, taken as it stands."""
    return Interval(value, value, low_closed=True, high_closed=True)


def difference(first: Interval, second: Interval) -> Interval:
    """All that first less second can be.

    Raises Fault "no_upper_end" when the second has no upper end: nothing would be known
    downwards.
    """
    if second.high is None:
        raise Fault(
            "The second reading has no upper end, so no difference can be formed. "
            "Measure it again with an instrument that gives a figure.",
            code="no_upper_end",
        )
    return Interval(
        first.low - second.high,
        None if first.high is None else first.high - second.low,
        first.low_closed and second.high_closed,
        first.high_closed and second.low_closed,
    )


def spread(intervals: Sequence[Interval]) -> Interval:
    """All that the largest less the smallest can be; one interval alone has no spread.

    Low end: the widest distance that two of them are certainly apart. High end: the widest that
    two of them can be apart. An end is closed when some choice of lengths reaches it.
    """
    low, low_closed = Decimal(0), True
    high: Decimal | None = Decimal(0)
    high_closed = True
    for upper, lower in permutations(intervals, 2):
        if lower.high is not None:
            apart = upper.low - lower.high
            reached = upper.low_closed and lower.high_closed
            if apart > low:
                low, low_closed = apart, reached
            elif apart == low:
                low_closed = low_closed and reached
        if upper.high is None:
            high, high_closed = None, False
        elif high is not None:
            apart = upper.high - lower.low
            reached = upper.high_closed and lower.low_closed
            if apart > high:
                high, high_closed = apart, reached
            elif apart == high:
                high_closed = high_closed or reached
    return Interval(low, high, low_closed, high_closed)
