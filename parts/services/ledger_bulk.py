"""The ledger for many promises at once: part of parts.services.ledger, under the same rules."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db import connection

from fleet.models import User
from parts.models import Demand, Movement, StockLevel, Transfer
from parts.rules.lifecycle import EFFECTS, MovementKind

_PROMISES = frozenset({MovementKind.RESERVATION, MovementKind.RELEASE})
_BATCH = 2_000


@dataclass(frozen=True, slots=True)
class Promise:
    """A reservation or a release on a locked level, for a demand or for a transfer."""

    level: StockLevel
    kind: MovementKind
    quantity: int
    demand: Demand | None = None
    transfer: Transfer | None = None
    reason: str = ""


def append_promises(promises: Sequence[Promise], *, by: User | None, at: datetime) -> None:
    """Appends one movement each and changes the sums, a statement or two for all of them.

    As ledger.append: every level must be locked and is brought up to date. Raises ValueError for
    movements of another kind, IntegrityError when more would be promised than is there.
    """
    if any(promise.kind not in _PROMISES for promise in promises):
        raise ValueError("Only reservations and releases are appended many at once.")
    changes: Counter[int] = Counter()
    levels: dict[int, StockLevel] = {}
    rows = []
    for promise in promises:
        level = promise.level
        change = EFFECTS[promise.kind].reserved * promise.quantity
        levels[level.pk] = level
        changes[level.pk] += change
        rows.append(
            Movement(
                store_id=level.store_id,
                part_id=level.part_id,
                kind=promise.kind.value,
                on_hand_change=0,
                reserved_change=change,
                demand=promise.demand,
                issue_no=1 if promise.demand is None else promise.demand.issue_no,
                transfer=promise.transfer,
                reason=promise.reason,
                by=by,
                at=at,
            )
        )
    moved = {pk: change for pk, change in changes.items() if change}
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE parts_stocklevel AS l SET reserved = l.reserved + c.change"
            " FROM unnest(%s::bigint[], %s::integer[]) AS c(id, change) WHERE l.id = c.id",
            [list(moved), list(moved.values())],
        )
    for pk, change in moved.items():
        levels[pk].reserved += change
    Movement.objects.bulk_create(rows, batch_size=_BATCH)
