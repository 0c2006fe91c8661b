from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inspections.cause_selectors import Causes, causes_of
from inspections.models import Inspection
from inspections.rules.findings import Cause, Severity, Word
from inspections.services import findings, signing
from tests import factories
from tests.factories import CUT_IN
from tests.inspections.conftest import Bench, Client

As = Callable[[Any], Client]


@pytest.fixture
def open_one(bench: Bench) -> Inspection:
    return factories.make_inspection(bench.technician, bench.pump)


def record(
    bench: Bench,
    inspection: Inspection,
    component: str,
    word: Word,
    severity: Severity = Severity.LIGHT,
    cause: Cause | None = None,
) -> None:
    findings.record_finding(
        actor=bench.technician,
        inspection=inspection,
        component=component,
        word=word,
        severity=severity,
        cause=cause,
    )


def by_name(causes: Causes) -> dict[Cause, Any]:
    return {one.cause: one for one in causes.all}


def test_nothing_found_points_nowhere(bench: Bench, open_one: Inspection) -> None:
    assert causes_of(open_one) == Causes("Nothing found points to a cause.", ())
    factories.complete_inspection(bench.technician, open_one)
    found = causes_of(open_one)
    assert (found.all, found.likely, found.faint) == ((), (), ())


def test_findings_and_verdicts_point_together(bench: Bench, open_one: Inspection) -> None:
    factories.measure_all(bench.technician, open_one, out=[CUT_IN])
    record(bench, open_one, "wear_plate_front", Word.SCORED, Severity.HEAVY)
    record(bench, open_one, "gears", Word.SCORED)
    found = causes_of(open_one)
    assert found.sentence == "The findings point to dirty oil first, then to over-pressure."
    assert [one.cause for one in found.likely] == [Cause.CONTAMINATION]
    assert [one.cause for one in found.faint] == [Cause.OVER_PRESSURE]
    dirt = found.all[0]
    assert (dirt.signs, dirt.strong_signs) == (3, 2)
    # The model is rated 210 bar: 19/17/14 (ISO 4406 code; target of common industry tables).
    assert "dirtier than 19/17/14" in dirt.would_confirm[0].text
    assert found.closing == "Your site rules and licensed persons come first."


def test_single_faint_signs_are_shown_in_full_when_there_is_nothing_else(
    bench: Bench, open_one: Inspection
) -> None:
    record(bench, open_one, "seals", Word.HARDENED)
    found = causes_of(open_one)
    assert [one.cause for one in found.likely] == [Cause.OVERHEATING]
    assert found.faint == ()


def test_a_cause_is_named_by_whoever_recorded_it(bench: Bench, open_one: Inspection) -> None:
    record(bench, open_one, "gears", Word.POLISHED, Severity.POLISH, Cause.WATER_IN_OIL)
    record(bench, open_one, "shafts", Word.POLISHED, Severity.POLISH)
    (water,) = causes_of(open_one).all
    name = bench.technician.get_full_name()
    assert [sign.text for sign in water.evidence] == [f"{name} named it: gears (pair)."]


def test_the_complaint_counts(bench: Bench, open_one: Inspection) -> None:
    Inspection.objects.filter(pk=open_one.pk).update(complaint="Milky oil in the glass")
    open_one.refresh_from_db()
    assert list(by_name(causes_of(open_one))) == [Cause.WATER_IN_OIL]


def test_a_verdict_within_limits_speaks_against(bench: Bench, open_one: Inspection) -> None:
    factories.measure_all(bench.technician, open_one)
    record(bench, open_one, "shafts", Word.BENT)
    pressure = by_name(causes_of(open_one))[Cause.OVER_PRESSURE]
    assert [one.text for one in pressure.against] == [
        "Cut-in depth, housing bore: within limits. Too much pressure deepens the track."
    ]


def test_two_queries_however_much_was_found(bench: Bench, open_one: Inspection) -> None:
    factories.complete_inspection(bench.technician, open_one, out=[CUT_IN])
    record(bench, open_one, "gears", Word.SCORED, cause=Cause.CONTAMINATION)
    record(bench, open_one, "shafts", Word.SCORED, cause=Cause.CONTAMINATION)
    inspection = Inspection.objects.select_related("pump__model").get(pk=open_one.pk)
    with CaptureQueriesContext(connection) as captured:
        causes_of(inspection)
    assert len(captured) == 2


# --- The API ------------------------------------------------------------------------------------


def test_the_api_gives_causes_with_their_signs(bench: Bench, open_one: Inspection, as_: As) -> None:
    record(bench, open_one, "wear_plate_front", Word.SCORED, Severity.HEAVY)
    record(bench, open_one, "wear_plate_rear", Word.NO_DEFECT, Severity.NONE)
    response = as_(bench.auditor).get(f"inspections/{open_one.pk}/causes")
    assert response.status_code == 200
    body = response.json()
    assert list(body) == ["sentence", "causes", "closing"]
    assert body["sentence"] == "Single signs point to dirty oil. One sign alone decides nothing."
    assert body["closing"] == "Your site rules and licensed persons come first."
    (dirt,) = body["causes"]
    assert (dirt["cause"], dirt["in_words"]) == ("contamination", "dirty oil")
    assert (dirt["signs"], dirt["strong_signs"]) == (1, 1)
    assert dirt["evidence"] == [
        {
            "text": "Wear plate, front: scored or scratched, heavy.",
            "because": "Fine particles score rings and a band round the bore.",
            "source": "TM 5-3805-262-34 p.4-264 ff. for wear plates and body; else common "
            "practice, no source",
            "strength": "strong",
        }
    ]
    assert dirt["against"] == [
        {
            "text": "Wear plate, rear: no defect. Dirty oil marks plates first.",
            "source": "common practice, no source",
        }
    ]
    assert [set(one) for one in dirt["would_confirm"]] == [{"text", "source"}] * 2
    assert all(set(one) == {"text", "source", "caution"} for one in dirt["checks"])


def test_some_signs_are_told_apart_from_strong_ones(
    bench: Bench, open_one: Inspection, as_: As
) -> None:
    record(bench, open_one, "seals", Word.HARDENED)
    body = as_(bench.technician).get(f"inspections/{open_one.pk}/causes").json()
    assert [sign["strength"] for sign in body["causes"][0]["evidence"]] == ["some"]


def test_a_signed_inspection_still_tells(bench: Bench, as_: As, open_one: Inspection) -> None:
    factories.complete_inspection(
        bench.technician, open_one, defects={"gears": (Word.CORROSION, Severity.LIGHT)}
    )
    signing.sign(actor=bench.technician, inspection=open_one)
    body = as_(bench.supervisor).get(f"inspections/{open_one.pk}/causes").json()
    assert [one["cause"] for one in body["causes"]] == ["water_in_oil"]


def test_an_outsider_finds_no_causes(bench: Bench, open_one: Inspection, as_: As) -> None:
    assert as_(bench.outsider).get(f"inspections/{open_one.pk}/causes").status_code == 404
    assert as_(bench.technician).post(f"inspections/{open_one.pk}/causes").status_code == 405
