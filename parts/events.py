"""What parts tells itself for later, and others: a published contract. Ids and values only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True, slots=True)
class SupplyChanged:
    """Stock, a demand, a date or an order changed: the supply of these parts is planned again."""

    name: ClassVar[str] = "parts.supply_changed"
    schema: ClassVar[int] = 1

    part_ids: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class OrderSent:
    """An order went to its supplier; his system is told of it where he has one."""

    name: ClassVar[str] = "parts.order_sent"
    schema: ClassVar[int] = 1

    order_id: int
