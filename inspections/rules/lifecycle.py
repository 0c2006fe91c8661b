"""The states of an inspection, and the moves between them."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from fleet.faults import Conflict


class Reason(StrEnum):
    """Why the pump was opened."""

    PLANNED = "planned"
    BREAKDOWN = "breakdown"
    CONDITION_ALARM = "condition_alarm"
    TRAINING = "training"

    @property
    def label(self) -> str:
        return self.value.replace("_", " ")


class InspectionState(StrEnum):
    OPEN = "open"
    AWAITING_COUNTERSIGNATURE = "awaiting_countersignature"
    SIGNED = "signed"
    SUPERSEDED = "superseded"
    ABANDONED = "abandoned"

    @property
    def label(self) -> str:
        return self.value.replace("_", " ")


S = InspectionState

MOVES: Mapping[InspectionState, frozenset[InspectionState]] = {
    S.OPEN: frozenset({S.AWAITING_COUNTERSIGNATURE, S.SIGNED, S.ABANDONED}),
    S.AWAITING_COUNTERSIGNATURE: frozenset({S.OPEN, S.SIGNED}),
    S.SIGNED: frozenset({S.SUPERSEDED}),
    S.SUPERSEDED: frozenset(),
    S.ABANDONED: frozenset(),
}

# Nothing below an inspection in one of these may be written any more.
UNDER_WORK: frozenset[InspectionState] = frozenset({S.OPEN, S.AWAITING_COUNTERSIGNATURE})


def require_move(old: InspectionState, new: InspectionState) -> None:
    """Raises Conflict when an inspection cannot go from `old` to `new`."""
    if new not in MOVES[old]:
        if old is S.SIGNED:
            hint = "It is locked: a correction is a new inspection that supersedes it."
        elif old in (S.SUPERSEDED, S.ABANDONED):
            hint = "It is closed for good; open a new inspection."
        else:
            hint = "Check what state it is in and try again."
        raise Conflict(
            f"An inspection that is {old.label} cannot become {new.label}. {hint}",
            field="state",
            code="illegal_move",
        )
