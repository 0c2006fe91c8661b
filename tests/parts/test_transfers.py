"""Parts on their way between stores: who may do what, what follows, and what they are worth."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import transaction
from django.utils import timezone

from fleet.faults import Conflict, Fault, NotAllowed
from fleet.plumbing.models import Event
from fleet.roles import Role
from fleet.services import people
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
from parts.rules.lifecycle import DemandState
from parts.services import ledger, stock, transfers
from parts.transfer_selectors import Show, counts_by_show, store_that_holds, transfers_shown
from tests import factories
from tests.parts.build import Yard, level, make_part, make_yard, put_on_shelf, raise_demand

pytestmark = pytest.mark.django_db


@pytest.fixture
def giver() -> Yard:
    return make_yard("Forest Mill")


@pytest.fixture
def asker() -> Yard:
    return make_yard("Quarry North")


def ask(giver: Yard, asker: Yard, part: Part, quantity: int = 2, **more: Any) -> Transfer:
    given = {"actor": asker.clerk, "why": "A pump waits", **more}
    return transfers.ask_transfer(
        from_store=giver.store, to_store=asker.store, part=part, quantity=quantity, **given
    )


def send(giver: Yard, row: Transfer, **more: Any) -> Transfer:
    given = {"actor": giver.clerk, "scanned_number": row.part.number, **more}
    return transfers.send(transfer=row, **given)


def receive(asker: Yard, row: Transfer, **more: Any) -> Transfer:
    return transfers.receive(transfer=row, **{"actor": asker.clerk, **more})


def shelf(yard: Yard, part: Part) -> StockLevel:
    return StockLevel.objects.get(store=yard.store, part=part)


def planned_for(giver: Yard, asker: Yard, demand: Demand) -> Transfer:
    """As planning does it: a promise of another store, and the demand that waits for it."""
    part_id = demand.pulled_part_id
    assert part_id is not None
    at = timezone.now()
    with transaction.atomic():
        start, end = (giver.store.pk, part_id), (asker.store.pk, part_id)
        levels = ledger.lock_all_levels([start, end])
        row = transfers.plan_transfer(
            levels[start],
            levels[end],
            demand.quantity,
            demand,
            "Nearest that can spare it.",
            at.date(),
            at,
        )
        demand.transfer, demand.expected_on = row, at.date()
        ledger.move_demand(
            demand,
            DemandState.COMING,
            "On its way.",
            by=None,
            at=at,
            fields=["transfer", "expected_on"],
        )
    return row


# --- From asking to receiving -------------------------------------------------------------------


def test_what_is_asked_for_is_reserved_at_the_giver_at_once(giver: Yard, asker: Yard) -> None:
    part = make_part(giver)
    put_on_shelf(giver, part, 5)
    row = ask(giver, asker, part)
    assert (row.state, row.raised_by) == ("planned", asker.clerk)
    assert row.why == f"{asker.clerk} asks: A pump waits"
    assert level(giver, part) == (5, 2)
    assert level(asker, part) == (0, 0)
    reservation = Movement.objects.get(transfer=row)
    assert (reservation.kind, reservation.store) == ("reservation", giver.store)
    assert Event.objects.filter(name="parts.supply_changed").exists()


def test_sent_it_is_on_its_way_and_received_it_lies_there(giver: Yard, asker: Yard) -> None:
    part = make_part(giver)
    put_on_shelf(giver, part, 5)
    row = send(giver, ask(giver, asker, part))
    assert (row.state, row.sent_by) == ("sent", giver.clerk)
    assert level(giver, part) == (3, 0)
    assert shelf(asker, part).in_transit == 2
    row = receive(asker, row, bin="c4")
    assert (row.state, row.received_by, row.received_quantity) == ("received", asker.clerk, 2)
    there = shelf(asker, part)
    assert (there.on_hand, there.in_transit, there.bin) == (2, 0, "C4")
    kinds = list(
        Movement.objects.filter(transfer=row).order_by("id").values_list("kind", flat=True)
    )
    assert kinds == ["reservation", "transfer_out", "transfer_due", "transfer_in"]
    assert ledger.check_ledger() == []


def test_more_than_is_free_is_refused_and_reserves_nothing(giver: Yard, asker: Yard) -> None:
    part = make_part(giver)
    put_on_shelf(giver, part, 3)
    raise_demand(giver, part, 2)
    with pytest.raises(Conflict) as refused:
        ask(giver, asker, part, 2)
    assert refused.value.code == "not_enough_stock"
    assert "Forest Mill has 1 of" in refused.value.detail
    assert level(giver, part) == (3, 2)
    assert not Transfer.objects.exists()


def test_what_has_expired_cannot_be_asked_for(giver: Yard, asker: Yard) -> None:
    part = make_part(giver, shelf_life_months=24)
    in_batch(giver, part, "B-1", 3)
    Batch.objects.update(cured_on=None, expires_on=date(2020, 1, 1))
    with pytest.raises(Conflict, match="has 0 of"):
        ask(giver, asker, part, 1)


def test_ones_own_store_is_not_asked(giver: Yard) -> None:
    part = make_part(giver)
    put_on_shelf(giver, part, 3)
    with pytest.raises(Fault) as refused:
        ask(giver, giver, part, 1)
    assert refused.value.code == "own_store"


@pytest.mark.parametrize("why", ["", "  ", "x" * 201])
def test_asking_needs_a_reason_that_fits(why: str, giver: Yard, asker: Yard) -> None:
    part = make_part(giver)
    put_on_shelf(giver, part, 3)
    with pytest.raises(Fault) as refused:
        ask(giver, asker, part, 1, why=why)
    assert refused.value.field == "why"


def test_a_wrong_part_in_the_hand_is_not_sent(giver: Yard, asker: Yard) -> None:
    part, other = make_part(giver), make_part(giver)
    put_on_shelf(giver, part, 3, bin="B7")
    row = ask(giver, asker, part)
    with pytest.raises(Fault) as refused:
        send(giver, row, scanned_number=other.number)
    assert refused.value.code == "wrong_part"
    assert "bin B7" in refused.value.detail
    assert other.name in refused.value.detail
    assert level(giver, part) == (3, 2)


@pytest.mark.parametrize("again", ["send", "receive", "refuse", "cancel"])
def test_what_is_received_is_settled_for_good(again: str, giver: Yard, asker: Yard) -> None:
    part = make_part(giver)
    put_on_shelf(giver, part, 3)
    row = receive(asker, send(giver, ask(giver, asker, part)))
    before = Movement.objects.count()
    with pytest.raises(Conflict) as refused:
        act(again, giver, asker, row)
    assert refused.value.code == "illegal_move"
    assert Movement.objects.count() == before


def test_what_is_not_sent_cannot_be_received_nor_what_is_sent_refused(
    giver: Yard, asker: Yard
) -> None:
    part = make_part(giver)
    put_on_shelf(giver, part, 3)
    row = ask(giver, asker, part)
    with pytest.raises(Conflict):
        receive(asker, row)
    send(giver, row)
    for what in ("send", "refuse", "cancel"):
        with pytest.raises(Conflict):
            act(what, giver, asker, row)
    assert shelf(asker, part).in_transit == 2


# --- Fewer came ---------------------------------------------------------------------------------


def test_what_did_not_come_is_written_off_with_its_reason(giver: Yard, asker: Yard) -> None:
    part = make_part(giver)
    stock.receive(actor=giver.clerk, store=giver.store, part=part, quantity=4, unit_cost=Decimal(3))
    row = send(giver, ask(giver, asker, part, 4))
    with pytest.raises(Fault) as refused:
        receive(asker, row, received={"": 3})
    assert (refused.value.field, refused.value.code) == ("reason", "required")
    row = receive(asker, row, received={"": 3}, reason="Box torn")
    assert row.received_quantity == 3
    there = shelf(asker, part)
    # Three pieces at 3.00; what the fourth was worth is gone with it.
    assert (there.on_hand, there.in_transit, there.value) == (3, 0, Decimal(9))
    loss = Movement.objects.get(kind="transfer_loss")
    assert (loss.in_transit_change, loss.reason, loss.by) == (-1, "Box torn", asker.clerk)
    assert ledger.check_ledger() == []


def test_nothing_at_all_may_come(giver: Yard, asker: Yard) -> None:
    part = make_part(giver)
    put_on_shelf(giver, part, 2)
    row = receive(asker, send(giver, ask(giver, asker, part)), received={}, reason="Lorry burnt")
    assert (row.state, row.received_quantity) == ("received", 0)
    assert level(asker, part) == (0, 0)
    assert shelf(asker, part).in_transit == 0


@pytest.mark.parametrize("received", [{"": 3}, {"": -1}, {"B-9": 1}])
def test_more_than_was_sent_or_another_batch_is_refused(
    received: dict[str, int], giver: Yard, asker: Yard
) -> None:
    part = make_part(giver)
    put_on_shelf(giver, part, 5)
    row = send(giver, ask(giver, asker, part))
    with pytest.raises(Fault) as refused:
        receive(asker, row, received=received, reason="x")
    assert refused.value.field == "received"
    assert shelf(asker, part).in_transit == 2


# --- Batches ------------------------------------------------------------------------------------


def in_batch(yard: Yard, part: Part, code: str, quantity: int, days_old: int = 10) -> Batch:
    stock.receive(
        actor=yard.clerk,
        store=yard.store,
        part=part,
        quantity=quantity,
        batch_code=code,
        cured_on=timezone.now().date() - timedelta(days=days_old),
    )
    return Batch.objects.get(part=part, code=code)


def lots_in(yard: Yard) -> dict[str, int]:
    rows = BatchLevel.objects.filter(store=yard.store, on_hand__gt=0)
    return dict(rows.values_list("batch__code", "on_hand"))


def test_batches_come_in_as_they_went_out(giver: Yard, asker: Yard) -> None:
    part = make_part(giver, shelf_life_months=48)
    in_batch(giver, part, "OLD", 2, days_old=300)
    in_batch(giver, part, "NEW", 4, days_old=20)
    row = ask(giver, asker, part, 3)
    with pytest.raises(Fault, match="Scan or enter the batch"):
        send(giver, row)
    send(giver, row, batch_code="OLD", confirmed=True)
    assert lots_in(giver) == {"NEW": 3}
    assert [(lot.code, lot.quantity) for lot in transfers.sent_lots(row)] == [
        ("OLD", 2),
        ("NEW", 1),
    ]
    # Of the old lot one is missing.
    receive(asker, row, received={"OLD": 1, "new": 1}, reason="One crushed")
    assert lots_in(asker) == {"OLD": 1, "NEW": 1}
    assert ledger.check_ledger() == []


def test_a_later_batch_goes_only_when_that_is_meant(giver: Yard, asker: Yard) -> None:
    part = make_part(giver, shelf_life_months=48)
    in_batch(giver, part, "OLD", 2, days_old=300)
    in_batch(giver, part, "NEW", 4, days_old=20)
    row = ask(giver, asker, part, 2)
    with pytest.raises(Conflict) as refused:
        send(giver, row, scanned_number=f"{part.number}/NEW")
    assert refused.value.code == "confirm_batch"
    send(giver, row, scanned_number=f"{part.number}/NEW", confirmed=True)
    assert lots_in(giver) == {"OLD": 2, "NEW": 2}


def test_what_expired_since_it_was_asked_for_is_not_sent(giver: Yard, asker: Yard) -> None:
    part = make_part(giver, shelf_life_months=48)
    in_batch(giver, part, "B-1", 3)
    row = ask(giver, asker, part)
    Batch.objects.update(cured_on=None, expires_on=date(2020, 1, 1))
    with pytest.raises(Conflict) as refused:
        send(giver, row, batch_code="B-1", confirmed=True)
    assert refused.value.code == "expired"
    assert "Refuse the transfer" in refused.value.detail


# --- Value --------------------------------------------------------------------------------------


def priced(yard: Yard, part: Part, quantity: int, cost: str) -> None:
    stock.receive(
        actor=yard.clerk, store=yard.store, part=part, quantity=quantity, unit_cost=Decimal(cost)
    )


def test_value_comes_in_as_it_went_out(giver: Yard, asker: Yard) -> None:
    part = make_part(giver)
    priced(giver, part, 2, "1.00")
    priced(giver, part, 1, "2.00")
    priced(asker, part, 1, "10.00")
    receive(asker, send(giver, ask(giver, asker, part, 2)))
    # 4.00 for three: two of them went at 2.6667, and came in at just that.
    assert shelf(giver, part).value == Decimal("1.3333")
    assert shelf(asker, part).value == Decimal("12.6667")


@pytest.mark.parametrize(
    ("rates", "worth"),
    [
        # 20 EUR at the newest rate that holds today; one of tomorrow does not yet.
        ([("EUR", "USD", "1.2", -9), ("EUR", "USD", "1.1", -1), ("EUR", "USD", "9", 1)], "22"),
        # The other way round will do.
        ([("USD", "EUR", "0.8", -1)], "25"),
        # No rate: at what those on the receiver's own shelf are worth, 7 a piece.
        ([], "14"),
    ],
)
def test_value_is_converted_by_the_newest_rate(
    rates: list[tuple[str, str, str, int]], worth: str, giver: Yard, asker: Yard
) -> None:
    Store.objects.filter(pk=asker.store.pk).update(currency="USD")
    asker.store.refresh_from_db()
    today = timezone.now().date()
    for base, quote, rate, days in rates:
        ExchangeRate.objects.create(
            base=base,
            quote=quote,
            rate=Decimal(rate),
            valid_from=today + timedelta(days=days),
            set_by=giver.clerk,
        )
    part = make_part(giver)
    priced(giver, part, 2, "10.00")
    priced(asker, part, 1, "7.00")
    receive(asker, send(giver, ask(giver, asker, part, 2)))
    assert shelf(asker, part).value == Decimal(worth) + 7
    assert ledger.check_ledger() == []


# --- Taken back ---------------------------------------------------------------------------------


def test_refused_it_is_free_again_and_serves_who_waits_at_the_giver(
    giver: Yard, asker: Yard
) -> None:
    part = make_part(giver)
    put_on_shelf(giver, part, 2)
    row = ask(giver, asker, part, 2)
    waiting = raise_demand(giver, part, 2)
    assert waiting.state == "short"
    row = transfers.refuse(actor=giver.clerk, transfer=row, why="Needed here")
    assert row.state == "refused"
    assert row.why.startswith("Refused: Forest Mill cannot spare it: Needed here.")
    waiting.refresh_from_db()
    assert waiting.state == "reserved"
    assert level(giver, part) == (2, 2)
    assert ledger.check_ledger() == []


def test_cancelled_it_stays_where_it_is(giver: Yard, asker: Yard) -> None:
    part = make_part(giver)
    put_on_shelf(giver, part, 2)
    row = transfers.cancel(actor=asker.clerk, transfer=ask(giver, asker, part), why="Found one")
    assert row.state == "cancelled"
    assert level(giver, part) == (2, 0)
    release = Movement.objects.get(kind="release")
    assert (release.transfer, release.reason, release.by) == (row, "Found one.", asker.clerk)


def test_what_planning_arranged_for_a_demand_is_not_cancelled_by_hand(
    giver: Yard, asker: Yard
) -> None:
    part = make_part(giver)
    demand = raise_demand(asker, part)
    put_on_shelf(giver, part, 2)
    row = planned_for(giver, asker, demand)
    with pytest.raises(Conflict) as refused:
        transfers.cancel(actor=asker.clerk, transfer=row, why="No")
    assert refused.value.code == "for_a_demand"


def test_the_demand_of_a_refused_transfer_waits_anew_and_says_why(giver: Yard, asker: Yard) -> None:
    part = make_part(giver)
    demand = raise_demand(asker, part)
    put_on_shelf(giver, part, 2)
    row = planned_for(giver, asker, demand)
    Event.objects.all().delete()
    transfers.refuse(actor=giver.clerk, transfer=row, why="Needed here.")
    demand.refresh_from_db()
    assert (demand.state, demand.transfer, demand.expected_on) == ("short", None, None)
    assert demand.why == "Forest Mill cannot spare it: Needed here."
    assert demand.steps.last().why == demand.why  # type: ignore[union-attr]
    # Planning looks for another source, and sees from the row that this store was asked.
    assert Event.objects.filter(name="parts.supply_changed").exists()
    assert Transfer.objects.get(demand=demand, state="refused").from_store == giver.store


def test_what_comes_for_a_demand_is_reserved_for_it(giver: Yard, asker: Yard) -> None:
    part = make_part(giver)
    demand = raise_demand(asker, part, 2)
    put_on_shelf(giver, part, 5)
    row = send(giver, planned_for(giver, asker, demand))
    receive(asker, row)
    demand.refresh_from_db()
    assert (demand.state, demand.transfer) == ("reserved", None)
    assert level(asker, part) == (2, 2)


def test_the_pump_needed_soonest_is_served_first_whomever_it_came_for(
    giver: Yard, asker: Yard
) -> None:
    part = make_part(giver)
    sooner, later = raise_demand(asker, part), raise_demand(asker, part)
    put_on_shelf(giver, part, 5)
    row = send(giver, planned_for(giver, asker, later))
    receive(asker, row)
    sooner.refresh_from_db()
    later.refresh_from_db()
    assert sooner.state == "reserved"
    assert (later.state, later.transfer) == ("short", None)


def test_call_off_takes_a_planned_promise_back_and_no_sent_one(giver: Yard, asker: Yard) -> None:
    part = make_part(giver)
    put_on_shelf(giver, part, 4)
    planned, sent = ask(giver, asker, part, 1), ask(giver, asker, part, 2)
    send(giver, sent)
    at = timezone.now()
    with transaction.atomic():
        held = ledger.lock_levels(giver.store, [part.pk])[part.pk]
        row = transfers.call_off(planned, held, "A nearer store has it.", at, None)
        assert row.state == "cancelled"
        with pytest.raises(Conflict):
            transfers.call_off(sent, held, "A nearer store has it.", at, None)
    assert level(giver, part) == (2, 0)
    assert ledger.check_ledger() == []


# --- Who may ------------------------------------------------------------------------------------


def act(what: str, giver: Yard, asker: Yard, row: Transfer, **more: Any) -> object:
    acts: dict[str, Callable[[], object]] = {
        "ask": lambda: ask(giver, asker, row.part, 1, **more),
        "send": lambda: send(giver, row, **more),
        "receive": lambda: receive(asker, row, **more),
        "refuse": lambda: transfers.refuse(
            transfer=row, why="No", **{"actor": giver.clerk, **more}
        ),
        "cancel": lambda: transfers.cancel(
            transfer=row, why="No", **{"actor": asker.clerk, **more}
        ),
    }
    return acts[what]()


@pytest.mark.parametrize("what", ["ask", "send", "receive", "refuse", "cancel"])
def test_each_end_acts_on_its_own_end_only(what: str, giver: Yard, asker: Yard) -> None:
    part = make_part(giver)
    put_on_shelf(giver, part, 5)
    row = ask(giver, asker, part)
    if what == "receive":
        send(giver, row)
    other_end = asker if what in ("send", "refuse") else giver
    own_end = giver if what in ("send", "refuse") else asker
    third = make_yard()
    for actor in (other_end.clerk, third.clerk, own_end.technician):
        with pytest.raises(NotAllowed):
            act(what, giver, asker, row, actor=actor)
    row.refresh_from_db()
    assert row.state == ("sent" if what == "receive" else "planned")


def test_both_ends_see_it_and_nobody_else(giver: Yard, asker: Yard) -> None:
    part = make_part(giver)
    put_on_shelf(giver, part, 5)
    planned, sent = ask(giver, asker, part, 1), ask(giver, asker, part, 1)
    send(giver, sent)
    third = make_yard()
    seen = {
        (who, show): list(transfers_shown(yard.clerk, show).values_list("pk", flat=True))
        for who, yard in (("giver", giver), ("asker", asker), ("third", third))
        for show in Show
    }
    assert seen["giver", Show.SEND] == [planned.pk]
    assert seen["giver", Show.AWAY] == [sent.pk]
    assert seen["giver", Show.RECEIVE] == seen["giver", Show.ASKED] == []
    assert seen["asker", Show.RECEIVE] == [sent.pk]
    assert seen["asker", Show.ASKED] == [planned.pk]
    assert seen["asker", Show.OPEN] == [sent.pk, planned.pk]
    assert not any(seen["third", show] for show in Show)
    # Who is of both sites sends and receives; nothing is asked of others then.
    both = factories.make_person(giver.site, Role.STORES_CLERK)
    give_role(both, asker)
    counts = counts_by_show(both)
    assert (counts[Show.SEND], counts[Show.RECEIVE]) == (1, 1)
    assert (counts[Show.ASKED], counts[Show.AWAY]) == (0, 0)
    assert counts_by_show(both, asker.store)[Show.ASKED] == 1


def give_role(person: Any, yard: Yard) -> None:
    people.grant_role(
        actor=factories.manager_of(yard.site),
        user=person,
        site=yard.site,
        role=Role.STORES_CLERK.value,
    )


def test_only_a_site_that_has_the_part_free_can_be_named(giver: Yard, asker: Yard) -> None:
    part = make_part(giver)
    assert store_that_holds(part, "Forest Mill") is None
    put_on_shelf(giver, part, 1)
    assert store_that_holds(part, "Forest Mill") == giver.store
    assert store_that_holds(part, "Quarry North") is None
