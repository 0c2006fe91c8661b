"""The value of stock at moving average, the cost of repairs, hours and exchange rates."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from itertools import count
from typing import Any

import pytest
from django.utils import timezone

from fleet.faults import Conflict, Fault, NotAllowed
from fleet.roles import Role
from inspections.models import Inspection
from parts import money_exports
from parts import money_selectors as reads
from parts.models import Batch, ExchangeRate, Labour, Movement, Part, StockLevel, Store
from parts.rules.counting import CountClass
from parts.rules.lifecycle import MovementKind
from parts.services import ledger, money, pulling, stock
from tests import factories
from tests.parts.build import Yard, make_part, make_signed, make_yard, raise_demand

pytestmark = pytest.mark.django_db

D = Decimal
TODAY = timezone.now().date()


def shelve(yard: Yard, part: Part, quantity: int, cost: str, **more: Any) -> Movement:
    return stock.receive(
        actor=yard.clerk, store=yard.store, part=part, quantity=quantity, unit_cost=D(cost), **more
    )


def shelf(yard: Yard, part: Part) -> tuple[int, Decimal]:
    row = StockLevel.objects.get(store=yard.store, part=part)
    return row.on_hand, row.value


def issued(yard: Yard, part: Part, quantity: int = 1) -> Inspection:
    """A repair for which so many of a part were pulled."""
    demand = raise_demand(yard, part, quantity)
    pulling.pull(
        actor=yard.clerk, demand=demand, scanned_number=part.number, quantity=demand.quantity
    )
    return demand.inspection


# --- Moving average -----------------------------------------------------------------------------


def test_the_worked_example_of_a_textbook() -> None:
    # OpenStax, Principles of Accounting, vol. 1, 10.3, perpetual inventory, weighted average:
    # 150 at 21; 120 sold; 225 bought at 27; 180 sold; 210 bought at 33. The book comes to an
    # ending inventory of 8,902 and a cost of goods sold of 7,253. (From memory.)
    yard = make_yard()
    part = make_part(yard)
    moments: Iterator[datetime] = (
        datetime(2026, 7, 1, tzinfo=UTC) + timedelta(days=n) for n in count()
    )

    def sell(quantity: int) -> Decimal:
        level = ledger.lock_levels(yard.store, [part.pk])[part.pk]
        move = ledger.append(
            level, MovementKind.SCRAP, quantity, by=yard.clerk, at=next(moments), reason="Sold"
        )
        sold: Decimal = -move.value_change
        return sold

    shelve(yard, part, 150, "21")
    cost = sell(120)
    assert (cost, shelf(yard, part)) == (D(2520), (30, D(630)))
    shelve(yard, part, 225, "27")
    assert shelf(yard, part) == (255, D(6705))
    level = StockLevel.objects.get(store=yard.store, part=part)
    assert ledger.average_cost(level).quantize(D("0.01")) == D("26.29")
    cost += sell(180)
    shelve(yard, part, 210, "33")
    on_hand, value = shelf(yard, part)
    assert (on_hand, value.quantize(D(1)), cost.quantize(D(1))) == (285, D(8902), D(7253))
    # What came in is what lies there and what went: nothing is lost by rounding.
    assert value + cost == 150 * 21 + 225 * 27 + 210 * 33


def test_the_average_is_calculated_as_each_shipment_is_received() -> None:
    # IAS 2.27: "...on a periodic basis, or as each additional shipment is received". (From memory.)
    yard = make_yard()
    part = make_part(yard)
    shelve(yard, part, 1, "10")
    inspection = issued(yard, part)
    shelve(yard, part, 1, "30")
    # A dearer shipment later does not change what the repair cost.
    (row,) = reads.repairs()
    assert (row.pk, row.parts_cost) == (inspection.pk, D(10))
    assert shelf(yard, part) == (1, D(30))


@pytest.mark.parametrize("costs", [("0.01", "0.02", "0.02"), ("1", "1", "0"), ("33.3333",) * 3])
def test_when_all_is_issued_no_value_is_left(costs: tuple[str, ...]) -> None:
    yard = make_yard()
    part = make_part(yard)
    for cost in costs:
        shelve(yard, part, 1, cost)
    for _ in costs:
        issued(yard, part)
    assert shelf(yard, part) == (0, D(0))
    total = sum(row.parts_cost for row in reads.repairs())
    assert total == sum(map(D, costs))
    assert ledger.check_ledger() == []


def test_a_part_that_comes_back_comes_in_at_what_it_left_with() -> None:
    yard = make_yard()
    part = make_part(yard)
    shelve(yard, part, 2, "10")
    inspection = issued(yard, part)
    shelve(yard, part, 1, "40")
    assert shelf(yard, part) == (2, D(50))
    pulling.return_issued(
        actor=yard.clerk, demand=inspection.demands.get(), why="Not needed", fit_for_stock=True
    )
    assert shelf(yard, part) == (3, D(60))
    assert reads.repairs().get(pk=inspection.pk).parts_cost == 0


def test_a_pull_that_is_undone_costs_nothing() -> None:
    yard = make_yard()
    part = make_part(yard)
    shelve(yard, part, 2, "10")
    inspection = issued(yard, part)
    pulling.undo_pull(actor=yard.clerk, demand=inspection.demands.get(), why="Wrong pump")
    assert reads.repairs().get(pk=inspection.pk).parts_cost == 0
    assert shelf(yard, part) == (2, D(20))


# --- Value of stock -----------------------------------------------------------------------------


def test_each_store_is_valued_in_its_own_currency() -> None:
    here, there = make_yard("Quarry North"), make_yard("Forest Mill")
    Store.objects.filter(pk=there.store.pk).update(currency="GBP")
    part = make_part(here)
    shelve(here, part, 3, "10")
    shelve(there, part, 1, "8")
    rows = {row.site.name: row for row in reads.store_values()}
    assert (rows["Quarry North"].value, rows["Quarry North"].parts_held) == (D(30), 1)
    amounts = [(row.currency, row.value) for row in rows.values()]
    assert reads.by_currency_of(amounts) == {"EUR": D(30), "GBP": D(8)}
    without = reads.totals(amounts, "EUR", TODAY)
    assert without is not None
    assert (without.amount, without.without) == (D(30), ("GBP",))
    manager = factories.manager_of(here.site)
    money.set_rate(actor=manager, base="GBP", quote="EUR", rate=D("1.25"), valid_from=TODAY)
    total = reads.totals(amounts, "EUR", TODAY)
    assert total is not None
    assert (total.amount, total.without) == (D(40), ())
    back = reads.totals(amounts, "GBP", TODAY)
    assert back is not None
    assert back.amount == D(32)
    assert reads.totals(amounts[:1], "EUR", TODAY) is None, "there is nothing to convert"


def test_slow_is_what_lay_there_for_a_year_without_going_out() -> None:
    yard = make_yard()
    old, used, new, gone = (make_part(yard, name=name) for name in ("Old", "Used", "New", "Gone"))
    long_ago = timezone.now() - timedelta(days=400)
    for part in (old, used, gone):
        shelve(yard, part, 2, "10", now=long_ago)
    shelve(yard, new, 2, "10")
    issued(yard, used)
    demand = raise_demand(yard, gone)
    pulling.pull(
        actor=yard.clerk,
        demand=demand,
        scanned_number=gone.number,
        quantity=1,
        now=timezone.now() - timedelta(days=366),
    )
    slow = reads.valued_levels(TODAY).filter(is_slow=True)
    assert {level.part for level in slow} == {old, gone}
    assert reads.sum_of_values(slow) == D(30)
    assert [level.last_out is None for level in slow.order_by("part__name")] == [False, True]


def test_expired_value_is_the_share_of_the_expired_batches() -> None:
    yard = make_yard()
    seal = make_part(yard, is_kit=False, shelf_life_months=60)
    for code, quantity in (("OLD", 1), ("NEW", 3)):
        shelve(yard, seal, quantity, "8", batch_code=code, expires_on=date(2030, 1, 1))
    assert reads.expired_values([yard.store], TODAY) == {}
    Batch.objects.filter(code="OLD").update(expires_on=TODAY - timedelta(days=1))
    assert reads.expired_values([yard.store], TODAY) == {yard.store.pk: D(8)}
    Batch.objects.filter(code="OLD").update(expires_on=TODAY)
    assert reads.expired_values([yard.store], TODAY) == {}, "the day of expiry still counts"


def test_the_stock_by_class() -> None:
    yard = make_yard()
    for cost in ("80", "15", "5"):
        shelve(yard, make_part(yard), 1, cost)
    found = {row.count_class: (row.parts, row.value) for row in reads.by_class(yard.store, TODAY)}
    assert found == {
        CountClass.A: (1, D(80)),
        CountClass.B: (1, D(15)),
        CountClass.C: (1, D(5)),
    }


# --- Cost of a repair ---------------------------------------------------------------------------


def rate(yard: Yard, amount: str | None) -> None:
    Store.objects.filter(pk=yard.store.pk).update(labour_rate=amount)


def repair(yard: Yard) -> Inspection:
    event = make_signed(yard, factories.make_pump(yard.site))
    return Inspection.objects.select_related("site").get(pk=event.inspection_id)


def work(yard: Yard, inspection: Inspection, hours: str, what: str = "Refitted") -> Labour:
    return money.record_labour(
        actor=yard.technician, inspection=inspection, hours=D(hours), what=what
    )


def test_a_repair_costs_its_parts_and_its_hours_at_the_rate_of_their_day() -> None:
    yard = make_yard()
    part = make_part(yard)
    shelve(yard, part, 3, "12.50")
    inspection = issued(yard, part, 2)
    rate(yard, "40")
    work(yard, inspection, "1.5")
    rate(yard, "50")
    work(yard, inspection, "1")
    row = reads.repairs().get()
    assert (row.parts_cost, row.labour_cost, row.total_cost) == (D(25), D(110), D(135))
    assert (row.hours, row.hours_without_rate, row.currency) == (D("2.5"), D(0), "EUR")
    moves, hours = list(reads.repair_movements(inspection)), list(reads.labour())
    cost = reads.cost_of(moves, hours)
    assert (cost.parts, cost.labour, cost.total) == (D(25), D(110), D(135))


def test_hours_without_a_rate_count_and_cost_nothing() -> None:
    yard = make_yard()
    inspection = repair(yard)
    assert work(yard, inspection, "2").rate is None
    row = reads.repairs().get()
    assert (row.hours, row.hours_without_rate, row.total_cost) == (D(2), D(2), D(0))


def test_hours_are_taken_back_once_by_a_row_below_nought() -> None:
    yard = make_yard()
    inspection = repair(yard)
    rate(yard, "40")
    kept, wrong = work(yard, inspection, "1"), work(yard, inspection, "3")
    rate(yard, "90")
    back = money.take_back_labour(actor=yard.technician, labour=wrong, reason="Other pump")
    assert (back.hours, back.rate) == (D(-3), D(40))
    assert reads.taken_back(Labour.objects.all()) == {wrong.pk}
    for labour in (wrong, back):
        with pytest.raises(Conflict):
            money.take_back_labour(actor=yard.technician, labour=labour, reason="Again")
    row = reads.repairs().get()
    assert (row.hours, row.labour_cost) == (D(1), D(40))
    money.take_back_labour(actor=yard.technician, labour=kept, reason="All of it")
    assert reads.repairs().get().labour_cost == 0


@pytest.mark.parametrize("hours", ["0", "-1", "1000.01", "NaN", "Infinity", "0.004"])
def test_hours_that_make_no_sense_are_refused(hours: str) -> None:
    yard = make_yard()
    with pytest.raises(Fault) as refused:
        work(yard, repair(yard), hours)
    assert refused.value.field == "hours"
    assert not Labour.objects.exists()


def test_only_who_may_record_hours_does() -> None:
    yard, other = make_yard(), make_yard()
    inspection = repair(yard)
    labour = work(yard, inspection, "1")
    for actor in (yard.clerk, other.technician):
        with pytest.raises(NotAllowed):
            money.record_labour(actor=actor, inspection=inspection, hours=D(1), what="x")
        with pytest.raises(NotAllowed):
            money.take_back_labour(actor=actor, labour=labour, reason="x")
    with pytest.raises(Fault):
        work(yard, inspection, "1", what=" ")
    assert Labour.objects.count() == 1


def test_a_period_takes_only_what_happened_within_it() -> None:
    yard = make_yard()
    part = make_part(yard)
    shelve(yard, part, 2, "10")
    inspection = issued(yard, part)
    rate(yard, "40")
    money.record_labour(
        actor=yard.technician,
        inspection=inspection,
        hours=D(1),
        what="Stripped",
        now=timezone.now() - timedelta(days=40),
    )
    recent = reads.repairs(since=TODAY - timedelta(days=30)).get()
    assert (recent.parts_cost, recent.labour_cost) == (D(10), D(0))
    earlier = reads.repairs(until=TODAY - timedelta(days=30)).get()
    assert (earlier.parts_cost, earlier.labour_cost) == (D(0), D(40))
    assert not reads.repairs(until=TODAY - timedelta(days=50)).exists()


# --- Rates --------------------------------------------------------------------------------------


def test_a_rate_is_set_once_for_a_day_either_way_round() -> None:
    yard = make_yard()
    manager = factories.manager_of(yard.site)
    money.set_rate(actor=manager, base=" gbp", quote="EUR", rate=D("1.2"), valid_from=TODAY)
    for base, quote in (("GBP", "EUR"), ("EUR", "GBP")):
        with pytest.raises(Conflict):
            money.set_rate(actor=manager, base=base, quote=quote, rate=D(1), valid_from=TODAY)
    later = TODAY + timedelta(days=1)
    money.set_rate(actor=manager, base="EUR", quote="GBP", rate=D("0.8"), valid_from=later)
    assert [str(row) for row in reads.exchange_rates()] == [
        f"1 EUR = 0.80000000 GBP from {later}",
        f"1 GBP = 1.20000000 EUR from {TODAY}",
    ]


@pytest.mark.parametrize(
    ("base", "quote", "figure", "field"),
    [
        ("EUR", "EUR", "1", "quote"),
        ("EURO", "GBP", "1", "base"),
        ("EUR", "G1P", "1", "quote"),
        ("EUR", "GBP", "0", "rate"),
        ("EUR", "GBP", "-1", "rate"),
        ("EUR", "GBP", "1E-9", "rate"),
        ("EUR", "GBP", "NaN", "rate"),
        ("EUR", "GBP", "1E9", "rate"),
    ],
)
def test_a_rate_that_makes_no_sense_is_refused(
    base: str, quote: str, figure: str, field: str
) -> None:
    manager = factories.manager_of(make_yard().site)
    with pytest.raises(Fault) as refused:
        money.set_rate(actor=manager, base=base, quote=quote, rate=D(figure), valid_from=TODAY)
    assert refused.value.field == field
    assert not ExchangeRate.objects.exists()


def test_only_who_sets_holdings_sets_a_rate() -> None:
    yard = make_yard()
    with pytest.raises(NotAllowed):
        money.set_rate(actor=yard.clerk, base="GBP", quote="EUR", rate=D(1), valid_from=TODAY)


# --- Files --------------------------------------------------------------------------------------


def lines_of(content: bytes) -> list[str]:
    return content.decode("utf-8-sig").splitlines()


def test_files_hold_what_the_person_may_take_out_and_no_more() -> None:
    mine, other = make_yard(), make_yard()
    part = make_part(mine)
    for yard in (mine, other):
        shelve(yard, part, 2, "10")
        issued(yard, part)
    auditor = factories.make_person(mine.site, Role.AUDITOR)
    values = money_exports.export_values(
        actor=auditor, stores=Store.objects.all(), file="csv", today=TODAY
    )
    head, *rows = lines_of(values.content)
    assert head == ",".join(money_exports.VALUE_COLUMNS)
    (row,) = rows
    assert row.startswith(f"{mine.site.code},")
    assert f",{part.unit},1,10.0000,10.0000,EUR,A,{TODAY},no" in row
    repairs = money_exports.export_repairs(actor=auditor, repairs=reads.repairs(), file="csv")
    head, *rows = lines_of(repairs.content)
    assert head == ",".join(money_exports.REPAIR_COLUMNS)
    assert [row.split(",")[0] for row in rows] == [mine.site.code]
    assert money_exports.export_repairs(
        actor=auditor, repairs=reads.repairs(), file="xlsx"
    ).content.startswith(b"PK")


def test_a_file_takes_the_right_and_a_known_format() -> None:
    yard = make_yard()
    with pytest.raises(NotAllowed):
        money_exports.export_repairs(actor=yard.technician, repairs=reads.repairs(), file="csv")
    with pytest.raises(NotAllowed):
        money_exports.export_values(
            actor=yard.technician, stores=Store.objects.all(), file="csv", today=TODAY
        )
    with pytest.raises(Fault) as refused:
        money_exports.export_repairs(actor=yard.clerk, repairs=reads.repairs(), file="pdf")
    assert refused.value.field == "file"
