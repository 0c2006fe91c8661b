"""The demo scenario, shortened: every state is there to look at, and it is the same every time."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import transaction

from fleet.models import Delivery, Pump, PumpModel, Site
from fleet.plumbing import outbox
from inspections.models import ComponentDisposition, Inspection, Reading, Verdict
from parts.demo import story
from parts.models import (
    Count,
    Demand,
    Holding,
    KitOpening,
    Movement,
    Order,
    Transfer,
)
from parts.services import ledger

TODAY = datetime(2026, 3, 2, 6, tzinfo=UTC)


def told() -> dict[str, list[tuple[Any, ...]]]:
    """What the story leaves behind, without the numbers that a database counts on by itself."""
    list(story.tell(TODAY, lambda _line: None, days=360, share=0.3))
    return {
        "pumps": list(
            Pump.objects.order_by("tag").values_list("tag", "site__code", "status", "running_h")
        ),
        "readings": list(
            Reading.objects.order_by("id").values_list("position", "tries", "low", "taken_at")
        ),
        "verdicts": list(Verdict.objects.order_by("id").values_list("outcome", "sentence")),
        "dispositions": list(
            ComponentDisposition.objects.order_by("id").values_list("component", "decided")
        ),
        "movements": list(
            Movement.objects.order_by("id").values_list("part__number", "kind", "on_hand_change")
        ),
        "orders": list(
            Order.objects.order_by("id").values_list(
                "store__site__code", "supplier__name", "state", "raised_at"
            )
        ),
        "transfers": list(
            Transfer.objects.order_by("id").values_list(
                "from_store__site__code", "to_store__site__code", "part__number", "state"
            )
        ),
    }


@pytest.mark.django_db
def test_the_demo_shows_every_state_and_is_the_same_every_time() -> None:
    with transaction.atomic():
        first = told()
        transaction.set_rollback(True)
    second = told()
    assert second == first
    assert len(first["readings"]) > 250

    assert Site.objects.count() == 3
    assert PumpModel.objects.values("family").distinct().count() == 5
    assert set(Inspection.objects.values_list("state", flat=True)) == {
        "open",
        "awaiting_countersignature",
        "signed",
    }
    assert {"in_service", "on_bench", "awaiting_countersignature", "awaiting_parts"} <= set(
        Pump.objects.values_list("status", flat=True)
    )
    waits = set(Demand.objects.values_list("state", flat=True))
    assert {"reserved", "issued"} <= waits
    assert waits & {"coming", "ordered"}
    assert {"sent", "submitted"} <= {state for _, _, state, _ in first["orders"]}
    assert "received" in {state for *_, state in first["transfers"]}
    assert set(Count.objects.values_list("state", flat=True)) == {"open"}
    assert Holding.objects.exists()
    assert KitOpening.objects.count() == 1
    assert {line.part.ages for line in Movement.objects.filter(batch__isnull=False)} == {True}
    assert {"within", "out"} <= set(Verdict.objects.values_list("outcome", flat=True))
    assert ledger.check_ledger() == []
    # The story raised its demands on their own dates; the outbox finds them there.
    demands = Demand.objects.count()
    outbox.drain()
    assert Demand.objects.count() == demands
    assert not Delivery.objects.filter(done_at__isnull=True).exists()


@pytest.mark.django_db
def test_an_installation_that_is_in_use_is_not_filled() -> None:
    Site.objects.create(code="mill", name="Mill")
    with pytest.raises(CommandError, match="sites already"):
        call_command("demo")
    assert not Pump.objects.exists()
