"""Which line of a pull list a scanned label belongs to."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.faults import Fault
from parts.lifecycle import DemandState
from parts.models import Demand, Part
from parts.services.catalogue import normalised

COUNT_NEEDED = "count_needed"
# A line that can be pulled is meant before one that cannot: the same part may be asked for twice.
_FIRST = (DemandState.RESERVED, DemandState.SHORT, DemandState.ISSUED)


def line_for(lines: Sequence[Demand], scanned: str) -> Demand:
    """The line that asks for the scanned part. Raises Fault when none does, and says what is."""
    number = normalised(scanned)
    asked = [line for line in lines if line.part is not None and line.part.number == number]
    for state in _FIRST:
        for line in asked:
            if line.state == state:
                return line
    known = Part.objects.filter(number=number).first()
    what = (
        f"{number} ({known.name})" if known else f"'{number[:40]}', which is not in the catalogue"
    )
    raise Fault(
        f"You scanned {what}. This list does not ask for it: put it back, and compare the bin and "
        "the number with the line.",
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
        f"{line.part} is on the list {line.quantity} times. Count them into your hand and enter "
        "the count.",
        field="quantity",
        code=COUNT_NEEDED,
    )
