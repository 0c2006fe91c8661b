"""What planning looks at and what it decides: plain values, quantities in pieces."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

from parts.rules.urgency import Urgency

Place = tuple[int, int]
"""(store id, part id)"""


class SourceKind(StrEnum):
    """Where the pieces of a line come from that do not lie on its own shelf."""

    NONE = "none"
    SHELF = "shelf"  # all of them lie there, reserved
    TRANSFER = "transfer"
    DELIVERY = "delivery"  # of an order that planning no longer changes
    ORDER = "order"  # to be ordered, with whatever else is wanted of that supplier


@dataclass(frozen=True, slots=True)
class Source:
    """part: the number that is supplied. ref: id of the transfer or order line.

    A transfer that is yet to be made has a ref below zero.
    """

    kind: SourceKind
    part: int
    ref: int | None = None
    expected_on: date | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """One demand. name: what it is for, as people say it: the pump's tag."""

    id: int
    store: int
    part: int
    quantity: int
    urgency: Urgency
    needed_on: date | None
    alternatives_allowed: bool
    source: Source
    name: str = ""


@dataclass(frozen=True, slots=True)
class StorePlace:
    """A store by its site's name, and where it stands if that is known."""

    id: int
    name: str
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    supplied_by: int | None = None


@dataclass(frozen=True, slots=True)
class Article:
    """A part with those that may be handed out for it: see numbers_for."""

    id: int
    number: str
    direct: tuple[int, ...]
    alternatives: tuple[int, ...] = ()

    @property
    def newest(self) -> int:
        return self.direct[-1]


@dataclass(frozen=True, slots=True)
class Shelf:
    """What lies in one store of one part.

    usable: all that planning may promise: on hand, not expired, and not promised to anything that
    it leaves as it is. What it promised itself before is in it. keep_back: what no other store
    takes.
    """

    on_hand: int
    usable: int
    expired: int = 0
    keep_back: int = 0
    bin: str = ""


@dataclass(frozen=True, slots=True)
class Inbound:
    """Pieces on their way to a store whatever planning decides: a transfer or a delivery.

    come_from: the site or "order 12 to <supplier>". expected_on: None where nobody said.
    """

    kind: SourceKind
    ref: int
    store: int
    part: int
    quantity: int
    expected_on: date | None
    come_from: str


@dataclass(frozen=True, slots=True)
class PlannedTransfer:
    """A transfer that planning made and nobody has sent yet. line: None restocks the receiver."""

    ref: int
    giver: int
    store: int
    part: int
    quantity: int
    line: int | None
    expected_on: date


@dataclass(frozen=True, slots=True)
class Offer:
    """What the preferred supplier of a part promises."""

    supplier: int
    supplier_name: str
    lead_days: int


@dataclass(frozen=True, slots=True)
class Level:
    """How much a store is to hold of a part: restocked at `reorder_point`, up to `order_up_to`.

    asked_for: what a person has put on a draft order beside what planning asks for.
    """

    store: int
    part: int
    reorder_point: int
    order_up_to: int
    asked_for: int = 0


@dataclass(frozen=True, slots=True)
class Situation:
    """All that planning decides by.

    refused: (line id, store id) that does not want to give. refused_restocking: (giver, receiver,
    part). offers: by part.
    """

    today: date
    stores: Mapping[int, StorePlace]
    articles: Mapping[int, Article]
    shelves: Mapping[Place, Shelf]
    lines: Sequence[Line]
    inbounds: Sequence[Inbound] = ()
    transfers: Sequence[PlannedTransfer] = ()
    offers: Mapping[int, Offer] = field(default_factory=dict)
    levels: Sequence[Level] = ()
    refused: frozenset[tuple[int, int]] = frozenset()
    refused_restocking: frozenset[tuple[int, int, int]] = frozenset()


@dataclass(frozen=True, slots=True)
class Decision:
    """What becomes of one line. own: pieces kept for it on its own shelf; missing: the rest."""

    line: int
    source: Source
    own: int
    missing: int


@dataclass(frozen=True, slots=True)
class Want:
    """What is to be ordered for one store: for lines that wait, and to restock it."""

    store: int
    part: int
    for_lines: int
    for_stock: int

    @property
    def quantity(self) -> int:
        return self.for_lines + self.for_stock


@dataclass(frozen=True, slots=True)
class Plan:
    """decisions: one a line, the most urgent first. transfers: all that are to be, old and new."""

    decisions: tuple[Decision, ...]
    transfers: tuple[PlannedTransfer, ...]
    wants: tuple[Want, ...]
