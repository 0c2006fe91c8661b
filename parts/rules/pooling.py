"""Stores that help each other out: how often all are empty, against each on its own.

A store whose shelf is empty, and that gets nothing from the others, is supplied from outside at
once. Then the shelf is a set of servers without a queue, and how often it is empty is Erlang's
loss, which does not depend on how the lead times are spread, only on their mean.
Source: A. K. Erlang's loss formula, by its recursion (standard); the pooling of stores as one set
of servers: S. Axsäter, Inventory Control, on lateral transshipments (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


def erlang_b(servers: int, load: float) -> float:
    """The share of arrivals that find all of `servers` >= 0 busy; load >= 0 in Erlang."""
    blocked = 1.0
    for count in range(1, servers + 1):
        blocked = load * blocked / (count + load * blocked)
    return blocked if load > 0 or servers == 0 else 0.0


@dataclass(frozen=True, slots=True)
class Pooled:
    """Shares of demands that find nothing: each store alone, all alone together, and all as one."""

    each: tuple[float, ...]
    isolated: float
    pooled: float


def pooling(stocks: Sequence[int], loads: Sequence[float]) -> Pooled:
    """stocks: pieces held by each store; loads: pieces wanted there within its lead time.

    What really happens lies between isolated and pooled: help takes a day or two to come.
    """
    each = tuple(erlang_b(stock, load) for stock, load in zip(stocks, loads, strict=True))
    total = sum(loads)
    if total <= 0:
        return Pooled(each, 0.0, 0.0)
    isolated = sum(share * load for share, load in zip(each, loads, strict=True)) / total
    return Pooled(each, isolated, erlang_b(sum(stocks), total))
