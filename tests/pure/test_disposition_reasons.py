"""Why a disposition is proposed: the reason and its source, word for word."""

import pytest

from fleet.vocabulary import Characteristic as Ch
from fleet.vocabulary import Component as C
from fleet.vocabulary import PumpFamily
from inspections.rules.dispositions import Disposition, Reason, propose
from inspections.rules.findings import Word
from inspections.rules.verdicts import Outcome

GEAR = PumpFamily.EXTERNAL_GEAR
INNER, VANE, PISTON = PumpFamily.INTERNAL_GEAR, PumpFamily.VANE, PumpFamily.AXIAL_PISTON
TRADE = "common practice, no source"


def decide(*findings, family=GEAR, verdicts=(), body=True):
    proposals = propose(
        family=family, verdicts=verdicts, findings=findings, body_replaceable=body
    )  # fmt: skip
    return {proposal.component: proposal for proposal in proposals}


def test_dispositions_are_stored_and_said_in_rising_order():
    assert {each.value: each.label for each in Disposition} == {
        "reuse": "Reuse",
        "dress_and_reuse": "Dress and reuse",
        "replace": "Replace",
        "replace_as_set": "Replace as a set",
        "scrap_pump": "Scrap the pump",
    }
    assert [each.rank for each in Disposition] == [0, 1, 2, 3, 4]


@pytest.mark.parametrize(
    ("part", "word", "severity", "text", "source"),
    [
        (C.SHAFTS, Word.SCORED, 3, "Scored or scratched, severity 3: replace.", TRADE),
        (C.WEAR_PLATE_FRONT, Word.WRONG_WAY_ROUND, 1,
         "Fitted the wrong way round, severity 1: fit it the right way; its wear is judged by "
         "itself.",
         "TM 5-3810-306-34; TM 5-3895-359-14&P; TM 10-3930-653-14&P p.4-203"),
        (C.SHAFTS, Word.SEAL_TRACK_GROOVED, 2,
         "Seal track grooved, severity 2: never a new seal on a worn track.",
         "TM 5-3895-353-14&P; TM 5-3895-359-14&P"),
        (C.SHAFTS, Word.SCORED, 2, "Scored or scratched, severity 2: can be dressed.", TRADE),
        (C.SHAFTS, Word.BENT, 2, "Bent, severity 2: cannot be dressed away.", TRADE),
        (C.SHAFTS, Word.CRACKED, 1, "Cracked, severity 1: however slight, replace.", TRADE),
        (C.SHAFTS, Word.SCORED, 1, "Scored or scratched, severity 1: may stay.", TRADE),
    ],
)  # fmt: skip
def test_what_a_finding_says(part, word, severity, text, source):
    assert Reason(text, source) in decide((part, word, severity))[part].reasons


@pytest.mark.parametrize(
    ("family", "renewed", "also", "text", "source"),
    [
        (GEAR, C.GEARS, C.GEARS, "One gear replaced means both, as a matched set.",
         "TM 5-3895-349-14&P; TM 10-3930-653-14&P; TM 5-3810-306-34"),
        (GEAR, C.GEARS, C.BUSHES, "New gears get new bushes.",
         "TM 5-3820-256-24-2 §7-1.4.5; TM 5-3810-306-34; TM 5-3810-307-24-1-2"),
        (GEAR, C.BUSHES, C.GEARS, "A bush or gear hub with a defect goes with its gear.",
         "TM 10-3930-653-14&P"),
        (GEAR, C.WEAR_PLATE_FRONT, C.WEAR_PLATE_REAR,
         "Both plates must match: replace the two alike.", TRADE),
        (INNER, C.INNER_GEAR, C.OUTER_GEAR, "Inner and outer gear run as a matched set.", TRADE),
        (VANE, C.ROTOR, C.VANES, "One vane damaged means the rotor kit, all vanes.",
         "TM 5-3820-241-34 p.3-18"),
        (VANE, C.CAM_RING, C.VANES, "A new ring gets new vanes.", TRADE),
        (PISTON, C.CYLINDER_BLOCK, C.PISTONS_AND_SHOES,
         "Pistons, shoes and block are renewed as one rotating group.", TRADE),
        (PISTON, C.HOLD_DOWN_PINS, C.HOLD_DOWN_PINS, "All hold-down pins must be of one length.",
         "TM 10-3930-660-34"),
    ],
)  # fmt: skip
def test_what_is_renewed_with_what(family, renewed, also, text, source):
    proposal = decide((renewed, Word.CRACKED, 3), family=family)[also]
    assert proposal.disposition is Disposition.REPLACE_SET
    assert Reason(text, source) in proposal.reasons


@pytest.mark.parametrize(
    ("characteristic", "part", "source"),
    [
        (Ch.BACKLASH, C.GEARS, TRADE),
        (Ch.SHAFT_TO_BUSH, C.BUSHES, "TM 10-3930-653-14&P p.4-203"),
        (Ch.GEAR_WIDTH_MATCH, C.GEARS, "TM 5-3820-256-24-1 p.4-70"),
        (Ch.CUT_IN_DEPTH, C.HOUSING_BORE, "TM 5-3820-256-24-2 §7-1.4.1"),
        (Ch.JOURNAL_SPREAD, C.GEARS, "TM 5-3805-274-13&P"),
        (Ch.PLATE_WEAR, C.WEAR_PLATE_FRONT, "TM 5-3820-256-24-2 §7-1.4.4"),
        (Ch.SHAFT_DIAMETER, C.SHAFTS, "TM 10-3930-653-14&P"),
    ],
)
def test_what_a_verdict_says(characteristic, part, source):
    found = decide(verdicts=[(characteristic, part, Outcome.OUT)])[part]
    assert Reason(f"{characteristic.label} is out of limits.", source) in found.reasons


def test_what_is_said_of_the_body():
    worn = [(Ch.CUT_IN_DEPTH, C.HOUSING_BORE, Outcome.WITHIN)]
    (*_, note) = decide((C.HOUSING_BORE, Word.POLISHED, 1), verdicts=worn)[C.HOUSING_BORE].reasons
    assert note == Reason(
        "The cut-in is within its limit: if both ports are of one size, the body may be turned "
        "over and used once more. Record it, since it cannot be done twice.",
        "TM 5-3820-256-24-2 §7-1.4.1; TM 5-3895-349-14&P",
    )
    lost = Reason(
        f"{C.HOUSING_BORE.label} cannot be reused, and no body is to be had for this model.", TRADE
    )
    scrapped = decide((C.HOUSING_BORE, Word.CRACKED, 3), body=False)
    assert {proposal.disposition for proposal in scrapped.values()} == {Disposition.SCRAP}
    assert all(lost in proposal.reasons for proposal in scrapped.values())
