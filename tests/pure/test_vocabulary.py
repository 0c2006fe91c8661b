"""The closed lists hang together."""

import pytest

from fleet.limits import JudgedBy, usually_judged_by
from fleet.vocabulary import (
    CHARACTERISTICS,
    COMPONENTS,
    OIL_GRADES,
    Characteristic,
    Component,
    InstrumentKind,
    PumpFamily,
    Rotation,
    taken_on,
    usual_checks,
)


def test_external_gear_pump_in_strip_down_order():
    assert [part.value for part in COMPONENTS[PumpFamily.EXTERNAL_GEAR]] == [
        "seals", "wear_plate_front", "wear_plate_rear", "gears", "shafts", "bushes",
        "housing_bore", "inlet_port", "outlet_port",
    ]  # fmt: skip


def test_every_component_belongs_to_a_family_and_none_is_listed_twice():
    assert set().union(*COMPONENTS.values()) == set(Component)
    assert all(len(set(parts)) == len(parts) for parts in COMPONENTS.values())


@pytest.mark.parametrize("characteristic", Characteristic)
def test_every_check_says_how_and_where(characteristic):
    info = CHARACTERISTICS[characteristic]
    assert info.label
    assert info.noun
    assert info.meaning.endswith(".")
    assert info.how.endswith(".")
    # Either measured or computed, and what may be both ways has its names apart.
    assert len(info.terms) in {0, 2}
    assert len(info.computed_terms) in {0, 2, 4}
    assert not (info.terms and info.computed_terms)
    if info.readings_from is not None:
        source = CHARACTERISTICS[info.readings_from]
        assert usually_judged_by(characteristic) is JudgedBy.SPREAD
        for use in info.uses:
            on = source.use_in(use.family)
            assert on is not None
            assert on.component is use.component
            assert set(use.positions) <= set(on.positions)
    for use in info.uses:
        assert use.component in COMPONENTS[use.family]
        assert use.positions
        assert len(set(use.positions)) == len(use.positions)
        assert info.use_in(use.family) is use
    assert len(set(info.families)) == len(info.families)


def test_side_clearance_is_taken_at_four_places_on_both_gears():
    # 12, 3, 6 and 9 o'clock on each gear: common practice, no source.
    assert len(CHARACTERISTICS[Characteristic.SIDE_CLEARANCE].default_positions) == 8


def test_every_family_has_checks_and_every_list_its_labels():
    for family in PumpFamily:
        checks = usual_checks(family)
        # As many as the books read so far have at least: common practice, no source.
        assert len(checks) >= 7
        assert Characteristic.OWN not in checks
        assert all(taken_on(check, family) for check in checks)
        assert taken_on(Characteristic.OWN, family)
        # What moves in the pump is measured, not only looked at.
        assert len({CHARACTERISTICS[c].use_in(family).component for c in checks}) >= 4
    for closed_list in (PumpFamily, Rotation, Component, InstrumentKind, Characteristic):
        labels = [member.label for member in closed_list]
        assert len(set(labels)) == len(labels)


def test_oil_grades_of_iso_3448():
    # ISO 3448 has 20 grades from VG 2 to VG 3200: from memory.
    assert len(OIL_GRADES) == 20
    assert OIL_GRADES[0] == 2
    assert OIL_GRADES[-1] == 3200
    assert {32, 46, 68} <= set(OIL_GRADES)


def test_the_gerotor_has_the_checks_of_its_book():
    # Body 0.015, tip 0.007, side 0.005, backlash 0.003 to 0.013 in: TM 10-3930-664-24 p.3-59.
    assert {
        Characteristic.OUTER_GEAR_TO_BODY,
        Characteristic.ROTOR_TIP_CLEARANCE,
        Characteristic.GEAR_SET_SIDE_CLEARANCE,
        Characteristic.BACKLASH,
    } <= set(usual_checks(PumpFamily.GEROTOR))


def test_a_check_of_another_family_is_not_taken():
    assert not taken_on(Characteristic.VANE_SLOT_GAP, PumpFamily.GEROTOR)
