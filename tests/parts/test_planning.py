"""Planning through the database: what it writes, when it writes again, and when it does not."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.utils import timezone

from fleet.plumbing import outbox
from parts.models import (
    Alternative,
    Demand,
    DemandStep,
    Holding,
    Movement,
    Order,
    OrderLine,
    Part,
    StockLevel,
    Store,
    Supplier,
    SupplierPart,
    Transfer,
)
from parts.services import ledger, needs, orders, planning, standins, stock, transfers
from tests.parts.build import Yard, level, make_part, make_yard, put_on_shelf, raise_demand

pytestmark = pytest.mark.django_db

PLACES = {
    "Quarry North": ("51.0", "7.0"),
    "Harbour Yard": ("51.3", "7.2"),
    "Forest Mill": ("54.0", "12.0"),
}


@pytest.fixture
def yards() -> tuple[Yard, Yard, Yard]:
    """Quarry North, Harbour Yard 36 km away, and Forest Mill far off."""
    made = []
    for name, (latitude, longitude) in PLACES.items():
        yard = make_yard(name)
        Store.objects.filter(pk=yard.store.pk).update(
            latitude_deg=Decimal(latitude), longitude_deg=Decimal(longitude)
        )
        made.append(yard)
    quarry, harbour, forest = made
    return quarry, harbour, forest


def today() -> date:
    return timezone.now().date()


def offer(part: Part, *, lead_days: int = 14, pack: int = 1, minimum: int = 1) -> SupplierPart:
    supplier, _ = Supplier.objects.get_or_create(name="Dock Seals")
    return SupplierPart.objects.create(
        supplier=supplier,
        part=part,
        price=Decimal("12.50"),
        lead_days=lead_days,
        pack_size=pack,
        minimum_quantity=minimum,
        preferred=True,
    )


def plan(part: Part) -> int:
    """Plans the part's family; how many lines changed."""
    return planning.plan_parts(part_ids=[part.pk]).changed


def now_of(demand: Demand) -> Demand:
    demand.refresh_from_db()
    return demand


def everything() -> list[object]:
    """All rows that planning may write."""
    models = (Demand, DemandStep, Transfer, Order, OrderLine, Movement, StockLevel)
    return [list(model.objects.order_by("pk").values()) for model in models]


def assert_stable(part: Part) -> None:
    """Planned again nothing is written, and every sum is that of the ledger."""
    before = everything()
    assert plan(part) == 0
    assert everything() == before
    assert ledger.check_ledger() == []


# --- From the shelf to the supplier -------------------------------------------------------------


def test_what_is_allotted_stays_as_it_is(yards: tuple[Yard, Yard, Yard]) -> None:
    quarry, harbour, _ = yards
    part = make_part(quarry)
    put_on_shelf(quarry, part, 3)
    put_on_shelf(harbour, part, 3)
    demands = [raise_demand(quarry, part, n) for n in (2, 1)]
    assert [d.state for d in demands] == ["reserved", "reserved"]
    assert plan(part) == 0
    assert_stable(part)


def test_the_rest_comes_from_the_nearest_store(yards: tuple[Yard, Yard, Yard]) -> None:
    quarry, harbour, forest = yards
    part = make_part(quarry)
    put_on_shelf(quarry, part, 1)
    put_on_shelf(harbour, part, 2)
    put_on_shelf(forest, part, 9)
    demand = raise_demand(quarry, part, 2)
    plan(part)
    transfer = Transfer.objects.get()
    assert (transfer.from_store, transfer.to_store, transfer.quantity, transfer.demand) == (
        harbour.store,
        quarry.store,
        1,
        demand,
    )
    row = now_of(demand)
    assert (row.state, row.transfer, row.expected_on) == ("coming", transfer, transfer.expected_on)
    assert row.expected_on == today() + timedelta(days=2)
    assert row.why == transfer.why
    assert row.why.startswith(
        "2 needed, 1 free of 1 on hand at Quarry North. Harbour Yard, 36 km away, sends 1."
    )
    assert row.steps.last().why == row.why
    assert level(harbour, part) == (2, 1)
    assert_stable(part)


def test_a_transfer_that_arrives_is_reserved_for_the_line_it_was_made_for(
    yards: tuple[Yard, Yard, Yard],
) -> None:
    quarry, harbour, _ = yards
    part = make_part(quarry)
    put_on_shelf(harbour, part, 1)
    demand = raise_demand(quarry, part)
    plan(part)
    transfer = Transfer.objects.get()
    transfers.send(actor=harbour.clerk, transfer=transfer, scanned_number=part.number)
    outbox.drain()
    assert (now_of(demand).state, demand.transfer) == ("coming", transfer)
    transfers.receive(actor=quarry.clerk, transfer=transfer)
    outbox.drain()
    assert (now_of(demand).state, demand.transfer, demand.expected_on) == ("reserved", None, None)
    assert_stable(part)


def test_a_store_that_refuses_is_not_asked_again(yards: tuple[Yard, Yard, Yard]) -> None:
    quarry, harbour, forest = yards
    part = make_part(quarry)
    put_on_shelf(harbour, part, 1)
    put_on_shelf(forest, part, 1)
    demand = raise_demand(quarry, part)
    plan(part)
    transfers.refuse(actor=harbour.clerk, transfer=Transfer.objects.get(), why="Promised by word.")
    outbox.drain()
    transfer = Transfer.objects.get(state="planned")
    assert (now_of(demand).state, demand.transfer) == ("coming", transfer)
    assert transfer.from_store == forest.store
    transfers.refuse(actor=forest.clerk, transfer=transfer, why="Torn.")
    outbox.drain()
    assert now_of(demand).state == "short"
    assert "Harbour Yard and Forest Mill refused." in demand.why
    assert level(harbour, part) == level(forest, part) == (1, 0)
    assert_stable(part)


def test_what_a_store_keeps_back_is_not_sent(yards: tuple[Yard, Yard, Yard]) -> None:
    quarry, harbour, _ = yards
    part = make_part(quarry)
    put_on_shelf(harbour, part, 2)
    holding = Holding.objects.create(
        store=harbour.store,
        part=part,
        reorder_point=0,
        order_up_to=2,
        keep_back=2,
        chosen_at=timezone.now(),
    )
    demand = raise_demand(quarry, part)
    plan(part)
    assert now_of(demand).state == "short"
    Holding.objects.filter(pk=holding.pk).update(keep_back=1)
    plan(part)
    assert now_of(demand).state == "coming"
    assert "it keeps back 1 for its own next weeks" in demand.why


def test_what_nobody_has_joins_one_draft_in_whole_packs(yards: tuple[Yard, Yard, Yard]) -> None:
    quarry, harbour, _ = yards
    kit, ring = make_part(quarry), make_part(quarry)
    offer(kit, pack=5)
    offer(ring, minimum=4)
    rows = [raise_demand(quarry, kit, 2), raise_demand(quarry, kit, 4), raise_demand(quarry, ring)]
    there = raise_demand(harbour, ring)
    for part in (kit, ring):
        plan(part)
    order = Order.objects.get(store=quarry.store)
    assert (order.state, order.raised_by, order.currency) == ("draft", None, "EUR")
    assert [(o.planned_quantity, o.quantity, o.unit_price) for o in order.lines.order_by("pk")] == [
        (6, 10, Decimal("12.50")),
        (1, 4, Decimal("12.50")),
    ]
    assert {now_of(row).order_line.order for row in rows} == {order}
    assert now_of(there).order_line.order.store == harbour.store
    assert rows[0].expected_on == today() + timedelta(days=14)
    assert_stable(kit)


def test_a_draft_shrinks_and_goes_when_stock_arrives(yards: tuple[Yard, Yard, Yard]) -> None:
    quarry, _, _ = yards
    part = make_part(quarry)
    offer(part)
    first, second = raise_demand(quarry, part, 2), raise_demand(quarry, part, 1)
    plan(part)
    assert OrderLine.objects.get().quantity == 3
    put_on_shelf(quarry, part, 2)
    outbox.drain()
    assert (now_of(first).state, now_of(second).state) == ("reserved", "ordered")
    assert OrderLine.objects.get().quantity == 1
    put_on_shelf(quarry, part, 1)
    outbox.drain()
    assert now_of(second).state == "reserved"
    assert not Order.objects.exists()
    assert_stable(part)


def test_what_a_person_put_on_a_draft_stays_there(yards: tuple[Yard, Yard, Yard]) -> None:
    quarry, _, _ = yards
    part = make_part(quarry)
    offer(part)
    demand = raise_demand(quarry, part, 2)
    plan(part)
    order = Order.objects.get()
    orders.set_line(actor=quarry.clerk, order=order, part=part, manual_quantity=3)
    outbox.drain()
    line = OrderLine.objects.get()
    assert (line.planned_quantity, line.manual_quantity, line.quantity) == (2, 3, 5)
    needs.cancel_demand(actor=quarry.clerk, demand=demand, why="Bought over the counter.")
    outbox.drain()
    line.refresh_from_db()
    assert (line.planned_quantity, line.manual_quantity, line.quantity) == (0, 3, 3)
    assert_stable(part)


def test_an_order_that_is_out_of_hand_is_counted_on_and_left_alone(
    yards: tuple[Yard, Yard, Yard],
) -> None:
    quarry, _, _ = yards
    part = make_part(quarry)
    offer(part)
    demand = raise_demand(quarry, part, 2)
    plan(part)
    order = Order.objects.get()
    line = order.lines.get()
    Order.objects.filter(pk=order.pk).update(
        state="sent",
        approved_at=timezone.now(),
        approved_by=quarry.supervisor,
        sent_at=timezone.now(),
        sent_by=quarry.clerk,
    )
    OrderLine.objects.filter(pk=line.pk).update(promised_on=today() + timedelta(days=9))
    plan(part)
    row = now_of(demand)
    assert (row.state, row.order_line, row.expected_on) == (
        "ordered",
        line,
        today() + timedelta(days=9),
    )
    assert f"2 of order {order.pk} to Dock Seals are for it." in row.why
    later = raise_demand(quarry, part, 1)
    plan(part)
    assert now_of(later).order_line.order.state == "draft"
    assert OrderLine.objects.get(pk=line.pk).quantity == 2
    assert_stable(part)
    Order.objects.filter(pk=order.pk).update(state="cancelled", closed_at=timezone.now())
    plan(part)
    assert now_of(demand).order_line.order.state == "draft"
    assert OrderLine.objects.get(order__state="draft").quantity == 3


def test_a_part_without_a_supplier_is_short_and_says_so_once(
    yards: tuple[Yard, Yard, Yard],
) -> None:
    quarry, _, _ = yards
    part = make_part(quarry)
    demand = raise_demand(quarry, part)
    plan(part)
    assert now_of(demand).why == (
        "1 needed, 0 free of 0 on hand at Quarry North. No other site can spare 1. Nobody is "
        f"named to order {part.number} from: name its preferred supplier."
    )
    assert_stable(part)
    offer(part)
    plan(part)
    assert now_of(demand).state == "ordered"
    Supplier.objects.update(active=False)
    plan(part)
    assert now_of(demand).state == "short"
    assert not OrderLine.objects.exists()
    assert_stable(part)


def test_another_preferred_supplier_takes_the_line_over(yards: tuple[Yard, Yard, Yard]) -> None:
    quarry, _, _ = yards
    part = make_part(quarry)
    old = offer(part)
    demand = raise_demand(quarry, part)
    plan(part)
    SupplierPart.objects.filter(pk=old.pk).update(preferred=False)
    SupplierPart.objects.create(
        supplier=Supplier.objects.create(name="Mill Supply"),
        part=part,
        price=9,
        lead_days=3,
        preferred=True,
    )
    plan(part)
    assert Order.objects.get().supplier.name == "Mill Supply"
    assert now_of(demand).order_line.order == Order.objects.get()
    assert "Mill Supply, who promises 3 days." in demand.why
    assert_stable(part)


# --- Numbers that stand in ----------------------------------------------------------------------


def test_a_newer_number_stands_in_and_is_the_one_that_is_bought(
    yards: tuple[Yard, Yard, Yard],
) -> None:
    quarry, _, _ = yards
    old, new = make_part(quarry), make_part(quarry)
    offer(new)
    standins.supersede(actor=quarry.clerk, part=old, by=new, version=None)
    put_on_shelf(quarry, new, 1)
    first, second = raise_demand(quarry, old), raise_demand(quarry, old)
    plan(old)
    assert (now_of(first).state, first.supplied_part) == ("reserved", new)
    assert f"{new.number} stands in for {old.number}." in first.why
    assert (now_of(second).state, second.supplied_part) == ("ordered", new)
    assert OrderLine.objects.get().part == new
    assert level(quarry, new) == (1, 1)
    assert_stable(new)


def test_an_alternative_is_given_only_where_it_is_allowed_and_taken_back_with_its_leave(
    yards: tuple[Yard, Yard, Yard],
) -> None:
    quarry, _, _ = yards
    part, other = make_part(quarry), make_part(quarry)
    put_on_shelf(quarry, other, 2)
    leave = standins.add_alternative(
        actor=quarry.clerk, part=part, other=other, why="Same seal, other maker"
    )
    demand = raise_demand(quarry, part)
    plan(part)
    assert now_of(demand).state == "short"
    Demand.objects.update(alternatives_allowed=True)
    plan(part)
    assert (now_of(demand).state, demand.supplied_part) == ("reserved", other)
    assert_stable(part)
    Alternative.objects.filter(pk=leave.pk).delete()
    plan(other)
    assert (now_of(demand).state, demand.supplied_part) == ("short", None)
    assert level(quarry, other) == (2, 0)


# --- What changes afterwards --------------------------------------------------------------------


def test_a_date_moves_a_reservation_to_the_pump_that_is_needed_sooner(
    yards: tuple[Yard, Yard, Yard],
) -> None:
    quarry, _, _ = yards
    part = make_part(quarry)
    put_on_shelf(quarry, part, 1)
    first, second = raise_demand(quarry, part), raise_demand(quarry, part)
    assert (first.state, second.state) == ("reserved", "short")
    needs.set_need(
        actor=quarry.supervisor,
        inspection=second.inspection,
        needed_on=today() + timedelta(days=2),
        bench="B2",
    )
    outbox.drain()
    assert (now_of(first).state, now_of(second).state) == ("short", "reserved")
    assert first.why.startswith(f"{second.inspection.pump.tag} is needed on ")
    assert level(quarry, part) == (1, 1)
    released = Movement.objects.get(kind="release")
    assert (released.demand, released.by) == (first, None)
    assert second.inspection.pump.tag in released.reason
    assert_stable(part)


def test_a_cancelled_demand_sets_its_transfer_free(yards: tuple[Yard, Yard, Yard]) -> None:
    quarry, harbour, _ = yards
    part = make_part(quarry)
    put_on_shelf(harbour, part, 1)
    demand = raise_demand(quarry, part)
    plan(part)
    needs.cancel_demand(actor=quarry.supervisor, demand=demand, why="The pump goes back.")
    outbox.drain()
    transfer = Transfer.objects.get()
    assert (transfer.state, now_of(demand).state, demand.transfer) == (
        "cancelled",
        "cancelled",
        None,
    )
    assert level(harbour, part) == (1, 0)
    assert_stable(part)


def test_a_reservation_of_what_has_expired_is_released_overnight(
    yards: tuple[Yard, Yard, Yard],
) -> None:
    quarry, _, _ = yards
    part = make_part(quarry)
    Part.objects.filter(pk=part.pk).update(shelf_life_months=12)
    part.refresh_from_db()
    stock.receive(
        actor=quarry.clerk,
        store=quarry.store,
        part=part,
        quantity=1,
        batch_code="B-1",
        expires_on=today() + timedelta(days=3),
    )
    demand = raise_demand(quarry, part)
    assert demand.state == "reserved"
    planning.plan_all(now=timezone.now() + timedelta(days=3))
    assert now_of(demand).state == "reserved"
    planning.plan_all(now=timezone.now() + timedelta(days=4))
    assert now_of(demand).state == "short"
    assert "0 free of 1 on hand, 1 of them expired at Quarry North." in demand.why
    assert level(quarry, part) == (1, 0)


def test_a_store_is_restocked_from_its_central_store_and_then_from_the_supplier(
    yards: tuple[Yard, Yard, Yard],
) -> None:
    quarry, _, forest = yards
    part = make_part(quarry)
    offer(part)
    Store.objects.filter(pk=quarry.store.pk).update(supplied_by=forest.store)
    put_on_shelf(forest, part, 3)
    for yard, point, upto in ((quarry, 1, 3), (forest, 1, 6)):
        Holding.objects.create(
            store=yard.store,
            part=part,
            reorder_point=point,
            order_up_to=upto,
            chosen_at=timezone.now(),
        )
    plan(part)
    transfer = Transfer.objects.get()
    assert (transfer.from_store, transfer.quantity, transfer.demand) == (forest.store, 3, None)
    assert transfer.why.startswith(
        f"Quarry North is to be restocked with 3 of {part.number}, and Forest Mill supplies it."
    )
    line = OrderLine.objects.get()
    assert (line.order.store, line.planned_quantity) == (forest.store, 6)
    assert_stable(part)
    transfers.refuse(actor=forest.clerk, transfer=transfer, why="Needed here.")
    outbox.drain()
    assert not Transfer.objects.filter(state="planned").exists()
    assert OrderLine.objects.get(order__store=quarry.store).planned_quantity == 3
    assert_stable(part)


def test_a_transfer_that_a_person_asked_for_is_left_to_people(
    yards: tuple[Yard, Yard, Yard],
) -> None:
    quarry, harbour, _ = yards
    part = make_part(quarry)
    put_on_shelf(harbour, part, 2)
    asked = transfers.ask_transfer(
        actor=quarry.clerk,
        from_store=harbour.store,
        to_store=quarry.store,
        part=part,
        quantity=2,
        why="For the shelf",
    )
    demand = raise_demand(quarry, part)
    plan(part)
    assert (now_of(demand).state, demand.transfer) == ("coming", asked)
    assert Transfer.objects.count() == 1
    assert_stable(part)
