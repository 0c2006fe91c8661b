"""Counts: the sheet, the blind figure, the reason, the second person, and the correction."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from functools import partial
from typing import Any

import pytest
from django.utils import timezone

from fleet.faults import Conflict, Fault, NotAllowed
from fleet.models import User
from fleet.roles import Role
from parts import counting_selectors as reads
from parts.models import (
    Batch,
    BatchLevel,
    Count,
    CountLine,
    Movement,
    Need,
    Part,
    StockLevel,
    Store,
)
from parts.rules.counting import CountClass, LineState
from parts.services import counts, ledger, stock, transfers
from tests import factories
from tests.parts.build import Yard, level, make_part, make_yard, raise_demand

pytestmark = pytest.mark.django_db

D = Decimal
FRESH = date(2030, 1, 31)


def shelve(
    yard: Yard, part: Part, quantity: int, cost: str = "10", bin: str = "A3", **batch: Any
) -> None:
    stock.receive(
        actor=yard.clerk,
        store=yard.store,
        part=part,
        quantity=quantity,
        bin=bin,
        unit_cost=D(cost),
        **batch,
    )


def shelved(yard: Yard, quantity: int, cost: str = "10", bin: str = "A3") -> Part:
    part = make_part(yard, is_kit=False)
    shelve(yard, part, quantity, cost, bin)
    return part


def ageing(yard: Yard) -> Part:
    return make_part(yard, is_kit=False, shelf_life_months=60)


def sheet(yard: Yard, *parts: Part) -> Count:
    return counts.raise_count(actor=yard.clerk, store=yard.store, parts=parts, why="Cycle count")


def line_of(yard: Yard, part: Part) -> CountLine:
    (line,) = sheet(yard, part).lines.all()
    return line


def second(yard: Yard) -> User:
    return factories.make_person(yard.site, Role.STORES_CLERK)


def state_of(line: CountLine) -> LineState:
    return reads.state_of(CountLine.objects.get(pk=line.pk))


def state_of_count(line: CountLine) -> str:
    return Count.objects.get(pk=line.count_id).state


# --- The sheet ----------------------------------------------------------------------------------


def test_a_sheet_has_a_line_for_each_part_in_the_order_of_the_bins() -> None:
    yard = make_yard()
    far, near, lost = shelved(yard, 1, bin="A10"), shelved(yard, 1, bin="A2"), make_part(yard)
    count = sheet(yard, far, lost, near)
    assert [line.part for line in reads.lines_of(count)] == [near, far, lost]
    assert (count.state, count.raised_by) == ("open", yard.clerk)


def test_a_part_that_ages_has_a_line_for_each_batch_and_one_for_what_has_none() -> None:
    yard = make_yard()
    seal = ageing(yard)
    shelve(yard, seal, 4, batch_code="L2", expires_on=FRESH)
    shelve(yard, seal, 3, batch_code="L1", expires_on=FRESH - timedelta(days=90))
    assert [line.batch.code for line in reads.lines_of(sheet(yard, seal)) if line.batch] == [
        "L1",
        "L2",
    ]
    other = shelved(yard, 2)
    Part.objects.filter(pk=other.pk).update(shelf_life_months=60)
    other.refresh_from_db()
    shelve(yard, other, 1, batch_code="L9", expires_on=FRESH)
    codes = [line.batch.code if line.batch else None for line in reads.lines_of(sheet(yard, other))]
    assert codes == ["L9", None]


def test_a_range_of_bins_is_counted_whole() -> None:
    yard = make_yard()
    inside = [shelved(yard, 1, bin=bin) for bin in ("A2", "A10", "B-1")]
    shelved(yard, 1, bin="C1")
    shelved(yard, 1, bin="")
    count = counts.raise_count(
        actor=yard.clerk, store=yard.store, bins=(" a2", "b"), why="Shelf moved"
    )
    assert [line.part for line in reads.lines_of(count)] == inside


def test_what_is_due_is_counted_up_to_so_many_lines_and_only_once_at_a_time() -> None:
    yard = make_yard()
    parts = [shelved(yard, 1, cost) for cost in ("900", "80", "20")]
    first = counts.raise_count(actor=yard.clerk, store=yard.store, due=2, why="Monday")
    assert {line.part for line in first.lines.all()} == {parts[0], parts[1]}
    rest = counts.raise_count(actor=yard.clerk, store=yard.store, due=2, why="Tuesday")
    assert [line.part for line in rest.lines.all()] == [parts[2]]
    with pytest.raises(Conflict) as refused:
        counts.raise_count(actor=yard.clerk, store=yard.store, due=2, why="Wednesday")
    assert refused.value.code == "nothing_due"


def test_all_batches_of_a_part_stay_on_one_sheet() -> None:
    yard = make_yard()
    dear, seal = shelved(yard, 1, "900"), ageing(yard)
    for code in ("L1", "L2"):
        shelve(yard, seal, 1, batch_code=code, expires_on=FRESH)
    count = counts.raise_count(actor=yard.clerk, store=yard.store, due=2, why="Monday")
    assert [line.part for line in count.lines.all()] == [dear]


def test_a_part_is_on_one_unfinished_sheet_at_most() -> None:
    yard = make_yard()
    part = shelved(yard, 5)
    line = line_of(yard, part)
    with pytest.raises(Conflict) as refused:
        sheet(yard, part)
    assert refused.value.code == "on_another_sheet"
    counts.enter(actor=yard.clerk, line=line, counted=5)
    sheet(yard, part)


def test_counted_today_a_part_is_due_again_after_its_interval() -> None:
    yard = make_yard()
    part = shelved(yard, 5)
    today = timezone.now().date()
    assert [(row.part, row.last) for row in reads.due_in(yard.store, today)] == [(part.pk, None)]
    counts.enter(actor=yard.clerk, line=line_of(yard, part), counted=5)
    assert reads.due_in(yard.store, today) == []
    assert reads.classes_of(yard.store, today) == {part.pk: CountClass.A}
    assert reads.due_in(yard.store, today + timedelta(days=30)) == []
    (again,) = reads.due_in(yard.store, today + timedelta(days=31))
    assert (again.part, again.days_over) == (part.pk, 1)


@pytest.mark.parametrize(
    "chosen",
    [{}, {"due": 3, "bins": ("A", "B")}, {"due": 0}, {"due": 501}, {"bins": ("", "")}],
)
def test_a_sheet_takes_one_sensible_choice(chosen: dict[str, Any]) -> None:
    yard = make_yard()
    shelved(yard, 1)
    with pytest.raises(Fault):
        counts.raise_count(actor=yard.clerk, store=yard.store, why="x", **chosen)
    with pytest.raises(Fault):
        counts.raise_count(actor=yard.clerk, store=yard.store, why=" ", due=3)
    assert not Count.objects.exists()


# --- The figure ---------------------------------------------------------------------------------


def test_a_line_as_on_record_is_settled_and_changes_nothing() -> None:
    yard = make_yard()
    part = shelved(yard, 5)
    before = Movement.objects.count()
    line = counts.enter(actor=yard.clerk, line=line_of(yard, part), counted=5)
    assert (line.expected, line.unit_value, line.counted_by) == (5, D(10), yard.clerk)
    assert (state_of(line), state_of_count(line)) == (LineState.RIGHT, "settled")
    assert Movement.objects.count() == before


def test_a_difference_wants_a_reason_and_within_the_limit_is_corrected_at_once() -> None:
    yard = make_yard()
    part = shelved(yard, 20)
    line = counts.enter(actor=yard.clerk, line=line_of(yard, part), counted=10)
    assert (state_of(line), state_of_count(line)) == (LineState.UNEXPLAINED, "counted")
    assert level(yard, part) == (20, 0)
    with pytest.raises(Fault) as refused:
        counts.explain(actor=yard.clerk, line=line, reason=" ")
    assert refused.value.field == "reason"
    line = counts.explain(actor=yard.clerk, line=line, reason="Fell behind the rack")
    assert (state_of(line), state_of_count(line)) == (LineState.CORRECTED, "settled")
    assert level(yard, part) == (10, 0)
    movement = CountLine.objects.get(pk=line.pk).movement
    assert movement is not None
    assert (movement.kind, movement.on_hand_change) == ("correction", -10)
    assert (movement.value_change, movement.reason) == (D(-100), "Fell behind the rack")
    assert ledger.check_ledger() == []


def test_more_than_the_limit_waits_for_a_second_person() -> None:
    yard = make_yard()
    part = shelved(yard, 20)
    line = counts.enter(actor=yard.clerk, line=line_of(yard, part), counted=9, reason="Gone")
    assert (state_of(line), level(yard, part)) == (LineState.WAITING, (20, 0))
    with pytest.raises(NotAllowed) as refused:
        counts.approve(actor=yard.clerk, line=line)
    assert refused.value.code == "own_count"
    other = second(yard)
    line = counts.approve(actor=other, line=line)
    assert (line.approved_by, level(yard, part)) == (other, (9, 0))
    assert state_of_count(line) == "settled"


def test_what_moved_since_the_count_stays_moved() -> None:
    yard = make_yard()
    part = shelved(yard, 30)
    line = counts.enter(actor=yard.clerk, line=line_of(yard, part), counted=18, reason="Gone")
    stock.scrap(actor=yard.clerk, store=yard.store, part=part, quantity=5, reason="Rust")
    counts.approve(actor=second(yard), line=line)
    assert level(yard, part) == (30 - 5 - 12, 0)
    assert ledger.check_ledger() == []


def test_a_difference_that_cannot_be_applied_any_more_is_refused_in_words() -> None:
    yard = make_yard()
    part = shelved(yard, 30)
    line = counts.enter(actor=yard.clerk, line=line_of(yard, part), counted=2, reason="Gone")
    stock.scrap(actor=yard.clerk, store=yard.store, part=part, quantity=5, reason="Rust")
    with pytest.raises(Conflict) as refused:
        counts.approve(actor=second(yard), line=line)
    assert refused.value.code == "moved_since"
    assert "28 fewer" in refused.value.detail
    assert "only 25 are left" in refused.value.detail
    assert (state_of(line), level(yard, part)) == (LineState.WAITING, (25, 0))


def test_a_correction_made_by_hand_since_the_count_is_not_made_twice() -> None:
    yard = make_yard()
    part = shelved(yard, 30)
    line = counts.enter(actor=yard.clerk, line=line_of(yard, part), counted=18, reason="Gone")
    stock.correct_count(
        actor=yard.clerk, store=yard.store, part=part, counted=18, reason="Counted 18"
    )
    with pytest.raises(Conflict) as refused:
        counts.approve(actor=second(yard), line=line)
    assert refused.value.code == "corrected_since"
    assert level(yard, part) == (18, 0)


def test_found_on_an_empty_shelf_comes_in_at_what_it_was_last_worth() -> None:
    yard = make_yard()
    part = shelved(yard, 4, "12.50")
    stock.scrap(actor=yard.clerk, store=yard.store, part=part, quantity=4, reason="Rust")
    line = counts.enter(actor=yard.clerk, line=line_of(yard, part), counted=2, reason="Found")
    assert (line.expected, line.unit_value) == (0, D("12.5"))
    row = StockLevel.objects.get(store=yard.store, part=part)
    assert (row.on_hand, row.value) == (2, D(25))
    assert ledger.check_ledger() == []


def test_a_batch_is_corrected_in_that_batch() -> None:
    yard = make_yard()
    seal = ageing(yard)
    for code in ("L1", "L2"):
        shelve(yard, seal, 4, batch_code=code, expires_on=FRESH)
    first, other = reads.lines_of(sheet(yard, seal))
    counts.enter(actor=yard.clerk, line=first, counted=3, reason="Torn")
    counts.enter(actor=yard.clerk, line=other, counted=6, reason="Mixed up")
    held = {row.batch.code: row.on_hand for row in BatchLevel.objects.select_related("batch")}
    assert (held, level(yard, seal)) == ({"L1": 3, "L2": 6}, (9, 0))
    assert ledger.check_ledger() == []


def test_the_first_figure_stays_so_that_nobody_finds_the_expected_one_by_trying() -> None:
    yard = make_yard()
    part = shelved(yard, 7777)
    line = counts.enter(actor=yard.clerk, line=line_of(yard, part), counted=7776)
    with pytest.raises(Conflict) as refused:
        counts.enter(actor=second(yard), line=line, counted=7777)
    assert refused.value.code == "counted_already"
    assert "7777" not in refused.value.detail


def test_sent_back_a_line_is_blind_again_and_keeps_the_record() -> None:
    yard = make_yard()
    part = shelved(yard, 7777)
    line = counts.enter(actor=yard.clerk, line=line_of(yard, part), counted=3, reason="Gone")
    with pytest.raises(NotAllowed):
        counts.send_back(actor=yard.clerk, line=line, why="Look again")
    line = counts.send_back(actor=second(yard), line=line, why="Look behind the rack")
    assert (line.counted, line.expected, line.unit_value, line.counted_by) == (None,) * 4
    assert "Look behind the rack" in line.reason
    assert "3 counted by" in line.reason
    assert "7777" not in line.reason
    assert (state_of(line), state_of_count(line)) == (LineState.TO_COUNT, "open")
    # A word is wanted whether or not it differs, or the refusal would tell.
    for figure in (7776, 7777):
        with pytest.raises(Fault) as refused:
            counts.enter(actor=yard.clerk, line=line, counted=figure)
        assert (refused.value.field, refused.value.code) == ("reason", "required")
    line = counts.enter(actor=yard.clerk, line=line, counted=7777, reason="They hung behind it")
    assert state_of(line) is LineState.RIGHT
    assert line.reason.startswith("They hung behind it Before: Sent back by")


def test_only_a_difference_that_waits_is_decided() -> None:
    yard = make_yard()
    part = shelved(yard, 20)
    line, other = line_of(yard, part), second(yard)
    for act in (
        partial(counts.approve, actor=other, line=line),
        partial(counts.send_back, actor=other, line=line, why="x"),
        partial(counts.explain, actor=other, line=line, reason="x"),
    ):
        with pytest.raises(Conflict):
            act()
    line = counts.enter(actor=yard.clerk, line=line, counted=1)
    with pytest.raises(Conflict) as refused:
        counts.approve(actor=other, line=line)
    assert refused.value.code == "unexplained"
    assert level(yard, part) == (20, 0)


# --- What was promised --------------------------------------------------------------------------


def test_fewer_than_reserved_takes_the_least_urgent_reservation_back() -> None:
    yard = make_yard()
    part = shelved(yard, 3)
    urgent, later = raise_demand(yard, part), raise_demand(yard, part, 2)
    assert level(yard, part) == (3, 3)
    # Raised later, and needed sooner.
    Need.objects.create(
        inspection=later.inspection,
        needed_on=timezone.now().date() + timedelta(days=2),
        set_at=timezone.now(),
    )
    counts.enter(actor=yard.clerk, line=line_of(yard, part), counted=2, reason="One is gone")
    urgent.refresh_from_db()
    later.refresh_from_db()
    assert (urgent.state, later.state) == ("short", "reserved")
    assert level(yard, part) == (2, 2)
    steps = [step.why for step in urgent.steps.order_by("id")]
    assert any("found fewer than there were on record" in why for why in steps)
    assert ledger.check_ledger() == []


def test_a_planned_transfer_is_called_off_before_the_own_more_urgent_demand() -> None:
    yard, other = make_yard(), make_yard()
    part = shelved(yard, 4)
    demand = raise_demand(yard, part)
    transfer = transfers.ask_transfer(
        actor=other.clerk,
        from_store=yard.store,
        to_store=other.store,
        part=part,
        quantity=3,
        why="Restock",
    )
    assert level(yard, part) == (4, 4)
    counts.enter(actor=yard.clerk, line=line_of(yard, part), counted=3, reason="One is gone")
    demand.refresh_from_db()
    transfer.refresh_from_db()
    assert (demand.state, transfer.state) == ("reserved", "cancelled")
    assert level(yard, part) == (3, 1)
    assert ledger.check_ledger() == []


def test_reserved_seals_of_a_batch_that_is_gone_are_not_covered_by_expired_ones() -> None:
    yard = make_yard()
    seal = ageing(yard)
    shelve(yard, seal, 2, batch_code="OLD", expires_on=FRESH)
    shelve(yard, seal, 2, batch_code="NEW", expires_on=FRESH)
    Batch.objects.filter(code="OLD").update(expires_on=date(2026, 1, 31))
    demand = raise_demand(yard, seal, 2)
    assert demand.state == "reserved"
    lines = {line.batch.code: line for line in reads.lines_of(sheet(yard, seal)) if line.batch}
    counts.enter(actor=yard.clerk, line=lines["NEW"], counted=0, reason="All torn")
    demand.refresh_from_db()
    assert (demand.state, level(yard, seal)) == ("short", (2, 0))


def test_a_find_serves_who_waits() -> None:
    yard = make_yard()
    part = shelved(yard, 1)
    demand = raise_demand(yard, part, 2)
    assert demand.state == "short"
    counts.enter(actor=yard.clerk, line=line_of(yard, part), counted=2, reason="Found")
    demand.refresh_from_db()
    assert demand.state == "reserved"


# --- Finds and ends -----------------------------------------------------------------------------


def test_a_batch_that_is_not_on_the_sheet_is_added_by_its_code() -> None:
    yard, other = make_yard(), make_yard()
    seal = ageing(yard)
    shelve(yard, seal, 4, batch_code="L1", expires_on=FRESH)
    stock.receive(
        actor=other.clerk,
        store=other.store,
        part=seal,
        quantity=1,
        batch_code="L7",
        expires_on=FRESH,
    )
    count = sheet(yard, seal)
    line = counts.add_line(actor=yard.clerk, count=count, part=seal, batch_code=" l7 ")
    counts.enter(actor=yard.clerk, line=line, counted=2, reason="In the wrong bin")
    assert BatchLevel.objects.get(store=yard.store, batch__code="L7").on_hand == 2
    with pytest.raises(Conflict):
        counts.add_line(actor=yard.clerk, count=count, part=seal, batch_code="L7")
    with pytest.raises(Fault):
        counts.add_line(actor=yard.clerk, count=count, part=seal, batch_code="NEVER-SEEN")
    assert ledger.check_ledger() == []


def test_a_count_is_cancelled_only_when_no_difference_waits() -> None:
    yard = make_yard()
    part, untouched = shelved(yard, 20), shelved(yard, 1)
    count = sheet(yard, part, untouched)
    line = count.lines.get(part=part)
    counts.enter(actor=yard.clerk, line=line, counted=1, reason="Gone")
    with pytest.raises(Conflict) as refused:
        counts.cancel(actor=yard.clerk, count=count, why="No time")
    assert refused.value.code == "pending"
    counts.send_back(actor=second(yard), line=line, why="Look again")
    count = counts.cancel(actor=yard.clerk, count=count, why="No time")
    assert (count.state, level(yard, part)) == ("cancelled", (20, 0))
    assert "No time" in count.why
    with pytest.raises(Conflict):
        counts.enter(actor=yard.clerk, line=line, counted=20, reason="x")


def test_accuracy_and_the_result_in_value() -> None:
    yard = make_yard()
    parts = [shelved(yard, 20) for _ in range(3)]
    count = sheet(yard, *parts)
    for part, counted in zip(parts, (20, 18, 21), strict=True):
        line = count.lines.get(part=part)
        counts.enter(actor=yard.clerk, line=line, counted=counted, reason="x")
    result = reads.result_of(reads.lines_of(count))
    assert (result.found, result.missed, result.net) == (D(10), D(20), D(-10))
    assert (result.counted, result.without_difference, result.accuracy) == (3, 1, D("33.3"))
    since = timezone.now().date() - timedelta(days=1)
    assert reads.accuracy_of(yard.store, since) == (3, D("33.3"))


def test_only_who_keeps_the_stock_counts_and_only_who_may_approves() -> None:
    yard, other = make_yard(), make_yard()
    part = shelved(yard, 20)
    count = sheet(yard, part)
    line = count.lines.get()
    for actor in (yard.technician, other.clerk):
        for act in (
            lambda who: counts.raise_count(actor=who, store=yard.store, due=5, why="x"),
            lambda who: counts.enter(actor=who, line=line, counted=3),
            lambda who: counts.explain(actor=who, line=line, reason="x"),
            lambda who: counts.approve(actor=who, line=line),
            lambda who: counts.send_back(actor=who, line=line, why="x"),
            lambda who: counts.add_line(actor=who, count=count, part=part),
            lambda who: counts.cancel(actor=who, count=count, why="x"),
        ):
            with pytest.raises(NotAllowed):
                act(actor)
    line.refresh_from_db()
    assert (line.counted, Store.objects.count()) == (None, 2)
