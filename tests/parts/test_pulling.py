"""Batches at the counter, short pulls, pulls undone, returns, and the technician's word."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.utils import timezone

from fleet.faults import Conflict, Fault, NotAllowed
from fleet.models import Pump
from parts.models import Batch, BatchLevel, Demand, Movement, Need, Part, StockLevel
from parts.pulling_selectors import batches_issued, benches, lines_of, lists_by_need
from parts.rules.lifecycle import TransferState
from parts.services import demands, ledger, pulling, standins, stock, transfers
from tests import factories
from tests.parts.build import (
    BUSHES,
    GEARS,
    REPLACE,
    REUSE,
    SEALS,
    Yard,
    fit,
    level,
    make_correction,
    make_open,
    make_part,
    make_signed,
    make_yard,
    put_on_shelf,
    raise_demand,
)

pytestmark = pytest.mark.django_db

TODAY = timezone.now().date()
SOON, LATER = TODAY + timedelta(days=30), TODAY + timedelta(days=400)


def make_ageing(yard: Yard) -> Part:
    return make_part(yard, shelf_life_months=120)


def put_batch(
    yard: Yard,
    part: Part,
    quantity: int,
    code: str,
    expires_on: date,
    unit_cost: Decimal | None = None,
) -> Batch:
    stock.receive(
        actor=yard.clerk,
        store=yard.store,
        part=part,
        quantity=quantity,
        bin="A3",
        batch_code=code,
        expires_on=expires_on,
        unit_cost=unit_cost,
    )
    return Batch.objects.get(part=part, code=code)


def expire(batch: Batch) -> None:
    Batch.objects.filter(pk=batch.pk).update(expires_on=TODAY - timedelta(days=1))


def pull(yard: Yard, demand: Demand, scanned: str, **more: object) -> Demand:
    quantity = more.pop("quantity", demand.quantity)
    return pulling.pull(
        actor=yard.clerk,
        demand=demand,
        scanned_number=scanned,
        quantity=quantity,  # type: ignore[arg-type]
        **more,  # type: ignore[arg-type]
    )


def status_of(demand: Demand) -> str:
    return Pump.objects.get(inspections=demand.inspection_id).status


def lying(yard: Yard, part: Part) -> dict[str, int]:
    rows = BatchLevel.objects.filter(store=yard.store, batch__part=part)
    return dict(rows.values_list("batch__code", "on_hand"))


# --- Numbers ------------------------------------------------------------------------------------


def test_own_and_suppliers_numbers_are_the_part_as_well() -> None:
    yard = make_yard()
    part = make_part(yard, own_number="W 77/3")
    put_on_shelf(yard, part, 1)
    # An own number may hold a slash: it is no batch.
    assert pull(yard, raise_demand(yard, part), "w 77/3").state == "issued"


def test_an_old_number_leads_to_what_took_its_place() -> None:
    yard = make_yard()
    old, new = make_part(yard), make_part(yard)
    standins.supersede(actor=yard.clerk, part=old, by=new, version=None)
    put_on_shelf(yard, new, 1)
    assert pull(yard, raise_demand(yard, new), old.number).state == "issued"
    assert level(yard, new) == (0, 0)


def test_an_old_piece_that_is_still_on_the_books_is_not_taken_for_the_new_one() -> None:
    yard = make_yard()
    old, new = make_part(yard), make_part(yard)
    put_on_shelf(yard, old, 1)
    put_on_shelf(yard, new, 1)
    demand = raise_demand(yard, new)
    standins.supersede(actor=yard.clerk, part=old, by=new, version=None)
    with pytest.raises(Fault) as refused:
        pull(yard, demand, old.number)
    assert refused.value.code == "wrong_part"
    assert level(yard, old) == (1, 0)


# --- Batches ------------------------------------------------------------------------------------


def test_a_part_that_ages_is_pulled_by_batch() -> None:
    yard = make_yard()
    part = make_ageing(yard)
    put_batch(yard, part, 2, "L-2", LATER)
    put_batch(yard, part, 1, "L-1", SOON)
    demand = raise_demand(yard, part)
    with pytest.raises(Fault) as asked:
        pull(yard, demand, part.number)
    assert asked.value.code == "batch_needed"
    assert f"Take 1 of batch L-1 (expires {SOON.day} {SOON:%b %Y}) first." in asked.value.detail
    pull(yard, demand, f"{part.number.lower()}/l-1")
    assert lying(yard, part) == {"L-1": 0, "L-2": 2}
    assert batches_issued([demand]) == {demand.pk: "1 of L-1"}
    assert ledger.check_ledger() == []


def test_a_batch_out_of_turn_is_asked_about_once() -> None:
    yard = make_yard()
    part = make_ageing(yard)
    put_batch(yard, part, 1, "L-1", SOON)
    put_batch(yard, part, 1, "L-2", LATER)
    demand = raise_demand(yard, part)
    with pytest.raises(Conflict) as asked:
        pull(yard, demand, part.number, batch_code="l-2")
    assert asked.value.code == "confirm_batch"
    assert "expires sooner" in asked.value.detail
    assert level(yard, part) == (2, 1)
    pull(yard, demand, part.number, batch_code="L-2", confirmed=True)
    assert lying(yard, part) == {"L-1": 1, "L-2": 0}


def test_an_expired_batch_is_refused_and_confirming_does_not_help() -> None:
    yard = make_yard()
    part = make_ageing(yard)
    gone = put_batch(yard, part, 1, "L-1", SOON)
    put_batch(yard, part, 1, "L-2", LATER)
    demand = raise_demand(yard, part)
    expire(gone)
    for confirmed in (False, True):
        with pytest.raises(Conflict) as refused:
            pull(yard, demand, f"{part.number}/L-1", confirmed=confirmed)
        assert refused.value.code == "expired"
        assert "scrap it on the page of the stock. Take 1 of batch L-2" in refused.value.detail
    pull(yard, demand, f"{part.number}/L-2")
    assert lying(yard, part) == {"L-1": 1, "L-2": 0}


def test_the_last_day_still_counts() -> None:
    yard = make_yard()
    part = make_ageing(yard)
    put_batch(yard, part, 1, "L-1", TODAY)
    assert pull(yard, raise_demand(yard, part), f"{part.number}/L-1").state == "issued"


def test_when_all_has_expired_the_way_out_is_named() -> None:
    yard = make_yard()
    part = make_ageing(yard)
    gone = put_batch(yard, part, 1, "L-1", SOON)
    demand = raise_demand(yard, part)
    expire(gone)
    with pytest.raises(Conflict) as refused:
        pull(yard, demand, f"{part.number}/L-1")
    assert "Record a short pull, and scrap what has expired" in refused.value.detail


def test_a_count_over_two_batches_takes_those_that_expire_first() -> None:
    yard = make_yard()
    part = make_ageing(yard)
    put_batch(yard, part, 3, "L-1", SOON)
    put_batch(yard, part, 4, "L-2", LATER)
    demand = raise_demand(yard, part, 4)
    with pytest.raises(Conflict) as asked:
        pull(yard, demand, part.number, batch_code="L-1")
    assert asked.value.code == "confirm_batch"
    assert "3 of batch L-1" in asked.value.detail
    assert "1 of batch L-2" in asked.value.detail
    pull(yard, demand, part.number, batch_code="L-1", confirmed=True)
    assert lying(yard, part) == {"L-1": 0, "L-2": 3}
    assert batches_issued([demand]) == {demand.pk: "3 of L-1, 1 of L-2"}
    assert ledger.check_ledger() == []


def test_a_batch_that_does_not_lie_there_is_refused_with_those_that_do() -> None:
    yard = make_yard()
    part = make_ageing(yard)
    put_batch(yard, part, 1, "L-1", SOON)
    demand = raise_demand(yard, part)
    with pytest.raises(Fault) as refused:
        pull(yard, demand, part.number, batch_code="X-9")
    assert refused.value.code == "unknown_batch"
    assert "1 of batch L-1" in refused.value.detail


# --- Short pulls --------------------------------------------------------------------------------


def short(yard: Yard, demand: Demand, found: int, **more: object) -> Demand:
    return pulling.short_pull(
        actor=yard.clerk,
        demand=demand,
        found=found,
        reason="Box was half empty",
        **more,  # type: ignore[arg-type]
    )


def test_what_was_found_is_issued_and_the_rest_waits_as_a_demand_of_its_own() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 6)
    demand = raise_demand(yard, part, 4)
    later = raise_demand(yard, part, 2)
    assert later.state == "reserved"
    pulled = short(yard, demand, 3)
    assert (pulled.state, pulled.quantity) == ("issued", 3)
    rest = Demand.objects.get(rest_of=demand)
    assert (rest.state, rest.quantity, rest.part, rest.disposition_id, rest.raised_at) == (
        "short",
        1,
        part,
        demand.disposition_id,
        demand.raised_at,
    )
    assert rest.why == "Short pull: Box was half empty. 3 of 4 lay there."
    later.refresh_from_db()
    assert later.state == "short"
    assert "Short pull: Box was half empty" in later.why
    assert level(yard, part) == (0, 0)
    correction = Movement.objects.get(kind="correction")
    assert (correction.on_hand_change, correction.reason) == (-3, "Short pull: Box was half empty")
    assert status_of(demand) == "awaiting_parts"
    assert ledger.check_ledger() == []


def test_with_none_found_the_demand_itself_waits_again() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 2)
    demand = raise_demand(yard, part, 2)
    row = short(yard, demand, 0)
    assert (row.state, row.quantity) == ("short", 2)
    assert not Demand.objects.filter(rest_of=demand).exists()
    assert not Movement.objects.filter(kind="issue").exists()
    assert level(yard, part) == (0, 0)
    assert ledger.check_ledger() == []
    put_on_shelf(yard, part, 2)
    row.refresh_from_db()
    assert pull(yard, row, part.number).state == "issued"


def test_what_has_expired_stays_on_the_shelf() -> None:
    yard = make_yard()
    part = make_ageing(yard)
    gone = put_batch(yard, part, 2, "L-1", SOON)
    put_batch(yard, part, 3, "L-2", LATER)
    demand = raise_demand(yard, part, 2)
    expire(gone)
    short(yard, demand, 1)
    assert lying(yard, part) == {"L-1": 2, "L-2": 0}
    assert level(yard, part) == (2, 0)
    assert ledger.check_ledger() == []


def test_of_several_batches_the_one_that_was_found_is_named() -> None:
    yard = make_yard()
    part = make_ageing(yard)
    put_batch(yard, part, 2, "L-1", SOON)
    put_batch(yard, part, 2, "L-2", LATER)
    demand = raise_demand(yard, part, 3)
    with pytest.raises(Fault) as asked:
        short(yard, demand, 1)
    assert asked.value.code == "batch_needed"
    short(yard, demand, 1, batch_code="L-2")
    assert batches_issued([demand]) == {demand.pk: "1 of L-2"}
    assert lying(yard, part) == {"L-1": 0, "L-2": 0}
    assert ledger.check_ledger() == []


@pytest.mark.parametrize("found", [-1, 2, 5])
def test_a_short_pull_is_short(found: int) -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 2)
    demand = raise_demand(yard, part, 2)
    with pytest.raises(Fault) as refused:
        short(yard, demand, found)
    assert refused.value.field == "found"
    assert level(yard, part) == (2, 2)


def test_planned_transfers_from_that_shelf_are_called_off_and_their_demands_wait_again() -> None:
    yard, other = make_yard(), make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 5)
    demand = raise_demand(yard, part, 2)
    waiting = raise_demand(other, part)
    levels = ledger.lock_all_levels([(yard.store.pk, part.pk), (other.store.pk, part.pk)])
    transfer = transfers.plan_transfer(
        levels[yard.store.pk, part.pk],
        levels[other.store.pk, part.pk],
        1,
        waiting,
        "Nearest.",
        None,
        timezone.now(),
    )
    Demand.objects.filter(pk=waiting.pk).update(state="coming", transfer=transfer)
    assert level(yard, part) == (5, 3)
    short(yard, demand, 1)
    transfer.refresh_from_db()
    waiting.refresh_from_db()
    assert transfer.state == TransferState.CANCELLED.value
    assert (waiting.state, waiting.transfer_id) == ("short", None)
    assert level(yard, part) == (0, 0)
    assert ledger.check_ledger() == []


def test_a_correction_keeps_what_was_pulled_short_together() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    part = make_part(yard)
    put_on_shelf(yard, part, 2)
    fit(yard, pump, SEALS, part, 2)
    event = make_signed(yard, pump)
    (demand,) = demands.raise_for_signed(event=event)
    short(yard, demand, 1)
    correction = make_correction(yard, event, {SEALS: REPLACE})
    assert demands.raise_for_signed(event=correction) == []
    carried = Demand.objects.filter(inspection_id=correction.inspection_id).order_by("pk")
    assert [(d.state, d.quantity) for d in carried] == [("issued", 1), ("short", 1)]


# --- Undone -------------------------------------------------------------------------------------


def undo(yard: Yard, demand: Demand) -> Demand:
    return pulling.undo_pull(actor=yard.clerk, demand=demand, why="Wrong bag")


def test_a_pull_undone_lies_there_again_as_if_it_had_never_left() -> None:
    yard = make_yard()
    part = make_ageing(yard)
    # Odd prices, so that a rounded price a piece would show.
    put_batch(yard, part, 3, "L-1", SOON, Decimal("10.0001"))
    put_batch(yard, part, 4, "L-2", LATER, Decimal("7.3333"))
    demand = raise_demand(yard, part, 4)
    before = StockLevel.objects.values().get(part=part)
    pull(yard, demand, part.number, batch_code="L-1", confirmed=True)
    assert status_of(demand) == "ready_to_rebuild"
    again = undo(yard, demand)
    assert (again.state, again.issue_no, again.issued_at, again.issued_by) == (
        "reserved",
        2,
        None,
        None,
    )
    assert again.why == "Pull undone: Wrong bag"
    assert status_of(demand) == "awaiting_parts"
    assert StockLevel.objects.values().get(part=part) == before
    assert lying(yard, part) == {"L-1": 3, "L-2": 4}
    assert pull(yard, again, f"{part.number}/L-2", confirmed=True).state == "issued"
    assert batches_issued([again]) == {again.pk: "4 of L-2"}
    assert status_of(demand) == "ready_to_rebuild"
    kinds = Movement.objects.filter(demand=demand).order_by("pk").values_list("kind", "issue_no")
    assert list(kinds) == [
        ("reservation", 1),
        ("issue", 1),
        ("issue", 1),
        ("return", 1),
        ("return", 1),
        ("reservation", 2),
        ("issue", 2),
    ]
    assert ledger.check_ledger() == []


def test_what_the_technician_has_is_not_undone_but_returned() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    demand = raise_demand(yard, part)
    pull(yard, demand, part.number)
    pulling.confirm_issue(actor=yard.technician, demands=[demand])
    with pytest.raises(Conflict) as refused:
        undo(yard, demand)
    assert refused.value.code == "confirmed"
    assert level(yard, part) == (0, 0)


def test_nothing_is_undone_under_a_pump_that_has_gone_on() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    demand = raise_demand(yard, part)
    pull(yard, demand, part.number)
    Pump.objects.filter(inspections=demand.inspection_id).update(status="in_service")
    with pytest.raises(Conflict) as refused:
        undo(yard, demand)
    assert refused.value.code == "pump_gone_on"


def test_nothing_is_undone_while_the_pump_is_under_inspection_again() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    demand = raise_demand(yard, part, pump=pump)
    pull(yard, demand, part.number)
    make_open(yard, pump)
    with pytest.raises(Conflict) as refused:
        undo(yard, demand)
    assert refused.value.code == "under_inspection"


def test_only_a_pull_can_be_undone() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    with pytest.raises(Conflict) as refused:
        undo(yard, raise_demand(yard, part))
    assert refused.value.code == "not_issued"


# --- Returned -----------------------------------------------------------------------------------


def flagged(yard: Yard, part: Part) -> Demand:
    """Issued, and then dropped by a correction."""
    pump = factories.make_pump(yard.site)
    fit(yard, pump, SEALS, part)
    event = make_signed(yard, pump)
    (demand,) = demands.raise_for_signed(event=event)
    pull(yard, demand, part.number)
    demands.raise_for_signed(event=make_correction(yard, event, {SEALS: REUSE}))
    demand.refresh_from_db()
    assert demand.why == pulling.RETURN_IT
    return demand


def test_what_comes_back_serves_who_waits() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    demand = flagged(yard, part)
    waiting = raise_demand(yard, part)
    row = pulling.return_issued(
        actor=yard.clerk, demand=demand, why="Not opened", fit_for_stock=True
    )
    assert (row.state, row.why) == ("returned", "1 returned, back on the shelf: Not opened")
    waiting.refresh_from_db()
    assert waiting.state == "reserved"
    assert level(yard, part) == (1, 1)
    assert ledger.check_ledger() == []


def test_what_comes_back_torn_is_scrapped_at_once() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    demand = flagged(yard, part)
    pulling.return_issued(actor=yard.clerk, demand=demand, why="Torn", fit_for_stock=False)
    assert level(yard, part) == (0, 0)
    kinds = Movement.objects.filter(demand=demand).order_by("pk").values_list("kind", flat=True)
    assert list(kinds) == ["reservation", "issue", "return", "scrap"]
    assert ledger.check_ledger() == []


def test_a_batch_that_expired_on_the_bench_does_not_go_back_onto_the_shelf() -> None:
    yard = make_yard()
    part = make_ageing(yard)
    batch = put_batch(yard, part, 1, "L-1", SOON)
    demand = raise_demand(yard, part)
    pull(yard, demand, f"{part.number}/L-1")
    expire(batch)
    with pytest.raises(Conflict) as refused:
        pulling.return_issued(actor=yard.clerk, demand=demand, why="Not needed", fit_for_stock=True)
    assert refused.value.code == "expired"
    assert level(yard, part) == (0, 0)
    pulling.return_issued(actor=yard.clerk, demand=demand, why="Too old", fit_for_stock=False)
    assert lying(yard, part) == {"L-1": 0}


def test_it_comes_back_once() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    demand = raise_demand(yard, part)
    pull(yard, demand, part.number)
    pulling.return_issued(actor=yard.clerk, demand=demand, why="Not needed", fit_for_stock=True)
    with pytest.raises(Conflict):
        pulling.return_issued(actor=yard.clerk, demand=demand, why="Not needed", fit_for_stock=True)
    assert level(yard, part) == (1, 0)


# --- The technician's word ----------------------------------------------------------------------


def test_the_technician_confirms_what_is_in_hand_once() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    demand = raise_demand(yard, part)
    with pytest.raises(Conflict) as refused:
        pulling.confirm_issue(actor=yard.technician, demands=[demand])
    assert refused.value.code == "not_issued"
    pull(yard, demand, part.number)
    (row,) = pulling.confirm_issue(actor=yard.technician, demands=[demand])
    assert row.confirmed_by == yard.technician
    assert row.why == f"{yard.technician} has it at the bench. 1 issued from {yard.store}."
    (same,) = pulling.confirm_issue(actor=yard.supervisor, demands=[demand])
    assert (same.confirmed_by, same.version) == (yard.technician, row.version)


def test_who_may_what() -> None:
    yard, other = make_yard(), make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 2)
    demand = raise_demand(yard, part, 2)
    for actor in (yard.technician, other.clerk):
        with pytest.raises(NotAllowed):
            pulling.short_pull(actor=actor, demand=demand, found=0, reason="Empty")
    pull(yard, demand, part.number)
    for actor in (yard.technician, other.clerk):
        with pytest.raises(NotAllowed):
            pulling.undo_pull(actor=actor, demand=demand, why="Wrong bag")
        with pytest.raises(NotAllowed):
            pulling.return_issued(actor=actor, demand=demand, why="No", fit_for_stock=True)
    for actor in (yard.clerk, other.technician):
        with pytest.raises(NotAllowed):
            pulling.confirm_issue(actor=actor, demands=[demand])
    demand.refresh_from_db()
    assert (demand.state, demand.confirmed_at) == ("issued", None)


# --- Lists --------------------------------------------------------------------------------------


def want(demand: Demand, needed_on: date | None, bench: str = "") -> None:
    Need.objects.create(
        inspection=demand.inspection, needed_on=needed_on, bench=bench, set_at=timezone.now()
    )


def test_lists_come_by_the_day_they_are_wanted_then_by_how_long_they_wait() -> None:
    yard = make_yard()
    part = make_part(yard)
    undated, late, soon, also = (raise_demand(yard, part) for _ in range(4))
    want(late, TODAY + timedelta(days=9), "Bench 2")
    want(soon, TODAY, "Bench 1")
    order = [row.pk for row in lists_by_need(yard.clerk)]
    assert order == [d.inspection_id for d in (soon, late, undated, also)]
    assert benches(yard.clerk) == ["Bench 1", "Bench 2"]
    assert [row.pk for row in lists_by_need(yard.clerk, bench="Bench 2")] == [late.inspection_id]


def test_one_walk_over_several_inspections_runs_along_the_bins_in_natural_order() -> None:
    yard = make_yard()
    pumps = [factories.make_pump(yard.site) for _ in range(2)]
    inspections = []
    for pump, bins in zip(pumps, (("A-10", "B-1", ""), ("A-2", "A-10", "a-1")), strict=True):
        for component, bin in zip((SEALS, GEARS, BUSHES), bins, strict=True):
            part = make_part(yard)
            fit(yard, pump, component, part)
            put_on_shelf(yard, part, 1, bin=bin)
        demands.raise_for_signed(event=make_signed(yard, pump, [SEALS, GEARS, BUSHES]))
        inspections.append(pump.inspections.get())
    lines = lines_of(inspections)
    assert [line.bin for line in lines] == ["A-1", "A-2", "A-10", "A-10", "B-1", ""]  # type: ignore[attr-defined]
