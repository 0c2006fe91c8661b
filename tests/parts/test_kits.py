"""A kit opened for single parts."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone

from fleet.faults import Conflict, Fault, NotAllowed
from parts.models import Batch, BatchLevel, Demand, KitOpening, Movement, Part, StockLevel
from parts.rules.lifecycle import DemandState, MovementKind
from parts.services import catalogue, kits, ledger, stock
from tests.parts.build import Yard, level, make_part, make_yard, put_on_shelf, raise_demand

pytestmark = pytest.mark.django_db

TODAY = timezone.now().date()


def make_kit(yard: Yard, *quantities: int, **fields: Any) -> tuple[Part, list[Part]]:
    """A kit, and the single parts in it in these quantities."""
    kit = make_part(yard, **fields)
    inside = [make_part(yard, is_kit=False) for _ in quantities]
    catalogue.set_kit_contents(
        actor=yard.clerk,
        kit=kit,
        version=None,
        contents=list(zip(inside, quantities, strict=True)),
    )
    return kit, inside


def open_one(yard: Yard, kit: Part, batch: Batch | None = None) -> KitOpening:
    return kits.open_kit(
        actor=yard.clerk, store=yard.store, kit=kit, why="One ring for HP-9", batch=batch
    )


def receive(yard: Yard, part: Part, quantity: int, **fields: Any) -> None:
    stock.receive(actor=yard.clerk, store=yard.store, part=part, quantity=quantity, **fields)


def test_one_kit_leaves_and_its_contents_come() -> None:
    yard = make_yard()
    kit, (ring, lip) = make_kit(yard, 4, 1)
    put_on_shelf(yard, kit, 2)
    opening = open_one(yard, kit)
    assert (opening.kit, opening.store, opening.opened_by) == (kit, yard.store, yard.clerk)
    assert [level(yard, part) for part in (kit, ring, lip)] == [(1, 0), (4, 0), (1, 0)]
    lines = Movement.objects.filter(opening=opening)
    assert sorted(lines.values_list("kind", "part_id", "on_hand_change", "reason")) == sorted(
        [
            (MovementKind.KIT_OPENED, kit.pk, -1, "One ring for HP-9"),
            (MovementKind.OUT_OF_KIT, ring.pk, 4, "One ring for HP-9"),
            (MovementKind.OUT_OF_KIT, lip.pk, 1, "One ring for HP-9"),
        ]
    )
    assert ledger.check_ledger() == []


@pytest.mark.parametrize("cost", ["0.0001", "10", "33.3333", "0.0007"])
def test_no_money_is_lost_or_made(cost: str) -> None:
    yard = make_yard()
    kit, inside = make_kit(yard, 3, 7, 11)
    receive(yard, kit, 3, unit_cost=Decimal(cost))
    receive(yard, kit, 1, unit_cost=Decimal("0.0002"))
    # One of the parts is on the shelf already, at a cost of its own.
    receive(yard, inside[0], 2, unit_cost=Decimal("1.1111"))
    before = sum(StockLevel.objects.values_list("value", flat=True))
    for left in (3, 2, 1, 0):
        opening = open_one(yard, kit)
        changes = Movement.objects.filter(opening=opening).values_list("value_change", flat=True)
        assert sum(changes) == 0
        assert level(yard, kit)[0] == left
    assert sum(StockLevel.objects.values_list("value", flat=True)) == before
    assert StockLevel.objects.get(part=kit).value == 0
    assert ledger.check_ledger() == []


def test_the_dear_part_takes_the_larger_share() -> None:
    yard = make_yard()
    kit, (ring, shaft) = make_kit(yard, 4, 1)
    receive(yard, kit, 1, unit_cost=Decimal(40))
    receive(yard, ring, 1, unit_cost=Decimal(1))
    receive(yard, shaft, 1, unit_cost=Decimal(6))
    opening = open_one(yard, kit)
    shares = dict(Movement.objects.filter(opening=opening).values_list("part", "value_change"))
    # 4 rings at 1 and a shaft at 6: four tenths of the kit and six.
    assert (shares[ring.pk], shares[shaft.pk]) == (Decimal(16), Decimal(24))


def test_contents_that_age_take_over_the_batch_of_the_kit() -> None:
    yard = make_yard()
    kit, (ring, screw) = make_kit(yard, 4, 2, shelf_life_months=48)
    catalogue.change_part(actor=yard.clerk, part=ring, version=None, shelf_life_months=120)
    ends = TODAY + timedelta(days=200)
    receive(yard, kit, 1, batch_code="L-9", expires_on=ends + timedelta(days=1))
    receive(yard, kit, 1, batch_code="L-8", cured_on=TODAY, expires_on=ends)
    opening = open_one(yard, kit)
    assert opening.batch is not None
    # The one that expires first, with the dates of the kit and not the ring's own shelf life.
    assert opening.batch.code == "L-8"
    lot = Batch.objects.get(part=ring)
    assert (lot.code, lot.cured_on, lot.expires_on) == ("L-8", TODAY, ends)
    assert BatchLevel.objects.get(batch=lot).on_hand == 4
    assert not Batch.objects.filter(part=screw).exists()
    assert level(yard, screw) == (2, 0)
    other = open_one(yard, kit, Batch.objects.get(part=kit, code="L-9"))
    assert other.batch is not None
    assert other.batch.code == "L-9"
    assert ledger.check_ledger() == []


def test_a_code_that_is_taken_by_another_date_gets_a_number_behind() -> None:
    yard = make_yard()
    kit, (ring,) = make_kit(yard, 4, shelf_life_months=48)
    catalogue.change_part(actor=yard.clerk, part=ring, version=None, shelf_life_months=48)
    soon, late = TODAY + timedelta(days=9), TODAY + timedelta(days=99)
    receive(yard, ring, 1, batch_code="L-1", expires_on=late)
    receive(yard, kit, 2, batch_code="L-1", expires_on=soon)
    open_one(yard, kit)
    open_one(yard, kit)
    found = Batch.objects.filter(part=ring).order_by("code").values_list("code", "expires_on")
    assert list(found) == [("L-1", late), ("L-1-2", soon)]
    assert BatchLevel.objects.get(batch__code="L-1-2").on_hand == 8


def test_what_waits_for_a_part_out_of_the_kit_gets_it() -> None:
    yard = make_yard()
    kit, (ring,) = make_kit(yard, 4)
    put_on_shelf(yard, kit, 1)
    demand = raise_demand(yard, ring, 3)
    assert demand.state == DemandState.SHORT
    open_one(yard, kit)
    demand = Demand.objects.get(pk=demand.pk)
    assert demand.state == DemandState.RESERVED
    assert level(yard, ring) == (4, 3)


def test_a_kit_that_is_reserved_or_expired_is_not_opened() -> None:
    yard = make_yard()
    kit, _inside = make_kit(yard, 4)
    put_on_shelf(yard, kit, 1)
    assert raise_demand(yard, kit).state == DemandState.RESERVED
    with pytest.raises(Conflict) as refused:
        open_one(yard, kit)
    assert refused.value.code == "not_enough_stock"

    old, _inside = make_kit(yard, 4, shelf_life_months=48)
    receive(yard, old, 2, batch_code="L-1", expires_on=TODAY)
    lot = Batch.objects.get(part=old)
    Batch.objects.filter(pk=lot.pk).update(expires_on=TODAY - timedelta(days=1))
    lot.refresh_from_db()
    for batch in (None, lot):
        with pytest.raises(Conflict):
            open_one(yard, old, batch)
    receive(yard, old, 1, batch_code="L-2", expires_on=TODAY + timedelta(days=9))
    with pytest.raises(Conflict) as refused:
        open_one(yard, old, lot)
    assert refused.value.code == "expired"
    with pytest.raises(Fault):
        open_one(yard, kit, lot)
    assert not KitOpening.objects.exists()


def test_what_is_no_kit_or_holds_nothing_is_not_opened() -> None:
    yard = make_yard()
    empty, single = make_part(yard), make_part(yard, is_kit=False)
    for part in (empty, single):
        put_on_shelf(yard, part, 1)
        with pytest.raises(Conflict) as refused:
            open_one(yard, part)
        assert refused.value.code == "no_contents"


def test_a_kit_of_unknown_age_with_seals_in_it_is_not_opened() -> None:
    yard = make_yard()
    kit, (ring,) = make_kit(yard, 4)
    catalogue.change_part(actor=yard.clerk, part=ring, version=None, shelf_life_months=48)
    put_on_shelf(yard, kit, 1)
    with pytest.raises(Conflict) as refused:
        open_one(yard, kit)
    assert refused.value.code == "no_batch"
    assert level(yard, kit) == (1, 0)


def test_a_kit_is_opened_by_whoever_keeps_the_stock_and_says_why() -> None:
    yard, other = make_yard(), make_yard()
    kit, _inside = make_kit(yard, 4)
    put_on_shelf(yard, kit, 1)
    for actor in (yard.technician, other.clerk):
        with pytest.raises(NotAllowed):
            kits.open_kit(actor=actor, store=yard.store, kit=kit, why="One ring")
    for why in (" ", "x" * 201):
        with pytest.raises(Fault) as refused:
            kits.open_kit(actor=yard.clerk, store=yard.store, kit=kit, why=why)
        assert refused.value.field == "why"
    assert level(yard, kit) == (1, 0)
