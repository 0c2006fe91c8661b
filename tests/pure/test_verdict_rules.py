"""Verdicts under uncertainty: three rules, worst positions, differences and spreads."""

import math
from decimal import Decimal as D

import pytest
import scipy
from hypothesis import assume, given
from hypothesis import strategies as st

from fleet.decisions import SIMPLE, RuleKind
from fleet.faults import Fault
from fleet.limits import JudgedBy, Limits
from fleet.units import IN_MM, LengthUnit, convert
from fleet.vocabulary import Characteristic as Ch
from inspections.rules.conformity import NO_HIGH, NO_LOW, OUTCOMES, TICKS, judge_many, ticks
from inspections.rules.intervals import Interval, exact
from inspections.rules.verdicts import (
    PositionReading,
    judge_interval,
)
from tests.pure.verdict_samples import (
    BORE,
    GUARDED,
    INCH,
    LIKELY,
    MM,
    OUT,
    RULES,
    UM,
    UNDECIDED,
    WITHIN,
    at_most,
    check,
    feeler,
    value,
)


def test_the_guard_is_kept_on_both_sides_of_the_limit():
    # 1.645 x 0.002 = 0.00329 mm: within up to 0.14671, out above 0.15329. ISO 14253-1: both
    # proofs cost the guard (from memory); figures computed.
    def outcome(text, limits, u=0.002, unit=MM):
        return judge_interval(exact(D(text)), unit, limits, rule=GUARDED, u=u)

    most, least = at_most("0.15"), Limits(D("0.15"), None, MM)
    assert outcome("0.14671", most) is WITHIN
    assert outcome("0.146711", most) is UNDECIDED
    assert outcome("0.15329", most) is UNDECIDED
    assert outcome("0.153291", most) is OUT
    assert outcome("0.15329", least) is WITHIN
    assert outcome("0.153289", least) is UNDECIDED
    assert outcome("0.14671", least) is UNDECIDED
    assert outcome("0.146709", least) is OUT
    # The uncertainty is in the unit of the reading.
    assert outcome("146.71", most, 2.0, UM) is WITHIN
    assert outcome("146.711", most, 2.0, UM) is UNDECIDED
    assert outcome("0.14671", most, None) is UNDECIDED
    assert outcome("0.9", most, None) is UNDECIDED
    assert outcome("0.15", most, 0.0) is WITHIN


def test_a_probability_asked_for():
    # Bracket 0.25 to 0.30 mm, u 0.006: out at 0.24, undecided 0.26 and 0.29, within at 0.305
    # (0.002379, 0.202379, 0.797621, 0.986403). Computed.
    bracket = Interval(D("0.25"), D("0.30"))
    outcomes = [
        judge_interval(bracket, MM, at_most(limit), rule=LIKELY, u=0.006)
        for limit in ("0.24", "0.26", "0.29", "0.305")
    ]
    assert outcomes == [OUT, UNDECIDED, UNDECIDED, WITHIN]
    assert judge_interval(bracket, MM, at_most("0.305"), rule=LIKELY) is UNDECIDED
    assert judge_interval(exact(D("0.5")), MM, at_most("0.5"), rule=LIKELY, u=0.01) is UNDECIDED
    strict = judge_interval(
        exact(D("0.5")), MM, at_most("0.5"), rule=LIKELY, u=0.0, strict_high=True
    )
    assert strict is OUT
    for rule in RULES:
        with pytest.raises(Fault) as refused:
            judge_interval(bracket, MM, Limits(None, None, MM), rule=rule, u=0.1)
        assert refused.value.code == "limit_missing"


figures = st.integers(0, 400).map(lambda x: D(x) / 1000)
uncertainties = st.integers(0, 60).map(lambda x: x / 1000)
rules = st.sampled_from(RULES)
RANKS = (WITHIN, UNDECIDED, OUT)


@given(rules, figures, figures, figures, figures, uncertainties, st.booleans())
def test_a_wider_gap_never_looks_better_under_any_rule(rule, limit, low, width, more, u, strict):
    def interval(start):
        return exact(start) if width == 0 else Interval(start, start + width)

    for limits, sign in ((Limits(None, limit, MM), 1), (Limits(limit, None, MM), -1)):
        before, after = (
            judge_interval(
                interval(start), MM, limits, rule=rule, u=u, strict_high=strict and sign > 0
            )
            for start in (low, low + more)
        )
        assert sign * RANKS.index(after) >= sign * RANKS.index(before)


@st.composite
def cases(draw):
    """A reading in any unit, limits in any other, a rule, an uncertainty or none."""
    unit, other = draw(st.sampled_from(LengthUnit)), draw(st.sampled_from(LengthUnit))
    low, width = draw(figures), draw(st.just(D(0)) | figures)
    interval = Interval(low, low + width, True, width == 0)
    if draw(st.integers(0, 9)) == 0:
        interval = Interval(low, None)
    ends = sorted((draw(figures), draw(figures)))
    sides = draw(st.sampled_from(["low", "high", "both"]))
    limits = Limits(
        None if sides == "high" else ends[0], None if sides == "low" else ends[1], other
    )
    u = draw(st.none() | uncertainties)
    return interval, unit, limits, u, draw(rules), sides == "high" and draw(st.booleans())


@given(st.lists(cases(), min_size=1, max_size=12), rules)
def test_one_alone_equals_many_at_once(several, rule):
    def end(figure, unit, missing):
        return missing if figure is None else ticks(figure, unit)

    many = judge_many(
        low=[ticks(i.low, unit) for i, unit, *_ in several],
        high=[end(i.high, unit, NO_HIGH) for i, unit, *_ in several],
        low_closed=[i.low_closed for i, *_ in several],
        high_closed=[i.high_closed for i, *_ in several],
        u=[math.nan if u is None else u * TICKS[unit] for _, unit, _, u, *_ in several],
        limit_low=[end(x.low, x.unit, NO_LOW) for _, _, x, *_ in several],
        limit_high=[end(x.high, x.unit, NO_HIGH) for _, _, x, *_ in several],
        rule=rule,
        strict_high=[strict for *_, strict in several],
    )
    for place, (interval, unit, limits, u, _, strict) in enumerate(several):
        alone = judge_interval(interval, unit, limits, strict_high=strict, rule=rule, u=u)
        assert OUTCOMES[many.codes[place]] is alone
        if not strict:
            verdict = check([PositionReading("a", interval, unit, u=u)], limits=limits, rule=rule)
            assert verdict.outcome is alone
            chance = many.probability[place]
            assert verdict.probability == (None if math.isnan(chance) else pytest.approx(chance))


@given(cases(), st.sampled_from(LengthUnit))
def test_the_unit_of_a_reading_changes_no_verdict(case, to):
    interval, _, limits, u, rule, strict = case
    # Inches end in every unit.
    here = judge_interval(interval, INCH, limits, strict_high=strict, rule=rule, u=u)
    there = Interval(
        convert(interval.low, INCH, to),
        None if interval.high is None else convert(interval.high, INCH, to),
        interval.low_closed,
        interval.high_closed,
    )
    u_there = None if u is None else u * float(IN_MM[INCH] / IN_MM[to])
    if rule.kind is RuleKind.PROBABILITY:
        # What float rounding moves across a threshold is no matter of units.
        found = check([PositionReading("a", interval, INCH, u=u)], limits=limits).probability
        assume(found is None or min(abs(found - 0.95), abs(found - 0.05)) > 1e-9)
    assert judge_interval(there, to, limits, strict_high=strict, rule=rule, u=u_there) is here


# Worst positions


def test_the_worst_position_has_the_probability_of_the_check():
    verdict = check(
        [value("a", "0.10", 0.02), value("b", "0.14", 0.02), value("c", "0.12", 0.001)],
        limits=at_most("0.15"),
    )
    assert verdict.worst_position == "b"
    assert verdict.probability == verdict.positions[1].probability
    assert verdict.probability == pytest.approx(0.691462, abs=1e-6)
    assert [each.u for each in verdict.positions] == [0.02, 0.02, 0.001]


def test_under_a_required_probability_the_least_likely_is_the_worst():
    # Nearer the limit, but so well known that it is likelier to meet it.
    readings = [value("a", "0.14", 0.001), value("b", "0.13", 0.02)]
    assert check(readings, limits=at_most("0.15"), rule=LIKELY).worst_position == "b"
    assert check(readings, limits=at_most("0.15"), rule=SIMPLE).worst_position == "a"


def test_a_missing_position_keeps_it_undecided_under_every_rule():
    for rule in RULES:
        waiting = check(
            [value("a", "0.05", 0.001)], limits=at_most("0.15"), rule=rule, positions=["a", "b"]
        )
        assert waiting.outcome is UNDECIDED
        assert waiting.missing == ("b",)
        assert "What is known so far does not decide, so this is undecided." in waiting.sentence
        assert not waiting.near_limit
        proven = check(
            [value("a", "0.25", 0.001)], limits=at_most("0.15"), rule=rule, positions=["a", "b"]
        )
        assert proven.outcome is OUT


def test_go_is_fail_under_every_rule():
    # A 0.005 in leaf that enters rejects: TM 5-3820-256-24-2 §7-1.4.1.
    for rule in RULES:
        rejected, passed = (
            check(
                [feeler("drive centre", low, high, 0.0001, INCH)],
                limits=at_most("0.005", INCH),
                by=JudgedBy.LEAF_ENTERS,
                what=Ch.CUT_IN_DEPTH,
                rule=rule,
            )
            for low, high in (("0.006", "0.007"), ("0.003", "0.004"))
        )
        assert rejected.outcome is OUT
        assert passed.outcome is WITHIN
        assert "a leaf of 0.005 in must not enter" in passed.sentence


# Differences


def test_the_uncertainties_of_a_difference_add_as_squares():
    readings = [
        value("a", "19.112", 0.003, term="bore"),
        value("a", "18.940", 0.004, term="journal"),
    ]
    verdict = check(readings, limits=at_most("0.177"), rule=GUARDED, **BORE)
    assert verdict.positions[0].u == pytest.approx(0.005, rel=1e-12)
    assert verdict.outcome is UNDECIDED
    assert verdict.probability == pytest.approx(0.841345, abs=1e-6)
    # One that is not known leaves the difference unknown.
    half = [readings[0], value("a", "18.940", None, term="journal")]
    assert check(half, limits=at_most("0.177"), rule=GUARDED, **BORE).positions[0].u is None


def test_a_difference_across_units_takes_each_uncertainty_in_its_own():
    readings = [value("a", "19.112", 0.003, term="bore"), value("a", "18940", 4.0, UM, "journal")]
    verdict = check(readings, limits=at_most("0.177"), **BORE)
    assert verdict.decided_unit is MM
    assert verdict.decided_interval == exact(D("0.172"))
    assert verdict.positions[0].u == pytest.approx(0.005, rel=1e-12)


def test_a_difference_of_several_with_an_allowance():
    # Depth less width less two plates plus a gasket; figures invented.
    terms = ("depth", "width", "front plate", "rear plate")
    figures = ("50.00", "40.02", "4.97", "4.98")

    def side(allowance, unit=MM, limits=None, us=(0.003, 0.004, 0.0, 0.012)):
        return check(
            [
                value("drive", text, u, term=term)
                for text, u, term in zip(figures, us, terms, strict=True)
            ],
            limits=limits or Limits(None, D("0.12"), unit),
            by=JudgedBy.DIFFERENCE,
            terms=terms,
            allowance=D(allowance),
        )

    assert side("0").decided_interval == exact(D("0.03"))
    assert side("0.10").decided_interval == exact(D("0.13"))
    assert side("0.10").outcome is OUT
    assert side("0.09").outcome is WITHIN
    assert side("0.09").positions[0].u == pytest.approx(0.013, rel=1e-12)
    # The allowance is in the unit of the limit.
    inches = side("0.001", limits=at_most("0.003", INCH))
    assert inches.decided_unit is MM
    assert inches.decided_interval == exact(D("0.0554"))
    assert inches.outcome is WITHIN
    # Negative: all that was subtracted is named.
    negative = side("-0.05")
    assert negative.outcome is UNDECIDED
    assert negative.warning == (
        "Warning: width and front plate and rear plate together come out larger than depth, at "
        "least in part. Check that no two are swapped, and measure all again."
    )
    assert negative.sentence.endswith(
        "A negative figure proves nothing here, so this is undecided."
    )
    assert negative.probability is None


def test_a_negative_figure_never_passes_under_any_rule():
    # Pocket 0.7478 in, gear 0.7486 in: TM 5-2815-241-34&P p.2-296; the difference is computed.
    readings = [
        value("a", "0.7478", 1e-5, INCH, "pocket"), value("a", "0.7486", 1e-5, INCH, "gear"),
    ]  # fmt: skip
    args = {"by": JudgedBy.DIFFERENCE, "terms": ("pocket", "gear")}
    for rule in RULES:
        verdict = check(readings, limits=at_most("0.005", INCH), rule=rule, **args)
        assert verdict.outcome is UNDECIDED
        assert verdict.warning.startswith("Warning: gear comes out larger than pocket")
        allowed = check(readings, limits=Limits(D("-0.002"), D("0.001"), INCH), rule=rule, **args)
        assert allowed.outcome is WITHIN
        assert allowed.warning == ""


def test_a_difference_that_can_be_negative_is_not_cut_off_at_nothing():
    bracket = PositionReading("a", Interval(D("5.00"), D("5.05")), MM, "bore", 0.02)
    verdict = check(
        [bracket, value("a", "5", 0.0, term="journal")], limits=at_most("0.025"), **BORE
    )
    assert verdict.decided_interval == Interval(D(0), D("0.05"))
    assert verdict.probability == pytest.approx(0.5)


@pytest.mark.parametrize("count", [0, 1, 7])
def test_a_difference_has_two_to_six_terms(count):
    terms = tuple("abcdefg"[:count])
    with pytest.raises(Fault) as refused:
        check([], limits=at_most("1"), by=JudgedBy.DIFFERENCE, terms=terms, positions=["p"])
    assert refused.value.code == "terms"


def test_six_terms_wait_for_all_and_for_an_upper_end():
    terms = tuple("abcdef")
    readings = [value("p", "10" if t == "a" else "1", term=t) for t in terms]
    args = {"limits": at_most("5"), "by": JudgedBy.DIFFERENCE, "terms": terms, "positions": ["p"]}
    assert check(readings, **args).outcome is WITHIN
    assert check(readings[:-1], **args).missing == ("p f",)
    unbounded = PositionReading("p", Interval(D(1), None), MM, "d")
    assert check([*readings[:3], unbounded, *readings[4:]], **args).missing == ("p d",)
    first = PositionReading("p", Interval(D(12), None), MM, "a")
    proven = check([first, *readings[1:]], **args)
    assert proven.outcome is OUT
    assert proven.missing == ()


# Spreads


def test_a_spread_has_the_larger_uncertainty_of_the_two_that_decide_twice():
    def widths(*us, rule=SIMPLE, units=(MM, MM, MM)):
        figures = (("drive", "25.004"), ("idler", "25.000"), ("spare", "25.002"))
        return check(
            [
                PositionReading(
                    place, exact(convert(D(text), MM, unit)), unit,
                    u=None if u is None else float(u * float(1 / IN_MM[unit])),
                )
                for (place, text), u, unit in zip(figures, us, units, strict=True)
            ],
            limits=at_most("0.005"),
            by=JudgedBy.SPREAD,
            what=Ch.GEAR_WIDTH_MATCH,
            rule=rule,
        )  # fmt: skip

    verdict = widths(0.0001, 0.0003, 0.01)
    assert verdict.outcome is WITHIN
    # 0.001 mm short of the limit, u = sqrt 2 x 0.0003.
    z = 0.001 / (math.sqrt(2) * 0.0003)
    assert verdict.probability == pytest.approx(scipy.stats.norm.cdf(z), abs=1e-9)
    assert widths(0.0003, 0.0001, 0.01).probability == verdict.probability
    assert widths(0.0003, 0.0001, None).probability == verdict.probability
    mixed = widths(0.0003, 0.0001, 0.01, units=(UM, MM, MM))
    assert mixed.decided_unit is MM
    assert mixed.probability == pytest.approx(verdict.probability, rel=1e-12)
    for us in ((None, 0.0001, 0.0001), (0.0001, None, 0.0001)):
        assert widths(*us).probability is None
        assert widths(*us, rule=GUARDED).outcome is UNDECIDED
    assert widths(0.0003, 0.0001, 0.01, rule=GUARDED).outcome is WITHIN
    assert widths(0.0005, 0.0001, 0.01, rule=GUARDED).outcome is UNDECIDED
