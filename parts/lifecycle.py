"""The states of a demand, and the kinds of stock movement with what each does to the sums."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from fleet.faults import Conflict


class DemandState(StrEnum):
    """Where one 'replace' stands on its way to the bench."""

    UNMATCHED = "unmatched"  # the catalogue knows no part for this component of this model
    SHORT = "short"
    RESERVED = "reserved"
    ISSUED = "issued"
    CANCELLED = "cancelled"

    @property
    def label(self) -> str:
        return {
            DemandState.UNMATCHED: "no part known",
            DemandState.SHORT: "short",
            DemandState.RESERVED: "reserved",
            DemandState.ISSUED: "issued",
            DemandState.CANCELLED: "cancelled",
        }[self]


S = DemandState

MOVES: Mapping[DemandState, frozenset[DemandState]] = {
    S.UNMATCHED: frozenset({S.SHORT, S.RESERVED, S.CANCELLED}),
    S.SHORT: frozenset({S.RESERVED, S.CANCELLED}),
    S.RESERVED: frozenset({S.ISSUED, S.SHORT, S.CANCELLED}),
    S.ISSUED: frozenset(),
    S.CANCELLED: frozenset(),
}


def require_move(old: DemandState, new: DemandState) -> None:
    """Raises Conflict when a demand cannot go from `old` to `new`."""
    if new not in MOVES[old]:
        raise Conflict(
            f"A demand that is {old.label} cannot become {new.label}.",
            field="state",
            code="illegal_move",
        )


class MovementKind(StrEnum):
    RECEIPT = "receipt"
    RESERVATION = "reservation"
    RELEASE = "release"
    ISSUE = "issue"
    CORRECTION = "correction"
    SCRAP = "scrap"

    @property
    def label(self) -> str:
        return {"correction": "count correction"}.get(self.value, self.value)


@dataclass(frozen=True, slots=True)
class Effect:
    """Signs by which a movement of a positive quantity changes the two sums of a store and part."""

    on_hand: int
    reserved: int


# A count correction carries its own sign; all others a positive quantity.
EFFECTS: Mapping[MovementKind, Effect] = {
    MovementKind.RECEIPT: Effect(+1, 0),
    MovementKind.RESERVATION: Effect(0, +1),
    MovementKind.RELEASE: Effect(0, -1),
    MovementKind.ISSUE: Effect(-1, -1),
    MovementKind.CORRECTION: Effect(+1, 0),
    MovementKind.SCRAP: Effect(-1, 0),
}
