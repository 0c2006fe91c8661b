"""Studies of the measuring: who begins, who enters what, what comes of it, and what it feeds."""

from __future__ import annotations

import csv
from collections.abc import Callable
from decimal import Decimal as D
from pathlib import Path
from typing import Any

import pytest
from django.db import DatabaseError, transaction

from fleet.faults import Conflict, Fault, Faults, NotAllowed, Stale
from fleet.models import User
from fleet.units import LengthUnit
from fleet.vocabulary import Characteristic, InstrumentKind
from inspections.models import Instrument, Study, StudyReading
from inspections.rules.studyplan import missing
from inspections.services import instruments, studies
from inspections.services.studies import Entry
from inspections.study_selectors import measured_of, plan_of, shown_readings, study_u
from tests import factories
from tests.inspections.conftest import Bench, Client, refused_by, sql

As = Callable[[User], Client]
AIAG = Path(__file__).resolve().parents[1] / "data" / "aiag_grr.csv"
MM = LengthUnit.MM


@pytest.fixture
def leaf_set(bench: Bench) -> Instrument:
    return factories.make_leaf_set(bench.site)


@pytest.fixture
def micrometer(bench: Bench) -> Instrument:
    return factories.make_micrometer(bench.site)


def begin(bench: Bench, **changes: Any) -> Study:
    values: dict[str, Any] = {
        "actor": bench.competent,
        "site": bench.site,
        "characteristic": Characteristic.SIDE_CLEARANCE,
        "instrument_kind": InstrumentKind.FEELER,
        "unit": MM,
        "people": [bench.technician, bench.trainee],
        "parts": ["HP-1", "HP-2"],
        "trials": 2,
        "tolerance": D("0.10"),
    }
    return studies.open_study(**{**values, **changes})


def bracket(person: User, part: str, trial: int, low: str = "0.08", high: str = "0.09") -> Entry:
    return Entry(person.pk, part, trial, D(low), D(high))


def all_cells(study: Study, low: str = "0.08", high: str = "0.09") -> list[Entry]:
    return [
        Entry(person.pk, part, trial, D(low), D(high))
        for person in study.people.all()
        for part in study.parts
        for trial in range(1, study.trials + 1)
    ]


def fill(bench: Bench, study: Study, with_what: Instrument, entries: list[Entry]) -> Study:
    studies.record_study_readings(
        actor=bench.competent, study=study, instrument=with_what, entries=entries
    )
    return studies.close_study(actor=bench.competent, study=study)


def faults(caught: Any) -> list[tuple[str, str]]:
    return [(fault.field, fault.code) for fault in caught.value.each()]


# --- Beginning ----------------------------------------------------------------------------------


def test_a_study_names_who_measures_what(bench: Bench) -> None:
    study = begin(bench, parts=[" HP-1", "HP-2 "])
    assert study.parts == ["HP-1", "HP-2"]
    assert set(study.people.all()) == {bench.technician, bench.trainee}
    assert (study.opened_by, study.closed_at, study.u) == (bench.competent, None, None)
    assert study.tolerance == D("0.10")
    assert len(missing(plan_of(study), [])) == 8


def test_beginning_takes_who_keeps_the_instruments(bench: Bench) -> None:
    for person in (bench.technician, bench.auditor, bench.outsider):
        with pytest.raises(NotAllowed):
            begin(bench, actor=person)
    assert not Study.objects.exists()


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"parts": ["HP-1"]}, "parts", "Name 2 to 30 parts"),
        ({"parts": [f"HP-{n}" for n in range(31)]}, "parts", "Name 2 to 30 parts"),
        ({"parts": ["HP-1", "HP-1 "]}, "parts", "named twice"),
        ({"parts": ["HP-1", "  "]}, "parts", "has no name"),
        ({"parts": ["HP-1", "x" * 61]}, "parts", "60 characters"),
        ({"trials": 1}, "trials", "Repeat 2 to 10 times"),
        ({"trials": 11}, "trials", "Repeat 2 to 10 times"),
        ({"tolerance": D(0)}, "tolerance", "above zero"),
        ({"tolerance": D(100_000)}, "tolerance", "above zero"),
        ({"tolerance": D("NaN")}, "tolerance", "above zero"),
        ({"characteristic": Characteristic.OWN}, "characteristic", "nothing in common"),
    ],
)
def test_a_plan_that_cannot_be_is_refused(
    bench: Bench, changes: dict[str, Any], field: str, words: str
) -> None:
    with pytest.raises(Fault, match=words) as caught:
        begin(bench, **changes)
    assert caught.value.field == field
    assert not Study.objects.exists()


def test_people_are_two_who_measure_there(bench: Bench) -> None:
    with pytest.raises(Fault, match="two people") as caught:
        begin(bench, people=[bench.technician, bench.technician])
    assert caught.value.field == "people"
    for stranger in (bench.auditor, bench.outsider):
        with pytest.raises(Fault, match="takes no readings at") as caught:
            begin(bench, people=[bench.technician, stranger])
        assert caught.value.code == "cannot_measure"


def test_all_that_is_wrong_is_told_at_once(bench: Bench) -> None:
    with pytest.raises(Faults) as caught:
        begin(bench, people=[bench.technician], parts=[], trials=0)
    assert [field for field, _code in faults(caught)] == ["people", "parts", "trials"]


# --- Readings -----------------------------------------------------------------------------------


def test_a_person_enters_his_own_readings(bench: Bench, leaf_set: Instrument) -> None:
    study = begin(bench)
    (kept,) = studies.record_study_readings(
        actor=bench.technician,
        study=study,
        instrument=leaf_set,
        entries=[bracket(bench.technician, "HP-1", 2, "0", "0.03")],
    )
    assert (kept.low, kept.high, kept.typed_by) == (D(0), D("0.03"), bench.technician)
    study.refresh_from_db()
    assert study.version == 2


def test_readings_of_others_take_who_keeps_the_instruments(
    bench: Bench, leaf_set: Instrument
) -> None:
    study = begin(bench)
    entries = [bracket(bench.trainee, "HP-1", 1)]
    with pytest.raises(NotAllowed, match="your own readings only"):
        studies.record_study_readings(
            actor=bench.technician, study=study, instrument=leaf_set, entries=entries
        )
    for person in (bench.auditor, bench.outsider):
        with pytest.raises(NotAllowed):
            studies.record_study_readings(
                actor=person, study=study, instrument=leaf_set, entries=entries
            )
    assert not StudyReading.objects.exists()
    (kept,) = studies.record_study_readings(
        actor=bench.supervisor, study=study, instrument=leaf_set, entries=entries
    )
    assert (kept.person, kept.typed_by) == (bench.trainee, bench.supervisor)


def test_a_cell_entered_again_is_replaced_and_an_emptied_one_taken_back(
    bench: Bench, leaf_set: Instrument
) -> None:
    study = begin(bench)
    first = bracket(bench.technician, "HP-1", 1)
    for entries in ([first], [bracket(bench.technician, "HP-1", 1, "0.07", "0.08")]):
        studies.record_study_readings(
            actor=bench.technician, study=study, instrument=leaf_set, entries=entries
        )
    assert StudyReading.objects.get().high == D("0.08")
    kept = studies.record_study_readings(
        actor=bench.technician,
        study=study,
        instrument=leaf_set,
        entries=[Entry(bench.technician.pk, "HP-1", 1, None, None)],
    )
    assert (kept, StudyReading.objects.count()) == ([], 0)


def test_two_leaves_laid_together_count_as_one(bench: Bench, leaf_set: Instrument) -> None:
    study = begin(bench)
    (kept,) = studies.record_study_readings(
        actor=bench.technician,
        study=study,
        instrument=leaf_set,
        entries=[bracket(bench.technician, "HP-1", 1, "0.10", "0.16")],
    )
    assert kept.high == D("0.16")


def test_each_fault_stands_at_its_entry_and_nothing_is_kept(
    bench: Bench, leaf_set: Instrument
) -> None:
    study = begin(bench)
    own = bench.technician
    with pytest.raises(Faults) as caught:
        studies.record_study_readings(
            actor=bench.competent,
            study=study,
            instrument=leaf_set,
            entries=[
                bracket(own, "HP-1", 1),
                bracket(bench.supervisor, "HP-9", 3),
                bracket(own, "HP-1", 0),
                bracket(own, "HP-1", 2, "0.02", "0.75"),
                bracket(own, "HP-2", 1, "0.09", "0.08"),
                bracket(own, "HP-2", 2, "0.08", "0.08"),
                Entry(own.pk, "HP-2", 2, D("0.08"), None),
                Entry(own.pk, "HP-2", 2, None, D("0.08")),
            ],
        )
    assert faults(caught) == [
        ("entries.1.person", "invalid"),
        ("entries.1.part", "invalid"),
        ("entries.1.trial", "invalid"),
        ("entries.2.trial", "invalid"),
        ("entries.3.low", "leaf_not_in_set"),
        ("entries.3.high", "leaf_not_in_set"),
        ("entries.4.high", "tries_disagree"),
        ("entries.5.high", "tries_disagree"),
        ("entries.6.high", "invalid"),
        ("entries.7.low", "invalid"),
    ]
    assert not StudyReading.objects.exists()


def test_nothing_entered_is_refused(bench: Bench, leaf_set: Instrument) -> None:
    with pytest.raises(Fault, match="Enter a reading"):
        studies.record_study_readings(
            actor=bench.technician, study=begin(bench), instrument=leaf_set, entries=[]
        )


def test_the_instrument_is_one_of_the_study(bench: Bench, micrometer: Instrument) -> None:
    study = begin(bench)
    gone = instruments.withdraw_instrument(
        actor=bench.supervisor, instrument=factories.make_leaf_set(bench.site)
    )
    for wrong, code in (
        (micrometer, "other_kind"),
        (factories.make_leaf_set(bench.site, [D("0.010")], unit=LengthUnit.INCH), "other_kind"),
        (factories.make_leaf_set(bench.elsewhere), "other_site"),
        (gone, "withdrawn"),
    ):
        with pytest.raises(Fault) as caught:
            studies.record_study_readings(
                actor=bench.technician,
                study=study,
                instrument=wrong,
                entries=[bracket(bench.technician, "HP-1", 1)],
            )
        assert (caught.value.field, caught.value.code) == ("instrument", code)


@pytest.mark.parametrize("value", ["-0.1", "100000", "NaN"])
def test_a_value_is_a_length(bench: Bench, micrometer: Instrument, value: str) -> None:
    study = begin(bench, instrument_kind=InstrumentKind.MICROMETER)
    own = bench.technician.pk
    for entry in (Entry(own, "HP-1", 1, D(value), D(value)), Entry(own, "HP-1", 1, D(1), D(2))):
        with pytest.raises(Fault, match="as the instrument shows it") as caught:
            studies.record_study_readings(
                actor=bench.technician, study=study, instrument=micrometer, entries=[entry]
            )
        assert caught.value.field == "entries.0.low"


def test_who_still_measures_does_not_see_what_others_found(
    bench: Bench, leaf_set: Instrument
) -> None:
    study = begin(bench)
    studies.record_study_readings(
        actor=bench.competent, study=study, instrument=leaf_set, entries=all_cells(study)
    )

    def seen(viewer: User) -> int:
        return len(shown_readings(study, viewer))

    counts = [seen(p) for p in (bench.technician, bench.auditor, bench.competent)]
    assert counts == [4, 0, 8]
    study = studies.close_study(actor=bench.competent, study=study)
    assert [seen(p) for p in (bench.technician, bench.auditor)] == [8, 8]


# --- Closing ------------------------------------------------------------------------------------


def test_the_published_study_comes_out_of_the_database_as_it_is_printed(bench: Bench) -> None:
    # AIAG, Measurement Systems Analysis, 10 parts x 3 persons x 3 repeats (from memory): GRR
    # 0.302373, 27.86 % of the total, 4 distinct categories. Its readings lie round nothing: moved
    # up by 10, which changes no spread, since no gauge here shows less than nothing.
    people = [bench.technician, bench.trainee, bench.competent]
    study = begin(
        bench,
        instrument_kind=InstrumentKind.MICROMETER,
        people=people,
        parts=[str(n) for n in range(1, 11)],
        trials=3,
        tolerance=None,
    )
    with AIAG.open() as file:
        entries = [
            Entry(
                people[int(row["appraiser"]) - 1].pk,
                row["part"],
                int(row["trial"]),
                D(row["y"]) + 10,
                D(row["y"]) + 10,
            )
            for row in csv.DictReader(file)
        ]
    closed = fill(bench, study, factories.make_micrometer(bench.site), entries)
    closed.refresh_from_db()
    assert closed.u == pytest.approx(0.302373, abs=2e-6)
    assert closed.result["spreads"]["measuring"]["share"] == pytest.approx(27.86, abs=5e-3)
    assert closed.result["spreads"]["measuring"]["of_tolerance"] is None
    assert (closed.result["distinct"], closed.result["steps_in_tolerance"]) == (4, None)
    assert closed.result["by_ranges"]["distinct"] == 5
    assert closed.result["anova"]["pooled"] is True
    assert closed.result["apart"] is None
    assert closed.result["sentences"][0] == (
        "Of the spread in side clearance with outside micrometers, 28 % comes from who measures "
        "and how; the parts of the study can be told apart in 4 steps."
    )
    assert (closed.closed_by, closed.closed_at is not None) == (bench.competent, True)


def test_brackets_give_their_middles_and_their_width_stands_beside(
    bench: Bench, leaf_set: Instrument
) -> None:
    study = begin(bench)
    entries = [
        bracket(person, part, trial, *ends)
        for person, part, ends in (
            (bench.technician, "HP-1", ("0.07", "0.08")),
            (bench.technician, "HP-2", ("0.15", "0.20")),
            (bench.trainee, "HP-1", ("0.09", "0.10")),
            (bench.trainee, "HP-2", ("0.15", "0.20")),
        )
        for trial in (1, 2)
    ]
    closed = fill(bench, study, leaf_set, entries)
    assert closed.result["apart"] == ["HP-1"]
    assert closed.result["sentences"][-1] == (
        "At 1 of 2 parts the brackets of two people do not meet: HP-1."
    )
    # Root mean square of the widths 0.01 and 0.05, over root 12.
    assert closed.result["bracket"] == pytest.approx((0.0013 / 12) ** 0.5)
    # No repeat differs: the spread is in persons and the interaction, and feeds on its own.
    assert closed.u == pytest.approx(closed.result["spreads"]["measuring"]["figure"])
    assert closed.u > 0
    assert closed.result["stated"] == pytest.approx(
        (closed.u**2 + closed.result["bracket"] ** 2) ** 0.5
    )
    measuring = closed.result["spreads"]["measuring"]
    assert measuring["of_tolerance"] == pytest.approx(600 * closed.u / 0.10)


def test_closing_says_what_is_missing(bench: Bench, leaf_set: Instrument) -> None:
    study = begin(bench)
    studies.record_study_readings(
        actor=bench.competent, study=study, instrument=leaf_set, entries=all_cells(study)[:-1]
    )
    last = sorted([bench.technician, bench.trainee], key=lambda p: (p.full_name, p.pk))
    with pytest.raises(Fault) as caught:
        studies.close_study(actor=bench.competent, study=study)
    assert any(
        f"Still to be measured: {person} at HP-2, repeat 2." in caught.value.detail
        for person in last
    )
    assert caught.value.each()[0].code == "study_unbalanced"
    study.refresh_from_db()
    assert study.closed_at is None


def test_closing_takes_who_keeps_the_instruments_and_what_was_read(
    bench: Bench, leaf_set: Instrument
) -> None:
    study = begin(bench)
    studies.record_study_readings(
        actor=bench.competent, study=study, instrument=leaf_set, entries=all_cells(study)
    )
    for person in (bench.technician, bench.auditor, bench.outsider):
        with pytest.raises(NotAllowed):
            studies.close_study(actor=person, study=study)
    with pytest.raises(Stale):
        studies.close_study(actor=bench.competent, study=study, version=1)
    assert studies.close_study(actor=bench.competent, study=study, version=2).u == 0


def test_a_closed_study_is_fixed(bench: Bench, leaf_set: Instrument) -> None:
    study = begin(bench)
    closed = fill(bench, study, leaf_set, all_cells(study))
    with pytest.raises(Conflict, match="closed and stays"):
        studies.close_study(actor=bench.competent, study=closed)
    with pytest.raises(Conflict, match="closed and stays"):
        studies.record_study_readings(
            actor=bench.technician,
            study=closed,
            instrument=leaf_set,
            entries=[bracket(bench.technician, "HP-1", 1)],
        )
    for change in ("UPDATE inspections_study SET u = 1", "DELETE FROM inspections_study"):
        with pytest.raises(DatabaseError, match="closed_study_is_fixed"), transaction.atomic():
            sql(change)
    for change in (
        "UPDATE inspections_studyreading SET high = 1",
        "DELETE FROM inspections_studyreading",
        "INSERT INTO inspections_studyreading (study_id, person_id, part, trial, instrument_id, "
        "low, high, typed_by_id, typed_at) SELECT study_id, person_id, part, 9, instrument_id, "
        "low, high, typed_by_id, typed_at FROM inspections_studyreading LIMIT 1",
    ):
        with refused_by("inspections_studyreading_closed_is_fixed"):
            sql(change)


def test_two_people_of_one_name_are_kept_apart(bench: Bench, leaf_set: Instrument) -> None:
    twin = factories.make_person(bench.site, full_name=bench.technician.full_name)
    study = begin(bench, people=[bench.technician, twin])
    plan = plan_of(study)
    assert plan.persons == tuple(
        f"{bench.technician.full_name} ({person.username})" for person in (bench.technician, twin)
    )
    closed = fill(bench, study, leaf_set, all_cells(study))
    assert [one["person"] for one in closed.result["persons"]] == list(plan.persons)
    assert missing(plan, measured_of(study, study.readings.all())) == []


# --- What it feeds ------------------------------------------------------------------------------


def u_of(bench: Bench, **changes: Any) -> float | None:
    asked: dict[str, Any] = {
        "site_id": bench.site.pk,
        "characteristic": Characteristic.SIDE_CLEARANCE,
        "instrument_kind": InstrumentKind.FEELER,
        "unit": MM,
    }
    return study_u(**{**asked, **changes})


def test_only_the_newest_closed_study_of_its_kind_counts(
    bench: Bench, leaf_set: Instrument
) -> None:
    assert u_of(bench) is None
    first = begin(bench)
    assert u_of(bench) is None
    spread = [
        bracket(person, part, trial, "0.07" if person == bench.trainee else "0.08", "0.10")
        for person in (bench.technician, bench.trainee)
        for part in ("HP-1", "HP-2")
        for trial in (1, 2)
    ]
    first = fill(bench, first, leaf_set, spread)
    assert u_of(bench) == first.u
    assert first.u
    second = begin(bench)
    assert u_of(bench) == first.u
    fill(bench, second, leaf_set, all_cells(second))
    assert u_of(bench) == 0
    assert u_of(bench, site_id=bench.elsewhere.pk) is None
    assert u_of(bench, characteristic=Characteristic.BACKLASH) is None
    assert u_of(bench, instrument_kind=InstrumentKind.DIAL) is None


@pytest.mark.parametrize(
    ("unit", "u", "to", "expected"),
    [
        (LengthUnit.THOU, 0.5, LengthUnit.MM, 0.0127),
        (LengthUnit.MM, 0.0127, LengthUnit.THOU, 0.5),
        (LengthUnit.INCH, 0.001, LengthUnit.UM, 25.4),
        (LengthUnit.MM, 0.3, LengthUnit.MM, 0.3),
        (LengthUnit.INCH, 0.0007, LengthUnit.THOU, 0.7),
    ],
)
def test_its_figure_is_told_in_any_unit(
    bench: Bench, unit: LengthUnit, u: float, to: LengthUnit, expected: float
) -> None:
    # 1 in = 25.4 mm, 1 thou = 0.001 in, exactly.
    study = begin(bench, unit=unit)
    Study.objects.filter(pk=study.pk).update(
        u=u, result={}, closed_by=bench.competent, closed_at=study.opened_at
    )
    assert u_of(bench, unit=to) == pytest.approx(expected, rel=1e-15)
