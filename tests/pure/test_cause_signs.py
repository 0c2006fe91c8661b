"""The table of signs: each published one leads where its source says, and every rule can happen."""

from __future__ import annotations

import re

import pytest

from fleet.vocabulary import CHARACTERISTICS, COMPONENTS, PumpFamily
from fleet.vocabulary import Characteristic as Ch
from fleet.vocabulary import Component as C
from inspections.rules.cause_checks import ON_MACHINE
from inspections.rules.cause_signs import AGAINST, RULES, Look, Measured, Strength
from inspections.rules.causes import Seen, likely_causes
from inspections.rules.findings import WORDS, Cause, Severity, Word, check_finding
from inspections.rules.verdicts import Outcome

GEAR, GEROTOR = PumpFamily.EXTERNAL_GEAR, PumpFamily.GEROTOR
VANE, PISTON = PumpFamily.VANE, PumpFamily.AXIAL_PISTON
NONE, POLISH, LIGHT, HEAVY, FAILED = Severity
SOME, STRONG = Strength
OUT, WITHIN, UNDECIDED = Outcome.OUT, Outcome.WITHIN, Outcome.UNDECIDED


def seen(component, word, severity=LIGHT):
    return Seen(component, word, severity)


def causes(*findings, family=GEAR, verdicts=(), complaint=""):
    return likely_causes(findings, verdicts, family, complaint=complaint)


def strengths(found):
    return {each.cause: max(sign.strength for sign in each.evidence) for each in found}


# --- Where each sign points ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("component", "word", "expected"),
    [
        # Excess or shock pressure, or dirty oil: TM 5-3820-256-24-2 §7-1.4.1.
        (C.HOUSING_BORE, Word.DEEP_CUT_IN, {Cause.OVER_PRESSURE: SOME, Cause.CONTAMINATION: SOME}),
        # Wear plates: TM 5-3820-256-24-2 ch. 7, page not confirmed.
        (
            C.WEAR_PLATE_REAR,
            Word.CAVITATION_EROSION,
            {Cause.CAVITATION: SOME, Cause.AERATION: SOME},
        ),
        (C.WEAR_PLATE_FRONT, Word.FLUID_EROSION, {Cause.CONTAMINATION: STRONG}),
        (C.WEAR_PLATE_FRONT, Word.HEAT_COLOUR, {Cause.OVERHEATING: SOME, Cause.DRY_START: SOME}),
        # Rings, a sandpaper look, a band round the bore: TM 5-3805-262-34 p.4-264 ff.
        (C.WEAR_PLATE_FRONT, Word.SCORED, {Cause.CONTAMINATION: STRONG}),
        (C.WEAR_PLATE_FRONT, Word.ABRASIVE_WEAR, {Cause.CONTAMINATION: STRONG}),
        (C.HOUSING_BORE, Word.SCORED, {Cause.CONTAMINATION: STRONG}),
        # Gear tips and tooth ends: TM 5-3805-262-34, page not confirmed.
        (C.GEARS, Word.SCORED, {Cause.CONTAMINATION: STRONG}),
        (C.GEARS, Word.ABRASIVE_WEAR, {Cause.CONTAMINATION: STRONG}),
        (C.GEARS, Word.BURRED, {Cause.CONTAMINATION: SOME, Cause.FITTING_DAMAGE: SOME}),
        # A sharp edge mills the plates: it has no cause of its own (common practice, no source).
        (C.GEARS, Word.SHARP_EDGE, {}),
        # Foreign body or shock: common practice, no source.
        (C.GEARS, Word.BROKEN, {Cause.CONTAMINATION: SOME, Cause.OVER_PRESSURE: SOME}),
        # One-sided polish: common practice, no source.
        (C.SHAFTS, Word.ONE_SIDED_WEAR, {Cause.MISALIGNMENT: STRONG}),
        (C.BUSHES, Word.ONE_SIDED_WEAR, {Cause.MISALIGNMENT: STRONG}),
        # Dry start, thin oil, hot oil: common practice, no source.
        *(
            (
                component,
                word,
                {Cause.DRY_START: SOME, Cause.WRONG_VISCOSITY: SOME, Cause.OVERHEATING: SOME},
            )
            for component in (C.SHAFTS, C.BUSHES)
            for word in (Word.SCUFFED, Word.SMEARED, Word.HEAT_COLOUR)
        ),
        # Dirt: TM 5-3895-353-14&P; TM 5-3895-359-14&P.
        (C.SHAFTS, Word.SEAL_TRACK_GROOVED, {Cause.CONTAMINATION: STRONG}),
        # Misaligned or loose coupling: common practice, no source.
        (C.SHAFTS, Word.SPLINE_OR_KEY_WORN, {Cause.MISALIGNMENT: STRONG}),
        (C.SHAFTS, Word.FRETTING, {Cause.MISALIGNMENT: STRONG}),
        # Moisture: ISO 15243:2017 5.3; on other parts common practice, no source.
        (C.BUSHES, Word.CORROSION, {Cause.WATER_IN_OIL: STRONG}),
        (C.OUTLET_PORT, Word.CORROSION, {Cause.WATER_IN_OIL: STRONG}),
        # Oxidised hot oil, and a spike of pressure: common practice, no source.
        (C.GEARS, Word.VARNISH, {Cause.OVERHEATING: STRONG}),
        (C.HOUSING_BORE, Word.CRACKED, {Cause.OVER_PRESSURE: STRONG}),
        # Seals: common seal-failure terms.
        (C.SEALS, Word.COMPRESSION_SET, {Cause.OVERHEATING: SOME, Cause.WRONG_FLUID: SOME}),
        (C.SEALS, Word.EXTRUDED, {Cause.OVER_PRESSURE: SOME, Cause.FITTING_DAMAGE: SOME}),
        (C.SEALS, Word.SPIRAL_CUTS, {Cause.FITTING_DAMAGE: SOME}),
        (C.SEALS, Word.HARDENED, {Cause.OVERHEATING: SOME}),
        (C.SEALS, Word.CHEMICAL_ATTACK, {Cause.WRONG_FLUID: STRONG}),
        (C.SEALS, Word.DECOMPRESSION_BLISTERS, {Cause.AERATION: SOME}),
        (C.SEALS, Word.NICKED, {Cause.FITTING_DAMAGE: STRONG}),
        (C.SEALS, Word.ABRADED, {Cause.CONTAMINATION: SOME}),
        (
            C.SEALS,
            Word.LIP_TURNED,
            {Cause.FITTING_DAMAGE: SOME, Cause.CASE_PRESSURE: SOME, Cause.WRONG_ROTATION: SOME},
        ),
        (C.SEALS, Word.LEAKED, {Cause.MISALIGNMENT: SOME, Cause.CASE_PRESSURE: SOME}),
        (C.SEALS, Word.EMBEDDED_GRIT, {Cause.CONTAMINATION: STRONG}),
        # Signatures across parts: common practice, no source.
        (C.BUSHES, Word.EMBEDDED_GRIT, {Cause.CONTAMINATION: STRONG}),
        (C.INLET_PORT, Word.CAVITATION_EROSION, {Cause.CAVITATION: STRONG}),
        (C.INLET_PORT, Word.BLOCKED, {Cause.CAVITATION: STRONG}),
        (C.GEARS, Word.CAVITATION_EROSION, {Cause.CAVITATION: SOME, Cause.AERATION: SOME}),
        (C.SHAFTS, Word.BENT, {Cause.OVER_PRESSURE: SOME}),
        (C.BUSHES, Word.FLAKED, {Cause.WATER_IN_OIL: SOME}),
        (C.BUSHES, Word.SEIZED, {Cause.DRY_START: SOME}),
        (C.GEARS, Word.SCUFFED, {Cause.WRONG_VISCOSITY: SOME}),
        (C.BUSHES, Word.SCORED, {Cause.CONTAMINATION: SOME}),
        (C.BUSHES, Word.ABRASIVE_WEAR, {Cause.CONTAMINATION: STRONG}),
        (C.WEAR_PLATE_FRONT, Word.SMEARED, {Cause.DRY_START: SOME}),
        (C.WEAR_PLATE_FRONT, Word.BLOCKED, {Cause.CONTAMINATION: SOME}),
        (C.OUTLET_PORT, Word.THREAD_DAMAGED, {Cause.FITTING_DAMAGE: SOME}),
        (C.HOUSING_BORE, Word.FACE_DAMAGED, {Cause.FITTING_DAMAGE: SOME}),
        # Pocket on the outlet side, lip to the oil: TM 5-3810-306-34; TM 10-3930-653-14&P p.4-203.
        (C.WEAR_PLATE_REAR, Word.WRONG_WAY_ROUND, {Cause.FITTING_DAMAGE: STRONG}),
        # Particles or overload: ISO 15243:2017 5.5. Current: 5.4.
        (C.BUSHES, Word.INDENTED, {Cause.CONTAMINATION: SOME, Cause.OVER_PRESSURE: SOME}),
        (C.BUSHES, Word.ELECTRIC_EROSION, {Cause.STRAY_CURRENT: STRONG}),
        # Surface-initiated fatigue, ISO 15243:2017 5.1: from memory.
        (C.GEARS, Word.MICROPITTED, {Cause.WRONG_VISCOSITY: SOME}),
    ],
)
def test_what_a_finding_on_a_gear_pump_points_to(component, word, expected):
    assert not check_finding(component, word, LIGHT)
    assert strengths(causes(seen(component, word))) == expected


@pytest.mark.parametrize(
    ("family", "component", "word", "expected"),
    [
        # Ring rippled: over-pressure, thin oil, air (common practice, no source).
        (
            VANE,
            C.CAM_RING,
            Word.RIPPLED,
            {Cause.OVER_PRESSURE: SOME, Cause.WRONG_VISCOSITY: SOME, Cause.AERATION: SOME},
        ),
        (VANE, C.VANES, Word.VANE_STICKS, {Cause.CONTAMINATION: SOME, Cause.OVERHEATING: SOME}),
        # Radiused edge to the ring, arrow in the direction of rotation: TM 5-3895-359-14&P.
        (VANE, C.VANES, Word.WRONG_WAY_ROUND, {Cause.FITTING_DAMAGE: STRONG}),
        (VANE, C.CAM_RING, Word.SCUFFED, {Cause.WRONG_VISCOSITY: SOME}),
        (VANE, C.ROTOR, Word.SPLINE_OR_KEY_WORN, {Cause.MISALIGNMENT: STRONG}),
        (VANE, C.BEARINGS, Word.PITTED, {Cause.WATER_IN_OIL: SOME}),
        (VANE, C.HOUSING, Word.BLOCKED, {Cause.CASE_PRESSURE: SOME}),
        (VANE, C.HOUSING, Word.CRACKED, {Cause.OVER_PRESSURE: STRONG}),
        # Shoe rolled or lifted: over-speed, vacuum at the inlet, dirt (common practice, no source).
        (
            PISTON,
            C.PISTONS_AND_SHOES,
            Word.SHOE_ROLLED,
            {Cause.OVER_SPEED: SOME, Cause.CAVITATION: SOME, Cause.CONTAMINATION: SOME},
        ),
        (
            PISTON,
            C.PISTONS_AND_SHOES,
            Word.SHOE_LOOSE,
            {Cause.OVER_SPEED: SOME, Cause.CAVITATION: SOME},
        ),
        (PISTON, C.VALVE_PLATE, Word.SCORED, {Cause.CONTAMINATION: STRONG}),
        (PISTON, C.CYLINDER_BLOCK, Word.SMEARED, {Cause.DRY_START: SOME}),
        (PISTON, C.SWASH_PLATE, Word.ABRASIVE_WEAR, {Cause.CONTAMINATION: STRONG}),
        (GEROTOR, C.OUTER_GEAR, Word.SCORED, {Cause.CONTAMINATION: STRONG}),
        (
            GEROTOR,
            C.INNER_GEAR,
            Word.BROKEN,
            {Cause.CONTAMINATION: SOME, Cause.OVER_PRESSURE: SOME},
        ),
        (PumpFamily.INTERNAL_GEAR, C.CRESCENT, Word.SCORED, {Cause.CONTAMINATION: SOME}),
    ],
)
def test_what_a_finding_on_another_pump_points_to(family, component, word, expected):
    assert component in COMPONENTS[family]
    assert not check_finding(component, word, LIGHT)
    assert strengths(causes(seen(component, word), family=family)) == expected


@pytest.mark.parametrize(
    ("characteristic", "component", "expected"),
    [
        # Cut-in: TM 5-3820-256-24-2 §7-1.4.1. The others: common practice, no source.
        (Ch.CUT_IN_DEPTH, C.HOUSING_BORE, {Cause.OVER_PRESSURE: SOME, Cause.CONTAMINATION: SOME}),
        (Ch.PLATE_WEAR, C.WEAR_PLATE_FRONT, {Cause.CONTAMINATION: SOME}),
        (Ch.JOURNAL_SPREAD, C.SHAFTS, {Cause.MISALIGNMENT: SOME}),
        (Ch.SHAFT_RUN_OUT, C.SHAFTS, {Cause.OVER_PRESSURE: SOME, Cause.MISALIGNMENT: SOME}),
        (
            Ch.RING_WEAR_STEP,
            C.CAM_RING,
            {Cause.OVER_PRESSURE: SOME, Cause.WRONG_VISCOSITY: SOME, Cause.AERATION: SOME},
        ),
        (
            Ch.SLIPPER_END_PLAY,
            C.PISTONS_AND_SHOES,
            {Cause.OVER_SPEED: SOME, Cause.CAVITATION: SOME},
        ),
        (Ch.PISTON_TO_BORE, C.PISTONS_AND_SHOES, {Cause.CONTAMINATION: SOME}),
        (Ch.VANE_SLOT_GAP, C.VANES, {Cause.CONTAMINATION: SOME}),
        # A worn gap by itself does not say why.
        (Ch.SIDE_CLEARANCE, C.WEAR_PLATE_FRONT, {}),
        (Ch.BACKLASH, C.GEARS, {}),
    ],
)
def test_what_a_check_out_of_limits_points_to(characteristic, component, expected):
    found = causes(verdicts=[(characteristic, component, OUT)])
    assert strengths(found) == expected
    for cause in found:
        assert cause.evidence[0].text.startswith(f"{characteristic.label}, ")
        assert cause.evidence[0].text.endswith(": out of limits.")
    for other in (WITHIN, UNDECIDED):
        assert causes(verdicts=[(characteristic, component, other)]) == ()


@pytest.mark.parametrize(
    ("complaint", "expected"),
    [
        # Rattle; foam, whine, spongy; milky; hot: common practice, no source.
        ("Rattles when cold", {Cause.CAVITATION: SOME}),
        ("Slow, and FOAM in the tank", {Cause.AERATION: STRONG}),
        ("It whines under load", {Cause.AERATION: SOME}),
        ("Boom feels spongy", {Cause.AERATION: SOME}),
        ("oil looks milky", {Cause.WATER_IN_OIL: STRONG}),
        ("Runs hot", {Cause.OVERHEATING: SOME, Cause.WRONG_VISCOSITY: SOME}),
        ("Overheats", {Cause.OVERHEATING: SOME, Cause.WRONG_VISCOSITY: SOME}),
        ("Hardly any flow, photo on file, shot hose", {}),
        ("No foam, not milky, never hot, without rattle", {}),
        ("No foam at first, then foam", {Cause.AERATION: STRONG}),
        ("", {}),
    ],
)
def test_what_the_complaint_points_to(complaint, expected):
    assert strengths(causes(complaint=complaint)) == expected


def test_the_complaint_is_quoted_in_its_own_words():
    assert causes(complaint="It Whines")[0].evidence[0].text == "The complaint says 'Whines'."


@pytest.mark.parametrize(
    ("component", "word", "least"),
    [
        # A light track is normal: TM 5-3820-256-24-1 p.4-69. Plates are judged by the nail:
        # TM 5-3805-262-34. The rest: common practice, no source.
        (C.HOUSING_BORE, Word.DEEP_CUT_IN, LIGHT),
        (C.WEAR_PLATE_FRONT, Word.SCORED, LIGHT),
        (C.WEAR_PLATE_FRONT, Word.ABRASIVE_WEAR, POLISH),
        (C.WEAR_PLATE_FRONT, Word.HEAT_COLOUR, POLISH),
        (C.GEARS, Word.SCORED, LIGHT),
        (C.BUSHES, Word.ONE_SIDED_WEAR, POLISH),
        (C.SHAFTS, Word.FRETTING, LIGHT),
    ],
)
def test_from_which_severity_on_a_look_counts(component, word, least):
    for severity in (POLISH, LIGHT, HEAVY, FAILED):
        assert bool(causes(seen(component, word, severity))) == (severity >= least)


# --- The table ----------------------------------------------------------------------------------


def test_every_rule_can_happen_and_says_why():
    uses = {what for what, info in CHARACTERISTICS.items() if info.uses}
    for rule in (*RULES, *AGAINST):
        assert rule.because.endswith(".")
        assert rule.source
        sign = rule.sign
        if isinstance(sign, Look):
            assert sign.components
            assert sign.components <= WORDS[sign.word].components, sign
            assert (sign.least == NONE) == (sign.word is Word.NO_DEFECT)
        elif isinstance(sign, Measured):
            assert sign.characteristic in uses


def test_no_sign_points_to_the_same_cause_twice():
    pairs = [
        (component, rule.sign.word, rule.cause)
        for rule in RULES
        if isinstance(rule.sign, Look)
        for component in rule.sign.components
    ]
    assert len(pairs) == len(set(pairs))


def test_a_look_with_several_causes_is_strong_for_none():
    points = {}
    for rule in RULES:
        if isinstance(rule.sign, Look):
            for component in rule.sign.components:
                points.setdefault((component, rule.sign.word), []).append(rule.strength)
    for strong in points.values():
        assert len(strong) == 1 or STRONG not in strong


# A source is named, or it is said that there is none.
SOURCES = ("common practice, no source", "TM 5-", "TM 10-", "ISO ", "29 CFR ", "from memory")


def is_sentence(text):
    """One capital to begin with (or a word of one letter), a full stop at the end."""
    return re.fullmatch(r"(A |[A-Z][a-z]).+\.", text) is not None and "  " not in text


def test_every_cause_but_the_unknown_one_can_be_found_and_acted_on():
    assert set(ON_MACHINE) == set(Cause) - {Cause.UNKNOWN}
    assert {rule.cause for rule in RULES} == set(ON_MACHINE)
    for cause, on_machine in ON_MACHINE.items():
        assert len(on_machine.checks) >= 2, cause
        for check in on_machine.checks:
            assert is_sentence(check.text)
            assert check.source.startswith(SOURCES)
            assert check.caution == "" or is_sentence(check.caution)
        assert "would confirm it" in on_machine.confirmed_by.text
        assert is_sentence(on_machine.confirmed_by.text)
        assert on_machine.confirmed_by.source.startswith(SOURCES)
        # As it stands inside a sentence.
        assert re.match(r"(an? )?[a-z]{3}", on_machine.in_words)
        found = likely_causes([Seen(C.GEARS, Word.POLISHED, POLISH, cause)], (), GEAR)[0]
        assert (found.checks, found.in_words) == (on_machine.checks, on_machine.in_words)


def test_cautions_stand_where_oil_or_a_shaft_can_hurt():
    # Injection: HSE research report RR976. Isolation: 29 CFR 1910.147(d).
    for on_machine in ON_MACHINE.values():
        for check in on_machine.checks:
            text = check.text.lower()
            if any(word in text for word in ("relief valve with", "low pressure")):
                assert "Never feel for a leak" in check.caution
            if any(word in text for word in ("strainer", "filters", "accumulator")):
                assert "bleed" in check.caution.lower()
            if "coupling, " in text:
                assert "Lock off the drive" in check.caution


def test_what_is_checked_on_the_machine_for_the_main_causes():
    # Relief valve, oil and tank for a fast cut-in; inlet, level and air for pits; oil and filter
    # for erosion; level and cooler for heat: TM 5-3820-256-24-2.
    texts = {
        cause: " ".join(check.text for check in each.checks) for cause, each in ON_MACHINE.items()
    }
    assert "setting of the relief valve" in texts[Cause.OVER_PRESSURE]
    assert "suction strainer" in texts[Cause.CAVITATION]
    assert "oil level" in texts[Cause.CAVITATION]
    assert "suction line" in texts[Cause.AERATION]
    assert "filters" in texts[Cause.CONTAMINATION]
    assert "oil sample" in texts[Cause.CONTAMINATION]
    assert "breather" in texts[Cause.WATER_IN_OIL]
    assert "cooler" in texts[Cause.OVERHEATING]
    assert "alignment of the coupling" in texts[Cause.MISALIGNMENT]
