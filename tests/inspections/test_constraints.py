"""Each database rule of the inspections' tables, broken once by raw SQL."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.apps import apps
from django.db import DatabaseError, IntegrityError, connection, transaction

from fleet.decisions import RuleKind
from fleet.events import RuleChosen
from fleet.plumbing.problems import CONSTRAINTS
from fleet.services.rules import choose_rule
from fleet.units import LengthUnit
from fleet.vocabulary import Characteristic, InstrumentKind
from inspections.constraints import INSPECTIONS_CONSTRAINTS
from inspections.events import RejudgingGoesOn
from inspections.models import ControlReading, Inspection
from inspections.services import instruments, overdue, photos, readings, rejudging, studies
from inspections.services.studies import Entry
from tests import factories
from tests.inspections.conftest import Bench, sql
from tests.inspections.pictures import upload

# Raised by triggers under these names; the cases are in test_signing.py, test_overdue.py and
# test_studies.py.
OF_TRIGGERS = {
    "inspections_inspection_closed_is_fixed",
    "inspections_proved_zero_first",
    "inspections_only_while_open",
    "inspections_only_while_under_work",
    "inspections_studyreading_closed_is_fixed",
}
# What Django itself names, not our models.
BY_DJANGO = {"inspections_nameplate_inspection_id_key", "inspections_rejudgement_rule_id_key"}


def _set(table: str, change: str, where: str = "true") -> str:
    return f"UPDATE inspections_{table} SET {change} WHERE {where}"  # noqa: S608


def _copy(table: str) -> str:
    """One row once more, under another id."""
    name = f"inspections_{table}"
    return (
        f"INSERT INTO {name} SELECT (jsonb_populate_record(t, jsonb_build_object('id', "  # noqa: S608
        f"t.id + 100000))).* FROM {name} t ORDER BY t.id LIMIT 1"
    )


def _rejudged(column: str, value: str) -> str:
    """One row once more, for a check that is not judged again yet, with another value."""
    name = "inspections_rejudgedverdict"
    return (
        f"INSERT INTO {name} SELECT (jsonb_populate_record(t, jsonb_build_object('id', "  # noqa: S608
        f"t.id + 100000, 'line_id', (SELECT max(id) FROM fleet_sheetline), '{column}', "
        f"'{value}'))).* FROM {name} t ORDER BY t.id LIMIT 1"
    )


_SIGNED = "signed_by_id = opened_by_id, signed_at = now()"
BROKEN: dict[str, str] = {
    "inspections_instrument_identity_once": _copy("instrument"),
    "inspections_instrument_kind": _set("instrument", "kind = 'ruler'", "kind <> 'feeler'"),
    "inspections_instrument_unit": _set("instrument", "unit = 'ell'"),
    "inspections_instrument_leaves_of_a_set": _set("instrument", "leaves = '{}'"),
    "inspections_instrument_resolution": _set("instrument", "resolution = 0", "kind <> 'feeler'"),
    "inspections_instrument_permissible_error": _set("instrument", "permissible_error = 0"),
    "inspections_leafwithdrawal_why": (
        "INSERT INTO inspections_leafwithdrawal (instrument_id, leaf, why, by_id, at) "
        "SELECT instrument_id, leaf, '', by_id, at FROM inspections_leafwithdrawal"
    ),
    "inspections_overdueacceptance_once": _copy("overdueacceptance"),
    "inspections_overdueacceptance_reason": _set("overdueacceptance", "reason = ''"),
    "inspections_inspection_state": _set("inspection", "state = 'asleep'"),
    "inspections_inspection_reason": _set("inspection", "reason = 'fun'"),
    "inspections_inspection_one_under_work": _copy("inspection"),
    "inspections_inspection_one_correction": _set(
        "inspection",
        "supersedes_id = (SELECT min(id) FROM inspections_inspection)",
        "state = 'open'",
    ),
    "inspections_inspection_two_people": _set(
        "inspection",
        f"state = 'signed', {_SIGNED}, countersigned_by_id = opened_by_id, "
        "countersigned_at = now()",
    ),
    "inspections_inspection_signed_by_whom": _set("inspection", "state = 'signed'"),
    "inspections_inspection_awaiting": _set("inspection", "state = 'awaiting_countersignature'"),
    "inspections_inspection_open_is_unsigned": _set("inspection", _SIGNED),
    "inspections_inspection_isolated_before_zero": _set(
        "inspection", "proved_zero_at = isolated_at - interval '1 minute'"
    ),
    "inspections_inspection_hours": _set("inspection", "running_h = -1"),
    "inspections_statechange_why": (
        "INSERT INTO inspections_statechange (inspection_id, old, new, by_id, at, why) "
        "SELECT inspection_id, old, new, by_id, at, '' FROM inspections_statechange LIMIT 1"
    ),
    "inspections_nameplate_inspection_id_key": _copy("nameplate"),
    "inspections_nameplate_serial_or_reason": _set("nameplate", "serial = ''"),
    "inspections_reading_one_in_force": _copy("reading"),
    "inspections_reading_unit": _set("reading", "unit = 'ell'"),
    "inspections_reading_bounded": _set("reading", "low = 100000, high = 100000", "is_value"),
    "inspections_reading_value_or_bracket": _set("reading", "high = low + 1", "is_value"),
    "inspections_reading_uncertainty": _set("reading", "standard_uncertainty = -0.001"),
    "inspections_verdict_once": _copy("verdict"),
    "inspections_verdict_outcome": _set("verdict", "outcome = 'perhaps'"),
    "inspections_verdict_probability": _set("verdict", "probability = 1.01"),
    "inspections_verdict_waiver_has_name_and_reason": _set("verdict", "waived_reason = 'so'"),
    "inspections_finding_once": _copy("finding"),
    "inspections_finding_component": _set("finding", "component = 'tail'"),
    "inspections_finding_word": _set("finding", "word = 'ugly', severity = 1"),
    "inspections_finding_cause": _set("finding", "cause = 'bad luck'"),
    "inspections_finding_severity": _set("finding", "severity = 1"),
    "inspections_photo_once": _copy("photo"),
    "inspections_study_characteristic": _set("study", "characteristic = 'taste'"),
    "inspections_study_instrument_kind": _set("study", "instrument_kind = 'ruler'"),
    "inspections_study_unit": _set("study", "unit = 'ell'"),
    "inspections_study_tolerance": _set("study", "tolerance = 0"),
    "inspections_study_size": _set("study", "trials = 1"),
    "inspections_study_closed_with_result": _set("study", "u = 0.1"),
    "inspections_studyreading_once": _copy("studyreading"),
    "inspections_studyreading_in_order": _set("studyreading", "high = low - 0.01"),
    "inspections_studyreading_trial": _set("studyreading", "trial = 11"),
    "inspections_controlreading_once": _copy("controlreading"),
    "inspections_controlreading_unit": _set("controlreading", "unit = 'ell'"),
    "inspections_controlreading_value_or_bracket": _set("controlreading", "is_value = true"),
    "inspections_rejudgement_progress": _set("rejudgement", "done = total + 1"),
    "inspections_rejudgement_rule_id_key": _copy("rejudgement"),
    "inspections_rejudgedverdict_once": _copy("rejudgedverdict"),
    "inspections_rejudgedverdict_outcome": _rejudged("outcome", "perhaps"),
    "inspections_disposition_once": _copy("componentdisposition"),
    "inspections_disposition_component": _set("componentdisposition", "component = 'tail'"),
    "inspections_disposition_words": _set("componentdisposition", "proposed = 'x', decided = 'x'"),
    "inspections_disposition_overruled_with_reason": _set(
        "componentdisposition", "decided = 'dress_and_reuse'"
    ),
}


@pytest.fixture
def rows(bench: Bench) -> None:
    """A complete open inspection, and two more to tangle it with."""
    inspection = factories.make_inspection(bench.technician, bench.pump)
    photos.add_photo(
        actor=bench.technician, inspection=inspection, component="gears", upload=upload()
    )
    factories.complete_inspection(bench.technician, inspection)
    _accept_overdue(bench, inspection)
    _measure_again(bench, inspection)
    _study(bench)
    _judge_again(bench)
    for _ in range(2):
        factories.make_inspection(
            bench.technician, factories.make_pump(bench.site, bench.pump.model)
        )


def _measure_again(bench: Bench, inspection: Inspection) -> None:
    """Past the service, which waits for the signature."""
    own = inspection.readings.filter(is_value=False, replaced_at__isnull=True).first()
    assert own is not None
    ControlReading.objects.create(
        inspection=inspection,
        line=own.line,
        position=own.position,
        instrument=own.instrument,
        unit=own.unit,
        tries=own.tries,
        low=own.low,
        high=own.high,
        is_value=False,
        taken_by=bench.competent,
        taken_at=own.taken_at,
    )


def _study(bench: Bench) -> None:
    study = studies.open_study(
        actor=bench.competent,
        site=bench.site,
        characteristic=Characteristic.SIDE_CLEARANCE,
        instrument_kind=InstrumentKind.FEELER,
        unit=LengthUnit.MM,
        people=[bench.technician, bench.trainee],
        parts=["HP-1", "HP-2"],
        trials=2,
    )
    studies.record_study_readings(
        actor=bench.technician,
        study=study,
        instrument=factories.make_leaf_set(bench.site),
        entries=[Entry(bench.technician.pk, "HP-1", 1, Decimal("0.08"), Decimal("0.09"))],
    )


def _accept_overdue(bench: Bench, inspection: Inspection) -> None:
    """A reading with an overdue leaf set, accepted; one leaf of the set withdrawn."""
    old_set = factories.make_leaf_set(bench.site, calibration_due_on=date(2026, 1, 31))
    line = factories.line_named(inspection, factories.SIDE)
    readings.record_tries(
        actor=bench.technician,
        inspection=inspection,
        line=line.pk,
        position=line.positions[-1],
        instrument=old_set,
        tries=factories.bracketed("0.08", "0.09"),
    )
    overdue.accept_overdue(
        actor=bench.competent, inspection=inspection, instrument=old_set, reason="Checked"
    )
    instruments.withdraw_leaf(
        actor=bench.competent, instrument=old_set, leaf=old_set.leaves[0], why="Bent"
    )


def _judge_again(bench: Bench) -> None:
    """A signed inspection judged again by a rule that was chosen since."""
    pump = factories.make_pump(bench.site, bench.pump.model)
    signed = factories.make_signed_inspection(bench.technician, pump)
    rule = choose_rule(
        actor=bench.supervisor, sheet=signed.sheet, kind=RuleKind.GUARDED, why="Quality manual"
    )
    row = rejudging.begin(event=RuleChosen(rule.pk, signed.sheet_id, signed.sheet.model_id))
    rejudging.go_on(event=RejudgingGoesOn(row.pk, 0))


@pytest.mark.usefixtures("rows")
def test_the_database_refuses_what_each_rule_forbids() -> None:
    # One test for all: building the rows takes longer than breaking them.
    assert {name: refusal_of(statement) for name, statement in BROKEN.items()} == {
        name: name for name in BROKEN
    }


# An unknown figure is neither above nor below anything, so SQL lets it pass where it is not named.
UNKNOWN = {
    "inspections_reading_value_or_bracket": _set("reading", "high = NULL", "is_value"),
    "inspections_study_closed_with_result": _set(
        "study", "closed_at = now(), closed_by_id = opened_by_id, result = '{}', u = NULL"
    ),
}


@pytest.mark.usefixtures("rows")
def test_what_is_not_known_slips_through_no_rule() -> None:
    assert {name: refusal_of(statement) for name, statement in UNKNOWN.items()} == {
        name: name for name in UNKNOWN
    }


def refusal_of(statement: str) -> str:
    """Name of the rule by which the database refuses it; "" when it does not."""
    try:
        with transaction.atomic():
            sql(statement)
    except IntegrityError as exc:
        cause: Any = exc.__cause__
        return str(cause.diag.constraint_name)
    return ""


def test_every_refusal_has_a_sentence_that_says_what_to_do() -> None:
    for name in INSPECTIONS_CONSTRAINTS:
        code, sentence, _field = CONSTRAINTS[name]
        assert code
        assert sentence.endswith(".")


@pytest.mark.usefixtures("rows")
@pytest.mark.parametrize("change", ["UPDATE {} SET why = 'other'", "DELETE FROM {}"])
def test_the_history_of_states_is_only_added_to(change: str) -> None:
    with pytest.raises(DatabaseError, match="append_only"), transaction.atomic():
        sql(change.format("inspections_statechange"))


def test_no_rule_of_these_tables_is_left_out() -> None:
    declared = {
        constraint.name
        for model in apps.get_app_config("inspections").get_models()
        for constraint in model._meta.constraints
    }
    assert declared | BY_DJANGO == set(BROKEN)
    assert set(BROKEN) | OF_TRIGGERS == set(INSPECTIONS_CONSTRAINTS)


@pytest.mark.django_db
def test_every_trigger_of_the_models_is_in_the_database() -> None:
    declared = {
        (model._meta.db_table, trigger.name)
        for model in apps.get_app_config("inspections").get_models()
        for trigger in getattr(model._meta, "triggers", ())
    }
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT tgrelid::regclass::text, tgname FROM pg_trigger WHERE NOT tgisinternal"
        )
        present = {
            (table, name.removeprefix("pgtrigger_").rsplit("_", 1)[0])
            for table, name in cursor.fetchall()
            if table.startswith("inspections_")
        }
    assert declared == present
    assert {name for _table, name in declared} == {
        "append_only",
        "closed_inspection_is_fixed",
        "only_while_open",
        "only_while_under_work",
        "closed_study_is_fixed",
        "readings_of_closed_study_are_fixed",
    }
