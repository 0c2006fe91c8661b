"""The pages of studies, of measuring again, and of agreement."""

from __future__ import annotations

import re
from decimal import Decimal as D
from typing import Any

import pytest
from django.urls import reverse

from fleet.models import User
from fleet.units import LengthUnit
from fleet.vocabulary import Characteristic, InstrumentKind
from inspections.models import ControlReading, Inspection, Instrument, Study, StudyReading
from inspections.services import controls, signing, studies
from inspections.services.studies import Entry
from tests import factories as make
from tests.factories import SHAFT_TO_BUSH, SIDE
from tests.web.bench import Bench, signed_in, words

STUDIES = reverse("inspections:studies")
BEGIN = reverse("inspections:study-add")
PARTS = ["HP-1", "HP-2"]


@pytest.fixture
def trainee(bench: Bench) -> User:
    return make.make_person(bench.site, trainee=True, full_name="Ilse Brook")


def begin(bench: Bench, trainee: User, **changes: Any) -> Study:
    values: dict[str, Any] = {
        "actor": bench.competent,
        "site": bench.site,
        "characteristic": Characteristic.SIDE_CLEARANCE,
        "instrument_kind": InstrumentKind.FEELER,
        "unit": LengthUnit.MM,
        "people": [bench.technician, trainee],
        "parts": PARTS,
        "trials": 2,
        "tolerance": D("0.10"),
    }
    return studies.open_study(**{**values, **changes})


def fill(
    bench: Bench, study: Study, used: Instrument, ends: dict[tuple[int, str], tuple[str, str]]
) -> None:
    studies.record_study_readings(
        actor=bench.competent,
        study=study,
        instrument=used,
        entries=[
            Entry(person, part, trial, D(low), D(high))
            for (person, part), (low, high) in ends.items()
            for trial in (1, 2)
        ],
    )


def apart(bench: Bench, trainee: User) -> dict[tuple[int, str], tuple[str, str]]:
    return {
        (bench.technician.pk, "HP-1"): ("0.06", "0.07"),
        (trainee.pk, "HP-1"): ("0.07", "0.08"),
        (bench.technician.pk, "HP-2"): ("0.15", "0.20"),
        (trainee.pk, "HP-2"): ("0.15", "0.20"),
    }


def page(study: Study, person: User | None = None) -> str:
    here = reverse("inspections:study", args=[study.pk])
    return here if person is None else f"{here}?person={person.pk}"


# --- Studies ------------------------------------------------------------------------------------


def test_an_empty_list_says_what_will_be_here(bench: Bench) -> None:
    said = words(signed_in(bench.technician).get(STUDIES))
    assert "No study yet." in said
    assert "Begin a study" not in said
    assert "Begin a study" in words(signed_in(bench.competent).get(STUDIES))


def test_a_study_is_begun_on_its_page(bench: Bench, trainee: User) -> None:
    client = signed_in(bench.competent)
    assert trainee.full_name in words(client.get(BEGIN))
    sent = {
        "site": bench.site.pk,
        "characteristic": "side_clearance",
        "instrument_kind": "feeler",
        "unit": "mm",
        "tolerance": "0,10",
        "people": [bench.technician.pk, trainee.pk],
        "parts": "HP-1\n\n HP-2 \n",
        "trials": "2",
    }
    refused = client.post(BEGIN, {**sent, "parts": "HP-1"})
    assert refused.status_code == 422
    assert "Name 2 to 30 parts" in words(refused)
    assert "HP-1" in refused.content.decode(), "what was typed stays"
    answer = client.post(BEGIN, sent)
    study = Study.objects.get()
    assert (answer.status_code, answer.headers["Location"]) == (302, page(study))
    assert (study.parts, study.tolerance) == (PARTS, D("0.10"))
    assert "Beginning a study takes a competent person" in words(
        signed_in(bench.technician).get(BEGIN)
    )


def test_a_person_enters_readings_and_sees_none_of_the_others(bench: Bench, trainee: User) -> None:
    study = begin(bench, trainee)
    fill(bench, study, bench.leaf_set, {(trainee.pk, "HP-1"): ("0.30", "0.40")})
    client = signed_in(bench.technician)
    shown = client.get(page(study))
    assert "2 of 8 readings are in; 6 are still to be taken." in words(shown)
    assert f"Readings of {bench.technician}" in words(shown)
    assert "0.30" not in shown.content.decode()
    # Asking for another person's does not show them either.
    asked = client.get(page(study, trainee))
    assert "0.30" not in asked.content.decode()
    assert 'value="readings"' not in asked.content.decode()
    cells = {"low_0_1": "0.06", "high_0_1": "0,07", "low_1_2": "0", "high_1_2": "0.03"}
    answer = client.post(page(study), {"do": "readings", "instrument": bench.leaf_set.pk, **cells})
    assert answer.status_code == 302
    own = StudyReading.objects.filter(person=bench.technician).order_by("part")
    assert [(r.part, r.trial, r.low, r.high) for r in own] == [
        ("HP-1", 1, D("0.06"), D("0.07")),
        ("HP-2", 2, D(0), D("0.03")),
    ]
    again = client.get(page(study)).content.decode()
    assert re.search(r'name="low_0_1"[^>]*value="0.06"|value="0.06"[^>]*name="low_0_1"', again)


def test_only_what_changed_is_measured_again_and_an_emptied_cell_is_taken_back(
    bench: Bench, trainee: User
) -> None:
    study = begin(bench, trainee)
    fill(bench, study, bench.leaf_set, {(bench.technician.pk, "HP-1"): ("0.06", "0.07")})
    other_set = make.make_leaf_set(bench.site)
    sent = {
        "do": "readings",
        "instrument": other_set.pk,
        "low_0_1": "0.06",
        "high_0_1": "0.07",
        "low_0_2": "",
        "high_0_2": "",
        "low_1_1": "0.07",
        "high_1_1": "0.08",
    }
    assert signed_in(bench.technician).post(page(study), sent).status_code == 302
    left = StudyReading.objects.order_by("part", "trial")
    assert [(r.part, r.trial, r.instrument) for r in left] == [
        ("HP-1", 1, bench.leaf_set),
        ("HP-2", 1, other_set),
    ]


def test_a_refused_cell_says_so_beside_it_and_nothing_is_kept(bench: Bench, trainee: User) -> None:
    study = begin(bench, trainee)
    sent = {
        "do": "readings",
        "instrument": bench.leaf_set.pk,
        "low_0_1": "0.06",
        "high_0_1": "0.07",
        "low_1_2": "0.09",
        "high_1_2": "0.08",
        "low_1_1": "0.09",
    }
    answer = signed_in(bench.technician).post(page(study), sent)
    assert answer.status_code == 422
    errors = answer.context["form"].errors
    assert set(errors) == {"high_1_2", "high_1_1"}
    assert "The leaf that does not enter is the thicker one." in words(answer)
    assert not StudyReading.objects.exists()


def test_a_study_by_values_takes_one_figure_a_cell(bench: Bench, trainee: User) -> None:
    study = begin(bench, trainee, instrument_kind=InstrumentKind.MICROMETER)
    micrometer = make.make_micrometer(bench.site)
    client = signed_in(bench.technician)
    assert b"high_0_1" not in client.get(page(study)).content
    sent = {"do": "readings", "instrument": micrometer.pk, "low_0_1": "25.010"}
    assert client.post(page(study), sent).status_code == 302
    assert str(StudyReading.objects.get().high) == "25.010"
    wrong = {**sent, "low_0_2": "twelve"}
    answer = client.post(page(study), wrong)
    assert answer.status_code == 422
    assert "is not a length" in words(answer)


def test_a_site_without_the_instrument_is_told_so(bench: Bench, trainee: User) -> None:
    study = begin(bench, trainee, instrument_kind=InstrumentKind.DIAL)
    assert "has no instrument in use of this kind" in words(
        signed_in(bench.technician).get(page(study))
    )


def test_who_keeps_the_instruments_enters_for_others_and_closes(
    bench: Bench, trainee: User
) -> None:
    study = begin(bench, trainee)
    client = signed_in(bench.competent)
    assert "Compute and close" not in words(client.get(page(study)))
    refused = client.post(page(study), {"do": "close"})
    assert refused.status_code == 422
    assert "Still to be measured" in words(refused)
    fill(bench, study, bench.leaf_set, apart(bench, trainee))
    assert f"Readings of {trainee}" in words(client.get(page(study, trainee)))
    assert "it can be closed" in words(client.get(page(study)))
    study.refresh_from_db()
    assert client.post(page(study), {"do": "close", "version": study.version}).status_code == 302
    study.refresh_from_db()
    assert study.closed_by == bench.competent


def test_a_closed_study_says_first_what_came_of_it(bench: Bench, trainee: User) -> None:
    study = begin(bench, trainee)
    fill(bench, study, bench.leaf_set, apart(bench, trainee))
    study = studies.close_study(actor=bench.competent, study=study)
    shown = signed_in(bench.auditor).get(page(study))
    said = words(shown)
    assert study.result is not None
    for sentence in study.result["sentences"]:
        assert sentence in said
    assert "At 1 of 2 parts the brackets of two people do not meet: HP-1." in said
    assert f"{study.u:.4f} mm, the standard deviation of who measures and how" in said
    drawn = shown.content.decode()
    # One strip for each person at each pump, two brackets in each, and a bar for each share.
    assert drawn.count('<svg class="strip"') == 4
    assert drawn.count('class="strip__bracket"') == 8
    assert drawn.count('<svg class="share"') == 6
    assert "0.06 to 0.07; 0.06 to 0.07" in said
    assert 'name="do"' not in drawn
    assert study.result["sentences"][0] in words(signed_in(bench.auditor).get(STUDIES))


def test_nothing_else_can_be_done_to_a_study(bench: Bench, trainee: User) -> None:
    study = begin(bench, trainee)
    assert signed_in(bench.competent).post(page(study), {"do": "burn"}).status_code == 404


# --- Measuring again ----------------------------------------------------------------------------


@pytest.fixture
def waiting(bench: Bench, trainee: User) -> Inspection:
    pump = make.make_pump(bench.site, bench.inspection.pump.model)
    return make.make_signed_inspection(trainee, pump)


def again(inspection: Inspection, characteristic: str = SIDE) -> str:
    line = make.line_named(inspection, characteristic)
    return reverse("inspections:again", args=[inspection.pk, line.pk])


def first(inspection: Inspection, characteristic: str = SIDE, term: str = "") -> Any:
    found = inspection.readings.filter(
        line__characteristic=characteristic, term=term, replaced_at__isnull=True
    )
    return found.order_by("id")[0]


def test_a_position_is_measured_again_from_the_countersignature(
    bench: Bench, waiting: Inspection
) -> None:
    client = signed_in(bench.competent)
    countersign = reverse("inspections:countersign", args=[waiting.pk])
    assert f'href="{again(waiting)}"' in client.get(countersign).content.decode()
    own = first(waiting)
    sent = {
        "place": own.pk,
        "instrument": bench.leaf_set.pk,
        "entered": "0.06 + 0.10",
        "feel": "free",
        "refused": "0.20",
    }
    answer = client.post(again(waiting), sent)
    assert answer.status_code == 302
    assert answer.headers["Location"] == f"{countersign}#j-{own.line_id}"
    control = ControlReading.objects.get()
    assert (control.low, control.high, control.position) == (D("0.16"), D("0.20"), own.position)
    assert control.tries[0] == {"leaves": ["0.06", "0.10"], "feel": "free"}
    said = words(client.get(countersign))
    assert f"{own.position}: {bench.competent} found 0.16 to 0.20 mm" in said
    assert "which does not agree ; by it the verdict would be out of limits ." in said
    report = words(client.get(reverse("inspections:report", args=[waiting.pk])))
    assert "found 0.16 to 0.20 mm" in report
    assert "Measure again" not in report


def test_a_value_is_measured_again(bench: Bench, waiting: Inspection) -> None:
    client = signed_in(bench.competent)
    own = first(waiting, SHAFT_TO_BUSH, "journal")
    micrometer = make.make_micrometer(bench.site)
    sent = {"place": own.pk, "instrument": micrometer.pk, "value": "", "unit": "mm"}
    refused = client.post(again(waiting, SHAFT_TO_BUSH), sent)
    assert refused.status_code == 422
    assert "Enter the value that the instrument shows." in words(refused)
    kept = client.post(again(waiting, SHAFT_TO_BUSH), {**sent, "value": "20.000"})
    assert kept.status_code == 302
    assert ControlReading.objects.get().term == "journal"


def test_leaves_that_cannot_be_are_refused(bench: Bench, waiting: Inspection) -> None:
    client = signed_in(bench.competent)
    sent = {"place": first(waiting).pk, "instrument": bench.leaf_set.pk}
    for leaves, sentence in (
        ({}, "No leaf has been tried yet."),
        ({"entered": "0.10", "refused": "0.09"}, "0.10 entered although"),
        ({"entered": "0.55"}, "This set has no leaf of 0.55 mm."),
    ):
        answer = client.post(again(waiting), {**sent, **leaves})
        assert answer.status_code == 422
        assert sentence in words(answer)
    assert not ControlReading.objects.exists()


def test_measuring_again_is_offered_to_whom_it_is_for(
    bench: Bench, waiting: Inspection, trainee: User
) -> None:
    for person in (trainee, bench.technician, bench.auditor):
        shown = signed_in(person).get(again(waiting))
        assert "takes a competent person or a supervisor" in words(shown)
        assert 'name="entered"' not in shown.content.decode()
    open_one = words(signed_in(bench.competent).get(again(bench.inspection)))
    assert "a position is measured again while it awaits its countersignature" in open_one
    assert signed_in(bench.outsider).get(again(waiting)).status_code == 404
    nowhere = reverse("inspections:again", args=[waiting.pk, 0])
    assert signed_in(bench.competent).get(nowhere).status_code == 404
    flatness = again(waiting, make.FLATNESS)
    assert signed_in(bench.competent).get(flatness).status_code == 404


# --- Agreement ----------------------------------------------------------------------------------


def test_agreement_begins_with_a_sentence_for_each_person(
    bench: Bench, waiting: Inspection, trainee: User
) -> None:
    address = reverse("inspections:agreement")
    assert "Nothing to compare yet." in words(signed_in(bench.competent).get(address))
    line = make.line_named(waiting, SIDE)
    for position, ends in zip(
        line.positions, (("0.08", "0.09"), ("0.20", "0.25"), ("0.09", "0.10")), strict=True
    ):
        controls.control_tries(
            actor=bench.competent,
            inspection=waiting,
            line=line.pk,
            position=position,
            instrument=bench.leaf_set,
            tries=make.bracketed(*ends),
        )
    signing.countersign(actor=bench.competent, inspection=waiting)
    shown = signed_in(bench.competent).get(address)
    sentence = (
        "1 of 3 positions measured again agree with the first reading; 2 have the same verdict. "
        "1 inspection countersigned at first go, none sent back."
    )
    assert f"Ilse Brook {sentence}" in words(shown)
    one = reverse("inspections:agreement-of", args=[trainee.pk])
    assert f'href="{one}"' in shown.content.decode()
    full = signed_in(trainee).get(one)
    assert sentence in words(full)
    drawn = full.content.decode()
    assert drawn.count('class="running__hit"') == 1
    assert drawn.count('class="running__miss"') == 2
    assert "within limits, then out of limits" in words(full)
    assert words(full).index("0.09 to 0.10 mm") < words(full).index("0.20 to 0.25 mm")
    for person in (bench.technician, bench.outsider):
        assert signed_in(person).get(one).status_code == 404
