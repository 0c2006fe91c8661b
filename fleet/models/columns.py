"""What columns of every app are made with."""

from __future__ import annotations

from decimal import Decimal

from django.db.models import Q

LARGEST_LENGTH = Decimal(100_000)


LARGEST_HOURS = Decimal(1_000_000)


def choices(enum: type) -> list[tuple[str, str]]:
    return [(e.value, getattr(e, "label", e.value)) for e in enum]  # type: ignore[attr-defined]


def one_of(field: str, enum: type) -> Q:
    """Check that the column holds a value of the closed list: `choices` protects nothing."""
    return Q(**{f"{field}__in": [e.value for e in enum]})  # type: ignore[attr-defined]
