"""What a leak path of a pump model must say, word for word."""

from dataclasses import replace
from decimal import Decimal as D

import pytest

from fleet.leaks import LEAKING, LeakPathDraft, check_paths, leaking_in
from fleet.vocabulary import Characteristic, LeakShape, PumpFamily

GEAR = PumpFamily.EXTERNAL_GEAR
SIDE = LeakPathDraft("side_clearance", "slot", 4, D("0.5"), width_mm=D(30), length_mm=D(8))
BUSH = LeakPathDraft("shaft_to_bush", "annulus", 4, D("0.5"), diameter_mm=D(20), length_mm=D(25))
FACE = LeakPathDraft(
    "rotor_side_clearance", "disc", 2, D("0.5"), diameter_mm=D(60), inner_diameter_mm=D(20)
)


def found(path, family=GEAR):
    return [(f.field, f.code, f.detail) for f in check_paths([path], family)]


def test_what_stands_where_nothing_is_said():
    path = LeakPathDraft("side_clearance", "slot", width_mm=D(30), length_mm=D(8))
    assert (path.count, path.gap_factor, path.eccentricity) == (1, D(1), D(0))
    assert found(path) == []
    assert found(BUSH) == []
    assert found(FACE, PumpFamily.VANE) == []


@pytest.mark.parametrize(
    "path",
    [
        replace(SIDE, count=1),
        replace(SIDE, count=100),
        replace(SIDE, gap_factor=D(1)),
        replace(SIDE, width_mm=D("0.001")),
        replace(SIDE, length_mm=D("99999.9")),
        replace(BUSH, eccentricity=D(1)),
        replace(BUSH, eccentricity=D("0.001")),
    ],
)
def test_the_edges_of_what_can_be(path):
    assert found(path) == []


@pytest.mark.parametrize(
    ("path", "field", "code", "sentence"),
    [
        (replace(SIDE, characteristic="backlash" + "x" * 50), "characteristic", "not_leaking",
         f"'{('backlash' + 'x' * 50)[:40]}' is no clearance that leaks in this family of pumps. "
         "Choose one of: side_clearance, tip_clearance, shaft_to_bush."),
        (replace(SIDE, shape="a tube that is far too long"), "shape", "invalid_choice",
         "'a tube that is far t' is no shape of a gap. Choose one of: slot, annulus, disc."),
        (replace(SIDE, width_mm=None), "width_mm", "required", "Enter the width in mm."),
        (replace(SIDE, length_mm=None), "length_mm", "required", "Enter the length in mm."),
        (replace(BUSH, diameter_mm=None), "diameter_mm", "required", "Enter the diameter in mm."),
        (replace(SIDE, width_mm=D(0)), "width_mm", "out_of_range",
         "The width is above 0 and below 100000 mm. Check it on the drawing."),
        (replace(SIDE, length_mm=D(100_000)), "length_mm", "out_of_range",
         "The length is above 0 and below 100000 mm. Check it on the drawing."),
        (replace(SIDE, diameter_mm=D(5)), "diameter_mm", "length_not_of_shape",
         f"A {LeakShape.SLOT.label.lower()} has no diameter. Leave it empty."),
        (replace(BUSH, inner_diameter_mm=D(5)), "inner_diameter_mm", "length_not_of_shape",
         f"A {LeakShape.ANNULUS.label.lower()} has no inner diameter. Leave it empty."),
        (replace(SIDE, count=0), "count", "out_of_range",
         "Enter how many such gaps are open at once, 1 to 100."),
        (replace(SIDE, count=101), "count", "out_of_range",
         "Enter how many such gaps are open at once, 1 to 100."),
        (replace(SIDE, gap_factor=D(0)), "gap_factor", "out_of_range",
         "Enter which part of the clearance one gap has, above 0 and at most 1: 0.5 for a "
         "difference of diameters."),
        (replace(SIDE, gap_factor=D("1.001")), "gap_factor", "out_of_range",
         "Enter which part of the clearance one gap has, above 0 and at most 1: 0.5 for a "
         "difference of diameters."),
        (replace(BUSH, eccentricity=D("-0.001")), "eccentricity", "out_of_range",
         "Enter the eccentricity from 0, centred, to 1, touching."),
        (replace(BUSH, eccentricity=D("1.001")), "eccentricity", "out_of_range",
         "Enter the eccentricity from 0, centred, to 1, touching."),
        (replace(SIDE, eccentricity=D("0.5")), "eccentricity", "length_not_of_shape",
         "Only a ring gap round a shaft or piston has an eccentricity. Leave it at 0."),
    ],
)  # fmt: skip
def test_what_a_path_is_refused_for(path, field, code, sentence):
    assert found(path) == [(f"paths.0.{field}", code, sentence)]


@pytest.mark.parametrize("inner", ["60", "60.5"])
def test_a_disc_is_larger_outside(inner):
    assert found(replace(FACE, inner_diameter_mm=D(inner)), PumpFamily.VANE) == [(
        "paths.0.inner_diameter_mm", "out_of_range",
        f"The inner diameter {inner} mm is not smaller than the outer, 60 mm. Check whether the "
        "two are swapped.",
    )]  # fmt: skip
    # Said once the two stand: a length that is wrong in itself comes first.
    wrong = replace(FACE, diameter_mm=D(-60))
    assert [field for field, *_ in found(wrong, PumpFamily.VANE)] == ["paths.0.diameter_mm"]


def test_a_clearance_has_one_path():
    sentence = "A clearance has one leak path. Put what leaks side by side into its number of gaps."
    faults = check_paths([SIDE, BUSH, SIDE], GEAR)
    assert [(f.field, f.code, f.detail) for f in faults] == [
        ("paths.0.characteristic", "taken", sentence),
        ("paths.2.characteristic", "taken", sentence),
    ]


def test_what_leaks_in_which_family_and_how():
    # Which gaps leak, and half or all of what is measured: common practice, no source.
    usual = {c.value: (path.shape.value, str(path.gap_factor)) for c, path in LEAKING.items()}
    assert usual == {
        "side_clearance": ("slot", "0.5"),
        "tip_clearance": ("slot", "1"),
        "shaft_to_bush": ("annulus", "0.5"),
        "gear_set_side_clearance": ("slot", "0.5"),
        "outer_gear_to_body": ("annulus", "0.5"),
        "rotor_tip_clearance": ("slot", "1"),
        "vane_slot_gap": ("slot", "1"),
        "rotor_side_clearance": ("disc", "0.5"),
        "piston_to_bore": ("annulus", "0.5"),
    }
    assert leaking_in(GEAR) == (
        Characteristic.SIDE_CLEARANCE,
        Characteristic.TIP_CLEARANCE,
        Characteristic.SHAFT_TO_BUSH,
    )
    assert {c for family in PumpFamily for c in leaking_in(family)} == set(LEAKING)
    for path in LEAKING.values():
        letters = {"slot": ("b: ", "L: "), "annulus": ("D: ", "L: "), "disc": ("D: ", "d: ")}
        assert all(letter in path.hint for letter in letters[path.shape.value])
