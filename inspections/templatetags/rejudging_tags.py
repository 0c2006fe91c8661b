"""Words for what a check comes to under a later rule."""

from __future__ import annotations

from django.template import Library

from inspections.rules.verdicts import Outcome

register = Library()


@register.filter
def outcome_label(value: str) -> str:
    return Outcome(value).label


@register.filter
def percent(value: float | None) -> str:
    """A probability of conformity: 0.9512 is 95.1 %. None: it is not known."""
    if value is None:
        return ""
    # Rounded, certainty would be claimed that is not there.
    if 0.999 < value < 1:
        return "over 99.9 %"
    if 0 < value < 0.001:
        return "under 0.1 %"
    return f"{value * 100:.1f} %"
