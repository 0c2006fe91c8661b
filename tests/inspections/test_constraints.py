"""Each database rule of the inspections' tables, broken once by raw SQL."""

from __future__ import annotations

from typing import Any

import pytest
from django.apps import apps
from django.db import DatabaseError, IntegrityError, connection, transaction

from fleet.plumbing.problems import CONSTRAINTS
from inspections.constraints import INSPECTIONS_CONSTRAINTS
from inspections.services import photos
from tests import factories
from tests.inspections.conftest import Bench, sql
from tests.inspections.pictures import upload

# Raised by triggers under these names; the cases are in test_signing.py.
OF_TRIGGERS = {
    "inspections_inspection_closed_is_fixed",
    "inspections_proved_zero_first",
    "inspections_only_while_open",
}
# What Django itself names, not our models.
BY_DJANGO = {"inspections_nameplate_inspection_id_key"}


def _set(table: str, change: str, where: str = "true") -> str:
    return f"UPDATE inspections_{table} SET {change} WHERE {where}"  # noqa: S608


def _copy(table: str) -> str:
    """One row once more, under another id."""
    name = f"inspections_{table}"
    return (
        f"INSERT INTO {name} SELECT (jsonb_populate_record(t, jsonb_build_object('id', "  # noqa: S608
        f"t.id + 100000))).* FROM {name} t ORDER BY t.id LIMIT 1"
    )


_SIGNED = "signed_by_id = opened_by_id, signed_at = now()"
BROKEN: dict[str, str] = {
    "inspections_instrument_identity_once": _copy("instrument"),
    "inspections_instrument_kind": _set("instrument", "kind = 'ruler'", "kind <> 'feeler'"),
    "inspections_instrument_unit": _set("instrument", "unit = 'ell'"),
    "inspections_instrument_leaves_of_a_set": _set("instrument", "leaves = '{}'"),
    "inspections_instrument_resolution": _set("instrument", "resolution = 0", "kind <> 'feeler'"),
    "inspections_inspection_state": _set("inspection", "state = 'asleep'"),
    "inspections_inspection_reason": _set("inspection", "reason = 'fun'"),
    "inspections_inspection_one_under_work": _copy("inspection"),
    "inspections_inspection_one_correction": _set(
        "inspection", "supersedes_id = (SELECT min(id) FROM inspections_inspection)"
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
    "inspections_verdict_once": _copy("verdict"),
    "inspections_verdict_outcome": _set("verdict", "outcome = 'perhaps'"),
    "inspections_verdict_waiver_has_name_and_reason": _set("verdict", "waived_reason = 'so'"),
    "inspections_finding_once": _copy("finding"),
    "inspections_finding_component": _set("finding", "component = 'tail'"),
    "inspections_finding_word": _set("finding", "word = 'ugly', severity = 1"),
    "inspections_finding_cause": _set("finding", "cause = 'bad luck'"),
    "inspections_finding_severity": _set("finding", "severity = 1"),
    "inspections_photo_once": _copy("photo"),
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
    for _ in range(2):
        factories.make_inspection(
            bench.technician, factories.make_pump(bench.site, bench.pump.model)
        )


@pytest.mark.usefixtures("rows")
def test_the_database_refuses_what_each_rule_forbids() -> None:
    # One test for all: building the rows takes longer than breaking them.
    assert {name: refusal_of(statement) for name, statement in BROKEN.items()} == {
        name: name for name in BROKEN
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
    }
