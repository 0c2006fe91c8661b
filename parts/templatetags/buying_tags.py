"""Amounts and states of orders as they stand on the pages."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from django.template import Library
from django.utils.html import format_html
from django.utils.safestring import SafeString

from parts.rules.lifecycle import OrderState

register = Library()

_TONE = {
    OrderState.SUBMITTED: " stamp--open",
    OrderState.APPROVED: " stamp--open",
    OrderState.RECEIVED: " stamp--good",
}


@register.filter
def amount(value: Decimal | None) -> str:
    """1 240.50: two places, more only where a price has them."""
    if value is None:
        return ""
    text = f"{value:,.4f}".replace(",", "\u202f")
    return text[:-2] if text.endswith("00") else text.rstrip("0")


@register.filter
def days_before(value: date, today: date) -> int:
    """How many days `value` lies before `today`."""
    return (today - value).days


@register.filter
def order_stamp(state: str) -> SafeString:
    """The state of an order as its stamp."""
    found = OrderState(state)
    return format_html('<span class="stamp{}">{}</span>', _TONE.get(found, ""), found.label)
