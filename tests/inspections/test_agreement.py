"""How far people agree over time: what is counted, who sees whom, and the same over HTTP."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import User
from fleet.roles import Role
from fleet.services import people
from inspections.agreement_selectors import agreement_of, agreements
from inspections.models import Inspection, Instrument
from inspections.services import signing
from tests import factories
from tests.factories import SIDE, WIDTHS
from tests.inspections.conftest import Bench, Client
from tests.inspections.http import leaves, problem
from tests.inspections.test_controls import again

As = Callable[[User], Client]


@pytest.fixture
def waiting(bench: Bench) -> Inspection:
    """Signed by the trainee; every side clearance read as 0.08 enters, 0.09 does not."""
    return factories.make_signed_inspection(bench.trainee, bench.pump)


@pytest.fixture
def leaf_set(bench: Bench) -> Instrument:
    return factories.make_leaf_set(bench.site)


@pytest.fixture
def history(bench: Bench, leaf_set: Instrument) -> list[Inspection]:
    """Three of the trainee's: agreed; not agreed and sent back; not measured again."""
    found = []
    for ends in (("0.08", "0.09"), ("0.20", "0.25"), None):
        pump = factories.make_pump(bench.site, bench.pump.model)
        inspection = factories.make_signed_inspection(bench.trainee, pump)
        if ends is not None:
            again(inspection, bench.competent, leaf_set, *ends)
        if ends == ("0.20", "0.25"):
            signing.send_back(actor=bench.competent, inspection=inspection, why="Measure again")
            signing.sign(actor=bench.trainee, inspection=inspection)
        signing.countersign(actor=bench.competent, inspection=inspection)
        found.append(inspection)
    return found


def test_a_person_is_told_by_all_comparisons_and_signatures(
    bench: Bench, history: list[Inspection]
) -> None:
    (one,) = agreements(bench.competent)
    assert one.person == bench.trainee
    assert (one.compared, one.meeting, one.same_verdicts) == (2, 1, 1)
    assert one.running == (1.0, 0.5)
    assert (one.first_go, one.sent_back) == (2, 1)
    assert [c.control.inspection_id for c in one.comparisons] == [i.pk for i in history[:2]]


def test_everybody_sees_his_own_and_who_answers_for_it_sees_all(
    bench: Bench, history: list[Inspection]
) -> None:
    other = factories.make_person(bench.site, trainee=True)
    pump = factories.make_pump(bench.site, bench.pump.model)
    theirs = factories.make_signed_inspection(other, pump)
    signing.send_back(actor=bench.competent, inspection=theirs, why="Measure again")

    def seen(viewer: User) -> set[User]:
        return {one.person for one in agreements(viewer)}

    everybody = {bench.trainee, other}
    manager = factories.manager_of(bench.site)
    for viewer in (bench.competent, bench.supervisor, bench.auditor, manager):
        assert seen(viewer) == everybody
    assert seen(bench.trainee) == {bench.trainee}
    assert seen(other) == {other}
    clerk = factories.make_person(bench.site, Role.STORES_CLERK)
    for viewer in (bench.technician, bench.outsider, clerk):
        assert seen(viewer) == set()
    assert agreement_of(bench.trainee, other.pk) is None
    found = agreement_of(bench.supervisor, other.pk)
    assert found is not None
    assert (found.compared, found.first_go, found.sent_back) == (0, 0, 1)


def test_a_person_of_two_sites_is_told_at_each_by_its_own_work(
    bench: Bench, history: list[Inspection]
) -> None:
    people.grant_role(
        actor=factories.manager_of(bench.elsewhere),
        user=bench.trainee,
        site=bench.elsewhere,
        role=Role.TECHNICIAN.value,
        is_trainee=True,
    )
    pump = factories.make_pump(bench.elsewhere, bench.pump.model)
    there = factories.make_signed_inspection(bench.trainee, pump)
    signing.countersign(actor=bench.outsider, inspection=there)
    (outside,) = agreements(bench.outsider)
    assert (outside.compared, outside.first_go, outside.sent_back) == (0, 1, 0)
    (own,) = agreements(bench.trainee)
    assert (own.compared, own.first_go, own.sent_back) == (2, 3, 1)


def test_agreement_takes_as_many_queries_for_many_as_for_one(
    bench: Bench, history: list[Inspection], leaf_set: Instrument
) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            agreements(bench.competent)
        return len(captured)

    before = queries()
    pump = factories.make_pump(bench.site, bench.pump.model)
    again(factories.make_signed_inspection(bench.trainee, pump), bench.supervisor, leaf_set)
    assert queries() == before


# --- Over HTTP ----------------------------------------------------------------------------------


def test_controls_and_agreement_over_http(
    bench: Bench, waiting: Inspection, leaf_set: Instrument, as_: As
) -> None:
    keeper = as_(bench.competent)
    here = f"inspections/{waiting.pk}/controls"
    side = factories.line_named(waiting, SIDE).pk
    answer = keeper.post(here, leaves(side, leaf_set.pk, ("0.20", "free"), ("0.25", "refuses")))
    assert answer.status_code == 201
    assert (answer.json()["low"], answer.json()["high"]) == ("0.20", "0.25")
    width = {
        "line": factories.line_named(waiting, WIDTHS).pk,
        "position": "drive place 1",
        "instrument": factories.make_micrometer(bench.site).pk,
        "value": "25.000",
        "unit": "mm",
    }
    assert keeper.post(here, width).status_code == 201
    listed = as_(bench.auditor).get(here).json()
    assert [one["is_value"] for one in listed] == [False, True]
    (one,) = keeper.get("agreement").json()["results"]
    assert one == {
        "person": {"id": bench.trainee.pk, "full_name": bench.trainee.full_name},
        "compared": 2,
        "meeting": 1,
        "same_verdicts": 1,
        "first_go": 0,
        "sent_back": 0,
    }
    full = as_(bench.trainee).get(f"agreement/{bench.trainee.pk}").json()
    assert full["running"] == [0.0, 0.5]
    assert [(c["meets"], c["outcome"], c["control_outcome"]) for c in full["comparisons"]] == [
        (False, "within", "out"),
        (True, "within", "within"),
    ]
    assert as_(bench.technician).get(f"agreement/{bench.trainee.pk}").status_code == 404
    assert as_(bench.outsider).get(here).status_code == 404


def test_a_control_sent_twice_is_kept_once(
    bench: Bench, waiting: Inspection, leaf_set: Instrument, as_: As
) -> None:
    body = leaves(
        factories.line_named(waiting, SIDE).pk, leaf_set.pk, ("0.08", "drag"), ("0.09", "refuses")
    )
    key = {"Idempotency-Key": "again-1"}
    path = f"inspections/{waiting.pk}/controls"
    first, second = (as_(bench.competent).post(path, body, **key) for _ in range(2))
    assert first.json() == second.json()
    assert problem(as_(bench.trainee).post(path, body)) == (403, [("", "not_allowed")])
