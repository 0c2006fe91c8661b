"""What was measured again, on the pages that show it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from django.template import Library

from fleet.units import LengthUnit, show
from inspections.agreement_selectors import Comparison
from inspections.models import Reading

register = Library()


@register.filter
def of_line(by_line: Mapping[int, Sequence[Comparison]], line: int) -> Sequence[Comparison]:
    """The comparisons of one check; none where nothing was measured again."""
    return by_line.get(line, ())


@register.filter
def between(reading: Reading) -> str:
    """A reading in as few words as it takes: 0.08 to 0.09 mm."""
    unit = LengthUnit(reading.unit)
    if reading.high is None:
        return f"{show(reading.low, unit)} or more"
    if reading.low == reading.high:
        return show(reading.low, unit)
    return f"{reading.low:f} to {show(reading.high, unit)}"
