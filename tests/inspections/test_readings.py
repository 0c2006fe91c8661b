from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from fleet.faults import Conflict, Fault, NotAllowed
from fleet.services.sheets import LineDraft
from fleet.units import LengthUnit
from inspections.models import Inspection, Instrument, Reading, Verdict
from inspections.rules.leaves import Feel, Try
from inspections.services import instruments, readings
from tests import factories
from tests.factories import BACKLASH, CUT_IN, FLATNESS, SHAFT_TO_BUSH, SIDE, WIDTHS, leaf
from tests.inspections.conftest import Bench

D = Decimal
HERE = "drive 12 o'clock"


@pytest.fixture
def open_one(bench: Bench) -> Inspection:
    return factories.make_inspection(bench.technician, bench.pump)


@pytest.fixture
def leaf_set(bench: Bench) -> Instrument:
    return factories.make_leaf_set(bench.site)


@pytest.fixture
def micrometer(bench: Bench) -> Instrument:
    return factories.make_micrometer(bench.site)


def try_leaves(
    bench: Bench,
    inspection: Inspection,
    leaf_set: Instrument,
    *tries: Try,
    check: str = SIDE,
    position: str = HERE,
) -> Reading:
    return readings.record_tries(
        actor=bench.technician,
        inspection=inspection,
        line=factories.line_named(inspection, check).pk,
        position=position,
        instrument=leaf_set,
        tries=tries,
    )


def read_value(
    bench: Bench,
    inspection: Inspection,
    instrument: Instrument,
    figure: str,
    *,
    check: str = SIDE,
    position: str = HERE,
    term: str = "",
    unit: LengthUnit = LengthUnit.MM,
) -> Reading:
    return readings.record_value(
        actor=bench.technician,
        inspection=inspection,
        line=factories.line_named(inspection, check).pk,
        position=position,
        term=term,
        instrument=instrument,
        value=D(figure),
        unit=unit,
    )


def verdict_of(inspection: Inspection, check: str) -> Verdict:
    return Verdict.objects.get(inspection=inspection, line__characteristic=check)


def test_no_reading_is_taken_on_a_pump_that_is_not_proved_dead(
    bench: Bench, leaf_set: Instrument, micrometer: Instrument
) -> None:
    inspection = factories.make_inspection(bench.technician, bench.pump, isolated=False)
    with pytest.raises(Conflict) as caught:
        try_leaves(bench, inspection, leaf_set, leaf("0.10"))
    assert caught.value.code == "not_proved_zero"
    with pytest.raises(Conflict):
        read_value(bench, inspection, micrometer, "0.10")
    assert not Reading.objects.exists()
    assert not Verdict.objects.exists()


def test_leaves_leave_a_bracket_and_the_tries_as_they_were_made(
    bench: Bench, open_one: Inspection, leaf_set: Instrument
) -> None:
    reading = try_leaves(
        bench,
        open_one,
        leaf_set,
        leaf("0.10", "free"),
        leaf("0.15", "refuses"),
        leaf("0.10+0.04", "drag"),
    )
    reading.refresh_from_db()
    assert (str(reading.low), str(reading.high), reading.unit) == ("0.14", "0.15", "mm")
    assert reading.tries == [
        {"leaves": ["0.10"], "feel": "free"},
        {"leaves": ["0.15"], "feel": "refuses"},
        {"leaves": ["0.10", "0.04"], "feel": "drag"},
    ]
    assert (reading.is_value, reading.taken_by) == (False, bench.technician)
    verdict = verdict_of(open_one, SIDE)
    assert verdict.outcome == "undecided"
    assert verdict.missing_positions == ["drive 6 o'clock", "idler 12 o'clock"]


def test_a_bracket_without_an_upper_end_is_kept_open(
    bench: Bench, open_one: Inspection, leaf_set: Instrument
) -> None:
    reading = try_leaves(bench, open_one, leaf_set, leaf("0.40"))
    reading.refresh_from_db()
    assert (reading.low, reading.high) == (D("0.40"), None)
    # One position out of limits is enough, whatever the others will say.
    assert verdict_of(open_one, SIDE).outcome == "out"


def test_contradictory_leaves_are_refused_and_the_pair_is_named(
    bench: Bench, open_one: Inspection, leaf_set: Instrument
) -> None:
    with pytest.raises(Fault) as caught:
        try_leaves(bench, open_one, leaf_set, leaf("0.20"), leaf("0.10", "refuses"))
    assert (caught.value.code, caught.value.field) == ("tries_disagree", "tries")
    assert "0.20 entered although the thinner 0.10 did not" in caught.value.detail
    assert not Reading.objects.exists()


@pytest.mark.parametrize(
    ("tried", "code", "field"),
    [
        (leaf("0.12"), "leaf_not_in_set", "tries.1.leaves"),
        (leaf("0.03+0.04+0.05"), "stack_too_thick", "tries.1.leaves"),
        (leaf("0.10+0.10"), "leaf_twice", "tries.1.leaves"),
    ],
)
def test_a_try_that_the_set_does_not_allow_is_refused(
    bench: Bench, open_one: Inspection, leaf_set: Instrument, tried: Try, code: str, field: str
) -> None:
    with pytest.raises(Fault) as caught:
        try_leaves(bench, open_one, leaf_set, leaf("0.08"), tried)
    assert (caught.value.code, caught.value.field) == (code, field)
    assert not Reading.objects.exists()


def test_one_more_leaf_goes_on_with_the_same_reading(
    bench: Bench, open_one: Inspection, leaf_set: Instrument
) -> None:
    line = factories.line_named(open_one, SIDE).pk

    def add(thickness: str, feel: Feel) -> Reading:
        return readings.add_try(
            actor=bench.technician,
            inspection=open_one,
            line=line,
            position=HERE,
            instrument=leaf_set,
            leaves=[D(thickness)],
            feel=feel,
        )

    first = add("0.10", Feel.DRAG)
    assert add("0.15", Feel.REFUSES).pk == first.pk
    assert Reading.objects.count() == 1
    left = readings.drop_last_try(
        actor=bench.technician, inspection=open_one, line=line, position=HERE
    )
    assert left is not None
    assert (left.low, left.high) == (D("0.10"), None)
    nothing = readings.drop_last_try(
        actor=bench.technician, inspection=open_one, line=line, position=HERE
    )
    assert nothing is None
    assert not Reading.objects.filter(replaced_at__isnull=True).exists()


def test_the_same_leaf_tried_again_replaces_how_it_felt(
    bench: Bench, open_one: Inspection, leaf_set: Instrument
) -> None:
    line = factories.line_named(open_one, SIDE).pk
    for feel in (Feel.REFUSES, Feel.DRAG):
        reading = readings.add_try(
            actor=bench.technician,
            inspection=open_one,
            line=line,
            position=HERE,
            instrument=leaf_set,
            leaves=[D("0.10")],
            feel=feel,
        )
    assert reading.tries == [{"leaves": ["0.10"], "feel": "drag"}]


def test_a_position_measured_anew_keeps_the_old_reading_as_replaced(
    bench: Bench, open_one: Inspection, leaf_set: Instrument
) -> None:
    old = try_leaves(bench, open_one, leaf_set, leaf("0.20"))
    readings.retake(actor=bench.technician, inspection=open_one, line=old.line_id, position=HERE)
    assert verdict_of(open_one, SIDE).outcome == "undecided"
    new = try_leaves(bench, open_one, leaf_set, *factories.bracketed("0.08", "0.09"))
    old.refresh_from_db()
    assert old.replaced_at is not None
    in_force = Reading.objects.filter(inspection=open_one, replaced_at__isnull=True)
    assert list(in_force) == [new]


def test_a_check_is_within_limits_once_every_position_is(
    bench: Bench, open_one: Inspection, leaf_set: Instrument
) -> None:
    for position in factories.line_named(open_one, SIDE).positions:
        assert position
        try_leaves(
            bench,
            open_one,
            leaf_set,
            *factories.bracketed("0.10", "0.15"),
            position=position,
        )
    verdict = verdict_of(open_one, SIDE)
    # Less than 0.15 mm is within "at most 0.15 mm": the leaf of the limit size does not enter.
    assert (verdict.outcome, verdict.low, verdict.high) == ("within", D("0.10"), D("0.15"))
    assert f"sheet {open_one.sheet.revision}" in verdict.sentence


# TM 5-3820-256-24-1 p.4-70: the widths of the two gears agree within 0.005 mm.
@pytest.mark.parametrize(("other", "outcome"), [("25.005", "within"), ("25.006", "out")])
def test_gear_widths_are_compared_in_exact_decimals(
    bench: Bench, open_one: Inspection, micrometer: Instrument, other: str, outcome: str
) -> None:
    places = factories.line_named(open_one, WIDTHS).positions
    for position, figure in zip(places, ("25.000", other), strict=True):
        read_value(bench, open_one, micrometer, figure, check=WIDTHS, position=position)
    verdict = verdict_of(open_one, WIDTHS)
    assert verdict.outcome == outcome
    assert verdict.low == verdict.high == D(other) - D("25.000")


# Limit of TM 10-3930-653-14&P p.4-203: 0.177 mm between shaft and bush.
@pytest.mark.parametrize(("bore", "outcome"), [("20.177", "within"), ("20.178", "out")])
def test_a_difference_is_bore_less_journal(
    bench: Bench, open_one: Inspection, micrometer: Instrument, bore: str, outcome: str
) -> None:
    read_value(
        bench, open_one, micrometer, bore, check=SHAFT_TO_BUSH, position="drive front", term="bore"
    )
    half = verdict_of(open_one, SHAFT_TO_BUSH)
    assert (half.outcome, half.missing_positions) == ("undecided", ["drive front journal"])
    read_value(
        bench,
        open_one,
        micrometer,
        "20.000",
        check=SHAFT_TO_BUSH,
        position="drive front",
        term="journal",
    )
    assert verdict_of(open_one, SHAFT_TO_BUSH).outcome == outcome


# TM 5-3820-256-24-1 p.4-69: 0.004 in (0.10 mm) of cut-in; a leaf of that size rejects if it enters.
@pytest.mark.parametrize(
    ("tries", "outcome"),
    [
        ([leaf("0.10", "refuses")], "within"),
        ([leaf("0.10", "drag")], "out"),
        ([leaf("0.09", "drag")], "undecided"),
    ],
)
def test_a_leaf_of_the_limit_size_that_enters_rejects(
    bench: Bench, open_one: Inspection, leaf_set: Instrument, tries: list[Try], outcome: str
) -> None:
    for position in factories.line_named(open_one, CUT_IN).positions:
        try_leaves(bench, open_one, leaf_set, *tries, check=CUT_IN, position=position)
    assert verdict_of(open_one, CUT_IN).outcome == outcome


def test_a_leaf_check_takes_no_value(
    bench: Bench, open_one: Inspection, micrometer: Instrument
) -> None:
    with pytest.raises(Fault) as caught:
        read_value(bench, open_one, micrometer, "0.05", check=CUT_IN, position="drive front")
    assert caught.value.code == "leaves_needed"
    assert not Reading.objects.exists()


def test_inch_leaves_meet_a_limit_in_millimetres_exactly(
    bench: Bench, open_one: Inspection
) -> None:
    inches = factories.make_leaf_set(bench.site, [D("0.005"), D("0.006")], unit=LengthUnit.INCH)
    # 0.006 in is 0.1524 mm: that it does not enter leaves 0.127 to 0.1524 mm, with 0.15 inside.
    reading = try_leaves(bench, open_one, inches, *factories.bracketed("0.005", "0.006"))
    assert (reading.unit, reading.low, reading.high) == ("in", D("0.005"), D("0.006"))
    assert verdict_of(open_one, SIDE).outcome == "undecided"


def test_a_value_is_kept_with_its_unit_and_digits(
    bench: Bench, open_one: Inspection, micrometer: Instrument
) -> None:
    reading = read_value(bench, open_one, micrometer, "120", unit=LengthUnit.UM)
    again = Reading.objects.get(pk=read_value(bench, open_one, micrometer, "0.150").pk)
    assert (reading.unit, reading.is_value) == ("um", True)
    assert (str(again.low), str(again.high), again.tries) == ("0.150", "0.150", [])


@pytest.mark.parametrize("figure", ["-0.01", "100000", "NaN"])
def test_an_impossible_value_is_refused(
    bench: Bench, open_one: Inspection, micrometer: Instrument, figure: str
) -> None:
    with pytest.raises(Fault) as caught:
        read_value(bench, open_one, micrometer, figure)
    assert caught.value.field == "value"
    assert not Reading.objects.exists()


def test_instruments_and_places_that_do_not_fit_are_refused(
    bench: Bench, open_one: Inspection, leaf_set: Instrument, micrometer: Instrument
) -> None:
    foreign = factories.make_leaf_set(bench.elsewhere)
    gone = instruments.withdraw_instrument(
        actor=bench.supervisor, instrument=factories.make_leaf_set(bench.site)
    )
    attempts: list[tuple[Any, dict[str, Any], str]] = [
        (try_leaves, {"leaf_set": micrometer}, "not_a_leaf_set"),
        (try_leaves, {"leaf_set": foreign}, "other_site"),
        (try_leaves, {"leaf_set": gone}, "withdrawn"),
        (try_leaves, {"leaf_set": leaf_set, "position": "the moon"}, "unknown_position"),
        (try_leaves, {"leaf_set": leaf_set, "check": FLATNESS}, "not_applicable"),
        (
            try_leaves,
            {"leaf_set": leaf_set, "check": SHAFT_TO_BUSH, "position": "drive front"},
            "unknown_term",
        ),
        (read_value, {"instrument": leaf_set}, "leaves_needed"),
        (read_value, {"instrument": micrometer, "term": "bore"}, "unknown_term"),
    ]
    for function, how, code in attempts:
        tool = how.pop("leaf_set", None) or how.pop("instrument")
        what = leaf("0.10") if function is try_leaves else "0.10"
        with pytest.raises(Fault) as caught:
            function(bench, open_one, tool, what, **how)
        assert caught.value.code == code
    assert not Reading.objects.exists()


def test_a_line_of_another_sheet_is_refused(
    bench: Bench, open_one: Inspection, leaf_set: Instrument
) -> None:
    other = factories.make_issued_sheet(factories.make_model())
    with pytest.raises(Fault) as caught:
        readings.record_tries(
            actor=bench.technician,
            inspection=open_one,
            line=other.lines.first().pk,  # type: ignore[union-attr]
            position=HERE,
            instrument=leaf_set,
            tries=[leaf("0.10")],
        )
    assert caught.value.code == "unknown_line"


def test_an_undecided_check_is_waived_by_name_and_reason(
    bench: Bench, open_one: Inspection, leaf_set: Instrument
) -> None:
    line = factories.line_named(open_one, BACKLASH).pk
    with pytest.raises(NotAllowed):
        readings.waive(
            actor=bench.technician, inspection=open_one, line=line, reason="Gear is split"
        )
    with pytest.raises(Fault) as caught:
        readings.waive(actor=bench.competent, inspection=open_one, line=line, reason=" ")
    assert caught.value.field == "reason"
    verdict = readings.waive(
        actor=bench.competent, inspection=open_one, line=line, reason="Gear is split"
    )
    assert (verdict.waived_by, verdict.waived_reason) == (bench.competent, "Gear is split")
    # Once it is decided after all, nothing is left to waive.
    try_leaves(bench, open_one, leaf_set, leaf("0.40+0.10"), check=BACKLASH, position="mesh 0°")
    verdict.refresh_from_db()
    assert (verdict.outcome, verdict.waived_by, verdict.waived_reason) == ("out", None, "")
    with pytest.raises(Conflict) as refused:
        readings.waive(actor=bench.competent, inspection=open_one, line=line, reason="No matter")
    assert refused.value.code == "decided"


def test_a_waiver_holds_for_the_readings_it_was_given_for(
    bench: Bench, open_one: Inspection, leaf_set: Instrument
) -> None:
    line = factories.line_named(open_one, BACKLASH).pk
    verdict = readings.waive(
        actor=bench.competent, inspection=open_one, line=line, reason="No leaf at hand"
    )
    # Still undecided, but by a bracket that nobody has waived.
    try_leaves(bench, open_one, leaf_set, leaf("0.40"), check=BACKLASH, position="mesh 0°")
    verdict.refresh_from_db()
    assert (verdict.outcome, verdict.waived_by, verdict.waived_reason) == ("undecided", None, "")


def test_each_reading_makes_the_version_that_others_have_read_stale(
    bench: Bench, open_one: Inspection, leaf_set: Instrument
) -> None:
    before = open_one.version
    try_leaves(bench, open_one, leaf_set, leaf("0.10"))
    open_one.refresh_from_db()
    assert open_one.version > before


def test_a_sheet_may_judge_a_difference_of_its_own(bench: Bench, micrometer: Instrument) -> None:
    # Plate wear, land less ring, 0.051 mm: TM 5-3820-256-24-2 §7-1.4.4.
    model = factories.make_model()
    wear = LineDraft(
        characteristic="plate_wear",
        component="wear_plate_front",
        judged_by="difference",
        unit="mm",
        page="9",
        limit_high=D("0.051"),
        positions=("front",),
        terms=("land", "ring"),
    )
    factories.make_issued_sheet(model, [wear])
    inspection = factories.make_inspection(bench.technician, factories.make_pump(bench.site, model))
    for term, figure in (("land", "8.000"), ("ring", "7.949")):
        read_value(
            bench,
            inspection,
            micrometer,
            figure,
            check="plate_wear",
            position="front",
            term=term,
        )
    assert verdict_of(inspection, "plate_wear").outcome == "within"
