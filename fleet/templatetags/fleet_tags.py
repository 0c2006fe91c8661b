"""Dates, states and addresses as they stand on every page."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import uuid4

from django.http import HttpRequest
from django.template import Library
from django.utils.html import format_html
from django.utils.safestring import SafeString

from fleet.lifecycle import PumpStatus
from fleet.limits import formula as formula_of
from fleet.models import SheetLine
from fleet.units import LengthUnit
from fleet.web.pages import KEY_FIELD

register = Library()

_TONE = {
    PumpStatus.ON_BENCH: "open",
    PumpStatus.AWAITING_COUNTERSIGNATURE: "open",
    PumpStatus.AWAITING_PARTS: "open",
    PumpStatus.READY_TO_REBUILD: "good",
    PumpStatus.SCRAPPED: "bad",
}


@register.filter
def day(value: date | datetime | None) -> str:
    """14 Mar 2026."""
    return "" if value is None else f"{value.day} {value:%b %Y}"


@register.filter
def moment(value: datetime | None) -> str:
    """14 Mar 2026, 09:15 UTC."""
    return "" if value is None else f"{value.day} {value:%b %Y, %H:%M} UTC"


@register.filter
def hours(value: Decimal | None) -> str:
    """1 240.5."""
    return "" if value is None else f"{value:,.1f}".replace(",", "\u202f")


@register.filter
def figure(value: Decimal | None) -> str:
    """A nameplate figure without the noughts that the column adds: 32.000 is 32."""
    if value is None:
        return ""
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


@register.filter
def formula(line: SheetLine) -> str:
    """How a computed check comes about; "" for one that is measured."""
    return formula_of(line.label, line.terms, line.allowance, LengthUnit(line.unit))


@register.simple_tag
def pump_stamp(status: str) -> SafeString:
    """The state of a pump as its stamp."""
    state = PumpStatus(status)
    tone = _TONE.get(state)
    return format_html(
        '<span class="stamp{}">{}</span>', f" stamp--{tone}" if tone else "", state.label
    )


@register.simple_tag
def request_key() -> SafeString:
    """The hidden field by which a form that is sent twice acts once."""
    return format_html('<input type="hidden" name="{}" value="{}">', KEY_FIELD, uuid4())


@register.simple_tag(takes_context=True)
def page_address(context: dict[str, Any], number: int) -> str:
    """The address of another page of the same rows."""
    request: HttpRequest = context["request"]
    query = request.GET.copy()
    query["page"] = str(number)
    return f"?{query.urlencode()}"
