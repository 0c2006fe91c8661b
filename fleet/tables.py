"""Tables of text in CSV and XLSX files: read from what people send, written for what they take.

Every cell is text on both sides. A length keeps its printed digits that way (0.150 is not 0.15),
and nothing that was typed can turn into a formula in the reader's spreadsheet.
"""

from __future__ import annotations

import csv
import io
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any
from xml.etree.ElementTree import ParseError

from openpyxl import Workbook, load_workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.utils.exceptions import InvalidFileException

from fleet.faults import Fault

LARGEST_FILE_BYTES = 5 * 1024 * 1024
MOST_ROWS = 20_000
MOST_COLUMNS = 60
# A small archive can unpack to gigabytes.
LARGEST_UNPACKED_BYTES = 60 * 1024 * 1024

# What each kind of file holds, in the order in which it is written. Read back in any order.
PUMP_COLUMNS = (
    "site",
    "tag",
    "maker",
    "designation",
    "serial",
    "machine",
    "position",
    "status",
    "meter_h",
    "running_h",
    "read_at",
    "next_inspection_on",
)
MODEL_COLUMNS = (
    "maker",
    "designation",
    "family",
    "displacement_cm3",
    "rated_pressure_bar",
    "speed_min_rpm",
    "speed_max_rpm",
    "rotation",
    "oil_grade_vg",
    "mass_kg",
    "body_replaceable",
)
SHEET_COLUMNS = (
    "maker",
    "designation",
    "revision",
    "document",
    "characteristic",
    "name",
    "component",
    "judged_by",
    "required",
    "instrument_kind",
    "unit",
    "limit_low",
    "limit_high",
    "new_low",
    "new_high",
    "also_unit",
    "also_limit_low",
    "also_limit_high",
    "also_new_low",
    "also_new_high",
    "positions",
    "terms",
    "allowance",
    "readings_from",
    "page",
    "method",
    "not_applicable_reason",
)
# Between the entries of a list in one cell.
LIST_MARK = ";"

CSV_TYPE = "text/csv; charset=utf-8"
XLSX_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
_WHAT_TO_SEND = (
    "Send a .csv file (UTF-8, first line: the column names) or an .xlsx workbook whose first sheet "
    "has the column names in its first row."
)
# What a spreadsheet takes for the start of a formula, and the mark that says it is text.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
_TEXT_MARK = "'"
_UNREADABLE = {
    "f": "The cell holds a formula. Put its value there as text or number.",
    "e": "The cell holds an error of the spreadsheet. Put a value there.",
}
# All that the reader is known to raise for an archive that is no workbook, or a damaged one.
_NOT_A_WORKBOOK = (
    zipfile.BadZipFile,
    zlib.error,
    InvalidFileException,
    ParseError,
    AttributeError,
    IndexError,
    KeyError,
    OSError,
    TypeError,
    ValueError,
)


@dataclass(frozen=True)
class RowFault:
    """What is wrong with one cell of a file; `field` is its column, or "" for the whole row."""

    row: int
    field: str
    detail: str


@dataclass(frozen=True)
class Line:
    """A row before its columns are known. bad: index of a cell that cannot be read -> why."""

    number: int
    cells: list[str]
    bad: dict[int, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Row:
    """One row: its number in the file (the column names are row 1) and its cells by column."""

    number: int
    cells: dict[str, str]


@dataclass(frozen=True)
class Table:
    """What a file holds. Rows that cannot be read stand under `faults` and not under `rows`."""

    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    faults: tuple[RowFault, ...]


def read_table(file_name: str, content: bytes) -> Table:
    """The table in a CSV or XLSX file; rows without any text are left out but counted.

    Raises Fault for a file that is too large, of another type or unreadable.
    """
    if len(content) > LARGEST_FILE_BYTES:
        raise Fault(
            f"The file has {len(content) / 1024 / 1024:.1f} MB; at most 5 MB are taken. Split it "
            "into several files.",
            field="file",
            code="too_large",
        )
    if not content.strip():
        raise Fault(f"The file is empty. {_WHAT_TO_SEND}", field="file", code="empty")
    name = file_name.lower()
    if content.startswith(b"PK\x03\x04"):
        lines = _xlsx_lines(content)
    elif name.endswith((".csv", ".txt")) and b"\x00" not in content:
        lines = _csv_lines(content)
    else:
        raise Fault(
            f"'{file_name[:80]}' is neither a CSV file nor an .xlsx workbook. {_WHAT_TO_SEND}",
            field="file",
            code="wrong_type",
        )
    return _table(lines)


def _table(lines: Iterator[Line]) -> Table:
    header = list(next(lines, Line(1, [])).cells)
    while header and not header[-1].strip():
        header.pop()
    columns = tuple(name.strip().lower().replace(" ", "_") for name in header)
    _check_columns(columns)
    width = len(columns)
    rows: list[Row] = []
    faults: list[RowFault] = []
    for line in lines:
        cells = [_unmarked(cell.strip()) for cell in line.cells]
        if not any(cells) and not line.bad:
            continue
        if len(rows) == MOST_ROWS:
            raise Fault(
                f"The file has more than {MOST_ROWS} rows. Split it into several files.",
                field="file",
                code="too_large",
            )
        found = [
            RowFault(line.number, columns[index] if index < width else "", why)
            for index, why in line.bad.items()
        ]
        if any(cells[width:]):
            found.append(
                RowFault(
                    line.number,
                    "",
                    "The row has more cells than there are column names. Check its separators, "
                    "and put a cell with a comma in quotation marks.",
                )
            )
        if found:
            faults += found
            continue
        cells += [""] * (width - len(cells))
        rows.append(Row(line.number, dict(zip(columns, cells, strict=False))))
    return Table(columns, tuple(rows), tuple(faults))


def _check_columns(columns: Sequence[str]) -> None:
    if not columns:
        raise Fault(
            f"The first row has no column names. {_WHAT_TO_SEND}", field="file", code="no_columns"
        )
    if len(columns) > MOST_COLUMNS:
        raise Fault(
            f"The file has {len(columns)} columns. {_WHAT_TO_SEND}", field="file", code="too_large"
        )
    twice = sorted({name for name in columns if columns.count(name) > 1})
    if twice:
        raise Fault(
            f"These columns are there twice: {', '.join(n or '(no name)' for n in twice)}. "
            "Keep one of each.",
            field="file",
            code="column_twice",
        )


def _csv_lines(content: bytes) -> Iterator[Line]:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        raise Fault(
            "The file is not in UTF-8. Save it again as 'CSV UTF-8', or as an .xlsx workbook.",
            field="file",
            code="wrong_encoding",
        ) from exc
    first = text.lstrip("\r\n").split("\n", 1)[0]
    # Where the comma marks decimals, spreadsheets separate by semicolons.
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    number = 0
    try:
        for number, cells in enumerate(reader, start=1):
            yield Line(number, cells)
    except csv.Error as exc:
        raise Fault(
            f"Row {number + 1} cannot be read ({exc}). Check its quotation marks.",
            field="file",
            code="unreadable",
        ) from exc


def _xlsx_lines(content: bytes) -> Iterator[Line]:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            unpacked_bytes = sum(item.file_size for item in archive.infolist())
        if unpacked_bytes > LARGEST_UNPACKED_BYTES:
            raise Fault(
                "The workbook is too large once unpacked. Copy the table alone into a new one.",
                field="file",
                code="too_large",
            )
        book = load_workbook(io.BytesIO(content), read_only=True, data_only=False)
        try:
            yield from _sheet_lines(book.worksheets[0])
        finally:
            book.close()
    except _NOT_A_WORKBOOK as exc:
        raise Fault(
            f"The workbook cannot be read. Save it again as .xlsx. {_WHAT_TO_SEND}",
            field="file",
            code="unreadable",
        ) from exc


def _sheet_lines(sheet: Any) -> Iterator[Line]:
    # Some programs write the size of the sheet wrongly; without it the rows themselves count.
    sheet.reset_dimensions()
    for number, cells in enumerate(sheet.iter_rows(max_col=MOST_COLUMNS + 1), start=1):
        bad = {
            index: _UNREADABLE[cell.data_type]
            for index, cell in enumerate(cells)
            if cell.data_type in _UNREADABLE
        }
        yield Line(number, [_cell_text(cell.value) for cell in cells], bad)


def _cell_text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        # Spreadsheets calculate with 15 figures; what comes after them is drift, not data.
        return f"{Decimal(f'{value:.15g}'):f}"
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat()
    if isinstance(value, (date, time)):
        return value.isoformat()
    return str(value)


def write_csv(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> bytes:
    """UTF-8 with a byte order mark, by which spreadsheets know it."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(columns)
    writer.writerows([_marked(cell, _FORMULA_STARTS) for cell in row] for row in rows)
    return text.getvalue().encode("utf-8-sig")


def write_xlsx(title: str, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> bytes:
    """A workbook of one sheet, all of its cells text."""
    book = Workbook(write_only=True)
    sheet = book.create_sheet(title)
    sheet.freeze_panes = "A2"
    for row in (columns, *rows):
        cells = []
        for text in row:
            # A text cell needs no mark; only a mark that was typed must survive the reading.
            cell = WriteOnlyCell(sheet, value=_marked(ILLEGAL_CHARACTERS_RE.sub("", text), ()))
            cell.data_type = "s"
            cell.number_format = "@"
            cells.append(cell)
        sheet.append(cells)
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def _marked(text: str, starts: tuple[str, ...]) -> str:
    return _TEXT_MARK + text if text.startswith((*starts, _TEXT_MARK)) else text


def _unmarked(text: str) -> str:
    if text.startswith(_TEXT_MARK) and text[1:].startswith((*_FORMULA_STARTS, _TEXT_MARK)):
        return text[1:]
    return text
