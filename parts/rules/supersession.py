"""Old numbers of parts and what took their place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence


def chain_from(part: int, superseded_by: Mapping[int, int]) -> Sequence[int]:
    """`part` and all that came after it, the newest last.

    superseded_by: id of an old part -> id of the one that took its place. A loop, which no service
    lets in, ends where it would begin again.
    """
    chain = [part]
    while (following := superseded_by.get(chain[-1])) is not None and following not in chain:
        chain.append(following)
    return chain


def would_loop(old: int, new: int, superseded_by: Mapping[int, int]) -> bool:
    """Whether naming `new` as what takes the place of `old` would lead back to `old`."""
    return old in chain_from(new, superseded_by)
