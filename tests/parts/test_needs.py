"""When the parts of an inspection are wanted, and demands that are not wanted any more."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from fleet.faults import Conflict, Fault, NotAllowed, Stale
from fleet.models import Delivery
from fleet.plumbing import outbox
from inspections.models import Inspection
from parts.models import Demand, DemandStep, Movement, Need
from parts.services import demands, ledger, needs, pulling
from tests import factories
from tests.parts.build import (
    GEARS,
    REPLACE,
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
from tests.parts.test_demands import status_of

pytestmark = pytest.mark.django_db


def in_days(days: int) -> date:
    return timezone.now().date() + timedelta(days=days)


def need_of(yard: Yard, demand: Demand, days: int | None = 5, **more: Any) -> Need:
    return needs.set_need(
        actor=yard.supervisor,
        inspection=demand.inspection,
        needed_on=None if days is None else in_days(days),
        **more,
    )


def waiting_plans() -> int:
    return Delivery.objects.filter(handler="parts.plan_supply", done_at__isnull=True).count()


# --- When it is wanted --------------------------------------------------------------------------


def test_a_day_and_a_bench_are_kept_with_who_set_them_and_planned() -> None:
    yard = make_yard()
    demand = raise_demand(yard, make_part(yard))
    outbox.drain()
    need = need_of(yard, demand, bench="  Bench   B2 ")
    assert (need.needed_on, need.bench, need.set_by, need.version) == (
        in_days(5),
        "Bench B2",
        yard.supervisor,
        1,
    )
    assert waiting_plans() == 1


def test_the_same_again_writes_nothing_and_a_bench_alone_plans_nothing() -> None:
    yard = make_yard()
    demand = raise_demand(yard, make_part(yard))
    need_of(yard, demand, bench="B2")
    outbox.drain()
    assert need_of(yard, demand, bench="B2").version == 1
    assert need_of(yard, demand, bench="B3").version == 2
    assert waiting_plans() == 0
    assert need_of(yard, demand, None, bench="B3").needed_on is None
    assert waiting_plans() == 1


@pytest.mark.parametrize(
    ("days", "bench", "code"),
    [(-1, "", "past"), (1200, "", "far_ahead"), (3, "B" * 41, "invalid")],
)
def test_odd_days_and_benches_are_refused(days: int, bench: str, code: str) -> None:
    yard = make_yard()
    demand = raise_demand(yard, make_part(yard))
    with pytest.raises(Fault) as refused:
        need_of(yard, demand, days, bench=bench)
    assert refused.value.code == code
    assert not Need.objects.exists()


def test_a_day_that_has_passed_may_stay_when_only_the_bench_changes() -> None:
    yard = make_yard()
    demand = raise_demand(yard, make_part(yard))
    need_of(yard, demand, 0, bench="B2")
    Need.objects.update(needed_on=in_days(-3))
    assert need_of(yard, demand, -3, bench="B3").bench == "B3"


def test_who_read_an_older_need_is_told() -> None:
    yard = make_yard()
    demand = raise_demand(yard, make_part(yard))
    need_of(yard, demand, version=0)
    with pytest.raises(Stale):
        need_of(yard, demand, 6, version=0)
    assert need_of(yard, demand, 6, version=1).version == 2


@pytest.mark.parametrize("who", ["technician", "outsider"])
def test_only_who_sets_needs_at_the_site_sets_any(who: str) -> None:
    yard, other = make_yard(), make_yard()
    demand = raise_demand(yard, make_part(yard))
    actor = yard.technician if who == "technician" else other.supervisor
    with pytest.raises(NotAllowed):
        needs.set_need(actor=actor, inspection=demand.inspection, needed_on=in_days(3))
    with pytest.raises(NotAllowed):
        needs.cancel_demand(actor=actor, demand=demand, why="No")


def test_a_correction_keeps_the_day_and_the_old_inspection_takes_none() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    part = make_part(yard)
    fit(yard, pump, SEALS, part)
    event = make_signed(yard, pump, [SEALS])
    (demand,) = demands.raise_for_signed(event=event)
    need_of(yard, demand, bench="B2")
    correction = make_correction(yard, event, {SEALS: REPLACE})
    demands.raise_for_signed(event=correction)
    need = Need.objects.get(inspection=correction.inspection_id)
    assert (need.needed_on, need.bench) == (in_days(5), "B2")
    with pytest.raises(Conflict):
        needs.set_need(
            actor=yard.supervisor,
            inspection=Inspection.objects.get(pk=event.inspection_id),
            needed_on=in_days(9),
        )


# --- What is not wanted any more ----------------------------------------------------------------


def test_cancelling_sets_free_what_was_reserved_and_the_next_gets_it() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    first, second = raise_demand(yard, part), raise_demand(yard, part)
    row = needs.cancel_demand(actor=yard.clerk, demand=first, why="Found one on the bench.")
    assert (row.state, row.why) == (
        "cancelled",
        f"Cancelled by {yard.clerk}: Found one on the bench.",
    )
    second.refresh_from_db()
    assert second.state == "reserved"
    assert level(yard, part) == (1, 1)
    step = DemandStep.objects.filter(demand=first).last()
    assert step is not None
    assert (step.state, step.by) == ("cancelled", yard.clerk)
    assert Movement.objects.get(kind="release").by == yard.clerk
    assert ledger.check_ledger() == []


def test_the_pump_is_ready_when_the_last_open_one_is_cancelled() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    part = make_part(yard)
    fit(yard, pump, SEALS, part)
    known, unknown = demands.raise_for_signed(event=make_signed(yard, pump, [SEALS, GEARS]))
    needs.cancel_demand(actor=yard.supervisor, demand=known, why="Not needed.")
    assert status_of(pump) == "awaiting_parts"
    assert unknown.state == "unmatched"
    needs.cancel_demand(actor=yard.supervisor, demand=unknown, why="Not needed.")
    assert status_of(pump) == "ready_to_rebuild"


def test_what_is_settled_or_without_a_reason_is_not_cancelled() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    demand = raise_demand(yard, part)
    with pytest.raises(Fault) as refused:
        needs.cancel_demand(actor=yard.clerk, demand=demand, why="  ")
    assert refused.value.field == "why"
    pulling.pull(actor=yard.clerk, demand=demand, scanned_number=part.number, quantity=1)
    with pytest.raises(Conflict) as conflict:
        needs.cancel_demand(actor=yard.clerk, demand=demand, why="Too late.")
    assert conflict.value.code == "issued"
    other = raise_demand(yard, make_part(yard))
    needs.cancel_demand(actor=yard.clerk, demand=other, why="Not needed.")
    with pytest.raises(Conflict):
        needs.cancel_demand(actor=yard.clerk, demand=other, why="Not needed.")


# --- Page and API -------------------------------------------------------------------------------


def test_the_page_of_a_demand_tells_all_that_was_decided(client: Client) -> None:
    yard = make_yard("Quarry North")
    part = make_part(yard)
    demand = raise_demand(yard, part, 2)
    outbox.drain()
    client.force_login(yard.supervisor)
    page = client.get(f"/stores/demands/{demand.pk}/").content.decode()
    for step in demand.steps.all():
        assert step.why in page
    assert f'href="/stores/inspections/{demand.inspection_id}/need/"' in page
    refused = client.post(f"/stores/demands/{demand.pk}/", {"why": ""})
    assert refused.status_code == 422
    done = client.post(f"/stores/demands/{demand.pk}/", {"why": "Not needed."}, follow=True)
    assert "Cancelled. What was kept for it is free for others." in done.content.decode()
    assert "Cancel the demand" not in done.content.decode()
    demand.refresh_from_db()
    assert demand.state == "cancelled"


def test_the_form_of_a_need_shows_and_saves_it(client: Client) -> None:
    yard = make_yard()
    demand = raise_demand(yard, make_part(yard))
    need_of(yard, demand, bench="B2")
    client.force_login(yard.supervisor)
    address = f"/stores/inspections/{demand.inspection_id}/need/"
    page = client.get(address).content.decode()
    assert f'value="{in_days(5).isoformat()}"' in page
    sent = {"needed_on": in_days(7).isoformat(), "bench": "B3", "version": "1"}
    assert client.post(address, sent).status_code == 302
    assert Need.objects.get().needed_on == in_days(7)
    stale = client.post(address, {**sent, "bench": "B4"})
    assert stale.status_code == 422
    assert "Somebody else has just set" in stale.content.decode()


def test_the_api_tells_steps_and_sets_needs_under_a_tag(client: Client) -> None:
    yard = make_yard()
    part = make_part(yard)
    demand = raise_demand(yard, part)
    outbox.drain()
    client.force_login(yard.supervisor)
    row = client.get(f"/api/v1/demands/{demand.pk}").json()
    assert {
        name: row[name]
        for name in ("supplied_part", "needed_on", "expected_on", "transfer", "order_line")
    } == dict.fromkeys(("supplied_part", "needed_on", "expected_on", "transfer", "order_line"))
    steps = client.get(f"/api/v1/demands/{demand.pk}/steps").json()["results"]
    assert [step["state"] for step in steps] == ["short"] * len(steps)
    assert len(steps) == demand.steps.count() > 1
    address = f"/api/v1/needs/{demand.inspection_id}"
    first = client.get(address)
    assert first.json() == {"inspection": demand.inspection_id, "needed_on": None, "bench": ""}
    body = {"needed_on": in_days(4).isoformat(), "bench": "B2"}

    def put(tag: str | None) -> Any:
        headers = {"If-Match": tag} if tag else {}
        return client.put(address, body, content_type="application/json", headers=headers)

    assert put(None).status_code == 428
    done = put(first["ETag"])
    assert (done.status_code, done.json()["needed_on"]) == (200, body["needed_on"])
    assert put(first["ETag"]).status_code == 412
    assert client.get(f"/api/v1/demands/{demand.pk}").json()["needed_on"] == body["needed_on"]
    cancelled = client.post(
        f"/api/v1/demands/{demand.pk}/cancel",
        {"why": "Not needed."},
        "application/json",
        headers={"Idempotency-Key": "cancel-1"},
    )
    assert (cancelled.status_code, cancelled.json()["state"]) == (200, "cancelled")
