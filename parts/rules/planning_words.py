"""What planning says of each decision: one or two plain sentences with names and numbers.

Of other sites only their names and numbers are told.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import date

from parts.rules.planning_round import Distances
from parts.rules.supply import (
    Decision,
    Line,
    Place,
    Plan,
    PlannedTransfer,
    Shelf,
    Situation,
    SourceKind,
)

_NOTHING = Shelf(on_hand=0, usable=0)


def day(on: date) -> str:
    return f"{on.day} {on:%b %Y}"


class Words:
    """The sentences of one plan."""

    def __init__(self, situation: Situation, decided: Plan) -> None:
        self._s = situation
        self._distances = Distances(situation)
        self._lines = {line.id: line for line in situation.lines}
        self._decisions = {decision.line: decision for decision in decided.decisions}
        self._transfers = {transfer.ref: transfer for transfer in decided.transfers}
        self._before = {transfer.ref: transfer for transfer in situation.transfers}
        self._inbounds = {(i.kind, i.ref): i for i in situation.inbounds}
        self._refusing: dict[int, list[str]] = defaultdict(list)
        for demand, store in sorted(situation.refused):
            if store in situation.stores:
                self._refusing[demand].append(situation.stores[store].name)
        self._takers: dict[Place, list[Line]] = defaultdict(list)
        for decision in decided.decisions:
            line, source = self._lines[decision.line], decision.source
            if source.kind is SourceKind.SHELF and line.source != source:
                self._takers[line.store, source.part].append(line)

    def of(self, decision: Decision) -> str:
        """Why the line is supplied as it is."""
        line, source = self._lines[decision.line], decision.source
        said = [self._lost(line, decision), self._shelf(line, decision)]
        if source.kind is SourceKind.TRANSFER:
            said.append(self._transfer(decision))
        elif source.kind is SourceKind.DELIVERY:
            inbound = self._inbounds[source.kind, source.ref or 0]
            when = (
                "No day is promised."
                if source.expected_on is None
                else self._due(source.expected_on)
            )
            said.append(f"{decision.missing} of {inbound.come_from} are for it. {when}")
        elif source.kind is SourceKind.ORDER:
            offer = self._s.offers[source.part]
            expected = "" if source.expected_on is None else f" Expected {day(source.expected_on)}."
            said.append(
                f"{self._no_giver(line, decision)} {decision.missing} to be ordered from "
                f"{offer.supplier_name}, who promises {_days(offer.lead_days)}.{expected}"
            )
        elif source.kind is SourceKind.NONE:
            newest = self._number(self._s.articles[line.part].newest)
            said.append(
                f"{self._no_giver(line, decision)} Nobody is named to order {newest} from: name "
                "its preferred supplier."
            )
        if source.part != line.part:
            said.append(f"{self._number(source.part)} stands in for {self._number(line.part)}.")
        return " ".join(sentence for sentence in said if sentence)

    def of_transfer(self, transfer: PlannedTransfer) -> str:
        """Why a transfer is made; both ends read it."""
        if transfer.line is not None:
            line = self._lines[transfer.line]
            decision = self._decisions[transfer.line]
            return f"{self._shelf(line, decision)} {self._transfer(decision)}"
        store, giver = self._s.stores[transfer.store], self._s.stores[transfer.giver]
        return (
            f"{store.name} is to be restocked with {transfer.quantity} of "
            f"{self._number(transfer.part)}, and {giver.name} supplies it. "
            f"Expected {day(transfer.expected_on)}."
        )

    def why_called_off(self, transfer: PlannedTransfer) -> str:
        """Why a planned transfer is not to be after all."""
        if transfer.line is None:
            return "Not needed there any more."
        decision = self._decisions.get(transfer.line)
        if decision is None:
            return "The demand is settled."
        name = self._s.stores[transfer.store].name
        if decision.source.kind is SourceKind.SHELF:
            return f"{name} serves the demand from its own shelf."
        if decision.source.ref is not None:
            return f"{name} gets it another way."
        return f"What {self._s.stores[transfer.giver].name} had free is needed sooner."

    def why_released(self, line: Line) -> str:
        """Why a line loses what was reserved for it, for the ledger."""
        decision = self._decisions[line.id]
        if decision.source.kind is SourceKind.SHELF:
            return f"{self._number(decision.source.part)} is reserved in its place."
        return self._lost(line, decision) or "Planned anew."

    def _number(self, part: int) -> str:
        return self._s.articles[part].number

    def _shelf(self, line: Line, decision: Decision) -> str:
        """As the ledger says it of what it reserves, or what there is and what is missing."""
        store = self._s.stores[line.store]
        shelf = self._s.shelves.get((line.store, decision.source.part), _NOTHING)
        if decision.source.kind is SourceKind.SHELF:
            bin = f", bin {shelf.bin}" if shelf.bin else ""
            return f"{line.quantity} reserved at {store.name}{bin}."
        expired = f", {shelf.expired} of them expired" if shelf.expired else ""
        return (
            f"{line.quantity} needed, {decision.own} free of {shelf.on_hand} on hand{expired} at "
            f"{store.name}."
        )

    def _lost(self, line: Line, decision: Decision) -> str:
        """What became of the reservation or transfer that the line had."""
        before = line.source
        if decision.source.kind is SourceKind.SHELF:
            return ""
        if before.kind is SourceKind.SHELF:
            takers = self._takers[line.store, before.part]
            sooner = [taker for taker in takers if taker.urgency < line.urgency]
            if not sooner:
                return "What was reserved for it is no longer there."
            needed = sooner[0].needed_on
            when = f"is needed on {day(needed)}" if needed else "has waited longer"
            return f"{sooner[0].name} {when} and takes what was reserved here."
        lost = self._before.get(before.ref or 0) if before.kind is SourceKind.TRANSFER else None
        if lost is not None and lost.ref not in self._transfers and decision.source.ref is None:
            giver = self._s.stores[lost.giver].name
            return f"What {giver} had promised is needed sooner."
        return ""

    def _transfer(self, decision: Decision) -> str:
        source = decision.source
        assert source.ref is not None  # noqa: S101  # a transfer has its number
        transfer = self._transfers.get(source.ref)
        if transfer is None:
            inbound = self._inbounds[source.kind, source.ref]
            when = "" if source.expected_on is None else f" {self._due(source.expected_on)}"
            return f"{decision.missing} on the way from {inbound.come_from}.{when}"
        giver = self._s.stores[transfer.giver]
        km = self._distances.km(transfer.giver, transfer.store)
        away = "" if km is None else f", {max(1, round(km)):,} km away,"
        kept = self._s.shelves[transfer.giver, transfer.part].keep_back
        keeps = f": it keeps back {kept} for its own next weeks" if kept else ""
        return (
            f"{giver.name}{away} sends {transfer.quantity}{keeps}. "
            f"Expected {day(transfer.expected_on)}."
        )

    def _due(self, on: date) -> str:
        if on < self._s.today:
            return f"Expected {day(on)}, so it is late."
        return f"Expected {day(on)}."

    def _no_giver(self, line: Line, decision: Decision) -> str:
        refusing = self._refusing.get(line.id, [])
        refused = f" {' and '.join(refusing)} refused." if refusing else ""
        return f"No other site can spare {decision.missing}.{refused}"


def _days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"
