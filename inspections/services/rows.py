"""Finding and locking the inspection that a service is about to write below."""

from __future__ import annotations

from django.db import models

from fleet.access import require
from fleet.faults import Conflict, Fault, Stale
from fleet.models import SheetLine, User
from fleet.roles import Capability
from inspections.models import Inspection
from inspections.rules.lifecycle import InspectionState

# Leaves room for "Inspection 12345 sent back: " in the history of the pump, which keeps 300.
LONGEST_WHY = 240


def locked(inspection: Inspection, *, version: int | None = None) -> Inspection:
    """The row, locked until the transaction ends. Raises Stale when `version` is not its own."""
    row = (
        Inspection.objects.select_for_update(of=("self",))
        .select_related("site", "pump__model", "sheet__model", "rule")
        .get(pk=inspection.pk)
    )
    if version is not None and row.version != version:
        raise Stale(
            "This inspection was changed since you read it. Read it again and repeat the step."
        )
    return row


def open_for_work(actor: User, inspection: Inspection) -> Inspection:
    """The locked row, when `actor` may work on it and it is open; its version counts on.

    What hangs below an inspection is part of what is signed, so each change to it makes stale the
    version that somebody else has read. Raises NotAllowed without the role, Conflict when it is
    not open any more.
    """
    row = locked(inspection)
    require(actor, Capability.INSPECT, row.site)
    state = InspectionState(row.state)
    if state is not InspectionState.OPEN:
        hint = (
            "Ask for it to be sent back first."
            if state is InspectionState.AWAITING_COUNTERSIGNATURE
            else "A correction is a new inspection that supersedes it."
        )
        raise Conflict(f"This inspection is {state.label}. {hint}", code="not_open")
    row.version += 1
    row.save(update_fields=["version"])
    return row


def require_proved_zero(inspection: Inspection) -> None:
    """Raises Conflict until isolation and zero energy are confirmed by name and time."""
    if inspection.proved_zero_at is None:
        raise Conflict(
            "Confirm isolation and proved zero first: no reading is taken on a pump that is not "
            "proved dead.",
            field="isolation",
            code="not_proved_zero",
        )


def line_of(inspection: Inspection, line_id: int) -> SheetLine:
    """A line of the sheet that judges this inspection. Raises Fault for any other."""
    line = (
        SheetLine.objects.filter(pk=line_id, sheet_id=inspection.sheet_id)
        .select_related("sheet")
        .first()
    )
    if line is None:
        raise Fault(
            f"Check {line_id} is not on the limit sheet of this inspection.",
            field="line",
            code="unknown_line",
        )
    return line


def length_faults(model: type[models.Model], *, at: str = "", **texts: str) -> list[Fault]:
    """A fault for each text that is longer than its column of `model`.

    at: the field that the sender knows it by, where that is not the column's name.
    """
    faults = []
    for column, text in texts.items():
        name = at or column
        most = getattr(model._meta.get_field(column), "max_length", None)  # noqa: SLF001
        if most is not None and len(text) > most:
            faults.append(
                Fault(
                    f"The {name.replace('_', ' ')} has {len(text)} characters; shorten it to "
                    f"{most}.",
                    field=name,
                    code="max_length",
                )
            )
    return faults


def require_why_fits(why: str) -> None:
    """Raises Fault for a reason that is too long to be kept with the words before it."""
    if len(why) > LONGEST_WHY:
        raise Fault(
            f"The reason has {len(why)} characters; shorten it to {LONGEST_WHY}.",
            field="why",
            code="max_length",
        )
