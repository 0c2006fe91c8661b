"""Reading and writing CSV and XLSX: nothing is lost, guessed or run as a formula."""

from __future__ import annotations

import io
import zipfile
from datetime import UTC, datetime
from typing import Any

import pytest
from openpyxl import Workbook, load_workbook

from fleet import tables
from fleet.faults import Fault
from fleet.tables import Row, RowFault, read_table, write_csv, write_xlsx


def workbook(*rows: list[Any]) -> bytes:
    book = Workbook()
    for row in rows:
        book.active.append(row)
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def test_rows_are_numbered_as_in_the_file_and_empty_ones_left_out() -> None:
    table = read_table("a.csv", b"Tag, Serial \nHP-1,A\n,\n\nHP-2,B\n")
    assert table.columns == ("tag", "serial")
    assert table.rows == (
        Row(2, {"tag": "HP-1", "serial": "A"}),
        Row(5, {"tag": "HP-2", "serial": "B"}),
    )


def test_semicolons_separate_where_the_comma_marks_decimals() -> None:
    table = read_table("a.csv", "\ufefftag;limit_high\nHP-1;0,15\n".encode())
    assert table.rows == (Row(2, {"tag": "HP-1", "limit_high": "0,15"}),)


def test_a_row_with_a_cell_too_many_is_named() -> None:
    table = read_table("a.csv", b"tag,limit_high\nHP-1,0,15\nHP-2,1\n")
    assert [(f.row, f.field) for f in table.faults] == [(2, "")]
    assert [row.number for row in table.rows] == [3]


def test_numbers_of_a_workbook_carry_no_drift() -> None:
    table = read_table(
        "a.xlsx", workbook(["a", "b", "c", "d", "e"], [0.15, 0.1 + 0.2, 1e-5, 1200.0, 46])
    )
    assert list(table.rows[0].cells.values()) == ["0.15", "0.3", "0.00001", "1200", "46"]


def test_dates_and_flags_of_a_workbook_become_text() -> None:
    moment = datetime(2026, 3, 14, 8, 30)  # noqa: DTZ001  # spreadsheets know no zone
    table = read_table("a.xlsx", workbook(["a", "b", "c"], [moment, moment.date(), True]))
    assert list(table.rows[0].cells.values()) == ["2026-03-14T08:30:00", "2026-03-14", "true"]


def test_a_formula_in_a_workbook_is_a_fault_of_its_cell() -> None:
    table = read_table("a.xlsx", workbook(["tag", "hours"], ["HP-1", "=1+1"], ["HP-2", "3"]))
    assert table.faults == (
        RowFault(2, "hours", "The cell holds a formula. Put its value there as text or number."),
    )
    assert [row.number for row in table.rows] == [3]


@pytest.mark.parametrize(
    ("name", "content", "code"),
    [
        ("a.csv", b"", "empty"),
        ("a.csv", b"  \n ", "empty"),
        ("a.pdf", b"%PDF-1.7", "wrong_type"),
        ("a.xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "wrong_type"),
        ("a.csv", b"tag\x00,x", "wrong_type"),
        ("a.csv", "tag\nWei\u00dfhaupt".encode("latin-1"), "wrong_encoding"),
        ("a.csv", b'tag\n"open', "unreadable"),
        ("a.csv", b"tag,tag\n1,2", "column_twice"),
        ("a.csv", b",,\n1,2", "no_columns"),
        ("a.xlsx", b"PK\x03\x04 and no more", "unreadable"),
        ("a.csv", b"x" * (5 * 1024 * 1024 + 1), "too_large"),
        ("a.csv", b"tag\n" + b"HP-1\n" * 20_001, "too_large"),
        ("a.csv", b",".join(b"c%d" % n for n in range(61)) + b"\n1", "too_large"),
    ],
)
def test_a_file_that_cannot_be_taken_says_what_to_send(
    name: str, content: bytes, code: str
) -> None:
    with pytest.raises(Fault) as refused:
        read_table(name, content)
    assert (refused.value.field, refused.value.code) == ("file", code)


def test_an_archive_that_is_no_workbook_is_refused() -> None:
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w") as archive:
        archive.writestr("readme.txt", "nothing")
    with pytest.raises(Fault) as refused:
        read_table("a.xlsx", content.getvalue())
    assert refused.value.code == "unreadable"


def test_a_workbook_with_damaged_parts_is_refused() -> None:
    damaged = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook(["tag"], ["HP-1"]))) as whole,
        zipfile.ZipFile(damaged, "w") as archive,
    ):
        for item in whole.namelist():
            part = whole.read(item)
            archive.writestr(item, part[: len(part) // 2] if "sheet1" in item else part)
    with pytest.raises(Fault) as refused:
        read_table("a.xlsx", damaged.getvalue())
    assert refused.value.code == "unreadable"


def test_a_small_archive_that_unpacks_to_much_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "LARGEST_UNPACKED_BYTES", 1_000_000)
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b" " * 1_000_001)
    assert len(content.getvalue()) < 5_000
    with pytest.raises(Fault) as refused:
        read_table("a.xlsx", content.getvalue())
    assert refused.value.code == "too_large"


TYPED = ["=1+1", "+49", "-0.05", "@name", "'quoted'", "'=x", "''=x", "plain", "a,b;c", "1\n2", ""]


@pytest.mark.parametrize("file", ["csv", "xlsx"])
def test_whatever_was_typed_reads_back_as_it_was(file: str) -> None:
    columns = [f"c{n}" for n in range(len(TYPED))]
    if file == "csv":
        content = write_csv(columns, [TYPED])
    else:
        content = write_xlsx("sheet", columns, [TYPED])
    assert list(read_table(f"a.{file}", content).rows[0].cells.values()) == TYPED


def test_nothing_in_a_file_can_run_as_a_formula() -> None:
    text = write_csv(["a"], [[cell] for cell in TYPED]).decode("utf-8-sig")
    assert text.splitlines()[1:5] == ["'=1+1", "'+49", "'-0.05", "'@name"]
    book = load_workbook(io.BytesIO(write_xlsx("sheet", ["a"], [[cell] for cell in TYPED])))
    cells = [row[0] for row in book.active.iter_rows(min_row=2, max_row=6)]
    assert [(c.value, c.data_type) for c in cells] == [
        (text, "s") for text in ("=1+1", "+49", "-0.05", "@name", "''quoted'")
    ]


def test_times_in_files_are_written_with_their_zone() -> None:
    from fleet.exports import _text

    assert _text(datetime(2026, 3, 14, 8, 30, tzinfo=UTC)) == "2026-03-14T08:30:00Z"
