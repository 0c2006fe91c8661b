"""Which store a page is about."""

from __future__ import annotations

from django.http import HttpRequest
from django.shortcuts import get_object_or_404

from parts import selectors
from parts.models import Store


def chosen_store(request: HttpRequest) -> tuple[list[Store], Store | None]:
    """The stores that the viewer sees, and the one asked for by ?store=, else the first."""
    visible = selectors.stores_of(request.user)
    asked = request.GET.get("store", "")
    if asked.isdecimal() and len(asked) < 10:
        return list(visible), get_object_or_404(visible, pk=asked)
    stores = list(visible)
    return stores, stores[0] if stores else None
