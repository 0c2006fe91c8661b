"""Which line of the lists in hand a scanned label belongs to."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.faults import Fault
from parts.models import Demand
from parts.pulling_selectors import Scan, meant_by
from parts.rules.lifecycle import DemandState
from parts.services.scans import what_it_is
from parts.services.stock import urgency_of

COUNT_NEEDED = "count_needed"
# A line that can be pulled is meant before one that cannot: the same part may be asked for twice.
_FIRST = (
    DemandState.RESERVED,
    DemandState.SHORT,
    DemandState.COMING,
    DemandState.ORDERED,
    DemandState.ISSUED,
    DemandState.RETURNED,
)


def line_for(lines: Sequence[Demand], scan: Scan, store: int) -> Demand:
    """The most urgent line that asks for the scanned part.

    store: id of the store of these lists. Raises Fault when none asks for it, and says what it is.
    """
    for part in meant_by(scan, store):
        asked = sorted((line for line in lines if line.pulled_part_id == part), key=urgency_of)
        for state in _FIRST:
            for line in asked:
                if line.state == state:
                    return line
    raise Fault(
        f"You scanned {what_it_is(scan)}. This list does not ask for it: put it back, and compare "
        "the bin and the number with the line.",
        field="scanned_number",
        code="not_on_list",
    )


def count_for(line: Demand, quantity: int | None) -> int:
    """How many are pulled: a single one goes without saying. Raises Fault when it must be said."""
    if quantity is not None:
        return quantity
    if line.quantity == 1 or line.state != DemandState.RESERVED:
        return line.quantity
    raise Fault(
        f"{line.supplied_part or line.part} is on the list {line.quantity} times. Count them into "
        "your hand and enter the count.",
        field="quantity",
        code=COUNT_NEEDED,
    )
