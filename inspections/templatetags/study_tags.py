"""What was measured again, on the pages that show it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from django.template import Library

from inspections.agreement_selectors import Comparison

register = Library()


@register.filter
def of_line(by_line: Mapping[int, Sequence[Comparison]], line: int) -> Sequence[Comparison]:
    """The comparisons of one check; none where nothing was measured again."""
    return by_line.get(line, ())
