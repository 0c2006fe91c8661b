"""Pump models, the register, hours, moves and states."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone

from fleet.faults import Conflict, Fault, Faults, NotAllowed, Stale
from fleet.lifecycle import PumpStatus
from fleet.models import HoursReading, Pump, PumpModel, PumpMove, StatusChange
from fleet.services import pumps
from tests import factories
from tests.fleet.conftest import People

D = Decimal
READ_AT = datetime(2026, 3, 14, 8, 30, tzinfo=UTC)
DAY = timedelta(days=1)


def pump_at(people: People, **fields: Any) -> Pump:
    return factories.make_pump(
        people.north,
        factories.make_model(),
        **{"meter_h": D("1200.0"), "read_at": READ_AT, **fields},
    )


def record(people: People, pump: Pump, meter_h: str, days: float, **more: Any) -> Pump:
    return pumps.record_hours(
        actor=people.technician,
        pump=pump,
        meter_h=D(meter_h),
        read_at=READ_AT + DAY * days,
        now=READ_AT + DAY * 30,
        **more,
    )


def hours_of(pump: Pump) -> tuple[Decimal, Decimal, datetime, int, int]:
    pump.refresh_from_db()
    readings = HoursReading.objects.filter(pump=pump).count()
    return pump.meter_h, pump.running_h, pump.hours_read_at, pump.version, readings


# --- Models -----------------------------------------------------------------------------------


def test_a_model_is_refused_with_every_bad_figure_at_once(people: People) -> None:
    before = PumpModel.objects.count()
    with pytest.raises(Faults) as refused:
        factories.make_model(
            maker="", displacement_cm3=D(0), speed_min_rpm=3000, speed_max_rpm=2500, oil_grade_vg=45
        )
    assert {f.field for f in refused.value.each()} == {
        "maker",
        "displacement_cm3",
        "speed_min_rpm",
        "oil_grade_vg",
    }
    assert PumpModel.objects.count() == before


def test_a_designation_is_on_file_once_per_maker(people: People) -> None:
    factories.make_model(designation="G2-32")
    with pytest.raises(Conflict) as refused:
        factories.make_model(designation="G2-32 ")
    assert (refused.value.field, refused.value.code) == ("designation", "taken")
    factories.make_model(maker="Kestrelhyd", designation="G2-32")


def test_the_family_stays_once_a_sheet_was_drafted(people: People) -> None:
    model = factories.make_model()
    changed = pumps.change_model(
        actor=people.manager, model=model, version=1, family="internal_gear"
    )
    assert (changed.family, changed.version) == ("internal_gear", 2)
    model = factories.make_model()
    factories.make_issued_sheet(model)
    with pytest.raises(Conflict) as refused:
        pumps.change_model(actor=people.manager, model=model, version=1, family="vane")
    assert refused.value.code == "family_in_use"
    assert PumpModel.objects.get(pk=model.pk).family == "external_gear"


def test_a_technician_adds_no_model(people: People) -> None:
    before = PumpModel.objects.count()
    with pytest.raises(NotAllowed):
        pumps.add_model(actor=people.technician, maker="Ostermoor", designation="G9")
    assert PumpModel.objects.count() == before


# --- The register -----------------------------------------------------------------------------


def test_a_new_pump_begins_its_history(people: People) -> None:
    pump = pump_at(people, meter_h=D("1200.5"))
    assert (pump.meter_h, pump.running_h, pump.status) == (D("1200.5"), D("1200.5"), "in_service")
    reading = HoursReading.objects.get(pump=pump)
    assert (reading.meter_h, reading.read_at, reading.by) == (
        D("1200.5"),
        READ_AT,
        people.manager,
    )
    change = StatusChange.objects.get(pump=pump)
    assert (change.old, change.new) == ("", "in_service")


def test_running_hours_may_be_ahead_of_a_meter_that_was_changed_before(people: People) -> None:
    pump = pump_at(people, meter_h=D("300.0"), running_h=D("5300.0"))
    record(people, pump, "310.0", 1)
    assert hours_of(pump)[:2] == (D("310.0"), D("5310.0"))


def test_a_tag_is_taken_once_per_site(people: People) -> None:
    pump_at(people, tag="HP-7")
    with pytest.raises(Conflict) as refused:
        pump_at(people, tag="HP-7")
    assert (refused.value.field, refused.value.code) == ("tag", "taken")
    assert Pump.objects.filter(tag="HP-7").count() == 1
    factories.make_pump(people.harbour, factories.make_model(), tag="HP-7")
    assert Pump.objects.filter(tag="HP-7").count() == 2


def test_a_serial_is_taken_once_per_model_at_all_sites(people: People) -> None:
    model = factories.make_model()
    factories.make_pump(people.north, model, serial="OS-1")
    with pytest.raises(Conflict) as refused:
        factories.make_pump(people.harbour, model, serial="OS-1")
    assert (refused.value.field, refused.value.code) == ("serial", "taken")


def test_a_pump_is_refused_with_all_that_is_wrong(people: People) -> None:
    with pytest.raises(Faults) as refused:
        pump_at(
            people,
            tag="HP 7",
            serial=" ",
            meter_h=D("-1"),
            status="on_bench",
            read_at=timezone.now() + DAY,
        )
    assert {f.field for f in refused.value.each()} == {
        "tag",
        "serial",
        "meter_h",
        "running_h",
        "status",
        "read_at",
    }
    assert not Pump.objects.exists()


def test_a_technician_adds_and_changes_no_pump(people: People) -> None:
    pump = pump_at(people)
    with pytest.raises(NotAllowed):
        factories.make_pump(people.north, pump.model, actor=people.technician)
    with pytest.raises(NotAllowed):
        pumps.change_pump(actor=people.technician, pump=pump, tag="HP-X")
    assert list(Pump.objects.values_list("tag", "version")) == [(pump.tag, 1)]


def test_a_stale_change_is_refused_and_changes_nothing(people: People) -> None:
    pump = pump_at(people)
    pumps.change_pump(actor=people.manager, pump=pump, version=1, machine="Crusher 2")
    with pytest.raises(Stale):
        pumps.change_pump(actor=people.manager, pump=pump, version=1, machine="Crusher 3")
    assert Pump.objects.get(pk=pump.pk).machine == "Crusher 2"


# --- Hours ------------------------------------------------------------------------------------


def test_hours_count_on_by_the_difference_of_the_meter(people: People) -> None:
    pump = pump_at(people)
    record(people, pump, "1250.5", 2)
    assert hours_of(pump) == (D("1250.5"), D("1250.5"), READ_AT + 2 * DAY, 2, 2)


def test_running_hours_go_on_through_a_change_of_meter(people: People) -> None:
    pump = pump_at(people)
    record(people, pump, "1250.0", 2)
    record(people, pump, "0.0", 3, meter_changed=True)
    assert hours_of(pump)[:2] == (D("0.0"), D("1250.0"))
    record(people, pump, "40.0", 5)
    assert hours_of(pump)[:2] == (D("40.0"), D("1290.0"))


def test_a_new_meter_that_does_not_start_at_nothing_adds_no_hours(people: People) -> None:
    pump = pump_at(people)
    record(people, pump, "9000.0", 2, meter_changed=True)
    assert hours_of(pump)[:2] == (D("9000.0"), D("1200.0"))


@pytest.mark.parametrize(
    ("tag", "serial", "field"), [("hp-1", "S-2", "tag"), ("HP-2", "s-1", "serial")]
)
def test_tag_and_serial_are_once_whatever_the_case(
    people: People, tag: str, serial: str, field: str
) -> None:
    pump = factories.make_pump(people.north, tag="HP-1", serial="S-1")
    with pytest.raises(Conflict) as refused:
        pumps.add_pump(
            actor=people.manager,
            site=people.north,
            model=pump.model,
            tag=tag,
            serial=serial,
            machine="Press",
        )
    assert refused.value.field == field


def test_a_meter_that_falls_is_refused_with_both_readings(people: People) -> None:
    pump = pump_at(people)
    before = hours_of(pump)
    with pytest.raises(Fault) as refused:
        record(people, pump, "1199.9", 1)
    assert (refused.value.field, refused.value.code) == ("meter_h", "meter_falls")
    assert "1200.0 h at 14 Mar 2026 08:30 UTC" in refused.value.detail
    assert "1199.9 h at 15 Mar 2026 08:30 UTC" in refused.value.detail
    assert hours_of(pump) == before


def test_a_reading_behind_the_last_one_is_refused_with_both_readings(people: People) -> None:
    pump = pump_at(people)
    before = hours_of(pump)
    for days, meter_changed in ((-1, False), (0, False), (-1, True)):
        with pytest.raises(Fault) as refused:
            record(people, pump, "1300.0", days, meter_changed=meter_changed)
        assert (refused.value.field, refused.value.code) == ("read_at", "reading_not_later")
        assert "1200.0 h" in refused.value.detail
        assert "1300.0 h" in refused.value.detail
    assert hours_of(pump) == before


def test_a_reading_in_the_future_is_refused(people: People) -> None:
    pump = pump_at(people)
    before = hours_of(pump)
    with pytest.raises(Fault) as refused:
        record(people, pump, "1300.0", 31)
    assert (refused.value.field, refused.value.code) == ("read_at", "in_future")
    assert hours_of(pump) == before


@pytest.mark.parametrize("meter_h", ["NaN", "Infinity", "-0.1", "1000000", "1200.55"])
def test_what_is_no_meter_reading_is_refused(people: People, meter_h: str) -> None:
    pump = pump_at(people)
    before = hours_of(pump)
    with pytest.raises(Fault) as refused:
        record(people, pump, meter_h, 1)
    assert refused.value.field == "meter_h"
    assert hours_of(pump) == before


def test_running_hours_past_the_largest_are_refused(people: People) -> None:
    pump = pump_at(people, meter_h=D("0.0"), running_h=D("999999.0"))
    with pytest.raises(Fault) as refused:
        record(people, pump, "1.0", 1)
    assert refused.value.field == "meter_h"


def test_an_auditor_records_no_hours(people: People) -> None:
    pump = pump_at(people)
    before = hours_of(pump)
    with pytest.raises(NotAllowed):
        pumps.record_hours(actor=people.auditor, pump=pump, meter_h=D("1300.0"))
    assert hours_of(pump) == before


# --- Place and state --------------------------------------------------------------------------


def test_a_pump_moves_to_a_site_where_the_sender_has_a_role(people: People) -> None:
    pump = pump_at(people)
    with pytest.raises(Fault) as refused:
        pumps.move_pump(
            actor=people.manager, pump=pump, version=1, to_site=people.harbour, why="On loan"
        )
    assert (refused.value.field, refused.value.code) == ("to_site", "no_role_there")
    assert Pump.objects.get(pk=pump.pk).site == people.north

    from fleet.services.people import grant_role

    grant_role(actor=people.outsider, user=people.manager, site=people.harbour, role="auditor")
    moved = pumps.move_pump(
        actor=people.manager, pump=pump, version=1, to_site=people.harbour, why="On loan"
    )
    assert (moved.site, moved.version) == (people.harbour, 2)
    move = PumpMove.objects.get(pump=pump)
    assert (move.from_site, move.to_site, move.why) == (people.north, people.harbour, "On loan")


def test_a_move_to_where_the_tag_is_taken_is_refused_at_the_site(people: People) -> None:
    from fleet.services.people import grant_role

    grant_role(actor=people.outsider, user=people.manager, site=people.harbour, role="auditor")
    pump = pump_at(people)
    factories.make_pump(people.harbour, pump.model, tag=pump.tag)
    with pytest.raises(Conflict) as refused:
        pumps.move_pump(actor=people.manager, pump=pump, to_site=people.harbour, why="On loan")
    assert (refused.value.field, refused.value.code) == ("to_site", "tag_taken_there")


def test_a_move_says_why_and_goes_elsewhere(people: People) -> None:
    pump = pump_at(people)
    with pytest.raises(Faults) as refused:
        pumps.move_pump(actor=people.manager, pump=pump, to_site=people.north, why=" ")
    assert {f.field for f in refused.value.each()} == {"why", "to_site"}
    assert not PumpMove.objects.exists()


def test_a_pump_under_inspection_neither_moves_nor_changes_state_by_hand(people: People) -> None:
    from fleet.services.people import grant_role

    grant_role(actor=people.outsider, user=people.manager, site=people.harbour, role="auditor")
    pump = pump_at(people)
    pumps.advance_status(
        actor=people.technician, pump_id=pump.pk, new=PumpStatus.ON_BENCH, why="Opened"
    )
    with pytest.raises(Conflict):
        pumps.move_pump(actor=people.manager, pump=pump, to_site=people.harbour, why="On loan")
    with pytest.raises(Conflict) as refused:
        pumps.set_status(actor=people.manager, pump=pump, status="in_service", why="Back")
    assert refused.value.code == "led_by_inspection"
    row = Pump.objects.get(pk=pump.pk)
    assert (row.site, row.status, row.version) == (people.north, "on_bench", 2)


def test_a_state_set_by_hand_is_put_on_record(people: People) -> None:
    pump = pump_at(people)
    row = pumps.set_status(
        actor=people.manager, pump=pump, version=1, status="spare", why="Machine sold"
    )
    assert (row.status, row.version) == ("spare", 2)
    change = StatusChange.objects.filter(pump=pump).latest("id")
    assert (change.old, change.new, change.by, change.why) == (
        "in_service",
        "spare",
        people.manager,
        "Machine sold",
    )


def test_what_follows_from_an_inspection_is_not_set_by_hand(people: People) -> None:
    pump = pump_at(people)
    with pytest.raises(Fault) as refused:
        pumps.set_status(actor=people.manager, pump=pump, status="awaiting_parts", why="Ordered")
    assert refused.value.code == "not_by_hand"
    with pytest.raises(Fault) as refused:
        pumps.set_status(actor=people.manager, pump=pump, status="spare", why="")
    assert refused.value.field == "why"
    with pytest.raises(NotAllowed):
        pumps.set_status(actor=people.technician, pump=pump, status="spare", why="Worn")
    assert StatusChange.objects.filter(pump=pump).count() == 1


def test_advancing_to_the_state_that_holds_writes_nothing(people: People) -> None:
    pump = pump_at(people)
    pumps.advance_status(actor=None, pump_id=pump.pk, new=PumpStatus.ON_BENCH, why="Opened")
    pumps.advance_status(actor=None, pump_id=pump.pk, new=PumpStatus.ON_BENCH, why="Opened")
    assert StatusChange.objects.filter(pump=pump).count() == 2
    with pytest.raises(Conflict):
        pumps.advance_status(
            actor=None,
            pump_id=factories.make_pump(people.north).pk,
            new=PumpStatus.AWAITING_PARTS,
            why="x",
        )
