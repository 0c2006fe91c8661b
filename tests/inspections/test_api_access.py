"""The inspections API: who may sign, who sees and who may write, and what locks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from inspections.models import Inspection
from inspections.services import photos, signing
from tests import factories
from tests.factories import SIDE
from tests.inspections.conftest import Bench, Client
from tests.inspections.http import HERE, isolation, leaves, problem, rows
from tests.inspections.pictures import upload

As = Callable[[Any], Client]


@pytest.fixture
def open_one(bench: Bench) -> Inspection:
    return factories.make_inspection(bench.technician, bench.pump)


# --- Signing ----------------------------------------------------------------------------------


@pytest.mark.parametrize("step", ["signature", "countersignature", "return", "abandonment"])
def test_signing_says_which_version_was_read(
    bench: Bench, open_one: Inspection, as_: As, step: str
) -> None:
    client = as_(bench.competent)
    here = f"inspections/{open_one.pk}"
    before = rows()
    missing = client.post(f"{here}/{step}", {"why": "x"})
    assert problem(missing) == (428, [("", "precondition_missing")])
    stale = client.post(f"{here}/{step}", {"why": "x"}, **{"If-Match": f'"{open_one.pk}-1"'})
    assert problem(stale) == (412, [("", "stale")])
    assert stale["ETag"] == client.get(here)["ETag"]
    assert rows() == before


def test_what_changed_after_reading_is_not_signed(
    bench: Bench, open_one: Inspection, as_: As
) -> None:
    factories.complete_inspection(bench.technician, open_one)
    here = f"inspections/{open_one.pk}"
    read = as_(bench.technician).get(here)
    as_(bench.competent).send(
        "patch", f"{here}/dispositions/shafts", {"decided": "replace", "reason": "Blue"}
    )
    answer = as_(bench.technician).post(f"{here}/signature", **{"If-Match": read["ETag"]})
    assert problem(answer) == (412, [("", "stale")])


def test_an_incomplete_inspection_tells_all_that_is_to_do(
    bench: Bench, open_one: Inspection, as_: As
) -> None:
    client = as_(bench.technician)
    here = f"inspections/{open_one.pk}"
    answer = client.post(f"{here}/signature", **{"If-Match": client.get(here)["ETag"]})
    status, errors = problem(answer)
    assert (status, len(errors)) == (422, 14)
    assert ("/components/seals", "invalid") in errors


def test_own_work_is_not_countersigned_and_another_account_may_return_it(
    bench: Bench, as_: As
) -> None:
    inspection = factories.make_signed_inspection(bench.trainee, bench.pump)
    here = f"inspections/{inspection.pk}"
    tag = {"If-Match": as_(bench.trainee).get(here)["ETag"]}
    before = rows()
    own = as_(bench.trainee).post(f"{here}/countersignature", **tag)
    assert own.status_code == 403
    assert rows() == before
    back = as_(bench.competent).post(f"{here}/return", {"why": "Idler again"}, **tag)
    assert (back.status_code, back.json()["state"]) == (200, "open")


def test_a_signed_inspection_is_locked_and_corrected_by_another(bench: Bench, as_: As) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump)
    photo = photos.add_photo(
        actor=bench.technician, inspection=inspection, component="gears", upload=upload()
    )
    factories.complete_inspection(bench.technician, inspection)
    signing.sign(actor=bench.technician, inspection=inspection)
    client = as_(bench.supervisor)
    before = rows()
    for method, path, body in writes(inspection, photo.pk):
        answer = send(client, method, path, body)
        if path.endswith("supersession"):
            continue
        assert answer.status_code == 409, (path, answer.content)
    corrections = Inspection.objects.filter(supersedes=inspection)
    assert corrections.count() == 1
    new = corrections.get()
    assert (new.state, new.readings.count()) == ("open", 12)
    after = rows()
    for table, kept in before.items():
        if table in ("Inspection", "Reading", "Finding", "Photo", "Verdict"):
            assert [row for row in after[table] if row in kept] == kept


# --- Who sees and who may ---------------------------------------------------------------------


def writes(inspection: Inspection, photo: int) -> list[tuple[str, str, Any]]:
    """Every way of writing to an inspection, with a body that would be right in itself."""
    here = f"inspections/{inspection.pk}"
    line = factories.line_named(inspection, SIDE)
    leaf_set = factories.make_leaf_set(inspection.site)
    finding = inspection.findings.order_by("id").first()
    at = {"line": line.pk, "position": line.positions[0]}
    return [
        ("post", f"{here}/cautions", {}),
        ("post", f"{here}/isolation", isolation()),
        ("put", f"{here}/nameplate", {"serial": "OS-1"}),
        ("post", f"{here}/readings", leaves(line.pk, leaf_set.pk, ("0.10", "drag"))),
        ("post", f"{here}/retakes", at),
        ("post", f"{here}/waivers", {"line": line.pk, "reason": "No matter"}),
        ("post", f"{here}/findings", {"component": "gears", "word": "scored", "severity": 2}),
        ("delete", f"{here}/findings/{finding.pk if finding else 0}", None),
        ("upload", f"{here}/photos", {"component": "gears", "file": None}),
        ("delete", f"{here}/photos/{photo}", None),
        ("post", f"{here}/disposition-proposals", {}),
        ("patch", f"{here}/dispositions/gears", {"decided": "replace", "reason": "Blue"}),
        ("post", f"{here}/signature", {}),
        ("post", f"{here}/countersignature", {}),
        ("post", f"{here}/return", {"why": "Again"}),
        ("post", f"{here}/abandonment", {"why": "Wrong pump"}),
        ("post", f"{here}/supersession", {"why": "Mistake"}),
    ]


def send(client: Client, method: str, path: str, body: Any) -> Any:
    if method == "upload":
        return client.upload(path, {**body, "file": upload()})
    return client.send(method, path, body, **{"If-Match": "*"})


READS = ["", "/cautions", "/dispositions", "/report"]


def prepared(bench: Bench) -> tuple[Inspection, int]:
    inspection = factories.make_inspection(bench.technician, bench.pump)
    photo = photos.add_photo(
        actor=bench.technician, inspection=inspection, component="gears", upload=upload()
    )
    factories.look_at_all(bench.technician, inspection)
    return inspection, photo.pk


def test_somebody_of_another_site_finds_nothing_and_changes_nothing(bench: Bench, as_: As) -> None:
    inspection, photo = prepared(bench)
    every = writes(inspection, photo)
    client = as_(bench.outsider)
    before = rows()
    for method, path, body in every:
        assert problem(send(client, method, path, body)) == (404, [("", "not_found")]), path
    here = f"inspections/{inspection.pk}"
    line, leaf_set = every[3][2]["line"], every[3][2]["instrument"]
    ask = {"line": line, "position": HERE, "instrument": leaf_set}
    for read in (*READS, "/next-leaf", f"/photos/{photo}"):
        assert client.get(f"{here}{read}", **ask).status_code == 404, read
    assert client.get("inspections").json()["results"] == []
    opening = client.post("inspections", {"pump": bench.pump.pk, "reason": "planned"})
    assert problem(opening) == (422, [("/pump", "does_not_exist")])
    assert rows() == before


def test_an_auditor_reads_everything_and_changes_nothing(bench: Bench, as_: As) -> None:
    inspection, photo = prepared(bench)
    every = writes(inspection, photo)
    client = as_(bench.auditor)
    before = rows()
    for method, path, body in every:
        assert problem(send(client, method, path, body)) == (403, [("", "not_allowed")]), path
    for read in READS:
        assert client.get(f"inspections/{inspection.pk}{read}").status_code == 200
    shown = client.get(f"inspections/{inspection.pk}/photos/{photo}")
    assert b"".join(shown.streaming_content)[:2] == b"\xff\xd8"
    pump = factories.make_pump(bench.site, bench.pump.model)
    before |= {"Pump": rows()["Pump"]}
    opening = client.post("inspections", {"pump": pump.pk, "reason": "planned"})
    assert problem(opening) == (403, [("", "not_allowed")])
    assert rows() == before


def test_who_is_not_signed_in_is_asked_to(bench: Bench, as_: As) -> None:
    client = as_(bench.technician)
    client.api.force_authenticate(None)
    for path in ("inspections", "instruments", "leaf-sets"):
        assert problem(client.get(path))[0] == 401


def test_a_record_is_only_found_below_its_own_inspection(bench: Bench, as_: As) -> None:
    inspection, photo = prepared(bench)
    other = factories.make_inspection(
        bench.technician, factories.make_pump(bench.site, bench.pump.model)
    )
    client = as_(bench.technician)
    finding = inspection.findings.latest("id").pk
    before = rows()
    for path in (f"findings/{finding}", f"photos/{photo}"):
        assert client.send("delete", f"inspections/{other.pk}/{path}").status_code == 404
    assert rows() == before
    for path in (f"findings/{finding}", f"photos/{photo}"):
        assert client.send("delete", f"inspections/{inspection.pk}/{path}").status_code == 204
    assert not inspection.photos.exists()
