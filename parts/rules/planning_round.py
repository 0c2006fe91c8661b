"""One walk over all lines in the order of urgency: who gets what from where.

First every line looks at its own shelf, and what was arranged for it before is held for it as far
as no more urgent line needs it. Then each line that is still open, again in that order, gets one
source for what its shelf does not give. Last the stores are restocked.

The walk never goes back: where several numbers may stand in for each other, what a line lets go of
when it takes another number serves only those after it.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from parts.rules.distances import great_circle_km, transfer_days
from parts.rules.supply import (
    Decision,
    Inbound,
    Line,
    Place,
    Plan,
    PlannedTransfer,
    Situation,
    Source,
    SourceKind,
    Want,
)

# An order that has not gone out is expected a day later each day: a smaller slip is not told.
SLIP_DAYS = 7

Kept = PlannedTransfer | Inbound


@dataclass(frozen=True, slots=True)
class _Mark:
    """What is held for a line until its turn comes."""

    part: int
    own: int
    kept: Kept | None
    missing: int


@dataclass(frozen=True, slots=True)
class _Option:
    """One way to get the missing rest. what: an inbound, a kept transfer, or a giver's store id."""

    part: int
    own: int
    missing: int
    what: Kept | int
    arrival: date | None
    disturbs: bool
    current: bool
    number_rank: int
    distance_km: float

    @property
    def is_transfer(self) -> bool:
        return not isinstance(self.what, Inbound) or self.what.kind is SourceKind.TRANSFER


class Distances:
    """For each store the others, nearest first; those without a known place last, by name."""

    def __init__(self, situation: Situation) -> None:
        self._stores = situation.stores
        self._near: dict[int, list[tuple[int, float | None]]] = {}

    def km(self, one: int, other: int) -> float | None:
        a, b = self._stores[one], self._stores[other]
        if a.latitude_deg is None or a.longitude_deg is None:
            return None
        if b.latitude_deg is None or b.longitude_deg is None:
            return None
        return great_circle_km(a.latitude_deg, a.longitude_deg, b.latitude_deg, b.longitude_deg)

    def near(self, store: int) -> list[tuple[int, float | None]]:
        if store not in self._near:
            rows = [(other, self.km(store, other)) for other in self._stores if other != store]
            rows.sort(
                key=lambda r: (r[1] is None, r[1] or 0.0, self._stores[r[0]].name, r[0]),
            )
            self._near[store] = rows
        return self._near[store]


class Round:
    """Takes a situation, gives a plan; used once."""

    def __init__(self, situation: Situation, distances: Distances, lowest: int = 0) -> None:
        """lowest: refs of new transfers begin below it."""
        self._s = situation
        self._distances = distances
        self._lines = sorted(situation.lines, key=lambda line: line.urgency)
        self._free = Counter({at: max(0, s.usable) for at, s in situation.shelves.items()})
        # Reserved now, for lines that are less urgent than the one that is looked at.
        self._reserved_later: Counter[Place] = Counter()
        for line in self._lines:
            if line.source.kind is SourceKind.SHELF:
                self._reserved_later[line.store, line.source.part] += line.quantity
        self._planned = {transfer.ref: transfer for transfer in situation.transfers}
        # Held at a giver for transfers planned before, and as much as the later of them ask for.
        self._promised: Counter[Place] = Counter()
        self._promised_later: Counter[Place] = Counter()
        self._inbound = {(i.kind, i.ref): i for i in situation.inbounds}
        self._inbound_at: dict[Place, list[Inbound]] = defaultdict(list)
        for inbound in situation.inbounds:
            self._inbound_at[inbound.store, inbound.part].append(inbound)
        self._left = {key: i.quantity for key, i in self._inbound.items()}
        # Of what is left, held for lines whose turn is still to come.
        self._claimed: Counter[tuple[SourceKind, int]] = Counter()
        self._marks: dict[int, _Mark] = {}
        self._decided: dict[int, Decision] = {}
        self._kept: list[PlannedTransfer] = []
        self._next_ref = min([lowest, *self._planned]) - 1
        self._unmet: Counter[Place] = Counter()

    def run(self) -> Plan:
        for line in self._lines:
            self._own_shelf(line)
        restocking = [t for t in self._s.transfers if t.line is None and self._giver_has(t)]
        for transfer in restocking:
            self._hold(transfer)
        for line in self._lines:
            if line.id not in self._decided:
                self._elsewhere(line)
        for_stock = self._restock(restocking)
        for_lines: Counter[Place] = Counter()
        for line in self._lines:
            decision = self._decided[line.id]
            if decision.source.kind is SourceKind.ORDER:
                for_lines[line.store, decision.source.part] += decision.missing
        wants = [
            Want(store, part, for_lines[store, part], for_stock[store, part])
            for store, part in sorted({*for_lines, *for_stock})
        ]
        return Plan(
            tuple(self._decided[line.id] for line in self._lines), tuple(self._kept), tuple(wants)
        )

    # --- The own shelf --------------------------------------------------------------------------

    def _numbers(self, line: Line) -> tuple[int, ...]:
        article = self._s.articles[line.part]
        return article.direct + (article.alternatives if line.alternatives_allowed else ())

    def _undisturbed(self, at: Place) -> int:
        return max(0, self._free[at] - self._reserved_later[at])

    def _own_shelf(self, line: Line) -> None:
        store, wanted, before = line.store, line.quantity, line.source
        numbers = self._numbers(line)
        if before.kind is SourceKind.SHELF:
            self._reserved_later[store, before.part] -= wanted
            if before.part in numbers and self._free[store, before.part] >= wanted:
                self._take(line, before.part)
                return
        for part in numbers:
            if self._undisturbed((store, part)) >= wanted:
                self._take(line, part)
                return
        mark = self._mark(line, numbers)
        if mark.kept is None or not _in_time(line, self._arrival(mark.kept)):
            # What is reserved for a later pump, but only where it serves this one whole.
            for part in numbers:
                if self._free[store, part] >= wanted:
                    self._take(line, part)
                    return
        self._free[store, mark.part] -= mark.own
        self._marks[line.id] = mark
        if isinstance(mark.kept, PlannedTransfer):
            self._hold(mark.kept)
        elif mark.kept is not None:
            self._claimed[mark.kept.kind, mark.kept.ref] += mark.missing

    def _take(self, line: Line, part: int) -> None:
        self._free[line.store, part] -= line.quantity
        self._decided[line.id] = Decision(line.id, Source(SourceKind.SHELF, part), line.quantity, 0)

    def _mark(self, line: Line, numbers: tuple[int, ...]) -> _Mark:
        before, wanted = line.source, line.quantity
        if before.part in numbers and before.ref is not None:
            planned = self._planned.get(before.ref) if before.kind is SourceKind.TRANSFER else None
            if planned is not None and planned.line == line.id and planned.part in numbers:
                own = max(0, wanted - planned.quantity)
                has_own = self._undisturbed((line.store, planned.part)) >= own
                if has_own and planned.store == line.store and self._giver_has(planned):
                    return _Mark(planned.part, own, planned, planned.quantity)
            inbound = self._inbound.get((before.kind, before.ref))
            if inbound is not None and inbound.store == line.store and inbound.part in numbers:
                own = min(self._undisturbed((line.store, inbound.part)), wanted - 1)
                key = (inbound.kind, inbound.ref)
                if self._left[key] - self._claimed[key] >= wanted - own:
                    return _Mark(inbound.part, own, inbound, wanted - own)
        ordered = before.kind is SourceKind.ORDER and before.part in numbers
        # Of the number of which most lies there: nobody else is given what this line will need.
        part = (
            before.part
            if ordered
            else max(numbers, key=lambda number: self._undisturbed((line.store, number)))
        )
        own = min(self._undisturbed((line.store, part)), wanted - 1)
        return _Mark(part, own, None, wanted - own)

    def _giver_has(self, transfer: PlannedTransfer) -> bool:
        return self._undisturbed((transfer.giver, transfer.part)) >= transfer.quantity

    def _hold(self, transfer: PlannedTransfer) -> None:
        at = (transfer.giver, transfer.part)
        self._free[at] -= transfer.quantity
        self._promised[at] += transfer.quantity
        self._promised_later[at] += transfer.quantity

    def _arrival(self, kept: Kept) -> date | None:
        """When it is there as far as anybody can say; None: a delivery without a day, or late."""
        expected, today = kept.expected_on, self._s.today
        if expected is not None and expected >= today:
            return expected
        if isinstance(kept, Inbound) and kept.kind is SourceKind.DELIVERY:
            return None
        return today if expected else today + timedelta(days=transfer_days(None))

    # --- From elsewhere -------------------------------------------------------------------------

    def _elsewhere(self, line: Line) -> None:
        mark = self._marks.pop(line.id)
        self._free[line.store, mark.part] += mark.own
        intact = self._come_to_turn(mark)
        numbers = self._numbers(line)
        for part in numbers:
            if self._free[line.store, part] >= line.quantity:
                self._give_back(mark, intact)
                self._take(line, part)
                return
        options = list(self._options(line, numbers, mark, intact))
        best = min(options, key=lambda o: _preference(line, o), default=None)
        order = self._order(line)
        if best is not None and order is not None and self._orders_rather(line, best, order):
            best = None
        if best is None or best.what is not mark.kept:
            self._give_back(mark, intact)
        if best is not None:
            self._settle(line, best)
        elif order is not None:
            self._decide(line, order)
        else:
            # What lies there of another number is kept for it all the same.
            fullest = max(numbers, key=lambda number: self._free[line.store, number])
            if fullest != line.part:
                at = (line.store, fullest)
                self._free[at] -= min(self._free[at], line.quantity - 1)
            self._decide(line, Source(SourceKind.NONE, line.part))
            self._unmet[line.store, self._s.articles[line.part].newest] += line.quantity

    def _come_to_turn(self, mark: _Mark) -> bool:
        """Whether what was held for the line before still is; it is no longer held for later."""
        kept = mark.kept
        if isinstance(kept, PlannedTransfer):
            return self._turn_of(kept)
        if kept is not None:
            self._claimed[kept.kind, kept.ref] -= mark.missing
        return False

    def _turn_of(self, transfer: PlannedTransfer) -> bool:
        at = (transfer.giver, transfer.part)
        self._promised_later[at] -= transfer.quantity
        if self._promised[at] >= transfer.quantity:
            return True
        spare = self._promised[at] - self._promised_later[at]
        if spare > 0:
            self._promised[at] -= spare
            self._free[at] += spare
        return False

    def _give_back(self, mark: _Mark, intact: bool) -> None:
        if intact and isinstance(mark.kept, PlannedTransfer):
            self._release(mark.kept)

    def _release(self, transfer: PlannedTransfer) -> None:
        at = (transfer.giver, transfer.part)
        self._promised[at] -= transfer.quantity
        self._free[at] += transfer.quantity

    def _options(
        self, line: Line, numbers: tuple[int, ...], mark: _Mark, intact: bool
    ) -> Iterator[_Option]:
        direct = self._s.articles[line.part].direct
        for rank, part in enumerate(numbers):
            own = self._free[line.store, part]
            missing = line.quantity - own
            alternative = len(numbers) if part not in direct else 0
            for inbound in self._inbound_at.get((line.store, part), ()):
                key = (inbound.kind, inbound.ref)
                if self._left[key] < missing:
                    continue
                yield _Option(
                    part,
                    own,
                    missing,
                    inbound,
                    self._arrival(inbound),
                    self._left[key] - self._claimed[key] < missing,
                    inbound is mark.kept,
                    rank + alternative,
                    0.0,
                )
            yield from self._givers(line, part, own, missing, rank + alternative)
        kept = mark.kept
        if intact and isinstance(kept, PlannedTransfer):
            rank = numbers.index(kept.part) + (0 if kept.part in direct else len(numbers))
            yield _Option(
                kept.part,
                mark.own,
                kept.quantity,
                kept,
                self._arrival(kept),
                False,
                True,
                rank,
                0.0,
            )

    def _givers(
        self, line: Line, part: int, own: int, missing: int, rank: int
    ) -> Iterator[_Option]:
        """The nearest store that can spare the rest, and a nearer one that promised it already."""
        disturbed = False
        for giver, km in self._distances.near(line.store):
            at = (giver, part)
            if at not in self._s.shelves or (line.id, giver) in self._s.refused:
                continue
            spare = self._spare(at)
            disturbs = spare < missing
            if disturbs and (disturbed or spare + self._promised[at] < missing):
                continue
            arrival = self._s.today + timedelta(days=transfer_days(km))
            distance = float("inf") if km is None else km
            yield _Option(part, own, missing, giver, arrival, disturbs, False, rank, distance)
            if not disturbs:
                return
            disturbed = True

    def _spare(self, at: Place) -> int:
        """What a store can give: free after its own lines, less what it keeps back."""
        shelf = self._s.shelves.get(at)
        return self._free[at] - (shelf.keep_back if shelf is not None else 0)

    def _order(self, line: Line) -> Source | None:
        """What would be ordered: the newest number, else one that may stand in and can be had."""
        article = self._s.articles[line.part]
        others = article.alternatives if line.alternatives_allowed else ()
        candidates = [article.newest]
        candidates += [p for p in others if self._s.articles[p].newest == p]
        for part in candidates:
            offer = self._s.offers.get(part)
            if offer is None:
                continue
            expected = self._s.today + timedelta(days=offer.lead_days)
            before = line.source
            told = before.expected_on if before.kind is SourceKind.ORDER else None
            if told and before.part == part and abs((expected - told).days) < SLIP_DAYS:
                expected = told
            return Source(SourceKind.ORDER, part, None, expected)
        return None

    def _orders_rather(self, line: Line, best: _Option, order: Source) -> bool:
        """Whether a new order comes before a delivery that is late, and not this line's already.

        Of one that is overdue nobody knows: the draft shrinks again when it comes after all.
        """
        if best.is_transfer or best.current or _in_time(line, best.arrival):
            return False
        return best.arrival is None or (order.expected_on or date.max) < best.arrival

    def _settle(self, line: Line, best: _Option) -> None:
        what = best.what
        if isinstance(what, Inbound):
            self._left[what.kind, what.ref] -= best.missing
            source = Source(what.kind, best.part, what.ref, what.expected_on)
        elif isinstance(what, PlannedTransfer):
            self._promised[what.giver, what.part] -= what.quantity
            self._kept.append(what)
            source = Source(SourceKind.TRANSFER, what.part, what.ref, what.expected_on)
        else:
            made = self._make(what, line.store, best.part, best.missing, line.id)
            source = Source(SourceKind.TRANSFER, best.part, made.ref, made.expected_on)
        self._free[line.store, best.part] -= best.own
        self._decided[line.id] = Decision(line.id, source, best.own, best.missing)

    def _make(
        self, giver: int, store: int, part: int, quantity: int, line: int | None
    ) -> PlannedTransfer:
        at = (giver, part)
        freely = max(0, min(quantity, self._spare(at)))
        self._free[at] -= freely
        self._promised[at] -= quantity - freely
        days = transfer_days(self._distances.km(giver, store))
        expected = self._s.today + timedelta(days=days)
        made = PlannedTransfer(self._next_ref, giver, store, part, quantity, line, expected)
        self._next_ref -= 1
        self._kept.append(made)
        return made

    def _decide(self, line: Line, source: Source) -> None:
        own = min(self._free[line.store, source.part], line.quantity - 1)
        self._free[line.store, source.part] -= own
        self._decided[line.id] = Decision(line.id, source, own, line.quantity - own)

    # --- Restocking -----------------------------------------------------------------------------

    def _restock(self, held: list[PlannedTransfer]) -> Counter[Place]:
        """What is to be ordered for stock; transfers from a central store come before that."""
        by_place: dict[Place, list[PlannedTransfer]] = defaultdict(list)
        for transfer in held:
            if self._turn_of(transfer):
                by_place[transfer.store, transfer.part].append(transfer)
        older: dict[int, list[int]] = defaultdict(list)
        for article in self._s.articles.values():
            older[article.newest].append(article.id)
        to_order: Counter[Place] = Counter()
        # Who is supplied by others asks first: a central store then sees what it gave.
        stores = self._s.stores
        levels = sorted(
            self._s.levels,
            key=lambda v: (stores[v.store].supplied_by is None, v.store, v.part),
        )
        for level in levels:
            at = (level.store, level.part)
            position = self._position(at, older[level.part]) + level.asked_for
            for transfer in by_place.pop(at, ()):
                if position > level.reorder_point:
                    self._release(transfer)
                    continue
                self._promised[transfer.giver, transfer.part] -= transfer.quantity
                self._kept.append(transfer)
                position += transfer.quantity
            if position > level.reorder_point:
                continue
            central = stores[level.store].supplied_by
            if central is not None and (central, *at) not in self._s.refused_restocking:
                spare = min(self._spare((central, level.part)), level.order_up_to - position)
                if spare > 0:
                    self._make(central, level.store, level.part, spare, None)
                    position += spare
            if position <= level.reorder_point and level.part in self._s.offers:
                to_order[at] = level.order_up_to - position
        for rest in by_place.values():
            for transfer in rest:
                self._release(transfer)
        return to_order

    def _position(self, at: Place, numbers: list[int]) -> int:
        """What is there and on its way and nobody waits for, less what is wanted and has no source.

        numbers: the part and all that it took the place of, which are used up first.
        Source: the inventory position of (r, Q) systems, as in Hopp and Spearman, Factory
        Physics, chapter 2.
        """
        places = [(at[0], part) for part in numbers]
        there = sum(self._free[place] for place in places)
        inbounds = (i for place in places for i in self._inbound_at.get(place, ()))
        coming = sum(self._left[i.kind, i.ref] for i in inbounds)
        return there + coming - self._unmet[at]


def _in_time(line: Line, arrival: date | None) -> bool:
    """Whether it is there when it is needed; without a date nothing is soon enough."""
    return arrival is not None and line.needed_on is not None and arrival <= line.needed_on


def _preference(line: Line, option: _Option) -> tuple[object, ...]:
    """Sort key of the ways to get the rest, the best first.

    In time: what disturbs nobody, then what was arranged before, then deliveries and transfers
    under way before the stock of others, the nearest first. Too late, or no date: a transfer that
    was arranged stays, else what comes soonest.
    """
    tie = (
        option.disturbs,
        not option.current,
        not isinstance(option.what, Inbound),
        option.number_rank,
        option.distance_km,
        option.what if isinstance(option.what, int) else option.what.ref,
    )
    if _in_time(line, option.arrival):
        return (0, False, date.min, *tie)
    arranged = option.current and option.is_transfer
    return (1, not arranged, option.arrival or date.max, *tie)
