"""How planning is asked for, and that it may be asked twice, late and for much at once."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import Delivery
from fleet.plumbing import outbox
from fleet.roles import Role
from parts import subscribers, tasks
from parts.events import SupplyChanged
from parts.models import Demand, Order, OrderLine, StockLevel, Supplier, SupplierPart
from parts.services import planning
from tests import factories
from tests.parts.build import Yard, make_part, put_on_shelf, raise_demand
from tests.parts.test_planning import everything, now_of, offer, plan, yards

pytestmark = pytest.mark.django_db

__all__ = ["yards"]

# --- The way there ------------------------------------------------------------------------------


def test_a_receipt_reaches_planning_through_the_outbox_and_planning_asks_for_nothing(
    yards: tuple[Yard, Yard, Yard],
) -> None:
    quarry, harbour, _ = yards
    part = make_part(quarry)
    demand = raise_demand(quarry, part)
    outbox.drain()
    assert now_of(demand).state == "short"
    put_on_shelf(harbour, part, 1)
    assert Delivery.objects.filter(handler="parts.plan_supply", done_at__isnull=True).count() == 1
    outbox.drain()
    assert now_of(demand).state == "coming"
    assert not Delivery.objects.filter(done_at__isnull=True).exists()


def test_the_same_event_twice_and_late_changes_nothing(yards: tuple[Yard, Yard, Yard]) -> None:
    quarry, harbour, _ = yards
    part = make_part(quarry)
    put_on_shelf(harbour, part, 1)
    raise_demand(quarry, part)
    event = SupplyChanged(part_ids=(part.pk,))
    subscribers.plan_supply(event)
    before = everything()
    subscribers.plan_supply(event)
    assert everything() == before


def test_an_event_of_parts_that_are_gone_is_no_fault() -> None:
    assert planning.plan_parts(part_ids=[]) == planning.Planned(0, 0)
    assert planning.plan_parts(part_ids=[987_654]) == planning.Planned(0, 0)


def test_the_nightly_task_asks_for_everything_in_slices(
    yards: tuple[Yard, Yard, Yard], monkeypatch: pytest.MonkeyPatch
) -> None:
    quarry, harbour, _ = yards
    parts = [make_part(quarry) for _ in range(5)]
    demands = [raise_demand(quarry, part) for part in parts]
    outbox.drain()
    for part in parts:
        StockLevel.objects.create(store=harbour.store, part=part)
    monkeypatch.setattr(planning, "SLICE", 2)
    SupplierPart.objects.bulk_create(
        SupplierPart(
            supplier=Supplier.objects.get_or_create(name="Dock Seals")[0],
            part=part,
            price=1,
            lead_days=2,
            preferred=True,
        )
        for part in parts
    )
    assert tasks.plan_all() == 3
    outbox.drain()
    assert {now_of(demand).state for demand in demands} == {"ordered"}
    assert OrderLine.objects.count() == 5
    assert Order.objects.count() == 1


def test_more_parts_than_a_slice_are_planned_in_runs_of_their_own(
    yards: tuple[Yard, Yard, Yard], monkeypatch: pytest.MonkeyPatch
) -> None:
    quarry, _, _ = yards
    parts = [make_part(quarry) for _ in range(3)]
    for part in parts:
        offer(part)
        raise_demand(quarry, part)
    outbox.drain()
    Delivery.objects.all().delete()
    Demand.objects.update(state="short", order_line=None, expected_on=None)
    monkeypatch.setattr(planning, "SLICE", 2)
    done = planning.plan_parts(part_ids=[part.pk for part in parts])
    assert done == planning.Planned(2, 2)
    outbox.drain()
    assert set(Demand.objects.values_list("state", flat=True)) == {"ordered"}


def test_a_run_over_many_lines_takes_as_many_statements_as_over_few(
    yards: tuple[Yard, Yard, Yard],
) -> None:
    quarry, _, _ = yards
    counts = []
    for many in (1, 12):
        part = make_part(quarry)
        offer(part)
        model = factories.make_model()
        factories.make_issued_sheet(model)
        for _ in range(many):
            raise_demand(quarry, part, pump=factories.make_pump(quarry.site, model))
        with CaptureQueriesContext(connection) as captured:
            assert plan(part) == many
        counts.append(len(captured))
    # The second joins the draft that the first has begun.
    assert counts[1] <= counts[0]


def test_a_person_of_another_site_is_told_names_and_numbers_only(
    yards: tuple[Yard, Yard, Yard],
) -> None:
    quarry, harbour, forest = yards
    part = make_part(quarry)
    put_on_shelf(harbour, part, 1)
    own = raise_demand(harbour, part)
    other = raise_demand(forest, part)
    plan(part)
    tag = own.inspection.pump.tag
    assert tag not in now_of(other).why
    assert factories.make_person(quarry.site, Role.AUDITOR).full_name not in other.why
