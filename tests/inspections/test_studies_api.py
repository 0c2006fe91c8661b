"""Studies over HTTP: the whole way, refusals that point at their place, and whose readings show."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from fleet.models import User
from inspections.models import Instrument, Study
from inspections.services import studies
from tests import factories
from tests.inspections.conftest import Bench, Client
from tests.inspections.http import problem
from tests.inspections.test_studies import all_cells, begin

As = Callable[[User], Client]


@pytest.fixture
def leaf_set(bench: Bench) -> Instrument:
    return factories.make_leaf_set(bench.site)


@pytest.fixture
def micrometer(bench: Bench) -> Instrument:
    return factories.make_micrometer(bench.site)


def body(bench: Bench, **changes: Any) -> dict[str, Any]:
    return {
        "site": bench.site.pk,
        "characteristic": "side_clearance",
        "instrument_kind": "feeler",
        "unit": "mm",
        "tolerance": "0.10",
        "people": [bench.technician.pk, bench.trainee.pk],
        "parts": ["HP-1", "HP-2"],
        "trials": 2,
        **changes,
    }


def sent(instrument: Instrument, *entries: tuple[User, str, int, str, str]) -> dict[str, Any]:
    return {
        "instrument": instrument.pk,
        "entries": [
            {"person": person.pk, "part": part, "trial": trial, "low": low, "high": high}
            for person, part, trial, low, high in entries
        ],
    }


def test_a_study_goes_the_whole_way_over_http(bench: Bench, leaf_set: Instrument, as_: As) -> None:
    keeper = as_(bench.competent)
    begun = keeper.post("studies", body(bench))
    assert begun.status_code == 201
    here = f"studies/{begun.json()['id']}"
    assert begun["Location"] == f"/api/v1/{here}"
    for person in (bench.technician, bench.trainee):
        answer = as_(person).post(
            f"{here}/readings",
            sent(
                leaf_set,
                *(
                    (person, part, trial, *ends)
                    for part, ends in (("HP-1", ("0.07", "0.08")), ("HP-2", ("0.10", "0.15")))
                    for trial in (1, 2)
                ),
            ),
        )
        assert answer.status_code == 201
    read = keeper.get(here)
    assert (read.json()["missing"], read.json()["taken"], read.json()["result"]) == ([], 8, None)
    closed = keeper.post(f"{here}/closure", **{"If-Match": read["ETag"]})
    assert closed.status_code == 200
    result = closed.json()["result"]
    assert closed.json()["u"] == 0
    assert result["spreads"]["measuring"]["share"] == 0
    assert result["spreads"]["parts"]["share"] == 100
    assert result["sentences"] == [
        "Of the spread in side clearance with feeler gauges, 0 % comes from who measures and how."
    ]
    assert result["apart"] == []
    (listed,) = keeper.get("studies", open="false").json()["results"]
    assert listed["u"] == 0
    assert keeper.get("studies", open="true").json()["results"] == []


def test_a_study_sent_twice_is_begun_once(bench: Bench, as_: As) -> None:
    key = {"Idempotency-Key": "study-1"}
    first, second = (as_(bench.competent).post("studies", body(bench), **key) for _ in range(2))
    assert first.json() == second.json()
    assert Study.objects.count() == 1


def test_values_are_sent_as_one_figure(bench: Bench, micrometer: Instrument, as_: As) -> None:
    keeper = as_(bench.competent)
    here = keeper.post("studies", body(bench, instrument_kind="micrometer")).json()["id"]
    entry = {"person": bench.technician.pk, "part": "HP-1", "trial": 1}
    wrong = {"instrument": micrometer.pk, "entries": [{**entry, "value": "1.0", "low": "1.0"}]}
    assert problem(keeper.post(f"studies/{here}/readings", wrong))[0] == 422
    right = {"instrument": micrometer.pk, "entries": [{**entry, "value": "1.010"}]}
    answer = keeper.post(f"studies/{here}/readings", right)
    assert [(r["low"], r["high"]) for r in answer.json()["readings"]] == [("1.010", "1.010")]
    assert len(answer.json()["missing"]) == 7
    taken_back = {"instrument": micrometer.pk, "entries": [entry]}
    assert keeper.post(f"studies/{here}/readings", taken_back).json()["readings"] == []


def test_a_fault_over_http_points_at_its_entry(bench: Bench, leaf_set: Instrument, as_: As) -> None:
    study = begin(bench)
    answer = as_(bench.technician).post(
        f"studies/{study.pk}/readings",
        sent(leaf_set, (bench.technician, "HP-1", 1, "0.02", "0.75")),
    )
    assert problem(answer) == (
        422,
        [("/entries/0/low", "leaf_not_in_set"), ("/entries/0/high", "leaf_not_in_set")],
    )


def test_people_of_other_sites_are_refused_like_people_who_do_not_exist(
    bench: Bench, as_: As
) -> None:
    keeper = as_(bench.competent)
    answers = []
    for stranger in (bench.outsider.pk, 2_000_000_000):
        answer = keeper.post("studies", body(bench, people=[bench.technician.pk, stranger]))
        answers.append(answer.content.decode().replace(str(stranger), "#"))
        assert answer.status_code == 422
    assert answers[0] == answers[1]


def test_readings_over_http_are_ones_own_while_the_study_is_open(
    bench: Bench, leaf_set: Instrument, as_: As
) -> None:
    study = begin(bench)
    studies.record_study_readings(
        actor=bench.competent, study=study, instrument=leaf_set, entries=all_cells(study)
    )
    read = as_(bench.technician).get(f"studies/{study.pk}").json()
    assert {one["person"] for one in read["readings"]} == {bench.technician.pk}
    assert read["missing"] == []


def test_a_study_of_another_site_is_not_found(bench: Bench, as_: As) -> None:
    study = begin(bench)
    outside = as_(bench.outsider)
    assert outside.get(f"studies/{study.pk}").status_code == 404
    assert outside.get("studies").json()["results"] == []
