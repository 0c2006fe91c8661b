"""Which parts have to be planned together, and which number may be handed out for which."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence

from parts.rules.supersession import chain_from


def families(parts: Iterable[int], links: Iterable[tuple[int, int]]) -> Sequence[tuple[int, ...]]:
    """The parts in groups that share stock, each sorted, the groups by their first part.

    links: pairs of parts that stand in for each other, one way or both. Parts that only a link
    names belong to their group too. Union-find with path halving: near linear in the links.
    """
    above: dict[int, int] = {}

    def root(part: int) -> int:
        above.setdefault(part, part)
        while above[part] != part:
            above[part] = above[above[part]]
            part = above[part]
        return part

    for part in parts:
        root(part)
    for one, other in links:
        low, high = sorted((root(one), root(other)))
        above[high] = low
    groups: dict[int, list[int]] = defaultdict(list)
    for part in sorted(above):
        groups[root(part)].append(part)
    return [tuple(group) for _first, group in sorted(groups.items())]


def numbers_for(
    part: int, superseded_by: Mapping[int, int], alternatives: Mapping[int, Sequence[int]]
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """(the part and what took its place, oldest first; what may stand in where that is allowed).

    An old number never stands in for a newer one: that the new one replaces it says nothing of
    the reverse. Where it does, it is named as an alternative. alternatives: part -> others.
    """
    direct = tuple(chain_from(part, superseded_by))
    others: dict[int, None] = {}
    for number in direct:
        for other in alternatives.get(number, ()):
            others.update(dict.fromkeys(chain_from(other, superseded_by)))
    return direct, tuple(other for other in others if other not in direct)
