"""When batches expire, which goes first, and how the worth of a kit is divided.

First expired, first out and shelf lives from the cure date: common practice, no source.
"""

from __future__ import annotations

import calendar
from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.rules.batches import (
    Lot,
    Window,
    expiry,
    first_expired_first_out,
    is_expired,
    usable,
    window,
)
from parts.rules.shares import shares

TODAY = date(2026, 3, 14)


@pytest.mark.parametrize(
    ("cured_on", "months", "ends"),
    [
        (date(2026, 3, 14), 12, date(2027, 3, 14)),
        (date(2026, 1, 31), 1, date(2026, 2, 28)),
        (date(2027, 8, 31), 6, date(2028, 2, 29)),  # a leap year
        (date(2026, 12, 1), 1, date(2027, 1, 1)),
        (date(2026, 10, 31), 14, date(2027, 12, 31)),
    ],
)
def test_a_shelf_life_ends_on_the_same_day_of_a_later_month(
    cured_on: date, months: int, ends: date
) -> None:
    assert expiry(cured_on, months) == ends


@given(st.dates(date(2000, 1, 1), date(2100, 1, 1)), st.integers(1, 600))
def test_a_shelf_life_is_that_many_months_in_the_calendar(cured_on: date, months: int) -> None:
    ends = expiry(cured_on, months)
    assert (ends.year - cured_on.year) * 12 + ends.month - cured_on.month == months
    assert ends.day == min(cured_on.day, calendar.monthrange(ends.year, ends.month)[1])


def test_the_day_of_expiry_is_still_good() -> None:
    assert not is_expired(TODAY, TODAY)
    assert is_expired(TODAY - timedelta(days=1), TODAY)
    assert not is_expired(None, TODAY)


@pytest.mark.parametrize(
    ("days", "found"),
    [
        (-1, Window.EXPIRED),
        (0, Window.DAYS_30),
        (30, Window.DAYS_30),
        (31, Window.DAYS_90),
        (90, Window.DAYS_90),
        (91, Window.DAYS_180),
        (180, Window.DAYS_180),
        (181, Window.LATER),
    ],
)
def test_the_window_that_a_batch_expires_in(days: int, found: Window) -> None:
    assert window(TODAY + timedelta(days=days), TODAY) is found


def test_the_first_to_expire_goes_first_and_what_has_expired_not_at_all() -> None:
    lots = [
        Lot(4, None, 5),
        Lot(1, date(2026, 3, 13), 9),
        Lot(2, date(2026, 9, 1), 2),
        Lot(3, date(2026, 4, 1), 3),
    ]
    taken = first_expired_first_out(lots, 6, TODAY)
    assert [(lot.batch, lot.quantity) for lot in taken] == [(3, 3), (2, 2), (4, 1)]
    assert usable(lots, TODAY) == 10


_LOTS = st.lists(
    st.builds(
        Lot,
        st.integers(1, 9),
        st.one_of(st.none(), st.dates(date(2026, 1, 1), date(2026, 6, 1))),
        st.integers(0, 20),
    ),
    max_size=8,
)


@given(_LOTS, st.integers(0, 200))
def test_what_is_taken_is_what_was_asked_for_or_all_there_is(lots: list[Lot], asked: int) -> None:
    taken = first_expired_first_out(lots, asked, TODAY)
    assert sum(lot.quantity for lot in taken) == min(asked, usable(lots, TODAY))
    assert all(lot.quantity > 0 and not is_expired(lot.expires_on, TODAY) for lot in taken)
    dates = [lot.expires_on or date.max for lot in taken]
    assert dates == sorted(dates)
    # Nothing that is left over expires before the last that was taken.
    if taken and sum(lot.quantity for lot in taken) < usable(lots, TODAY):
        last = dates[-1]
        sooner = sum(
            lot.quantity
            for lot in lots
            if lot.expires_on and not is_expired(lot.expires_on, TODAY) and lot.expires_on < last
        )
        assert sum(lot.quantity for lot in taken if (lot.expires_on or date.max) < last) == sooner


_MONEY = st.decimals(0, 10**11, places=4, allow_nan=False, allow_infinity=False)
_WEIGHTS = st.lists(
    st.decimals(Decimal("0.0001"), 10**6, places=4, allow_nan=False, allow_infinity=False),
    min_size=1,
    max_size=9,
)


@given(_MONEY, _WEIGHTS)
def test_shares_add_up_to_the_last_digit_and_keep_to_proportion(
    amount: Decimal, weights: list[Decimal]
) -> None:
    found = shares(amount, weights)
    assert sum(found) == amount
    for share, weight in zip(found, weights, strict=True):
        assert share >= 0
        assert share == share.quantize(Decimal("0.0001"))
        assert abs(share - amount * weight / sum(weights)) <= Decimal("0.0001")


def test_what_cannot_be_divided_goes_to_who_lost_most() -> None:
    assert shares(Decimal(10), [Decimal(1)] * 3) == [
        Decimal("3.3334"),
        Decimal("3.3333"),
        Decimal("3.3333"),
    ]
