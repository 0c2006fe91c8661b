from __future__ import annotations

from typing import Any

import pytest

from fleet.faults import Conflict, Fault, NotAllowed, Stale
from fleet.lifecycle import PumpStatus
from fleet.models import Event
from fleet.roles import Role
from fleet.services import people
from inspections.models import Inspection, Reading, StateChange
from inspections.rules.dispositions import Disposition
from inspections.rules.findings import Severity, Word
from inspections.rules.leaves import Feel
from inspections.services import dispositions, findings, opening, photos, readings, signing
from tests import factories
from tests.factories import SIDE
from tests.inspections.conftest import Bench, refused_by, sql
from tests.inspections.pictures import upload


def signed_events() -> list[dict[str, Any]]:
    return [e.payload for e in Event.objects.filter(name="inspections.signed").order_by("id")]


@pytest.fixture
def ready(bench: Bench) -> Inspection:
    return factories.complete_inspection(
        bench.technician, factories.make_inspection(bench.technician, bench.pump)
    )


@pytest.fixture
def awaiting(bench: Bench) -> Inspection:
    return factories.make_signed_inspection(bench.trainee, bench.pump)


@pytest.fixture
def signed(bench: Bench, ready: Inspection) -> Inspection:
    return signing.sign(actor=bench.technician, inspection=ready)


def test_a_qualified_signature_locks_and_tells_the_rest(bench: Bench, ready: Inspection) -> None:
    signed = signing.sign(actor=bench.technician, inspection=ready, version=ready.version)
    signed.refresh_from_db()
    assert (signed.state, signed.signed_by) == ("signed", bench.technician)
    assert signed_events() == [
        {
            "inspection_id": signed.pk,
            "pump_id": bench.pump.pk,
            "site_id": bench.site.pk,
            "supersedes_id": None,
        }
    ]
    last = StateChange.objects.filter(inspection=signed).latest("id")
    assert (last.old, last.new, last.by, last.why) == (
        "open",
        "signed",
        bench.technician,
        "Signed",
    )
    assert last.at == signed.signed_at


def test_an_incomplete_inspection_is_not_signed(bench: Bench) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump, nameplate=False)
    with pytest.raises(Fault) as caught:
        signing.sign(actor=bench.technician, inspection=inspection)
    assert "nameplate" in [f.field for f in caught.value.each()]
    inspection.refresh_from_db()
    assert (inspection.state, signed_events()) == ("open", [])


def test_dispositions_are_looked_at_before_signing(bench: Bench) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump)
    factories.measure_all(bench.technician, inspection)
    factories.look_at_all(bench.technician, inspection)
    with pytest.raises(Conflict) as caught:
        signing.sign(actor=bench.technician, inspection=inspection)
    assert caught.value.code == "dispositions_missing"
    assert not inspection.dispositions.exists()


def test_dispositions_that_no_longer_fit_are_not_signed(bench: Bench, ready: Inspection) -> None:
    findings.record_finding(
        actor=bench.technician,
        inspection=ready,
        component="shafts",
        word=Word.BENT,
        severity=Severity.HEAVY,
    )
    with pytest.raises(Conflict) as caught:
        signing.sign(actor=bench.technician, inspection=ready)
    assert caught.value.code == "dispositions_outdated"
    assert ready.dispositions.get(component="shafts").decided == "reuse"
    assert signed_events() == []


def test_what_changed_since_it_was_read_is_not_signed(bench: Bench, ready: Inspection) -> None:
    dispositions.overrule(
        actor=bench.competent,
        inspection=ready,
        component="shafts",
        decided=Disposition.REPLACE,
        reason="Journal is blue",
    )
    with pytest.raises(Stale):
        signing.sign(actor=bench.technician, inspection=ready, version=ready.version)
    assert signed_events() == []


def test_a_trainees_signature_waits_for_another_person(bench: Bench, awaiting: Inspection) -> None:
    bench.pump.refresh_from_db()
    assert (awaiting.state, awaiting.signed_by) == ("awaiting_countersignature", bench.trainee)
    assert bench.pump.status == PumpStatus.AWAITING_COUNTERSIGNATURE.value
    assert signed_events() == []
    done = signing.countersign(actor=bench.competent, inspection=awaiting)
    assert (done.state, done.countersigned_by) == ("signed", bench.competent)
    assert [e["inspection_id"] for e in signed_events()] == [awaiting.pk]


def test_a_trainees_signature_waits_even_if_somebody_qualified_opened(
    bench: Bench, ready: Inspection
) -> None:
    signed = signing.sign(actor=bench.trainee, inspection=ready)
    signed.refresh_from_db()
    assert (signed.state, signed.needs_countersignature) == ("awaiting_countersignature", True)
    assert signed_events() == []


def test_nobody_countersigns_their_own_work(bench: Bench, awaiting: Inspection) -> None:
    people.grant_role(
        actor=factories.manager_of(bench.site),
        user=bench.trainee,
        site=bench.site,
        role=Role.COMPETENT_PERSON.value,
    )
    with pytest.raises(NotAllowed) as caught:
        signing.countersign(actor=bench.trainee, inspection=awaiting)
    assert caught.value.code == "own_work"
    awaiting.refresh_from_db()
    assert (awaiting.state, awaiting.countersigned_by) == ("awaiting_countersignature", None)


def test_who_took_a_reading_does_not_countersign(bench: Bench) -> None:
    inspection = factories.make_inspection(bench.trainee, bench.pump)
    factories.measure_all(bench.trainee, inspection)
    line = factories.line_named(inspection, SIDE)
    readings.record_tries(
        actor=bench.competent,
        inspection=inspection,
        line=line.pk,
        position=line.positions[0],
        instrument=factories.make_leaf_set(bench.site),
        tries=factories.bracketed("0.08", "0.09"),
    )
    factories.look_at_all(bench.trainee, inspection)
    dispositions.propose_all(actor=bench.trainee, inspection=inspection)
    signing.sign(actor=bench.trainee, inspection=inspection)
    with pytest.raises(NotAllowed):
        signing.countersign(actor=bench.competent, inspection=inspection)
    done = signing.countersign(actor=bench.supervisor, inspection=inspection)
    assert done.state == "signed"


@pytest.mark.parametrize("who", ["technician", "auditor", "outsider"])
def test_countersigning_takes_the_role_at_the_site(
    bench: Bench, awaiting: Inspection, who: str
) -> None:
    with pytest.raises(NotAllowed):
        signing.countersign(actor=getattr(bench, who), inspection=awaiting)
    awaiting.refresh_from_db()
    assert awaiting.state == "awaiting_countersignature"


def test_only_what_awaits_it_is_countersigned(bench: Bench, ready: Inspection) -> None:
    with pytest.raises(Conflict) as caught:
        signing.countersign(actor=bench.competent, inspection=ready)
    assert caught.value.code == "not_awaiting"
    with pytest.raises(Conflict):
        signing.send_back(actor=bench.competent, inspection=ready, why="Again")


def test_sent_back_with_a_reason_it_is_open_again(bench: Bench, awaiting: Inspection) -> None:
    with pytest.raises(Fault) as caught:
        signing.send_back(actor=bench.competent, inspection=awaiting, why="")
    assert caught.value.field == "why"
    back = signing.send_back(
        actor=bench.competent, inspection=awaiting, why="Measure the idler again"
    )
    bench.pump.refresh_from_db()
    assert (back.state, back.signed_by, back.signed_at) == ("open", None, None)
    assert bench.pump.status == PumpStatus.ON_BENCH.value
    last = StateChange.objects.filter(inspection=back).latest("id")
    assert (last.by, last.why) == (bench.competent, "Sent back: Measure the idler again")
    # The trainee does it again and it comes back to the queue.
    again = signing.sign(actor=bench.trainee, inspection=back)
    assert again.state == "awaiting_countersignature"


def test_what_awaits_a_countersignature_is_not_worked_on(
    bench: Bench, awaiting: Inspection
) -> None:
    with pytest.raises(Conflict) as caught:
        findings.record_finding(
            actor=bench.trainee,
            inspection=awaiting,
            component="gears",
            word=Word.SCORED,
            severity=Severity.LIGHT,
        )
    assert caught.value.code == "not_open"


def test_a_signed_inspection_refuses_every_service(bench: Bench, signed: Inspection) -> None:
    line = factories.line_named(signed, SIDE)
    leaf_set = factories.make_leaf_set(bench.site)
    who: dict[str, Any] = {"actor": bench.technician, "inspection": signed}
    attempts: list[Any] = [
        lambda: opening.acknowledge_cautions(**who),
        lambda: factories.isolate(bench.technician, signed),
        lambda: opening.record_nameplate(**who, serial="OS-1"),
        lambda: opening.abandon(**who, why="No use"),
        lambda: readings.record_tries(
            **who,
            line=line.pk,
            position=line.positions[0],
            instrument=leaf_set,
            tries=factories.bracketed("0.08", "0.09"),
        ),
        lambda: readings.add_try(
            **who,
            line=line.pk,
            position=line.positions[0],
            instrument=leaf_set,
            leaves=[factories.D("0.10")],
            feel=Feel.DRAG,
        ),
        lambda: readings.retake(**who, line=line.pk, position=line.positions[0]),
        lambda: readings.waive(
            actor=bench.competent, inspection=signed, line=line.pk, reason="No matter"
        ),
        lambda: findings.record_finding(
            **who, component="gears", word=Word.SCORED, severity=Severity.LIGHT
        ),
        lambda: findings.remove_finding(
            actor=bench.technician,
            finding=signed.findings.first(),  # type: ignore[arg-type]
        ),
        lambda: photos.add_photo(**who, component="gears", upload=upload()),
        lambda: dispositions.propose_all(**who),
        lambda: dispositions.overrule(
            **who, component="gears", decided=Disposition.REPLACE, reason="Blue"
        ),
        lambda: signing.sign(**who),
        lambda: signing.countersign(actor=bench.competent, inspection=signed),
        lambda: signing.send_back(actor=bench.competent, inspection=signed, why="Again"),
    ]
    before = signed.version
    for attempt in attempts:
        with pytest.raises(Conflict):
            attempt()
    signed.refresh_from_db()
    assert (signed.state, signed.version) == ("signed", before)


def test_a_correction_copies_the_records_and_supersedes_when_it_is_signed(
    bench: Bench, signed: Inspection
) -> None:
    new = signing.supersede(
        actor=bench.supervisor, inspection=signed, why="Idler gap was read on the drive gear"
    )
    signed.refresh_from_db()
    assert (new.state, new.supersedes, new.sheet) == ("open", signed, signed.sheet)
    assert (signed.state, new.proved_zero_by) == ("signed", bench.technician)
    for records in ("verdicts", "findings", "dispositions"):
        assert getattr(new, records).count() == getattr(signed, records).count()
    assert new.readings.count() == signed.readings.filter(replaced_at__isnull=True).count() == 12
    assert new.nameplate.serial == signed.nameplate.serial
    done = signing.sign(actor=bench.supervisor, inspection=new)
    signed.refresh_from_db()
    assert (done.state, signed.state) == ("signed", "superseded")
    assert [e["supersedes_id"] for e in signed_events()] == [None, signed.pk]
    last = StateChange.objects.filter(inspection=signed).latest("id")
    assert last.why == f"Superseded by inspection {new.pk}"


def test_a_correction_takes_the_role_a_reason_and_a_signed_inspection(
    bench: Bench, signed: Inspection
) -> None:
    with pytest.raises(NotAllowed):
        signing.supersede(actor=bench.technician, inspection=signed, why="Mistake")
    with pytest.raises(Fault) as caught:
        signing.supersede(actor=bench.supervisor, inspection=signed, why=" ")
    assert caught.value.field == "why"
    new = signing.supersede(actor=bench.supervisor, inspection=signed, why="Mistake")
    with pytest.raises(Conflict) as twice:
        signing.supersede(actor=bench.supervisor, inspection=signed, why="Mistake")
    assert twice.value.code == "already_superseded"
    with pytest.raises(Conflict) as not_signed:
        signing.supersede(actor=bench.supervisor, inspection=new, why="Mistake")
    assert not_signed.value.code == "not_signed"
    assert Inspection.objects.count() == 2


def test_an_abandoned_correction_leaves_room_for_another(bench: Bench, signed: Inspection) -> None:
    new = signing.supersede(actor=bench.supervisor, inspection=signed, why="Mistake")
    opening.abandon(actor=bench.supervisor, inspection=new, why="No mistake after all")
    again = signing.supersede(actor=bench.supervisor, inspection=signed, why="A mistake after all")
    assert (again.state, again.supersedes_id) == ("open", signed.pk)


def test_a_correction_of_a_trainees_work_needs_its_countersignature_too(
    bench: Bench, awaiting: Inspection
) -> None:
    signing.countersign(actor=bench.competent, inspection=awaiting)
    new = signing.supersede(actor=bench.supervisor, inspection=awaiting, why="Mistake")
    signed = signing.sign(actor=bench.supervisor, inspection=new)
    assert signed.state == "awaiting_countersignature"


# --- By raw SQL, past every service -----------------------------------------------------------

CHILDREN = {
    "inspections_nameplate": "maker = 'Other'",
    "inspections_reading": "low = low",
    "inspections_verdict": "outcome = 'within'",
    "inspections_finding": "note = 'other'",
    "inspections_photo": "caption = 'other'",
    "inspections_componentdisposition": "decided = 'reuse', overrule_reason = 'x'",
}


def test_the_database_locks_what_hangs_below_a_signed_inspection(bench: Bench) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump)
    photos.add_photo(
        actor=bench.technician, inspection=inspection, component="gears", upload=upload()
    )
    factories.complete_inspection(bench.technician, inspection)
    other = factories.make_inspection(
        bench.technician, factories.make_pump(bench.site, bench.pump.model), nameplate=False
    )
    move = "UPDATE {} SET inspection_id = %s WHERE inspection_id = %s"
    for table, change in CHILDREN.items():
        assert sql(f"UPDATE {table} SET {change} WHERE inspection_id = %s", inspection.pk) > 0  # noqa: S608
        with refused_by("inspections_only_while_open"):
            sql(move.format(table), other.pk, inspection.pk)
    signing.sign(actor=bench.technician, inspection=inspection)
    for table, change in CHILDREN.items():
        for statement in (
            f"UPDATE {table} SET {change} WHERE inspection_id = %s",  # noqa: S608
            f"DELETE FROM {table} WHERE inspection_id = %s",  # noqa: S608
            f"INSERT INTO {table} SELECT (jsonb_populate_record(t, jsonb_build_object('id', "  # noqa: S608
            f"t.id + 100000))).* FROM {table} t WHERE inspection_id = %s",
        ):
            with refused_by("inspections_only_while_open"):
                sql(statement, inspection.pk)
        with refused_by("inspections_only_while_open"):
            sql(move.format(table), other.pk, inspection.pk)


def test_the_database_locks_a_closed_inspection(bench: Bench, signed: Inspection) -> None:
    for statement in (
        "UPDATE inspections_inspection SET complaint = 'other' WHERE id = %s",
        "UPDATE inspections_inspection SET state = 'open' WHERE id = %s",
        "UPDATE inspections_inspection SET state = 'superseded', complaint = 'x' WHERE id = %s",
        "DELETE FROM inspections_inspection WHERE id = %s",
    ):
        with refused_by("inspections_inspection_closed_is_fixed"):
            sql(statement, signed.pk)
    # The one move that is left to it.
    assert sql("UPDATE inspections_inspection SET state = 'superseded' WHERE id = %s", signed.pk)
    with refused_by("inspections_inspection_closed_is_fixed"):
        sql("UPDATE inspections_inspection SET state = 'signed' WHERE id = %s", signed.pk)


def test_the_database_takes_no_reading_before_zero_is_proved(bench: Bench) -> None:
    measured = factories.make_inspection(
        bench.technician, factories.make_pump(bench.site, bench.pump.model)
    )
    factories.measure_all(bench.technician, measured)
    inspection = factories.make_inspection(bench.technician, bench.pump, isolated=False)
    with refused_by("inspections_proved_zero_first"):
        sql(
            "INSERT INTO inspections_reading (inspection_id, line_id, position, term, "
            "instrument_id, unit, tries, low, high, is_value, taken_by_id, taken_at) "
            "SELECT %s, line_id, position, term, instrument_id, unit, tries, low, high, is_value, "
            "taken_by_id, taken_at FROM inspections_reading WHERE inspection_id = %s",
            inspection.pk,
            measured.pk,
        )
    assert not Reading.objects.filter(inspection=inspection).exists()
