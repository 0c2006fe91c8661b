"""Converting between currencies, and the cost of a repair."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.rules.money import Rate, convert, repair_cost, total_in

D = Decimal
JANUARY, JUNE, TODAY = date(2026, 1, 1), date(2026, 6, 1), date(2026, 11, 25)
RATES = [
    Rate("GBP", "EUR", D("1.20"), JANUARY),
    Rate("GBP", "EUR", D("1.25"), JUNE),
    Rate("USD", "EUR", D("0.80"), date(2026, 12, 1)),
]


@pytest.mark.parametrize(
    ("amount", "base", "quote", "on", "expected"),
    [
        ("100", "EUR", "EUR", TODAY, "100"),
        ("100", "GBP", "EUR", TODAY, "125"),  # the newest that holds
        ("100", "GBP", "EUR", date(2026, 5, 31), "120"),
        ("100", "GBP", "EUR", JUNE, "125"),  # from that day on
        ("125", "EUR", "GBP", TODAY, "100"),  # the other way round
        ("100", "GBP", "EUR", date(2025, 12, 31), None),  # none yet
        ("100", "USD", "EUR", TODAY, None),  # only from next month on
        ("100", "GBP", "USD", date(2026, 12, 2), None),  # not by way of a third
        ("100", "CHF", "EUR", TODAY, None),
        ("-8", "GBP", "EUR", TODAY, "-10"),
    ],
)
def test_an_amount_is_converted_by_the_rate_that_holds_on_the_day(
    amount: str, base: str, quote: str, on: date, expected: str | None
) -> None:
    found = convert(D(amount), base, quote, on, RATES)
    assert found == (None if expected is None else D(expected))


def test_the_newer_rate_counts_whichever_way_round_it_was_set() -> None:
    rates = [Rate("GBP", "EUR", D("1.20"), JANUARY), Rate("EUR", "GBP", D("0.80"), JUNE)]
    assert convert(D(8), "GBP", "EUR", TODAY, rates) == D(10)
    assert convert(D(10), "EUR", "GBP", TODAY, reversed(rates)) == D(8)


def test_of_two_set_for_the_same_day_the_direct_one_counts() -> None:
    rates = [Rate("EUR", "GBP", D("0.5"), JUNE), Rate("GBP", "EUR", D("1.25"), JUNE)]
    for each in (rates, rates[::-1]):
        assert convert(D(4), "GBP", "EUR", TODAY, each) == D(5)
        assert convert(D(4), "EUR", "GBP", TODAY, each) == D(2)


@given(
    st.decimals("0.01", "1000000", places=2),
    st.decimals("0.01", "100", places=4),
)
def test_there_and_back_again_comes_near_the_amount(amount: D, rate: D) -> None:
    rates = [Rate("GBP", "EUR", rate, JUNE)]
    there = convert(amount, "GBP", "EUR", TODAY, rates)
    assert there is not None
    back = convert(there, "EUR", "GBP", TODAY, rates)
    assert back is not None
    # Half a place of the first rounding, through the rate, and half a place of the second.
    assert abs(back - amount) <= D("0.00005") / rate + D("0.00005")


def test_a_total_names_what_it_cannot_convert() -> None:
    amounts = {"EUR": D(10), "GBP": D(100), "CHF": D(7)}
    found = total_in("EUR", amounts, TODAY, iter(RATES))
    assert (found.currency, found.amount, found.without) == ("EUR", D(135), ("CHF",))
    assert total_in("EUR", {}, TODAY, RATES).amount == 0


def test_a_repair_costs_what_was_issued_less_what_came_back_and_its_hours() -> None:
    cost = repair_cost(
        [D("-40.00"), D("-12.50"), D("12.50")],
        [(D("2.5"), D(40)), (D(1), None), (D("-0.5"), D(40))],
    )
    assert (cost.parts, cost.labour, cost.total) == (D(40), D(80), D(120))
    assert (cost.hours, cost.hours_without_rate) == (D(3), D(1))


def test_a_repair_without_lines_costs_nothing() -> None:
    cost = repair_cost([], [])
    assert (cost.parts, cost.labour, cost.total, cost.hours) == (D(0), D(0), D(0), D(0))
