"""The states a pump goes through, and the moves between them."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from fleet.faults import Conflict


class PumpStatus(StrEnum):
    IN_SERVICE = "in_service"
    SPARE = "spare"
    ON_BENCH = "on_bench"
    AWAITING_COUNTERSIGNATURE = "awaiting_countersignature"
    AWAITING_PARTS = "awaiting_parts"
    READY_TO_REBUILD = "ready_to_rebuild"
    SCRAPPED = "scrapped"

    @property
    def label(self) -> str:
        return self.value.replace("_", " ")


S = PumpStatus

MOVES: Mapping[PumpStatus, frozenset[PumpStatus]] = {
    S.IN_SERVICE: frozenset({S.SPARE, S.ON_BENCH, S.SCRAPPED}),
    S.SPARE: frozenset({S.IN_SERVICE, S.ON_BENCH, S.SCRAPPED}),
    S.ON_BENCH: frozenset(
        # Back to where it came from when the inspection is abandoned or was for training only.
        {
            S.IN_SERVICE,
            S.SPARE,
            S.AWAITING_COUNTERSIGNATURE,
            S.AWAITING_PARTS,
            S.READY_TO_REBUILD,
            S.SCRAPPED,
        }
    ),
    S.AWAITING_COUNTERSIGNATURE: frozenset(
        {S.ON_BENCH, S.AWAITING_PARTS, S.READY_TO_REBUILD, S.SCRAPPED}
    ),
    # A correction opened on a signed inspection puts the pump back on the bench.
    S.AWAITING_PARTS: frozenset({S.READY_TO_REBUILD, S.ON_BENCH, S.SCRAPPED}),
    S.READY_TO_REBUILD: frozenset({S.IN_SERVICE, S.SPARE, S.ON_BENCH, S.AWAITING_PARTS}),
    S.SCRAPPED: frozenset({S.ON_BENCH}),
}

# What a person may set by hand; the rest follows from inspections and parts.
BY_HAND: frozenset[PumpStatus] = frozenset({S.IN_SERVICE, S.SPARE, S.SCRAPPED})


def require_move(old: PumpStatus, new: PumpStatus) -> None:
    """Raises Conflict when a pump cannot go from `old` to `new`."""
    if new not in MOVES[old]:
        can = ", ".join(sorted(s.label for s in MOVES[old])) or "nothing"
        raise Conflict(
            f"A pump that is {old.label} cannot become {new.label}; it can become: {can}.",
            field="status",
            code="illegal_move",
        )


class SheetState(StrEnum):
    DRAFT = "draft"
    ISSUED = "issued"
    SUPERSEDED = "superseded"

    @property
    def label(self) -> str:
        return self.value
