"""Planning at once with itself and with people, through real connections."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pytest
from django.utils import timezone

from fleet.faults import Fault
from fleet.plumbing import outbox
from parts.models import Demand, Order, OrderLine, Supplier, SupplierPart, Transfer
from parts.services import ledger, needs, planning, stock
from tests.parts.build import make_part, make_yard, put_on_shelf, raise_demand
from tests.races.crowd import all_at_once

pytestmark = pytest.mark.django_db(transaction=True)

RUNS = 8


def no_errors(acts: list[Callable[[], object]]) -> None:
    assert [r for r in all_at_once(acts) if isinstance(r, Exception)] == []


def test_runs_at_once_over_one_part_plan_it_once() -> None:
    quarry, harbour = make_yard(), make_yard()
    part = make_part(quarry)
    put_on_shelf(harbour, part, 2)
    for _ in range(4):
        raise_demand(quarry, part)
    supplier = Supplier.objects.create(name="Dock Seals")
    SupplierPart.objects.create(supplier=supplier, part=part, price=1, lead_days=9, preferred=True)
    no_errors([partial(planning.plan_parts, part_ids=[part.pk]) for _ in range(RUNS)])
    assert Transfer.objects.filter(state="planned").count() == Transfer.objects.count() == 2
    assert OrderLine.objects.get().quantity == 2
    assert sorted(Demand.objects.values_list("state", flat=True)) == [
        "coming",
        "coming",
        "ordered",
        "ordered",
    ]
    assert ledger.check_ledger() == []


def test_runs_at_once_over_many_parts_join_one_draft() -> None:
    yard = make_yard()
    supplier = Supplier.objects.create(name="Dock Seals")
    parts = [make_part(yard) for _ in range(RUNS)]
    for part in parts:
        raise_demand(yard, part)
        SupplierPart.objects.create(
            supplier=supplier, part=part, price=1, lead_days=9, preferred=True
        )
    no_errors([partial(planning.plan_parts, part_ids=[part.pk]) for part in parts])
    assert Order.objects.count() == 1
    assert OrderLine.objects.count() == RUNS


def test_planning_between_receipts_and_cancellations_keeps_every_sum() -> None:
    quarry, harbour = make_yard(), make_yard()
    part = make_part(quarry)
    put_on_shelf(harbour, part, 3)
    demands = [raise_demand(quarry, part) for _ in range(6)]
    receive = partial(stock.receive, actor=quarry.clerk, store=quarry.store, part=part, quantity=1)
    acts: list[Callable[[], object]] = []
    for demand in demands[:3]:
        acts += [
            partial(planning.plan_parts, part_ids=[part.pk]),
            receive,
            partial(needs.cancel_demand, actor=quarry.clerk, demand=demand, why="Not needed."),
            partial(
                needs.set_need,
                actor=quarry.clerk,
                inspection=demands[5].inspection,
                needed_on=timezone.now().date(),
            ),
        ]
    failed = [r for r in all_at_once(acts) if isinstance(r, Exception)]
    assert all(isinstance(r, Fault) for r in failed), failed
    outbox.drain()
    assert ledger.check_ledger() == []
    states = list(Demand.objects.order_by("pk").values_list("state", flat=True))
    assert states == ["cancelled"] * 3 + ["reserved"] * 3
    assert planning.plan_parts(part_ids=[part.pk]).changed == 0
