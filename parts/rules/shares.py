"""One amount of money divided among several."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_DOWN, Decimal

_LAST_DIGIT = Decimal("0.0001")


def shares(amount: Decimal, weights: Sequence[Decimal]) -> list[Decimal]:
    """`amount` divided in proportion to `weights`, each share in whole 0.0001.

    amount >= 0 in whole 0.0001; weights >= 0, one at least above 0. The shares add up to the
    amount exactly: what rounding down leaves over goes to those who lost most by it, one last digit
    each (the method of largest remainders).
    """
    total = sum(weights)
    exact = [amount * weight / total for weight in weights]
    found = [share.quantize(_LAST_DIGIT, ROUND_DOWN) for share in exact]
    over = int((amount - sum(found)) / _LAST_DIGIT)
    losers = sorted(range(len(found)), key=lambda i: (found[i] - exact[i], i))
    for index in losers[:over]:
        found[index] += _LAST_DIGIT
    return found
