"""From a signed 'replace' to the part in hand, and what a correction does to it."""

from __future__ import annotations

import pytest

from fleet.faults import Conflict, Fault, Faults, NotAllowed
from fleet.models import Delivery, Pump, StatusChange
from fleet.plumbing import outbox
from inspections.events import InspectionSigned
from inspections.models import Inspection
from inspections.rules.lifecycle import Reason
from inspections.services import opening, signing
from parts.models import Demand, Fit, Movement, Store
from parts.selectors import pull_list, pull_lists
from parts.services import demands, ledger, pulling
from tests import factories
from tests.parts.build import (
    BORE,
    BUSHES,
    GEARS,
    REPLACE,
    REPLACE_SET,
    REUSE,
    SCRAP,
    SEALS,
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


def status_of(pump: Pump) -> str:
    return Pump.objects.get(pk=pump.pk).status


def states(event: object) -> dict[str, str]:
    rows = Demand.objects.filter(inspection_id=event.inspection_id)  # type: ignore[attr-defined]
    return {d.disposition.component: d.state for d in rows.select_related("disposition")}


# --- Raising ------------------------------------------------------------------------------------


def test_each_replace_becomes_one_demand_and_nothing_else_does() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    seals, gears = make_part(yard), make_part(yard)
    fit(yard, pump, SEALS, seals)
    fit(yard, pump, GEARS, gears, 2)
    put_on_shelf(yard, seals, 4)
    event = make_signed(
        yard, pump, {SEALS: REPLACE, GEARS: REPLACE_SET, BUSHES: REPLACE, BORE: REUSE}
    )
    demands.raise_for_signed(event=event)
    assert states(event) == {SEALS: "reserved", GEARS: "short", BUSHES: "unmatched"}
    assert level(yard, seals) == (4, 1)
    assert level(yard, gears) == (0, 0)
    assert Demand.objects.get(part=gears).quantity == 2
    assert status_of(pump) == "awaiting_parts"


def test_raising_again_changes_nothing() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    part = make_part(yard)
    fit(yard, pump, SEALS, part)
    put_on_shelf(yard, part, 4)
    event = make_signed(yard, pump, [SEALS, GEARS])
    demands.raise_for_signed(event=event)
    before = (list(Demand.objects.order_by("pk").values()), Movement.objects.count())
    changes = StatusChange.objects.count()
    assert demands.raise_for_signed(event=event) == []
    assert (list(Demand.objects.order_by("pk").values()), Movement.objects.count()) == before
    assert StatusChange.objects.count() == changes


def test_a_late_second_run_does_not_move_a_pump_that_has_gone_on() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    event = make_signed(yard, pump, {SEALS: REUSE})
    demands.raise_for_signed(event=event)
    assert status_of(pump) == "ready_to_rebuild"
    make_open(yard, pump)
    demands.raise_for_signed(event=event)
    assert status_of(pump) == "on_bench"


def test_a_short_demand_names_what_is_here_and_who_has_it() -> None:
    yard, forest, harbour = (make_yard(n) for n in ("Quarry North", "Forest Mill", "Harbour Yard"))
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    put_on_shelf(forest, part, 3)
    put_on_shelf(harbour, part, 7)
    demand = raise_demand(yard, part, 2)
    assert demand.state == "short"
    assert demand.why == (
        "2 needed, 1 free of 1 on hand at Quarry North. "
        "Free elsewhere: Harbour Yard 7, Forest Mill 3."
    )


def test_a_site_without_a_store_gets_one_with_its_first_demand() -> None:
    yard = make_yard()
    part = make_part(yard)
    Store.objects.all().delete()
    assert raise_demand(yard, part).state == "short"
    assert Store.objects.get(site=yard.site).name == f"{yard.site.name} store"


def test_nothing_to_replace_makes_the_pump_ready() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    demands.raise_for_signed(event=make_signed(yard, pump, {SEALS: REUSE}))
    assert status_of(pump) == "ready_to_rebuild"
    assert not Demand.objects.exists()


def test_a_pump_to_scrap_needs_no_parts() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    demands.raise_for_signed(event=make_signed(yard, pump, {SEALS: REPLACE, BORE: SCRAP}))
    assert status_of(pump) == "scrapped"
    assert not Demand.objects.exists()


def test_scrapping_the_pump_frees_what_an_earlier_inspection_had_reserved() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    demand = raise_demand(yard, part, pump=pump)
    demands.raise_for_signed(event=make_signed(yard, pump, {BORE: SCRAP}))
    demand.refresh_from_db()
    assert demand.state == "cancelled"
    assert level(yard, part) == (1, 0)


def test_a_training_inspection_asks_for_nothing() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    event = make_signed(yard, pump, {SEALS: REPLACE, BORE: SCRAP}, reason=Reason.TRAINING)
    demands.raise_for_signed(event=event)
    assert status_of(pump) == "ready_to_rebuild"
    assert not Demand.objects.exists()


def test_an_inspection_that_is_not_signed_raises_nothing() -> None:
    yard = make_yard()
    work = make_open(yard, factories.make_pump(yard.site))
    demands.raise_for_signed(
        event=InspectionSigned(inspection_id=work.pk, pump_id=work.pump_id, site_id=work.site_id)
    )
    assert not Demand.objects.exists()
    assert status_of(work.pump) == "on_bench"


def test_a_signature_reaches_parts_through_the_outbox() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    inspection = factories.complete_inspection(
        yard.technician, factories.make_inspection(yard.technician, pump), out=[factories.SIDE]
    )
    signing.sign(actor=yard.technician, inspection=inspection)
    assert not Demand.objects.exists()
    assert list(Delivery.objects.values_list("handler", flat=True)) == ["parts.raise_demands"]
    outbox.drain()
    renewed = {
        d.component for d in inspection.dispositions.all() if d.decided in (REPLACE, REPLACE_SET)
    }
    assert renewed
    raised = Demand.objects.filter(inspection=inspection)
    assert {d.disposition.component for d in raised} == renewed
    assert status_of(pump) == "awaiting_parts"


# --- Pulling ------------------------------------------------------------------------------------


def test_the_last_pull_makes_the_pump_ready() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    seals, gears = make_part(yard), make_part(yard)
    fit(yard, pump, SEALS, seals)
    fit(yard, pump, GEARS, gears, 2)
    put_on_shelf(yard, seals, 1)
    put_on_shelf(yard, gears, 2)
    first, second = demands.raise_for_signed(event=make_signed(yard, pump, [SEALS, GEARS]))
    pulled = pulling.pull(
        actor=yard.clerk, demand=first, scanned_number=f"  {seals.number.lower()} ", quantity=1
    )
    assert (pulled.state, pulled.issued_by) == ("issued", yard.clerk)
    assert status_of(pump) == "awaiting_parts"
    pulling.pull(actor=yard.clerk, demand=second, scanned_number=gears.number, quantity=2)
    assert status_of(pump) == "ready_to_rebuild"
    assert level(yard, seals) == (0, 0)
    assert level(yard, gears) == (0, 0)
    assert ledger.check_ledger() == []


def test_the_wrong_part_is_refused_by_its_name_with_the_bin_of_the_right_one() -> None:
    yard = make_yard()
    asked = make_part(yard, number="SK-100", name="Seal kit, small")
    make_part(yard, number="SK-200", name="Seal kit, large")
    put_on_shelf(yard, asked, 1, bin="A3")
    demand = raise_demand(yard, asked)
    with pytest.raises(Fault) as refused:
        pulling.pull(actor=yard.clerk, demand=demand, scanned_number="sk-200", quantity=1)
    assert refused.value.code == "wrong_part"
    assert refused.value.detail == (
        "You scanned SK-200 (Seal kit, large). This demand asks for SK-100 (Seal kit, small) "
        "from bin A3. Put that one back and scan this one."
    )
    assert level(yard, asked) == (1, 1)


def test_a_part_the_catalogue_does_not_know_is_refused_as_scanned() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    demand = raise_demand(yard, part)
    with pytest.raises(Fault) as refused:
        pulling.pull(actor=yard.clerk, demand=demand, scanned_number="zz-9", quantity=1)
    assert "You scanned 'ZZ-9', which is not in the catalogue." in refused.value.detail


def test_wrong_part_and_wrong_quantity_are_told_together() -> None:
    yard = make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 2)
    demand = raise_demand(yard, part, 2)
    with pytest.raises(Faults) as refused:
        pulling.pull(actor=yard.clerk, demand=demand, scanned_number="", quantity=1)
    assert [f.code for f in refused.value.each()] == ["wrong_part", "wrong_quantity"]
    assert "You entered 1, but the demand asks for 2." in refused.value.detail
    demand.refresh_from_db()
    assert demand.state == "reserved"


def test_what_is_not_reserved_cannot_be_pulled_and_says_why() -> None:
    yard = make_yard()
    part = make_part(yard)
    demand = raise_demand(yard, part)
    with pytest.raises(Conflict) as refused:
        pulling.pull(actor=yard.clerk, demand=demand, scanned_number=part.number, quantity=1)
    assert refused.value.detail == f"Nothing is reserved for this demand. {demand.why}"
    put_on_shelf(yard, part, 1)
    pulling.pull(actor=yard.clerk, demand=demand, scanned_number=part.number, quantity=1)
    with pytest.raises(Conflict) as refused:
        pulling.pull(actor=yard.clerk, demand=demand, scanned_number=part.number, quantity=1)
    assert refused.value.detail.startswith(f"{yard.clerk} issued this on ")
    assert Movement.objects.filter(kind="issue").count() == 1


@pytest.mark.parametrize("who", ["technician", "outsider"])
def test_only_who_pulls_parts_at_the_site_pulls_any(who: str) -> None:
    yard, other = make_yard(), make_yard()
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    demand = raise_demand(yard, part)
    actor = yard.technician if who == "technician" else other.clerk
    with pytest.raises(NotAllowed):
        pulling.pull(actor=actor, demand=demand, scanned_number=part.number, quantity=1)
    assert level(yard, part) == (1, 1)


def test_nothing_is_pulled_while_the_pump_is_under_inspection_again() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    demand = raise_demand(yard, part, pump=pump)
    work = make_open(yard, pump)
    with pytest.raises(Conflict) as refused:
        pulling.pull(actor=yard.clerk, demand=demand, scanned_number=part.number, quantity=1)
    assert refused.value.code == "under_inspection"
    opening.abandon(actor=yard.technician, inspection=work, version=None, why="Opened by mistake")
    pulling.pull(actor=yard.clerk, demand=demand, scanned_number=part.number, quantity=1)
    assert status_of(pump) == "ready_to_rebuild"


def test_a_pump_with_demands_of_two_inspections_waits_for_both() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    seals, gears = make_part(yard), make_part(yard)
    put_on_shelf(yard, seals, 1)
    put_on_shelf(yard, gears, 1)
    fit(yard, pump, GEARS, gears)
    first = raise_demand(yard, seals, pump=pump)
    (second,) = demands.raise_for_signed(event=make_signed(yard, pump, [GEARS]))
    pulling.pull(actor=yard.clerk, demand=second, scanned_number=gears.number, quantity=1)
    assert status_of(pump) == "awaiting_parts"
    pulling.pull(actor=yard.clerk, demand=first, scanned_number=seals.number, quantity=1)
    assert status_of(pump) == "ready_to_rebuild"


# --- Matching later -----------------------------------------------------------------------------


def test_a_fit_added_later_lets_the_demand_go_on() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    (demand,) = demands.raise_for_signed(event=make_signed(yard, pump))
    assert demand.state == "unmatched"
    with pytest.raises(Conflict) as refused:
        demands.retry_unmatched(actor=yard.clerk, demand=demand)
    assert refused.value.code == "no_fit"
    part = make_part(yard)
    put_on_shelf(yard, part, 3)
    fit(yard, pump, SEALS, part, 2)
    matched = demands.retry_unmatched(actor=yard.clerk, demand=demand)
    assert (matched.state, matched.part, matched.quantity) == ("reserved", part, 2)
    with pytest.raises(Conflict):
        demands.retry_unmatched(actor=yard.clerk, demand=demand)
    assert level(yard, part) == (3, 2)


def test_matching_takes_the_catalogue_role_at_the_site() -> None:
    yard, other = make_yard(), make_yard()
    pump = factories.make_pump(yard.site)
    (demand,) = demands.raise_for_signed(event=make_signed(yard, pump))
    fit(yard, pump, SEALS, make_part(yard))
    for actor in (yard.technician, other.clerk):
        with pytest.raises(NotAllowed):
            demands.retry_unmatched(actor=actor, demand=demand)
    demand.refresh_from_db()
    assert demand.state == "unmatched"


# --- Corrections --------------------------------------------------------------------------------


def test_a_correction_carries_over_what_it_still_asks_for() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    seals, gears = make_part(yard), make_part(yard)
    fit(yard, pump, SEALS, seals)
    fit(yard, pump, GEARS, gears)
    put_on_shelf(yard, seals, 1)
    put_on_shelf(yard, gears, 1)
    event = make_signed(yard, pump, [SEALS, GEARS])
    kept, dropped = demands.raise_for_signed(event=event)
    correction = make_correction(yard, event, {SEALS: REPLACE, GEARS: REUSE})
    assert demands.raise_for_signed(event=correction) == []
    assert states(correction) == {SEALS: "reserved"}
    kept.refresh_from_db()
    dropped.refresh_from_db()
    assert kept.inspection_id == correction.inspection_id
    assert (dropped.state, dropped.why) == (
        "cancelled",
        f"Inspection {correction.inspection_id} no longer asks for it.",
    )
    assert level(yard, seals) == (1, 1)
    assert level(yard, gears) == (1, 0)
    assert status_of(pump) == "awaiting_parts"
    assert ledger.check_ledger() == []


def test_a_part_already_issued_is_not_drawn_twice_after_a_correction() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    part = make_part(yard)
    put_on_shelf(yard, part, 2)
    fit(yard, pump, SEALS, part)
    event = make_signed(yard, pump)
    (demand,) = demands.raise_for_signed(event=event)
    pulling.pull(actor=yard.clerk, demand=demand, scanned_number=part.number, quantity=1)
    correction = make_correction(yard, event, {SEALS: REPLACE})
    assert demands.raise_for_signed(event=correction) == []
    assert states(correction) == {SEALS: "issued"}
    assert level(yard, part) == (1, 0)
    assert status_of(pump) == "ready_to_rebuild"


def test_a_part_issued_but_no_longer_wanted_is_flagged_for_return_once() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    fit(yard, pump, SEALS, part)
    event = make_signed(yard, pump)
    (demand,) = demands.raise_for_signed(event=event)
    pulling.pull(actor=yard.clerk, demand=demand, scanned_number=part.number, quantity=1)
    correction = make_correction(yard, event, {SEALS: REUSE})
    demands.raise_for_signed(event=correction)
    demand.refresh_from_db()
    assert demand.state == "issued"
    assert demand.why == "Issued before the correction: return it to the store."
    version = demand.version
    demands.raise_for_signed(event=correction)
    demand.refresh_from_db()
    assert demand.version == version
    assert status_of(pump) == "ready_to_rebuild"


def test_another_part_for_the_component_is_a_new_demand() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    old_part, new_part = make_part(yard), make_part(yard)
    put_on_shelf(yard, old_part, 1)
    fit(yard, pump, SEALS, old_part)
    event = make_signed(yard, pump)
    (old,) = demands.raise_for_signed(event=event)
    Fit.objects.all().delete()
    fit(yard, pump, SEALS, new_part)
    (new,) = demands.raise_for_signed(event=make_correction(yard, event, {SEALS: REPLACE}))
    old.refresh_from_db()
    assert (old.state, new.state, new.part) == ("cancelled", "short", new_part)
    assert level(yard, old_part) == (1, 0)


def test_what_a_correction_sets_free_goes_to_whoever_has_waited_longest() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    fit(yard, pump, SEALS, part)
    event = make_signed(yard, pump)
    (first,) = demands.raise_for_signed(event=event)
    waiting = raise_demand(yard, part)
    assert (first.state, waiting.state) == ("reserved", "short")
    demands.raise_for_signed(event=make_correction(yard, event, {SEALS: REUSE}))
    waiting.refresh_from_db()
    assert waiting.state == "reserved"


def test_events_out_of_order_end_the_same() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    seals, gears = make_part(yard), make_part(yard)
    fit(yard, pump, SEALS, seals)
    fit(yard, pump, GEARS, gears)
    event = make_signed(yard, pump, [SEALS, GEARS])
    demands.raise_for_signed(event=event)
    between = make_correction(yard, event, {SEALS: REPLACE, GEARS: REPLACE})
    last = make_correction(yard, between, {SEALS: REPLACE})
    demands.raise_for_signed(event=last)
    demands.raise_for_signed(event=between)
    demands.raise_for_signed(event=event)
    assert states(last) == {SEALS: "short"}
    assert states(between) == {}
    assert states(event) == {GEARS: "cancelled"}
    assert Demand.objects.count() == 2


# --- Lists --------------------------------------------------------------------------------------


def test_pull_lists_count_by_state_oldest_first_and_end_when_all_is_issued() -> None:
    yard, other = make_yard(), make_yard()
    part = make_part(yard)
    first_pump = factories.make_pump(yard.site)
    first = raise_demand(yard, part, pump=first_pump)
    second_event = make_signed(yard, factories.make_pump(yard.site), [SEALS, GEARS])
    demands.raise_for_signed(event=second_event)
    raise_demand(other, part)
    rows = list(pull_lists(yard.clerk))
    assert [(r.pk, r.short_count, r.unmatched_count) for r in rows] == [
        (first.inspection_id, 1, 0),
        (second_event.inspection_id, 0, 2),
    ]
    put_on_shelf(yard, part, 1)
    pulling.pull(actor=yard.clerk, demand=first, scanned_number=part.number, quantity=1)
    assert [r.pk for r in pull_lists(yard.clerk)] == [second_event.inspection_id]
    assert [r.pk for r in pull_lists(yard.clerk, done=True)] == [first.inspection_id]
    assert not first.inspection.demands.open().exists()


def test_a_pull_list_runs_along_the_bins() -> None:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    for component, bin in ((SEALS, "C1"), (GEARS, "A2"), (BUSHES, "")):
        part = make_part(yard)
        fit(yard, pump, component, part)
        put_on_shelf(yard, part, 1, bin=bin)
    event = make_signed(yard, pump, [SEALS, GEARS, BUSHES, BORE])
    demands.raise_for_signed(event=event)
    rows = pull_list(Inspection.objects.get(pk=event.inspection_id))
    assert [(r.bin, r.disposition.component) for r in rows] == [
        ("A2", GEARS),
        ("C1", SEALS),
        ("", BUSHES),
        ("", BORE),
    ]
