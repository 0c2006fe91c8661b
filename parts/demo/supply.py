"""How the stores of the scenario live: suppliers, rounds of transfers and orders, counts, money."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from fleet.models import User
from inspections.models import Inspection
from parts.demo import scenario
from parts.demo.ground import Ground
from parts.models import (
    CountLine,
    Demand,
    Order,
    OrderLine,
    Part,
    StockLevel,
    Store,
    Supplier,
    Transfer,
)
from parts.pulling_selectors import usable_lots
from parts.rules.lifecycle import OrderState, TransferState
from parts.services import (
    counts,
    holdings,
    kits,
    ledger,
    money,
    needs,
    order_sending,
    orders,
    planning,
    put_away,
    standins,
    stores,
    suppliers,
    transfers,
)

_ROUND = timedelta(days=14)


class Supply:
    """The clerks' rounds, told beside the visits to the benches."""

    def __init__(self, ground: Ground) -> None:
        self.ground = ground
        self.manager = ground.people["manager"]
        self.clerk = ground.people["clerk"]

    def settle(self) -> None:
        """Stores with a place and a rate, suppliers with their offers, stand-ins."""
        ground = self.ground
        money.set_rate(
            actor=self.manager,
            base="EUR",
            quote="SEK",
            rate=scenario.WORTH["SEK"],
            valid_from=ground.start.date(),
        )
        for code, place in scenario.STORES.items():
            store = stores.change_store(
                actor=ground.people[scenario.BENCHES[code].clerk],
                store=ground.stores[code],
                version=None,
                latitude_deg=place.latitude_deg,
                longitude_deg=place.longitude_deg,
            )
            ground.stores[code] = stores.change_store(
                actor=self.manager,
                store=store,
                version=None,
                currency=place.currency,
                labour_rate=place.labour_rate,
            )
        for code in ("harbour-yard", "forest-mill"):
            ground.stores[code] = stores.change_store(
                actor=self.manager,
                store=ground.stores[code],
                version=None,
                supplied_by=ground.stores["quarry-north"],
            )

    def list_suppliers(self) -> None:
        for who in scenario.SUPPLIERS:
            row = suppliers.add_supplier(
                actor=self.clerk,
                name=who.name,
                email=who.email,
                minimum_order_value=who.minimum_order_value,
            )
            for place, (number, part) in enumerate(self.ground.parts.items()):
                if who.sells(number):
                    self._offer(row, part, who, f"{who.prefix}{1000 + place}")
        for old, new in scenario.SUPERSEDED.items():
            standins.supersede(
                actor=self.clerk,
                part=self.ground.parts[old],
                by=self.ground.parts[new],
                version=None,
            )

    def _offer(self, row: Supplier, part: Part, who: scenario.Seller, called: str) -> None:
        suppliers.set_offer(
            actor=self.clerk,
            supplier=row,
            part=part,
            price=scenario.price_of(part.number) * who.price_factor,
            lead_days=who.lead_days,
            supplier_number=called,
            pack_size=who.pack_of(part.number),
            minimum_quantity=1,
            preferred=who.preferred,
        )

    def plan(self) -> None:
        """Every fortnight the stores are gone through; in the second half with levels chosen."""
        ground = self.ground
        when = ground.start + timedelta(days=7)
        while when < ground.end - timedelta(days=1):
            ground.at(when, self._round)
            when += _ROUND
        half = ground.start + (ground.end - ground.start) / 2
        ground.at(half, self._choose_levels)
        ground.at(half + timedelta(days=40), self._open_a_kit)

    def _round(self, at: datetime) -> None:
        planning.plan_all(now=at)
        # What is on its way when the story ends stays so, to be looked at.
        if at < self.ground.end - timedelta(days=3):
            for transfer in Transfer.objects.filter(state=TransferState.PLANNED.value):
                self._send(transfer, at + timedelta(hours=3))
        if at < self.ground.end - timedelta(days=10):
            for order in Order.objects.filter(state=OrderState.DRAFT.value):
                self._order(order, at + timedelta(hours=5))

    def _clerk_of(self, store: Store) -> User:
        return self.ground.people[scenario.BENCHES[store.site.code].clerk]

    def _send(self, transfer: Transfer, at: datetime) -> None:
        giver, taker = transfer.from_store, transfer.to_store
        transfers.send(
            actor=self._clerk_of(giver),
            transfer=transfer,
            scanned_number=transfer.part.number,
            batch_code=batch_to_pull(giver.site_id, transfer.part_id, at),
            confirmed=True,
            now=at,
        )

        def arrive(then: datetime) -> None:
            transfers.receive(actor=self._clerk_of(taker), transfer=transfer, now=then)

        self.ground.at(at + timedelta(days=self.ground.dice.randrange(1, 4)), arrive)

    def _order(self, order: Order, at: datetime) -> None:
        clerk = self._clerk_of(order.store)
        order = orders.submit(actor=clerk, order=order, now=at)
        if order.state == OrderState.SUBMITTED.value:
            at += timedelta(hours=20)
            order = orders.approve(actor=self.manager, order=order, now=at)
        order = order_sending.send(actor=clerk, order=order, now=at)
        for line in order.lines.all():
            late = self.ground.dice.choice((-3, -1, 0, 0, 1, 2, 4, 9))
            due = line.promised_on or at.date()
            days = max(2, (due - at.date()).days + late)
            self.ground.at(at + timedelta(days=days), self._deliver(line.pk))

    def _deliver(self, line_id: int) -> Callable[[datetime], None]:
        def deliver(at: datetime) -> None:
            line = OrderLine.objects.select_related("part", "order__store__site").get(pk=line_id)
            put_away.receive_line(
                actor=self._clerk_of(line.order.store),
                line=line,
                quantity=line.open_quantity,
                now=at,
                **batch_of(line.part, at),
            )

        return deliver

    def _choose_levels(self, at: datetime) -> None:
        for store in self.ground.stores.values():
            holdings.take_advice(actor=self.manager, store=store, now=at)

    def _open_a_kit(self, at: datetime) -> None:
        store = self.ground.stores["quarry-north"]
        for level in store.levels.filter(part__is_kit=True).select_related("part").order_by("pk"):
            if ledger.free_of(level, at.date()) > 1:
                kits.open_kit(
                    actor=self.clerk,
                    store=store,
                    kit=level.part,
                    why="One shaft seal torn at fitting",
                    now=at,
                )
                return

    # --- What is to be seen today ---------------------------------------------------------------

    def close(self, end: datetime) -> None:
        """An order that is late, one that waits for approval, a count half done, today's plan."""
        self._late_order(end - timedelta(days=20))
        self._costly_order(end - timedelta(days=1))
        self._want(end)
        planning.plan_all(now=end - timedelta(hours=12))
        self._count(end - timedelta(hours=4))

    def _want(self, end: datetime) -> None:
        """When and at which bench the parts that are still to be pulled are wanted."""
        open_lists = (
            Inspection.objects.filter(demands__in=Demand.objects.open())
            .select_related("site")
            .distinct()
            .order_by("pk")
        )
        for place, inspection in enumerate(open_lists):
            needs.set_need(
                actor=self._clerk_of(self.ground.stores[inspection.site.code]),
                inspection=inspection,
                needed_on=(end + timedelta(days=(1, 3, 8, 14)[place % 4])).date(),
                bench=f"Bench {1 + place % 2}",
                version=None,
                now=end - timedelta(hours=14),
            )

    def _late_order(self, at: datetime) -> None:
        seller = Supplier.objects.get(name=scenario.SUPPLIERS[0].name)
        order = self._with_line(seller, "V8-VANES", 2, at)
        order = orders.submit(actor=self.clerk, order=order, now=at)
        if order.state == OrderState.SUBMITTED.value:
            order = orders.approve(actor=self.manager, order=order, now=at)
        promised = {line.pk: (at + timedelta(days=12)).date() for line in order.lines.all()}
        order_sending.send(actor=self.clerk, order=order, promised_on=promised, now=at)

    def _costly_order(self, at: datetime) -> None:
        seller = Supplier.objects.get(name=scenario.SUPPLIERS[0].name)
        order = self._with_line(seller, "K7-BLOCK", 1, at)
        orders.submit(actor=self.clerk, order=order, now=at)

    def _with_line(self, seller: Supplier, number: str, quantity: int, at: datetime) -> Order:
        store = self.ground.stores["quarry-north"]
        order = orders.open_draft(actor=self.clerk, store=store, supplier=seller, now=at)
        return orders.set_line(
            actor=self.clerk,
            order=order,
            part=self.ground.parts[number],
            manual_quantity=quantity,
        )

    def _count(self, at: datetime) -> None:
        count = counts.raise_count(
            actor=self.clerk,
            store=self.ground.stores["quarry-north"],
            why="Shelves A and B before the shutdown",
            due=8,
            now=at,
        )
        lines = CountLine.objects.filter(count=count).select_related("part", "batch")
        for place, line in enumerate(lines[:4]):
            level = self.ground.stores["quarry-north"].levels.get(part=line.part)
            there = level.on_hand
            if line.part.ages:
                lots = {lot.batch: lot.quantity for lot in ledger.lots_of(level)}
                there = lots.get(line.batch_id, 0)
            counts.enter(
                actor=self.clerk,
                line=line,
                counted=there + (1 if place == 2 else 0),
                reason="One lay in the next bin" if place == 2 else "",
                now=at + timedelta(minutes=10 * place),
            )


def batch_of(part: Part, at: datetime) -> dict[str, Any]:
    """Batch and cure date on the label of what comes in on a day; nothing for what does not age."""
    if not part.ages:
        return {}
    cured = (at - timedelta(days=75)).date().replace(day=1)
    return {"batch_code": f"{part.number.split('-')[0]}{cured:%y%m}", "cured_on": cured}


def batch_to_pull(site_id: int, part_id: int, at: datetime) -> str:
    """The batch whose label the clerk scans at a site: the one that expires first."""
    level = StockLevel.objects.select_related("part").get(store__site=site_id, part=part_id)
    if not level.part.ages:
        return ""
    return usable_lots(level, at.date())[0].code or "-"
