"""Counts and hours for tests, built through services."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from fleet.models import User
from inspections.models import Inspection
from parts.models import Part
from parts.services import counts, money, stock
from tests.parts.build import Yard, make_part


def valued(yard: Yard, quantity: int, unit_cost: str = "10") -> Part:
    """A part of which so many lie in the store, at so much a piece."""
    part = make_part(yard, is_kit=False)
    stock.receive(
        actor=yard.clerk,
        store=yard.store,
        part=part,
        quantity=quantity,
        bin="C-1",
        unit_cost=Decimal(unit_cost),
    )
    return part


def one_of_each(yard: Yard, technician: User, inspection: Inspection) -> dict[str, Any]:
    """A count with a line in every state that somebody can act on, one to cancel, and hours."""
    parts = [valued(yard, 20) for _ in range(3)]
    count = counts.raise_count(actor=yard.clerk, store=yard.store, parts=parts, why="Cycle count")
    to_count, unexplained, waiting = (count.lines.get(part=part) for part in parts)
    counts.enter(actor=yard.clerk, line=unexplained, counted=19)
    counts.enter(actor=yard.clerk, line=waiting, counted=1, reason="Not in the bin")
    spare = counts.raise_count(
        actor=yard.clerk, store=yard.store, parts=[valued(yard, 2)], why="Cycle count"
    )
    return {
        "count": count,
        "spare_count": spare,
        "count_line": to_count,
        "unexplained_line": unexplained,
        "waiting_line": waiting,
        "labour": money.record_labour(
            actor=technician, inspection=inspection, hours=Decimal("1.5"), what="Stripped"
        ),
    }
