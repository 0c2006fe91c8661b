"""Amounts of money and differences of counts as they stand on every page."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.template import Library

from parts.models import Labour, Movement, StockLevel

register = Library()

_THIN = "\u202f"
_MINUS = "\u2212"


@register.filter
def amount(value: Decimal | None) -> str:
    """1 240.50: two places, a minus in front where it is below 0."""
    if value is None:
        return ""
    rounded = value.quantize(Decimal("0.01"))
    text = f"{abs(rounded):,.2f}".replace(",", _THIN)
    return f"{_MINUS}{text}" if rounded < 0 else text


@register.filter
def signed_amount(value: Decimal | None) -> str:
    """The same with a plus where it is above 0."""
    text = amount(value)
    return f"+{text}" if value is not None and value > 0 else text


@register.filter
def signed(value: int | Decimal | None) -> str:
    """+3, 0, −2."""
    if value is None:
        return ""
    return f"{_MINUS}{-value}" if value < 0 else f"+{value}" if value > 0 else "0"


@register.filter
def minus(text: str) -> str:
    """A figure with the minus that lines up: −2.5."""
    return text.replace("-", _MINUS)


@register.filter
def turned(value: int) -> str:
    """Pieces that left the shelf as pieces that the repair took, and the other way round."""
    return minus(str(-value))


@register.filter
def turned_amount(value: Decimal) -> str:
    return amount(-value)


@register.simple_tag
def piece_value(level: StockLevel) -> str:
    """What a piece on a shelf is worth."""
    return amount(level.value / level.on_hand) if level.on_hand else amount(Decimal(0))


@register.simple_tag
def piece_moved(movement: Movement) -> str:
    """What a piece of a movement was worth."""
    change = movement.on_hand_change
    return amount(movement.value_change / change) if change else ""


@register.simple_tag
def labour_cost(row: Labour) -> str:
    return amount(row.hours * (row.rate or Decimal(0)))


@register.simple_tag(takes_context=True)
def in_address(context: dict[str, Any], currency: str) -> str:
    """The address of this page with its sums in another currency."""
    query = context["request"].GET.copy()
    query["in"] = currency
    return f"?{query.urlencode()}"
