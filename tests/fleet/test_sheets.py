"""Limit sheets: checked as a whole, misprints found, issued once."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from django.db import IntegrityError, connection, transaction

from fleet.faults import Conflict, Fault, Faults, NotAllowed, Stale
from fleet.models import LimitSheet, PumpModel, SheetLine
from fleet.selectors import sheet_in_force
from fleet.services import sheets
from fleet.services.sheets import LineDraft
from tests import factories
from tests.fleet.conftest import People
from tests.fleet.lines import line, own_lines

D = Decimal


def draft(
    people: People, model: PumpModel, lines: list[LineDraft], revision: str = "A"
) -> LimitSheet:
    return sheets.draft_sheet(
        actor=people.supervisor,
        model=model,
        revision=revision,
        document="Service sheet OG-114",
        lines=lines,
    )


def test_lines_are_kept_as_printed_and_in_order(people: People) -> None:
    lines = factories.gear_lines()
    sheet = draft(people, factories.make_model(), lines)
    stored = [sheets.draft_of(row) for row in sheet.lines.order_by("order")]
    assert stored == lines
    # 0.10 is not 0.1: a printed figure stands for half a unit of its last digit.
    assert [str(row.new_high) for row in stored[:1]] == ["0.10"]


def test_every_fault_of_every_line_is_told_with_its_place(people: People) -> None:
    with pytest.raises(Faults) as refused:
        draft(
            people,
            factories.make_model(),
            [
                line(),
                line(characteristic="backlash", component="gears", limit_high=None),
                line(characteristic="tip_clearance", component="gears", positions=(), page=""),
                line(characteristic="vane_slot_gap", component="rotor"),
                line(unit="cm", judged_by="guess", limit_low=D("NaN")),
                line(),
            ],
        )
    # The rules of a line wait until its columns can be read: line 2 lacks its page first, and
    # line 4, whose words are in no list, is compared with none.
    assert sorted(f.field for f in refused.value.each()) == [
        "lines.1.limit_high",
        "lines.2.page",
        "lines.3.characteristic",
        "lines.3.component",
        "lines.4.judged_by",
        "lines.4.limit_low",
        "lines.4.unit",
        "lines.5.characteristic",
    ]
    assert not LimitSheet.objects.exists()


def test_a_misprint_between_two_units_is_refused_with_both_readings(people: People) -> None:
    # TM 5-3810-307-24-1-2 prints 0.007 in as (0.018 mm); it is 0.178 mm.
    with pytest.raises(Fault) as refused:
        draft(people, factories.make_model(), [line(also_unit="mm", also_limit_high=D("0.018"))])
    assert refused.value.field == "lines.0.also_limit_high"
    assert refused.value.code == "units_disagree"
    assert "0.007 in" in refused.value.detail
    assert "0.018 mm" in refused.value.detail
    assert not LimitSheet.objects.exists()
    draft(people, factories.make_model(), [line(also_unit="mm", also_limit_high=D("0.178"))])


def test_an_entry_of_a_list_holds_no_separator(people: People) -> None:
    with pytest.raises(Fault) as refused:
        draft(people, factories.make_model(), [line(positions=("drive; front",))])
    assert refused.value.field == "lines.0.positions"


def test_a_revision_stands_once_per_model(people: People) -> None:
    model = factories.make_model()
    draft(people, model, [line()])
    with pytest.raises(Conflict) as refused:
        draft(people, model, [line()])
    assert (refused.value.field, refused.value.code) == ("revision", "taken")
    assert LimitSheet.objects.count() == 1


def test_a_technician_drafts_nothing_and_a_competent_person_issues_nothing(people: People) -> None:
    model = factories.make_model()
    with pytest.raises(NotAllowed):
        sheets.draft_sheet(
            actor=people.technician, model=model, revision="A", document="OG", lines=[line()]
        )
    competent = factories.make_person(people.north, "competent_person")
    sheet = sheets.draft_sheet(
        actor=competent, model=model, revision="A", document="OG", lines=[line()]
    )
    with pytest.raises(NotAllowed):
        sheets.issue_sheet(actor=competent, sheet=sheet)
    assert list(LimitSheet.objects.values_list("state", "version")) == [("draft", 1)]


def test_lines_of_a_draft_are_replaced_as_a_whole(people: People) -> None:
    sheet = draft(people, factories.make_model(), factories.gear_lines())
    row = sheets.replace_lines(actor=people.supervisor, sheet=sheet, version=1, lines=[line()])
    assert row.version == 2
    assert [sheets.draft_of(r) for r in row.lines.all()] == [line()]
    with pytest.raises(Stale):
        sheets.replace_lines(actor=people.supervisor, sheet=sheet, version=1, lines=[])
    assert row.lines.count() == 1


def test_refused_lines_leave_the_old_ones(people: People) -> None:
    sheet = draft(people, factories.make_model(), [line()])
    with pytest.raises(Fault):
        sheets.replace_lines(
            actor=people.supervisor, sheet=sheet, version=1, lines=[line(limit_high=None)]
        )
    sheet.refresh_from_db()
    assert (sheet.version, sheet.lines.count()) == (1, 1)


def test_issuing_supersedes_the_sheet_in_force(people: People) -> None:
    model = factories.make_model()
    first = factories.make_issued_sheet(model, revision="A")
    assert sheet_in_force(model) == first
    second = sheets.revise_sheet(actor=people.supervisor, sheet=first, revision="B")
    assert second.state == "draft"
    assert [sheets.draft_of(r) for r in second.lines.all()] == factories.gear_lines()
    issued = sheets.issue_sheet(actor=people.supervisor, sheet=second, version=1)
    first.refresh_from_db()
    assert (first.state, first.superseded_at) == ("superseded", issued.issued_at)
    assert (issued.state, issued.issued_by, issued.superseded_at) == (
        "issued",
        people.supervisor,
        None,
    )
    assert sheet_in_force(model) == issued


def test_a_revision_may_stand_in_another_edition_of_the_book(people: People) -> None:
    first = factories.make_issued_sheet(factories.make_model(), revision="A")
    same = sheets.revise_sheet(actor=people.supervisor, sheet=first, revision="B")
    other = sheets.revise_sheet(
        actor=people.supervisor, sheet=first, revision="C", document=" Edition 5 "
    )
    assert (same.document, other.document) == (first.document, "Edition 5")


def test_a_sheet_on_which_nothing_applies_is_not_issued(people: People) -> None:
    model = factories.make_model()
    in_force = factories.make_issued_sheet(model)
    not_applicable = line(
        judged_by="not_applicable", limit_high=None, page="", not_applicable_reason="No plates."
    )
    for lines in ([], [not_applicable]):
        sheet = draft(people, model, lines, revision=f"N{len(lines)}")
        with pytest.raises(Fault) as refused:
            sheets.issue_sheet(actor=people.supervisor, sheet=sheet)
        assert refused.value.code == "no_line_applies"
    assert sheet_in_force(model) == in_force


def test_an_issued_sheet_takes_no_lines_and_is_not_issued_twice(people: People) -> None:
    sheet = factories.make_issued_sheet(factories.make_model())
    with pytest.raises(Conflict):
        sheets.replace_lines(actor=people.supervisor, sheet=sheet, lines=[line()])
    with pytest.raises(Conflict):
        sheets.issue_sheet(actor=people.supervisor, sheet=sheet)
    assert sheet.lines.count() == 7


@pytest.mark.parametrize(
    "statement",
    [
        'UPDATE fleet_sheetline SET limit_high = 9 WHERE sheet_id = {sheet} AND "order" = 1',
        "DELETE FROM fleet_sheetline WHERE sheet_id = {sheet}",
        'INSERT INTO fleet_sheetline (sheet_id, "order", characteristic, component, judged_by, '
        "required, instrument_kind, unit, limit_high, also_unit, positions, terms, page, method, "
        "not_applicable_reason) VALUES ({sheet}, 9, 'shaft_run_out', 'shafts', 'each', true, '', "
        "'mm', 0.05, '', '{{seal track}}', '{{}}', '18', '', '')",
        "UPDATE fleet_limitsheet SET document = 'other' WHERE id = {sheet}",
        "UPDATE fleet_limitsheet SET state = 'draft', issued_at = NULL, issued_by_id = NULL "
        "WHERE id = {sheet}",
        "DELETE FROM fleet_limitsheet WHERE id = {sheet}",
    ],
    ids=["change a line", "delete lines", "add a line", "change it", "reopen it", "delete it"],
)
def test_an_issued_sheet_is_fixed_for_raw_sql_too(people: People, statement: str) -> None:
    sheet = factories.make_issued_sheet(factories.make_model())
    before = list(SheetLine.objects.values_list().order_by("id"))
    with (
        pytest.raises(IntegrityError) as refused,
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement.format(sheet=sheet.pk))
    name = refused.value.__cause__.diag.constraint_name  # type: ignore[union-attr]
    assert name in ("fleet_limitsheet_issued_is_fixed", "fleet_sheetline_issued_is_fixed")
    assert list(SheetLine.objects.values_list().order_by("id")) == before
    sheet.refresh_from_db()
    assert (sheet.state, sheet.document) == ("issued", "Ostermoor G2 service sheet OG-114")


def test_a_line_of_a_draft_may_still_be_corrected_by_its_service(people: People) -> None:
    sheet = draft(people, factories.make_model(), [line()])
    better = replace(line(), limit_high=D("0.008"))
    sheets.replace_lines(actor=people.supervisor, sheet=sheet, lines=[better])
    assert sheet.lines.get().limit_high == D("0.008")


# --- Own checks, computed checks, spreads over other readings ---------------------------------


def test_own_and_computed_checks_and_borrowed_readings_are_kept(people: People) -> None:
    model = factories.make_model()
    sheet = draft(people, model, own_lines())
    stored = [sheets.draft_of(row) for row in sheet.lines.order_by("order")]
    assert stored == own_lines()
    assert str(stored[2].allowance) == "0.250"
    issued = sheets.issue_sheet(actor=people.supervisor, sheet=sheet)
    revised = sheets.revise_sheet(actor=people.supervisor, sheet=issued, revision="B")
    assert [sheets.draft_of(row) for row in revised.lines.order_by("order")] == own_lines()
    assert [row.label for row in revised.lines.order_by("order")][-2:] == [
        "Cover bow",
        "Dowel wear",
    ]


def test_an_own_check_may_stand_on_any_component_of_the_family_and_on_no_other(
    people: People,
) -> None:
    vane = factories.make_model(family="vane")
    own = line(characteristic="own", name="Dowel wear", component="cam_ring")
    assert draft(people, vane, [own]).lines.count() == 1
    with pytest.raises(Fault) as refused:
        draft(people, vane, [replace(own, component="crescent")], revision="B")
    assert (refused.value.field, refused.value.code) == ("lines.0.component", "not_of_family")


def test_faults_between_lines_name_their_line(people: People) -> None:
    lines = own_lines()
    with pytest.raises(Faults) as refused:
        draft(
            people,
            factories.make_model(),
            [
                lines[3],
                replace(lines[4], name="COVER bow"),
                replace(lines[1], positions=("drive 12", "idler 12")),
                replace(lines[2], allowance=D("100000")),
            ],
        )
    assert [(f.field, f.code) for f in refused.value.each()] == [
        ("lines.1.name", "taken"),
        ("lines.2.readings_from", "source_missing"),
        ("lines.3.allowance", "out_of_range"),
    ]


def test_a_source_that_lost_a_position_is_refused_at_the_line_that_borrows(
    people: People,
) -> None:
    lines = own_lines()
    sheet = draft(people, factories.make_model(), lines)
    shorter = [replace(lines[0], positions=("drive 12", "drive 6")), *lines[1:]]
    with pytest.raises(Fault) as refused:
        sheets.replace_lines(actor=people.supervisor, sheet=sheet, lines=shorter)
    assert (refused.value.field, refused.value.code) == ("lines.1.positions", "source_positions")
    assert "idler 12" in refused.value.detail
    assert sheets.draft_of(sheet.lines.get(order=1)) == lines[0]
