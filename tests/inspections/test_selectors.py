from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from fleet.faults import Fault
from fleet.lifecycle import PumpStatus
from fleet.models import Pump
from fleet.services import pumps
from inspections import selectors
from inspections.models import Inspection
from inspections.rules.dispositions import Disposition
from inspections.rules.verdicts import Outcome
from inspections.services import dispositions, instruments, readings, signing
from tests import factories
from tests.factories import BACKLASH, CUT_IN, FLATNESS, SHAFT_TO_BUSH, SIDE, WIDTHS, leaf
from tests.inspections.conftest import Bench

D = Decimal
HERE = "drive 12 o'clock"


@pytest.fixture
def open_one(bench: Bench) -> Inspection:
    return factories.make_inspection(bench.technician, bench.pump)


def check_named(inspection: Inspection, name: str) -> selectors.Check:
    checks = selectors.checks_of(inspection)
    return next(check for check in checks if check.line.characteristic == name)


def try_leaves(bench: Bench, inspection: Inspection, *tries: Any, **how: Any) -> Any:
    line = factories.line_named(inspection, how.pop("check", SIDE))
    values = {"instrument": how.pop("instrument", None) or factories.make_leaf_set(bench.site)}
    return readings.record_tries(
        actor=bench.technician,
        inspection=inspection,
        line=line.pk,
        position=how.pop("position", HERE),
        tries=tries,
        **values,
    )


def test_checks_come_in_the_order_of_the_sheet_with_their_limits(open_one: Inspection) -> None:
    checks = selectors.checks_of(open_one)
    assert [(c.line.characteristic, c.limit_sentence, c.applies) for c in checks] == [
        (SIDE, "at most 0.15 mm", True),
        (BACKLASH, "0.08 mm to 0.46 mm", True),
        ("tip_clearance", "at most 0.18 mm", True),
        (SHAFT_TO_BUSH, "at most 0.177 mm", True),
        (WIDTHS, "at most 0.005 mm", True),
        (CUT_IN, "less than 0.10 mm", True),
        (FLATNESS, "", False),
    ]
    assert [c.is_settled for c in checks] == [False, False, True, False, False, False, True]
    assert {c.outcome for c in checks} == {None}


def test_places_show_what_is_read_and_what_is_missing(bench: Bench, open_one: Inspection) -> None:
    reading = try_leaves(bench, open_one, leaf("0.20"), position="drive 6 o'clock")
    check = check_named(open_one, SIDE)
    assert [(p.position, p.reading, p.outcome) for p in check.places] == [
        (HERE, None, None),
        ("drive 6 o'clock", reading, Outcome.OUT),
        ("idler 12 o'clock", None, None),
    ]
    assert check.missing == (HERE, "idler 12 o'clock")
    assert check.outcome is Outcome.OUT
    shaft = check_named(open_one, SHAFT_TO_BUSH)
    assert [(p.position, p.term) for p in shaft.places] == [
        ("drive front", "bore"),
        ("drive front", "journal"),
    ]


def test_the_instrument_that_the_sheet_names_comes_first(bench: Bench) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump)
    micrometer = factories.make_micrometer(bench.site)
    leaf_set = factories.make_leaf_set(bench.site)
    gone = factories.make_leaf_set(bench.site)
    instruments.withdraw_instrument(actor=bench.supervisor, instrument=gone)
    factories.make_leaf_set(bench.elsewhere)
    expected = {
        SIDE: (leaf_set, micrometer),
        WIDTHS: (micrometer, leaf_set),
        CUT_IN: (leaf_set,),
        SHAFT_TO_BUSH: (micrometer,),
        FLATNESS: (),
    }
    for name, those in expected.items():
        assert check_named(inspection, name).instruments == those
        line = factories.line_named(inspection, name)
        assert selectors.suitable_instruments(line, bench.site) == list(those)


def test_advice_goes_on_from_what_the_same_set_said(bench: Bench, open_one: Inspection) -> None:
    coarse = factories.make_leaf_set(bench.site, factories.METRIC_20)
    line = factories.line_named(open_one, SIDE)
    first = selectors.advice_for(line, HERE, None, coarse)
    assert first is not None
    assert (first.kind, first.thickness) == ("try", D("0.20"))
    reading = try_leaves(bench, open_one, leaf("0.15"), instrument=coarse)
    then = selectors.advice_for(line, HERE, reading, coarse)
    assert then is not None
    assert (then.kind, then.thickness) == ("try", D("0.20"))
    reading = try_leaves(bench, open_one, leaf("0.15"), leaf("0.20", "refuses"), instrument=coarse)
    stuck = selectors.advice_for(line, HERE, reading, coarse)
    assert stuck is not None
    assert (stuck.kind, stuck.gap_low, stuck.gap_high) == (
        "cannot_decide",
        D("0.15"),
        D("0.20"),
    )
    # Another set begins anew, and 0.10 + 0.06 decides it.
    fine = factories.make_leaf_set(bench.site)
    anew = selectors.advice_for(line, HERE, reading, fine)
    assert anew is not None
    assert anew.kind == "try"


def test_a_set_that_cannot_decide_is_told_before_measuring(
    bench: Bench, open_one: Inspection
) -> None:
    line = factories.line_named(open_one, SIDE)
    gap = selectors.set_gap_for(line, factories.make_leaf_set(bench.site, factories.METRIC_20))
    assert gap is not None
    assert (gap.low, gap.high, gap.wide) == (D("0.15"), D("0.20"), True)


def test_leaves_advise_only_where_one_bracket_meets_the_limit(
    bench: Bench, open_one: Inspection
) -> None:
    leaf_set = factories.make_leaf_set(bench.site)
    micrometer = factories.make_micrometer(bench.site)
    widths, side = (factories.line_named(open_one, name) for name in (WIDTHS, SIDE))
    assert selectors.advice_for(widths, widths.positions[0], None, leaf_set) is None
    assert selectors.advice_for(side, HERE, None, micrometer) is None
    assert selectors.set_gap_for(widths, leaf_set) is None
    with pytest.raises(Fault) as caught:
        selectors.advice_for(side, "the moon", None, leaf_set)
    assert caught.value.code == "unknown_position"


def test_the_queue_shows_what_one_may_countersign_oldest_first(bench: Bench) -> None:
    first = factories.make_signed_inspection(bench.trainee, bench.pump)
    second = factories.make_signed_inspection(
        bench.trainee, factories.make_pump(bench.site, bench.pump.model)
    )
    assert list(selectors.countersign_queue(bench.competent)) == [first, second]
    for nothing_to_do in (bench.trainee, bench.technician, bench.auditor, bench.outsider):
        assert list(selectors.countersign_queue(nothing_to_do)) == []
    signing.countersign(actor=bench.competent, inspection=first)
    assert list(selectors.countersign_queue(bench.supervisor)) == [second]


def out_of_limits(bench: Bench) -> list[tuple[str, list[str]]]:
    return [
        (each.pump.tag, [v.line.characteristic for v in each.verdicts])
        for each in selectors.out_of_limits_pumps(bench.auditor)
    ]


def test_a_pump_is_out_of_limits_until_its_part_is_renewed_and_it_is_back(bench: Bench) -> None:
    pump = bench.pump
    inspection = factories.make_inspection(bench.technician, pump)
    assert out_of_limits(bench) == []
    factories.complete_inspection(bench.technician, inspection, out=[BACKLASH])
    assert out_of_limits(bench) == [(pump.tag, [BACKLASH])]
    signing.sign(actor=bench.technician, inspection=inspection)
    assert out_of_limits(bench) == [(pump.tag, [BACKLASH])]
    assert selectors.out_of_limits_pumps(bench.outsider) == []
    back_in_service(bench, pump)
    assert out_of_limits(bench) == []


def test_a_part_reused_although_out_of_limits_keeps_its_pump_on_the_list(bench: Bench) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump)
    factories.complete_inspection(bench.technician, inspection, out=[BACKLASH])
    dispositions.overrule(
        actor=bench.supervisor,
        inspection=inspection,
        component="gears",
        decided=Disposition.REUSE,
        reason="Until the new gears come",
    )
    signing.sign(actor=bench.technician, inspection=inspection)
    back_in_service(bench, bench.pump)
    assert out_of_limits(bench) == [(bench.pump.tag, [BACKLASH])]
    # The next inspection finds it put right.
    later = factories.make_inspection(bench.technician, bench.pump)
    assert out_of_limits(bench) == []
    factories.complete_inspection(bench.technician, later)
    assert out_of_limits(bench) == []


def back_in_service(bench: Bench, pump: Pump) -> None:
    pump.refresh_from_db()
    for status in (PumpStatus.READY_TO_REBUILD, PumpStatus.IN_SERVICE):
        pumps.advance_status(actor=bench.supervisor, pump_id=pump.pk, new=status, why="Rebuilt")


def test_the_history_of_a_pump_is_newest_first(bench: Bench) -> None:
    first = factories.make_signed_inspection(bench.technician, bench.pump)
    new = signing.supersede(actor=bench.supervisor, inspection=first, why="Mistake")
    assert list(selectors.inspections_of(bench.pump)) == [new, first]
    assert list(selectors.inspections_of(bench.pump).visible_to(bench.outsider)) == []


def test_records_take_the_same_number_of_queries_however_much_was_read(
    bench: Bench, open_one: Inspection, django_assert_num_queries: Callable[[int], Any]
) -> None:
    factories.make_leaf_set(bench.site)
    fresh = selectors.inspections().get(pk=open_one.pk)
    with django_assert_num_queries(15):
        selectors.record_of(fresh)
    factories.complete_inspection(bench.technician, open_one)
    fresh = selectors.inspections().get(pk=open_one.pk)
    with django_assert_num_queries(17):  # two more: are the dispositions still right
        selectors.record_of(fresh)
    with django_assert_num_queries(4):
        selectors.checks_of(fresh)


@pytest.mark.django_db
def test_a_pump_that_moved_while_out_of_limits_warns_at_its_new_site() -> None:
    here, there = factories.make_site(), factories.make_site()
    technician = factories.make_person(here)
    pump = factories.make_pump(here)
    inspection = factories.make_signed_inspection(technician, pump, out=[SIDE])
    Pump.objects.filter(pk=pump.pk).update(site=there)
    newcomer = factories.make_person(there)
    assert [f.inspection for f in selectors.out_of_limits_pumps(newcomer)] == [inspection]
    assert selectors.out_of_limits_pumps(technician) == []
