"""Chains of old numbers. Checked against walking a small chain by hand."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from parts.rules.numbers import normalised
from parts.rules.supersession import chain_from, would_loop

AFTER = {1: 2, 2: 3, 5: 3}


def test_a_chain_leads_to_the_newest() -> None:
    assert chain_from(1, AFTER) == [1, 2, 3]
    assert chain_from(3, AFTER) == [3]
    assert chain_from(9, AFTER) == [9]


def test_a_loop_is_seen_however_long() -> None:
    assert would_loop(3, 1, AFTER)
    assert would_loop(3, 5, AFTER)
    assert would_loop(4, 4, AFTER)
    assert not would_loop(3, 4, AFTER)
    assert not would_loop(5, 1, AFTER)


@given(st.lists(st.tuples(st.integers(0, 12), st.integers(0, 12)), max_size=40))
def test_whoever_refuses_loops_never_has_one(pairs: list[tuple[int, int]]) -> None:
    after: dict[int, int] = {}
    for old, new in pairs:
        if old not in after and not would_loop(old, new, after):
            after[old] = new
    for part in range(13):
        chain = chain_from(part, after)
        assert chain[-1] not in after
        assert len(chain) == len(set(chain))


def test_a_loop_in_the_data_ends_a_walk() -> None:
    assert chain_from(1, {1: 2, 2: 1}) == [1, 2]


def test_a_number_as_it_is_stored() -> None:
    assert normalised("  sk-20 ") == "SK-20"
    assert normalised("4711   a") == "4711 A"
