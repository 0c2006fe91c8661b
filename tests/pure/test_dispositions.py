"""What becomes of each part."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.vocabulary import CHARACTERISTICS, COMPONENTS, PumpFamily
from fleet.vocabulary import Characteristic as Ch
from fleet.vocabulary import Component as C
from inspections.rules.dispositions import Disposition, propose, undecided_checks
from inspections.rules.findings import Word, words_for
from inspections.rules.verdicts import Outcome

GEAR = PumpFamily.EXTERNAL_GEAR
OUT, WITHIN, UNDECIDED = Outcome.OUT, Outcome.WITHIN, Outcome.UNDECIDED
REUSE, DRESS, REPLACE, SET, SCRAP = Disposition


def decide(*, family=GEAR, verdicts=(), findings=(), body=True):
    proposals = propose(family=family, verdicts=verdicts, findings=findings, body_replaceable=body)
    return {proposal.component: proposal for proposal in proposals}


def of(proposals):
    return {part: proposal.disposition for part, proposal in proposals.items()}


def changed(proposals):
    return {
        part: proposal.disposition
        for part, proposal in proposals.items()
        if proposal.disposition is not REUSE and part is not C.SEALS
    }


@pytest.mark.parametrize("family", PumpFamily)
def test_a_sound_pump_gets_its_seals_and_nothing_else(family):
    # Every seal renewed on strip-down: TM 5-3820-256-24-2 §7-1.4.6; TM 5-3810-307-24-1-2.
    proposals = decide(family=family)
    assert list(proposals) == list(COMPONENTS[family])
    assert proposals[C.SEALS].disposition is REPLACE
    assert "TM 5-3820-256-24-2" in proposals[C.SEALS].reasons[0].source
    assert changed(proposals) == {}
    assert all(proposal.reasons for proposal in proposals.values())


def test_a_proposal_names_the_page_of_the_maker_before_the_manual():
    def source(characteristic, part, page):
        (gears,) = propose(
            family=GEAR,
            components=[part],
            verdicts=[(characteristic, part, OUT)],
            body_replaceable=True,
            printed_in=page,
        )
        return gears.reasons[0].source

    page = {(Ch.BACKLASH, C.GEARS): "Sheet R1, page 14", (Ch.GEAR_WIDTH_MATCH, C.GEARS): "page 16"}
    # Common practice needs no mention where the maker prints the limit.
    assert source(Ch.BACKLASH, C.GEARS, page) == "Sheet R1, page 14"
    assert source(Ch.GEAR_WIDTH_MATCH, C.GEARS, page) == "page 16; TM 5-3820-256-24-1 p.4-70"
    assert source(Ch.GEAR_WIDTH_MATCH, C.GEARS, {}) == "TM 5-3820-256-24-1 p.4-70"
    assert source(Ch.BACKLASH, C.GEARS, None) == "common practice, no source"


def test_only_the_components_asked_for_are_proposed_and_the_seals_say_why():
    proposals = propose(
        family=GEAR, components=[C.CRESCENT, C.GEARS, C.SEALS], body_replaceable=True
    )
    assert [(p.component, p.disposition) for p in proposals] == [
        (C.SEALS, REPLACE),
        (C.GEARS, REUSE),
        (C.CRESCENT, REUSE),
    ]
    (why,) = proposals[0].reasons
    assert why.text == "A pump that was taken apart gets every seal new."
    assert why.source == "TM 5-3820-256-24-2 §7-1.4.6; TM 5-3810-307-24-1-2"


def test_no_defect_hides_nothing_that_comes_after_it():
    found = [(C.GEARS, Word.NO_DEFECT, 0), (C.SHAFTS, Word.BENT, 3)]
    proposals = decide(findings=found)
    assert changed(proposals) == {C.SHAFTS: REPLACE}
    assert [reason.text for reason in proposals[C.SHAFTS].reasons] == ["Bent, severity 3: replace."]


def test_one_gear_replaced_takes_both_gears_and_the_bushes():
    # TM 5-3895-349-14&P; TM 10-3930-653-14&P; TM 5-3810-306-34; bushes: TM 5-3820-256-24-2.
    proposals = decide(findings=[(C.GEARS, Word.BROKEN, 4)])
    assert changed(proposals) == {C.GEARS: SET, C.BUSHES: SET}
    sources = " ".join(reason.source for reason in proposals[C.GEARS].reasons)
    assert "TM 5-3895-349-14&P" in sources
    assert any("new bushes" in reason.text for reason in proposals[C.BUSHES].reasons)


def test_a_bush_or_hub_goes_with_its_gear():
    # TM 10-3930-653-14&P.
    expected = {C.GEARS: SET, C.BUSHES: SET}
    assert changed(decide(verdicts=[(Ch.SHAFT_TO_BUSH, C.BUSHES, OUT)])) == expected
    assert changed(decide(findings=[(C.BUSHES, Word.SMEARED, 3)])) == expected


def test_both_plates_alike():
    # Both plates must match: common practice, no source.
    expected = {C.WEAR_PLATE_FRONT: SET, C.WEAR_PLATE_REAR: SET}
    assert changed(decide(findings=[(C.WEAR_PLATE_REAR, Word.SCORED, 3)])) == expected
    assert changed(decide(verdicts=[(Ch.SIDE_CLEARANCE, C.GEARS, OUT)])) == {
        **expected, C.GEARS: SET, C.BUSHES: SET,
    }  # fmt: skip
    assert changed(decide(verdicts=[(Ch.PLATE_WEAR, C.WEAR_PLATE_FRONT, OUT)])) == expected


def test_never_a_new_seal_on_a_worn_track():
    # TM 5-3895-353-14&P; TM 5-3895-359-14&P.
    for severity in (1, 2, 3, 4):
        proposals = decide(findings=[(C.SHAFTS, Word.SEAL_TRACK_GROOVED, severity)])
        assert changed(proposals) == {C.SHAFTS: REPLACE}


def test_a_body_over_the_cut_in_limit():
    # Replace the body: TM 5-3820-256-24-2 §7-1.4.1. No body to be had: common practice.
    over = [(Ch.CUT_IN_DEPTH, C.HOUSING_BORE, OUT)]
    assert changed(decide(verdicts=over)) == {C.HOUSING_BORE: REPLACE}
    scrapped = decide(verdicts=over, body=False)
    assert set(of(scrapped).values()) == {SCRAP}
    assert all(p.reasons for p in scrapped.values())
    assert changed(decide(verdicts=[(Ch.CUT_IN_DEPTH, C.HOUSING_BORE, WITHIN)], body=False)) == {}


def test_a_port_beyond_dressing_takes_the_body():
    assert changed(decide(findings=[(C.INLET_PORT, Word.THREAD_DAMAGED, 2)])) == {
        C.INLET_PORT: DRESS
    }
    assert changed(decide(findings=[(C.INLET_PORT, Word.CRACKED, 3)])) == {
        C.HOUSING_BORE: REPLACE,
    }  # the port itself is no article: nothing would be demanded for it
    cracked = decide(findings=[(C.INLET_PORT, Word.CRACKED, 3)])
    assert [reason.text for reason in cracked[C.INLET_PORT].reasons] == [
        "Cracked, severity 3: replace. The port is part of the body: see there."
    ]
    assert [reason.text for reason in cracked[C.HOUSING_BORE].reasons] == [
        "Inlet port: Cracked, severity 3: replace."
    ]


@pytest.mark.parametrize("part", [C.WEAR_PLATE_FRONT, C.BUSHES])
def test_a_heat_colour_is_never_slight_where_parts_run(part):
    # Blue or brown plates are replaced: TM 5-3820-256-24-2 ch. 7, page not confirmed.
    # Bushes: common practice, no source. No nail catches on a colour.
    proposals = decide(findings=[(part, Word.HEAT_COLOUR, 1)])
    assert proposals[part].disposition is SET
    assert "TM 5-3820-256-24-2" in proposals[part].reasons[0].source
    assert decide(findings=[(C.SHAFTS, Word.HEAT_COLOUR, 1)])[C.SHAFTS].disposition is REUSE


def test_a_rolled_shoe_takes_the_rotating_group_however_slight():
    # Shoe rolled or lifted: rotating group (common practice, no source).
    proposals = decide(
        family=PumpFamily.AXIAL_PISTON, findings=[(C.PISTONS_AND_SHOES, Word.SHOE_ROLLED, 1)]
    )
    assert changed(proposals) == {C.PISTONS_AND_SHOES: SET, C.CYLINDER_BLOCK: SET}


def test_a_rippled_ring_takes_ring_and_vanes():
    # Ring rippled: ring and vanes (common practice, no source); all vanes: TM 5-3820-241-34 p.3-18.
    rippled = [(C.CAM_RING, Word.RIPPLED, 2)]
    assert changed(decide(family=PumpFamily.VANE, findings=rippled)) == {
        C.CAM_RING: SET,
        C.VANES: SET,
        C.ROTOR: SET,
    }


def test_a_gerotor_set_is_matched():
    # Common practice, no source.
    for part in (C.INNER_GEAR, C.OUTER_GEAR):
        assert changed(decide(family=PumpFamily.GEROTOR, findings=[(part, Word.BROKEN, 4)])) == {
            C.INNER_GEAR: SET,
            C.OUTER_GEAR: SET,
        }


def test_what_was_fitted_the_wrong_way_round_is_turned_not_dressed():
    # Relief pocket on the outlet side: TM 5-3810-306-34.
    for severity in (1, 2):
        proposals = decide(findings=[(C.WEAR_PLATE_REAR, Word.WRONG_WAY_ROUND, severity)])
        assert changed(proposals) == {}
        assert "fit it the right way" in proposals[C.WEAR_PLATE_REAR].reasons[0].text
        assert "TM 5-3810-306-34" in proposals[C.WEAR_PLATE_REAR].reasons[0].source
    ruined = decide(findings=[(C.WEAR_PLATE_REAR, Word.WRONG_WAY_ROUND, 3)])
    assert ruined[C.WEAR_PLATE_REAR].disposition is SET


def test_a_body_with_a_track_within_limits_may_be_turned_over_once():
    # Both ports of one size, once, and recorded: TM 5-3820-256-24-2 §7-1.4.1; TM 5-3895-349-14&P.
    def offered(*findings, outcomes=(WITHIN,)):
        verdicts = [(Ch.CUT_IN_DEPTH, C.HOUSING_BORE, outcome) for outcome in outcomes]
        body = decide(verdicts=verdicts, findings=findings)[C.HOUSING_BORE]
        assert len(set(body.reasons)) == len(body.reasons)
        return any("turned over" in reason.text for reason in body.reasons)

    track = (C.HOUSING_BORE, Word.DEEP_CUT_IN, 1)
    assert offered(track)
    assert offered((C.HOUSING_BORE, Word.SCORED, 2))
    assert not offered()
    assert not offered((C.HOUSING_BORE, Word.NO_DEFECT, 0))
    assert not offered((C.GEARS, Word.POLISHED, 1))
    assert not offered(track, outcomes=())
    assert not offered(track, outcomes=(UNDECIDED,))
    assert not offered(track, outcomes=(WITHIN, UNDECIDED))
    assert not offered(track, outcomes=(OUT,))
    assert not offered((C.HOUSING_BORE, Word.CRACKED, 1))
    vane = decide(family=PumpFamily.VANE, findings=[(C.HOUSING, Word.POLISHED, 1)])
    assert len(vane[C.HOUSING].reasons) == 1


def test_new_bushes_do_not_make_up_for_a_worn_track():
    # They hold the gears off it: TM 5-3820-256-24-1 p.4-70.
    body = decide(verdicts=[(Ch.CUT_IN_DEPTH, C.HOUSING_BORE, OUT)])[C.HOUSING_BORE]
    said = [reason for reason in body.reasons if "New bushes alone" in reason.text]
    assert [reason.source for reason in said] == ["TM 5-3820-256-24-1 p.4-70"]
    other = decide(verdicts=[(Ch.TIP_CLEARANCE, C.GEARS, OUT)])[C.HOUSING_BORE]
    assert not any("New bushes alone" in reason.text for reason in other.reasons)


@pytest.mark.parametrize(
    ("word", "severity", "expected"),
    # Severities: common practice, no source.
    [
        (Word.SCORED, 1, REUSE),
        (Word.SCORED, 2, DRESS),
        (Word.CORROSION, 2, DRESS),
        (Word.SCUFFED, 2, REPLACE),
        (Word.CRACKED, 1, REPLACE),
        (Word.SCORED, 3, REPLACE),
        (Word.SCORED, 4, REPLACE),
    ],
)
def test_severity_decides(word, severity, expected):
    assert decide(findings=[(C.SHAFTS, word, severity)])[C.SHAFTS].disposition is expected


@pytest.mark.parametrize(
    ("family", "characteristic", "part", "expected"),
    [
        (GEAR, Ch.TIP_CLEARANCE, C.GEARS, {C.GEARS: SET, C.BUSHES: SET}),
        (
            GEAR,
            Ch.SIDE_OUT_OF_PARALLEL,
            C.WEAR_PLATE_FRONT,
            {C.WEAR_PLATE_FRONT: SET, C.WEAR_PLATE_REAR: SET},
        ),
        (GEAR, Ch.BACKLASH, C.GEARS, {C.GEARS: SET, C.BUSHES: SET}),
        (GEAR, Ch.GEAR_WIDTH_MATCH, C.GEARS, {C.GEARS: SET, C.BUSHES: SET}),
        # Two journal readings too far apart reject the gear: TM 5-3805-274-13&P.
        (GEAR, Ch.JOURNAL_SPREAD, C.SHAFTS, {C.SHAFTS: REPLACE, C.GEARS: SET, C.BUSHES: SET}),
        (GEAR, Ch.SHAFT_RUN_OUT, C.SHAFTS, {C.SHAFTS: REPLACE}),
        # One vane damaged, all vanes: TM 5-3820-241-34 p.3-18.
        (PumpFamily.VANE, Ch.VANE_SLOT_GAP, C.VANES, {C.VANES: SET, C.ROTOR: SET}),
        (
            PumpFamily.VANE,
            Ch.RING_WEAR_STEP,
            C.CAM_RING,
            {C.CAM_RING: SET, C.VANES: SET, C.ROTOR: SET},
        ),
        (
            PumpFamily.AXIAL_PISTON,
            Ch.SLIPPER_END_PLAY,
            C.PISTONS_AND_SHOES,
            {C.PISTONS_AND_SHOES: SET, C.CYLINDER_BLOCK: SET},
        ),
        # All hold-down pins if one is short: TM 10-3930-660-34.
        (
            PumpFamily.AXIAL_PISTON,
            Ch.HOLD_DOWN_PIN_SPREAD,
            C.HOLD_DOWN_PINS,
            {C.HOLD_DOWN_PINS: SET},
        ),
        (
            PumpFamily.INTERNAL_GEAR,
            Ch.OUTER_GEAR_TO_BODY,
            C.OUTER_GEAR,
            {C.OUTER_GEAR: SET, C.INNER_GEAR: SET},
        ),
    ],
)
def test_a_check_out_of_limits_names_its_parts(family, characteristic, part, expected):
    assert changed(decide(family=family, verdicts=[(characteristic, part, OUT)])) == expected
    assert changed(decide(family=family, verdicts=[(characteristic, part, UNDECIDED)])) == {}


def test_undecided_checks_hold_up_the_decision_unless_waived():
    verdicts = [
        (Ch.SIDE_CLEARANCE, C.GEARS, UNDECIDED),
        (Ch.BACKLASH, C.GEARS, WITHIN),
        (Ch.TIP_CLEARANCE, C.GEARS, UNDECIDED),
    ]
    assert undecided_checks(verdicts) == (
        (Ch.SIDE_CLEARANCE, C.GEARS),
        (Ch.TIP_CLEARANCE, C.GEARS),
    )
    waived = {(Ch.SIDE_CLEARANCE, C.GEARS)}
    assert undecided_checks(verdicts, waived) == ((Ch.TIP_CLEARANCE, C.GEARS),)


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
    finding = (
        st.sampled_from(COMPONENTS[family])
        .flatmap(
            lambda part: st.tuples(
                st.just(part), st.sampled_from(words_for(part)[1:]), st.integers(1, 4)
            )
        )
    )  # fmt: skip
    few = {"min_size": 0, "max_size": 3}
    return (
        family,
        draw(st.lists(verdict, **few)), draw(st.lists(finding, **few)),
        draw(verdict), draw(finding), draw(st.booleans()),
    )  # fmt: skip


@given(cases())
def test_more_faults_never_turn_a_replacement_into_reuse(case):
    family, verdicts, findings, one_verdict, one_finding, body = case
    before = of(decide(family=family, verdicts=verdicts, findings=findings, body=body))
    for worse in (
        decide(family=family, verdicts=[*verdicts, one_verdict], findings=findings, body=body),
        decide(family=family, verdicts=verdicts, findings=[*findings, one_finding], body=body),
        decide(
            family=family,
            verdicts=[(what, part, OUT) for what, part, _ in verdicts],
            findings=[(part, word, min(severity + 1, 4)) for part, word, severity in findings],
            body=body,
        ),
        decide(family=family, verdicts=verdicts, findings=findings, body=False),
    ):
        for part, disposition in of(worse).items():
            # Beyond dressing a port has nothing more to lose: its body is renewed instead.
            if part not in {C.INLET_PORT, C.OUTLET_PORT}:
                assert disposition.rank >= before[part].rank


@given(cases())
def test_order_does_not_matter_and_every_proposal_says_why(case):
    family, verdicts, findings, _, _, body = case
    forward = decide(family=family, verdicts=verdicts, findings=findings, body=body)
    backward = decide(family=family, verdicts=verdicts[::-1], findings=findings[::-1], body=body)
    assert of(forward) == of(backward)
    for part, proposal in forward.items():
        assert set(proposal.reasons) == set(backward[part].reasons)
        assert proposal.reasons
        assert all(reason.text and reason.source for reason in proposal.reasons)
