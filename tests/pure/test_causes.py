"""Likely causes: signs are weighed, told and never overdone."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.vocabulary import CHARACTERISTICS, COMPONENTS, PumpFamily
from fleet.vocabulary import Characteristic as Ch
from fleet.vocabulary import Component as C
from inspections.rules.cause_checks import ON_MACHINE, confirmation_of
from inspections.rules.cause_signs import Strength
from inspections.rules.causes import Seen, in_a_sentence, likely_causes
from inspections.rules.findings import Cause, Severity, Word, words_for
from inspections.rules.verdicts import Outcome

GEAR, GEROTOR = PumpFamily.EXTERNAL_GEAR, PumpFamily.GEROTOR
VANE, PISTON = PumpFamily.VANE, PumpFamily.AXIAL_PISTON
NONE, POLISH, LIGHT, HEAVY, FAILED = Severity
SOME, STRONG = Strength
OUT, WITHIN = Outcome.OUT, Outcome.WITHIN


def seen(component, word, severity=LIGHT, cause=None, by=""):
    return Seen(component, word, severity, cause, by)


def sound(component):
    return seen(component, Word.NO_DEFECT, NONE)


def causes(*findings, family=GEAR, verdicts=(), **more):
    return likely_causes(findings, verdicts, family, **more)


def one(cause, found):
    return next(each for each in found if each.cause is cause)


def order(found):
    return [each.cause for each in found]


# --- Weighing -----------------------------------------------------------------------------------


def test_several_parts_weigh_more_than_one():
    found = causes(
        seen(C.WEAR_PLATE_FRONT, Word.SCORED, HEAVY),
        seen(C.GEARS, Word.SCORED),
        seen(C.HOUSING_BORE, Word.DEEP_CUT_IN),
    )
    assert order(found) == [Cause.CONTAMINATION, Cause.OVER_PRESSURE]
    dirt, pressure = found
    assert (dirt.signs, dirt.strong_signs, dirt.weight) == (3, 2, 5)
    assert (pressure.signs, pressure.strong_signs, pressure.weight) == (1, 0, 1)
    assert dirt.standing == "3 independent signs, 2 of them strong"
    assert pressure.standing == "1 sign, not strong"
    assert (dirt.is_faint, pressure.is_faint) == (False, True)
    assert [sign.text for sign in dirt.evidence] == [
        "Wear plate, front: scored or scratched, heavy.",
        "Gears (pair): scored or scratched, light.",
        "Housing bore: deep cut-in on the inlet side, light.",
    ]
    assert dirt.evidence[0].because == "Fine particles score rings and a band round the bore."
    assert "TM 5-3805-262-34" in dirt.evidence[0].source


def test_signs_on_one_part_count_once_and_the_strongest_of_them():
    plate = one(
        Cause.CONTAMINATION,
        causes(
            seen(C.WEAR_PLATE_FRONT, Word.SCORED),
            seen(C.WEAR_PLATE_REAR, Word.SCORED),
            seen(C.WEAR_PLATE_REAR, Word.BLOCKED),
            verdicts=[(Ch.PLATE_WEAR, C.WEAR_PLATE_FRONT, OUT)],
        ),
    )
    assert (plate.signs, plate.strong_signs, len(plate.evidence)) == (1, 1, 4)
    assert plate.standing == "1 sign, strong"
    assert [sign.strength for sign in plate.evidence] == [STRONG, STRONG, SOME, SOME]
    side = causes(
        seen(C.SIDE_PLATE_FRONT, Word.SCORED), seen(C.SIDE_PLATE_REAR, Word.SCORED), family=VANE
    )
    assert side[0].signs == 1
    # A track that is seen and measured is one track.
    track = causes(
        seen(C.HOUSING_BORE, Word.DEEP_CUT_IN),
        verdicts=[(Ch.CUT_IN_DEPTH, C.HOUSING_BORE, OUT)],
    )
    assert [each.signs for each in track] == [1, 1]


def test_a_strong_sign_counts_like_two_others():
    two_others = [seen(C.SEALS, Word.HARDENED), seen(C.BUSHES, Word.SMEARED)]
    found = causes(*two_others, seen(C.OUTLET_PORT, Word.CORROSION))
    assert one(Cause.OVERHEATING, found).weight == one(Cause.WATER_IN_OIL, found).weight == 2
    assert one(Cause.OVERHEATING, found).standing == "2 independent signs, none of them strong"
    # Equals keep the order of the list of causes.
    assert order(found)[:2] == [Cause.WATER_IN_OIL, Cause.OVERHEATING]


def test_checks_are_told_in_the_order_of_the_strip_down():
    askew = [(Ch.SHAFT_RUN_OUT, C.BUSHES, OUT), (Ch.SHAFT_RUN_OUT, C.SHAFTS, OUT)]
    for verdicts in (askew, askew[::-1]):
        assert [sign.text for sign in causes(verdicts=verdicts)[0].evidence] == [
            "Shaft run-out, shafts: out of limits.",
            "Shaft run-out, bushes: out of limits.",
        ]


def test_a_complaint_counts_once_however_much_it_says():
    air = causes(complaint="Whines, spongy, foam in the tank")[0]
    assert (air.cause, air.signs, air.strong_signs) == (Cause.AERATION, 1, 1)
    assert {sign.part for sign in air.evidence} == {"complaint"}
    assert len(air.evidence) == 3


def test_the_worst_of_several_places_is_told():
    found = causes(seen(C.GEARS, Word.SCORED, HEAVY), seen(C.GEARS, Word.SCORED, LIGHT))
    assert [sign.text for sign in found[0].evidence] == [
        "Gears (pair): scored or scratched, heavy."
    ]


def test_a_cause_that_a_person_named_counts_by_name_and_once():
    found = causes(
        seen(C.GEARS, Word.POLISHED, POLISH, Cause.WATER_IN_OIL, "Ada Fenn"),
        seen(C.SHAFTS, Word.POLISHED, POLISH, Cause.WATER_IN_OIL, "Ada Fenn"),
        seen(C.BUSHES, Word.POLISHED, POLISH, Cause.UNKNOWN, "Ada Fenn"),
    )
    assert order(found) == [Cause.WATER_IN_OIL]
    assert [sign.text for sign in found[0].evidence] == ["Ada Fenn named it: gears (pair); shafts."]
    assert (found[0].signs, found[0].strong_signs) == (1, 1)
    two = causes(
        seen(C.GEARS, Word.POLISHED, POLISH, Cause.WATER_IN_OIL, "Ada Fenn"),
        seen(C.GEARS, Word.CORROSION, LIGHT, Cause.WATER_IN_OIL, "Bo Lark"),
    )
    assert (two[0].signs, two[0].strong_signs) == (3, 3)
    for sign in two[0].evidence[1:]:
        assert sign.because == "Whoever had the part in hand may have seen more than the words say."
        assert sign.source == "recorded with the finding"
    nameless = causes(seen(C.GEARS, Word.POLISHED, POLISH, Cause.AERATION))
    assert nameless[0].evidence[0].text == "The person who looked named it: gears (pair)."


# --- What speaks against it, and what would settle it -------------------------------------------


@pytest.mark.parametrize(
    ("cause", "signs", "verdicts", "family", "text"),
    # Parts that a cause marks first: common practice, no source; cut-in: TM 5-3820-256-24-2.
    [
        (
            Cause.CONTAMINATION,
            [seen(C.GEARS, Word.SCORED), sound(C.WEAR_PLATE_REAR)],
            [],
            GEAR,
            "Wear plate, rear: no defect. Dirty oil marks plates first.",
        ),
        (
            Cause.CONTAMINATION,
            [seen(C.GEARS, Word.SCORED)],
            [(Ch.CUT_IN_DEPTH, C.HOUSING_BORE, WITHIN)],
            GEAR,
            "Cut-in depth, housing bore: within limits. Dirty oil deepens the track.",
        ),
        (
            Cause.CONTAMINATION,
            [seen(C.WEAR_PLATE_FRONT, Word.SCORED), seen(C.GEARS, Word.SHARP_EDGE, POLISH)],
            [],
            GEAR,
            "Gears (pair): sharp edge, polish. A sharp face edge mills the plates without any "
            "dirt.",
        ),
        (
            Cause.CAVITATION,
            [seen(C.GEARS, Word.CAVITATION_EROSION), sound(C.INLET_PORT)],
            [],
            GEAR,
            "Inlet port: no defect. A starved inlet pits it.",
        ),
        (
            Cause.OVER_PRESSURE,
            [seen(C.SHAFTS, Word.BENT)],
            [(Ch.CUT_IN_DEPTH, C.HOUSING_BORE, WITHIN)],
            GEAR,
            "Cut-in depth, housing bore: within limits. Too much pressure deepens the track.",
        ),
        (
            Cause.OVER_PRESSURE,
            [seen(C.SHAFT, Word.BENT)],
            [(Ch.RING_WEAR_STEP, C.CAM_RING, WITHIN)],
            VANE,
            "Ring wear step, cam ring: within limits. Too much pressure ripples the ring.",
        ),
        (
            Cause.MISALIGNMENT,
            [seen(C.SHAFTS, Word.FRETTING), sound(C.BUSHES)],
            [],
            GEAR,
            "Bushes: no defect. A drive out of line wears them on one side.",
        ),
        (
            Cause.DRY_START,
            [seen(C.WEAR_PLATE_FRONT, Word.SMEARED), sound(C.BUSHES)],
            [],
            GEAR,
            "Bushes: no defect. A dry start smears them.",
        ),
        (
            Cause.WATER_IN_OIL,
            [seen(C.GEARS, Word.CORROSION), sound(C.BUSHES)],
            [],
            GEAR,
            "Bushes: no defect. Water etches them first.",
        ),
        (
            Cause.OVERHEATING,
            [seen(C.SEALS, Word.HARDENED), sound(C.WEAR_PLATE_FRONT)],
            [],
            GEAR,
            "Wear plate, front: no defect. Heat colours the plates.",
        ),
    ],
)
def test_what_speaks_against_a_cause_is_told_and_does_not_count(
    cause, signs, verdicts, family, text
):
    with_it = one(cause, causes(*signs, verdicts=verdicts, family=family))
    assert text in [contrary.text for contrary in with_it.against]
    assert all(contrary.source for contrary in with_it.against)
    without = one(cause, causes(signs[0], family=family))
    assert without.against == ()
    assert with_it.weight == without.weight


def test_nothing_speaks_against_a_cause_that_it_does_not_concern():
    found = causes(seen(C.SEALS, Word.NICKED), sound(C.BUSHES), sound(C.WEAR_PLATE_FRONT))
    assert order(found) == [Cause.FITTING_DAMAGE]
    assert found[0].against == ()


@pytest.mark.parametrize(
    ("family", "bar", "target"),
    # ISO 4406 codes by pressure, figures of common industry tables.
    [
        (GEAR, "139", "20/18/15"),
        (GEAR, "140", "19/17/14"),
        (GEROTOR, "210", "19/17/14"),
        (PumpFamily.INTERNAL_GEAR, "211", "18/16/13"),
        (VANE, "120", "20/18/15"),
        (VANE, "250", "18/16/13"),
        (PISTON, "100", "19/17/14"),
        (PISTON, "210", "18/16/13"),
        (PISTON, "350", "17/15/12"),
    ],
)
def test_the_oil_sample_that_would_confirm_dirt(family, bar, target):
    said = confirmation_of(Cause.CONTAMINATION, family=family, rated_pressure_bar=Decimal(bar))
    assert said.text.startswith(f"An oil sample dirtier than {target} would confirm it")
    assert f"rated {bar} bar" in said.text
    assert said.source == "ISO 4406 code; target of common industry tables"
    kind = {VANE: "vane", PISTON: "piston"}.get(family, "gear")
    assert f"a {kind} pump of fixed displacement" in said.text


def test_what_would_confirm_a_cause_goes_with_it():
    found = one(
        Cause.CONTAMINATION,
        causes(seen(C.GEARS, Word.SCORED), rated_pressure_bar=Decimal("250.0")),
    )
    assert "18/16/13" in found.would_confirm[0].text
    assert "rated 250 bar" in found.would_confirm[0].text
    piston = one(
        Cause.CONTAMINATION,
        causes(
            seen(C.VALVE_PLATE, Word.SCORED), family=PISTON, rated_pressure_bar=Decimal("250.0")
        ),
    )
    assert "17/15/12" in piston.would_confirm[0].text
    plain = one(Cause.CONTAMINATION, causes(seen(C.GEARS, Word.SCORED)))
    assert plain.would_confirm[0] == ON_MACHINE[Cause.CONTAMINATION].confirmed_by
    # Water: caution at 300 to 500 ppm, act at 1000 ppm = 0.1 % (common practice, no source).
    water = causes(seen(C.GEARS, Word.CORROSION), rated_pressure_bar=Decimal(250))[0]
    assert "500 ppm (0.05 %)" in water.would_confirm[0].text
    assert "1000 ppm (0.1 %)" in water.would_confirm[0].text


def test_one_more_sign_to_look_for_is_strong_fresh_and_of_this_family():
    def look_again(*findings, family=GEAR):
        return [c.text for c in causes(*findings, family=family)[0].would_confirm[1:]]

    assert look_again(seen(C.GEARS, Word.SCORED)) == [
        "'Eroded by the stream' on the wear plate, front would be one more sign: look again."
    ]
    assert "TM 5-3820-256-24-2" in causes(seen(C.GEARS, Word.SCORED))[0].would_confirm[1].source
    # Not on a part that is counted already or has no defect, nor on its twin.
    assert look_again(seen(C.WEAR_PLATE_REAR, Word.SCORED)) == [
        "'Scored or scratched' on the housing bore would be one more sign: look again."
    ]
    assert look_again(
        seen(C.WEAR_PLATE_REAR, Word.SCORED), sound(C.HOUSING_BORE), sound(C.GEARS)
    ) == ["'Seal track grooved' on the shafts would be one more sign: look again."]
    assert look_again(seen(C.GEARS, Word.SCORED), family=GEROTOR) == [
        "'Scored or scratched' on the housing bore would be one more sign: look again."
    ]
    # The case has no strong sign to look for.
    case = one(Cause.CASE_PRESSURE, causes(seen(C.SEALS, Word.LEAKED)))
    assert len(case.would_confirm) == 1


# --- The sentence -------------------------------------------------------------------------------


def test_the_sentence():
    say = in_a_sentence
    assert say(()) == "Nothing found points to a cause."
    assert say(causes(seen(C.SEALS, Word.NICKED))) == (
        "Single signs point to damage at fitting. One sign alone decides nothing."
    )
    assert say(causes(seen(C.GEARS, Word.SCORED), seen(C.WEAR_PLATE_FRONT, Word.SCORED))) == (
        "The findings point to dirty oil."
    )
    assert (
        say(
            causes(
                seen(C.GEARS, Word.SCORED),
                seen(C.WEAR_PLATE_FRONT, Word.SCORED),
                seen(C.HOUSING_BORE, Word.DEEP_CUT_IN),
            )
        )
        == "The findings point to dirty oil first, then to over-pressure."
    )
    assert say(causes(seen(C.GEARS, Word.CAVITATION_EROSION))) == (
        "Single signs point to cavitation and air in the oil alike. One sign alone decides nothing."
    )
    assert say(causes(seen(C.BUSHES, Word.SMEARED))) == (
        "Single signs point to a dry start, oil of the wrong viscosity and overheating alike. One "
        "sign alone decides nothing."
    )
    four_ranks = causes(
        *(seen(part, Word.CORROSION) for part in (C.GEARS, C.SHAFTS, C.BUSHES, C.INLET_PORT)),
        *(seen(part, Word.VARNISH) for part in (C.GEARS, C.SHAFTS, C.BUSHES)),
        *(seen(part, Word.ONE_SIDED_WEAR) for part in (C.SHAFTS, C.BUSHES)),
        seen(C.SEALS, Word.NICKED),
    )
    assert say(four_ranks) == (
        "The findings point to water in the oil first, then to overheating, then to misalignment."
    )
    assert say(four_ranks[2:]) == (
        "The findings point to misalignment first, then to damage at fitting."
    )
    four = causes(seen(C.BUSHES, Word.SMEARED), seen(C.SEALS, Word.SPIRAL_CUTS))
    assert say(four) == (
        "Single signs point to a dry start, oil of the wrong viscosity, overheating and 1 more "
        "alike. One sign alone decides nothing."
    )
    assert say(
        causes(
            seen(C.GEARS, Word.SCORED),
            seen(C.WEAR_PLATE_FRONT, Word.SCORED),
            seen(C.SHAFTS, Word.FRETTING),
            seen(C.SEALS, Word.LIP_TURNED),
        )
    ) == (
        "The findings point to dirty oil first, then to misalignment, then to running the wrong "
        "way round and 2 more alike."
    )


# --- Properties ---------------------------------------------------------------------------------


@st.composite
def cases(draw):
    family = draw(st.sampled_from(PumpFamily))
    checks = [
        (what, info.use_in(family).component)
        for what, info in CHARACTERISTICS.items()
        if info.use_in(family)
    ]
    verdict = st.tuples(st.sampled_from(checks), st.sampled_from(Outcome)).map(
        lambda pair: (*pair[0], pair[1])
    )
    finding = st.sampled_from(COMPONENTS[family]).flatmap(
        lambda part: st.tuples(
            st.sampled_from(words_for(part)),
            st.integers(1, 4),
            st.one_of(st.none(), st.sampled_from(Cause)),
            st.sampled_from(("Ada Fenn", "Bo Lark")),
        ).map(
            lambda drawn: Seen(
                part,
                drawn[0],
                NONE if drawn[0] is Word.NO_DEFECT else Severity(drawn[1]),
                *drawn[2:],
            )
        )
    )
    few = {"min_size": 0, "max_size": 5}
    complaint = draw(st.sampled_from(("", "whines", "milky and hot")))
    return (
        family,
        draw(st.lists(finding, **few)),
        draw(st.lists(verdict, **few)),
        complaint,
        draw(finding),
    )


@given(cases())
def test_order_and_repetition_do_not_matter(case):
    family, findings, verdicts, complaint, _ = case
    found = likely_causes(findings, verdicts, family, complaint=complaint)
    assert found == likely_causes(findings[::-1], verdicts[::-1], family, complaint=complaint)
    assert found == likely_causes(findings * 2, verdicts * 2, family, complaint=complaint)
    weights = [each.weight for each in found]
    assert weights == sorted(weights, reverse=True)
    assert len(set(order(found))) == len(found)
    for each in found:
        assert each.evidence
        assert each.would_confirm
        assert each.strong_signs <= each.signs <= len(each.evidence)
        assert all(sign.text and sign.because and sign.source for sign in each.evidence)
    assert in_a_sentence(found).endswith(".")


@given(cases())
def test_a_further_sign_never_sets_its_own_cause_back(case):
    family, findings, verdicts, complaint, further = case
    before = likely_causes(findings, verdicts, family, complaint=complaint)
    after = likely_causes([*findings, further], verdicts, family, complaint=complaint)
    weight = {each.cause: each.weight for each in before}
    for each in after:
        assert each.weight >= weight.get(each.cause, 0)
    meant = {each.cause for each in likely_causes([further], (), family)}
    for cause in meant:
        # It passes others or stays; it never falls behind one that the sign does not mean.
        ahead = set(order(after)[: order(after).index(cause)]) - meant
        was_ahead = (
            set(order(before)[: order(before).index(cause)]) if cause in weight else set(weight)
        )
        assert ahead <= was_ahead
    assert set(order(before)) <= set(order(after))


@given(cases())
def test_a_sign_that_does_not_mean_a_cause_leaves_it_alone(case):
    family, findings, verdicts, complaint, further = case
    before = likely_causes(findings, verdicts, family, complaint=complaint)
    after = {
        each.cause: each
        for each in likely_causes([*findings, further], verdicts, family, complaint=complaint)
    }
    meant = {each.cause for each in likely_causes([further], (), family)}
    for each in before:
        if each.cause not in meant:
            assert after[each.cause].evidence == each.evidence
