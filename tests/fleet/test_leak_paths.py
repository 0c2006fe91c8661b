"""Leak paths of a model: what rules and database refuse, who may set them, the API."""

from __future__ import annotations

from dataclasses import asdict, replace
from decimal import Decimal
from typing import Any

import pytest
from django.db import DatabaseError, IntegrityError, connection, transaction

from fleet.faults import Fault, Faults, NotAllowed, Stale
from fleet.leaks import LEAKING, LeakPathDraft, check_paths, leaking_in
from fleet.models import LeakPath, PumpModel
from fleet.plumbing.problems import CONSTRAINTS, fault_of
from fleet.services.leak_paths import draft_of, set_leak_paths
from fleet.vocabulary import Characteristic, PumpFamily
from tests import factories
from tests.fleet.calls import MakeApi
from tests.fleet.conftest import People
from tests.leaks import BUSH_PATH, SIDE_PATH, TIP_PATH, as_sent, give_leak_paths

D = Decimal
GEAR = PumpFamily.EXTERNAL_GEAR
FACE = LeakPathDraft(
    "rotor_side_clearance", "disc", count=2, diameter_mm=D(60), inner_diameter_mm=D(20)
)


def found(path: LeakPathDraft, family: PumpFamily = GEAR) -> list[tuple[str, str]]:
    return [(fault.field, fault.code) for fault in check_paths([path], family)]


# --- Rules ------------------------------------------------------------------------------------


def test_good_paths_have_no_faults() -> None:
    assert check_paths([SIDE_PATH, TIP_PATH, BUSH_PATH], GEAR) == []
    assert found(FACE, PumpFamily.VANE) == []
    assert found(replace(SIDE_PATH, count=100, gap_factor=D(1))) == []
    assert found(replace(BUSH_PATH, eccentricity=D(0))) == []


@pytest.mark.parametrize(
    ("path", "field", "code"),
    [
        (replace(SIDE_PATH, characteristic="backlash"), "characteristic", "not_leaking"),
        (replace(SIDE_PATH, characteristic="piston_to_bore"), "characteristic", "not_leaking"),
        (replace(SIDE_PATH, characteristic="nonsense"), "characteristic", "not_leaking"),
        (replace(SIDE_PATH, shape="tube"), "shape", "invalid_choice"),
        (replace(SIDE_PATH, width_mm=None), "width_mm", "required"),
        (replace(SIDE_PATH, length_mm=D(0)), "length_mm", "out_of_range"),
        (replace(SIDE_PATH, length_mm=D(100_000)), "length_mm", "out_of_range"),
        (replace(SIDE_PATH, diameter_mm=D(5)), "diameter_mm", "length_not_of_shape"),
        (replace(BUSH_PATH, inner_diameter_mm=D(5)), "inner_diameter_mm", "length_not_of_shape"),
        (replace(BUSH_PATH, diameter_mm=D(-20)), "diameter_mm", "out_of_range"),
        (replace(SIDE_PATH, count=0), "count", "out_of_range"),
        (replace(SIDE_PATH, count=101), "count", "out_of_range"),
        (replace(SIDE_PATH, gap_factor=D(0)), "gap_factor", "out_of_range"),
        (replace(SIDE_PATH, gap_factor=D("1.001")), "gap_factor", "out_of_range"),
        (replace(BUSH_PATH, eccentricity=D("1.001")), "eccentricity", "out_of_range"),
        (replace(BUSH_PATH, eccentricity=D("-0.1")), "eccentricity", "out_of_range"),
        (replace(SIDE_PATH, eccentricity=D("0.5")), "eccentricity", "length_not_of_shape"),
    ],
)
def test_what_a_path_is_refused_for(path: LeakPathDraft, field: str, code: str) -> None:
    assert found(path) == [(f"paths.0.{field}", code)]


@pytest.mark.parametrize("inner", [D(60), D(61)])
def test_a_disc_is_larger_outside(inner: Decimal) -> None:
    fault = check_paths([replace(FACE, inner_diameter_mm=inner)], PumpFamily.VANE)
    assert [(f.field, f.code) for f in fault] == [("paths.0.inner_diameter_mm", "out_of_range")]
    assert fault[0].detail == (
        f"The inner diameter {inner} mm is not smaller than the outer, 60 mm. Check whether the "
        "two are swapped."
    )


def test_all_faults_are_reported_with_their_place() -> None:
    bad = replace(TIP_PATH, width_mm=None, length_mm=None, count=0)
    assert [f.field for f in check_paths([SIDE_PATH, bad], GEAR)] == [
        "paths.1.width_mm",
        "paths.1.length_mm",
        "paths.1.count",
    ]
    twice = check_paths([SIDE_PATH, SIDE_PATH], GEAR)
    assert [(f.field, f.code) for f in twice] == [
        ("paths.0.characteristic", "taken"),
        ("paths.1.characteristic", "taken"),
    ]


def test_every_family_has_clearances_that_leak() -> None:
    assert leaking_in(GEAR) == (
        Characteristic.SIDE_CLEARANCE,
        Characteristic.TIP_CLEARANCE,
        Characteristic.SHAFT_TO_BUSH,
    )
    assert all(leaking_in(family) for family in PumpFamily)
    assert {c for family in PumpFamily for c in leaking_in(family)} == set(LEAKING)


# --- The service ------------------------------------------------------------------------------


def test_setting_replaces_all_and_counts_the_version(people: People) -> None:
    model = factories.make_model()
    before = model.version
    row = give_leak_paths(people.manager, model)
    assert row.version == before + 1
    assert [draft_of(path) for path in row.leak_paths.all()] == [SIDE_PATH, TIP_PATH, BUSH_PATH]
    row = give_leak_paths(people.manager, model, TIP_PATH)
    assert [draft_of(path) for path in row.leak_paths.all()] == [TIP_PATH]
    row = set_leak_paths(actor=people.manager, model=model, paths=[])
    assert not row.leak_paths.exists()


def test_a_refusal_leaves_the_old_paths(people: People) -> None:
    model = give_leak_paths(people.manager, factories.make_model())
    for paths, kind in (
        ([replace(TIP_PATH, width_mm=None)], Fault),
        ([replace(TIP_PATH, width_mm=D("1.2345"))], Fault),  # more places than are kept
        ([replace(TIP_PATH, width_mm=None, count=0)], Faults),
    ):
        with pytest.raises(kind):
            set_leak_paths(actor=people.manager, model=model, paths=paths)
    with pytest.raises(Stale):
        set_leak_paths(actor=people.manager, model=model, paths=[], version=model.version - 1)
    with pytest.raises(NotAllowed):
        set_leak_paths(actor=people.technician, model=model, paths=[])
    assert LeakPath.objects.filter(model=model).count() == 3
    model.refresh_from_db()
    set_leak_paths(actor=people.manager, model=model, paths=[], version=model.version)
    assert LeakPath.objects.filter(model=model).count() == 0


# --- The database -----------------------------------------------------------------------------

COLUMNS = (
    "model_id, characteristic, shape, count, gap_factor, width_mm, length_mm, diameter_mm, "
    "inner_diameter_mm, eccentricity"
)
GOOD = {**asdict(SIDE_PATH), "characteristic": "tip_clearance"}


def insert(model: PumpModel, **changed: Any) -> None:
    values = [model.pk, *{**GOOD, **changed}.values()]
    marks = ", ".join(["%s"] * len(values))
    with connection.cursor() as cursor:
        cursor.execute(
            f"INSERT INTO fleet_leakpath ({COLUMNS}) VALUES ({marks})",  # noqa: S608
            values,
        )


DISC = {
    "shape": "disc",
    "width_mm": None,
    "length_mm": None,
    "diameter_mm": 60,
    "inner_diameter_mm": 20,
}
RING = {"shape": "annulus", "width_mm": None, "diameter_mm": 20}


@pytest.mark.parametrize("changed", [{}, DISC, RING, {"count": 100}, {"gap_factor": 1}])
def test_good_rows_are_taken_as_they_are(people: People, changed: dict[str, Any]) -> None:
    insert(factories.make_model(), **changed)


@pytest.mark.parametrize(
    ("constraint", "changed"),
    [
        ("fleet_leakpath_once", {"characteristic": "side_clearance"}),
        ("fleet_leakpath_characteristic", {"characteristic": "leak"}),
        ("fleet_leakpath_shape", {"shape": "tube"}),
        ("fleet_leakpath_shape", {"width_mm": None}),
        ("fleet_leakpath_shape", {"width_mm": 0}),
        ("fleet_leakpath_shape", {"length_mm": None}),
        ("fleet_leakpath_shape", {"length_mm": -1}),
        ("fleet_leakpath_shape", {"diameter_mm": 20}),
        ("fleet_leakpath_shape", {"inner_diameter_mm": 20}),
        ("fleet_leakpath_shape", {**RING, "width_mm": 5}),
        ("fleet_leakpath_shape", {**RING, "diameter_mm": None}),
        ("fleet_leakpath_shape", {**RING, "length_mm": None}),
        ("fleet_leakpath_shape", {**RING, "inner_diameter_mm": 5}),
        ("fleet_leakpath_shape", {**DISC, "inner_diameter_mm": 60}),
        ("fleet_leakpath_shape", {**DISC, "inner_diameter_mm": None}),
        ("fleet_leakpath_shape", {**DISC, "inner_diameter_mm": 0}),
        ("fleet_leakpath_shape", {**DISC, "length_mm": 5}),
        ("fleet_leakpath_count", {"count": 0}),
        ("fleet_leakpath_count", {"count": 101}),
        ("fleet_leakpath_gap_factor", {"gap_factor": 0}),
        ("fleet_leakpath_gap_factor", {"gap_factor": "1.001"}),
        ("fleet_leakpath_eccentricity", {"eccentricity": "-0.001"}),
        ("fleet_leakpath_eccentricity", {"eccentricity": "1.001"}),
    ],
)
def test_the_database_refuses_under_its_name(
    people: People, constraint: str, changed: dict[str, Any]
) -> None:
    model = give_leak_paths(people.manager, factories.make_model(), SIDE_PATH)
    with pytest.raises(DatabaseError) as caught, transaction.atomic():
        insert(model, **changed)
    cause: Any = caught.value.__cause__
    assert isinstance(caught.value, IntegrityError)
    assert cause.diag.constraint_name == constraint
    fault = fault_of(caught.value)
    code, sentence, field = CONSTRAINTS[constraint]
    assert fault is not None
    assert (fault.code, fault.detail, fault.field) == (code, sentence, field)


# --- The API ----------------------------------------------------------------------------------


def test_reading_and_replacing_by_api(people: People, api: MakeApi) -> None:
    model = factories.make_model()
    path = f"pump-models/{model.pk}/leak-paths"
    client = api(people.manager)
    empty = client.get(path)
    assert (empty.status_code, empty.json()) == (200, {"paths": []})
    assert empty["ETag"] == f'"{model.pk}-{model.version}"'

    sent = {"paths": [as_sent(SIDE_PATH), as_sent(BUSH_PATH)]}
    put = client.put(path, sent, **{"If-Match": empty["ETag"]})
    assert put.status_code == 200, put.content
    assert put["ETag"] == f'"{model.pk}-{model.version + 1}"'
    read = api(people.technician).get(path).json()
    assert read == put.json()
    assert read["paths"][0] == {
        "characteristic": "side_clearance",
        "shape": "slot",
        "count": 4,
        "gap_factor": "0.500",
        "width_mm": "30.000",
        "length_mm": "9.000",
        "diameter_mm": None,
        "inner_diameter_mm": None,
        "eccentricity": "0.000",
    }
    # What was read can be sent back as it is.
    again = client.put(path, read, **{"If-Match": put["ETag"]})
    assert (again.status_code, again.json()) == (200, read)


def test_what_the_api_refuses(people: People, api: MakeApi) -> None:
    model = factories.make_model()
    path = f"pump-models/{model.pk}/leak-paths"
    client = api(people.manager)
    tag = {"If-Match": client.get(path)["ETag"]}
    assert client.put(path, {"paths": []}).status_code == 428
    stale = client.put(path, {"paths": []}, **{"If-Match": '"0-0"'})
    assert stale.status_code == 412
    bad = {"paths": [as_sent(SIDE_PATH), {**as_sent(TIP_PATH), "width_mm": None, "count": 7}]}
    response = client.put(path, bad, **tag)
    assert response.status_code == 422
    assert [(e["pointer"], e["code"]) for e in response.json()["errors"]] == [
        ("/paths/1/width_mm", "required")
    ]
    assert api(people.technician).put(path, {"paths": []}, **tag).status_code == 403
    assert client.get("pump-models/2000000000/leak-paths").status_code == 404
    assert LeakPath.objects.count() == 0
