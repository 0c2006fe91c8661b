"""What people and planning do in three stores, in whatever order, for the proof of the ledger.

Three stores with a plain part, one that ages, and a kit of both, while time goes by. After each
step every sum is added up again from the rows.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any, ClassVar

from django.db import transaction
from django.db.models import Sum
from django.utils import timezone
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
)

from fleet.faults import Fault
from inspections.events import InspectionSigned
from parts.models import (
    Batch,
    BatchLevel,
    Demand,
    ExchangeRate,
    Movement,
    Part,
    StockLevel,
    Store,
    Transfer,
)
from parts.pulling_selectors import usable_lots
from parts.rules.lifecycle import DemandState
from parts.services import catalogue, demands, kits, ledger, pulling, stock, transfers
from tests import factories
from tests.parts.build import (
    REPLACE,
    REUSE,
    SEALS,
    Yard,
    fit,
    make_correction,
    make_part,
    make_signed,
    make_yard,
)

SMALL = st.integers(min_value=1, max_value=4)
YARD = st.integers(min_value=0, max_value=2)
PART = st.integers(min_value=0, max_value=2)
PICK = st.integers(min_value=0, max_value=99)
COST = st.decimals(min_value=0, max_value=20, places=2)
SHELF_LIFE_MONTHS = 12


class Stores(RuleBasedStateMachine):
    """What is refused is refused as a whole, so that the sums hold after a refusal too."""

    # Over all runs: that each kind of movement, and many refusals, were really tried.
    kinds: ClassVar[Counter[str]] = Counter()
    refused: ClassVar[Counter[str]] = Counter()

    @initialize()
    def open_stores(self) -> None:
        self.run = transaction.atomic()
        self.run.__enter__()
        self.now: datetime = timezone.now()
        self.yards: list[Yard] = [make_yard() for _ in range(3)]
        # The third counts in another currency, for which a rate is known from one store only.
        Store.objects.filter(pk=self.yards[2].store.pk).update(currency="USD")
        Store.objects.filter(pk=self.yards[1].store.pk).update(currency="CHF")
        for yard in self.yards:
            yard.store.refresh_from_db()
        clerk = self.yards[0].clerk
        ExchangeRate.objects.create(
            base="EUR", quote="USD", rate="1.1", valid_from=date(2020, 1, 1), set_by=clerk
        )
        plain = make_part(self.yards[0], is_kit=False)
        ring = make_part(self.yards[0], is_kit=False, shelf_life_months=SHELF_LIFE_MONTHS)
        kit = make_part(self.yards[0], shelf_life_months=SHELF_LIFE_MONTHS)
        catalogue.set_kit_contents(
            actor=clerk, kit=kit, version=None, contents=[(plain, 1), (ring, 2)]
        )
        self.parts: list[Part] = [plain, ring, kit]
        self.model = factories.make_model()
        factories.make_issued_sheet(self.model)
        self.events: list[tuple[Yard, InspectionSigned]] = []
        # States that some demand is in: what cannot be done is not tried.
        self.demanded: set[str] = set()
        for y in range(3):
            for p in range(3):
                self.receive(y, p, 4, Decimal(p), age=3)
        # Something of each kind to begin with, so that the first steps have work to do.
        self.demand(0, 1, 2)
        self.ask_for(0, 1, 0, 1)
        self.ask_for(1, 2, 1, 2)
        self.send_it(Transfer.objects.order_by("pk").last())

    def teardown(self) -> None:
        if hasattr(self, "run"):
            Stores.kinds.update(Movement.objects.values_list("kind", flat=True))
            transaction.set_rollback(True)
            self.run.__exit__(None, None, None)

    def attempt(self, act: Callable[..., object], **given: Any) -> None:
        try:
            act(**given, now=self.now)
        except Fault as fault:
            Stores.refused[fault.code] += 1

    def picked(self, rows: Any, pick: int) -> Any:
        found = list(rows.order_by("pk"))
        return found[pick % len(found)] if found else None

    def batch_here(self, yard: Yard, part: Part, pick: int) -> Batch | None:
        rows = BatchLevel.objects.filter(store=yard.store, batch__part=part, on_hand__gt=0)
        found = self.picked(rows.select_related("batch"), pick)
        return found.batch if found else None

    # --- What is done next ---

    @rule(months=st.integers(min_value=1, max_value=4))
    def time_goes_by(self, months: int) -> None:
        self.now += timedelta(days=30 * months)

    @rule(
        act=st.sampled_from(["receive", "count", "scrap", "open_kit"]),
        y=YARD,
        p=PART,
        quantity=SMALL,
        pick=PICK,
        cost=st.none() | COST,
        age=st.integers(0, 11),
    )
    def at_the_shelf(
        self, act: str, y: int, p: int, quantity: int, pick: int, cost: Decimal | None, age: int
    ) -> None:
        if act == "receive":
            self.receive(y, p, quantity, cost, age)
        elif act == "count":
            self.count(y, p, quantity - 1, pick)
        elif act == "scrap":
            self.scrap(y, p, quantity, pick)
        else:
            self.open_kit(y)

    @rule(correct=st.booleans(), y=YARD, p=PART, quantity=SMALL, pick=PICK)
    def at_the_bench(self, correct: bool, y: int, p: int, quantity: int, pick: int) -> None:
        if correct:
            self.correct_inspection(pick, still_wanted=pick % 2 == 0)
        else:
            self.demand(y, p, quantity)

    @precondition(lambda self: bool(self.demanded & {"reserved", "issued"}))
    @rule(
        act=st.sampled_from(["pull", "pull_short", "undo_pull", "bring_back"]),
        pick=PICK,
        found_there=st.integers(0, 2),
    )
    def at_the_counter(self, act: str, pick: int, found_there: int) -> None:
        if "issued" not in self.demanded or act == "pull":
            self.pull(pick)
        elif act == "pull_short":
            self.pull_short(pick, found_there)
        elif act == "undo_pull":
            self.undo_pull(pick)
        else:
            self.bring_back(pick, fit_for_stock=found_there > 0)

    @rule(
        act=st.sampled_from(
            ["ask", "plan", "send", "take_in", "take_in", "refuse_or_cancel", "call_off"]
        ),
        y=YARD,
        further=st.integers(0, 2),
        p=PART,
        quantity=SMALL,
        pick=PICK,
    )
    def between_stores(
        self, act: str, y: int, further: int, p: int, quantity: int, pick: int
    ) -> None:
        if act == "ask":
            self.ask_for(y, (y + further) % 3, p, quantity)
        elif act == "plan":
            self.plan_transfer(pick, y)
        elif act == "send":
            self.send(pick)
        elif act == "take_in":
            self.take_in(pick, lost=max(0, quantity - 3), silent=pick % 6)
        elif act == "refuse_or_cancel":
            self.refuse_or_cancel(pick, refused=quantity > 2)
        else:
            self.call_off(pick)

    # --- Shelves ---

    def receive(self, y: int, p: int, quantity: int, cost: Decimal | None, age: int) -> None:
        yard, part = self.yards[y], self.parts[p]
        cured = self.now.date() - timedelta(days=30 * age)
        label = {"batch_code": f"B-{cured:%y%m%d}", "cured_on": cured} if part.ages else {}
        self.attempt(
            stock.receive,
            actor=yard.clerk,
            store=yard.store,
            part=part,
            quantity=quantity,
            unit_cost=cost,
            **label,
        )

    def count(self, y: int, p: int, counted: int, pick: int) -> None:
        yard, part = self.yards[y], self.parts[p]
        self.attempt(
            stock.correct_count,
            actor=yard.clerk,
            store=yard.store,
            part=part,
            counted=counted,
            batch=self.batch_here(yard, part, pick) if pick % 5 else None,
            reason="Counted",
        )

    def scrap(self, y: int, p: int, quantity: int, pick: int) -> None:
        yard, part = self.yards[y], self.parts[p]
        self.attempt(
            stock.scrap,
            actor=yard.clerk,
            store=yard.store,
            part=part,
            quantity=quantity,
            batch=self.batch_here(yard, part, pick) if pick % 5 else None,
            reason="Torn",
        )

    def open_kit(self, y: int) -> None:
        yard = self.yards[y]
        self.attempt(
            kits.open_kit, actor=yard.clerk, store=yard.store, kit=self.parts[2], why="One ring"
        )

    # --- Demands ---

    def demand(self, y: int, p: int, quantity: int) -> None:
        yard = self.yards[y]
        pump = factories.make_pump(yard.site, self.model)
        fit(yard, pump, SEALS, self.parts[p], quantity)
        event = make_signed(yard, pump)
        self.attempt(demands.raise_for_signed, event=event)
        self.events.append((yard, event))

    def correct_inspection(self, pick: int, still_wanted: bool) -> None:
        if not self.events:
            return
        yard, event = self.events.pop(pick % len(self.events))
        correction = make_correction(yard, event, {SEALS: REPLACE if still_wanted else REUSE})
        self.attempt(demands.raise_for_signed, event=correction)
        self.events.append((yard, correction))

    def line(self, pick: int, *states: DemandState) -> tuple[Yard, Demand] | None:
        row = self.picked(Demand.objects.filter(state__in=[s.value for s in states]), pick)
        return None if row is None else (self.yard_of(row.site_id), row)

    def yard_of(self, site: int) -> Yard:
        return next(yard for yard in self.yards if yard.site.pk == site)

    def label_of(self, yard: Yard, part: Part) -> dict[str, str]:
        shelf = StockLevel.objects.filter(store=yard.store, part=part).first()
        lots = usable_lots(shelf, self.now.date()) if shelf and part.ages else []
        return {"batch_code": (lots[0].code or "-") if lots else ""}

    def pull(self, pick: int) -> None:
        if found := self.line(pick, DemandState.RESERVED):
            yard, row = found
            assert row.part is not None
            self.attempt(
                pulling.pull,
                actor=yard.clerk,
                demand=row,
                scanned_number=row.part.number,
                quantity=row.quantity,
                confirmed=True,
                **self.label_of(yard, row.part),
            )

    def pull_short(self, pick: int, found_there: int) -> None:
        if found := self.line(pick, DemandState.RESERVED):
            yard, row = found
            assert row.part is not None
            self.attempt(
                pulling.short_pull,
                actor=yard.clerk,
                demand=row,
                found=found_there,
                reason="Bin empty",
                **self.label_of(yard, row.part),
            )

    def undo_pull(self, pick: int) -> None:
        if found := self.line(pick, DemandState.ISSUED):
            yard, row = found
            self.attempt(pulling.undo_pull, actor=yard.clerk, demand=row, why="Wrong pump")

    def bring_back(self, pick: int, fit_for_stock: bool) -> None:
        if found := self.line(pick, DemandState.ISSUED):
            yard, row = found
            self.attempt(
                pulling.return_issued,
                actor=yard.clerk,
                demand=row,
                why="Not needed",
                fit_for_stock=fit_for_stock,
            )

    # --- Transfers ---

    def ask_for(self, y: int, z: int, p: int, quantity: int) -> None:
        giver, asker = self.yards[y], self.yards[z]
        self.attempt(
            transfers.ask_transfer,
            actor=asker.clerk,
            from_store=giver.store,
            to_store=asker.store,
            part=self.parts[p],
            quantity=quantity,
            why="To restock",
        )

    def plan_transfer(self, pick: int, y: int) -> None:
        """As planning does it for a demand that waits."""
        found = self.line(pick, DemandState.SHORT)
        if found is None or found[0] is self.yards[y]:
            return
        yard, row = found
        part_id = row.pulled_part_id
        assert part_id is not None

        def plan(now: datetime) -> None:
            with transaction.atomic():
                start, end = (self.yards[y].store.pk, part_id), (yard.store.pk, part_id)
                levels = ledger.lock_all_levels([start, end])
                row.transfer = transfers.plan_transfer(
                    levels[start], levels[end], row.quantity, row, "Nearest", now.date(), now
                )
                ledger.move_demand(
                    row, DemandState.COMING, "On its way", by=None, at=now, fields=["transfer"]
                )

        self.attempt(plan)

    def transfer(self, pick: int, state: str) -> Any:
        return self.picked(Transfer.objects.filter(state=state), pick)

    def call_off(self, pick: int) -> None:
        row = self.transfer(pick, "planned")
        if row is None or row.demand_id is not None:
            return

        def act(now: datetime) -> None:
            with transaction.atomic():
                giver = ledger.lock_levels(row.from_store, [row.part_id])[row.part_id]
                transfers.call_off(row, giver, "No longer wanted.", now, None)

        self.attempt(act)

    def send(self, pick: int) -> None:
        if row := self.transfer(pick, "planned"):
            self.send_it(row)

    def send_it(self, row: Any) -> None:
        yard = self.yard_of(row.from_store.site_id)
        self.attempt(
            transfers.send,
            actor=yard.clerk,
            transfer=row,
            scanned_number=row.part.number,
            confirmed=True,
            **self.label_of(yard, row.part),
        )

    def take_in(self, pick: int, lost: int, silent: int) -> None:
        if row := self.transfer(pick, "sent"):
            came = {}
            for lot in transfers.sent_lots(row):
                came[lot.code] = max(lot.quantity - lost, 0)
                lost -= lot.quantity - came[lot.code]
            self.attempt(
                transfers.receive,
                actor=self.yard_of(row.to_store.site_id).clerk,
                transfer=row,
                received=came,
                reason="" if silent == 0 else "Box torn",
            )

    def refuse_or_cancel(self, pick: int, refused: bool) -> None:
        if row := self.transfer(pick, "planned"):
            end = row.from_store if refused else row.to_store
            self.attempt(
                transfers.refuse if refused else transfers.cancel,
                actor=self.yard_of(end.site_id).clerk,
                transfer=row,
                why="Needed here",
            )

    # --- What holds after each step ---

    @invariant()
    def kept_sums_are_the_sums(self) -> None:
        self.demanded = set(Demand.objects.values_list("state", flat=True))
        shelves = {(row.store_id, row.part_id): row for row in StockLevel.objects.all()}
        moved = _grouped(
            Movement.objects.order_by().values("store_id", "part_id"),
            on_hand="on_hand_change",
            reserved="reserved_change",
            in_transit="in_transit_change",
            value="value_change",
        )
        assert set(moved) <= set(shelves)
        promised: Counter[tuple[int, int]] = Counter()
        for site, part, quantity in Demand.objects.filter(state="reserved").values_list(
            "site__store", "part", "quantity"
        ):
            promised[site, part] += quantity
        under_way: Counter[tuple[int, int]] = Counter()
        for row in Transfer.objects.filter(state__in=["planned", "sent"]):
            if row.state == "planned":
                promised[row.from_store_id, row.part_id] += row.quantity
            else:
                under_way[row.to_store_id, row.part_id] += row.quantity
        batched: Counter[tuple[int, int]] = Counter()
        for store, part, on_hand in BatchLevel.objects.values_list(
            "store", "batch__part", "on_hand"
        ):
            assert on_hand >= 0
            batched[store, part] += on_hand
        for place, shelf in shelves.items():
            kept = (shelf.on_hand, shelf.reserved, shelf.in_transit, shelf.value)
            assert kept == moved.get(place, (0, 0, 0, Decimal(0)))
            assert shelf.available >= 0
            assert shelf.reserved == promised[place]
            assert shelf.in_transit == under_way[place]
            assert shelf.value >= 0
            assert shelf.on_hand > 0 or shelf.value == 0
            # Nothing comes in without a batch here, so all of what ages lies in one.
            ages = place[1] != self.parts[0].pk
            assert batched[place] == (shelf.on_hand if ages else 0)
        assert ledger.check_ledger() == []

    @invariant()
    def nobody_waits_for_what_is_free(self) -> None:
        firsts: dict[tuple[int, int], Demand] = {}
        waiting = Demand.objects.filter(state__in=["short", "coming"]).select_related("site__store")
        for row in waiting.order_by("raised_at", "pk"):
            assert row.part_id is not None
            firsts.setdefault((row.site.store.pk, row.part_id), row)
        for (store, part), first in firsts.items():
            shelf = StockLevel.objects.filter(store=store, part=part).first()
            if shelf is not None and first.state == "short":
                assert first.quantity > ledger.free_of(shelf, self.now.date())


def _grouped(rows: Any, **columns: str) -> dict[tuple[int, int], tuple[Any, ...]]:
    sums = rows.annotate(**{f"sum_{name}": Sum(column) for name, column in columns.items()})
    return {
        (row["store_id"], row["part_id"]): tuple(row[f"sum_{name}"] for name in columns)
        for row in sums
    }
