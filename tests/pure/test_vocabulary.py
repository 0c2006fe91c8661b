"""The closed lists hang together."""

import pytest

from fleet.vocabulary import (
    CHARACTERISTICS,
    COMPONENTS,
    OIL_GRADES,
    Characteristic,
    Component,
    InstrumentKind,
    PumpFamily,
    Rotation,
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
    assert len(info.terms) in {0, 2}
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
        assert any(info.use_in(family) for info in CHARACTERISTICS.values())
    for closed_list in (PumpFamily, Rotation, Component, InstrumentKind, Characteristic):
        labels = [member.label for member in closed_list]
        assert len(set(labels)) == len(labels)


def test_oil_grades_of_iso_3448():
    # ISO 3448 has 20 grades from VG 2 to VG 3200: from memory.
    assert len(OIL_GRADES) == 20
    assert OIL_GRADES[0] == 2
    assert OIL_GRADES[-1] == 3200
    assert {32, 46, 68} <= set(OIL_GRADES)
