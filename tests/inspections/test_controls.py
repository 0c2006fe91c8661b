"""Measured again: by whom, when, what it is compared with, and who sees how far people agree."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal as D
from typing import Any

import pytest
from django.utils import timezone

from fleet.faults import Conflict, Fault, NotAllowed
from fleet.models import User
from fleet.roles import Role
from fleet.services import people
from fleet.units import LengthUnit
from inspections.agreement_selectors import (
    comparisons_of,
)
from inspections.models import ControlReading, Inspection, Instrument, Reading, Verdict
from inspections.services import controls, instruments, opening, readings, signing
from tests import factories
from tests.factories import SHAFT_TO_BUSH, SIDE, WIDTHS, bracketed, leaf
from tests.inspections.conftest import Bench, Client, refused_by, sql
from tests.inspections.http import HERE

As = Callable[[User], Client]
MM = LengthUnit.MM


@pytest.fixture
def waiting(bench: Bench) -> Inspection:
    """Signed by the trainee; every side clearance read as 0.08 enters, 0.09 does not."""
    return factories.make_signed_inspection(bench.trainee, bench.pump)


@pytest.fixture
def leaf_set(bench: Bench) -> Instrument:
    return factories.make_leaf_set(bench.site)


def again(
    inspection: Inspection,
    actor: User,
    leaf_set: Instrument,
    low: str = "0.08",
    high: str = "0.09",
    **changes: Any,
) -> ControlReading:
    values: dict[str, Any] = {
        "line": factories.line_named(inspection, SIDE).pk,
        "position": HERE,
        "tries": bracketed(low, high),
    }
    return controls.control_tries(
        actor=actor, inspection=inspection, instrument=leaf_set, **{**values, **changes}
    )


def again_value(
    inspection: Inspection, actor: User, used: Instrument, figure: str, **changes: Any
) -> ControlReading:
    values: dict[str, Any] = {
        "line": factories.line_named(inspection, WIDTHS).pk,
        "position": "drive place 1",
        "value": D(figure),
        "unit": MM,
    }
    return controls.control_value(
        actor=actor, inspection=inspection, instrument=used, **{**values, **changes}
    )


# --- Taking -------------------------------------------------------------------------------------


def test_a_position_is_measured_again_and_no_verdict_changes(
    bench: Bench, waiting: Inspection, leaf_set: Instrument
) -> None:
    before = list(Verdict.objects.order_by("id").values()), list(Reading.objects.values())
    control = again(waiting, bench.competent, leaf_set, "0.30", "0.40")
    assert (control.low, control.high, control.is_value) == (D("0.30"), D("0.40"), False)
    assert control.tries == [
        {"leaves": ["0.30"], "feel": "drag"},
        {"leaves": ["0.40"], "feel": "refuses"},
    ]
    assert (control.taken_by, control.unit) == (bench.competent, "mm")
    assert before == (list(Verdict.objects.order_by("id").values()), list(Reading.objects.values()))
    version = waiting.version
    waiting.refresh_from_db()
    assert waiting.version == version, "what was read is still what is countersigned"
    signing.countersign(actor=bench.competent, inspection=waiting, version=version)


def test_a_value_is_measured_again_with_its_uncertainty(bench: Bench, waiting: Inspection) -> None:
    used = instruments.add_instrument(
        actor=bench.competent,
        site=bench.site,
        identity="MC-good",
        name="Micrometer",
        kind=factories.InstrumentKind.MICROMETER,
        unit=MM,
        resolution=D("0.001"),
        permissible_error=D("0.002"),
    )
    control = again_value(waiting, bench.competent, used, "25.002")
    assert (control.low, control.high, control.is_value, control.tries) == (
        D("25.002"),
        D("25.002"),
        True,
        [],
    )
    # JCGM 100:2008, 4.3.7: an error of at most a has a over root 3; a digit d has d over root 12.
    expected = (0.002**2 / 3 + 0.001**2 / 12) ** 0.5
    assert control.standard_uncertainty == pytest.approx(expected)


def test_one_of_two_terms_is_measured_again(bench: Bench, waiting: Inspection) -> None:
    line = factories.line_named(waiting, SHAFT_TO_BUSH)
    used = factories.make_micrometer(bench.site)
    where = {"line": line.pk, "position": "drive front", "term": "journal"}
    assert again_value(waiting, bench.competent, used, "19.990", **where).term == "journal"
    with pytest.raises(Fault, match="Nothing was measured at 'drive front, shim'") as caught:
        again_value(waiting, bench.competent, used, "1", **{**where, "term": "shim"})
    assert (caught.value.field, caught.value.code) == ("position", "nothing_to_compare")


def test_measuring_again_takes_another_person_who_may_countersign(
    bench: Bench, waiting: Inspection, leaf_set: Instrument
) -> None:
    for person in (bench.technician, bench.trainee, bench.auditor, bench.outsider):
        with pytest.raises(NotAllowed):
            again(waiting, person, leaf_set)
    people.grant_role(
        actor=factories.manager_of(bench.site),
        user=bench.trainee,
        site=bench.site,
        role=Role.SUPERVISOR.value,
    )
    with pytest.raises(NotAllowed, match="You took this reading yourself"):
        again(waiting, bench.trainee, leaf_set)
    assert not ControlReading.objects.exists()
    assert again(waiting, bench.supervisor, leaf_set).taken_by == bench.supervisor


def test_only_while_it_awaits_its_countersignature(bench: Bench, leaf_set: Instrument) -> None:
    open_one = factories.make_inspection(bench.trainee, bench.pump)
    factories.measure_all(bench.trainee, open_one)
    with pytest.raises(Conflict, match="This inspection is open") as caught:
        again(open_one, bench.competent, leaf_set)
    assert caught.value.code == "not_awaiting"


@pytest.mark.parametrize(
    ("changes", "field", "code"),
    [
        ({"position": "nowhere"}, "position", "nothing_to_compare"),
        ({"tries": [leaf("0.55")]}, "tries.0.leaves", "leaf_not_in_set"),
        ({"tries": bracketed("0.09", "0.08")}, "tries", "tries_disagree"),
        ({"tries": []}, "tries", "no_tries"),
        ({"line": 0}, "line", "unknown_line"),
    ],
)
def test_what_is_no_reading_is_no_control_either(
    bench: Bench,
    waiting: Inspection,
    leaf_set: Instrument,
    changes: dict[str, Any],
    field: str,
    code: str,
) -> None:
    with pytest.raises(Fault) as caught:
        again(waiting, bench.competent, leaf_set, **changes)
    assert (caught.value.field, caught.value.code) == (field, code)
    assert not ControlReading.objects.exists()


def test_the_instrument_is_of_the_site_in_use_and_fits(
    bench: Bench, waiting: Inspection, leaf_set: Instrument
) -> None:
    gone = instruments.withdraw_instrument(
        actor=bench.competent, instrument=factories.make_leaf_set(bench.site)
    )
    micrometer = factories.make_micrometer(bench.site)
    bush = {
        "line": factories.line_named(waiting, SHAFT_TO_BUSH).pk,
        "position": "drive front",
        "term": "bore",
    }
    cut_in = {
        "line": factories.line_named(waiting, factories.CUT_IN).pk,
        "position": "drive front",
    }

    def code_of(work: Callable[[], object]) -> str:
        with pytest.raises(Fault) as caught:
            work()
        assert caught.value.field == "instrument"
        return caught.value.code

    who = bench.competent
    elsewhere = factories.make_leaf_set(bench.elsewhere)
    assert code_of(lambda: again(waiting, who, elsewhere)) == "other_site"
    assert code_of(lambda: again(waiting, who, gone)) == "withdrawn"
    assert code_of(lambda: again(waiting, who, micrometer)) == "not_a_leaf_set"
    assert code_of(lambda: again_value(waiting, who, leaf_set, "1")) == "leaves_needed"
    assert code_of(lambda: again_value(waiting, who, micrometer, "1", **cut_in)) == "leaves_needed"
    with pytest.raises(Fault, match="Nothing was measured"):
        again(waiting, who, leaf_set, line=bush["line"], position="drive front")
    for figure in ("-1", "100000", "NaN"):
        with pytest.raises(Fault) as caught:
            again_value(waiting, who, micrometer, figure)
        assert caught.value.field == "value"


def test_a_slip_is_put_right_while_it_waits(
    bench: Bench, waiting: Inspection, leaf_set: Instrument
) -> None:
    again(waiting, bench.competent, leaf_set, "0.30", "0.40")
    again(waiting, bench.competent, leaf_set)
    assert ControlReading.objects.get().high == D("0.09")


def test_a_comparison_from_before_it_was_sent_back_stands(
    bench: Bench, waiting: Inspection, leaf_set: Instrument
) -> None:
    again(waiting, bench.competent, leaf_set, "0.30", "0.40")
    signing.send_back(actor=bench.competent, inspection=waiting, why="Measure again")
    measure(bench, waiting, leaf_set, ("0.10", "0.15"))
    signing.sign(actor=bench.trainee, inspection=waiting)
    with pytest.raises(Conflict, match="That comparison stands") as caught:
        again(waiting, bench.competent, leaf_set, "0.10", "0.15")
    assert caught.value.code == "controlled_before"
    ((compared,),) = comparisons_of(waiting).values()
    # Compared with what stood there then, not with what came after.
    assert (compared.own.low, compared.meets) == (D("0.08"), False)


def measure(
    bench: Bench, inspection: Inspection, leaf_set: Instrument, ends: tuple[str, str]
) -> None:
    readings.record_tries(
        actor=bench.trainee,
        inspection=inspection,
        line=factories.line_named(inspection, SIDE).pk,
        position=HERE,
        instrument=leaf_set,
        tries=bracketed(*ends),
    )


def test_a_control_stays_when_the_inspection_is_locked(
    bench: Bench, waiting: Inspection, leaf_set: Instrument
) -> None:
    again(waiting, bench.competent, leaf_set)
    signing.countersign(actor=bench.competent, inspection=waiting)
    with pytest.raises(Conflict, match="This inspection is signed"):
        again(waiting, bench.competent, leaf_set)
    for change in (
        "UPDATE inspections_controlreading SET low = 0.01",
        "DELETE FROM inspections_controlreading",
    ):
        with refused_by("inspections_only_while_under_work"):
            sql(change)


# --- Comparing ----------------------------------------------------------------------------------


def only(inspection: Inspection) -> Any:
    ((compared,),) = comparisons_of(inspection).values()
    return compared


@pytest.mark.parametrize(
    ("low", "high", "meets", "outcome"),
    [
        # The trainee's bracket is 0.08 up to, not including, 0.09; the limit 0.15.
        ("0.08", "0.09", True, "within"),
        ("0.08", "0.30", True, "undecided"),
        ("0.09", "0.10", False, "within"),
        ("0.15", "0.20", False, "undecided"),
        ("0.20", "0.25", False, "out"),
    ],
)
def test_a_control_is_set_beside_the_first_reading(
    bench: Bench,
    waiting: Inspection,
    leaf_set: Instrument,
    low: str,
    high: str,
    meets: bool,
    outcome: str,
) -> None:
    again(waiting, bench.competent, leaf_set, low, high)
    compared = only(waiting)
    assert (compared.meets, compared.control_outcome.value) == (meets, outcome)
    assert compared.own_outcome.value == "within"
    assert compared.same_verdict == (outcome == "within")


def test_one_position_is_judged_by_itself(
    bench: Bench, waiting: Inspection, leaf_set: Instrument
) -> None:
    # Another position being out says nothing about this one.
    again(waiting, bench.competent, leaf_set, "0.20", "0.25", position="drive 6 o'clock")
    again(waiting, bench.competent, leaf_set)
    both = {one.control.position: one for one in comparisons_of(waiting).popitem()[1]}
    assert both["drive 6 o'clock"].control_outcome.value == "out"
    assert both[HERE].control_outcome.value == "within"


def test_a_spread_is_judged_as_a_whole(bench: Bench, waiting: Inspection) -> None:
    # Both widths were read as 25.000; the limit on their spread is 0.005.
    used = factories.make_micrometer(bench.site)
    again_value(waiting, bench.competent, used, "25.006")
    compared = only(waiting)
    assert (compared.meets, compared.control_outcome.value) == (False, "out")


def test_values_agree_within_twice_their_uncertainty(bench: Bench, waiting: Inspection) -> None:
    used = factories.make_micrometer(bench.site)
    again_value(waiting, bench.competent, used, "25.0012")
    assert not only(waiting).meets
    ControlReading.objects.update(standard_uncertainty=0.0005)
    assert not only(waiting).meets
    ControlReading.objects.update(standard_uncertainty=0.00061)
    assert only(waiting).meets


def test_a_reading_that_went_on_before_it_was_replaced_is_still_the_first(
    bench: Bench, waiting: Inspection, leaf_set: Instrument
) -> None:
    again(waiting, bench.competent, leaf_set, "0.08", "0.09")
    signing.send_back(actor=bench.competent, inspection=waiting, why="Measure again")
    # Retaken later: set aside after the control, so it was in force then.
    own = Reading.objects.get(
        inspection=waiting, line__characteristic=SIDE, position=HERE, replaced_at__isnull=True
    )
    measure(bench, waiting, leaf_set, ("0.30", "0.40"))
    assert only(waiting).own.pk == own.pk
    assert only(waiting).meets


def test_an_abandoned_inspection_keeps_its_comparison(
    bench: Bench, waiting: Inspection, leaf_set: Instrument
) -> None:
    again(waiting, bench.competent, leaf_set)
    signing.send_back(actor=bench.competent, inspection=waiting, why="Measure again")
    opening.abandon(actor=bench.competent, inspection=waiting, why="Pump scrapped")
    assert only(waiting).meets


def test_a_control_may_be_dated_back(
    bench: Bench, waiting: Inspection, leaf_set: Instrument
) -> None:
    at = timezone.now() - timedelta(seconds=1)
    assert again(waiting, bench.competent, leaf_set, now=at).taken_at == at
