"""What is said against a row of a limits sheet, and between rows, word for word."""

from dataclasses import replace
from decimal import Decimal as D

import pytest

from fleet.limits import MOST_TERMS, JudgedBy, LimitRow, Limits, check_row, usually_judged_by
from fleet.lines_together import check_together
from fleet.vocabulary import Characteristic, Component
from tests.pure.test_limits import FOUR, MM, OUT_OF_PARALLEL, OWN, PLAIN, limits

SPREAD = replace(PLAIN, judged_by=JudgedBy.SPREAD, limits=limits(None, "0.001"))
NOT = replace(
    PLAIN,
    judged_by=JudgedBy.NOT_APPLICABLE,
    limits=limits(None, None),
    not_applicable_reason="floating",
)
FLATNESS = replace(
    OUT_OF_PARALLEL,
    characteristic=Characteristic.PLATE_FLATNESS,
    readings_from=Characteristic.SIDE_OUT_OF_PARALLEL,
)


@pytest.mark.parametrize(
    ("row", "field", "code", "sentence"),
    [
        (replace(PLAIN, limits=limits("0.006", "0.002")), "limits", "limit_contradictory",
         "Side clearance: the lowest figure 0.006 in is above the highest 0.002 in. Check both "
         "against the sheet."),
        (replace(PLAIN, limits=limits("-0.002", "0.006")), "limits.low", "limit_negative",
         "Side clearance: a limit of -0.002 in is negative, and only a difference of two "
         "readings can be. Enter it without its sign."),
        (replace(PLAIN, limits=limits(None, "-0.006")), "limits.high", "limit_negative",
         "Side clearance: a limit of -0.006 in is negative, and only a difference of two "
         "readings can be. Enter it without its sign."),
        (replace(PLAIN, limits=limits(None, None)), "limits", "limit_missing",
         "Side clearance has no limit. Enter a lowest or a highest figure, or mark the check not"
         " applicable with a reason."),
        (replace(PLAIN, new_low=D("0.001")), "new_low", "as_new_outside_limit",
         "Side clearance: as new it may be 0.001 in, but the service limit is 0.002 in to 0.006 "
         "in. A new part would fail: check both figures."),
        (replace(PLAIN, new_high=D("0.007")), "new_high", "as_new_outside_limit",
         "Side clearance: as new it may be 0.007 in, but the service limit is 0.002 in to 0.006 "
         "in. A new part would fail: check both figures."),
        (replace(PLAIN, new_low=D("0.005"), new_high=D("0.003")), "new_low", "as_new_contradictory",
         "Side clearance: the as-new range runs from 0.005 in down to 0.003 in. Check both "
         "against the sheet."),
        (replace(PLAIN, limits=limits(None, "0.006"), new_low=D("-0.001")),
         "new_low", "as_new_negative",
         "Side clearance: the as-new figure -0.001 in is negative. Enter it without its sign."),
        (replace(PLAIN, limits=limits(None, "0.006"), new_high=D("-0.001")),
         "new_high", "as_new_negative",
         "Side clearance: the as-new figure -0.001 in is negative. Enter it without its sign."),
        (replace(PLAIN, positions=()), "positions", "positions_missing",
         "Side clearance: say where it is measured, with at least one position."),
        (replace(PLAIN, positions=("a", "b", "a", "c", "c")), "positions", "positions_repeated",
         "Side clearance: a, c is named more than once. Name each position once."),
        (replace(PLAIN, positions=("a", " ")), "positions", "position_unnamed",
         "Side clearance: a position has no name. Name it or take it out."),
        (replace(PLAIN, terms=("bore", "journal")), "terms", "terms",
         "Side clearance: only a computed check has named readings. Take the names out, or judge"
         " it as computed."),
        (replace(PLAIN, judged_by=JudgedBy.LEAF_ENTERS), "limits", "leaf_limit",
         "Side clearance: a leaf that rejects when it enters needs its one size. Enter it as the"
         " highest figure, above nothing, and leave the lowest empty."),
        (replace(PLAIN, judged_by=JudgedBy.DIFFERENCE), "terms", "terms",
         "Side clearance: a computed check needs 2 to 6 readings with different names, such as "
         "bore and journal."),
        (replace(PLAIN, allowance=D("0.01")), "allowance", "allowance",
         "Side clearance: only a computed check has an allowance. Take it out."),
        (replace(PLAIN, readings_from=Characteristic.BACKLASH), "readings_from", "source",
         "Side clearance: only a spread is taken over the readings of another check. Leave this "
         "empty, or judge it as the largest reading less the smallest."),
        (replace(SPREAD, readings_from=Characteristic.SIDE_CLEARANCE), "readings_from", "source",
         "Side clearance: it cannot be over its own readings. Leave this empty: then they are "
         "measured for it."),
        (replace(PLAIN, name="Side gap"), "name", "name_not_own",
         "Side clearance has its name already. Leave the name empty, or choose 'A check of your "
         "own'."),
        (replace(PLAIN, characteristic=Characteristic.OWN), "name", "name_missing",
         "Name this check as the maker's book does: it is none of the listed ones."),
        (replace(SPREAD, limits=limits("0.0005", "0.001")), "limits.low", "spread_low",
         "Side clearance: a spread cannot be too small. Leave the lowest figure empty."),
        (replace(SPREAD, positions=("a",)), "positions", "spread_positions",
         "Side clearance: a spread needs at least two positions."),
        (replace(NOT, not_applicable_reason=" "), "not_applicable_reason", "reason_missing",
         "Say why side clearance does not apply to this design."),
        (replace(NOT, terms=("bore", "journal")), "terms", "limit_not_applicable",
         "Side clearance is marked not applicable, so nothing is computed for it. Leave this "
         "empty."),
        (replace(NOT, allowance=D("0.01")), "allowance", "limit_not_applicable",
         "Side clearance is marked not applicable, so nothing is computed for it. Leave this "
         "empty."),
        (replace(NOT, readings_from=Characteristic.BACKLASH),
         "readings_from", "limit_not_applicable",
         "Side clearance is marked not applicable, so nothing is computed for it. Leave this "
         "empty."),
        (replace(NOT, limits=limits("0.001", None)), "judged_by", "limit_not_applicable",
         "Side clearance is marked not applicable but has figures. Take the figures out, or "
         "choose how it is judged."),
        (replace(NOT, limits=limits(None, "0.001")), "judged_by", "limit_not_applicable",
         "Side clearance is marked not applicable but has figures. Take the figures out, or "
         "choose how it is judged."),
        (replace(NOT, new_low=D("0.001")), "judged_by", "limit_not_applicable",
         "Side clearance is marked not applicable but has figures. Take the figures out, or "
         "choose how it is judged."),
        (replace(NOT, new_high=D("0.001")), "judged_by", "limit_not_applicable",
         "Side clearance is marked not applicable but has figures. Take the figures out, or "
         "choose how it is judged."),
        (replace(NOT, also_low=D("0.001")), "judged_by", "limit_not_applicable",
         "Side clearance is marked not applicable but has figures. Take the figures out, or "
         "choose how it is judged."),
        (replace(NOT, also_high=D("0.001")), "judged_by", "limit_not_applicable",
         "Side clearance is marked not applicable but has figures. Take the figures out, or "
         "choose how it is judged."),
        (replace(NOT, also_new_low=D("0.001")), "judged_by", "limit_not_applicable",
         "Side clearance is marked not applicable but has figures. Take the figures out, or "
         "choose how it is judged."),
        (replace(NOT, also_new_high=D("0.001")), "judged_by", "limit_not_applicable",
         "Side clearance is marked not applicable but has figures. Take the figures out, or "
         "choose how it is judged."),
        (replace(PLAIN, also_high=D("0.15")), "also_unit", "second_unit",
         "Side clearance: say which other unit the second figures are printed in."),
        (replace(PLAIN, also_unit=MM, also_new_high=D("0.15")),
         "also_new_high", "second_unit_alone",
         "Side clearance: 0.15 mm has no figure beside it, in in. Enter that one, since it "
         "governs."),
        (replace(PLAIN, also_unit=MM, also_new_low=D("0.15")), "also_new_low", "second_unit_alone",
         "Side clearance: 0.15 mm has no figure beside it, in in. Enter that one, since it "
         "governs."),
        (replace(PLAIN, limits=limits(None, "0.006"), also_unit=MM, also_low=D("0.15")),
         "also_low", "second_unit_alone",
         "Side clearance: 0.15 mm has no figure beside it, in in. Enter that one, since it "
         "governs."),
    ],
)  # fmt: skip
def test_a_row_that_cannot_stand_is_refused_in_words(row, field, code, sentence):
    assert [(f.field, f.code, f.detail) for f in check_row(row)] == [(field, code, sentence)]


@pytest.mark.parametrize(
    ("rows", "field", "code", "sentence"),
    [
        ((OUT_OF_PARALLEL,), "0.readings_from", "source_missing",
         "Side clearance, out of parallel: it is over the readings of side clearance, and the "
         "sheet has no such line for wear plate, front. Add that line first, or give this check "
         "readings of its own."),
        ((replace(PLAIN, component=Component.WEAR_PLATE_REAR), OUT_OF_PARALLEL),
         "1.readings_from", "source_missing",
         "Side clearance, out of parallel: it is over the readings of side clearance, and the "
         "sheet has no such line for wear plate, front. Add that line first, or give this check "
         "readings of its own."),
        ((replace(PLAIN, positions=PLAIN.positions[:1]), OUT_OF_PARALLEL),
         "1.positions", "source_positions",
         "Side clearance, out of parallel: idler 12 o'clock is no position of side clearance, "
         "over whose readings it is. Choose among: drive 12 o'clock."),
        ((FOUR, OUT_OF_PARALLEL), "1.readings_from", "source",
         "Side clearance, out of parallel: side clearance is computed from several readings at "
         "each position. Name a check that takes one reading there."),
        ((replace(PLAIN, judged_by=JudgedBy.NOT_APPLICABLE), OUT_OF_PARALLEL),
         "1.readings_from", "source",
         "Side clearance, out of parallel: it is over the readings of side clearance, which does"
         " not apply to this design. Mark this check not applicable too, or give it readings of "
         "its own."),
        ((OWN, replace(OUT_OF_PARALLEL, readings_from=Characteristic.OWN)),
         "1.readings_from", "source",
         "Side clearance, out of parallel: a spread is over the readings of a listed check, "
         "since several checks of your own may stand on one component. Give this one readings of"
         " its own."),
        ((PLAIN, OUT_OF_PARALLEL, FLATNESS), "2.readings_from", "source",
         "Wear plate flatness: side clearance, out of parallel has no readings of its own. Name "
         "the check that is measured."),
        ((OWN, replace(OWN, component=Component.WEAR_PLATE_REAR), replace(OWN, name="cover BOW ")),
         "2.name", "taken",
         "Line 1 is a check of the same name on the same component. Give this one another name."),
        ((OWN, PLAIN, PLAIN), "2.characteristic", "taken",
         "Line 2 is of the same characteristic and component. Take one of the two out."),
    ],
)  # fmt: skip
def test_rows_that_cannot_stand_together_are_refused_in_words(rows, field, code, sentence):
    assert [(f.field, f.code, f.detail) for f in check_together(rows)] == [(field, code, sentence)]


def test_positions_that_the_source_lacks_are_all_named():
    few = replace(PLAIN, positions=("a", "b"))
    (fault,) = check_together([few, replace(OUT_OF_PARALLEL, positions=("a", "c", "d"))])
    assert fault.detail == (
        "Side clearance, out of parallel: c, d is no position of side clearance, over whose "
        "readings it is. Choose among: a, b."
    )


def test_what_a_row_says_itself_is_not_said_again_between_rows():
    assert check_together([replace(PLAIN, readings_from=Characteristic.BACKLASH)]) == []
    assert check_together([replace(SPREAD, readings_from=SPREAD.characteristic)]) == []


def test_a_row_without_a_mark_is_held_to_its_edges():
    assert check_row(replace(PLAIN, new_low=D("0.004"), new_high=D("0.004"))) == []
    assert check_row(replace(PLAIN, limits=limits("0.006", "0.006"))) == []
    from_nothing = replace(PLAIN, limits=limits("0", "0.006"), new_low=D("0"), new_high=D("0.006"))
    assert check_row(from_nothing) == []
    assert check_row(NOT) == []
    assert Limits(None, None, MM).sentence() == "not set"


def test_an_empty_row_has_nothing_in_it():
    row = LimitRow(
        Characteristic.BACKLASH, Component.GEARS, JudgedBy.EACH, limits(None, "0.010"), ("a",)
    )
    assert (row.name, row.not_applicable_reason, row.terms) == ("", "", ())
    assert row.label == Characteristic.BACKLASH.label
    assert check_row(row) == []
    assert replace(OWN, name=" Cover Bow ").key == (
        Characteristic.OWN, OWN.component, "cover bow",
    )  # fmt: skip


def test_how_a_check_is_judged_is_stored_and_said():
    assert {by.value: by.label for by in JudgedBy} == {
        "each": "Each position alone; the worst decides",
        "spread": "Largest reading less smallest",
        "difference": "Computed: first reading less the others, at each position",
        "leaf_enters": "A leaf of the limit size that enters rejects",
        "not_applicable": "Not applicable to this design",
    }
    assert MOST_TERMS == 6
    assert len(FOUR.terms) == 4
    spreads = {c for c in Characteristic if usually_judged_by(c) is JudgedBy.SPREAD}
    assert spreads == {
        Characteristic.SIDE_OUT_OF_PARALLEL,
        Characteristic.GEAR_WIDTH_MATCH,
        Characteristic.JOURNAL_SPREAD,
        Characteristic.SHOE_THICKNESS_SPREAD,
        Characteristic.BLOCK_BORE_SPREAD,
        Characteristic.HOLD_DOWN_PIN_SPREAD,
    }
