from __future__ import annotations

import pytest

from fleet.faults import Conflict, Fault, NotAllowed
from inspections import selectors
from inspections.models import ComponentDisposition, Finding, Inspection
from inspections.rules.dispositions import Disposition
from inspections.rules.findings import Cause, Severity, Word
from inspections.services import dispositions, findings, readings
from tests import factories
from tests.factories import BACKLASH, SIDE, leaf
from tests.inspections.conftest import Bench


@pytest.fixture
def open_one(bench: Bench) -> Inspection:
    return factories.make_inspection(bench.technician, bench.pump)


def decided(inspection: Inspection) -> dict[str, str]:
    return dict(
        ComponentDisposition.objects.filter(inspection=inspection).values_list(
            "component", "decided"
        )
    )


def test_a_finding_keeps_what_is_seen_apart_from_what_caused_it(
    bench: Bench, open_one: Inspection
) -> None:
    finding = findings.record_finding(
        actor=bench.technician,
        inspection=open_one,
        component="gears",
        word=Word.SCORED,
        severity=Severity.LIGHT,
        place=" drive, inlet side ",
        cause=Cause.CONTAMINATION,
    )
    assert (finding.place, finding.cause) == ("drive, inlet side", "contamination")
    assert finding.seen_by == bench.technician
    again = findings.record_finding(
        actor=bench.competent,
        inspection=open_one,
        component="gears",
        word=Word.SCORED,
        severity=Severity.HEAVY,
        place="drive, inlet side",
    )
    assert again.pk == finding.pk
    assert Finding.objects.get().severity == 3


def test_no_defect_and_a_defect_exclude_each_other(bench: Bench, open_one: Inspection) -> None:
    def record(word: Word, severity: Severity) -> Finding:
        return findings.record_finding(
            actor=bench.technician,
            inspection=open_one,
            component="gears",
            word=word,
            severity=severity,
        )

    record(Word.NO_DEFECT, Severity.NONE)
    scored = record(Word.SCORED, Severity.LIGHT)
    assert [f.word for f in Finding.objects.all()] == ["scored"]
    with pytest.raises(Conflict) as caught:
        record(Word.NO_DEFECT, Severity.NONE)
    assert caught.value.code == "defect_on_record"
    findings.remove_finding(actor=bench.technician, finding=scored)
    assert not Finding.objects.exists()


@pytest.mark.parametrize(
    ("component", "word", "severity", "code"),
    [
        ("gears", Word.EXTRUDED, Severity.LIGHT, "word_does_not_fit"),
        ("gears", Word.SCORED, Severity.NONE, "severity_contradicts_word"),
        ("gears", Word.NO_DEFECT, Severity.LIGHT, "severity_contradicts_word"),
        ("cam_ring", Word.SCORED, Severity.LIGHT, "unknown_component"),
        ("nonsense", Word.SCORED, Severity.LIGHT, "unknown_component"),
    ],
)
def test_a_finding_that_cannot_be_is_refused(
    bench: Bench,
    open_one: Inspection,
    component: str,
    word: Word,
    severity: Severity,
    code: str,
) -> None:
    with pytest.raises(Fault) as caught:
        findings.record_finding(
            actor=bench.technician,
            inspection=open_one,
            component=component,
            word=word,
            severity=severity,
        )
    assert [f.code for f in caught.value.each()] == [code]
    assert not Finding.objects.exists()


def test_nothing_is_proposed_before_all_is_measured_and_looked_at(
    bench: Bench, open_one: Inspection
) -> None:
    with pytest.raises(Fault) as caught:
        dispositions.propose_all(actor=bench.technician, inspection=open_one)
    fields = [f.field for f in caught.value.each()]
    # Five required checks (tip clearance is not, flatness does not apply) and nine components.
    assert len([f for f in fields if f.startswith("checks.")]) == 5
    assert len([f for f in fields if f.startswith("components.")]) == 9
    assert not ComponentDisposition.objects.exists()


def test_an_undecided_check_blocks_until_it_is_waived(bench: Bench, open_one: Inspection) -> None:
    factories.measure_all(bench.technician, open_one)
    factories.look_at_all(bench.technician, open_one)
    line = factories.line_named(open_one, SIDE)
    leaf_set = factories.make_leaf_set(bench.site)
    readings.record_tries(
        actor=bench.technician,
        inspection=open_one,
        line=line.pk,
        position=line.positions[0],
        instrument=leaf_set,
        tries=factories.bracketed("0.10", "0.20"),
    )
    with pytest.raises(Fault) as caught:
        dispositions.propose_all(actor=bench.technician, inspection=open_one)
    assert [f.field for f in caught.value.each()] == [f"checks.{line.pk}"]
    assert "waived by name and reason" in caught.value.detail
    readings.waive(
        actor=bench.competent, inspection=open_one, line=line.pk, reason="Gear to be replaced"
    )
    rows = dispositions.propose_all(actor=bench.technician, inspection=open_one)
    assert len(rows) == 9


def test_seals_are_always_renewed_and_nothing_brings_them_back(
    bench: Bench, open_one: Inspection
) -> None:
    inspection = factories.complete_inspection(bench.technician, open_one)
    assert decided(inspection) == {
        "seals": "replace",
        **dict.fromkeys(
            (
                "wear_plate_front",
                "wear_plate_rear",
                "gears",
                "shafts",
                "bushes",
                "housing_bore",
                "inlet_port",
                "outlet_port",
            ),
            "reuse",
        ),
    }
    for never in (Disposition.REUSE, Disposition.DRESS):
        with pytest.raises(Conflict) as caught:
            dispositions.overrule(
                actor=bench.supervisor,
                inspection=inspection,
                component="seals",
                decided=never,
                reason="They look new",
            )
        assert caught.value.code == "seals_always_renewed"
    assert decided(inspection)["seals"] == "replace"


def test_a_check_out_of_limits_renews_its_component_and_what_goes_with_it(
    bench: Bench, open_one: Inspection
) -> None:
    inspection = factories.complete_inspection(bench.technician, open_one, out=[BACKLASH])
    # A worn gear goes as a pair and takes its bushes with it (TM 5-3810-306-34).
    now = decided(inspection)
    assert (now["gears"], now["bushes"]) == ("replace_as_set", "replace_as_set")
    assert now["wear_plate_front"] == "reuse"


def test_overruling_needs_a_reason_a_role_and_a_proposal(
    bench: Bench, open_one: Inspection
) -> None:
    def overrule(reason: str, to: Disposition = Disposition.REPLACE) -> ComponentDisposition:
        return dispositions.overrule(
            actor=bench.technician,
            inspection=open_one,
            component="shafts",
            decided=to,
            reason=reason,
        )

    with pytest.raises(Conflict) as too_early:
        overrule("Journal is blue")
    assert too_early.value.code == "nothing_proposed"
    factories.complete_inspection(bench.technician, open_one)
    with pytest.raises(Fault) as caught:
        overrule("  ")
    assert caught.value.field == "reason"
    with pytest.raises(NotAllowed):
        dispositions.overrule(
            actor=bench.auditor,
            inspection=open_one,
            component="shafts",
            decided=Disposition.REPLACE,
            reason="Journal is blue",
        )
    assert decided(open_one)["shafts"] == "reuse"
    row = overrule(" Journal is blue ")
    assert (row.decided, row.overrule_reason) == ("replace", "Journal is blue")
    assert (row.decided_by, row.proposed) == (bench.technician, "reuse")
    back = overrule("", Disposition.REUSE)
    assert (back.decided, back.overrule_reason) == ("reuse", "")


def test_an_overruling_stands_while_its_proposal_does_and_falls_with_it(
    bench: Bench, open_one: Inspection
) -> None:
    factories.complete_inspection(bench.technician, open_one)
    dispositions.overrule(
        actor=bench.technician,
        inspection=open_one,
        component="shafts",
        decided=Disposition.REPLACE,
        reason="Journal is blue",
    )
    dispositions.propose_all(actor=bench.technician, inspection=open_one)
    assert decided(open_one)["shafts"] == "replace"
    assert not selectors.dispositions_outdated(open_one)
    findings.record_finding(
        actor=bench.technician,
        inspection=open_one,
        component="shafts",
        word=Word.BURRED,
        severity=Severity.LIGHT,
    )
    assert selectors.dispositions_outdated(open_one)
    dispositions.propose_all(actor=bench.technician, inspection=open_one)
    row = ComponentDisposition.objects.get(inspection=open_one, component="shafts")
    assert (row.proposed, row.decided, row.overrule_reason) == (
        "dress_and_reuse",
        "dress_and_reuse",
        "",
    )


def test_reasons_are_kept_with_their_sources(bench: Bench, open_one: Inspection) -> None:
    factories.complete_inspection(bench.technician, open_one)
    row = ComponentDisposition.objects.get(inspection=open_one, component="seals")
    assert row.reasons == [
        {
            "text": "A pump that was taken apart gets every seal new.",
            "source": "TM 5-3820-256-24-2 §7-1.4.6; TM 5-3810-307-24-1-2",
        },
    ]


def test_a_verdict_that_replaces_names_the_makers_page(bench: Bench, open_one: Inspection) -> None:
    factories.complete_inspection(bench.technician, open_one, out=[SIDE])
    row = ComponentDisposition.objects.get(inspection=open_one, component="wear_plate_rear")
    line = factories.line_named(open_one, SIDE)
    out = next(r for r in row.reasons if r["text"] == "Side clearance is out of limits.")
    assert open_one.sheet.document in out["source"]
    assert f"page {line.page}" in out["source"]
    # That nothing was seen on it is no reason for anything.
    assert not any("No defect" in r["text"] for r in row.reasons)


def test_a_leaf_that_does_not_decide_is_no_record(bench: Bench, open_one: Inspection) -> None:
    line = factories.line_named(open_one, SIDE)
    readings.record_tries(
        actor=bench.technician,
        inspection=open_one,
        line=line.pk,
        position=line.positions[0],
        instrument=factories.make_leaf_set(bench.site),
        tries=[leaf("0.10")],
    )
    to_do = {f.field: f.detail for f in selectors.blockers(open_one)}
    assert "Still to be measured: drive 6 o'clock, idler 12 o'clock." in to_do[f"checks.{line.pk}"]
