"""Plans the supply of parts: reads and locks, lets the rule decide, writes what has changed.

Parts that may stand in for each other are a family, planned over all stores in one transaction.
It holds every stock level of the family, so two runs come one after the other, and the second
finds nothing to change.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db import OperationalError, connection, transaction
from django.utils import timezone

from fleet.plumbing.problems import fault_of
from parts.models import Demand, DemandStep, Holding, OrderLine, Transfer
from parts.rules.lifecycle import (
    PLANNED,
    DemandState,
    MovementKind,
    OrderState,
    TransferState,
    require_move,
)
from parts.rules.planning import plan
from parts.rules.planning_words import Words
from parts.rules.supply import Decision, Line, Place, Plan, Situation, SourceKind
from parts.services import drafts, ledger, transfers
from parts.services.ledger_bulk import Promise, append_promises
from parts.services.planning_rows import Rows, families_of, lock_rows, situation_of

# So many parts at once, whole families, so that a run neither holds all stores nor runs for long.
SLICE = 200
_TRIES = 5
_BATCH = 2_000
_STATE = {
    SourceKind.NONE: DemandState.SHORT,
    SourceKind.SHELF: DemandState.RESERVED,
    SourceKind.TRANSFER: DemandState.COMING,
    SourceKind.DELIVERY: DemandState.ORDERED,
    SourceKind.ORDER: DemandState.ORDERED,
}


@dataclass(frozen=True, slots=True)
class Planned:
    """How many open lines were looked at, and how many are supplied otherwise than before."""

    lines: int
    changed: int


# --- Runs ---------------------------------------------------------------------------------------


@transaction.atomic
def plan_parts(*, part_ids: Collection[int], now: datetime | None = None) -> Planned:
    """Plans the families of these parts; for the outbox and the nightly run, nobody's act.

    Safe to run twice, late and at once. Of more than SLICE parts only the first are planned here,
    and the rest in runs of their own, which it asks for.
    """
    first, *rest = list(_slices(families_of(part_ids))) or [()]
    for later in rest:
        ledger.plan_again(later)
    return _plan(first, now or timezone.now())


def plan_all(*, now: datetime | None = None) -> Planned:
    """Plans all there is, slice by slice, each in a transaction of its own."""
    at = now or timezone.now()
    lines = changed = 0
    for part_ids in _slices(families_of(_all_parts())):
        done = _in_turn(part_ids, at)
        lines, changed = lines + done.lines, changed + done.changed
    return Planned(lines, changed)


def ask_for_all() -> int:
    """Asks for all there is to be planned again, in events of SLICE parts; returns how many.

    What expired overnight is let go then, drafts follow what is wanted, and late orders count as
    late.
    """
    asked = 0
    for part_ids in _slices(families_of(_all_parts())):
        with transaction.atomic():
            ledger.plan_again(part_ids)
        asked += 1
    return asked


def _all_parts() -> set[int]:
    """Every part that somebody waits for, holds, sends or is about to order."""
    open_states = [state.value for state in PLANNED]
    ids = set(Demand.objects.filter(state__in=open_states).values_list("part_id", flat=True))
    ids |= set(Holding.objects.values_list("part_id", flat=True))
    planned = Transfer.objects.filter(state=TransferState.PLANNED.value)
    ids |= set(planned.values_list("part_id", flat=True))
    on_drafts = OrderLine.objects.filter(order__state=OrderState.DRAFT.value)
    ids |= set(on_drafts.values_list("part_id", flat=True))
    return {pk for pk in ids if pk is not None}


def _slices(groups: Sequence[tuple[int, ...]]) -> Iterator[tuple[int, ...]]:
    """Whole families, together not many more parts than SLICE."""
    together: list[int] = []
    for family in groups:
        if together and len(together) + len(family) > SLICE:
            yield tuple(together)
            together = []
        together += family
    if together:
        yield tuple(together)


def _in_turn(part_ids: tuple[int, ...], at: datetime) -> Planned:
    """One slice, begun again when it met somebody who held what it needed."""
    for _again in range(_TRIES - 1):
        try:
            with transaction.atomic():
                return _plan(part_ids, at)
        except OperationalError as exc:
            if fault_of(exc) is None:
                raise
    with transaction.atomic():
        return _plan(part_ids, at)


def _plan(part_ids: tuple[int, ...], at: datetime) -> Planned:
    if not part_ids:
        return Planned(0, 0)
    rows = lock_rows(part_ids, at.date())
    situation = situation_of(rows)
    return _Writing(rows, situation, plan(situation), at).write()


# --- Writing ------------------------------------------------------------------------------------


class _Writing:
    """Writes one plan: what changes, and why; used once."""

    def __init__(self, rows: Rows, situation: Situation, decided: Plan, at: datetime) -> None:
        self._rows = rows
        self._situation = situation
        self._decided = decided
        self._at = at
        self._words = Words(situation, decided)
        self._lines = {line.id: line for line in situation.lines}
        self._changed = [
            decision
            for decision in decided.decisions
            if self._differs(self._lines[decision.line], decision)
        ]

    def _differs(self, line: Line, decision: Decision) -> bool:
        if line.source != decision.source:
            return True
        # Nothing is arranged, as before: but perhaps for another reason.
        demand = self._rows.demands[line.id]
        return decision.source.kind is SourceKind.NONE and not demand.why.endswith(
            ledger.why_sentence(self._words.of(decision))
        )

    def write(self) -> Planned:
        self._call_off()
        made = self._promise()
        order_lines = drafts.write_wants(self._rows, self._decided.wants, at=self._at)
        self._move(made, order_lines)
        drafts.tidy(self._rows)
        return Planned(len(self._lines), len(self._changed))

    def _call_off(self) -> None:
        kept = {transfer.ref for transfer in self._decided.transfers}
        for planned in self._situation.transfers:
            if planned.ref not in kept:
                transfer = self._rows.own_transfers[planned.ref]
                level = self._rows.levels[planned.giver, planned.part]
                why = self._words.why_called_off(planned)
                transfers.call_off(transfer, level, why, self._at, None)

    def _promise(self) -> dict[int, int]:
        """Takes promises back, then makes new ones: the rule's number of a new transfer -> its id.

        What transfers.plan_transfer does for one, here for all at once: that they are free is the
        rule's finding, and the ledger's constraint has the last word.
        """
        made = self._new_transfers()
        back, new = [], []
        for decision in self._changed:
            line, after = self._lines[decision.line], decision.source
            demand = self._rows.demands[line.id]
            if line.source.kind is SourceKind.SHELF:
                level = self._rows.levels[line.store, line.source.part]
                why = self._words.why_released(line)[:200]
                back.append(Promise(level, MovementKind.RELEASE, line.quantity, demand, reason=why))
            if after.kind is SourceKind.SHELF:
                level = self._rows.levels[line.store, after.part]
                new.append(Promise(level, MovementKind.RESERVATION, line.quantity, demand))
        for transfer in made.values():
            level = self._rows.levels[transfer.from_store_id, transfer.part_id]
            kind = MovementKind.RESERVATION
            new.append(Promise(level, kind, transfer.quantity, transfer=transfer))
        if back or new:
            append_promises([*back, *new], by=None, at=self._at)
        return {ref: transfer.pk for ref, transfer in made.items()}

    def _new_transfers(self) -> dict[int, Transfer]:
        new = [planned for planned in self._decided.transfers if planned.ref < 0]
        rows = Transfer.objects.bulk_create(
            [
                Transfer(
                    from_store_id=planned.giver,
                    to_store_id=planned.store,
                    part_id=planned.part,
                    quantity=planned.quantity,
                    demand_id=planned.line,
                    state=TransferState.PLANNED.value,
                    why=ledger.why_sentence(self._words.of_transfer(planned)),
                    raised_at=self._at,
                    expected_on=planned.expected_on,
                )
                for planned in new
            ],
            batch_size=_BATCH,
        )
        return {planned.ref: row for planned, row in zip(new, rows, strict=True)}

    def _move(self, made: dict[int, int], order_lines: dict[Place, OrderLine]) -> None:
        demands = []
        for decision in self._changed:
            line, source = self._lines[decision.line], decision.source
            demand = self._rows.demands[line.id]
            state = _STATE[source.kind]
            if demand.state != state.value:
                require_move(DemandState(demand.state), state)
            demand.state = state.value
            demand.why = ledger.why_sentence(self._words.of(decision))
            demand.supplied_part_id = None if source.part == line.part else source.part
            demand.transfer_id = demand.order_line_id = None
            if source.kind is SourceKind.TRANSFER and source.ref is not None:
                demand.transfer_id = made.get(source.ref, source.ref)
            elif source.kind is SourceKind.DELIVERY:
                demand.order_line_id = source.ref
            elif source.kind is SourceKind.ORDER:
                demand.order_line_id = order_lines[line.store, source.part].pk
            demand.expected_on = source.expected_on
            demands.append(demand)
        _save(demands)
        DemandStep.objects.bulk_create(
            [
                DemandStep(demand_id=d.pk, state=d.state, why=d.why, by=None, at=self._at)
                for d in demands
            ],
            batch_size=_BATCH,
        )


def _save(demands: Sequence[Demand]) -> None:
    """One statement for all of them; their rows are locked."""
    if not demands:
        return
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE parts_demand AS d SET state = n.state, why = n.why,"
            " supplied_part_id = n.part, transfer_id = n.transfer, order_line_id = n.line,"
            " expected_on = n.expected_on, version = d.version + 1"
            " FROM unnest(%s::bigint[], %s::varchar[], %s::varchar[], %s::bigint[],"
            " %s::bigint[], %s::bigint[], %s::date[])"
            " AS n(id, state, why, part, transfer, line, expected_on) WHERE d.id = n.id",
            [
                [d.pk for d in demands],
                [d.state for d in demands],
                [d.why for d in demands],
                [d.supplied_part_id for d in demands],
                [d.transfer_id for d in demands],
                [d.order_line_id for d in demands],
                [d.expected_on for d in demands],
            ],
        )
