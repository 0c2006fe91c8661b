from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from django.utils import timezone

from fleet.faults import Conflict, Fault, NotAllowed, Stale
from fleet.lifecycle import PumpStatus
from fleet.models import Pump
from inspections.models import Inspection, Nameplate, StateChange
from inspections.rules.lifecycle import InspectionState, Reason
from inspections.services import opening
from tests import factories
from tests.inspections.conftest import Bench


def history(inspection: Inspection) -> list[tuple[str, str, str, str]]:
    changes = StateChange.objects.filter(inspection=inspection).order_by("id")
    return [(c.old, c.new, c.by.username, c.why) for c in changes]


def test_opening_puts_the_pump_on_the_bench_with_the_sheet_in_force(bench: Bench) -> None:
    sheet = bench.pump.model.sheets.get(state="issued")
    inspection = opening.open_inspection(
        actor=bench.technician, pump=bench.pump, reason=Reason.BREAKDOWN, complaint=" whines "
    )
    bench.pump.refresh_from_db()
    assert bench.pump.status == PumpStatus.ON_BENCH.value
    assert (inspection.state, inspection.sheet, inspection.complaint) == ("open", sheet, "whines")
    assert (inspection.site, inspection.running_h) == (bench.site, Decimal("1200.0"))
    assert history(inspection) == [("", "open", bench.technician.username, "Opened: breakdown")]


def test_a_sheet_issued_later_does_not_change_what_an_open_inspection_is_judged_by(
    bench: Bench,
) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump)
    before = inspection.sheet_id
    factories.make_issued_sheet(bench.pump.model)
    inspection.refresh_from_db()
    assert inspection.sheet_id == before


def test_a_pump_under_inspection_is_not_opened_twice(bench: Bench) -> None:
    factories.make_inspection(bench.technician, bench.pump)
    with pytest.raises(Conflict) as caught:
        opening.open_inspection(actor=bench.competent, pump=bench.pump, reason=Reason.PLANNED)
    assert caught.value.code == "already_under_inspection"
    assert Inspection.objects.count() == 1


def test_a_pump_without_a_limit_sheet_cannot_be_inspected(bench: Bench) -> None:
    pump = factories.make_pump(bench.site, factories.make_model())
    with pytest.raises(Conflict) as caught:
        opening.open_inspection(actor=bench.technician, pump=pump, reason=Reason.PLANNED)
    assert caught.value.code == "no_sheet_in_force"
    assert Pump.objects.get(pk=pump.pk).status == PumpStatus.IN_SERVICE.value


@pytest.mark.parametrize("who", ["auditor", "outsider"])
def test_only_those_who_inspect_at_the_site_may_open(bench: Bench, who: str) -> None:
    with pytest.raises(NotAllowed):
        opening.open_inspection(actor=getattr(bench, who), pump=bench.pump, reason=Reason.PLANNED)
    assert not Inspection.objects.exists()


def test_isolation_waits_for_the_cautions(bench: Bench) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump, isolated=False)
    now = timezone.now()
    with pytest.raises(Conflict) as caught:
        opening.confirm_isolation(
            actor=bench.technician,
            inspection=inspection,
            lock_number="L-1",
            isolated_at=now - timedelta(minutes=2),
            proved_zero_how="Gauge at 0 bar, start tried",
            proved_zero_at=now - timedelta(minutes=1),
        )
    assert caught.value.code == "cautions_first"
    inspection.refresh_from_db()
    assert inspection.proved_zero_at is None


def test_isolation_names_who_and_when_and_is_confirmed_once(bench: Bench) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump)
    assert inspection.isolated_by == inspection.proved_zero_by == bench.technician
    assert inspection.isolated_at is not None
    assert inspection.proved_zero_at == inspection.isolated_at + timedelta(minutes=10)
    with pytest.raises(Conflict) as caught:
        factories.isolate(bench.competent, inspection)
    assert caught.value.code == "already_confirmed"


def test_every_fault_of_an_isolation_is_told_at_once(bench: Bench) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump, isolated=False)
    now = timezone.now()
    with pytest.raises(Fault) as caught:
        opening.confirm_isolation(
            actor=bench.technician,
            inspection=inspection,
            lock_number=" ",
            isolated_at=now + timedelta(hours=1),
            proved_zero_how="",
            proved_zero_at=now,
            now=now,
        )
    assert [f.field for f in caught.value.each()] == [
        "lock_number",
        "proved_zero_how",
        "isolated_at",
        "proved_zero_at",
    ]


def test_an_isolation_of_another_year_is_refused(bench: Bench) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump, isolated=False)
    now = timezone.now()
    # A slip of the pen in the year, as written in January.
    long_ago = now - timedelta(days=365)
    with pytest.raises(Fault) as caught:
        opening.confirm_isolation(
            actor=bench.technician,
            inspection=inspection,
            lock_number="L-1",
            isolated_at=long_ago,
            proved_zero_how="Gauge at 0 bar, start tried",
            proved_zero_at=long_ago + timedelta(minutes=5),
            now=now,
        )
    assert [(f.field, f.code) for f in caught.value.each()] == [("isolated_at", "too_long_ago")]


def test_a_nameplate_that_differs_is_recorded_and_nothing_is_corrected(bench: Bench) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump, nameplate=False)
    plate = opening.record_nameplate(
        actor=bench.technician,
        inspection=inspection,
        maker="OSTERMOOR",  # letter case is no difference
        serial="OS-99999",
        displacement_cm3=Decimal("33.0"),
        rotation="anticlockwise",
    )
    assert plate.mismatches == [
        f"The plate says serial OS-99999; the register says {bench.pump.serial}.",
        "The plate says 33 cm³/rev; the register says 32 cm³/rev.",
        "The plate says rotation anticlockwise, looking at the shaft end; the register says "
        "clockwise, looking at the shaft end.",
    ]
    bench.pump.refresh_from_db()
    assert bench.pump.serial != "OS-99999"


def test_a_nameplate_needs_its_serial_or_the_reason_why_not(bench: Bench) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump, nameplate=False)
    with pytest.raises(Fault) as caught:
        opening.record_nameplate(actor=bench.technician, inspection=inspection, maker="Ostermoor")
    assert caught.value.field == "serial"
    assert not Nameplate.objects.exists()
    plate = opening.record_nameplate(
        actor=bench.technician, inspection=inspection, illegible_reason="Painted over"
    )
    assert (plate.serial, plate.mismatches) == ("", [])


@pytest.mark.parametrize("came_from", [PumpStatus.IN_SERVICE, PumpStatus.SPARE])
def test_an_abandoned_inspection_sends_the_pump_back_to_where_it_came_from(
    bench: Bench, came_from: PumpStatus
) -> None:
    pump = factories.make_pump(bench.site, bench.pump.model, status=came_from)
    inspection = factories.make_inspection(bench.technician, pump)
    gone = opening.abandon(actor=bench.technician, inspection=inspection, why="Wrong pump")
    pump.refresh_from_db()
    assert (gone.state, pump.status) == (InspectionState.ABANDONED.value, came_from.value)
    assert history(gone)[-1] == ("open", "abandoned", bench.technician.username, "Wrong pump")


def test_abandoning_needs_a_reason_and_the_present_version(bench: Bench) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump)
    with pytest.raises(Fault) as caught:
        opening.abandon(actor=bench.technician, inspection=inspection, why=" ")
    assert caught.value.field == "why"
    with pytest.raises(Stale):
        opening.abandon(
            actor=bench.technician,
            inspection=inspection,
            version=inspection.version - 1,
            why="Wrong pump",
        )
    inspection.refresh_from_db()
    assert inspection.state == InspectionState.OPEN.value
