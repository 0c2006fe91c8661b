"""Counting while others count, decide and pull, through real connections."""

from __future__ import annotations

from functools import partial
from typing import Any

import pytest

from fleet.faults import Conflict
from fleet.roles import Role
from parts.models import Count, CountLine, Movement
from parts.services import counts, ledger, pulling
from tests import factories
from tests.parts.build import level, make_yard, raise_demand
from tests.parts.counting import valued
from tests.races.crowd import all_at_once

pytestmark = pytest.mark.django_db(transaction=True)

PEOPLE = 8


def test_a_line_takes_one_figure_and_one_decision_however_many_come_at_once() -> None:
    yard = make_yard()
    part = valued(yard, 50)
    count = counts.raise_count(actor=yard.clerk, store=yard.store, parts=[part], why="Monday")
    line = count.lines.get()
    enter = partial(counts.enter, actor=yard.clerk, line=line, reason="Gone")
    results = all_at_once([partial(enter, counted=n) for n in range(PEOPLE)])
    refused = [r for r in results if isinstance(r, Exception)]
    assert [type(r) for r in refused] == [Conflict] * (PEOPLE - 1)
    line.refresh_from_db()
    assert (line.expected, level(yard, part)) == (50, (50, 0))
    others = [factories.make_person(yard.site, Role.STORES_CLERK) for _ in range(PEOPLE)]
    results = all_at_once([partial(counts.approve, actor=other, line=line) for other in others])
    refused = [r for r in results if isinstance(r, Exception)]
    assert [type(r) for r in refused] == [Conflict] * (PEOPLE - 1)
    assert Movement.objects.filter(kind="correction").count() == 1
    assert level(yard, part) == (line.counted, 0)
    assert ledger.check_ledger() == []


def test_a_part_comes_onto_one_sheet_however_many_raise_one() -> None:
    yard = make_yard()
    part = valued(yard, 5)
    act = partial(
        counts.raise_count, actor=yard.clerk, store=yard.store, parts=[part], why="Monday"
    )
    results = all_at_once([act] * PEOPLE)
    refused = [r for r in results if isinstance(r, Exception)]
    assert [type(r) for r in refused] == [Conflict] * (PEOPLE - 1)
    assert (Count.objects.count(), CountLine.objects.count()) == (1, 1)


def test_a_count_during_pulls_leaves_the_ledger_equal_to_its_sums() -> None:
    yard = make_yard()
    part = valued(yard, PEOPLE)
    demands = [raise_demand(yard, part) for _ in range(PEOPLE)]
    count = counts.raise_count(actor=yard.clerk, store=yard.store, parts=[part], why="Monday")
    line = count.lines.get()
    pulls: list[Any] = [
        partial(pulling.pull, actor=yard.clerk, demand=d, scanned_number=part.number, quantity=1)
        for d in demands
    ]
    count_none = partial(counts.enter, actor=yard.clerk, line=line, counted=0, reason="Gone")
    results = all_at_once([*pulls, count_none])
    *pulled, counted = results
    assert not isinstance(counted, Exception), counted
    issued = [r for r in pulled if not isinstance(r, Exception)]
    assert all(isinstance(r, Conflict) for r in pulled if isinstance(r, Exception))
    line.refresh_from_db()
    assert line.expected is not None
    assert len(issued) + line.expected == PEOPLE
    assert level(yard, part) == (0, 0)
    assert ledger.check_ledger() == []
