"""From open demands to their supply: the rule of planning, without a database.

House rules, in this order for each line, the most urgent first (see urgency):

1. The own shelf, whole. An old number is used up before the newer one, and alternatives come last
   and only where the line allows them; one number a line. What is there of a line that cannot be
   served whole is kept for it. A reservation goes to a more urgent line only if that serves it
   whole, and only if what was arranged for it before does not come in time.
2. What is on its way to the store and nobody waits for, if it comes in time or before a transfer.
3. The rest from the nearest store that can spare it: free after its own lines, less what it keeps
   back. One giver; never one that refused. A promise to another store is broken for a more urgent
   line only.
4. What is on its way and late, if it comes no later than a new order would.
5. An order of the newest number to its preferred supplier.
6. Nothing: short.

What was arranged before stays among equals. Time grows as n log n in the lines (they are sorted;
each then looks at its own store, at the other stores, and at what is on its way to its own).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import chain

from parts.rules.planning_round import Distances, Round
from parts.rules.substitutes import families
from parts.rules.supply import (
    Decision,
    Inbound,
    Level,
    Line,
    Place,
    Plan,
    PlannedTransfer,
    Shelf,
    Situation,
)

MOST_ROUNDS = 8


def plan(situation: Situation) -> Plan:
    """What becomes of every line, which transfers are to be, and what is to be ordered.

    Deterministic, and stable: planned again on what it decided, it decides the same. What one
    line gives back late in a round may serve another, so rounds are made until nothing changes;
    family by family, since parts that do not stand in for each other share nothing.
    """
    distances = Distances(situation)
    found: list[Plan] = []
    lowest = min([0, *(transfer.ref for transfer in situation.transfers)])
    for family in _families(situation):
        decided = _settled(family, distances, lowest)
        lowest = min([lowest, *(transfer.ref for transfer in decided.transfers)])
        found.append(decided)
    urgency = {line.id: line.urgency for line in situation.lines}
    decisions = chain.from_iterable(each.decisions for each in found)
    return Plan(
        tuple(sorted(decisions, key=lambda decision: urgency[decision.line])),
        tuple(chain.from_iterable(each.transfers for each in found)),
        tuple(chain.from_iterable(each.wants for each in found)),
    )


def _settled(situation: Situation, distances: Distances, lowest: int) -> Plan:
    decided = Round(situation, distances, lowest).run()
    for _round in range(MOST_ROUNDS):
        again = Round(after(situation, decided), distances, lowest).run()
        if again == decided:
            break
        decided = again
    return decided


def _families(situation: Situation) -> Iterator[Situation]:
    """The situation of each family by itself, those of whom something is wanted or planned."""
    links = [
        (article.id, other)
        for article in situation.articles.values()
        for other in (*article.direct[1:], *article.alternatives)
    ]
    groups = families(situation.articles, links)
    group_of = {part: number for number, group in enumerate(groups) for part in group}
    shelves: dict[int, dict[Place, Shelf]] = defaultdict(dict)
    for place, shelf in situation.shelves.items():
        shelves[group_of[place[1]]][place] = shelf
    lines: dict[int, list[Line]] = defaultdict(list)
    for line in situation.lines:
        lines[group_of[line.part]].append(line)
    inbounds: dict[int, list[Inbound]] = defaultdict(list)
    for inbound in situation.inbounds:
        inbounds[group_of[inbound.part]].append(inbound)
    transfers: dict[int, list[PlannedTransfer]] = defaultdict(list)
    for transfer in situation.transfers:
        transfers[group_of[transfer.part]].append(transfer)
    levels: dict[int, list[Level]] = defaultdict(list)
    for level in situation.levels:
        levels[group_of[level.part]].append(level)
    for number in sorted({*lines, *transfers, *levels}):
        yield replace(
            situation,
            articles={part: situation.articles[part] for part in groups[number]},
            shelves=shelves[number],
            lines=lines[number],
            inbounds=inbounds[number],
            transfers=transfers[number],
            levels=levels[number],
        )


def after(situation: Situation, decided: Plan) -> Situation:
    """The situation when all has been arranged as decided, and nothing else has happened."""
    sources = {decision.line: decision.source for decision in decided.decisions}
    lines = [replace(line, source=sources[line.id]) for line in situation.lines]
    return replace(situation, lines=lines, transfers=decided.transfers)


def changed(situation: Situation, decided: Plan) -> Sequence[tuple[Line, Decision]]:
    """The lines whose source is another than before, the most urgent first."""
    lines = {line.id: line for line in situation.lines}
    return [(lines[d.line], d) for d in decided.decisions if lines[d.line].source != d.source]
