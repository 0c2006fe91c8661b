"""The stores' part of a site with a row of every kind."""

from __future__ import annotations

from decimal import Decimal
from itertools import count
from typing import Any

from django.utils import timezone

from fleet.models import (
    Pump,
    Site,
    User,
)
from fleet.plumbing.models import Delivery
from fleet.roles import Role
from parts.models import (
    BatchLevel,
    Demand,
    Holding,
    Order,
    OrderLine,
    Part,
    StockLevel,
    Store,
    Supplier,
    SupplierPart,
    Transfer,
)
from parts.services import (
    approvals,
    catalogue,
    demands,
    holdings,
    kits,
    order_sending,
    orders,
    pulling,
    standins,
    stock,
    suppliers,
    transfers,
)
from tests import factories
from tests.parts import build

_keys = count(1)


def ageing_parts(yard: build.Yard, kit: Part) -> dict[str, Any]:
    """A seal in a batch and one without, an old number, an alternative, and contents for a kit."""
    clerk = yard.clerk
    ring, old, seal, loose = (build.make_part(yard, is_kit=False) for _ in range(4))
    catalogue.set_kit_contents(actor=clerk, kit=kit, version=None, contents=[(ring, 4)])
    standins.supersede(actor=clerk, part=old, by=ring, version=None)
    alternative = standins.add_alternative(actor=clerk, part=seal, other=ring, why="Same size")
    catalogue.change_part(actor=clerk, part=seal, version=None, shelf_life_months=48)
    stock.receive(
        actor=clerk,
        store=yard.store,
        part=seal,
        quantity=3,
        batch_code=f"LOT-{factories.number()}",
        cured_on=timezone.now().date(),
    )
    kits.open_kit(actor=clerk, store=yard.store, kit=kit, why="One ring")
    build.put_on_shelf(yard, loose, 3)
    # As it lies where a part was given its shelf life while some were on the bench.
    Part.objects.filter(pk=loose.pk).update(shelf_life_months=48)
    return {
        "ring": ring,
        "old_part": old,
        "seal": seal,
        "loose_seal": loose,
        "batch_level": BatchLevel.objects.get(store=yard.store, batch__part=seal),
        "loose_level": StockLevel.objects.get(store=yard.store, part=loose),
        "alternative": alternative,
    }


def transfers_between(yard: build.Yard, second: Site) -> dict[str, Any]:
    """Between the store and that of the second site: one to send, one to receive, one asked for."""
    clerk = factories.make_person(second, Role.STORES_CLERK)
    other = stock.open_store(actor=clerk, site=second)
    part = build.make_part(yard, is_kit=False)
    for actor, store in ((yard.clerk, yard.store), (clerk, other)):
        stock.receive(actor=actor, store=store, part=part, quantity=9)

    def ask(actor: User, from_store: Store, to_store: Store) -> Transfer:
        return transfers.ask_transfer(
            actor=actor,
            from_store=from_store,
            to_store=to_store,
            part=part,
            quantity=2,
            why="To restock",
        )

    to_receive = ask(yard.clerk, other, yard.store)
    return {
        "moved": part,
        "to_send": ask(clerk, yard.store, other),
        "asked": ask(yard.clerk, other, yard.store),
        "to_receive": transfers.send(actor=clerk, transfer=to_receive, scanned_number=part.number),
    }


def handed_out(yard: build.Yard, pump: Pump, kit: Part) -> Demand:
    """A demand whose part went over the counter."""
    event = build.make_signed(yard, pump, [build.SEALS])
    (demand,) = demands.raise_for_signed(event=event)
    return pulling.pull(actor=yard.clerk, demand=demand, scanned_number=kit.number, quantity=1)


def held(yard: build.Yard, part: Part, technician: User) -> dict[str, Any]:
    """What the store holds of a part, and what is expected to be wanted of it."""
    manager = factories.manager_of(yard.site)
    row = holdings.set_holding(
        actor=manager, store=yard.store, part=part, reorder_point=2, order_up_to=6
    )
    # Somebody whose name is shown to the site's own people only.
    Holding.objects.filter(pk=row.pk).update(chosen_by=technician)
    row.refresh_from_db()
    return {
        "holding": row,
        "forecast": holdings.record_forecast(
            actor=manager,
            store=yard.store,
            part=part,
            window_days=90,
            probabilities=[0.5, 0.3, 0.2],
            source=f"Wear of {technician.full_name}",
        ),
    }


def orders_of(yard: build.Yard, kit: Part, single: Part, name: str) -> dict[str, Any]:
    """An order in every state, to a supplier that offers the kit, the single part and more."""
    clerk, manager = yard.clerk, factories.manager_of(yard.site)
    supplier, other = (
        suppliers.add_supplier(actor=clerk, name=f"Works {factories.number()}") for _ in range(2)
    )

    def offered(by: Supplier, part: Part) -> SupplierPart:
        return suppliers.set_offer(
            actor=clerk, supplier=by, part=part, price=Decimal(60), lead_days=14
        )

    def draft() -> Order:
        order = orders.open_draft(actor=clerk, store=yard.store, supplier=supplier)
        orders.set_note(actor=clerk, order=order, note=f"Gate of {name}")
        # Above the clerk's usual limit.
        return orders.set_line(actor=clerk, order=order, part=kit, manual_quantity=10)

    offer = offered(supplier, kit)
    offered(supplier, single)
    sent = order_sending.send(
        actor=clerk, order=orders.submit(actor=manager, order=draft()), promised_on=None
    )
    # The supplier's system was told and did not answer, so it can be told again.
    suppliers.set_webhook(
        actor=clerk, supplier=supplier, version=None, url="https://orders.example.com/in"
    )
    Delivery.objects.filter(handler="parts.tell_supplier").update(parked_at=timezone.now())
    approved = orders.submit(actor=manager, order=draft())
    submitted = orders.submit(actor=clerk, order=draft())
    # Whoever may approve at all may approve this one.
    approvals.set_limits(actor=manager, store=yard.store, limits={Role.STORES_CLERK: Decimal(1000)})
    begun = draft()
    lines = OrderLine.objects.filter(part=kit)
    return {
        "supplier": supplier,
        "offer": offer,
        "other_offer": offered(other, kit),
        "order_draft": begun,
        "order_submitted": submitted,
        "order_approved": approved,
        "order_sent": sent,
        "line_draft": lines.get(order=begun),
        "line_sent": lines.get(order=sent),
    }
