"""Files tried and taken over, and files of the fleet that read back as they are."""

from __future__ import annotations

import io
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from openpyxl import Workbook

from fleet import exports
from fleet.faults import Conflict, Fault, Faults, NotAllowed
from fleet.models import (
    HoursReading,
    ImportDraft,
    LimitSheet,
    Pump,
    PumpModel,
    SheetLine,
    StatusChange,
)
from fleet.services import imports, pumps
from fleet.services.imports import Preview, apply_import, preview_import, try_import
from tests import factories
from tests.fleet.conftest import People
from tests.fleet.lines import own_lines

D = Decimal

PUMP_HEADER = (
    "tag,maker,designation,serial,machine,position,status,meter_h,read_at,next_inspection_on"
)


def pump_file(*rows: str, header: str = PUMP_HEADER) -> bytes:
    return "\n".join([header, *rows]).encode()


def attempt(people: People, kind: str, content: bytes, **more: Any) -> tuple[ImportDraft, Preview]:
    return try_import(
        actor=people.manager,
        site=people.north,
        kind=kind,
        file_name="pumps.csv",
        content=content,
        **more,
    )


def places(preview: Preview) -> list[tuple[int, str]]:
    return [(fault.row, fault.field) for fault in preview.faults]


@pytest.fixture
def model(people: People) -> PumpModel:
    return factories.make_model(maker="Ostermoor", designation="G2-32")


def test_a_good_file_is_tried_without_a_trace_and_then_taken_over_once(
    people: People, model: PumpModel
) -> None:
    draft, preview = attempt(
        people,
        "pumps",
        pump_file(
            'HP-1,Ostermoor,G2-32,OS-1,Loader 7,left,In service,"1200,5",'
            "2026-03-14T08:30Z,2026-09-01",
            "HP-2,Ostermoor,G2-32,OS-2,Loader 8,,spare,,,",
        ),
    )
    assert preview == Preview(2, ())
    assert not Pump.objects.exists()
    assert apply_import(actor=people.manager, draft=draft) == 2
    one, two = Pump.objects.order_by("tag")
    assert (one.tag, one.status, one.meter_h, one.running_h, one.position) == (
        "HP-1",
        "in_service",
        D("1200.5"),
        D("1200.5"),
        "left",
    )
    assert one.hours_read_at.isoformat() == "2026-03-14T08:30:00+00:00"
    assert (two.status, two.meter_h, two.next_inspection_on) == ("spare", D(0), None)
    assert (HoursReading.objects.count(), StatusChange.objects.count()) == (2, 2)
    with pytest.raises(Conflict) as refused:
        apply_import(actor=people.manager, draft=draft)
    assert refused.value.code == "applied_already"
    assert Pump.objects.count() == 2


def test_every_bad_row_of_a_file_is_named_with_field_and_reason(
    people: People, model: PumpModel
) -> None:
    factories.make_pump(people.north, model, tag="HP-9", serial="OS-9")
    factories.make_pump(people.harbour, model, tag="HP-8", serial="OS-8")
    draft, preview = attempt(
        people,
        "pumps",
        pump_file(
            "HP-1,Ostermoor,G2-32,OS-1,Loader 7,,,,,",  # row 2: good
            "HP 2,Ostermoor,G2-32,OS-2,Loader 7,,,,,",  # row 3: tag with a space
            "HP-3,Ostermoor,G9-99,OS-3,Loader 7,,,,,",  # row 4: no such model
            ",Ostermoor,G2-32,,,,,,,",  # row 5: three cells empty
            "",
            "HP-6,Ostermoor,G2-32,OS-6,Loader 7,,running,12h,soon,14/3/26",  # row 7: four of them
            "hp-1,Ostermoor,G2-32,os-1,Loader 7,,,,,",  # row 8: twice in the file
            "hp-9,Ostermoor,G2-32,os-9,Loader 7,,,,,",  # row 9: on the register here
            "HP-8,Ostermoor,G2-32,OS-8,Loader 7,,,,,",  # row 10: serial at another site
            "HP-11,Ostermoor,G2-32,OS-11,Loader 7,,on_bench,,2099-01-01,",  # row 11
            "HP-12,Ostermoor,G2-32,OS-12,Loader 7,,,1200.55,,,one,more",  # row 12: cells too many
        ),
    )
    assert places(preview) == [
        (3, "tag"),
        (4, "designation"),
        (5, "machine"),
        (5, "serial"),
        (5, "tag"),
        (7, "meter_h"),
        (7, "next_inspection_on"),
        (7, "read_at"),
        (7, "status"),
        (8, "serial"),
        (8, "tag"),
        (9, "serial"),
        (9, "tag"),
        (10, "serial"),
        (11, "read_at"),
        (11, "status"),
        (12, ""),
    ]
    assert preview.rows_ok == 1
    by_place = {(f.row, f.field): f.detail for f in preview.faults}
    assert by_place[8, "tag"] == "Tag hp-1 stands on row 2 already."
    assert by_place[9, "tag"] == "Quarry North has a pump with the tag hp-9 already."
    assert "12h" in by_place[7, "meter_h"]
    with pytest.raises(Faults) as refused:
        apply_import(actor=people.manager, draft=draft)
    assert [f.field for f in refused.value.each()][:2] == ["rows.3.tag", "rows.4.designation"]
    assert len(refused.value.each()) == 17
    draft.refresh_from_db()
    assert draft.applied_at is None
    assert Pump.objects.count() == 2


def test_missing_and_unknown_columns_are_named(people: People, model: PumpModel) -> None:
    _draft, preview = attempt(
        people, "pumps", pump_file("HP-1,Ostermoor,x", header="Tag,maker,colour")
    )
    assert places(preview) == [
        (1, "designation"),
        (1, "serial"),
        (1, "machine"),
        (1, "colour"),
    ]
    assert preview.rows_ok == 0


def test_a_file_with_columns_and_no_rows_is_not_taken_over(people: People) -> None:
    draft, preview = attempt(people, "pumps", pump_file())
    assert places(preview) == [(1, "")]
    with pytest.raises(Faults):
        apply_import(actor=people.manager, draft=draft)


def test_a_row_of_another_site_is_refused(people: People, model: PumpModel) -> None:
    _draft, preview = attempt(
        people,
        "pumps",
        b"site,tag,maker,designation,serial,machine\n"
        b"harbour-yard,HP-1,Ostermoor,G2-32,OS-1,Loader\n"
        b"quarry-north,HP-2,Ostermoor,G2-32,OS-2,Loader\n",
    )
    assert places(preview) == [(2, "site")]


def test_what_changed_since_the_trial_is_found_and_nothing_is_half_done(
    people: People, model: PumpModel
) -> None:
    draft, preview = attempt(
        people,
        "pumps",
        pump_file(
            "HP-1,Ostermoor,G2-32,OS-1,Loader 7,,,,,", "HP-2,Ostermoor,G2-32,OS-2,Loader 7,,,,,"
        ),
    )
    assert preview.faults == ()
    factories.make_pump(people.north, model, tag="HP-2", serial="OS-77")
    with pytest.raises(Faults) as refused:
        apply_import(actor=people.manager, draft=draft)
    assert [f.field for f in refused.value.each()] == ["rows.3.tag"]
    assert list(Pump.objects.values_list("serial", flat=True)) == ["OS-77"]
    assert places(preview_import(actor=people.manager, draft=draft)) == [(3, "tag")]


def test_an_unreadable_file_or_kind_leaves_no_draft(people: People) -> None:
    for kind, content in (("pumps", b"\x00\x01"), ("cranes", b"tag\nHP-1")):
        with pytest.raises(Fault):
            attempt(people, kind, content)
    assert not ImportDraft.objects.exists()


@pytest.mark.parametrize("kind", ["pumps", "models", "sheets"])
def test_a_technician_and_an_outsider_import_nothing(people: People, kind: str) -> None:
    for actor in (people.technician, people.outsider):
        with pytest.raises(NotAllowed):
            try_import(
                actor=actor, site=people.north, kind=kind, file_name="a.csv", content=b"tag\nx"
            )
    assert not ImportDraft.objects.exists()


def test_excel_numbers_and_dates_are_taken_as_they_stand(people: People, model: PumpModel) -> None:
    from datetime import datetime

    book = Workbook()
    book.active.append(PUMP_HEADER.split(","))
    read_at = datetime(2026, 3, 14, 8, 30)  # noqa: DTZ001  # spreadsheets know no zone
    book.active.append(
        ["HP-1", "Ostermoor", "G2-32", 4711, "Loader", None, None, 1200.1, read_at, read_at.date()]
    )
    content = io.BytesIO()
    book.save(content)
    draft, preview = attempt(people, "pumps", content.getvalue())
    assert preview == Preview(1, ())
    apply_import(actor=people.manager, draft=draft)
    pump = Pump.objects.get()
    assert (pump.serial, pump.meter_h) == ("4711", D("1200.1"))
    assert pump.hours_read_at.isoformat() == "2026-03-14T08:30:00+00:00"
    assert pump.next_inspection_on is not None
    assert pump.next_inspection_on.isoformat() == "2026-03-14"


def test_models_are_checked_like_those_typed_in(people: People, model: PumpModel) -> None:
    header = (
        "maker,designation,family,displacement_cm3,rated_pressure_bar,speed_min_rpm,"
        "speed_max_rpm,rotation,oil_grade_vg,mass_kg,body_replaceable"
    )
    draft, preview = attempt(
        people,
        "models",
        "\n".join(
            [
                header,
                'Kestrelhyd,K1,External gear,"16,5",210,500,3000,clockwise,46,,yes',
                "Ostermoor,G2-32,external_gear,16,210,500,3000,clockwise,46,,",
                "Kestrelhyd,K2,turbine,0,210,3000,500,clockwise,45,heavy,maybe",
                "Kestrelhyd,K3,vane,16,210,5.5,,clockwise,46,,",
                "Kestrelhyd,K1,vane,16,210,500,3000,either,46,8,no",
            ]
        ).encode(),
    )
    assert places(preview) == [
        (3, "designation"),
        (4, "body_replaceable"),
        (4, "displacement_cm3"),
        (4, "family"),
        (4, "mass_kg"),
        (4, "oil_grade_vg"),
        (4, "speed_min_rpm"),
        (5, "speed_max_rpm"),
        (5, "speed_min_rpm"),
        (6, "designation"),
    ]
    assert preview.rows_ok == 1
    assert PumpModel.objects.count() == 1
    draft, _preview = attempt(
        people,
        "models",
        f'{header}\nKestrelhyd,K1,External gear,"16,5",210,500,3000,clockwise,46,,yes'.encode(),
    )
    assert apply_import(actor=people.manager, draft=draft) == 1
    added = PumpModel.objects.get(designation="K1")
    assert (added.family, added.displacement_cm3, added.body_replaceable, added.mass_kg) == (
        "external_gear",
        D("16.5"),
        True,
        None,
    )


SHEET_HEADER = (
    "maker;designation;revision;document;characteristic;component;judged_by;unit;limit_low;"
    "limit_high;also_unit;also_limit_high;positions;page"
)


def test_sheets_are_checked_line_by_line_misprints_included(
    people: People, model: PumpModel
) -> None:
    factories.make_issued_sheet(model, revision="A")
    side = "side_clearance;wear_plate_front;each;in;;0.007"
    draft, preview = attempt(
        people,
        "sheets",
        "\n".join(
            [
                SHEET_HEADER,
                f"Ostermoor;G2-32;B;OG 1;{side};mm;0,178;drive 12 o'clock;4-70",
                # TM 5-3810-307-24-1-2 prints 0.007 in as (0.018 mm).
                "Ostermoor;G2-32;B;OG 1;backlash;gears;each;in;;0.007;mm;0.018;mesh 0°;4-70",
                "Ostermoor;G2-32;B;OG 2;tip_clearance;gears;each;mm;;x;;;drive inlet;4-70",
                f"Ostermoor;G2-32;B;OG 1;{side};;;drive 12 o'clock;4-70",
                f"Ostermoor;G2-32;A;OG 1;{side};;;drive 12 o'clock;4-70",
                f"Ostermoor;G7;A;OG 1;{side};;;drive 12 o'clock;4-70",
                f"Ostermoor;G2-32;C;OG 3;{side};;;drive 3 o'clock;4-70",
            ]
        ).encode(),
    )
    assert places(preview) == [
        (3, "also_limit_high"),
        (4, "document"),
        (4, "limit_high"),
        (5, "characteristic"),
        (6, "revision"),
        (7, "designation"),
    ]
    detail = preview.faults[0].detail
    assert "0.007 in" in detail
    assert "0.018 mm" in detail
    assert preview.rows_ok == 2
    assert LimitSheet.objects.count() == 1
    with pytest.raises(Faults):
        apply_import(actor=people.manager, draft=draft)
    assert LimitSheet.objects.count() == 1


# --- Round trips ------------------------------------------------------------------------------


def _undone(work: Callable[[], bytes]) -> bytes:
    """What `work` returns, with everything it wrote taken back."""
    with transaction.atomic():
        content = work()
        transaction.set_rollback(True)
    return content


@pytest.mark.parametrize("file", ["csv", "xlsx"])
def test_exported_pumps_import_again_unchanged(people: People, model: PumpModel, file: str) -> None:
    def export() -> bytes:
        found = Pump.objects.all()
        return exports.export_pumps(actor=people.manager, pumps=found, file=file).content

    def build_and_export() -> bytes:
        pump = factories.make_pump(
            people.north, model, tag="HP-1", machine="=Loader", position="@1"
        )
        pumps.record_hours(actor=people.manager, pump=pump, meter_h=D("3.5"), meter_changed=True)
        factories.make_pump(people.north, model, tag="HP-2", machine='\'quoted, "x"; y')
        pumps.set_status(
            actor=people.manager, pump=Pump.objects.get(tag="HP-2"), status="spare", why="Sold"
        )
        return export()

    content = _undone(build_and_export)
    assert not Pump.objects.exists()
    draft, preview = attempt(people, "pumps", content)
    assert preview == Preview(2, ())
    apply_import(actor=people.manager, draft=draft)
    one, two = Pump.objects.order_by("tag")
    assert (one.machine, one.position, one.meter_h, one.running_h) == (
        "=Loader",
        "@1",
        D("3.5"),
        D("1200.0"),
    )
    assert (two.machine, two.status) == ('\'quoted, "x"; y', "spare")
    if file == "csv":  # a workbook holds the time of its making
        assert export() == content


@pytest.mark.parametrize("file", ["csv", "xlsx"])
def test_exported_models_import_again_unchanged(people: People, file: str) -> None:
    def build_and_export() -> bytes:
        factories.make_model(maker="Kestrelhyd", designation="-K1", mass_kg=None)
        factories.make_model(maker="Kestrelhyd", designation="K2", body_replaceable=True)
        found = PumpModel.objects.filter(maker="Kestrelhyd")
        rows.extend(found.values_list(*exports.MODEL_COLUMNS))
        return exports.export_models(actor=people.manager, models=found, file=file).content

    rows: list[Any] = []
    content = _undone(build_and_export)
    draft, preview = attempt(people, "models", content)
    assert preview == Preview(2, ())
    apply_import(actor=people.manager, draft=draft)
    found = PumpModel.objects.filter(maker="Kestrelhyd")
    assert list(found.values_list(*exports.MODEL_COLUMNS)) == rows


@pytest.mark.parametrize("file", ["csv", "xlsx"])
def test_own_and_computed_checks_import_again(people: People, model: PumpModel, file: str) -> None:
    from fleet.services.sheets import draft_of, draft_sheet

    def build_and_export() -> bytes:
        draft_sheet(
            actor=people.manager, model=model, revision="A", document="OG", lines=own_lines()
        )
        found = LimitSheet.objects.all()
        return exports.export_sheets(actor=people.manager, sheets=found, file=file).content

    draft, preview = attempt(people, "sheets", _undone(build_and_export))
    assert preview == Preview(5, ())
    apply_import(actor=people.manager, draft=draft)
    lines = [draft_of(line) for line in LimitSheet.objects.get().lines.all()]
    assert lines == own_lines()
    assert str(lines[2].allowance) == "0.250"


def test_faults_between_lines_stand_at_their_row_and_cell(people: People, model: PumpModel) -> None:
    head = (
        "maker,designation,revision,document,characteristic,name,component,judged_by,unit,"
        "limit_low,limit_high,positions,readings_from,allowance,page"
    )
    of = f"{model.maker},{model.designation},A,OG"
    rows = [
        f"{of},own,Cover bow,housing_bore,each,mm,,0.15,front; rear,,,14",
        f"{of},own,cover BOW,housing_bore,each,mm,,0.15,front; rear,,,14",
        f"{of},Side out of parallel,,wear plate front,spread,mm,,0.03,a; b,Side clearance,,14",
        f"{of},backlash,,gears,each,mm,,0.46,mesh 0,,0.1,14",
    ]
    _draft, preview = attempt(people, "sheets", "\n".join([head, *rows]).encode())
    assert [(fault.row, fault.field) for fault in preview.faults] == [
        (3, "name"),
        (4, "readings_from"),
        (5, "allowance"),
    ]


@pytest.mark.parametrize("file", ["csv", "xlsx"])
def test_exported_sheets_import_again_with_every_printed_digit(
    people: People, model: PumpModel, file: str
) -> None:
    from fleet.services.sheets import draft_of

    def build_and_export() -> bytes:
        factories.make_issued_sheet(model, revision="A")
        found = LimitSheet.objects.all()
        return exports.export_sheets(actor=people.manager, sheets=found, file=file).content

    content = _undone(build_and_export)
    draft, preview = attempt(people, "sheets", content)
    assert preview == Preview(7, ())
    apply_import(actor=people.manager, draft=draft)
    sheet = LimitSheet.objects.get()
    assert (sheet.revision, sheet.state) == ("A", "draft")
    lines = [draft_of(line) for line in sheet.lines.all()]
    assert lines == factories.gear_lines()
    assert [str(line.limit_high) for line in lines[:6]] == [
        "0.15",
        "0.46",
        "0.18",
        "0.177",
        "0.005",
        "0.10",
    ]
    assert SheetLine.objects.count() == 7


def test_an_export_holds_the_sites_where_one_may_export(people: People, model: PumpModel) -> None:
    factories.make_pump(people.north, model, tag="HP-1")
    factories.make_pump(people.harbour, model, tag="HP-2")
    file = exports.export_pumps(actor=people.auditor, pumps=Pump.objects.all(), file="csv")
    assert b"HP-1" in file.content
    assert b"HP-2" not in file.content
    with pytest.raises(NotAllowed):
        exports.export_pumps(actor=people.technician, pumps=Pump.objects.all(), file="csv")
    with pytest.raises(Fault):
        exports.export_pumps(actor=people.auditor, pumps=Pump.objects.all(), file="pdf")


def test_a_file_of_many_rows_takes_a_fixed_number_of_queries(
    people: People, model: PumpModel
) -> None:
    def queries(rows: int, name: str) -> int:
        content = pump_file(
            *(f"{name}-{n},Ostermoor,G2-32,{name}-{n},Loader,,,,," for n in range(rows))
        )
        draft, preview = attempt(people, "pumps", content)
        assert preview == Preview(rows, ())
        with CaptureQueriesContext(
            connection,
        ) as captured:
            imports.apply_import(actor=people.manager, draft=draft)
        return len(captured)

    assert queries(2, "A") == queries(400, "B")
