"""Whatever happens in a store, in whatever order: the kept sums are the sums of the ledger."""

from __future__ import annotations

from contextlib import suppress

import pytest
from django.db import transaction
from django.db.models import Sum
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.faults import Conflict
from inspections.events import InspectionSigned
from parts.models import Demand, Movement, Part, StockLevel
from parts.services import demands, stock
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

pytestmark = pytest.mark.django_db

_small = st.integers(min_value=1, max_value=4)
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("receive"), _small),
        st.tuples(st.just("count"), st.integers(min_value=0, max_value=6)),
        st.tuples(st.just("scrap"), _small),
        st.tuples(st.just("demand"), _small),
        st.tuples(st.just("pull"), st.integers(min_value=0, max_value=3)),
        st.tuples(st.just("correct"), st.booleans()),
    ),
    min_size=4,
    max_size=12,
)


class Shop:
    """One store with one part; each demand is of a pump of its own."""

    def __init__(self) -> None:
        self.yard: Yard = make_yard()
        self.part: Part = make_part(self.yard)
        self.events: list[InspectionSigned] = []

    def receive(self, quantity: int) -> None:
        stock.receive(
            actor=self.yard.clerk, store=self.yard.store, part=self.part, quantity=quantity
        )

    def count(self, counted: int) -> None:
        stock.correct_count(
            actor=self.yard.clerk,
            store=self.yard.store,
            part=self.part,
            counted=counted,
            reason="Counted",
        )

    def scrap(self, quantity: int) -> None:
        stock.scrap(
            actor=self.yard.clerk,
            store=self.yard.store,
            part=self.part,
            quantity=quantity,
            reason="Rusty",
        )

    def demand(self, quantity: int) -> None:
        pump = factories.make_pump(self.yard.site)
        fit(self.yard, pump, SEALS, self.part, quantity)
        event = make_signed(self.yard, pump)
        demands.raise_for_signed(event=event)
        self.events.append(event)

    def pull(self, which: int) -> None:
        rows = list(Demand.objects.exclude(state="cancelled").order_by("pk"))
        if rows:
            row = rows[which % len(rows)]
            demands.pull(
                actor=self.yard.clerk,
                demand=row,
                scanned_number=self.part.number,
                quantity=row.quantity,
            )

    def correct(self, still_wanted: bool) -> None:
        if self.events:
            event = make_correction(
                self.yard, self.events.pop(), {SEALS: REPLACE if still_wanted else REUSE}
            )
            demands.raise_for_signed(event=event)

    def check(self) -> None:
        level = StockLevel.objects.filter(store=self.yard.store, part=self.part).first()
        ledger = Movement.objects.filter(part=self.part).aggregate(
            on_hand=Sum("on_hand_change", default=0), reserved=Sum("reserved_change", default=0)
        )
        promised = Demand.objects.filter(state="reserved").aggregate(
            pieces=Sum("quantity", default=0)
        )
        on_hand, reserved = (level.on_hand, level.reserved) if level else (0, 0)
        assert ledger == {"on_hand": on_hand, "reserved": reserved}
        assert promised["pieces"] == reserved
        assert on_hand >= reserved >= 0
        assert stock.check_ledger() == []
        oldest_waiting = Demand.objects.filter(state="short").order_by("raised_at", "pk").first()
        if oldest_waiting is not None:
            assert oldest_waiting.quantity > on_hand - reserved


@settings(
    max_examples=15,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)
@given(steps=STEPS)
def test_the_sums_are_the_sums_of_the_ledger(steps: list[tuple[str, int]]) -> None:
    with transaction.atomic():
        shop = Shop()
        for name, value in steps:
            # What is refused is refused as a whole: the sums must hold all the same.
            with suppress(Conflict):
                getattr(shop, name)(value)
            shop.check()
        transaction.set_rollback(True)
