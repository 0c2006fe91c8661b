"""Lists in pages, newest first, by a cursor on the id."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ImproperlyConfigured
from django.db.models import QuerySet
from rest_framework.exceptions import NotFound
from rest_framework.pagination import CursorPagination
from rest_framework.request import Request

from fleet.faults import Fault


class CursorUnknown(Fault):
    status = 400
    code = "malformed"


class NewestFirst(CursorPagination):
    """Pages by -id and nothing else.

    DRF's cursor compares the first ordering field only and counts offsets among equals; with
    equal values (imported rows share their time) it never reaches some rows. An id has no equals.
    """

    page_size = 50
    max_page_size = 200
    page_size_query_param = "page_size"
    ordering = "-id"

    def get_ordering(self, request: Request, queryset: Any, view: Any) -> tuple[str, ...]:
        """Always -id. Raises ImproperlyConfigured where the view asks for another order."""
        asked = tuple(queryset.query.order_by) if isinstance(queryset, QuerySet) else ("a list",)
        if asked not in ((), ("-id",), ("-pk",)):
            raise ImproperlyConfigured(
                f"{type(view).__name__} orders by {', '.join(map(str, asked))}, but its pages run "
                "by -id: leave the order out, or choose another pagination_class."
            )
        return ("-id",)

    def decode_cursor(self, request: Request) -> Any:
        try:
            cursor = super().decode_cursor(request)
            if cursor is not None and cursor.position is not None:
                int(cursor.position)  # DRF would hand any text to the database
        except (NotFound, ValueError) as exc:
            raise CursorUnknown(
                "This cursor was not given by us. Use the next and previous links of a page, or "
                "leave it out to begin with the newest."
            ) from exc
        return cursor
