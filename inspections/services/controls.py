"""Measured again: what the competent person reads at a position that awaits a countersignature.

A control reading changes no verdict and belongs to no signature. It stands beside the reading it
controls, and shows over time how far two people agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault, NotAllowed
from fleet.models import SheetLine, User
from fleet.roles import Capability
from fleet.services.rows import moment, one_transaction
from fleet.units import LengthUnit
from inspections.judging import as_stored
from inspections.models import ControlReading, Inspection, Instrument, Reading
from inspections.rules.intervals import Interval, exact
from inspections.rules.leaves import Try
from inspections.rules.lifecycle import InspectionState
from inspections.rules.uncertainty import standard_uncertainty
from inspections.services.readings import budget_of
from inspections.services.rows import line_of, locked
from inspections.services.taking import bracket_of, require_usable, require_value


def control_tries(
    *,
    actor: User,
    inspection: Inspection,
    line: int,
    position: str,
    instrument: Instrument,
    tries: Sequence[Try],
    now: datetime | None = None,
) -> ControlReading:
    """Keep the leaves tried at a position once more, beside the technician's own reading of it.

    Needs COUNTERSIGN, an inspection that awaits its countersignature, and a reading that somebody
    else took there. Refuses tries as record_tries does. Within the same wait the new reading takes
    the place of the one before.
    """
    with one_transaction():
        row, sheet_line = _controlled(actor, inspection, line, position, "")
        require_usable(instrument, row.site_id)
        implied = bracket_of(sheet_line, instrument, tries)
        return _keep(
            actor=actor,
            row=row,
            line=sheet_line,
            position=position,
            term="",
            instrument=instrument,
            unit=LengthUnit(instrument.unit),
            implied=implied,
            tries=tries,
            now=now or timezone.now(),
        )


def control_value(
    *,
    actor: User,
    inspection: Inspection,
    line: int,
    position: str,
    instrument: Instrument,
    value: Decimal,
    unit: LengthUnit,
    term: str = "",
    now: datetime | None = None,
) -> ControlReading:
    """Keep the value that an instrument shows when a position is measured once more.

    As control_tries; refuses values as record_value does.
    """
    with one_transaction():
        row, sheet_line = _controlled(actor, inspection, line, position, term)
        require_usable(instrument, row.site_id)
        require_value(sheet_line, instrument, value)
        return _keep(
            actor=actor,
            row=row,
            line=sheet_line,
            position=position,
            term=term,
            instrument=instrument,
            unit=unit,
            implied=exact(value),
            tries=(),
            now=now or timezone.now(),
        )


def _controlled(
    actor: User, inspection: Inspection, line: int, position: str, term: str
) -> tuple[Inspection, SheetLine]:
    row = locked(inspection)
    require(actor, Capability.COUNTERSIGN, row.site)
    state = InspectionState(row.state)
    if state is not InspectionState.AWAITING_COUNTERSIGNATURE:
        raise Conflict(
            f"This inspection is {state.label}; a position is measured again while it awaits its "
            "countersignature.",
            code="not_awaiting",
        )
    sheet_line = line_of(row, line)
    own = Reading.objects.filter(
        inspection=row, line=sheet_line, position=position, term=term, replaced_at__isnull=True
    ).first()
    if own is None:
        where = f"{position}, {term}" if term else position
        raise Fault(
            f"Nothing was measured at '{where}' of this check, so there is nothing to compare "
            "with. Choose a position with a reading.",
            field="position",
            code="nothing_to_compare",
        )
    if own.taken_by_id == actor.pk:
        raise NotAllowed(
            "You took this reading yourself; it takes another person to measure it again.",
            code="own_work",
        )
    return row, sheet_line


def _keep(
    *,
    actor: User,
    row: Inspection,
    line: SheetLine,
    position: str,
    term: str,
    instrument: Instrument,
    unit: LengthUnit,
    implied: Interval,
    tries: Sequence[Try],
    now: datetime,
) -> ControlReading:
    place: dict[str, Any] = {"inspection": row, "line": line, "position": position, "term": term}
    before = ControlReading.objects.filter(**place).select_related("taken_by").first()
    if before is not None and row.signed_at is not None and before.taken_at < row.signed_at:
        raise Conflict(
            f"{before.taken_by} measured this position again on {moment(before.taken_at)}, before "
            "the inspection was sent back. That comparison stands; measure another position.",
            field="position",
            code="controlled_before",
        )
    budget = budget_of(line, row.site_id, instrument, unit, tries)
    return ControlReading.objects.update_or_create(
        **place,
        defaults={
            "instrument": instrument,
            "unit": unit.value,
            "tries": as_stored(tries),
            "low": implied.low,
            "high": implied.high,
            "is_value": not tries,
            "standard_uncertainty": standard_uncertainty(budget),
            "taken_by": actor,
            "taken_at": now,
        },
    )[0]
