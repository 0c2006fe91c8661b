"""The inspections API: the whole way of a pump over HTTP, readings, lists and files."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from drf_spectacular.generators import SchemaGenerator

from inspections.models import Inspection, Reading
from tests import factories
from tests.factories import BACKLASH, SHAFT_TO_BUSH, SIDE
from tests.inspections.conftest import Bench, Client
from tests.inspections.http import HERE, isolation, leaves, problem, rows
from tests.inspections.pictures import SECRET, picture, upload

As = Callable[[Any], Client]


@pytest.fixture
def open_one(bench: Bench) -> Inspection:
    return factories.make_inspection(bench.technician, bench.pump)


# --- The whole way ----------------------------------------------------------------------------


def test_a_pump_goes_the_whole_way_over_http(bench: Bench, as_: As) -> None:
    trainee, competent = as_(bench.trainee), as_(bench.competent)
    leaf_set = factories.make_leaf_set(bench.site)
    micrometer = factories.make_micrometer(bench.site)

    created = trainee.post(
        "inspections", {"pump": bench.pump.pk, "reason": "breakdown", "complaint": "Slow"}
    )
    assert created.status_code == 201
    assert (created.json()["state"], created.json()["needs_countersignature"]) == ("open", True)
    here = f"inspections/{created.json()['id']}"
    assert created["Location"] == f"/api/v1/{here}"

    cautions = trainee.get(f"{here}/cautions").json()
    assert all(c["text"].endswith("licensed persons come first.") for c in cautions)
    assert len(cautions) == 10
    assert trainee.post(f"{here}/cautions").status_code == 200
    isolated = trainee.post(f"{here}/isolation", isolation())
    assert isolated.status_code == 201
    assert isolated.json()["isolated_by"]["full_name"] == bench.trainee.full_name
    plate = trainee.send("put", f"{here}/nameplate", {"serial": "OS-99999"})
    assert plate.status_code == 200
    assert plate.json()["mismatches"] == [
        f"The plate says serial OS-99999; the register says {bench.pump.serial}."
    ]

    checks = trainee.get(here).json()["checks"]
    for check in checks:
        for place in check["places"]:
            body = {"line": check["line"], "position": place["position"]}
            if check["judged_by"] in ("difference", "spread"):
                figure = {"bore": "20.060", "journal": "20.000"}.get(place["term"], "25.000")
                body |= {
                    "term": place["term"],
                    "instrument": micrometer.pk,
                    "value": figure,
                    "unit": "mm",
                }
            else:
                enters, refuses = factories.GOOD_TRIES[check["characteristic"]]
                body |= leaves(
                    check["line"],
                    leaf_set.pk,
                    (enters, "drag"),
                    (refuses, "refuses"),
                    position=place["position"],
                )
            answer = trainee.post(f"{here}/readings", body)
            assert answer.status_code == 201, answer.json()
    assert answer.json()["check"]["verdict"]["outcome"] == "within"

    to_do = trainee.get(here).json()["to_do"]
    assert {each["step"].split(".")[0] for each in to_do} == {"components"}
    for each in to_do:
        found = trainee.post(
            f"{here}/findings",
            {
                "component": each["step"].split(".")[1],
                "word": "no_defect",
                "severity": 0,
            },
        )
        assert found.status_code == 201
    proposed = trainee.post(f"{here}/disposition-proposals")
    assert proposed.status_code == 201
    assert {d["component"]: d["decided"] for d in proposed.json()}["seals"] == "replace"
    overruled = trainee.send(
        "patch", f"{here}/dispositions/shafts", {"decided": "replace", "reason": "Blue journal"}
    )
    assert (overruled.status_code, overruled.json()["decided"]) == (200, "replace")

    read = trainee.get(here)
    assert (read.json()["to_do"], read.json()["dispositions_outdated"]) == ([], False)
    signed = trainee.post(f"{here}/signature", **{"If-Match": read["ETag"]})
    assert (signed.status_code, signed.json()["state"]) == (200, "awaiting_countersignature")
    assert [i["id"] for i in competent.get("inspections", awaiting=True).json()["results"]] == [
        created.json()["id"]
    ]
    done = competent.post(
        f"{here}/countersignature", {"why": "Measured again"}, **{"If-Match": signed["ETag"]}
    )
    assert (done.status_code, done.json()["state"]) == (200, "signed")

    report = as_(bench.auditor).get(f"{here}/report").json()
    assert [(c["new"], c["why"]) for c in report["state_changes"]] == [
        ("open", "Opened: breakdown"),
        ("awaiting_countersignature", "Signed"),
        ("signed", "Measured again"),
    ]
    assert len(report["readings"]) == 12
    assert report["countersigned_by"]["full_name"] == bench.competent.full_name
    assert report["limit_sheet_document"] == "Ostermoor G2 service sheet OG-114"
    assert (report["corrected_by"], report["nameplate"]["serial"]) == (None, "OS-99999")


def test_an_inspection_shows_its_checks_as_printed(
    bench: Bench, open_one: Inspection, as_: As
) -> None:
    leaf_set = factories.make_leaf_set(bench.site)
    body = as_(bench.auditor).get(f"inspections/{open_one.pk}").json()
    side = body["checks"][0]
    assert {name: side[name] for name in ("limit_high", "new_low", "also_limit_high", "page")} == {
        "limit_high": "0.15",
        "new_low": "0.05",
        "also_limit_high": "0.006",
        "page": "14",
    }
    assert (side["limit"], side["verdict"], side["instruments"]) == (
        "at most 0.15 mm",
        None,
        [leaf_set.pk],
    )
    assert side["missing"] == [p["position"] for p in side["places"]]
    flat = body["checks"][-1]
    assert (flat["applies"], flat["not_applicable_reason"]) == (
        False,
        "Pressure-loaded plates are not flat when free.",
    )
    assert body["isolation"]["lock_number"] == "L-12"


# --- Sent twice -------------------------------------------------------------------------------


def test_opening_sent_twice_opens_once(bench: Bench, as_: As) -> None:
    client = as_(bench.technician)
    body = {"pump": bench.pump.pk, "reason": "planned"}
    first = client.post("inspections", body, **{"Idempotency-Key": "k-1"})
    again = client.post("inspections", body, **{"Idempotency-Key": "k-1"})
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.content == first.content
    assert (again["Idempotent-Replay"], again["Location"]) == ("true", first["Location"])
    assert Inspection.objects.count() == 1
    other = client.post("inspections", {**body, "complaint": "x"}, **{"Idempotency-Key": "k-1"})
    assert problem(other) == (422, [("", "idempotency_key_reused")])


def test_a_signature_sent_twice_is_answered_before_its_tag_is_judged(
    bench: Bench, open_one: Inspection, as_: As
) -> None:
    factories.complete_inspection(bench.technician, open_one)
    client = as_(bench.technician)
    here = f"inspections/{open_one.pk}"
    headers = {"If-Match": client.get(here)["ETag"], "Idempotency-Key": "sign-1"}
    first = client.post(f"{here}/signature", **headers)
    again = client.post(f"{here}/signature", **headers)
    assert (first.status_code, again.status_code) == (200, 200)
    assert again.content == first.content
    assert open_one.state_changes.filter(new="signed").count() == 1


def test_a_post_without_a_key_does_nothing(bench: Bench, as_: As) -> None:
    before = rows()
    answer = as_(bench.technician).api.post(
        "/api/v1/inspections", {"pump": bench.pump.pk, "reason": "planned"}, format="json"
    )
    assert problem(answer) == (400, [("", "idempotency_key_missing")])
    assert rows() == before


# --- Readings ---------------------------------------------------------------------------------


def test_no_reading_before_isolation(bench: Bench, as_: As) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump, isolated=False)
    line = factories.line_named(inspection, SIDE).pk
    leaf_set = factories.make_leaf_set(bench.site)
    before = rows()
    answer = as_(bench.technician).post(
        f"inspections/{inspection.pk}/readings", leaves(line, leaf_set.pk, ("0.10", "drag"))
    )
    assert problem(answer) == (409, [("/isolation", "not_proved_zero")])
    assert rows() == before


def test_readings_come_back_with_their_digits_and_the_verdict(
    bench: Bench, open_one: Inspection, as_: As
) -> None:
    client = as_(bench.technician)
    leaf_set = factories.make_leaf_set(bench.site)
    side = factories.line_named(open_one, SIDE).pk
    answer = client.post(
        f"inspections/{open_one.pk}/readings",
        leaves(side, leaf_set.pk, ("0.10", "free"), ("0.10+0.06", "refuses")),
    ).json()
    assert {k: answer["reading"][k] for k in ("low", "high", "unit", "is_value", "tries")} == {
        "low": "0.10",
        "high": "0.16",
        "unit": "mm",
        "is_value": False,
        "tries": [
            {"leaves": ["0.10"], "feel": "free"},
            {"leaves": ["0.10", "0.06"], "feel": "refuses"},
        ],
    }
    assert answer["check"]["verdict"]["outcome"] == "undecided"
    bore = factories.line_named(open_one, SHAFT_TO_BUSH).pk
    answer = client.post(
        f"inspections/{open_one.pk}/readings",
        {
            "line": bore,
            "position": "drive front",
            "term": "bore",
            "instrument": factories.make_micrometer(bench.site).pk,
            "value": "20,0600",
            "unit": "mm",
        },
    ).json()
    assert (answer["reading"]["low"], answer["reading"]["high"]) == ("20.0600", "20.0600")
    retaken = client.post(
        f"inspections/{open_one.pk}/retakes", {"line": side, "position": HERE}
    ).json()
    assert retaken["places"][0]["reading"] is None
    assert Reading.objects.filter(line=side, replaced_at__isnull=False).count() == 1


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        (
            {"tries": [("0.20", "drag"), ("0.10", "refuses")]},
            (422, [("/tries", "tries_disagree")]),
        ),
        ({"tries": [("0.12", "drag")]}, (422, [("/tries/0/leaves", "leaf_not_in_set")])),
        ({"tries": []}, (422, [("/tries", "no_tries")])),
        ({"tries": [("0.10", "wobbles")]}, (422, [("/tries/0/feel", "invalid_choice")])),
        ({"position": "the moon"}, (422, [("/position", "unknown_position")])),
        ({"line": 0}, (422, [("/line", "unknown_line")])),
        ({"instrument": 0}, (422, [("/instrument", "does_not_exist")])),
        ({"value": "0.10", "unit": "mm"}, (422, [("", "invalid")])),
    ],
)
def test_a_reading_that_cannot_be_says_where_it_is_wrong(
    bench: Bench, open_one: Inspection, as_: As, changed: dict[str, Any], expected: Any
) -> None:
    if "tries" in changed:
        changed = {"tries": leaves(0, 0, *changed["tries"])["tries"]}
    line = factories.line_named(open_one, SIDE).pk
    body = leaves(line, factories.make_leaf_set(bench.site).pk, ("0.10", "drag"))
    before = rows()
    answer = as_(bench.technician).post(f"inspections/{open_one.pk}/readings", {**body, **changed})
    assert problem(answer) == expected
    assert rows() == before


def test_a_json_number_is_no_length(bench: Bench, open_one: Inspection, as_: As) -> None:
    body = {
        "line": factories.line_named(open_one, SIDE).pk,
        "position": HERE,
        "instrument": factories.make_micrometer(bench.site).pk,
        "value": 0.1,
        "unit": "mm",
    }
    answer = as_(bench.technician).post(f"inspections/{open_one.pk}/readings", body)
    assert problem(answer) == (422, [("/value", "not_text")])


def test_a_foreign_instrument_is_refused_like_one_that_does_not_exist(
    bench: Bench, open_one: Inspection, as_: As
) -> None:
    line = factories.line_named(open_one, SIDE).pk
    foreign = factories.make_leaf_set(bench.elsewhere)
    answer = as_(bench.technician).post(
        f"inspections/{open_one.pk}/readings", leaves(line, foreign.pk, ("0.10", "drag"))
    )
    assert problem(answer) == (422, [("/instrument", "does_not_exist")])


def test_the_next_leaf_is_told_before_and_after_the_first(
    bench: Bench, open_one: Inspection, as_: As
) -> None:
    client = as_(bench.technician)
    coarse = factories.make_leaf_set(bench.site, factories.METRIC_20)
    ask = {
        "line": factories.line_named(open_one, SIDE).pk,
        "position": HERE,
        "instrument": coarse.pk,
    }
    here = f"inspections/{open_one.pk}"
    first = client.get(f"{here}/next-leaf", **ask).json()
    assert (first["kind"], first["leaves"], first["thickness"]) == ("try", ["0.20"], "0.20")
    assert (first["set_gap"]["low"], first["set_gap"]["high"]) == ("0.15", "0.20")
    client.post(
        f"{here}/readings",
        leaves(ask["line"], coarse.pk, ("0.15", "drag"), ("0.20", "refuses")),
    )
    then = client.get(f"{here}/next-leaf", **ask).json()
    assert (then["kind"], then["gap_low"], then["gap_high"]) == ("cannot_decide", "0.15", "0.20")
    micrometer = factories.make_micrometer(bench.site)
    refused = client.get(f"{here}/next-leaf", **{**ask, "instrument": micrometer.pk})
    assert problem(refused) == (409, [("/instrument", "leaves_do_not_decide")])


def test_a_waiver_takes_the_role(bench: Bench, open_one: Inspection, as_: As) -> None:
    body = {"line": factories.line_named(open_one, BACKLASH).pk, "reason": "Gear is split"}
    where = f"inspections/{open_one.pk}/waivers"
    assert problem(as_(bench.technician).post(where, body)) == (403, [("", "not_allowed")])
    waived = as_(bench.competent).post(where, body)
    assert waived.status_code == 201
    assert waived.json()["verdict"]["waived_by"]["id"] == bench.competent.pk
    assert waived.json()["is_settled"] is True


# --- Lists ------------------------------------------------------------------------------------


def test_lists_are_narrowed_by_what_is_asked(bench: Bench, open_one: Inspection, as_: As) -> None:
    waiting = factories.make_signed_inspection(
        bench.trainee, factories.make_pump(bench.site, bench.pump.model)
    )
    client = as_(bench.competent)

    def ids(**query: Any) -> list[int]:
        return [row["id"] for row in client.get("inspections", **query).json()["results"]]

    assert ids() == [waiting.pk, open_one.pk]
    assert ids(pump=bench.pump.pk) == [open_one.pk]
    assert ids(site=bench.elsewhere.pk) == []
    assert ids(state="open") == [open_one.pk]
    assert ids(reason="training") == []
    assert ids(awaiting="true") == [waiting.pk]
    assert ids(awaiting="false") == [waiting.pk, open_one.pk]
    assert [
        row["id"]
        for row in as_(bench.trainee).get("inspections", awaiting="true").json()["results"]
    ] == []
    assert problem(client.get("inspections", state="asleep"))[0] == 422


def queries_of(client: Client, path: str) -> int:
    with CaptureQueriesContext(connection) as captured:
        assert client.get(path).status_code == 200
    return len(captured)


def test_a_list_takes_as_many_queries_for_five_as_for_one(
    bench: Bench, open_one: Inspection, as_: As
) -> None:
    client = as_(bench.technician)
    factories.make_leaf_set(bench.site)
    one = {path: queries_of(client, path) for path in ("inspections", "instruments")}
    for _ in range(4):
        factories.make_inspection(
            bench.technician, factories.make_pump(bench.site, bench.pump.model)
        )
        factories.make_leaf_set(bench.site)
    assert len(client.get("inspections").json()["results"]) == 5
    assert (
        {path: queries_of(client, path) for path in one}
        == one
        == {
            "inspections": 1,
            "instruments": 1,
        }
    )


def test_a_full_inspection_takes_as_many_queries_as_a_begun_one(
    bench: Bench, open_one: Inspection, as_: As
) -> None:
    client = as_(bench.technician)
    factories.complete_inspection(bench.technician, open_one)
    paths = [f"inspections/{open_one.pk}", f"inspections/{open_one.pk}/report"]
    full = {path: queries_of(client, path) for path in paths}
    line = factories.line_named(open_one, SIDE)
    leaf_set = factories.make_leaf_set(bench.site)
    for position in line.positions:
        client.post(
            f"inspections/{open_one.pk}/readings",
            leaves(line.pk, leaf_set.pk, ("0.08", "drag"), ("0.09", "refuses"), position=position),
        )
    assert {path: queries_of(client, path) for path in paths} == full


# --- Photos -----------------------------------------------------------------------------------


def test_a_photo_goes_in_with_its_secrets_and_comes_out_without(
    bench: Bench, open_one: Inspection, as_: As
) -> None:
    client = as_(bench.technician)
    where = f"inspections/{open_one.pk}/photos"
    added = client.upload(
        where, {"component": "gears", "file": upload(picture()), "caption": "Drive gear"}
    )
    assert (added.status_code, added.json()["caption"]) == (201, "Drive gear")
    shown = client.api.get(added["Location"])
    content = b"".join(shown.streaming_content)
    assert (shown.status_code, shown["Content-Type"]) == (200, "image/jpeg")
    assert content.startswith(b"\xff\xd8")
    assert SECRET.encode() not in content
    assert client.get(f"inspections/{open_one.pk}").json()["photos"][0]["id"] == added.json()["id"]
    refused = client.upload(where, {"component": "gears", "file": upload(b"<svg/>")})
    assert problem(refused) == (422, [("/file", "not_a_photo")])


# --- Instruments ------------------------------------------------------------------------------


def test_an_instrument_is_registered_shown_and_withdrawn(bench: Bench, as_: As) -> None:
    client = as_(bench.competent)
    body = {
        "site": bench.site.pk,
        "identity": "FG-1",
        "name": "Leaf set at bench 2",
        "kind": "feeler",
        "unit": "mm",
        "leaves": ["0.10", "0.050"],
    }
    added = client.post("instruments", body)
    assert (added.status_code, added.json()["leaves"]) == (201, ["0.050", "0.10"])
    assert client.api.get(added["Location"]).json() == added.json()
    taken = client.post("instruments", body)
    assert problem(taken) == (409, [("/identity", "taken")])
    where = f"instruments/{added.json()['id']}/withdrawal"
    assert problem(as_(bench.technician).post(where)) == (403, [("", "not_allowed")])
    assert problem(as_(bench.outsider).post(where)) == (404, [("", "not_found")])
    assert client.get("instruments", in_use="true").json()["results"] == [added.json()]
    withdrawn = client.post(where)
    assert withdrawn.status_code == 200
    assert withdrawn.json()["withdrawn_at"] is not None
    assert client.get("instruments", in_use="true").json()["results"] == []
    assert as_(bench.outsider).get("instruments").json()["results"] == []


def test_an_instrument_goes_to_ones_own_site_only(bench: Bench, as_: As) -> None:
    answer = as_(bench.competent).post(
        "instruments",
        {
            "site": bench.elsewhere.pk,
            "identity": "FG-1",
            "name": "Leaf set",
            "kind": "feeler",
            "unit": "mm",
            "leaves": ["0.10"],
        },
    )
    assert problem(answer) == (422, [("/site", "does_not_exist")])


def test_usual_leaf_sets_are_there_to_start_from(bench: Bench, as_: As) -> None:
    sets = {each["key"]: each for each in as_(bench.auditor).get("leaf-sets").json()}
    assert sets["metric_20"]["leaves"][:3] == ["0.05", "0.10", "0.15"]
    assert len(sets["metric_20"]["leaves"]) == 20


# --- The document -----------------------------------------------------------------------------


def test_the_document_shows_both_kinds_of_reading_with_examples() -> None:
    document: Any = SchemaGenerator().get_schema(public=True)  # type: ignore[no-untyped-call]
    post = document["paths"]["/api/v1/inspections/{id}/readings"]["post"]
    names = {p["name"] for p in post["parameters"]}
    assert {"Idempotency-Key", "id"} == names
    content = post["requestBody"]["content"]["application/json"]
    either = document["components"]["schemas"][content["schema"]["$ref"].rsplit("/", 1)[1]]
    assert [each["$ref"].rsplit("/", 1)[1] for each in either["oneOf"]] == [
        "LeavesReadingInput",
        "ValueReadingInput",
    ]
    assert set(content["examples"]) == {"Leaves", "Value"}
    sign = document["paths"]["/api/v1/inspections/{id}/signature"]["post"]
    assert {p["name"] for p in sign["parameters"]} == {"Idempotency-Key", "If-Match", "id"}
