"""The database itself refuses what must not be, however it is written: one case per constraint."""

# ruff: noqa: S608  # raw SQL of fixed words is what these tests are about

from __future__ import annotations

from dataclasses import dataclass

import pytest
from django.apps import apps
from django.db import DatabaseError, IntegrityError, connection, transaction

from fleet.constraints import FLEET_CONSTRAINTS
from fleet.models import LimitSheet, Membership, PumpMove, SheetLine
from fleet.plumbing.problems import CONSTRAINTS, fault_of
from fleet.services import pumps, sheets
from fleet.services.people import grant_role
from tests import factories
from tests.fleet.conftest import People


@dataclass(frozen=True)
class Rows:
    """Rows to spoil: ids that the statements below name."""

    user: int
    site: int
    other_site: int
    member: int
    model: int
    other_model: int
    sheet: int
    issued: int
    each: int
    leaf: int
    spread: int
    difference: int
    not_applicable: int
    pump: int
    other_pump: int


@pytest.fixture
def rows(people: People) -> Rows:
    model, other_model = factories.make_model(), factories.make_model()
    issued = factories.make_issued_sheet(model, revision="A")
    draft = sheets.revise_sheet(actor=people.supervisor, sheet=issued, revision="B")
    line = {row.judged_by: row.pk for row in draft.lines.order_by("-order")}
    pump = factories.make_pump(people.north, model, tag="HP-1", serial="S-1")
    other_pump = factories.make_pump(people.north, model, tag="HP-2", serial="S-2")
    grant_role(actor=people.outsider, user=people.manager, site=people.harbour, role="auditor")
    pumps.move_pump(actor=people.manager, pump=other_pump, to_site=people.harbour, why="On loan")
    return Rows(
        user=people.technician.pk,
        site=people.north.pk,
        other_site=people.harbour.pk,
        member=Membership.objects.get(user=people.technician).pk,
        model=model.pk,
        other_model=other_model.pk,
        sheet=draft.pk,
        issued=issued.pk,
        each=line["each"],
        leaf=line["leaf_enters"],
        spread=line["spread"],
        difference=line["difference"],
        not_applicable=line["not_applicable"],
        pump=pump.pk,
        other_pump=other_pump.pk,
    )


def line(change: str, of: str = "each") -> str:
    return f"UPDATE fleet_sheetline SET {change} WHERE id = {{{of}}}"


def model(change: str) -> str:
    return f"UPDATE fleet_pumpmodel SET {change} WHERE id = {{model}}"


def sheet(change: str, of: str = "sheet") -> str:
    return f"UPDATE fleet_limitsheet SET {change} WHERE id = {{{of}}}"


def pump(change: str) -> str:
    return f"UPDATE fleet_pump SET {change} WHERE id = {{pump}}"


def hours(meter_h: str, running_h: str, read_at: str = "now()") -> str:
    return (
        "INSERT INTO fleet_hoursreading (pump_id, meter_h, running_h, read_at, meter_changed, "
        f"by_id, note) VALUES ({{pump}}, {meter_h}, {running_h}, {read_at}, false, {{user}}, '')"
    )


def change(new: str, why: str) -> str:
    return (
        "INSERT INTO fleet_statuschange (pump_id, old, new, by_id, at, why) "
        f"VALUES ({{pump}}, 'spare', '{new}', {{user}}, now(), '{why}')"
    )


def move(to_site: str, why: str) -> str:
    return (
        "INSERT INTO fleet_pumpmove (pump_id, from_site_id, to_site_id, by_id, at, why) "
        f"VALUES ({{pump}}, {{site}}, {{{to_site}}}, {{user}}, now(), '{why}')"
    )


def rule(figures: str) -> str:
    return (
        "INSERT INTO fleet_sheetrule (sheet_id, kind, guard_z, p_accept, p_reject, why, "
        f"chosen_by_id, chosen_at) VALUES ({{issued}}, {figures}, {{user}}, now())"
    )


def copied_line() -> str:
    columns = ", ".join(
        f'"{c.column}"' for c in SheetLine._meta.concrete_fields if c.column != "id"
    )
    return (
        f"INSERT INTO fleet_sheetline ({columns}) SELECT {columns} FROM fleet_sheetline "
        "WHERE id = {each}"
    )


BOUNDED = {
    # One of a pair is null here, so that no other rule is broken before this one.
    "fleet_sheetline_limit_low_bounded": line("limit_low = -100000", of="difference"),
    "fleet_sheetline_limit_high_bounded": line("limit_high = 'NaN'"),
    "fleet_sheetline_new_low_bounded": line("new_low = -100000", of="difference"),
    "fleet_sheetline_new_high_bounded": line("limit_high = NULL, limit_low = 0, new_high = 100000"),
    "fleet_sheetline_also_limit_low_bounded": line("also_limit_low = 100000"),
    "fleet_sheetline_also_limit_high_bounded": line("also_limit_high = 'Infinity'"),
    "fleet_sheetline_also_new_low_bounded": line("also_new_low = 'NaN'"),
    "fleet_sheetline_also_new_high_bounded": line("also_new_high = 100000"),
    "fleet_sheetline_allowance_bounded": line("allowance = 'NaN'", of="difference"),
}

CASES: dict[str, str] = {
    **BOUNDED,
    "fleet_user_username_key": "UPDATE fleet_user SET username = "
    "(SELECT username FROM fleet_user WHERE id <> {user} LIMIT 1) WHERE id = {user}",
    "fleet_user_named": "UPDATE fleet_user SET full_name = '' WHERE id = {user}",
    "fleet_site_code_key": "UPDATE fleet_site SET code = 'harbour-yard' WHERE id = {site}",
    "fleet_site_name_key": "UPDATE fleet_site SET name = 'Harbour Yard' WHERE id = {site}",
    "fleet_membership_once": "INSERT INTO fleet_membership (user_id, site_id, role, is_trainee) "
    "VALUES ({user}, {site}, 'technician', true)",
    "fleet_membership_role": "UPDATE fleet_membership SET role = 'captain' WHERE id = {member}",
    "fleet_membership_trainee_is_technician": "UPDATE fleet_membership SET role = 'auditor', "
    "is_trainee = true WHERE id = {member}",
    "fleet_pumpmodel_designation_once": "UPDATE fleet_pumpmodel SET designation = "
    "(SELECT designation FROM fleet_pumpmodel WHERE id = {other_model}) WHERE id = {model}",
    "fleet_pumpmodel_family": model("family = 'turbine'"),
    "fleet_pumpmodel_rotation": model("rotation = 'both'"),
    "fleet_pumpmodel_oil_grade": model("oil_grade_vg = 45"),
    "fleet_pumpmodel_displacement": model("displacement_cm3 = 'NaN'"),
    "fleet_pumpmodel_pressure": model("rated_pressure_bar = 0"),
    "fleet_pumpmodel_speeds": model("speed_min_rpm = speed_max_rpm"),
    "fleet_pumpmodel_mass": model("mass_kg = 'NaN'"),
    "fleet_limitsheet_revision_once": sheet("revision = 'A'"),
    "fleet_limitsheet_one_in_force": sheet(
        "state = 'issued', issued_at = now(), issued_by_id = {user}"
    ),
    "fleet_limitsheet_state": sheet("state = 'lost', issued_at = now(), issued_by_id = {user}"),
    "fleet_limitsheet_issued_by_somebody": sheet("issued_at = now()"),
    "fleet_limitsheet_superseded_at": sheet("state = 'superseded'", of="issued"),
    "fleet_limitsheet_issued_is_fixed": sheet("document = 'other'", of="issued"),
    "fleet_sheetline_issued_is_fixed": "DELETE FROM fleet_sheetline WHERE sheet_id = {issued}",
    "fleet_sheetline_once": copied_line(),
    "fleet_sheetline_characteristic": line("characteristic = 'shine'"),
    "fleet_sheetline_component": line("component = 'paint'"),
    "fleet_sheetline_judged_by": line("judged_by = 'guess'"),
    "fleet_sheetline_instrument": line("instrument_kind = 'thumb'"),
    "fleet_sheetline_unit": line("unit = 'cm'"),
    "fleet_sheetline_also_unit": line("also_unit = unit"),
    "fleet_sheetline_limits_in_order": line(
        "limit_low = 0.2, limit_high = 0.1, new_low = NULL, new_high = NULL"
    ),
    "fleet_sheetline_new_in_order": line("new_low = 0.11, new_high = 0.10"),
    "fleet_sheetline_new_within_limits": line("new_high = 0.16"),
    "fleet_sheetline_not_negative": line("limit_low = -0.01"),
    "fleet_sheetline_limit_or_reason": line("not_applicable_reason = ''", of="not_applicable"),
    "fleet_sheetline_leaf_has_one_limit": line("limit_low = 0.01", of="leaf"),
    "fleet_sheetline_spread_has_one_limit": line("limit_low = 0", of="spread"),
    "fleet_sheetline_terms": line("terms = '{{bore}}'", of="difference"),
    "fleet_sheetline_own_is_named": line("name = 'Side gap'"),
    "fleet_sheetline_readings_from": line("readings_from = 'backlash'"),
    "fleet_sheetline_allowance": line("allowance = 0.01"),
    "fleet_sheetrule_kind": rule("'bold', 1, 0.95, 0.05, 'x'"),
    "fleet_sheetrule_guard": rule("'guarded', 0, 0.95, 0.05, 'x'"),
    "fleet_sheetrule_probabilities": rule("'probability', 1, 0.5, 0.05, 'x'"),
    "fleet_sheetrule_why": rule("'guarded', 1, 0.95, 0.05, ''"),
    "fleet_sheetline_has_positions": line("positions = '{{}}'"),
    "fleet_pump_tag_once": "INSERT INTO fleet_pump (site_id, model_id, tag, serial, machine, "
    "position, status, meter_h, running_h, hours_read_at, version) VALUES ({site}, {model}, "
    "'HP-1', 'S-9', 'Loader', '', 'spare', 0, 0, now(), 1)",
    "fleet_pump_serial_once": pump("serial = 'S-2'"),
    "fleet_pump_status": pump("status = 'lost'"),
    "fleet_pump_identified": pump("serial = ''"),
    "fleet_pump_hours": pump("running_h = 'NaN'"),
    "fleet_statuschange_why": change("in_service", ""),
    "fleet_statuschange_new": change("lost", "x"),
    "fleet_pumpmove_why": move("other_site", ""),
    "fleet_pumpmove_elsewhere": move("site", "x"),
    "fleet_hoursreading_once": hours(
        "1", "1", "(SELECT read_at FROM fleet_hoursreading WHERE pump_id = {pump})"
    ),
    "fleet_hoursreading_hours": hours("-0.1", "0"),
}


@pytest.mark.parametrize("name", sorted(CASES))
def test_the_database_refuses(rows: Rows, name: str) -> None:
    statement = CASES[name].format(**vars(rows))
    with (
        pytest.raises(IntegrityError) as refused,
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement)
    assert refused.value.__cause__.diag.constraint_name == name  # type: ignore[union-attr]
    fault = fault_of(refused.value)
    assert fault is not None
    code, sentence, field = FLEET_CONSTRAINTS[name]
    assert (fault.code, fault.detail, fault.field) == (code, sentence, field)


def test_every_constraint_of_the_fleet_has_a_case_and_a_sentence() -> None:
    declared = {
        constraint.name
        for row in apps.get_app_config("fleet").get_models()
        if row.__module__.startswith("fleet.models")
        for constraint in row._meta.constraints
    }
    # Those of the leak paths are broken in test_leak_paths.py, beside what they allow.
    elsewhere = {name for name in FLEET_CONSTRAINTS if name.startswith("fleet_leakpath_")}
    assert declared - set(CASES) - elsewhere == set()
    assert set(CASES) | elsewhere == set(FLEET_CONSTRAINTS)


def test_the_sentences_are_registered() -> None:
    assert FLEET_CONSTRAINTS.items() <= CONSTRAINTS.items()


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE fleet_hoursreading SET meter_h = 1",
        "DELETE FROM fleet_hoursreading",
        "UPDATE fleet_statuschange SET why = 'other'",
        "DELETE FROM fleet_statuschange",
        "UPDATE fleet_pumpmove SET why = 'other'",
        "DELETE FROM fleet_pumpmove",
    ],
)
def test_history_is_appended_and_never_edited(rows: Rows, statement: str) -> None:
    with (
        pytest.raises(DatabaseError, match="Cannot update or delete rows"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement)
    assert PumpMove.objects.get().why == "On loan"
    assert LimitSheet.objects.count() == 2


@pytest.mark.parametrize(
    ("name", "statement"),
    [
        # More ways to break what is broken once above.
        ("fleet_sheetline_terms", line("terms = '{{a,b,c,d,e,f,g}}'", of="difference")),
        ("fleet_sheetline_terms", line("terms = '{{bore,journal}}'")),
        ("fleet_sheetline_own_is_named", line("characteristic = 'own'")),
        ("fleet_sheetline_readings_from", line("readings_from = characteristic", of="spread")),
        ("fleet_sheetline_readings_from", line("readings_from = 'shine'", of="spread")),
        ("fleet_sheetrule_guard", rule("'guarded', 5.001, 0.95, 0.05, 'x'")),
        ("fleet_sheetrule_guard", rule("'guarded', 'NaN', 0.95, 0.05, 'x'")),
        ("fleet_sheetrule_probabilities", rule("'probability', 1, 1, 0.05, 'x'")),
        ("fleet_sheetrule_probabilities", rule("'probability', 1, 0.95, 0, 'x'")),
        ("fleet_sheetrule_probabilities", rule("'probability', 1, 0.95, 0.5, 'x'")),
    ],
)
def test_every_end_of_a_range_is_kept(rows: Rows, name: str, statement: str) -> None:
    with (
        pytest.raises(IntegrityError) as refused,
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement.format(**vars(rows)))
    assert refused.value.__cause__.diag.constraint_name == name  # type: ignore[union-attr]
