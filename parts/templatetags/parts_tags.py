"""Verdicts as they stand on the board and beside the parts."""

from __future__ import annotations

from decimal import Decimal

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

from fleet.units import LengthUnit, convert
from inspections.models import Verdict
from inspections.plots import verdict_svg
from inspections.verdicts import Outcome

register = template.Library()


@register.simple_tag
def verdict_of(row: Verdict) -> SafeString:
    """The drawing of a verdict with its word beside it; `row.line` at hand."""
    limit_unit = LengthUnit(row.line.unit)
    own = LengthUnit(row.unit) if row.unit else limit_unit
    # Millimetres take every unit exactly, inches would not take millimetres.
    unit = own if own is limit_unit else LengthUnit.MM

    def shown(value: Decimal | None, of: LengthUnit) -> Decimal | None:
        return value if value is None or of is unit else convert(value, of, unit)

    drawing = verdict_svg(
        low=shown(row.low, own),
        high=shown(row.high, own),
        exact=row.low is not None and row.low == row.high,
        limit_low=shown(row.line.limit_low, limit_unit),
        limit_high=shown(row.line.limit_high, limit_unit),
        outcome=row.outcome,
        title=row.sentence,
    )
    return format_html(
        '<span class="verdict verdict--{}">{} <span>{}</span></span>',
        row.outcome,
        mark_safe(drawing),  # noqa: S308 (drawn by us, its text escaped)
        Outcome(row.outcome).label,
    )
