"""From which pump to which one a part fits.

Common practice, no source: parts lists say "from serial 104500 up", and makers count by the last
figures of the number.
"""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.rules.serials import Serials, covers, overlap, range_words, serial_figures


@pytest.mark.parametrize(
    ("serial", "figures"),
    [
        ("G2-104500", 104500),
        ("104500", 104500),
        ("G2-104500-B", 104500),
        ("OS 2024 / 0017 rev C", 17),
        ("007", 7),
        ("ABC", None),
        ("", None),
        ("9" * 20, int("9" * 18)),
    ],
)
def test_the_last_run_of_figures_counts(serial: str, figures: int | None) -> None:
    assert serial_figures(serial) == figures


@pytest.mark.parametrize(
    ("serial_from", "serial_to", "figures", "held"),
    [
        (None, None, 5, True),
        (None, None, None, True),
        (100, None, None, False),
        (None, 100, None, False),
        (100, 200, 99, False),
        (100, 200, 100, True),
        (100, 200, 200, True),
        (100, 200, 201, False),
        (100, None, 10**17, True),
        (None, 200, 0, True),
    ],
)
def test_both_ends_are_included(
    serial_from: int | None, serial_to: int | None, figures: int | None, held: bool
) -> None:
    assert covers(serial_from, serial_to, figures) is held


_ENDS = [None, 0, 1, 2, 3, 4, 5]
_RANGES: list[Serials] = [
    (a, b) for a, b in product(_ENDS, _ENDS) if a is None or b is None or a <= b
]


def test_two_ranges_overlap_where_a_serial_lies_in_both() -> None:
    """Against counting: every range of small numbers with every other, serials -1 to 6."""
    for one, other in product(_RANGES, _RANGES):
        shared = any(covers(*one, n) and covers(*other, n) for n in range(-1, 7))
        assert overlap(one, other) is shared, (one, other)


_SOME = st.one_of(st.none(), st.integers(0, 10**18 - 1))


@given(_SOME, _SOME, _SOME, _SOME)
def test_overlap_is_the_same_both_ways_round(
    a: int | None, b: int | None, c: int | None, d: int | None
) -> None:
    assert overlap((a, b), (c, d)) is overlap((c, d), (a, b))


@pytest.mark.parametrize(
    ("serials", "words"),
    [
        ((None, None), "all serials"),
        ((100, None), "serial 100 and up"),
        ((None, 200), "serials up to 200"),
        ((100, 200), "serials 100 to 200"),
        ((7, 7), "serial 7"),
        ((0, 9), "serials 0 to 9"),
    ],
)
def test_a_range_in_words(serials: Serials, words: str) -> None:
    assert range_words(*serials) == words
