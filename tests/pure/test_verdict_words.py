"""Sentences of a verdict, percentages, and the advice that a part is near its limit."""

from decimal import Decimal as D

import numpy as np
import pytest

from fleet.decisions import DecisionRule, RuleKind
from fleet.limits import JudgedBy, Limits
from fleet.vocabulary import Characteristic as Ch
from inspections.rules.intervals import Interval
from inspections.rules.verdict_words import percent
from inspections.rules.verdicts import (
    PositionReading,
)
from tests.pure.verdict_samples import (
    BORE,
    GUARDED,
    INCH,
    LIKELY,
    MM,
    OUT,
    RULES,
    THOU,
    UM,
    UNDECIDED,
    WITHIN,
    at_most,
    check,
    feeler,
    value,
)

# Sentences


LIMIT = "the limit is at most 0.15 mm (Sheet B, GP-40 service manual, page 14)."
GAP = "Side clearance, a: the gap is"


def test_simple_acceptance_adds_the_chance_where_it_is_known():
    verdict = check([feeler("a", "0.12", "0.17", 0.002)], limits=at_most("0.15"))
    assert verdict.sentence == (
        f"{GAP} 0.12 mm or more and less than 0.17 mm; {LIMIT} The limit lies inside the bracket, "
        "so this is undecided. The chance that it meets the limit is 60 %."
    )
    assert verdict.probability == pytest.approx(0.6)
    assert verdict.rule == "each, no guard band"
    unknown = check([feeler("a", "0.12", "0.17")], limits=at_most("0.15"))
    assert "chance" not in unknown.sentence
    assert unknown.probability == pytest.approx(0.6)
    # Of a figure without its uncertainty nothing is known.
    assert check([value("a", "0.12")], limits=at_most("0.15")).probability is None


def test_guarded_acceptance_in_words():
    def judged(text, u=0.002, limits=None, unit=MM):
        return check([value("a", text, u, unit)], limits=limits or at_most("0.15"), rule=GUARDED)

    within = judged("0.146")
    assert within.outcome is WITHIN
    assert within.sentence == (
        f"{GAP} 0.146 mm; {LIMIT} All of the reading stays inside the limit by at least the guard "
        "of 0.0033 mm (1.645 × its uncertainty), so this is within limits. The chance that it "
        "meets the limit is 97.7 %. It is near the limit: over 80 % of the way there from new is "
        "used up."
    )
    assert within.rule == "each, guard 1.645 × u"
    out = judged("0.16")
    assert out.outcome is OUT
    assert (
        "All of the reading lies past the limit by more than the guard of 0.0033 mm (1.645 × its "
        "uncertainty), so this is out of limits. The chance that it meets the limit is less than "
        "0.1 %."
    ) in out.sentence
    neither = judged("0.151")
    assert neither.outcome is UNDECIDED
    assert (
        "The reading is proven neither way: that takes the guard of 0.0033 mm (1.645 × its "
        "uncertainty) between it and the limit, so this is undecided. The chance that it meets "
        "the limit is 31 %."
    ) in neither.sentence
    bracket = check([feeler("a", "0.16", "0.20", 0.002)], limits=at_most("0.15"), rule=GUARDED)
    assert "All of the bracket lies past the limit" in bracket.sentence
    # The guard is told in the unit of the limit.
    inches = judged("0.127", limits=at_most("0.006", INCH))
    assert "the guard of 0.00013 in" in inches.sentence


def test_a_required_probability_in_words():
    def judged(low, high, u=0.006, limit="0.29"):
        return check([feeler("a", low, high, u)], limits=at_most(limit), rule=LIKELY)

    neither = judged("0.25", "0.30")
    assert neither.outcome is UNDECIDED
    assert neither.probability == pytest.approx(0.797621, abs=1e-6)
    assert neither.sentence.endswith(
        "The chance that it meets the limit is 79 %. The rule accepts from 95 % on and rejects at "
        "5 % or less, so this is undecided."
    )
    assert neither.rule == "each, 95 % within, 5 % out"
    within = judged("0.15", "0.20")
    assert within.outcome is WITHIN
    assert within.sentence.endswith(
        "The chance that it meets the limit is more than 99.9 %. The rule asks for 95 % or more, "
        "so this is within limits."
    )
    out = judged("0.30", "0.35")
    assert out.outcome is OUT
    assert out.sentence.endswith(
        "The chance that it meets the limit is 0.3 %. The rule rejects at 5 % or less, so this "
        "is out of limits."
    )


@pytest.mark.parametrize("rule", [GUARDED, LIKELY])
def test_an_unknown_uncertainty_says_what_to_enter(rule):
    verdict = check([value("a", "0.01")], limits=at_most("0.15"), rule=rule)
    assert verdict.outcome is UNDECIDED
    assert verdict.probability is None
    assert verdict.sentence == (
        f"{GAP} 0.01 mm; {LIMIT} The rule needs the uncertainty of the reading, and it is not "
        "known: enter the permissible error of the instrument. Until then this is undecided."
    )
    assert "needs the uncertainty" not in check([value("a", "1")], limits=at_most("2")).sentence


@pytest.mark.parametrize("rule", [GUARDED, LIKELY])
def test_an_instrument_that_can_never_accept_is_called_not_capable(rule):
    both = Limits(D("0.10"), D("0.13"), MM)
    verdict = check([value("a", "0.115", 0.01)], limits=both, rule=rule)
    assert verdict.outcome is UNDECIDED
    assert (
        "The instrument is not capable: the limits are so close that, with this uncertainty, no "
        "reading could be accepted. Use one with a smaller uncertainty. This is undecided."
    ) in verdict.sentence
    # What proves a part out does so with any instrument.
    out = check([value("a", "0.2", 0.01)], limits=both, rule=rule)
    assert out.outcome is OUT
    assert "not capable" not in out.sentence
    fine = check([value("a", "0.115", 0.001)], limits=both, rule=rule)
    assert fine.outcome is WITHIN
    edge = check([value("a", "0.101", 0.001)], limits=both, rule=rule)
    assert edge.outcome is UNDECIDED
    assert "not capable" not in edge.sentence
    assert "not capable" not in check([value("a", "0.115", 0.01)], limits=both).sentence


def test_no_upper_end_gives_a_bound_where_it_decides():
    out = check([feeler("a", "0.16", None, 0.01)], limits=at_most("0.15"))
    assert out.outcome is OUT
    assert out.probability == pytest.approx(0.158655, abs=1e-6)
    assert "The chance that it meets the limit is at most 16 %." in out.sentence
    least = check([feeler("a", "0.16", None, 0.01)], limits=Limits(D("0.15"), None, MM))
    assert "The chance that it meets the limit is at least 84 %." in least.sentence
    sure = check([feeler("a", "0.25", None, 0.01)], limits=at_most("0.15"), rule=LIKELY)
    assert sure.outcome is OUT
    assert "The chance that it meets the limit is less than 0.1 %." in sure.sentence
    for rule in RULES:
        open_up = check([feeler("a", "0.14", None, 0.01)], limits=at_most("0.15"), rule=rule)
        assert open_up.outcome is UNDECIDED
        assert open_up.probability is None
        assert open_up.sentence.endswith(
            "What is known so far does not decide, so this is undecided."
        )


@pytest.mark.parametrize(
    ("probability", "shown"),
    [
        (1.0, "more than 99.9 %"), (0.9991, "more than 99.9 %"), (0.999, "99.9 %"),
        (0.94999, "94.9 %"), (0.95, "95.0 %"), (0.9001, "90.0 %"), (0.9, "90 %"),
        (0.627, "62 %"), (0.5, "50 %"), (0.501, "50 %"), (0.499, "50 %"), (0.381, "39 %"),
        (0.1, "10 %"), (0.0999, "10.0 %"), (0.05001, "5.1 %"), (0.05, "5.0 %"), (0.001, "0.1 %"),
        (0.00099, "less than 0.1 %"), (0.0, "less than 0.1 %"), (np.float64(0.62), "62 %"),
    ],
)  # fmt: skip
def test_a_percentage_is_never_certain_and_never_says_more_than_was_found(probability, shown):
    assert percent(probability) == shown


def test_the_rule_in_few_characters():
    longest = DecisionRule(RuleKind.PROBABILITY, p_accept=D("0.99000"), p_reject=D("0.00100"))
    verdict = check(
        [feeler("a", "0.1", "0.2")], limits=at_most("0.15"), by=JudgedBy.LEAF_ENTERS, rule=longest
    )
    assert verdict.rule == "leaf_enters, 99 % within, 0.1 % out"
    assert len(verdict.rule) <= 40


# Near the limit


@pytest.mark.parametrize(
    ("text", "limits", "as_new", "near"),
    [
        # From nothing, where no figure for new is printed.
        ("0.12", at_most("0.15"), (None, None), False),
        ("0.1201", at_most("0.15"), (None, None), True),
        # From the largest gap of a new part.
        ("0.13", at_most("0.15"), (D("0.02"), D("0.05")), False),
        ("0.1301", at_most("0.15"), (D("0.02"), D("0.05")), True),
        ("0.1241", at_most("0.15"), (D("0.02"), None), True),
        ("0.1239", at_most("0.15"), (D("0.02"), None), False),
        ("0.15", at_most("0.15"), (D("0.15"), D("0.15")), False),
        # Down to a smallest figure, from the smallest new one; without one there is no way.
        ("18.942", Limits(D("18.935"), None, MM), (D("18.970"), D("18.980")), False),
        ("18.9419", Limits(D("18.935"), None, MM), (D("18.970"), D("18.980")), True),
        ("18.9419", Limits(D("18.935"), None, MM), (None, D("18.970")), True),
        ("18.935", Limits(D("18.935"), None, MM), (None, None), False),
        ("18.935", Limits(D("18.935"), None, MM), (D("18.935"), None), False),
        # Between two limits without new figures the way starts at the other one.
        ("10.03", Limits(D("9.95"), D("10.05"), MM), (None, None), False),
        ("10.0301", Limits(D("9.95"), D("10.05"), MM), (None, None), True),
        ("9.9501", Limits(D("9.95"), D("10.05"), MM), (None, None), False),
        ("9.9601", Limits(D("9.95"), D("10.05"), MM), (D("10.00"), D("10.01")), False),
        ("9.9599", Limits(D("9.95"), D("10.05"), MM), (D("10.00"), D("10.01")), True),
        # Out is out, not near.
        ("0.16", at_most("0.15"), (None, None), False),
    ],
)
def test_near_the_limit_is_past_four_fifths_of_the_way_from_new(text, limits, as_new, near):
    verdict = check([value("a", text)], limits=limits, as_new=as_new)
    assert verdict.near_limit is near
    advice = "It is near the limit: over 80 % of the way there from new is used up."
    assert verdict.sentence.endswith(advice) is near


def test_near_the_limit_looks_at_the_worse_end_in_any_unit_and_at_every_position():
    assert check([feeler("a", "0.10", "0.13")], limits=at_most("0.15")).near_limit
    assert not check([feeler("a", "0.10", "0.12")], limits=at_most("0.15")).near_limit
    assert check([value("a", "130", unit=UM)], limits=at_most("0.15")).near_limit
    assert not check([value("a", "3.9", unit=THOU)], limits=at_most("0.005", INCH)).near_limit
    assert check([value("a", "4.1", unit=THOU)], limits=at_most("0.005", INCH)).near_limit
    least = Limits(D("18.935"), None, MM)
    shaft = Interval(D("18.940"), D("18.99"))
    assert check(
        [PositionReading("a", shaft, MM)], limits=least, as_new=(D("18.97"), None)
    ).near_limit
    # The nearest in room is not the nearest on its way from new.
    both = Limits(D("0.04"), D("0.15"), MM)
    verdict = check(
        [value("a", "0.045"), value("b", "0.14")], limits=both, as_new=(None, D("0.05"))
    )
    assert verdict.worst_position == "a"
    assert not check([value("a", "0.049")], limits=both, as_new=(D("0.05"), D("0.05"))).near_limit
    assert verdict.near_limit
    spread = check(
        [value("a", "25.0045"), value("b", "25.000")],
        limits=at_most("0.005"), by=JudgedBy.SPREAD, what=Ch.GEAR_WIDTH_MATCH,
    )  # fmt: skip
    assert spread.near_limit
    # A press fit whose highest figure is below nothing has no way from nothing.
    press = check(
        [value("a", "18.95", term="bore"), value("a", "18.98", term="journal")],
        limits=at_most("-0.01"), **BORE,
    )  # fmt: skip
    assert press.outcome is WITHIN
    assert not press.near_limit
