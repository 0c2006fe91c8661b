"""The pages of the stores, in the order of a clerk's day."""

from __future__ import annotations

from django import template

register = template.Library()

_PAGES = (
    ("pull-lists", "Pull lists"),
    ("stock", "Stock"),
    ("batches", "Batches"),
    ("transfers", "Transfers"),
    ("orders", "Orders"),
    ("counts", "Counts"),
    ("catalogue", "Catalogue"),
    ("suppliers", "Suppliers"),
    ("holdings", "What to hold"),
    ("value", "Value"),
    ("costs", "Repair costs"),
)


@register.simple_tag
def stores_pages() -> tuple[tuple[str, str, str], ...]:
    """(name, address, label) of each page in the row above the stores' pages."""
    return tuple((name, f"parts:{name}", label) for name, label in _PAGES)
