"""Batches of parts that age: when they expire, and which is taken first."""

from __future__ import annotations

import calendar
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import Enum


@dataclass(frozen=True, slots=True)
class Lot:
    """Some of one batch on one shelf. batch: its id; None for what came in without a batch."""

    batch: int | None
    expires_on: date | None
    quantity: int


def expiry(cured_on: date, shelf_life_months: int) -> date:
    """The last day on which a part cured on `cured_on` may be fitted.

    shelf_life_months >= 1. The same day of the month, or the last one where the month is shorter.
    Source: shelf lives run from the cure date (common practice, no source).
    """
    months = cured_on.year * 12 + cured_on.month - 1 + shelf_life_months
    year, month = divmod(months, 12)
    last = calendar.monthrange(year, month + 1)[1]
    return date(year, month + 1, min(cured_on.day, last))


def is_expired(expires_on: date | None, today: date) -> bool:
    """Whether it may no longer be fitted: the day of expiry itself still counts."""
    return expires_on is not None and expires_on < today


def usable(lots: Iterable[Lot], today: date) -> int:
    """How many of the lots may still be handed out."""
    return sum(lot.quantity for lot in lots if not is_expired(lot.expires_on, today))


def first_expired_first_out(lots: Iterable[Lot], quantity: int, today: date) -> Sequence[Lot]:
    """What is taken from which lot, for `quantity` pieces in all; less when there is less.

    The lot that expires soonest goes first, what has no date last, and nothing that has expired.
    """
    taken: list[Lot] = []
    fresh = [lot for lot in lots if not is_expired(lot.expires_on, today) and lot.quantity > 0]
    fresh.sort(key=lambda lot: (lot.expires_on or date.max, lot.batch or 0))
    for lot in fresh:
        if quantity <= 0:
            break
        piece = min(quantity, lot.quantity)
        taken.append(Lot(lot.batch, lot.expires_on, piece))
        quantity -= piece
    return taken


class Window(Enum):
    """How soon a batch expires; the value is the last day of it, counted from today."""

    EXPIRED = -1
    DAYS_30 = 30
    DAYS_90 = 90
    DAYS_180 = 180
    LATER = None


def window(expires_on: date, today: date) -> Window:
    """The first window that the day of expiry lies in. Source: house rule."""
    left = (expires_on - today).days
    return next((w for w in Window if w.value is not None and left <= w.value), Window.LATER)
