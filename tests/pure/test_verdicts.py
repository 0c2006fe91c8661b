"""Verdicts: boundaries, exactness, positions, differences, spreads."""

import csv
from decimal import Decimal as D
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from fleet.faults import Fault
from fleet.limits import JudgedBy, Limits
from fleet.units import LengthUnit, as_fraction_mm, convert
from fleet.vocabulary import Characteristic as Ch
from inspections.rules.intervals import Interval, exact
from inspections.rules.verdicts import (
    Outcome,
    PositionReading,
    SheetReference,
    judge_check,
    judge_interval,
)

MM, INCH = LengthUnit.MM, LengthUnit.INCH
WITHIN, OUT, UNDECIDED = Outcome.WITHIN, Outcome.OUT, Outcome.UNDECIDED
SOURCE = SheetReference(document="GP-40 service manual", page="14", sheet="Sheet B")


def figure(text):
    return D(text) if text else None


def reading_of(row):
    low, high = D(row["low"]), figure(row["high"])
    return exact(low) if low == high else Interval(low, high)


with (Path(__file__).parent / "golden" / "verdicts.csv").open(encoding="utf-8") as _file:
    ROWS = list(csv.DictReader(_file))


@pytest.mark.parametrize(
    "row", ROWS, ids=lambda row: f"{row['low']}-{row['high']}-{row['outcome']}"
)
def test_published_limits_and_boundaries(row):
    limits = Limits(
        figure(row["limit_low"]), figure(row["limit_high"]), LengthUnit(row["limit_unit"])
    )
    outcome = judge_interval(
        reading_of(row), LengthUnit(row["unit"]), limits, strict_high=row["strict"] == "yes"
    )
    assert outcome == row["outcome"]


def at_most(high, unit=MM):
    return Limits(None, D(high), unit)


def test_ends_that_touch_a_limit():
    limit = at_most("0.15")
    above = Interval(D("0.15"), D("0.20"), low_closed=False)
    assert judge_interval(above, MM, limit) is OUT
    closed = Interval(D("0.10"), D("0.15"), high_closed=True)
    assert judge_interval(closed, MM, limit) is WITHIN
    assert judge_interval(closed, MM, limit, strict_high=True) is UNDECIDED
    assert judge_interval(exact(D("0.15")), MM, limit, strict_high=True) is OUT
    assert judge_interval(closed, MM, Limits(D("0.15"), None, MM)) is UNDECIDED
    with pytest.raises(Fault):
        judge_interval(closed, MM, Limits(None, None, MM))


def by_fractions(interval, unit, limits, strict):
    """Simple acceptance written apart from the product, in exact fractions of a millimetre."""
    low = as_fraction_mm(interval.low, unit)
    high = None if interval.high is None else as_fraction_mm(interval.high, unit)
    outcomes = set()
    if limits.high is not None:
        most = as_fraction_mm(limits.high, limits.unit)
        if low > most or (low == most and (strict or not interval.low_closed)):
            outcomes.add(OUT)
        elif high is None or high > most or (high == most and strict and interval.high_closed):
            outcomes.add(UNDECIDED)
    if limits.low is not None:
        least = as_fraction_mm(limits.low, limits.unit)
        if high is not None and (high < least or (high == least and not interval.high_closed)):
            outcomes.add(OUT)
        elif low < least:
            outcomes.add(UNDECIDED)
    return OUT if OUT in outcomes else UNDECIDED if UNDECIDED in outcomes else WITHIN


lengths = st.integers(0, 60).map(lambda x: D(x) / 100)
units = st.sampled_from(LengthUnit)
small = st.integers(0, 8).map(lambda x: D(x) * 127 / 1000)


@given(small, small, st.none() | small, st.none() | small, units, st.data())
def test_simple_acceptance_equals_exact_fractions(low, width, least, most, unit, data):
    # Multiples of 0.127 mm, which end in every unit, so that ends and limits meet often.
    assume(least is not None or most is not None)
    assume(least is None or most is None or least <= most)
    other, strict, no_end = data.draw(units), data.draw(st.booleans()), data.draw(st.booleans())
    ends = [convert(x, MM, unit) for x in (low, low + width)]
    if no_end:
        interval = Interval(ends[0], None, data.draw(st.booleans()))
    elif width == 0:
        interval = exact(ends[0])
    else:
        interval = Interval(*ends, data.draw(st.booleans()), data.draw(st.booleans()))
    limits = Limits(*(None if x is None else convert(x, MM, other) for x in (least, most)), other)
    expected = by_fractions(interval, unit, limits, strict)
    assert judge_interval(interval, unit, limits, strict_high=strict) is expected


RANKS = (WITHIN, UNDECIDED, OUT)


@given(lengths, lengths, lengths, lengths, st.booleans())
def test_a_wider_gap_never_looks_better_against_a_maximum(limit, low, width, more, strict):
    assume(width > 0)
    limits = Limits(None, limit, MM)
    here = judge_interval(Interval(low, low + width), MM, limits, strict_high=strict)
    wider = judge_interval(Interval(low + more, low + width + more), MM, limits, strict_high=strict)
    assert RANKS.index(wider) >= RANKS.index(here)
    # And against a minimum never worse.
    least = Limits(limit, None, MM)
    before = judge_interval(Interval(low, low + width), MM, least)
    after = judge_interval(Interval(low + more, low + width + more), MM, least)
    assert RANKS.index(after) <= RANKS.index(before)


@given(lengths, lengths, lengths, lengths, st.booleans(), st.data())
def test_a_verdict_holds_for_every_length_in_the_bracket(low, width, a, b, strict, data):
    assume(width > 0)
    limits = Limits(min(a, b), max(a, b), MM)
    interval = Interval(low, low + width)
    outcome = judge_interval(interval, MM, limits, strict_high=strict)
    length = data.draw(st.decimals(low, low + width, places=4).filter(interval.holds))
    true = judge_interval(exact(length), MM, limits, strict_high=strict)
    assert true is not UNDECIDED
    assert outcome in {UNDECIDED, true}


@given(st.integers(0, 400).map(lambda x: D(x) / 10_000), st.integers(1, 400))
def test_the_unit_shown_changes_no_verdict(length, limit):
    # 18.940 mm passes 18.935 mm but would fail its misprint 0.746 in: TM 10-3930-653-14&P.
    limits = Limits(None, D(limit) / 10_000, INCH)
    in_mm = judge_interval(exact(convert(length, INCH, MM)), MM, limits)
    assert in_mm is judge_interval(exact(length), INCH, limits)


def check(readings, *, limits, by=JudgedBy.EACH, positions=None, what=Ch.SIDE_CLEARANCE, terms=()):
    return judge_check(
        characteristic=what,
        judged_by=by,
        limits=limits,
        readings=readings,
        positions=positions or list(dict.fromkeys(r.position for r in readings)),
        source=SOURCE,
        terms=terms,
    )


def feeler(position, low, high, unit=MM):
    return PositionReading(position, Interval(D(low), figure(high)), unit)


def value(position, text, unit=MM, term=""):
    return PositionReading(position, exact(D(text)), unit, term)


def test_the_sentence_gives_reading_limit_and_place_in_the_manual():
    verdict = check([feeler("drive 12 o'clock", "0.15", "0.20")], limits=at_most("0.15"))
    assert verdict.outcome is UNDECIDED
    assert verdict.sentence == (
        "Side clearance, drive 12 o'clock: the gap is 0.15 mm or more and less than 0.20 mm; the "
        "limit is at most 0.15 mm (Sheet B, GP-40 service manual, page 14). The limit lies inside "
        "the bracket, so this is undecided."
    )
    assert len(verdict.rule) <= 40


@pytest.mark.parametrize(
    ("reading", "limits", "words"),
    [
        (feeler("a", "0", "0.05"), at_most("0.15"), "the gap is less than 0.05 mm"),
        (feeler("a", "0.50", None), at_most("0.15"), "0.50 mm or more, with no upper end"),
        (value("a", "0.16"), at_most("0.15"), "No part of the reading meets the limit"),
        (value("a", "0.127"), at_most("0.005", INCH), "0.127 mm (0.005 in)"),
        (value("a", "0.05"), Limits(D("0.02"), D("0.15"), MM), "0.02 mm to 0.15 mm"),
    ],
)
def test_sentences(reading, limits, words):
    assert words in check([reading], limits=limits).sentence


def test_the_worst_position_decides():
    verdict = check(
        [
            feeler("a", "0.05", "0.10"),
            feeler("b", "0.20", "0.25"),
            feeler("c", "0.15", "0.20"),
            feeler("d", "0.25", "0.30"),
        ],
        limits=at_most("0.15"),
    )
    assert verdict.outcome is OUT
    assert verdict.worst_position == "d"
    assert verdict.decided_interval == Interval(D("0.25"), D("0.30"))
    assert [each.outcome for each in verdict.positions] == [WITHIN, OUT, UNDECIDED, OUT]


def test_of_positions_within_the_nearest_to_the_limit_is_the_worst():
    both_sides = Limits(D("0.05"), D("0.15"), MM)
    assert check([value("a", "0.10"), value("b", "0.14")], limits=both_sides).worst_position == "b"
    assert check([value("a", "0.06"), value("b", "0.10")], limits=both_sides).worst_position == "a"
    verdict = check([feeler("a", "0.10", None), feeler("b", "0.10", "0.20")], limits=both_sides)
    assert verdict.worst_position == "a"


def test_of_positions_out_the_furthest_out_is_the_worst_on_either_side():
    limits = Limits(D("0.10"), D("0.20"), MM)
    far_below = check([value("a", "0.25"), value("b", "0.04")], limits=limits)
    assert far_below.worst_position == "b"
    far_above = check([value("a", "0.27"), value("b", "0.04")], limits=limits)
    assert far_above.worst_position == "a"


def test_a_warning_comes_before_other_undecided_positions():
    bracket = PositionReading("a", Interval(D("5.10"), D("5.90")), MM, "bore")
    readings = [bracket, value("a", "5.00", MM, "journal"),
                value("b", "4.99", MM, "bore"), value("b", "5.00", MM, "journal")]  # fmt: skip
    verdict = check(
        readings, limits=at_most("0.15"), by=JudgedBy.DIFFERENCE, what=Ch.SHAFT_TO_BUSH,
        terms=("bore", "journal"),
    )  # fmt: skip
    assert [each.outcome for each in verdict.positions] == [UNDECIDED, UNDECIDED]
    assert verdict.worst_position == "b"
    assert verdict.warning


def test_missing_positions_keep_it_undecided_unless_one_is_out():
    limits = at_most("0.15")
    waiting = check([feeler("a", "0.05", "0.10")], limits=limits, positions=["a", "b", "c"])
    assert waiting.outcome is UNDECIDED
    assert waiting.missing == ("b", "c")
    assert "Still to be measured: b, c." in waiting.sentence
    proven = check([feeler("a", "0.20", "0.25")], limits=limits, positions=["a", "b", "c"])
    assert proven.outcome is OUT
    nothing = check([], limits=limits, positions=["a"])
    assert nothing.outcome is UNDECIDED
    assert nothing.decided_interval is None
    assert "Still to be measured: a." in nothing.sentence


def test_gear_widths_differ_by_at_most_0_005_mm():
    # Within 0.005 mm (0.0002 in): TM 5-3820-256-24-1 p.4-70.
    def widths(one, other):
        return check(
            [value("drive", one), value("idler", other)],
            limits=at_most("0.005"),
            by=JudgedBy.SPREAD,
            what=Ch.GEAR_WIDTH_MATCH,
        )

    assert widths("25.005", "25.000").outcome is WITHIN
    assert widths("25.006", "25.000").outcome is OUT
    assert widths("25.000", "25.006").worst_position == "idler"
    assert "idler against drive" in widths("25.000", "25.006").sentence
    assert widths("25.000", "25.006").warning == ""
    # Where nothing proves them different, neither is the thicker one.
    assert "against" not in widths("25.000", "25.000").sentence


def test_journal_readings_differ_by_at_most_0_001_in():
    # Two readings on a journal differ by more than 0.001 in: reject; TM 5-3805-274-13&P.
    def journal(*figures):
        places = ["near gear", "far end", "far end 90°"]
        return check(
            [value(p, text, INCH) for p, text in zip(places, figures, strict=False)],
            limits=at_most("0.001", INCH),
            by=JudgedBy.SPREAD,
            what=Ch.JOURNAL_SPREAD,
            positions=places,
        )

    assert journal("0.7480", "0.7490", "0.7485").outcome is WITHIN
    assert journal("0.7480", "0.7491", "0.7485").outcome is OUT
    # A spread can only grow: out already with one missing, else undecided.
    assert journal("0.7480", "0.7491").outcome is OUT
    assert journal("0.7480", "0.7490").outcome is UNDECIDED
    assert journal("0.7480").missing == ("far end", "far end 90°")


def bore_less_journal(bore, journal, limits, unit=MM):
    return check(
        [value("drive front", bore, unit, "bore"), value("drive front", journal, unit, "journal")],
        limits=limits,
        by=JudgedBy.DIFFERENCE,
        what=Ch.SHAFT_TO_BUSH,
        terms=("bore", "journal"),
    )


def test_shaft_to_bush_at_most_0_177_mm():
    # At most 0.177 mm, shaft at least 18.935 mm: TM 10-3930-653-14&P p.4-203; bores computed.
    assert bore_less_journal("19.112", "18.935", at_most("0.177")).outcome is WITHIN
    assert bore_less_journal("19.113", "18.935", at_most("0.177")).outcome is OUT


@pytest.mark.parametrize(
    # Shaft 0.4998-0.5001 in, bore 0.5013-0.5016 in: TM 5-2815-241-34&P p.2-296; the clearance
    # 0.0012-0.0018 in is computed from them.
    ("bore", "shaft", "clearance"),
    [("0.5013", "0.5001", "0.0012"), ("0.5016", "0.4998", "0.0018")],
)
def test_clearance_derived_from_sizes(bore, shaft, clearance):
    limits = Limits(D("0.0012"), D("0.0018"), INCH)
    verdict = bore_less_journal(bore, shaft, limits, INCH)
    assert verdict.decided_interval == exact(D(clearance))
    assert verdict.outcome is WITHIN


def pocket_less_gear(pocket, gear, limits):
    return check(
        [value("drive", pocket, INCH, "pocket"), value("drive", gear, INCH, "gear")],
        limits=limits,
        by=JudgedBy.DIFFERENCE,
        terms=("pocket", "gear"),
    )


def test_a_negative_clearance_never_passes_silently():
    # Pocket 0.7478-0.7483 in, gear 0.7483-0.7486 in: TM 5-2815-241-34&P p.2-296; the difference
    # -0.0008 to 0 in is computed.
    verdict = pocket_less_gear("0.7478", "0.7486", at_most("0.005", INCH))
    assert verdict.decided_interval == exact(D("-0.0008"))
    assert verdict.outcome is UNDECIDED
    assert verdict.warning.startswith("Warning: gear comes out larger than pocket")
    assert verdict.warning in verdict.sentence
    assert pocket_less_gear("0.7483", "0.7483", at_most("0.005", INCH)).outcome is WITHIN
    # Where the sheet itself allows it, it is a figure like any other.
    allowed = Limits(D("-0.0008"), D("0"), INCH)
    assert pocket_less_gear("0.7478", "0.7486", allowed).outcome is WITHIN
    assert pocket_less_gear("0.7477", "0.7486", allowed).outcome is OUT
    # Under a minimum it is out, and still says why.
    least = pocket_less_gear("0.7478", "0.7486", Limits(D("0"), D("0.005"), INCH))
    assert least.outcome is OUT
    assert least.warning


def test_a_difference_across_units_is_exact():
    # 19.112 mm bore; journal 18.935 mm given as 18935 µm.
    verdict = check(
        [
            value("a", "19.112", MM, "bore"),
            value("a", "18935", LengthUnit.UM, "journal"),
        ],
        limits=at_most("0.177"),
        by=JudgedBy.DIFFERENCE,
        terms=("bore", "journal"),
    )
    assert verdict.outcome is WITHIN
    assert verdict.decided_unit is MM
    assert verdict.decided_interval == exact(D("0.177"))


def test_a_difference_waits_for_both_readings():
    readings = [value("a", "19.2", MM, "bore")]
    args = {"limits": at_most("0.177"), "by": JudgedBy.DIFFERENCE, "terms": ("bore", "journal")}
    assert check(readings, **args).missing == ("a journal",)
    no_end = PositionReading("a", Interval(D("18.9"), None), MM, "journal")
    verdict = check([*readings, no_end], **args)
    assert verdict.missing == ("a journal",)
    assert verdict.outcome is UNDECIDED


def test_a_leaf_of_the_limit_size_that_enters_rejects():
    # 0.005 in leaf enters under the straight edge: TM 5-3820-256-24-2 §7-1.4.1.
    def cut_in(low, high):
        return check(
            [feeler("drive centre", low, high, INCH)],
            limits=at_most("0.005", INCH),
            by=JudgedBy.LEAF_ENTERS,
            what=Ch.CUT_IN_DEPTH,
        )

    rejected = cut_in("0.005", "0.006")
    assert rejected.outcome is OUT
    assert "a leaf of 0.005 in must not enter" in rejected.sentence
    assert cut_in("0.004", "0.005").outcome is WITHIN
    assert cut_in("0.004", "0.006").outcome is UNDECIDED


def test_swapping_the_names_of_checks_changes_the_verdict():
    # Side 0.002-0.006, tip 0.004-0.007, backlash 0.003-0.018 in: TM 5-3825-229-14&P p.5-33.
    ranges = {
        Ch.SIDE_CLEARANCE: Limits(D("0.002"), D("0.006"), INCH),
        Ch.TIP_CLEARANCE: Limits(D("0.004"), D("0.007"), INCH),
        Ch.BACKLASH: Limits(D("0.003"), D("0.018"), INCH),
    }
    outcomes = {
        what: check([value("a", "0.010", INCH)], limits=limits, what=what).outcome
        for what, limits in ranges.items()
    }
    assert outcomes == {Ch.SIDE_CLEARANCE: OUT, Ch.TIP_CLEARANCE: OUT, Ch.BACKLASH: WITHIN}


@pytest.mark.parametrize(
    ("readings", "args", "code", "sentence"),
    [
        ([value("b", "1")], {"positions": ["a", "c"]}, "unknown_position",
         "The sheet has no position 'b'. Choose one of: a, c."),
        ([value("a", "1"), value("a", "2")], {}, "duplicate_reading",
         "a has two readings. Keep the one that counts."),
        ([value("a", "1", MM, "bore")], {}, "unknown_term",
         "A reading at a is named 'bore'; it takes no name."),
        ([value("a", "1")], {"by": JudgedBy.NOT_APPLICABLE}, "not_applicable",
         "Side clearance does not apply to this design, so there is nothing to judge."),
        ([value("a", "1")], {"by": JudgedBy.DIFFERENCE}, "terms",
         "A difference needs the names of its readings, two to 6."),
        ([], {}, "positions_missing",
         "Side clearance has no position. Name one on the sheet."),
        ([value("a", "1")], {"limits": Limits(None, None, MM)}, "limit_missing",
         "There is no limit to judge by. Enter one on the sheet."),
    ],
)  # fmt: skip
def test_what_cannot_be_judged_is_refused(readings, args, code, sentence):
    with pytest.raises(Fault) as refused:
        check(readings, **{"limits": at_most("1"), **args})
    assert refused.value.code == code
    assert str(refused.value) == sentence


def test_a_refused_reading_says_what_the_check_takes():
    with pytest.raises(Fault, match="named 'bore'; it takes no name"):
        check([value("a", "1", MM, "bore")], limits=at_most("1"))
    readings = [value("a", "1", MM, "hub")]
    with pytest.raises(Fault, match="named 'hub'; it takes bore or journal"):
        check(readings, limits=at_most("1"), by=JudgedBy.DIFFERENCE, terms=("bore", "journal"))


@given(st.lists(lengths, min_size=1, max_size=4), lengths, lengths)
def test_a_check_is_monotone_in_each_reading(figures, limit, more):
    names = [f"p{number}" for number in range(len(figures))]
    limits = Limits(None, limit, MM)

    def judged(texts):
        readings = [PositionReading(n, exact(x), MM) for n, x in zip(names, texts, strict=True)]
        return RANKS.index(check(readings, limits=limits).outcome)

    steps = [judged(figures), judged([figures[0] + more, *figures[1:]])]
    assert all(a <= b for a, b in pairwise(steps))
