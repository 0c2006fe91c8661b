"""The last kits on the shelf, and the same event many times at once, through real connections."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pytest

from fleet.faults import Conflict
from fleet.models import Pump, StatusChange
from fleet.vocabulary import COMPONENTS, PumpFamily
from parts.models import Demand, Movement
from parts.services import catalogue, demands, ledger, pulling, stock
from tests import factories
from tests.parts.build import (
    GEARS,
    REPLACE,
    REUSE,
    SEALS,
    fit,
    level,
    make_correction,
    make_part,
    make_signed,
    make_yard,
    put_on_shelf,
    raise_demand,
)
from tests.races.crowd import all_at_once

pytestmark = pytest.mark.django_db(transaction=True)

PEOPLE = 30
KITS = 4


def test_the_last_kits_are_reserved_exactly_as_often_as_there_are_kits() -> None:
    yard = make_yard()
    part = make_part(yard)
    model = factories.make_model()
    factories.make_issued_sheet(model)
    put_on_shelf(yard, part, KITS)
    pumps = [factories.make_pump(yard.site, model) for _ in range(PEOPLE)]
    fit(yard, pumps[0], SEALS, part)
    events = [make_signed(yard, pump) for pump in pumps]
    results = all_at_once([partial(demands.raise_for_signed, event=e) for e in events])
    assert not [r for r in results if isinstance(r, Exception)]
    states = list(Demand.objects.values_list("state", flat=True))
    assert (len(states), states.count("reserved"), states.count("short")) == (
        PEOPLE,
        KITS,
        PEOPLE - KITS,
    )
    assert level(yard, part) == (KITS, KITS)
    assert ledger.check_ledger() == []


def test_thirty_pulls_of_the_last_kits_hand_out_exactly_what_there_is() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, KITS)
    rows = [raise_demand(yard, part) for _ in range(KITS + 2)]
    acts = [
        partial(
            pulling.pull,
            actor=yard.clerk,
            demand=rows[n % len(rows)],
            scanned_number=part.number,
            quantity=1,
        )
        for n in range(PEOPLE)
    ]
    results = all_at_once(acts)
    refused = [r for r in results if isinstance(r, Exception)]
    assert len(results) - len(refused) == KITS
    assert all(isinstance(r, Conflict) for r in refused), refused
    sentences = {str(r).split(".")[0] for r in refused}
    assert any("issued this on" in s for s in sentences)
    assert "Nothing is reserved for this demand" in sentences
    assert Movement.objects.filter(kind="issue").count() == KITS
    assert level(yard, part) == (0, 0)
    assert ledger.check_ledger() == []


def test_pulls_of_all_parts_of_a_pump_at_once_make_it_ready_once() -> None:
    yard = make_yard()
    model = factories.make_model()
    factories.make_issued_sheet(model)
    pumps = [factories.make_pump(yard.site, model) for _ in range(3)]
    components = [c.value for c in COMPONENTS[PumpFamily(model.family)]]
    for component in components:
        part = make_part(yard)
        fit(yard, pumps[0], component, part)
        put_on_shelf(yard, part, len(pumps))
    acts = []
    for pump in pumps:
        for row in demands.raise_for_signed(event=make_signed(yard, pump, components)):
            assert row.part is not None
            acts.append(
                partial(
                    pulling.pull,
                    actor=yard.clerk,
                    demand=row,
                    scanned_number=row.part.number,
                    quantity=1,
                )
            )
    assert len(acts) == 27
    assert not [r for r in all_at_once(acts) if isinstance(r, Exception)]
    for pump in pumps:
        assert Pump.objects.get(pk=pump.pk).status == "ready_to_rebuild"
        assert StatusChange.objects.filter(pump=pump, new="ready_to_rebuild").count() == 1


def test_a_match_and_a_correction_that_drops_it_leave_nothing_reserved() -> None:
    yard = make_yard()
    part = make_part(yard)
    model = factories.make_model()
    factories.make_issued_sheet(model)
    acts: list[Callable[[], object]] = []
    for _ in range(8):
        event = make_signed(yard, factories.make_pump(yard.site, model))
        (row,) = demands.raise_for_signed(event=event)
        correction = make_correction(yard, event, {SEALS: REUSE})
        acts.append(partial(demands.retry_unmatched, actor=yard.clerk, demand=row))
        acts.append(partial(demands.raise_for_signed, event=correction))
    put_on_shelf(yard, part, 8)
    catalogue.set_fit(actor=yard.clerk, model=model, component=SEALS, part=part)
    refused = [r for r in all_at_once(acts) if isinstance(r, Exception)]
    assert {type(r) for r in refused} <= {Conflict}
    assert list(Demand.objects.values_list("state", flat=True)) == ["cancelled"] * 8
    assert level(yard, part) == (8, 0)
    assert ledger.check_ledger() == []


def test_one_event_in_eight_threads_raises_one_demand_per_replace() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    part = make_part(yard)
    fit(yard, pump, SEALS, part)
    put_on_shelf(yard, part, 5)
    event = make_signed(yard, pump, [SEALS, GEARS])
    results = all_at_once([partial(demands.raise_for_signed, event=event)] * 8)
    assert not [r for r in results if isinstance(r, Exception)]
    assert sorted(len(r) for r in results if isinstance(r, list)) == [0] * 7 + [2]
    assert Demand.objects.count() == 2
    assert level(yard, part) == (5, 1)
    assert StatusChange.objects.filter(pump=pump, new="awaiting_parts").count() == 1


def test_a_receipt_beside_new_demands_leaves_nobody_waiting_for_what_is_there() -> None:
    yard = make_yard()
    part = make_part(yard)
    model = factories.make_model()
    factories.make_issued_sheet(model)
    pumps = [factories.make_pump(yard.site, model) for _ in range(6)]
    fit(yard, pumps[0], SEALS, part)
    events = [make_signed(yard, pump) for pump in pumps]
    receipts = [
        partial(stock.receive, actor=yard.clerk, store=yard.store, part=part, quantity=1)
        for _ in range(6)
    ]
    acts = [
        act
        for pair in zip(
            receipts, [partial(demands.raise_for_signed, event=e) for e in events], strict=True
        )
        for act in pair
    ]
    assert not [r for r in all_at_once(acts) if isinstance(r, Exception)]
    assert list(Demand.objects.values_list("state", flat=True)) == ["reserved"] * 6
    assert level(yard, part) == (6, 6)
    assert ledger.check_ledger() == []


def test_thirty_scrappings_never_take_a_reserved_kit() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, KITS + 2)
    for _ in range(2):
        raise_demand(yard, part)
    scrap = partial(
        stock.scrap, actor=yard.clerk, store=yard.store, part=part, quantity=1, reason="Rusty"
    )
    results = all_at_once([scrap] * PEOPLE)
    refused = [r for r in results if isinstance(r, Exception)]
    assert len(results) - len(refused) == KITS
    assert {type(r) for r in refused} == {Conflict}
    assert level(yard, part) == (2, 2)
    assert ledger.check_ledger() == []


def test_a_correction_and_its_original_handled_at_once_ask_for_nothing_twice() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    part = make_part(yard)
    fit(yard, pump, SEALS, part)
    put_on_shelf(yard, part, 5)
    first = make_signed(yard, pump, [SEALS])
    correction = make_correction(yard, first, {SEALS: REPLACE, GEARS: REUSE})
    acts = [partial(demands.raise_for_signed, event=e) for e in (first, correction)] * 4
    assert not [r for r in all_at_once(acts) if isinstance(r, Exception)]
    demand = Demand.objects.get()
    assert (demand.inspection_id, demand.state) == (correction.inspection_id, "reserved")
    assert level(yard, part) == (5, 1)
