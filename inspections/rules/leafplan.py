"""All advice for one check in a table, so that the bench needs no answer for each leaf.

The table is looked up by the ends of the bracket; whoever reads it needs no rule of its own. It
holds every bracket that single leaves and advised stacks give. What lies outside it (a stack laid
by own choice) waits for the server.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import Any

from inspections.rules.leafsearch import Bracket, End, LeafTask, search_for
from inspections.rules.nextleaf import Advice, deciding, narrowing
from inspections.rules.verdict_words import percent


def key_of(pieces: Iterable[Any]) -> str:
    """Leaves laid together as one word, the thinner first: "0.06 + 0.10"."""
    return " + ".join(f"{leaf:f}" for leaf in sorted(pieces))


def chance_of(advice: Advice) -> str:
    """The chance of meeting the limit for people; "" where it is not known."""
    return "" if advice.probability is None else percent(advice.probability)


@lru_cache(maxsize=32)
def plan(task: LeafTask, met: tuple[tuple[End, str], ...] = ()) -> dict[str, Any]:
    """The table for one task, of JSON types. Treat it as read only: it is kept.

    `met`: ends that tries so far have made besides, each with its leaves as key_of writes them.

        ends      {"0.05": 0, "0.06 + 0.10": 14}: leaves and their rank, the thinner first
        cells     {"3|7": [state, advice, narrowing]}: by the ranks of the low and the high end,
                  "" for an end not made yet; places in the lists below
        states    [[outcome, its words, chance of meeting the limit in words or ""]]
        advices   [[kind, sentence, leaves as in `ends` or "", prospect]]
    """
    ends = search_for(task, tuple(sorted({end for end, _ in met}))).ends
    lows: list[End | None] = [None, *ends]
    highs: list[End | None] = [*ends, None]
    ahead: list[Bracket] = [
        (low, high)
        for low in lows
        for high in highs
        if low is None or high is None or low.at < high.at
    ]
    search = search_for(task, tuple(sorted({*ends, *_laid_below(ends[-1], task)})))
    # What the hand has laid together goes by its own name, beside what the set would lay.
    names = {key_of(search.made[end.at]): end for end in ends if end.at in search.made}
    names |= {key: end for end, key in met}
    found: dict[Bracket, tuple[Advice, Advice]] = {}
    while ahead:
        low, high = ahead.pop()
        if (low, high) in found:
            continue
        narrower = narrowing(search, low, high)
        found[low, high] = (deciding(search, low, high), narrower)
        if narrower.thickness is not None and len(narrower.leaves) == 2:
            end = End(narrower.thickness, 2)
            names[key_of(narrower.leaves)] = end
            ahead += [(low, end), (end, high)]
    return _table(names, found)


def _laid_below(thickest: End, task: LeafTask) -> list[End]:
    """Stacks that the advice for narrowing can come to: between the ends that are known."""
    return [End(size, 2) for size in search_for(task).stacks if size < thickest.at]


def _table(names: dict[str, End], found: dict[Bracket, tuple[Advice, Advice]]) -> dict[str, Any]:
    ranks = {end: n for n, end in enumerate(sorted(set(names.values())))}
    states: dict[tuple[str, ...], int] = {}
    advices: dict[tuple[str, ...], int] = {}
    cells: dict[str, list[int]] = {}
    for (low, high), (decides, narrows) in found.items():
        state = (decides.outcome.value, decides.outcome.label, chance_of(decides))
        place = f"{'' if low is None else ranks[low]}|{'' if high is None else ranks[high]}"
        cells[place] = [
            states.setdefault(state, len(states)),
            *(
                advices.setdefault(
                    (one.kind, one.sentence, key_of(one.leaves), one.prospect), len(advices)
                )
                for one in (decides, narrows)
            ),
        ]
    return {
        "ends": {key: ranks[end] for key, end in names.items()},
        "cells": cells,
        "states": [list(state) for state in states],
        "advices": [list(advice) for advice in advices],
    }
