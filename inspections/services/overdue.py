"""Readings taken with an instrument past its calibration date: who lets them count, and why."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault, NotAllowed
from fleet.models import User
from fleet.roles import Capability
from fleet.services.rows import refuse
from inspections.instrument_selectors import overdue_uses
from inspections.models import Inspection, Instrument, OverdueAcceptance
from inspections.rules.lifecycle import UNDER_WORK, InspectionState
from inspections.services.rows import length_faults, locked


def accept_overdue(
    *,
    actor: User,
    inspection: Inspection,
    instrument: Instrument,
    reason: str,
    version: int | None = None,
    now: datetime | None = None,
) -> OverdueAcceptance:
    """Let the readings that an overdue instrument gave in this inspection count.

    Needs COUNTERSIGN and somebody who took none of these readings. It holds for the readings of
    this moment: one taken later with the same instrument is to be accepted again. Raises Conflict
    when the inspection is closed or there is nothing to accept.
    """
    if not reason.strip():
        raise Fault(
            "Say why these readings may count, such as 'checked against gauge blocks today'.",
            field="reason",
        )
    refuse(length_faults(OverdueAcceptance, reason=reason.strip()))
    with transaction.atomic():
        row = locked(inspection, version=version)
        require(actor, Capability.COUNTERSIGN, row.site)
        state = InspectionState(row.state)
        if state not in UNDER_WORK:
            raise Conflict(
                f"This inspection is {state.label}, so nothing in it is left to accept.",
                code="closed",
            )
        uses = {use.instrument.pk: use for use in overdue_uses(row)}
        use = uses.get(instrument.pk)
        if use is None:
            raise Conflict(
                f"No reading in force was taken with {instrument} while it was overdue. There is "
                "nothing to accept.",
                field="instrument",
                code="nothing_to_accept",
            )
        if use.accepted:
            raise Conflict(
                f"The readings with {instrument} are accepted already.",
                field="instrument",
                code="already_accepted",
            )
        if actor.pk in use.taken_by_ids:
            raise NotAllowed(
                f"You took readings with {instrument} yourself; it takes another competent person "
                "to accept them.",
                code="own_work",
            )
        row.version += 1
        row.save(update_fields=["version"])
        accepted, _ = OverdueAcceptance.objects.update_or_create(
            inspection=row,
            instrument=use.instrument,
            defaults={
                "reason": reason.strip(),
                "accepted_by": actor,
                "accepted_at": now or timezone.now(),
            },
        )
        return accepted
