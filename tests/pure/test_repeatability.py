"""Repeatability studies, against published ones and against sums done another way."""

import csv
import math
from collections import defaultdict
from decimal import Decimal as D
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from fleet.faults import Fault
from inspections.rules.intervals import Interval, exact
from inspections.rules.repeatability import (
    average_and_range,
    crossed_anova,
    middle,
    nested_levels,
    result_of,
    spreads_of,
    width,
)
from inspections.rules.studyplan import Measured, Place, Plan

DATA = Path(__file__).resolve().parents[1] / "data"


def rows_of(name):
    with (DATA / f"{name}.csv").open() as file:
        return list(csv.DictReader(file))


def study_of(rows):
    """(plan, readings) from (person, part, trial, interval)."""
    readings = [Measured(Place(*row[:3]), row[3]) for row in rows]
    plan = Plan(
        tuple(sorted({r.place.person for r in readings})),
        tuple(sorted({r.place.part for r in readings})),
        max(r.place.trial for r in readings),
    )
    return plan, readings


@pytest.fixture(scope="module")
def aiag():
    return study_of(
        (row["appraiser"], row["part"], int(row["trial"]), exact(D(row["y"])))
        for row in rows_of("aiag_grr")
    )


def nested(rows):
    """[person][part][repeat] of whole numbers or text figures."""
    return [[[Fraction(str(one)) for one in cell] for cell in row] for row in rows]


# --- The study of 10 parts, 3 persons, 3 repeats in AIAG, Measurement Systems Analysis ------------


def test_the_sums_of_squares_of_the_published_study(aiag):
    # AIAG MSA, analysis of variance of the 10 x 3 x 3 example (figures from memory).
    anova = result_of(*aiag).anova
    assert anova.persons.ss == pytest.approx(3.1673, abs=6e-5)
    assert anova.parts.ss == pytest.approx(88.3619, abs=6e-5)
    assert anova.interaction.ss == pytest.approx(0.3590, abs=6e-5)
    assert anova.repeats.ss == pytest.approx(2.7589, abs=6e-5)
    assert anova.total.ss == pytest.approx(94.6471, abs=6e-5)
    assert [
        line.df
        for line in (anova.persons, anova.parts, anova.interaction, anova.repeats, anova.total)
    ] == [2, 9, 18, 60, 89]
    assert anova.persons.ms == pytest.approx(1.58363, abs=6e-6)
    assert anova.f == pytest.approx(0.434, abs=6e-4)
    assert anova.p == pytest.approx(0.9741, abs=6e-5)
    assert anova.pooled


def test_the_spreads_of_the_published_study(aiag):
    # AIAG MSA, the same example: EV .199933, AV .226838, GRR .302373, PV 1.042327, TV 1.0853
    # (from memory); GRR 27.86 % of the total, 4 distinct categories.
    spreads = result_of(*aiag).spreads
    assert spreads.repeatability == pytest.approx(0.199933, abs=6e-7)
    assert spreads.persons == pytest.approx(0.226838, abs=6e-7)
    assert spreads.interaction == 0
    assert spreads.measuring == pytest.approx(0.302373, abs=2e-6)
    assert spreads.parts == pytest.approx(1.042327, abs=6e-7)
    assert spreads.total == pytest.approx(1.085300, abs=6e-7)
    assert spreads.share(spreads.measuring) == pytest.approx(27.86, abs=5e-3)
    assert spreads.distinct == 4


def test_the_published_study_by_averages_and_ranges(aiag):
    # AIAG MSA, average and range method on the same readings (from memory): EV .20186, AV .22963,
    # GRR .30575, PV 1.10456, TV 1.14610; 17.6, 20.0, 26.7 and 96.4 %; 5 distinct categories.
    # Its mean range was rounded before use, hence 1e-4.
    by_ranges = result_of(*aiag).by_ranges
    assert by_ranges.repeatability == pytest.approx(0.20186, abs=1e-4)
    assert by_ranges.persons == pytest.approx(0.22963, abs=1e-4)
    assert by_ranges.measuring == pytest.approx(0.30575, abs=1e-4)
    assert by_ranges.parts == pytest.approx(1.10456, abs=1e-4)
    assert by_ranges.total == pytest.approx(1.14610, abs=1e-4)
    assert by_ranges.interaction == 0
    assert [
        by_ranges.share(one)
        for one in (
            by_ranges.repeatability,
            by_ranges.persons,
            by_ranges.measuring,
            by_ranges.parts,
        )
    ] == pytest.approx([17.61, 20.04, 26.68, 96.38], abs=0.02)
    assert by_ranges.distinct == 5


def test_a_study_by_values_has_no_brackets(aiag):
    result = result_of(*aiag)
    assert result.bracket == 0
    assert result.stated == result.spreads.measuring
    assert result.apart is None


def test_what_single_persons_add_in_the_published_study(aiag):
    # Means of the appraisers in AIAG MSA: .1903, .0683, -.2543 (from memory), around their mean.
    persons = result_of(*aiag).persons
    means = [0.1903, 0.0683, -0.2543]
    around = sum(means) / 3
    assert [one.person for one in persons] == ["1", "2", "3"]
    assert [one.offset for one in persons] == pytest.approx([m - around for m in means], abs=2e-4)
    assert sum(one.offset for one in persons) == pytest.approx(0, abs=1e-12)
    # Their repeats together are the repeats of the analysis of variance.
    pooled = math.sqrt(sum(one.levels.short_term**2 for one in persons) / 3)
    assert pooled == pytest.approx(math.sqrt(2.758933 / 60), abs=1e-6)
    assert [one.levels.short_term_df for one in persons] == [20, 20, 20]
    assert [one.levels.between_df for one in persons] == [9, 9, 9]
    # Squares of how the offsets change with the part are what the interaction is made of.
    assert sum(3 * 9 * one.levels.between**2 for one in persons) == pytest.approx(
        0.358982, abs=6e-6
    )


# --- Nested designs of NIST -----------------------------------------------------------------------


def test_the_check_standard_of_nist_2_6_2():
    # NIST/SEMATECH e-Handbook 2.6.2.1, data MPC62: level-1 0.06139 (125 df), level-2 0.02680
    # (24 df), mean 97.0698 (from memory).
    rows = rows_of("nist_mpc62")
    levels = nested_levels(
        [float(row["y"]) for row in rows],
        [float(row["sd"]) for row in rows],
        [int(float(row["df"])) for row in rows],
    )
    assert levels.short_term == pytest.approx(0.06139, abs=6e-6)
    assert levels.short_term_df == 125
    assert levels.between == pytest.approx(0.02680, abs=6e-6)
    assert levels.between_df == 24
    assert levels.mean == pytest.approx(97.0698, abs=6e-5)


def test_the_probes_of_nist_2_6_1():
    # NIST/SEMATECH e-Handbook 2.6.1, data MPC61: six repeats behind each standard deviation, six
    # days for each wafer, run and probe. The figures for each probe were worked out apart from
    # this program; no published figure was at hand.
    short, between = defaultdict(list), defaultdict(list)
    groups = defaultdict(list)
    for row in rows_of("nist_mpc61"):
        groups[row["probe"], row["run"], row["wafer"]].append(row)
    for (probe, _run, _wafer), rows in groups.items():
        levels = nested_levels(
            [float(row["avg"]) for row in rows], [float(row["sd"]) for row in rows], [5] * len(rows)
        )
        assert levels.between_df == 5
        short[float(probe)].append(levels.short_term**2)
        between[float(probe)].append(levels.between**2)

    def pooled(by_probe):
        return {int(probe): math.sqrt(sum(v) / len(v)) for probe, v in by_probe.items()}

    assert pooled(short) == pytest.approx(
        {1: 0.09210, 281: 0.11075, 283: 0.09221, 2062: 0.15200, 2362: 0.07287}, abs=6e-6
    )
    assert pooled(between) == pytest.approx(
        {1: 0.04733, 281: 0.04428, 283: 0.04569, 2062: 0.05752, 2362: 0.03617}, abs=6e-6
    )


@pytest.mark.parametrize(
    ("means", "deviations", "dfs"), [([1.0], [0.1], [5]), ([1, 2], [0, 0], [0, 0])]
)
def test_a_nested_design_takes_two_groups_and_a_repeat(means, deviations, dfs):
    with pytest.raises(Fault, match="Measure on another day, or again") as caught:
        nested_levels(means, deviations, dfs)
    assert caught.value.code == "study_too_small"
    assert caught.value.detail == (
        "Two groups with a repeat are the least. Measure on another day, or again."
    )


def test_two_groups_and_one_repeat_are_enough():
    levels = nested_levels([1.0, 2.0], [0.3, 9.0], [1, 0])
    assert levels.short_term == pytest.approx(0.3)
    assert levels.between == pytest.approx(math.sqrt(0.5))
    assert (levels.short_term_df, levels.between_df, levels.mean) == (1, 1, 1.5)


def test_a_nested_design_takes_one_figure_of_each_for_a_group():
    with pytest.raises(ValueError, match="zip"):
        nested_levels([1.0, 2.0], [0.3], [1, 1])


# --- Against numpy, done the textbook way ---------------------------------------------------------


@st.composite
def tables(draw):
    a, p, r = draw(st.integers(2, 4)), draw(st.integers(2, 5)), draw(st.integers(2, 4))
    figure = st.integers(-50, 50)
    return [[[draw(figure) for _ in range(r)] for _ in range(p)] for _ in range(a)]


@given(tables())
def test_the_sums_of_squares_are_those_of_the_cell_means(table):
    values = np.array(table, float)
    a, p, r = values.shape
    by_person, by_part = values.mean((1, 2)), values.mean((0, 2))
    cells, grand = values.mean(2), values.mean()
    anova = crossed_anova(nested(table))
    close = {"rel": 1e-9, "abs": 1e-9}
    assert anova.persons.ss == pytest.approx(p * r * ((by_person - grand) ** 2).sum(), **close)
    assert anova.parts.ss == pytest.approx(a * r * ((by_part - grand) ** 2).sum(), **close)
    crossed = cells - by_person[:, None] - by_part[None, :] + grand
    assert anova.interaction.ss == pytest.approx(r * (crossed**2).sum(), **close)
    assert anova.repeats.ss == pytest.approx(((values - cells[:, :, None]) ** 2).sum(), **close)
    assert anova.total.ss == pytest.approx(((values - grand) ** 2).sum(), **close)
    parts = (anova.persons, anova.parts, anova.interaction, anova.repeats)
    assert sum(line.df for line in parts) == anova.total.df == a * p * r - 1
    for line in (*parts, anova.total):
        assert line.ms == pytest.approx(line.ss / line.df)
    if anova.f is not None:
        assert anova.f == pytest.approx(anova.interaction.ms / anova.repeats.ms)
        assert anova.p == pytest.approx(stats.f.sf(anova.f, (a - 1) * (p - 1), a * p * (r - 1)))
        assert anova.pooled == (anova.p > 0.25)


@given(tables())
def test_the_spreads_are_what_the_mean_squares_say(table):
    values = nested(table)
    anova, (a, p, r) = crossed_anova(values), np.array(table).shape
    spreads = spreads_of(anova, values)
    within, crossed = anova.repeats.ms, anova.interaction.ms
    if anova.pooled:
        within = crossed = (anova.repeats.ss + anova.interaction.ss) / (
            anova.repeats.df + anova.interaction.df
        )
    close = {"rel": 1e-9, "abs": 1e-9}
    assert spreads.repeatability**2 == pytest.approx(within, **close)
    assert spreads.interaction**2 == pytest.approx(max(0, (crossed - within) / r), **close)
    assert spreads.persons**2 == pytest.approx(
        max(0, (anova.persons.ms - crossed) / (p * r)), **close
    )
    assert spreads.parts**2 == pytest.approx(max(0, (anova.parts.ms - crossed) / (a * r)), **close)
    assert spreads.measuring**2 == pytest.approx(
        spreads.repeatability**2 + spreads.persons**2 + spreads.interaction**2, **close
    )
    assert spreads.total**2 == pytest.approx(spreads.measuring**2 + spreads.parts**2, **close)


@given(tables(), st.integers(-1000, 1000), st.integers(1, 9))
def test_a_shift_changes_nothing_and_a_factor_scales(table, shift, factor):
    values = nested(table)
    moved = [[[shift + factor * one for one in cell] for cell in row] for row in values]
    before, after = (spreads_of(crossed_anova(v), v) for v in (values, moved))
    for name in ("repeatability", "persons", "interaction", "measuring", "parts", "total"):
        assert getattr(after, name) == pytest.approx(factor * getattr(before, name), abs=1e-9)


# --- At the edges ---------------------------------------------------------------------------------


def test_an_interaction_that_shows_is_kept_apart():
    # By hand: two persons swap two parts, repeats of 1 and -1 round each mean. Cells 11, 0 / 0, 11
    # less the grand mean 5.5 are all interaction: ss 4 cells x 2 repeats x 5.5^2 = 242.
    values = nested([[[10, 12], [-1, 1]], [[-1, 1], [10, 12]]])
    anova = crossed_anova(values)
    assert (anova.persons.ss, anova.parts.ss) == (0, 0)
    assert (anova.interaction.ss, anova.interaction.df) == (242, 1)
    assert (anova.repeats.ss, anova.repeats.df) == (8, 4)
    assert anova.f == 121
    assert not anova.pooled
    spreads = spreads_of(anova, values)
    assert spreads.repeatability**2 == pytest.approx(2)
    assert spreads.interaction**2 == pytest.approx((242 - 2) / 2)
    assert spreads.persons == spreads.parts == 0
    assert spreads.distinct == 1


def test_spreads_of_a_hundredth_are_split_like_spreads_of_many():
    # The same in hundredths: sums of squares far below one.
    values = nested([[["0.10", "0.12"], ["0.00", "0.02"]], [["0.00", "0.02"], ["0.10", "0.12"]]])
    anova = crossed_anova(values)
    assert anova.interaction.ss == pytest.approx(2 * 4 * 0.05**2)
    assert anova.f == pytest.approx(0.02 / (4 * 0.0002 / 4))
    assert not anova.pooled
    assert spreads_of(anova, values).interaction ** 2 == pytest.approx((0.02 - 0.0002) / 2)
    alike = crossed_anova(nested([[["0.1"] * 2, ["0.2"] * 2], [["0.2"] * 2, ["0.1"] * 2]]))
    assert (alike.f, alike.p, alike.pooled) == (None, 0, False)


def test_repeats_that_are_all_alike_with_a_clear_interaction():
    anova = crossed_anova(nested([[[1, 1], [2, 2]], [[2, 2], [1, 1]]]))
    assert anova.f is None
    assert anova.p == 0
    assert not anova.pooled
    assert anova.repeats.ms == 0


def test_readings_that_are_all_alike_show_no_spread_whatever_their_digits():
    # 0.1 three times does not sum to 0.3 in binary: exact fractions leave nothing behind.
    values = nested([[["0.1"] * 3] * 3] * 2)
    anova = crossed_anova(values)
    assert (anova.f, anova.p, anova.pooled) == (None, None, True)
    spreads = spreads_of(anova, values)
    assert spreads.total == 0
    assert spreads.share(spreads.measuring) is None
    assert spreads.distinct is None


def test_persons_who_always_agree_add_nothing():
    values = nested([[[1, 1], [5, 5]], [[1, 1], [5, 5]]])
    spreads = spreads_of(crossed_anova(values), values)
    assert spreads.measuring == 0
    assert spreads.share(spreads.measuring) == 0
    assert spreads.share(spreads.parts) == 100
    assert spreads.distinct is None


def test_a_weak_interaction_is_pooled_only_above_a_quarter():
    # Interaction ms 2, repeats ms 2, 1 and 4 df: F = 1, p = 0.374 (F table); then F = 2, p = 0.230.
    even = crossed_anova(nested([[[0, 2], [1, 3]], [[1, 3], [0, 2]]]))
    assert even.f == 1
    assert even.pooled
    root = Fraction(1414213562, 10**9)
    uneven = crossed_anova(nested([[[0, 2], [root, root + 2]], [[root, root + 2], [0, 2]]]))
    assert uneven.f == pytest.approx(2)
    assert uneven.p == pytest.approx(0.2302, abs=1e-4)
    assert not uneven.pooled


def test_a_difference_between_persons_that_the_repeats_explain_is_none():
    # AV squared would be (.1 * K2)^2 - EV^2 / 4, below nothing.
    by_ranges = average_and_range(nested([[[0, 4], [0, 4]], [["0.1", "4.1"], ["0.1", "4.1"]]]))
    assert by_ranges.persons == 0
    assert by_ranges.repeatability == pytest.approx(4 * 0.8862)
    assert by_ranges.measuring == by_ranges.repeatability
    assert by_ranges.parts == 0


@pytest.mark.parametrize(("a", "p", "r"), [(4, 2, 2), (2, 11, 2), (2, 2, 4)])
def test_past_its_tables_there_is_no_answer_by_ranges(a, p, r):
    assert average_and_range(nested([[[1] * r] * p] * a)) is None


# AIAG MSA, appendix of constants d2* (from memory): K2 and K3 are one over d2* for one subgroup.
@pytest.mark.parametrize(
    ("parts", "d2"),
    [(2, 1.41421), (3, 1.91155), (4, 2.23887), (5, 2.48124), (6, 2.67253), (7, 2.82981),
     (8, 2.96288), (9, 3.07794), (10, 3.17905)],
)  # fmt: skip
def test_the_constants_of_the_ranges_are_one_over_d2(parts, d2):
    values = nested([[[part, part] for part in range(parts)]] * 2)
    assert average_and_range(values).parts == pytest.approx((parts - 1) / d2, rel=2e-4)
    if parts <= 3:
        apart = nested([[[n, n], [n, n]] for n in range(parts)])
        assert average_and_range(apart).persons == pytest.approx((parts - 1) / d2, rel=2e-4)


@pytest.mark.parametrize(("repeats", "d2"), [(2, 1.12838), (3, 1.69257)])
def test_the_constants_of_the_repeats_are_one_over_d2(repeats, d2):
    # d2 for many subgroups (same source).
    values = nested([[list(range(repeats))] * 2] * 2)
    assert average_and_range(values).repeatability == pytest.approx((repeats - 1) / d2, rel=2e-4)


# --- Brackets -------------------------------------------------------------------------------------


def bracket(low, high):
    return Interval(D(low), D(high))


WIDE, NEXT = bracket("0.10", "0.15"), bracket("0.15", "0.20")


def two_by_two(ann, ben):
    """Two parts, two repeats: the brackets of two persons, (part one twice, part two twice)."""
    return study_of(
        (person, part, trial, taken[2 * number + trial - 1])
        for person, taken in (("Ann", ann), ("Ben", ben))
        for number, part in enumerate(("HP-1", "HP-2"))
        for trial in (1, 2)
    )


def test_the_middles_of_brackets_go_into_the_analysis():
    plan, readings = two_by_two([WIDE, WIDE, NEXT, NEXT], [WIDE, WIDE, NEXT, NEXT])
    result = result_of(plan, readings)
    by_values = result_of(
        plan, [Measured(r.place, exact((r.interval.low + r.interval.high) / 2)) for r in readings]
    )
    assert result.anova == by_values.anova
    assert result.spreads == by_values.spreads
    assert result.persons == by_values.persons


def test_the_width_of_the_brackets_adds_to_what_is_stated():
    # JCGM 100:2008, 4.3.7: a rectangular distribution of full width w has w over root 12.
    result = result_of(*two_by_two([WIDE, WIDE, NEXT, NEXT], [WIDE, WIDE, NEXT, NEXT]))
    assert result.spreads.measuring == 0
    assert result.bracket == pytest.approx(0.05 / math.sqrt(12))
    assert result.stated == pytest.approx(result.bracket)


def test_brackets_of_several_widths_count_by_their_squares():
    narrow = bracket("0.10", "0.11")
    result = result_of(*two_by_two([WIDE, narrow, NEXT, NEXT], [WIDE, WIDE, NEXT, NEXT]))
    assert result.bracket == pytest.approx(math.sqrt((7 * 0.05**2 + 0.01**2) / 8 / 12))
    assert result.stated == pytest.approx(math.hypot(result.spreads.measuring, result.bracket))
    assert result.spreads.measuring > 0


def test_parts_at_which_two_brackets_do_not_meet_are_named():
    # The refusing leaf of one is the entering leaf of the other: no length is in both.
    result = result_of(*two_by_two([WIDE, WIDE, NEXT, NEXT], [NEXT, NEXT, NEXT, NEXT]))
    assert result.apart == ("HP-1",)


def test_repeats_of_one_person_stand_for_all_that_person_found():
    # Ann's second try reaches Ben's: the two do not stand apart.
    result = result_of(*two_by_two([WIDE, NEXT, NEXT, NEXT], [NEXT, NEXT, NEXT, NEXT]))
    assert result.apart == ()


def test_a_value_at_the_very_end_of_a_bracket_meets_it_only_where_the_end_belongs():
    at_low, at_high = exact(D("0.10")), exact(D("0.15"))
    assert result_of(*two_by_two([WIDE] * 4, [at_low] * 4)).apart == ()
    assert result_of(*two_by_two([WIDE] * 4, [at_high] * 4)).apart == ("HP-1", "HP-2")
    # A hull keeps the better end of those that reach as far.
    assert result_of(*two_by_two([WIDE, at_high, WIDE, WIDE], [at_high] * 4)).apart == ("HP-2",)


def test_the_hull_reaches_down_to_the_lowest_of_the_repeats():
    low = bracket("0.05", "0.10")
    # Ann reached down to Ben's once, whichever of her repeats it was.
    assert result_of(*two_by_two([low, NEXT, low, NEXT], [low] * 4)).apart == ()
    assert result_of(*two_by_two([NEXT, low, NEXT, low], [low] * 4)).apart == ()


def test_the_hull_keeps_a_closed_low_end():
    open_low = Interval(D("0.15"), D("0.20"), low_closed=False)
    ending = exact(D("0.15"))
    assert result_of(*two_by_two([open_low] * 4, [ending] * 4)).apart == ("HP-1", "HP-2")
    assert result_of(*two_by_two([open_low, NEXT, NEXT, NEXT], [ending] * 4)).apart == ()


def test_any_two_of_several_persons_can_stand_apart():
    rows = [
        (person, part, trial, interval)
        for person, interval in (("Ann", WIDE), ("Ben", WIDE), ("Cid", NEXT))
        for part in ("HP-1", "HP-2")
        for trial in (1, 2)
    ]
    assert result_of(*study_of(rows)).apart == ("HP-1", "HP-2")


def test_middle_and_width_need_both_ends():
    assert middle(WIDE) == Fraction(1, 8)
    assert width(WIDE) == Fraction(1, 20)
    for ask in (middle, width):
        with pytest.raises(Fault, match="thicker leaf") as caught:
            ask(Interval(D("0.10"), None))
        assert caught.value.code == "no_upper_end"


def test_what_cannot_be_computed_is_refused_with_its_reason():
    plan, readings = two_by_two([WIDE] * 4, [WIDE] * 4)
    with pytest.raises(Fault, match="Still to be measured: Ben at HP-2, repeat 2"):
        result_of(plan, readings[:-1])
    with pytest.raises(Fault, match="This study has 1 person"):
        result_of(Plan(("Ann",), plan.parts, 2), readings[:4])
