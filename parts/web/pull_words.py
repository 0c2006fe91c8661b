"""How a pull list says until when, for whom, and what a line waits for."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from inspections.models import Inspection
from parts.models import Demand
from parts.rules.lifecycle import DemandState, TransferState


def day(value: date) -> str:
    """14 Mar 2026."""
    return f"{value.day} {value:%b %Y}"


def needed(needed_on: date | None, today: date) -> str:
    """By when the parts are wanted: `needed 14 Mar 2026, 3 days overdue`; "" without a date."""
    if needed_on is None:
        return ""
    if needed_on == today:
        return "needed today"
    late = (today - needed_on).days
    if late <= 0:
        return f"needed {day(needed_on)}"
    return f"needed {day(needed_on)}, {late} day{'' if late == 1 else 's'} overdue"


def bag_of(inspection: Inspection) -> str:
    """The bag into which a part goes: `GP-01 (bench 2)`."""
    need = getattr(inspection, "need", None)
    bench = need.bench if need else ""
    return f"{inspection.pump.tag} ({bench})" if bench else inspection.pump.tag


def waits_for(line: Demand, holders: Sequence[str]) -> str:
    """Why a line cannot be pulled, and when it can; holders: other sites that have some free."""
    state = DemandState(line.state)
    if state is DemandState.COMING and line.transfer is not None:
        giver = line.transfer.from_store.site.name
        sent = "" if line.transfer.state == TransferState.SENT.value else ", not sent yet"
        return f"Coming from {giver}{sent}{_expected(line)}."
    if state is DemandState.ORDERED and line.order_line is not None:
        supplier = line.order_line.order.supplier.name
        return f"On order from {supplier}, order {line.order_line.order_id}{_expected(line)}."
    if state is DemandState.SHORT:
        return f"Ask {' or '.join(holders)}." if holders else "No other site has it free."
    return line.why


def _expected(line: Demand) -> str:
    return f", expected {day(line.expected_on)}" if line.expected_on else ", no date promised yet"


def waits_in_a_sentence(line: Demand, holders: Sequence[str]) -> str:
    """The same on the inspection's page: `Seals waits for 1 Seal kit, which Quarry North holds.`"""
    component = line.disposition.get_component_display()
    part = line.supplied_part or line.part
    if part is None:
        return f"{component} waits for the catalogue to name its part."
    state = DemandState(line.state)
    if state is DemandState.SHORT:
        verb = "holds" if len(holders) == 1 else "hold"
        how = f"which {' and '.join(holders)} {verb}" if holders else "which no site has free"
    else:
        how = waits_for(line, holders).rstrip(".")
        how = how[:1].lower() + how[1:]
    return f"{component} waits for {line.quantity} {part.name}, {how}."
