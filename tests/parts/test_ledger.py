"""Whatever happens in the stores, in whatever order: the kept sums are the sums of the ledger."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from django.db.models import F
from django.utils import timezone
from hypothesis import HealthCheck, Phase, settings
from hypothesis.stateful import (
    run_state_machine_as_test,
)

from fleet.faults import Fault
from parts import tasks
from parts.models import (
    Batch,
    Movement,
    Part,
    StockLevel,
)
from parts.rules.lifecycle import MovementKind
from parts.services import ledger, stock, transfers
from tests.parts.build import (
    Yard,
    level,
    make_part,
    make_yard,
    put_on_shelf,
    raise_demand,
)
from tests.parts.stores_machine import SHELF_LIFE_MONTHS, Stores

pytestmark = pytest.mark.django_db


def test_the_sums_are_the_sums_of_the_ledger_whatever_is_done() -> None:
    Stores.kinds.clear()
    Stores.refused.clear()
    run_state_machine_as_test(
        Stores,
        settings=settings(
            max_examples=30,
            stateful_step_count=30,
            deadline=None,
            derandomize=True,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        ),
    )
    # The proof is worth no more than what was tried.
    assert set(Stores.kinds) == {kind.value for kind in MovementKind}
    assert min(Stores.kinds.values()) >= 3, Stores.kinds
    assert Stores.refused["not_enough_stock"] > 0
    assert Stores.refused["below_reserved"] > 0
    assert Stores.refused["expired"] > 0, Stores.refused


# --- The check finds what was tampered with -----------------------------------------------------


def _a_bit_of_everything() -> tuple[Yard, Yard]:
    """A demand that is reserved, a planned and a sent transfer, and a part that lies in a batch."""
    here, there = make_yard("Quarry North"), make_yard("Forest Mill")
    kit = make_part(here, number="SK-1")
    ring = make_part(here, number="RING-1", is_kit=False, shelf_life_months=SHELF_LIFE_MONTHS)
    stock.receive(actor=here.clerk, store=here.store, part=kit, quantity=9, unit_cost=Decimal(4))
    stock.receive(
        actor=here.clerk,
        store=here.store,
        part=ring,
        quantity=5,
        batch_code="B-7",
        cured_on=timezone.now().date(),
    )
    raise_demand(here, kit, 2)
    for _ in range(2):
        asked = transfers.ask_transfer(
            actor=there.clerk,
            from_store=here.store,
            to_store=there.store,
            part=kit,
            quantity=1,
            why="To restock",
        )
    transfers.send(actor=here.clerk, transfer=asked, scanned_number="SK-1")
    return here, there


TAMPERED = {
    "UPDATE parts_stocklevel SET on_hand = 9 WHERE part_id = {kit} AND store_id = {here}": {
        "on hand": (9, 8)
    },
    "UPDATE parts_stocklevel SET reserved = 2 WHERE part_id = {kit} AND store_id = {here}": {
        "reserved": (2, 3),
        "reserved, by the demands and transfers,": (2, 3),
    },
    "UPDATE parts_stocklevel SET value = value + 0.5 WHERE part_id = {kit} AND store_id = {here}": {
        "value": (Decimal("32.5"), 32)
    },
    "UPDATE parts_stocklevel SET in_transit = 0 WHERE store_id = {there}": {
        "in transit": (0, 1),
        "in transit, by the transfers,": (0, 1),
    },
    "UPDATE parts_demand SET quantity = 1": {"reserved, by the demands and transfers,": (3, 2)},
    "UPDATE parts_demand SET state = 'short'": {"reserved, by the demands and transfers,": (3, 1)},
    "UPDATE parts_transfer SET quantity = 4 WHERE state = 'planned'": {
        "reserved, by the demands and transfers,": (3, 6)
    },
    "UPDATE parts_transfer SET quantity = 4 WHERE state = 'sent'": {
        "in transit, by the transfers,": (1, 4)
    },
    "UPDATE parts_batchlevel SET on_hand = 4": {"on hand of batch B-7": (4, 5)},
    "UPDATE parts_batchlevel SET on_hand = 6": {
        "on hand of batch B-7": (6, 5),
        "on hand in batches": (6, 5),
    },
    "DELETE FROM parts_batchlevel": {"on hand of batch B-7": (0, 5)},
    "DELETE FROM parts_stocklevel WHERE store_id = {there}": {
        "in transit": (0, 1),
        "in transit, by the transfers,": (0, 1),
    },
}


@pytest.mark.parametrize("statement", TAMPERED)
def test_the_check_finds_what_was_tampered_with(statement: str) -> None:
    here, there = _a_bit_of_everything()
    assert ledger.check_ledger() == []
    assert tasks.check_ledger() == 0
    call_command("check_ledger", stdout=None)
    with connection.cursor() as cursor:
        kit = Part.objects.get(number="SK-1").pk
        cursor.execute(statement.format(here=here.store.pk, there=there.store.pk, kit=kit))
        assert cursor.rowcount == 1
    found = ledger.check_ledger()
    assert {each.what: (each.kept, each.summed) for each in found} == TAMPERED[statement]
    assert tasks.check_ledger() == len(found)
    with pytest.raises(CommandError):
        call_command("check_ledger")


def test_a_movement_slipped_in_past_the_sums_is_found() -> None:
    here, _there = _a_bit_of_everything()
    ring = Part.objects.get(number="RING-1")
    Movement.objects.create(
        store=here.store,
        part=ring,
        batch=Batch.objects.get(),
        kind="scrap",
        on_hand_change=-1,
        reserved_change=0,
        reason="x",
        at=timezone.now(),
    )
    assert {d.what for d in ledger.check_ledger()} == {"on hand", "on hand of batch B-7"}


# --- What goes out of which batch, and at what value --------------------------------------------


def test_what_goes_out_goes_at_the_average_and_the_last_takes_the_rest() -> None:
    yard = make_yard()
    part = make_part(yard, is_kit=False)
    for quantity, cost in ((2, "1.00"), (1, "2.00")):
        stock.receive(
            actor=yard.clerk,
            store=yard.store,
            part=part,
            quantity=quantity,
            unit_cost=Decimal(cost),
        )
    # 4.00 for three pieces: 1.3333, 1.3334 (the half of what is left, rounded), and the rest.
    gone = [
        stock.scrap(actor=yard.clerk, store=yard.store, part=part, quantity=1, reason="Torn")
        for _ in range(3)
    ]
    assert [-m.value_change for m in gone] == [
        Decimal("1.3333"),
        Decimal("1.3334"),
        Decimal("1.3333"),
    ]
    assert StockLevel.objects.get().value == 0


def test_a_shelf_worth_more_than_the_column_holds_is_refused_in_words() -> None:
    yard = make_yard()
    part = make_part(yard)
    with pytest.raises(Fault, match="Check the price and the quantity") as refused:
        stock.receive(
            actor=yard.clerk,
            store=yard.store,
            part=part,
            quantity=1_000_000,
            unit_cost=Decimal(999_999_999),
        )
    assert refused.value.field == "unit_cost"
    assert not Movement.objects.exists()


def in_batches(yard: Yard, part: Part, *codes: str) -> list[Batch]:
    """Two pieces of each code, the first code the oldest."""
    today = timezone.now().date()
    for age, code in zip(range(len(codes), 0, -1), codes, strict=True):
        stock.receive(
            actor=yard.clerk,
            store=yard.store,
            part=part,
            quantity=2,
            batch_code=code,
            cured_on=today - timedelta(days=30 * age),
        )
    return [Batch.objects.get(part=part, code=code) for code in codes]


def taken_out(yard: Yard, part: Part, quantity: int, **more: Any) -> list[tuple[int | None, int]]:
    with transaction.atomic():
        shelf = ledger.lock_levels(yard.store, [part.pk])[part.pk]
        lines = ledger.take_out(
            shelf,
            MovementKind.SCRAP,
            quantity,
            by=None,
            at=more.pop("at", timezone.now()),
            reason="x",
            **more,
        )
    return [(line.batch_id, -line.on_hand_change) for line in lines]


def test_what_expires_first_goes_out_first_and_from_several_batches() -> None:
    yard = make_yard()
    part = make_part(yard, shelf_life_months=SHELF_LIFE_MONTHS)
    old, new = in_batches(yard, part, "OLD", "NEW")
    assert taken_out(yard, part, 3) == [(old.pk, 2), (new.pk, 1)]
    assert ledger.check_ledger() == []


def test_what_has_expired_is_never_taken_and_neither_is_another_parts_batch() -> None:
    yard = make_yard()
    part, other = (make_part(yard, shelf_life_months=SHELF_LIFE_MONTHS) for _ in range(2))
    old, new = in_batches(yard, part, "OLD", "NEW")
    (foreign,) = in_batches(yard, other, "X")
    Batch.objects.filter(pk=old.pk).update(cured_on=None, expires_on=timezone.now().date())
    old.refresh_from_db()
    # The day of expiry itself still counts; the day after does not.
    tomorrow = timezone.now() + timedelta(days=1)
    for wrong, code in ((old, "expired"), (foreign, "other_batch")):
        with pytest.raises(Fault) as refused:
            taken_out(yard, part, 1, batch=wrong, at=tomorrow)
        assert refused.value.code == code
    with pytest.raises(Fault) as refused:
        taken_out(yard, part, 3, at=tomorrow)
    assert refused.value.code == "expired"
    assert taken_out(yard, part, 2, at=tomorrow) == [(new.pk, 2)]
    assert taken_out(yard, part, 1, batch=old) == [(old.pk, 1)]


def test_more_than_there_is_of_a_batch_or_at_all_is_refused() -> None:
    yard = make_yard()
    part = make_part(yard, shelf_life_months=SHELF_LIFE_MONTHS)
    old, _new = in_batches(yard, part, "OLD", "NEW")
    with pytest.raises(Fault) as refused:
        taken_out(yard, part, 3, batch=old)
    assert refused.value.code == "not_enough_of_batch"
    with pytest.raises(Fault) as refused:
        taken_out(yard, part, 5)
    assert refused.value.code == "not_enough_stock"
    assert level(yard, part) == (4, 0)


def test_a_part_that_lies_by_batch_is_not_taken_without_one() -> None:
    yard = make_yard()
    part = make_part(yard, is_kit=False)
    put_on_shelf(yard, part, 1)
    Part.objects.filter(pk=part.pk).update(shelf_life_months=SHELF_LIFE_MONTHS)
    part.refresh_from_db()
    in_batches(yard, part, "B-1")
    scrap = {"actor": yard.clerk, "store": yard.store, "part": part, "reason": "Torn"}
    stock.scrap(**scrap, quantity=1)  # type: ignore[arg-type]  # the one that came without
    with pytest.raises(Fault) as refused:
        stock.scrap(**scrap, quantity=1)  # type: ignore[arg-type]
    assert refused.value.code == "batch_needed"
    assert level(yard, part) == (2, 0)
    assert ledger.check_ledger() == []


def test_no_level_is_made_below_what_is_reserved_by_any_column() -> None:
    """The database decides, whoever asks: F expressions past the services meet it too."""
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 2)
    raise_demand(yard, part, 2)
    with pytest.raises(Exception, match="parts_stocklevel_reserved_is_there"), transaction.atomic():
        StockLevel.objects.update(on_hand=F("on_hand") - 1)
