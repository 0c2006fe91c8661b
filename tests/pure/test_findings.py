"""Words for what is seen."""

import re

import pytest

from fleet.vocabulary import COMPONENTS, Component, PumpFamily
from inspections.rules.findings import (
    WORDS,
    Cause,
    Mechanism,
    Severity,
    Word,
    check_finding,
    words_for,
)


@pytest.mark.parametrize("component", Component)
def test_every_component_has_its_words(component):
    words = words_for(component)
    assert words[0] is Word.NO_DEFECT
    assert len(words) >= 8
    for word in words[1:]:
        assert check_finding(component, word, 2) == []


def test_every_word_is_described_once_and_usable():
    assert set(WORDS) == set(Word)
    assert len({info.label for info in WORDS.values()}) == len(WORDS)
    for info in WORDS.values():
        assert info.components
        assert info.source


# A standard with its heading or clause, a maintenance manual, or that there is none.
SOURCE = (
    r"common practice, no source|common seal-failure terms|ISO 10825 heading, [a-z ]+"
    r"|ISO 15243:2017 5\.\d(, [a-z ]+)?|ISO 15243:2017, [a-z ]+|TM \d+-[\d&P-]+( p\.\d-\d+)?"
    r"|TM [\d-]+ ch\. \d"
)


def test_words_have_a_label_a_source_and_a_mechanism():
    for word, info in WORDS.items():
        assert re.match(r"[A-Z][a-z]", info.label)
        for part in info.source.split("; "):
            assert re.fullmatch(SOURCE, part), part
        # Nothing is wrong, nothing moves, or somebody fitted it so: no mechanism of wear.
        bare = {Word.NO_DEFECT, Word.VANE_STICKS, Word.WRONG_WAY_ROUND}
        assert isinstance(info.mechanism, Mechanism) is (word not in bare), word


def test_words_and_causes_are_stored_by_their_names():
    for kind in (Word, Cause):
        assert [each.value for each in kind] == [each.name.lower() for each in kind]


def test_mechanisms_have_the_numbers_of_iso_14224():
    # ISO 14224 table B.2; 5.1 and 5.2 from memory.
    assert {each.name.lower(): each.value for each in Mechanism} == {
        "leakage": "1.1", "clearance": "1.3", "deformation": "1.4", "looseness": "1.5",
        "cavitation": "2.1", "corrosion": "2.2", "erosion": "2.3", "wear": "2.4",
        "breakage": "2.5", "fatigue": "2.6", "overheating": "2.7", "blockage": "5.1",
        "contamination": "5.2",
    }  # fmt: skip
    assert all(re.match(r"[A-Z][a-z]", each.label) for each in Mechanism)


def test_severities_and_causes_say_what_to_look_for():
    labels = [each.label for each in Severity]
    assert labels == ["None", "Polish", "Light", "Heavy", "Failed"]
    for said in (*(each.meaning for each in Severity), *(cause.signs for cause in Cause)):
        assert re.fullmatch(r"(A |[A-Z][a-z]).+\.", said), said


def codes(component, word, severity):
    return [fault.code for fault in check_finding(component, word, severity)]


def test_no_defect_and_severity_0_go_together():
    assert codes(Component.GEARS, Word.NO_DEFECT, 0) == []
    assert codes(Component.GEARS, Word.NO_DEFECT, 1) == ["severity_contradicts_word"]
    assert codes(Component.GEARS, Word.SCORED, 0) == ["severity_contradicts_word"]
    assert codes(Component.GEARS, Word.SCORED, 5) == ["range"]
    assert codes(Component.GEARS, Word.SCORED, -1) == ["range"]


def test_each_refusal_says_what_to_do_instead():
    def said(component, word, severity):
        return [(f.detail, f.field) for f in check_finding(component, word, severity)]

    assert said(Component.WEAR_PLATE_FRONT, Word.EXTRUDED, 2) == [
        (
            "'Extruded or nibbled' is not a word for wear plate, front. Choose one from its list.",
            "word",
        )
    ]
    assert said(Component.GEARS, Word.SCORED, 5) == [
        ("Severity runs from 0 to 4. Choose one of them.", "severity")
    ]
    assert said(Component.GEARS, Word.NO_DEFECT, 2) == [("'No defect' has severity 0.", "severity")]
    assert said(Component.GEARS, Word.SCORED, 0) == [
        (
            "'Scored or scratched' needs a severity from 1 to 4, or choose 'No defect'.",
            "severity",
        )
    ]


def test_a_word_must_fit_the_component():
    assert codes(Component.SEALS, Word.PITTED, 3) == ["word_does_not_fit"]
    assert codes(Component.GEARS, Word.EXTRUDED, 0) == [
        "word_does_not_fit",
        "severity_contradicts_word",
    ]
    # ISO 15243 families are for rolling bearings: a plain bush has no fatigue pits of theirs.
    assert codes(Component.BUSHES, Word.PITTED, 2) == ["word_does_not_fit"]


def test_causes_are_kept_apart_from_what_is_seen():
    # Appearance only, no causes by design: ISO 10825-1:2022.
    assert not {word.value for word in Word} & {cause.value for cause in Cause}
    assert len(Cause) == 16
    assert all(cause.signs.endswith(".") for cause in Cause)
    assert Cause.OVER_PRESSURE.label == "Over-pressure"
    assert Cause.OVER_SPEED.label == "Over-speed"
    assert Cause.WATER_IN_OIL.label == "Water in oil"


def test_mechanism_codes():
    # 1.3 clearance/alignment, 2.1 cavitation, 2.4 wear, 2.7 overheating: ISO 14224 table B.2.
    assert Mechanism.CLEARANCE == "1.3"
    assert WORDS[Word.ONE_SIDED_WEAR].mechanism == "1.3"
    assert WORDS[Word.CAVITATION_EROSION].mechanism == "2.1"
    assert WORDS[Word.SCORED].mechanism == "2.4"
    assert WORDS[Word.HEAT_COLOUR].mechanism == "2.7"


def test_severities():
    # 0 to 4: common practice, no source.
    assert [severity.value for severity in Severity] == [0, 1, 2, 3, 4]
    assert all(severity.label and severity.meaning for severity in Severity)


def test_seals_are_never_dressed():
    only_seals = {word for word, info in WORDS.items() if info.components == {Component.SEALS}}
    assert only_seals
    assert not any(WORDS[word].dressable for word in only_seals)
    assert all(Component.SEALS in parts for parts in COMPONENTS.values())


@pytest.mark.parametrize(
    ("component", "word"),
    [
        # Gear teeth: headings of ISO 10825.
        *(
            (gear, word)
            for gear in (Component.GEARS, Component.INNER_GEAR, Component.OUTER_GEAR)
            for word in (
                Word.POLISHED, Word.ABRASIVE_WEAR, Word.EXCESSIVE_WEAR, Word.SCORED,
                Word.INTERFERENCE_WEAR, Word.CORROSION, Word.FRETTING, Word.HEAT_COLOUR,
                Word.CAVITATION_EROSION, Word.FLUID_EROSION, Word.ELECTRIC_EROSION, Word.SCUFFED,
                Word.INDENTED, Word.PLASTIC_FLOW, Word.RIPPLED, Word.BURRED, Word.PITTED,
                Word.MICROPITTED, Word.FLAKED, Word.CRACKED, Word.BROKEN,
            )
        ),
        # Rolling bearings: the six families of ISO 15243:2017, 5.1 to 5.6.
        *(
            (Component.BEARINGS, word)
            for word in (
                Word.PITTED, Word.MICROPITTED, Word.FLAKED, Word.ABRASIVE_WEAR, Word.SMEARED,
                Word.CORROSION, Word.FRETTING, Word.ELECTRIC_EROSION, Word.INDENTED,
                Word.PLASTIC_FLOW, Word.CRACKED, Word.BROKEN,
            )
        ),
        # Seals: common seal-failure terms.
        *(
            (Component.SEALS, word)
            for word in (
                Word.COMPRESSION_SET, Word.EXTRUDED, Word.SPIRAL_CUTS, Word.HARDENED,
                Word.CHEMICAL_ATTACK, Word.DECOMPRESSION_BLISTERS, Word.NICKED, Word.ABRADED,
                Word.LIP_TURNED, Word.LEAKED,
            )
        ),
        # Vane pumps: TM 5-3895-353-14&P, TM 5-3895-359-14&P; ripple and step common practice.
        (Component.ROTOR, Word.VANE_STICKS),
        (Component.VANES, Word.VANE_STICKS),
        (Component.VANES, Word.BURRED),
        (Component.VANES, Word.WRONG_WAY_ROUND),
        (Component.CAM_RING, Word.WRONG_WAY_ROUND),
        (Component.CAM_RING, Word.RIPPLED),
        (Component.CAM_RING, Word.WORN_STEP),
        # Axial piston pumps: common practice, no source; pins TM 10-3930-660-34.
        (Component.PISTONS_AND_SHOES, Word.SHOE_LOOSE),
        (Component.PISTONS_AND_SHOES, Word.SHOE_ROLLED),
        (Component.VALVE_PLATE, Word.SCORED),
        (Component.VALVE_PLATE, Word.FLUID_EROSION),
        (Component.CYLINDER_BLOCK, Word.SMEARED),
        (Component.CYLINDER_BLOCK, Word.EMBEDDED_GRIT),
        (Component.SWASH_PLATE, Word.WORN_STEP),
        (Component.HOLD_DOWN_PINS, Word.BENT),
        # Whatever carries the shaft's turning: common practice, no source.
        (Component.INNER_GEAR, Word.SPLINE_OR_KEY_WORN),
        (Component.ROTOR, Word.SPLINE_OR_KEY_WORN),
        (Component.CYLINDER_BLOCK, Word.SPLINE_OR_KEY_WORN),
    ],
)  # fmt: skip
def test_what_can_be_seen_on_a_component_has_its_word(component, word):
    assert codes(component, word, 2) == []


@pytest.mark.parametrize(
    ("component", "word"),
    # A crescent has no teeth, a block does not bend, a pin has no oil running over it.
    [
        (Component.CRESCENT, Word.INTERFERENCE_WEAR),
        (Component.CRESCENT, Word.PITTED),
        (Component.CRESCENT, Word.SHARP_EDGE),
        (Component.CYLINDER_BLOCK, Word.BENT),
        (Component.SWASH_PLATE, Word.BENT),
        (Component.HOLD_DOWN_PINS, Word.CAVITATION_EROSION),
        (Component.HOLD_DOWN_PINS, Word.FLUID_EROSION),
        (Component.BUSHES, Word.MICROPITTED),
        (Component.GEARS, Word.SPLINE_OR_KEY_WORN),
        (Component.GEARS, Word.WORN_STEP),
        (Component.GEARS, Word.WRONG_WAY_ROUND),
        (Component.HOUSING, Word.DEEP_CUT_IN),
        (Component.SHAFTS, Word.LEAKED),
    ],
)
def test_what_cannot_be_seen_on_a_component_is_no_word_for_it(component, word):
    assert codes(component, word, 2) == ["word_does_not_fit"]


@pytest.mark.parametrize("family", PumpFamily)
def test_every_family_can_say_what_wears_tears_rusts_and_breaks(family):
    for component in COMPONENTS[family]:
        words = set(words_for(component))
        if component is Component.SEALS:
            continue
        assert {Word.SCORED, Word.CORROSION, Word.CRACKED, Word.BROKEN} <= words, component
