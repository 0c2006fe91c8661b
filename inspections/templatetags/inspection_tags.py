"""Verdicts, figures and times as they stand on the inspection pages."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from django.template import Library
from django.utils.html import format_html
from django.utils.safestring import SafeString

from fleet.units import LengthUnit, show
from fleet.vocabulary import Component
from fleet.web.pages import KEY_FIELD
from inspections.judging import tries_of
from inspections.models import Reading, Verdict
from inspections.rules.calibration import Standing
from inspections.rules.dispositions import Disposition
from inspections.rules.findings import Cause, Severity, Word
from inspections.rules.leaves import Try
from inspections.rules.lifecycle import InspectionState, Reason
from inspections.rules.verdicts import Outcome
from inspections.selectors import Check
from inspections.web import reading as shown
from inspections.web.leafwork import FEEL_SIGNS

register = Library()


@register.simple_tag
def verdict(check: Check) -> SafeString:
    """The drawing of a check's verdict with its word beside it."""
    row = check.verdict
    if row is None or check.outcome is None:
        name, word = (
            ("not-measured", "not measured")
            if check.applies
            else ("not-applicable", "not applicable")
        )
        return format_html('<span class="verdict verdict--{}"><span>{}</span></span>', name, word)
    return format_html(
        '<span class="verdict verdict--{}">{} <span>{}{}</span></span>',
        row.outcome,
        shown.verdict_drawing(row, check.line),
        check.outcome.label,
        ", waived" if check.is_waived else "",
    )


@register.simple_tag
def verdict_of(row: Verdict) -> SafeString:
    """The drawing of a verdict with its word beside it; `row.line` at hand."""
    return format_html(
        '<span class="verdict verdict--{}">{} <span>{}</span></span>',
        row.outcome,
        shown.verdict_drawing(row, row.line),
        Outcome(row.outcome).label,
    )


@register.simple_tag
def request_key() -> SafeString:
    """A key of its own for each form: sent twice, it acts once."""
    return format_html('<input type="hidden" name="{}" value="{}">', KEY_FIELD, uuid.uuid4())


@register.filter
def length_of(value: Decimal | None, unit: str) -> str:
    """A length with its unit; nothing for None."""
    return "" if value is None else show(value, LengthUnit(unit))


@register.filter
def figures(value: Decimal) -> str:
    """A length by itself, with the digits that it is marked with."""
    return f"{value:f}"


@register.filter
def calibration_class(value: Standing) -> str:
    """The class that lets the words about a calibration stand out, where they ask for something."""
    return {Standing.OVERDUE: "overdue", Standing.DUE_SOON: "due-soon"}.get(value, "")


@register.filter
def unit_label(unit: str) -> str:
    return LengthUnit(unit).label


@register.filter
def moment(value: datetime | None) -> str:
    """14 Mar 2026, 09:15 UTC."""
    return "" if value is None else f"{value.day} {value:%b %Y, %H:%M} UTC"


@register.filter
def day(value: date | None) -> str:
    """14 Mar 2026."""
    return "" if value is None else f"{value.day} {value:%b %Y}"


@register.filter
def hours(value: Decimal) -> str:
    """1 234 h."""
    return f"{value:,.0f} h".replace(",", "\u202f")


@register.filter
def said(reading: Reading) -> str:
    """A reading in the words of the bench."""
    return shown.said_of(reading)


@register.filter
def repeats_said(reading: Reading) -> str:
    """What was read each time at a position that was measured again."""
    return shown.repeats_said(reading)


@register.filter
def overdue_said(reading: Reading) -> str:
    """That a reading was taken with an overdue instrument."""
    return shown.overdue_said(reading)


@register.filter
def tries(reading: Reading) -> list[tuple[Try, str]]:
    """Each leaf tried with the sign of its feel."""
    return [(one, FEEL_SIGNS[one.feel]) for one in tries_of(reading)]


@register.filter
def stack(one: Try) -> str:
    """0.10 + 0.06 = 0.16, or one leaf alone."""
    leaves = " + ".join(f"{leaf:f}" for leaf in one.leaves)
    return leaves if len(one.leaves) == 1 else f"{leaves} = {one.thickness:f}"


@register.filter
def component_label(value: str) -> str:
    return Component(value).label


@register.filter
def word_label(value: str) -> str:
    return Word(value).label


@register.filter
def cause_label(value: str) -> str:
    return Cause(value).label if value else ""


@register.filter
def severity_label(value: int) -> str:
    return Severity(value).label


@register.filter
def disposition_label(value: str) -> str:
    return Disposition(value).label


@register.filter
def state_label(value: str) -> str:
    return InspectionState(value).label if value else ""


@register.filter
def state_stamp(value: str) -> str:
    """The class of the stamp that shows a state."""
    return {"signed": "stamp--good", "open": "stamp--open"}.get(value, "")


@register.filter
def reason_label(value: str) -> str:
    return Reason(value).label


@register.filter
def labels(rows: Iterable[Any]) -> str:
    """In the middle of a sentence: "seals; wear plate, front; bushes"."""
    names = [Component(row.component).label for row in rows]
    return "; ".join(name[0].lower() + name[1:] for name in names)


@register.filter
def figure(value: Decimal) -> str:
    """A figure without the zeros that a column adds: 32, 33.5."""
    return str(shown.plain(value))


@register.filter
def uncertainty(row: Reading) -> str:
    """How far a reading may be off, and what that is made of."""
    return shown.uncertainty_said(row)
