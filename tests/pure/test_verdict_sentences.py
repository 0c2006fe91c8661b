"""Whole sentences of verdicts under simple acceptance, word for word."""

import pytest

from fleet.limits import JudgedBy, Limits
from fleet.vocabulary import Characteristic as Ch
from inspections.rules.intervals import Interval
from inspections.rules.verdicts import PositionReading
from tests.pure.verdict_samples import (
    BORE,
    GUARDED,
    LIKELY,
    MM,
    OUT,
    UNDECIDED,
    WITHIN,
    D,
    at_most,
    check,
    feeler,
    value,
)

LIMIT = "the limit is at most 0.15 mm (Sheet B, GP-40 service manual, page 14)."
GAP = "Side clearance, a: the gap is"
SHAFT = "Shaft to bush, a: the clearance is"


def within(low, high, *closed):
    return PositionReading("a", Interval(D(low), D(high), *closed), MM)


@pytest.mark.parametrize(
    ("reading", "read", "because"),
    [
        (feeler("a", "0.08", "0.10"), "0.08 mm or more and less than 0.10 mm",
         "All of the bracket meets the limit, so this is within limits."),
        (feeler("a", "0", "0.10"), "less than 0.10 mm",
         "All of the bracket meets the limit, so this is within limits."),
        (within("0.05", "0.10", False, True), "more than 0.05 mm and at most 0.10 mm",
         "All of the bracket meets the limit, so this is within limits."),
        (within("0", "0.10", False, True), "more than 0 mm and at most 0.10 mm",
         "All of the bracket meets the limit, so this is within limits."),
        (value("a", "0.10"), "0.10 mm",
         "All of the reading meets the limit, so this is within limits."),
        (value("a", "0.16"), "0.16 mm",
         "No part of the reading meets the limit, so this is out of limits."),
        (feeler("a", "0.20", None), "0.20 mm or more, with no upper end",
         "No part of the bracket meets the limit, so this is out of limits."),
        (feeler("a", "0.10", None), "0.10 mm or more, with no upper end",
         "What is known so far does not decide, so this is undecided."),
    ],
)  # fmt: skip
def test_what_was_read_and_why_it_falls_so(reading, read, because):
    verdict = check([reading], limits=at_most("0.15"))
    assert verdict.sentence == f"{GAP} {read}; {LIMIT} {because}"


def test_what_is_missing_is_named():
    verdict = check([value("a", "0.10")], limits=at_most("0.15"), positions=["a", "b", "c"])
    assert verdict.sentence == (
        f"{GAP} 0.10 mm; {LIMIT} Still to be measured: b, c. What is known so far does not "
        "decide, so this is undecided."
    )
    nothing = check([], limits=at_most("0.15"), positions=["a", "b"])
    assert nothing.sentence == (
        f"Side clearance: nothing is measured that decides; {LIMIT[:-1]}. Still to be measured: "
        "a, b. Until then this is undecided."
    )


def test_a_leaf_that_must_not_enter():
    def judged(reading):
        return check([reading], limits=at_most("0.15"), by=JudgedBy.LEAF_ENTERS)

    must_not = "a leaf of 0.15 mm must not enter (Sheet B, GP-40 service manual, page 14)."
    entered = judged(feeler("a", "0.15", "0.20"))
    assert entered.outcome is OUT
    assert entered.sentence == (
        f"{GAP} 0.15 mm or more and less than 0.20 mm; {must_not} A leaf of that size enters, so "
        "this is out of limits."
    )
    would = judged(value("a", "0.15"))
    assert would.sentence == (
        f"{GAP} 0.15 mm; {must_not} A leaf of that size would enter, so this is out of limits."
    )
    refused = judged(feeler("a", "0.10", "0.15"))
    assert refused.outcome is WITHIN
    assert refused.sentence.endswith(
        "All of the bracket meets the limit, so this is within limits. It is near the limit: over "
        "80 % of the way there from new is used up."
    )


def test_a_negative_clearance_in_words():
    two = check(
        [value("a", "4.99", term="bore"), value("a", "5.00", term="journal")],
        limits=at_most("0.15"), **BORE,
    )  # fmt: skip
    assert two.outcome is UNDECIDED
    assert two.sentence == (
        f"{SHAFT} -0.01 mm; {LIMIT} Warning: journal comes out larger than bore, at least in "
        "part. Check that the two are not swapped, and measure both again. A negative figure "
        "proves nothing here, so this is undecided."
    )
    parts = {"bore": "5.10", "journal": "5.00", "sleeve": "0.20"}
    three = check(
        [value("a", text, term=term) for term, text in parts.items()],
        limits=at_most("0.15"), by=JudgedBy.DIFFERENCE, what=Ch.SHAFT_TO_BUSH, terms=tuple(parts),
    )  # fmt: skip
    assert three.sentence == (
        f"{SHAFT} -0.10 mm; {LIMIT} Warning: journal and sleeve together come out larger than "
        "bore, at least in part. Check that no two are swapped, and measure all again. A negative "
        "figure proves nothing here, so this is undecided."
    )


def test_a_bound_below_ten_percent_is_called_one():
    # Two standard uncertainties past the limit: one tail of the normal distribution, 2.275 %.
    verdict = check([feeler("a", "0.17", None, 0.01)], limits=at_most("0.15"), rule=LIKELY)
    assert verdict.outcome is OUT
    assert "The chance that it meets the limit is at most 2.3 %." in verdict.sentence


def test_an_uncertainty_of_nothing_makes_no_guard():
    verdict = check([value("a", "0.15", 0.0)], limits=at_most("0.15"), rule=GUARDED)
    assert verdict.outcome is WITHIN
    assert "by at least the guard of 0.0 mm" in verdict.sentence
    limits = Limits(D("0.05"), D("0.15"), MM)
    both = check([value("a", "0.05", 0.0)], limits=limits, rule=GUARDED)
    assert both.outcome is WITHIN


def test_a_guard_that_proves_nothing_and_one_that_never_can():
    near = check([value("a", "0.149", 0.002)], limits=at_most("0.15"), rule=GUARDED)
    assert near.outcome is UNDECIDED
    assert near.sentence.startswith(
        f"{GAP} 0.149 mm; {LIMIT} The reading is proven neither way: that takes the guard of "
        "0.0033 mm (1.645 × its uncertainty) between it and the limit, so this is undecided."
    )
    narrow = Limits(D("0.14"), D("0.15"), MM)
    never = check([value("a", "0.145", 0.01)], limits=narrow, rule=GUARDED)
    assert never.sentence.startswith(
        f"{GAP} 0.145 mm; the limit is 0.14 mm to 0.15 mm (Sheet B, GP-40 service manual, page "
        "14). The instrument is not capable: the limits are so close that, with this uncertainty, "
        "no reading could be accepted. Use one with a smaller uncertainty. This is undecided."
    )
