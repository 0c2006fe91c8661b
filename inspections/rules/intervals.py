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


def difference(first: Interval, *others: Interval, allowance: Decimal = Decimal(0)) -> Interval:
    """All that first less all others, plus the allowance, can be.

    The allowance is an exact figure, such as the thickness of a gasket. Raises Fault
    "no_upper_end" when one that is subtracted has no upper end: nothing would be known downwards.
    """
    low, high = first.low + allowance, first.high
    high = None if high is None else high + allowance
    low_closed, high_closed = first.low_closed, first.high_closed
    for other in others:
        if other.high is None:
            raise Fault(
                "A reading that is subtracted has no upper end, so no difference can be formed. "
                "Measure it again with an instrument that gives a figure.",
                code="no_upper_end",
            )
        low -= other.high
        high = None if high is None else high - other.low
        low_closed = low_closed and other.high_closed
        high_closed = high_closed and other.low_closed
    return Interval(low, high, low_closed, high_closed)


def combine_repeats(repeats: Sequence[Interval]) -> tuple[Interval, bool]:
    """One interval from repeats at one position, and whether they disagree.

    Figures: from the smallest to the largest, both included; they scatter, and never disagree.
    Brackets: what they have in common; where nothing is, all from the lowest end to the highest,
    and True. Raises Fault "no_repeats" for none.
    """
    if not repeats:
        raise Fault("Nothing is measured here yet. Take a reading.", code="no_repeats")
    if all(each.is_exact for each in repeats):
        figures = [each.low for each in repeats]
        return Interval(min(figures), max(figures), high_closed=True), False
    low = max(each.low for each in repeats)
    low_closed = all(each.low_closed for each in repeats if each.low == low)
    high = min((each.high for each in repeats if each.high is not None), default=None)
    high_closed = high is not None and all(e.high_closed for e in repeats if e.high == high)
    if high is None or low < high or (low == high and low_closed and high_closed):
        return Interval(low, high, low_closed, high_closed), False
    return _hull(repeats), True


def _hull(intervals: Sequence[Interval]) -> Interval:
    low = min(each.low for each in intervals)
    low_closed = any(each.low_closed for each in intervals if each.low == low)
    bounded = [each.high for each in intervals if each.high is not None]
    if len(bounded) < len(intervals):
        return Interval(low, None, low_closed)
    high = max(bounded)
    high_closed = any(each.high_closed for each in intervals if each.high == high)
    return Interval(low, high, low_closed, high_closed)


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
