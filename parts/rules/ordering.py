"""How many a supplier is asked for."""

from __future__ import annotations

from decimal import Decimal


def order_quantity(wanted: int, *, pack_size: int = 1, minimum: int = 1) -> int:
    """The least quantity that covers `wanted` in whole packs and is no less than `minimum`.

    wanted >= 0 pieces (0 gives 0); pack_size, minimum >= 1. Source: house rule.
    """
    if wanted <= 0:
        return 0
    packs = -(-max(wanted, minimum) // pack_size)
    return packs * pack_size


def surplus(ordered: int, received: int, coming: int, *, given_up: bool = False) -> int:
    """How many of `coming` pieces are more than a line still expects; 0 when none is.

    ordered, received: pieces of the line so far. given_up: nothing more is expected of it.
    """
    expected = 0 if given_up else max(0, ordered - received)
    return max(0, coming - expected)


def missing_to_minimum(value: Decimal, minimum: Decimal) -> Decimal:
    """By how much an order falls below what the supplier wants at least; 0 when it does not."""
    return max(Decimal(0), minimum - value)
