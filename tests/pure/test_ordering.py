"""How many are ordered, and how many too many came. House rules: no source."""

from __future__ import annotations

from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from parts.rules.ordering import missing_to_minimum, order_quantity, surplus

COUNTS = st.integers(1, 5000)


def test_order_quantities_by_hand() -> None:
    assert order_quantity(0) == 0
    assert order_quantity(-3, pack_size=5, minimum=10) == 0
    assert order_quantity(7) == 7
    assert order_quantity(7, pack_size=5) == 10
    assert order_quantity(10, pack_size=5) == 10
    assert order_quantity(1, pack_size=5, minimum=12) == 15


@given(COUNTS, COUNTS, COUNTS)
def test_it_is_the_least_number_of_whole_packs_that_will_do(
    wanted: int, pack: int, minimum: int
) -> None:
    found = order_quantity(wanted, pack_size=pack, minimum=minimum)
    assert found % pack == 0
    assert found >= max(wanted, minimum)
    assert found - pack < max(wanted, minimum)


def test_the_surplus_is_what_was_not_expected() -> None:
    assert surplus(10, 0, 10) == 0
    assert surplus(10, 0, 4) == 0
    assert surplus(10, 8, 5) == 3
    assert surplus(10, 10, 1) == 1
    assert surplus(10, 12, 2) == 2
    assert surplus(10, 4, 2, given_up=True) == 2


def test_what_is_missing_to_the_least_value() -> None:
    assert missing_to_minimum(Decimal("99.99"), Decimal(100)) == Decimal("0.01")
    assert missing_to_minimum(Decimal(100), Decimal(100)) == 0
    assert missing_to_minimum(Decimal(5), Decimal(0)) == 0
