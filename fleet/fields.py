"""Column types of our own."""

from __future__ import annotations

from typing import Any

from django.db import models


class PrintedDecimalField(models.DecimalField):  # type: ignore[type-arg]
    """A decimal that keeps the digits it was written with: 0.150 stays 0.150, not 0.15.

    PostgreSQL's `numeric` without a scale stores the scale of each value. A printed figure stands
    for half a unit of its last digit either side, so the digits are part of what the book says.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("max_digits", 14)
        kwargs.setdefault("decimal_places", 8)
        super().__init__(*args, **kwargs)

    def db_type(self, connection: Any) -> str:
        return "numeric"
