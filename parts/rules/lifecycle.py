"""States of demands, transfers, orders and counts, and the kinds of stock movement."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

from fleet.faults import Conflict


class DemandState(StrEnum):
    """Where one 'replace' stands on its way to the bench."""

    UNMATCHED = "unmatched"  # the catalogue knows no part for this component of this model
    SHORT = "short"  # nothing is arranged yet
    RESERVED = "reserved"
    COMING = "coming"
    ORDERED = "ordered"
    ISSUED = "issued"
    RETURNED = "returned"
    CANCELLED = "cancelled"

    @property
    def label(self) -> str:
        return {
            DemandState.UNMATCHED: "no part known",
            DemandState.COMING: "coming from another store",
            DemandState.ORDERED: "on order",
        }.get(self, self.value)


S = DemandState

WAITING: frozenset[DemandState] = frozenset({S.SHORT, S.COMING, S.ORDERED})
"""The part is known and not in the store yet: planning may move these on, and back."""

PLANNED: frozenset[DemandState] = WAITING | {S.RESERVED}
"""What planning decides about."""

SETTLED: frozenset[DemandState] = frozenset({S.ISSUED, S.RETURNED, S.CANCELLED})

MOVES: Mapping[DemandState, frozenset[DemandState]] = {
    S.UNMATCHED: frozenset({S.SHORT, S.RESERVED, S.CANCELLED}),
    S.SHORT: frozenset({S.RESERVED, S.COMING, S.ORDERED, S.CANCELLED}),
    S.COMING: frozenset({S.SHORT, S.RESERVED, S.ORDERED, S.CANCELLED}),
    S.ORDERED: frozenset({S.SHORT, S.RESERVED, S.COMING, S.CANCELLED}),
    # A pump that is needed sooner may take what was reserved for a later one.
    S.RESERVED: frozenset({S.ISSUED, S.SHORT, S.COMING, S.ORDERED, S.CANCELLED}),
    # Back to reserved: the pull is undone. Returned: the bench did not need it after all.
    S.ISSUED: frozenset({S.RESERVED, S.RETURNED}),
    S.RETURNED: frozenset(),
    S.CANCELLED: frozenset(),
}


class TransferState(StrEnum):
    """Where parts stand on their way from one store to another."""

    PLANNED = "planned"  # reserved at the giver, who has not packed it yet
    SENT = "sent"
    RECEIVED = "received"
    REFUSED = "refused"  # the giver cannot spare it after all
    CANCELLED = "cancelled"  # no longer wanted

    @property
    def label(self) -> str:
        return self.value


T = TransferState

TRANSFER_MOVES: Mapping[TransferState, frozenset[TransferState]] = {
    T.PLANNED: frozenset({T.SENT, T.REFUSED, T.CANCELLED}),
    T.SENT: frozenset({T.RECEIVED}),
    T.RECEIVED: frozenset(),
    T.REFUSED: frozenset(),
    T.CANCELLED: frozenset(),
}


class OrderState(StrEnum):
    """Where an order to a supplier stands."""

    DRAFT = "draft"  # planning adds to it and takes from it
    SUBMITTED = "submitted"  # waits for somebody who may approve its value
    APPROVED = "approved"
    SENT = "sent"
    RECEIVED = "received"  # all has come, or what has not is given up
    CANCELLED = "cancelled"

    @property
    def label(self) -> str:
        return {OrderState.SUBMITTED: "awaiting approval"}.get(self, self.value)


O = OrderState  # noqa: E741

ORDER_MOVES: Mapping[OrderState, frozenset[OrderState]] = {
    O.DRAFT: frozenset({O.SUBMITTED, O.APPROVED, O.CANCELLED}),
    O.SUBMITTED: frozenset({O.DRAFT, O.APPROVED, O.CANCELLED}),
    O.APPROVED: frozenset({O.DRAFT, O.SENT, O.CANCELLED}),
    O.SENT: frozenset({O.RECEIVED, O.CANCELLED}),
    O.RECEIVED: frozenset(),
    O.CANCELLED: frozenset(),
}

COMMITTED: frozenset[OrderState] = frozenset({O.SUBMITTED, O.APPROVED, O.SENT})
"""Planning counts on these and leaves them as they are."""


class CountState(StrEnum):
    """Where a count of part of a store stands."""

    OPEN = "open"
    COUNTED = "counted"  # all lines have a figure; some difference waits for a second person
    SETTLED = "settled"
    CANCELLED = "cancelled"

    @property
    def label(self) -> str:
        return self.value


K = CountState

COUNT_MOVES: Mapping[CountState, frozenset[CountState]] = {
    K.OPEN: frozenset({K.COUNTED, K.SETTLED, K.CANCELLED}),
    K.COUNTED: frozenset({K.OPEN, K.SETTLED, K.CANCELLED}),
    K.SETTLED: frozenset(),
    K.CANCELLED: frozenset(),
}

State = TypeVar("State", DemandState, TransferState, OrderState, CountState)


def require_move(old: DemandState, new: DemandState) -> None:
    """Raises Conflict when a demand cannot go from `old` to `new`."""
    _require("A demand", MOVES, old, new)


def require_transfer_move(old: TransferState, new: TransferState) -> None:
    """Raises Conflict when a transfer cannot go from `old` to `new`."""
    _require("A transfer", TRANSFER_MOVES, old, new)


def require_order_move(old: OrderState, new: OrderState) -> None:
    """Raises Conflict when an order cannot go from `old` to `new`."""
    _require("An order", ORDER_MOVES, old, new)


def require_count_move(old: CountState, new: CountState) -> None:
    """Raises Conflict when a count cannot go from `old` to `new`."""
    _require("A count", COUNT_MOVES, old, new)


def _require(what: str, moves: Mapping[State, frozenset[State]], old: State, new: State) -> None:
    if new not in moves[old]:
        raise Conflict(
            f"{what} that is {old.label} cannot become {new.label}.",
            field="state",
            code="illegal_move",
        )


class MovementKind(StrEnum):
    RECEIPT = "receipt"
    RESERVATION = "reservation"
    RELEASE = "release"
    ISSUE = "issue"
    RETURN = "return"
    TRANSFER_OUT = "transfer_out"
    TRANSFER_DUE = "transfer_due"
    TRANSFER_IN = "transfer_in"
    TRANSFER_LOSS = "transfer_loss"
    CORRECTION = "correction"
    SCRAP = "scrap"
    KIT_OPENED = "kit_opened"
    OUT_OF_KIT = "out_of_kit"

    @property
    def label(self) -> str:
        return {
            MovementKind.CORRECTION: "count correction",
            MovementKind.TRANSFER_DUE: "on its way here",
            MovementKind.TRANSFER_LOSS: "lost on the way",
        }.get(self, self.value.replace("_", " "))


@dataclass(frozen=True, slots=True)
class Effect:
    """Signs by which a movement of a positive quantity changes the sums of a store and part."""

    on_hand: int
    reserved: int = 0
    in_transit: int = 0


# A count correction carries its own sign; all others a positive quantity.
EFFECTS: Mapping[MovementKind, Effect] = {
    MovementKind.RECEIPT: Effect(+1),
    MovementKind.RESERVATION: Effect(0, +1),
    MovementKind.RELEASE: Effect(0, -1),
    MovementKind.ISSUE: Effect(-1, -1),
    MovementKind.RETURN: Effect(+1),
    # Two stores, two ledgers: out and due are of one moment, in and loss of another.
    MovementKind.TRANSFER_OUT: Effect(-1, -1),
    MovementKind.TRANSFER_DUE: Effect(0, 0, +1),
    MovementKind.TRANSFER_IN: Effect(+1, 0, -1),
    MovementKind.TRANSFER_LOSS: Effect(0, 0, -1),
    MovementKind.CORRECTION: Effect(+1),
    MovementKind.SCRAP: Effect(-1),
    MovementKind.KIT_OPENED: Effect(-1),
    MovementKind.OUT_OF_KIT: Effect(+1),
}
