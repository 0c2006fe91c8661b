"""Whatever happens in the stores, in whatever order: the kept sums are the sums of the ledger.

A state machine does what people and planning do in three stores with a plain part, one that ages,
and a kit of both, while time goes by. After each step every sum is added up again from the rows.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any, ClassVar

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from django.db.models import F, Sum
from django.utils import timezone
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from fleet.faults import Fault
from inspections.events import InspectionSigned
from parts import tasks
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
from parts.rules.lifecycle import DemandState, MovementKind
from parts.services import catalogue, demands, kits, ledger, pulling, stock, transfers
from tests import factories
from tests.parts.build import (
    REPLACE,
    REUSE,
    SEALS,
    Yard,
    fit,
    level,
    make_correction,
    make_part,
    make_signed,
    make_yard,
    put_on_shelf,
    raise_demand,
)

pytestmark = pytest.mark.django_db

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
