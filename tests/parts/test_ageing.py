"""Parts that age: batches, their dates, and stock of unknown age."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from fleet.faults import Conflict, Fault, NotAllowed, Stale
from fleet.roles import Role
from parts.catalogue_selectors import find_batch, without_batch
from parts.models import Batch, BatchLevel, Demand, Movement, Part, StockLevel
from parts.rules.lifecycle import DemandState
from parts.services import ageing, catalogue, ledger, stock
from tests import factories
from tests.parts.build import Yard, level, make_part, make_yard, put_on_shelf, raise_demand

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 3, 14, 8, tzinfo=UTC)
TODAY = NOW.date()


def make_seal(yard: Yard, months: int = 48) -> Part:
    return make_part(yard, is_kit=False, shelf_life_months=months)


def receive(yard: Yard, part: Part, quantity: int = 4, **fields: Any) -> None:
    stock.receive(
        actor=yard.clerk, store=yard.store, part=part, quantity=quantity, now=NOW, **fields
    )


def lot_of(part: Part, code: str = "B-1") -> Batch:
    return Batch.objects.get(part=part, code=code)


def extend(
    actor: Any, row: BatchLevel, until: date, why: str = "Looked at", version: int | None = None
) -> Batch:
    return ageing.extend_batch(
        actor=actor, level=row, expires_on=until, why=why, version=version, now=NOW
    )


# --- Receiving ----------------------------------------------------------------------------------


def test_a_new_batch_is_dated_by_its_cure_date_or_its_label() -> None:
    yard = make_yard()
    seal = make_seal(yard)
    receive(yard, seal, batch_code=" b-1 ", cured_on=date(2026, 1, 31))
    receive(yard, seal, batch_code="B-2", cured_on=date(2026, 1, 31), expires_on=date(2028, 1, 1))
    receive(yard, seal, batch_code="B-1")
    assert lot_of(seal).expires_on == date(2030, 1, 31)
    assert lot_of(seal, "B-2").expires_on == date(2028, 1, 1)
    assert BatchLevel.objects.get(batch=lot_of(seal)).on_hand == 8
    assert find_batch(seal, "b-1") == lot_of(seal)


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({}, "batch_code"),
        ({"batch_code": "B 1", "cured_on": TODAY}, "batch_code"),
        ({"batch_code": "B-1"}, "cured_on"),
        ({"batch_code": "B-1", "cured_on": TODAY + timedelta(days=1)}, "cured_on"),
        ({"batch_code": "B-1", "cured_on": TODAY, "expires_on": TODAY}, "expires_on"),
        ({"batch_code": "B-1", "expires_on": TODAY - timedelta(days=1)}, "batch_code"),
        ({"batch_code": "B-1", "cured_on": date(2022, 3, 13)}, "batch_code"),
    ],
)
def test_what_has_no_age_or_is_too_old_does_not_go_onto_a_shelf(
    fields: dict[str, Any], field: str
) -> None:
    yard = make_yard()
    seal = make_seal(yard)
    with pytest.raises(Fault) as refused:
        receive(yard, seal, **fields)
    assert refused.value.field == field
    assert not Batch.objects.exists()
    assert not Movement.objects.exists()


def test_a_batch_on_record_keeps_its_date() -> None:
    yard = make_yard()
    seal = make_seal(yard)
    receive(yard, seal, batch_code="B-1", cured_on=date(2026, 1, 31))
    with pytest.raises(Conflict) as refused:
        receive(yard, seal, batch_code="B-1", expires_on=date(2031, 1, 31))
    assert (refused.value.field, refused.value.code) == ("expires_on", "other_date")
    with pytest.raises(Conflict):
        receive(yard, seal, batch_code="B-1", cured_on=date(2026, 2, 28))
    # Another shelf life counts for new batches only, so the same label still says the same.
    catalogue.change_part(actor=yard.clerk, part=seal, version=None, shelf_life_months=24)
    receive(yard, seal, batch_code="B-1", cured_on=date(2026, 1, 31))
    receive(yard, seal, batch_code="B-2", cured_on=date(2026, 1, 31))
    assert lot_of(seal).expires_on == date(2030, 1, 31)
    assert lot_of(seal, "B-2").expires_on == date(2028, 1, 31)


def test_a_part_that_does_not_age_has_no_batch() -> None:
    yard = make_yard()
    part = make_part(yard)
    receive(yard, part, batch_code="B-1", cured_on=TODAY)
    assert not Batch.objects.exists()


# --- Extending ----------------------------------------------------------------------------------


def test_an_extended_batch_may_be_handed_out_again_wherever_it_lies() -> None:
    yard, other = make_yard(), make_yard()
    seal = make_seal(yard)
    for where in (yard, other):
        receive(where, seal, batch_code="B-1", expires_on=TODAY)
    Batch.objects.update(expires_on=TODAY - timedelta(days=1))
    demands = [raise_demand(where, seal, 2) for where in (yard, other)]
    assert {demand.state for demand in demands} == {DemandState.SHORT}
    supervisor = yard.supervisor
    row = BatchLevel.objects.get(store=yard.store)
    batch = extend(supervisor, row, date(2026, 9, 1), " Hardness checked ", version=1)
    assert (batch.expires_on, batch.extended_why, batch.version) == (
        date(2026, 9, 1),
        "Hardness checked",
        2,
    )
    states = Demand.objects.values_list("state", flat=True)
    assert set(states) == {DemandState.RESERVED}
    # The label still bears the old date, which is no contradiction any more.
    receive(yard, seal, batch_code="B-1", expires_on=TODAY)
    assert ledger.check_ledger() == []


@pytest.mark.parametrize(
    ("until", "why", "field"),
    [
        (date(2026, 4, 1), "Looked at", "expires_on"),
        (date(2026, 3, 31), "Looked at", "expires_on"),
        (date(2026, 9, 1), " ", "why"),
        (date(2026, 9, 1), "x" * 201, "why"),
    ],
)
def test_an_extension_is_later_and_has_a_reason(until: date, why: str, field: str) -> None:
    yard = make_yard()
    seal = make_seal(yard)
    receive(yard, seal, batch_code="B-1", expires_on=date(2026, 4, 1))
    with pytest.raises(Fault) as refused:
        extend(yard.supervisor, BatchLevel.objects.get(), until, why)
    assert refused.value.field == field
    assert lot_of(seal).version == 1


def test_an_extension_ends_after_today() -> None:
    yard = make_yard()
    seal = make_seal(yard)
    receive(yard, seal, batch_code="B-1", expires_on=TODAY)
    Batch.objects.update(expires_on=date(2026, 1, 1))
    with pytest.raises(Fault):
        extend(yard.supervisor, BatchLevel.objects.get(), TODAY)
    assert extend(yard.supervisor, BatchLevel.objects.get(), TODAY + timedelta(days=1))


def test_a_batch_is_extended_by_whoever_may_at_a_site_that_holds_it() -> None:
    yard, other = make_yard(), make_yard()
    seal = make_seal(yard)
    receive(yard, seal, batch_code="B-1", expires_on=TODAY)
    row = BatchLevel.objects.get()
    for actor in (yard.clerk, yard.technician, other.supervisor):
        with pytest.raises(NotAllowed):
            extend(actor, row, date(2027, 1, 1))
    manager = factories.make_person(yard.site, Role.MAINTENANCE_MANAGER)
    with pytest.raises(Stale):
        extend(manager, row, date(2027, 1, 1), version=2)
    assert extend(manager, row, date(2027, 1, 1), version=1).version == 2


# --- A shelf life, and stock without a batch ----------------------------------------------------


def test_a_shelf_life_is_not_set_over_stock_of_unknown_age() -> None:
    yard, other = make_yard("Quarry North"), make_yard("Harbour Yard")
    part = make_part(yard, is_kit=False)
    change: dict[str, Any] = {"actor": yard.clerk, "part": part, "version": None}
    put_on_shelf(other, part, 2)
    with pytest.raises(Conflict) as refused:
        catalogue.change_part(**change, shelf_life_months=48)
    assert refused.value.code == "stock_without_batch"
    assert "Harbour Yard" in refused.value.detail
    assert "Quarry North" not in refused.value.detail
    stock.correct_count(
        actor=other.clerk, store=other.store, part=part, counted=0, reason="Used up"
    )
    assert catalogue.change_part(**change, shelf_life_months=48).ages
    # No batch yet, so a slip is mended; afterwards it stays a part that ages.
    assert not catalogue.change_part(**change, shelf_life_months=None).ages
    catalogue.change_part(**change, shelf_life_months=48)
    receive(yard, part, batch_code="B-1", cured_on=TODAY)
    with pytest.raises(Conflict) as refused:
        catalogue.change_part(**change, shelf_life_months=None)
    assert refused.value.code == "has_batches"
    assert catalogue.change_part(**change, shelf_life_months=600).shelf_life_months == 600


@pytest.mark.parametrize("months", [0, 601])
def test_a_shelf_life_is_months_up_to_fifty_years(months: int) -> None:
    yard = make_yard()
    with pytest.raises(Fault) as refused:
        make_part(yard, shelf_life_months=months)
    assert refused.value.field == "shelf_life_months"


def test_what_lies_there_gets_one_batch_when_a_part_begins_to_age() -> None:
    yard, other = make_yard(), make_yard()
    part = make_part(yard, is_kit=False)
    receive(yard, part, 7, unit_cost=Decimal("0.3333"))
    receive(yard, part, 1, unit_cost=Decimal("0.0001"))
    put_on_shelf(other, part, 3)
    demand = raise_demand(yard, part, 2)
    values = list(StockLevel.objects.order_by("pk").values_list("value", flat=True))
    row = ageing.begin_ageing(
        actor=yard.clerk,
        part=part,
        version=1,
        shelf_life_months=48,
        batch_code="STOCK-1",
        cured_on=date(2024, 1, 1),
        now=NOW,
    )
    assert (row.shelf_life_months, row.version) == (48, 2)
    assert lot_of(part, "STOCK-1").expires_on == date(2028, 1, 1)
    held = BatchLevel.objects.order_by("on_hand").values_list("on_hand", flat=True)
    assert list(held) == [3, 8]
    assert level(yard, part) == (8, 2)
    assert list(StockLevel.objects.order_by("pk").values_list("value", flat=True)) == values
    assert Demand.objects.get(pk=demand.pk).state == DemandState.RESERVED
    assert without_batch(yard.store) == []
    assert ledger.check_ledger() == []
    with pytest.raises(Conflict) as refused:
        ageing.begin_ageing(
            actor=yard.clerk,
            part=part,
            version=None,
            shelf_life_months=48,
            batch_code="STOCK-2",
            cured_on=date(2024, 1, 1),
        )
    assert refused.value.code == "ages_already"


def test_what_is_too_old_already_is_held_back_and_not_refused() -> None:
    yard = make_yard()
    part = make_part(yard, is_kit=False)
    put_on_shelf(yard, part, 3)
    ageing.begin_ageing(
        actor=yard.clerk,
        part=part,
        version=None,
        shelf_life_months=12,
        batch_code="OLD",
        cured_on=date(2020, 1, 1),
        now=NOW,
    )
    assert raise_demand(yard, part).state == DemandState.SHORT
    row = StockLevel.objects.get(part=part)
    assert (row.on_hand, ledger.free_of(row, TODAY)) == (3, 0)


def test_nothing_begins_to_age_on_its_way() -> None:
    yard = make_yard()
    part = make_part(yard, is_kit=False)
    put_on_shelf(yard, part, 3)
    StockLevel.objects.update(in_transit=1)
    with pytest.raises(Conflict) as refused:
        ageing.begin_ageing(
            actor=yard.clerk,
            part=part,
            version=None,
            shelf_life_months=12,
            batch_code="OLD",
            cured_on=date(2026, 1, 1),
        )
    assert refused.value.code == "in_transit"
    assert not Part.objects.get().ages


def test_stock_without_a_batch_is_listed_and_put_into_one() -> None:
    yard = make_yard()
    seal = make_seal(yard)
    receive(yard, seal, 2, batch_code="B-1", cured_on=TODAY, unit_cost=Decimal("1.0001"))
    # As it lies where a part was on the bench while it got its shelf life, and came back.
    StockLevel.objects.update(on_hand=5)
    (found,) = without_batch(yard.store)
    assert (found.part, found.loose) == (seal, 3)  # type: ignore[attr-defined]  # annotated
    value = StockLevel.objects.get().value
    with pytest.raises(NotAllowed):
        ageing.put_in_batch(
            actor=yard.supervisor, store=yard.store, part=seal, batch_code="B-2", cured_on=TODAY
        )
    ageing.put_in_batch(
        actor=yard.clerk,
        store=yard.store,
        part=seal,
        batch_code="B-2",
        cured_on=date(2025, 1, 1),
        now=NOW,
    )
    assert BatchLevel.objects.get(batch=lot_of(seal, "B-2")).on_hand == 3
    assert (StockLevel.objects.get().on_hand, StockLevel.objects.get().value) == (5, value)
    assert without_batch(yard.store) == []
    with pytest.raises(Conflict) as refused:
        ageing.put_in_batch(
            actor=yard.clerk, store=yard.store, part=seal, batch_code="B-2", now=NOW
        )
    assert refused.value.code == "nothing_loose"
    with pytest.raises(Conflict) as refused:
        ageing.put_in_batch(
            actor=yard.clerk, store=yard.store, part=make_part(yard), batch_code="B-2", now=NOW
        )
    assert refused.value.code == "does_not_age"
