"""Currencies beside each other, and what a repair costs. All amounts are decimals.

The moving average itself is kept by the ledger: what comes in at its cost, what goes out at the
average of that moment (IAS 2.25 to 27, weighted average cost formula, calculated as each
shipment is received).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

_PLACES = Decimal("0.0001")


@dataclass(frozen=True, slots=True)
class Rate:
    """One unit of `base` is worth `rate` (above 0) units of `quote` from a day on."""

    base: str
    quote: str
    rate: Decimal
    valid_from: date


def convert(
    amount: Decimal, base: str, quote: str, on: date, rates: Iterable[Rate]
) -> Decimal | None:
    """`amount` of `base` in `quote` on a day, to four places; None where no rate is known.

    The newest rate of the two currencies that holds on that day counts, whichever way round it
    was set; of two set for the same day the direct one. No rate is made up by way of a third
    currency.
    """
    if base == quote:
        return amount
    best: tuple[date, bool, Decimal] | None = None
    for rate in rates:
        if rate.valid_from > on or {rate.base, rate.quote} != {base, quote}:
            continue
        direct = rate.base == base
        found = (rate.valid_from, direct, rate.rate)
        if best is None or found[:2] > best[:2]:
            best = found
    if best is None:
        return None
    _from, direct, figure = best
    return (amount * figure if direct else amount / figure).quantize(_PLACES)


@dataclass(frozen=True, slots=True)
class Total:
    """A sum over several currencies; without: those of which no rate into it is known."""

    currency: str
    amount: Decimal
    without: Sequence[str]


def total_in(
    currency: str, amounts: Mapping[str, Decimal], on: date, rates: Iterable[Rate]
) -> Total:
    """All amounts, by their currency, in one; what cannot be converted is left out and named."""
    known = tuple(rates)
    total, without = Decimal(0), []
    for each, amount in sorted(amounts.items()):
        converted = convert(amount, each, currency, on, known)
        if converted is None:
            without.append(each)
        else:
            total += converted
    return Total(currency, total, tuple(without))


@dataclass(frozen=True, slots=True)
class RepairCost:
    """What one repair cost: parts and labour in its site's currency, and its hours.

    hours_without_rate: those for which no rate was known; they cost nothing here.
    """

    parts: Decimal
    labour: Decimal
    hours: Decimal
    hours_without_rate: Decimal

    @property
    def total(self) -> Decimal:
        return self.parts + self.labour


def repair_cost(
    value_changes: Iterable[Decimal], labour: Iterable[tuple[Decimal, Decimal | None]]
) -> RepairCost:
    """The cost of the ledger lines and hours of one repair.

    value_changes: of its issues and returns, as the store's ledger has them: below 0 for what went
    out. labour: (hours, rate an hour), the hours below 0 where an entry was taken back.
    """
    cost = hours = unpriced = Decimal(0)
    for each_hours, rate in labour:
        hours += each_hours
        if rate is None:
            unpriced += each_hours
        else:
            cost += each_hours * rate
    return RepairCost(-sum(value_changes, Decimal(0)), cost.quantize(_PLACES), hours, unpriced)
