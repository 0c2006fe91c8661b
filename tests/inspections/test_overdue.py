"""Readings with an instrument past its calibration date: marked, held up, accepted by name."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from fleet.faults import Conflict, Fault, NotAllowed, Stale
from fleet.models import User
from fleet.roles import Role
from inspections.instrument_selectors import overdue_uses
from inspections.models import Inspection, Instrument, OverdueAcceptance
from inspections.services import dispositions, overdue, readings, signing
from tests import factories
from tests.factories import SIDE
from tests.inspections.conftest import Bench, Client, refused_by, sql
from tests.inspections.http import problem

RAN_OUT = date(2026, 1, 31)
As = Callable[[User], Client]


@pytest.fixture
def old_set(bench: Bench) -> Instrument:
    return factories.make_leaf_set(bench.site, calibration_due_on=RAN_OUT)


def measure(
    actor: User, inspection: Inspection, instrument: Instrument, place: int = 0, end: str = "0.09"
) -> Any:
    line = factories.line_named(inspection, SIDE)
    return readings.record_tries(
        actor=actor,
        inspection=inspection,
        line=line.pk,
        position=line.positions[place],
        instrument=instrument,
        tries=factories.bracketed("0.08", end),
    )


def complete(bench: Bench, old_set: Instrument, opener: User) -> Inspection:
    """All measured, looked at and proposed; one reading taken with the overdue set."""
    inspection = factories.make_inspection(opener, bench.pump)
    factories.measure_all(opener, inspection)
    measure(opener, inspection, old_set)
    factories.look_at_all(opener, inspection)
    dispositions.propose_all(actor=opener, inspection=inspection)
    inspection.refresh_from_db()
    return inspection


@pytest.fixture
def ready(bench: Bench, old_set: Instrument) -> Inspection:
    return complete(bench, old_set, bench.technician)


@pytest.fixture
def awaiting(bench: Bench, old_set: Instrument) -> Inspection:
    return signing.sign(actor=bench.trainee, inspection=complete(bench, old_set, bench.trainee))


def accept(actor: User, inspection: Inspection, instrument: Instrument, **more: Any) -> Any:
    values = {"reason": "Checked against gauge blocks", **more}
    return overdue.accept_overdue(
        actor=actor, inspection=inspection, instrument=instrument, **values
    )


def faults_of(caught: pytest.ExceptionInfo[Fault]) -> list[tuple[str, str]]:
    return [(fault.field, fault.code) for fault in caught.value.each()]


# --- What it holds up ---------------------------------------------------------------------------


def test_the_reading_is_taken_and_marked_and_holds_up_the_only_signature(
    bench: Bench, ready: Inspection, old_set: Instrument
) -> None:
    assert list(
        ready.readings.filter(instrument=old_set).values_list("overdue_since", flat=True)
    ) == [RAN_OUT]
    # Judged like any other: nothing but the signature waits.
    assert ready.verdicts.get(line__characteristic=SIDE).outcome == "within"
    with pytest.raises(Fault) as caught:
        signing.sign(actor=bench.technician, inspection=ready)
    assert faults_of(caught) == [(f"overdue.{old_set.pk}", "overdue_instrument")]
    assert caught.value.detail.startswith(
        f"{old_set.identity} was overdue for calibration since 31 Jan 2026 when 1 reading was "
        "taken with it."
    )
    ready.refresh_from_db()
    assert ready.state == "open"
    accept(bench.competent, ready, old_set)
    assert signing.sign(actor=bench.technician, inspection=ready).state == "signed"


def test_a_signature_that_is_looked_at_later_does_not_wait(
    bench: Bench, awaiting: Inspection, old_set: Instrument
) -> None:
    assert awaiting.state == "awaiting_countersignature"
    with pytest.raises(Fault) as caught:
        signing.countersign(actor=bench.competent, inspection=awaiting)
    assert faults_of(caught) == [(f"overdue.{old_set.pk}", "overdue_instrument")]
    awaiting.refresh_from_db()
    assert (awaiting.state, awaiting.countersigned_by) == ("awaiting_countersignature", None)
    accept(bench.supervisor, awaiting, old_set)
    done = signing.countersign(actor=bench.competent, inspection=awaiting)
    assert done.state == "signed"


def test_a_trainee_signs_what_somebody_qualified_opened_and_it_waits_there(
    bench: Bench, ready: Inspection
) -> None:
    signed = signing.sign(actor=bench.trainee, inspection=ready)
    assert signed.state == "awaiting_countersignature"


def test_taken_again_with_another_instrument_nothing_is_left_to_accept(
    bench: Bench, ready: Inspection, old_set: Instrument
) -> None:
    measure(bench.technician, ready, factories.make_leaf_set(bench.site))
    assert overdue_uses(ready) == []
    with pytest.raises(Conflict) as caught:
        accept(bench.competent, ready, old_set)
    assert caught.value.code == "nothing_to_accept"
    dispositions.propose_all(actor=bench.technician, inspection=ready)
    assert signing.sign(actor=bench.technician, inspection=ready).state == "signed"


def test_each_instrument_is_accepted_by_itself(
    bench: Bench, ready: Inspection, old_set: Instrument
) -> None:
    other = factories.make_leaf_set(bench.site, calibration_due_on=RAN_OUT)
    measure(bench.technician, ready, other, 1)
    accept(bench.competent, ready, old_set)
    with pytest.raises(Fault) as caught:
        signing.sign(actor=bench.technician, inspection=ready)
    assert faults_of(caught) == [(f"overdue.{other.pk}", "overdue_instrument")]


# --- Who accepts what ---------------------------------------------------------------------------


def test_an_acceptance_names_who_when_and_why_and_counts_the_version_on(
    bench: Bench, ready: Inspection, old_set: Instrument
) -> None:
    given = accept(bench.competent, ready, old_set, reason="  Checked  ", version=ready.version)
    kept = OverdueAcceptance.objects.get(inspection=ready)
    assert (kept, kept.reason, kept.accepted_by) == (given, "Checked", bench.competent)
    before = ready.version
    ready.refresh_from_db()
    assert ready.version == before + 1
    with pytest.raises(Conflict) as caught:
        accept(bench.supervisor, ready, old_set)
    assert caught.value.code == "already_accepted"
    with pytest.raises(Stale):
        accept(bench.supervisor, ready, old_set, version=before)


@pytest.mark.parametrize("who", ["technician", "trainee", "auditor", "outsider"])
def test_it_takes_somebody_who_may_countersign_there(
    bench: Bench, ready: Inspection, old_set: Instrument, who: str
) -> None:
    with pytest.raises(NotAllowed):
        accept(getattr(bench, who), ready, old_set)
    assert not OverdueAcceptance.objects.exists()


def test_nobody_accepts_readings_of_their_own(
    bench: Bench, ready: Inspection, old_set: Instrument
) -> None:
    measure(bench.competent, ready, old_set, 1)
    with pytest.raises(NotAllowed) as caught:
        accept(bench.competent, ready, old_set)
    assert caught.value.code == "own_work"
    assert accept(bench.supervisor, ready, old_set).accepted_by == bench.supervisor


@pytest.mark.parametrize(("reason", "code"), [(" ", "invalid"), ("x" * 301, "max_length")])
def test_it_takes_a_reason(
    bench: Bench, ready: Inspection, old_set: Instrument, reason: str, code: str
) -> None:
    with pytest.raises(Fault) as caught:
        accept(bench.competent, ready, old_set, reason=reason)
    assert (caught.value.field, caught.value.code) == ("reason", code)
    assert not OverdueAcceptance.objects.exists()


def test_an_acceptance_does_not_cover_what_is_read_later(
    bench: Bench, ready: Inspection, old_set: Instrument
) -> None:
    first = accept(bench.supervisor, ready, old_set)
    # Whoever accepted cannot bring in a reading of their own under it either.
    measure(bench.supervisor, ready, old_set, 1)
    assert [use.accepted for use in overdue_uses(ready)] == [False]
    with pytest.raises(NotAllowed):
        accept(bench.supervisor, ready, old_set)
    again = accept(bench.competent, ready, old_set)
    assert (again.pk, again.accepted_by) == (first.pk, bench.competent)
    assert [use.accepted for use in overdue_uses(ready)] == [True]


def test_one_more_leaf_in_an_accepted_gap_is_accepted_anew(
    bench: Bench, ready: Inspection, old_set: Instrument
) -> None:
    accept(bench.supervisor, ready, old_set)
    line = factories.line_named(ready, SIDE)
    readings.add_try(
        actor=bench.technician,
        inspection=ready,
        line=line.pk,
        position=line.positions[0],
        instrument=old_set,
        leaves=[factories.D("0.10")],
        feel=factories.Feel.REFUSES,
    )
    assert [use.accepted for use in overdue_uses(ready)] == [False]


def test_a_correction_starts_without_acceptances(
    bench: Bench, ready: Inspection, old_set: Instrument
) -> None:
    accept(bench.competent, ready, old_set)
    signed = signing.sign(actor=bench.technician, inspection=ready)
    with pytest.raises(Conflict) as caught:
        accept(bench.supervisor, signed, old_set)
    assert caught.value.code == "closed"
    new = signing.supersede(actor=bench.supervisor, inspection=signed, why="Wrong drive gear")
    assert [(use.accepted, use.acceptance) for use in overdue_uses(new)] == [(False, None)]
    with pytest.raises(Fault):
        signing.sign(actor=bench.supervisor, inspection=new)
    accept(bench.competent, new, old_set)
    assert signing.sign(actor=bench.supervisor, inspection=new).state == "signed"


# --- By raw SQL ---------------------------------------------------------------------------------


def test_the_database_fixes_acceptances_with_the_inspection(
    bench: Bench, ready: Inspection, old_set: Instrument
) -> None:
    table = "inspections_overdueacceptance"
    other = factories.make_inspection(
        bench.technician, factories.make_pump(bench.site, bench.pump.model)
    )
    accept(bench.competent, ready, old_set)
    # Open still: it may be written, but it stays with its inspection.
    assert sql(f"UPDATE {table} SET reason = 'other'") == 1  # noqa: S608
    with refused_by("inspections_only_while_under_work"):
        sql(f"UPDATE {table} SET inspection_id = %s", other.pk)  # noqa: S608
    signing.sign(actor=bench.technician, inspection=ready)
    for statement in (
        f"UPDATE {table} SET reason = 'yet another'",  # noqa: S608
        f"DELETE FROM {table}",  # noqa: S608
        f"INSERT INTO {table} SELECT (jsonb_populate_record(t, jsonb_build_object('id', "  # noqa: S608
        f"t.id + 100000))).* FROM {table} t",
    ):
        with refused_by("inspections_only_while_under_work"):
            sql(statement)


# --- Over HTTP ----------------------------------------------------------------------------------


def test_an_acceptance_over_http(
    bench: Bench, ready: Inspection, old_set: Instrument, as_: As
) -> None:
    technician, competent = as_(bench.technician), as_(bench.competent)
    here = f"inspections/{ready.pk}"
    before = technician.get(here).json()
    reading = ready.readings.get(instrument=old_set, replaced_at__isnull=True)
    assert before["overdue"] == [
        {
            "instrument": {
                "id": old_set.pk,
                "identity": old_set.identity,
                "name": old_set.name,
            },
            "overdue_since": "2026-01-31",
            "readings": [reading.pk],
            "accepted": False,
            "acceptance": None,
        }
    ]
    assert [each["step"] for each in before["to_do"]] == [f"overdue.{old_set.pk}"]
    body = {"instrument": old_set.pk, "reason": "Checked against gauge blocks"}
    assert problem(technician.post(f"{here}/overdue-acceptances", body)) == (
        403,
        [("", "not_allowed")],
    )
    elsewhere = factories.make_leaf_set(bench.elsewhere)
    assert problem(
        competent.post(f"{here}/overdue-acceptances", {**body, "instrument": elsewhere.pk})
    ) == (422, [("/instrument", "does_not_exist")])
    done = competent.post(f"{here}/overdue-acceptances", body)
    assert done.status_code == 201
    assert (done.json()["accepted"], done.json()["acceptance"]["reason"]) == (
        True,
        "Checked against gauge blocks",
    )
    assert problem(competent.post(f"{here}/overdue-acceptances", body)) == (
        409,
        [("/instrument", "already_accepted")],
    )
    after = technician.get(f"{here}/report").json()
    assert (after["overdue"], after["to_do"]) == ([done.json()], [])
    assert [
        r["overdue_since"] for r in after["readings"] if r["instrument"]["id"] == old_set.pk
    ] == ["2026-01-31"]


def test_what_awaits_its_countersignature_has_nothing_to_do_before_signing(
    bench: Bench, old_set: Instrument, as_: As
) -> None:
    inspection = complete(bench, old_set, bench.trainee)
    shown = as_(bench.trainee).get(f"inspections/{inspection.pk}").json()
    assert (shown["to_do"], [each["accepted"] for each in shown["overdue"]]) == ([], [False])


def test_a_competent_person_of_another_site_finds_nothing(
    bench: Bench, ready: Inspection, old_set: Instrument, as_: As
) -> None:
    stranger = factories.make_person(bench.elsewhere, Role.COMPETENT_PERSON)
    answer = as_(stranger).post(
        f"inspections/{ready.pk}/overdue-acceptances",
        {"instrument": old_set.pk, "reason": "Checked"},
    )
    assert problem(answer) == (404, [("", "not_found")])
