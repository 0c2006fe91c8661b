"""The kinds of file that can be taken over: pumps of a site, pump models, limit sheets.

Each `take` checks every row by the services' own rules and inserts those without a fault, in the
caller's transaction. Rows are compared with what is on file before they are inserted, only so that
the fault can name its row; what decides is the constraint at the insert.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

from django.db.models.functions import Lower

from fleet.faults import Fault
from fleet.lifecycle import PumpStatus
from fleet.models import LimitSheet, Pump, PumpModel, Site, User
from fleet.roles import Capability
from fleet.services.pumps import NewPump, check_model, check_new_pump, register
from fleet.services.sheets import LineDraft, check_heading, check_lines, write_drafts
from fleet.tables import (
    LIST_MARK,
    MODEL_COLUMNS,
    PUMP_COLUMNS,
    SHEET_COLUMNS,
    Row,
    RowFault,
)
from fleet.units import parse_length
from fleet.vocabulary import PumpFamily

_NUMBER = re.compile(r"[0-9]{1,9}(?:[.,][0-9]{1,6})?", re.ASCII)
_YES = frozenset({"yes", "true", "1"})
_NO = frozenset({"no", "false", "0"})


@dataclass(frozen=True)
class Outcome:
    rows_ok: int
    faults: tuple[RowFault, ...]


@dataclass(frozen=True)
class Kind:
    label: str
    capability: Capability
    columns: tuple[str, ...]
    required: tuple[str, ...]
    take: Callable[[User, Site, Sequence[Row], datetime], Outcome]


class Cells:
    """The cells of one row as values; what cannot be read is noted and comes out as None."""

    def __init__(self, row: Row) -> None:
        self.row_number = row.number
        self._cells = row.cells
        self.faults: list[RowFault] = []

    def refuse(self, field: str, detail: str) -> None:
        self.faults.append(RowFault(self.row_number, field, detail))

    def refuse_all(self, faults: Iterable[Fault]) -> None:
        """Adds the faults of a rule; not those of a cell that could not be read anyway."""
        unread = {fault.field for fault in self.faults}
        for fault in faults:
            if fault.field not in unread:
                self.refuse(fault.field, fault.detail)

    def text(self, name: str) -> str:
        return self._cells.get(name, "")

    def word(self, name: str) -> str:
        """An entry of a closed list, however it was capitalised or spaced."""
        word = re.sub(r"[\s-]+", "_", self.text(name).lower())
        return "um" if word in ("µm", "μm") else word

    def number(self, name: str) -> Decimal | None:
        text = self.text(name)
        if text and not _NUMBER.fullmatch(text):
            self.refuse(
                name,
                f"'{text[:40]}' is no number. Enter plain figures with at most one decimal mark, "
                "such as 16 or 16.5 or 16,5.",
            )
            return None
        return Decimal(text.replace(",", ".")) if text else None

    def whole(self, name: str) -> int | None:
        number = self.number(name)
        if number is not None and number != int(number):
            self.refuse(name, f"{number:f} is no whole number. Enter it without decimals.")
            return None
        return None if number is None else int(number)

    def length(self, name: str) -> Decimal | None:
        text = self.text(name)
        if not text:
            return None
        try:
            return parse_length(text, signed=True)
        except Fault as fault:
            self.refuse(name, fault.detail)
            return None

    def flag(self, name: str, *, default: bool) -> bool:
        word = self.text(name).lower()
        if word and word not in _YES | _NO:
            self.refuse(name, f"'{word[:40]}' is neither yes nor no. Enter one of the two.")
        return word in _YES if word else default

    def entries(self, name: str) -> tuple[str, ...]:
        text = self.text(name)
        return tuple(entry.strip() for entry in text.split(LIST_MARK)) if text else ()

    def day(self, name: str) -> date | None:
        try:
            return date.fromisoformat(self.text(name)) if self.text(name) else None
        except ValueError:
            self.refuse(name, f"'{self.text(name)[:40]}' is no date. Enter it as 2026-03-14.")
            return None

    def moment(self, name: str) -> datetime | None:
        """A time; without its zone it counts as UTC, without hours as the start of the day."""
        text = self.text(name)
        try:
            at = datetime.fromisoformat(text) if text else None
        except ValueError:
            self.refuse(
                name,
                f"'{text[:40]}' is no time. Enter it as 2026-03-14 or 2026-03-14T08:30Z.",
            )
            return None
        return at.replace(tzinfo=UTC) if at is not None and at.tzinfo is None else at


# --- Pump models ------------------------------------------------------------------------------


def take_models(actor: User, site: Site, rows: Sequence[Row], now: datetime) -> Outcome:
    on_file = set(PumpModel.objects.values_list("maker", "designation"))
    rows_of: dict[tuple[str, str], int] = {}
    models, faults = [], []
    for row in rows:
        cells = Cells(row)
        model = _model(cells)
        cells.refuse_all(check_model(model))
        key = (model.maker, model.designation)
        if key in on_file:
            cells.refuse("designation", f"{model} is on file already. Take the row out.")
        elif rows_of.setdefault(key, row.number) != row.number:
            cells.refuse("designation", f"{model} stands on row {rows_of[key]} already.")
        faults += cells.faults
        if not cells.faults:
            models.append(model)
    PumpModel.objects.bulk_create(models, batch_size=1000)
    return Outcome(len(models), tuple(faults))


def _model(cells: Cells) -> PumpModel:
    values: dict[str, Any] = {
        "maker": cells.text("maker"),
        "designation": cells.text("designation"),
        "family": cells.word("family"),
        "displacement_cm3": cells.number("displacement_cm3"),
        "rated_pressure_bar": cells.number("rated_pressure_bar"),
        "speed_min_rpm": cells.whole("speed_min_rpm"),
        "speed_max_rpm": cells.whole("speed_max_rpm"),
        "rotation": cells.word("rotation"),
        "oil_grade_vg": cells.whole("oil_grade_vg"),
        "mass_kg": cells.number("mass_kg"),
        "body_replaceable": cells.flag("body_replaceable", default=False),
    }
    # An empty cell is None here, and the check says so in words.
    return PumpModel(**values)


# --- Pumps ------------------------------------------------------------------------------------


def take_pumps(actor: User, site: Site, rows: Sequence[Row], now: datetime) -> Outcome:
    models = {(m.maker, m.designation): m for m in PumpModel.objects.all()}
    # As their constraints: whatever the case.
    tags = {row.cells.get("tag", "").lower() for row in rows}
    serials = {row.cells.get("serial", "").lower() for row in rows}
    on_file = Pump.objects.annotate(low_tag=Lower("tag"), low_serial=Lower("serial"))
    tags_on_file = set(
        on_file.filter(site=site, low_tag__in=tags).values_list("low_tag", flat=True)
    )
    serials_on_file = set(
        on_file.filter(low_serial__in=serials).values_list("model_id", "low_serial")
    )
    row_of_tag: dict[str, int] = {}
    row_of_serial: dict[tuple[int, str], int] = {}
    pumps, faults = [], []
    for row in rows:
        cells = Cells(row)
        model = _model_of(cells, models)
        if cells.text("site") not in ("", site.code):
            cells.refuse(
                "site",
                f"The row is of site '{cells.text('site')[:40]}', and this import goes to "
                f"'{site.code}'. Send it to that site, or correct the cell.",
            )
        pump, refused = check_new_pump(_new_pump(cells, model), site, now)
        cells.refuse_all(refused)
        tag = pump.tag.lower()
        if tag in tags_on_file:
            cells.refuse("tag", f"{site} has a pump with the tag {pump.tag} already.")
        elif row_of_tag.setdefault(tag, row.number) != row.number:
            cells.refuse("tag", f"Tag {pump.tag} stands on row {row_of_tag[tag]} already.")
        if model is not None:
            key = (model.pk, pump.serial.lower())
            if key in serials_on_file:
                cells.refuse(
                    "serial",
                    f"A {model} with the serial {pump.serial} is on the register already, here or "
                    "at another site.",
                )
            elif row_of_serial.setdefault(key, row.number) != row.number:
                cells.refuse(
                    "serial", f"Serial {pump.serial} stands on row {row_of_serial[key]} already."
                )
        faults += cells.faults
        if not cells.faults:
            pumps.append(pump)
    register(actor=actor, pumps=pumps, now=now)
    return Outcome(len(pumps), tuple(faults))


def _new_pump(cells: Cells, model: PumpModel | None) -> NewPump:
    return NewPump(
        # A row without its model is refused; an empty one lets the other cells be checked too.
        model=model or PumpModel(),
        tag=cells.text("tag"),
        serial=cells.text("serial"),
        machine=cells.text("machine"),
        position=cells.text("position"),
        meter_h=cells.number("meter_h") or Decimal(0),
        running_h=cells.number("running_h"),
        read_at=cells.moment("read_at"),
        status=cells.word("status") or PumpStatus.IN_SERVICE.value,
        next_inspection_on=cells.day("next_inspection_on"),
    )


def _model_of(cells: Cells, models: dict[tuple[str, str], PumpModel]) -> PumpModel | None:
    maker, designation = cells.text("maker"), cells.text("designation")
    model = models.get((maker, designation))
    if model is None:
        cells.refuse(
            "designation",
            f"No pump model '{maker[:40]} {designation[:40]}' is on file. Add the model first, or "
            "correct maker and designation.",
        )
    return model


# --- Limit sheets -----------------------------------------------------------------------------


def take_sheets(actor: User, site: Site, rows: Sequence[Row], now: datetime) -> Outcome:
    """Rows with the same maker, designation and revision are the lines of one new draft."""
    models = {(m.maker, m.designation): m for m in PumpModel.objects.all()}
    on_file = set(LimitSheet.objects.values_list("model_id", "revision"))
    sheets: dict[tuple[str, str, str], list[Cells]] = defaultdict(list)
    for row in rows:
        cells = Cells(row)
        sheets[cells.text("maker"), cells.text("designation"), cells.text("revision")].append(cells)
    rows_ok = 0
    faults: list[RowFault] = []
    good: list[tuple[LimitSheet, list[LineDraft]]] = []
    for lines in sheets.values():
        drafts = [_line_draft(cells) for cells in lines]
        # A sheet whose model is not on file is refused; an empty model lets the rest be checked.
        of_lines = [_model_of(cells, models) for cells in lines]
        model = of_lines[0]
        sheet = LimitSheet(
            model=model or PumpModel(),
            revision=lines[0].text("revision"),
            document=lines[0].text("document"),
            drafted_by=actor,
            drafted_at=now,
        )
        _check_heading(lines, sheet, on_file)
        if model is not None:
            _check_lines(lines, drafts, model)
        found = [fault for cells in lines for fault in cells.faults]
        faults += found
        rows_ok += sum(not cells.faults for cells in lines)
        if not found:
            good.append((sheet, drafts))
    write_drafts(good)
    return Outcome(rows_ok, tuple(faults))


def _check_heading(
    lines: Sequence[Cells], sheet: LimitSheet, on_file: set[tuple[int, str]]
) -> None:
    first = lines[0]
    first.refuse_all(check_heading(sheet))
    if (sheet.model_id, sheet.revision) in on_file:
        first.refuse(
            "revision",
            f"{sheet.model} has a limit sheet {sheet.revision} already. Give the next revision.",
        )
    for cells in lines[1:]:
        if cells.text("document") != sheet.document:
            cells.refuse(
                "document",
                f"Row {first.row_number} names another document for the same sheet. Give all "
                "lines of a sheet the same.",
            )


def _check_lines(lines: Sequence[Cells], drafts: Sequence[LineDraft], model: PumpModel) -> None:
    by_line: dict[int, list[Fault]] = defaultdict(list)
    for fault in check_lines(drafts, PumpFamily(model.family)):
        _lines, place, fault.field = fault.field.split(".", 2)
        by_line[int(place)].append(fault)
    for index, refused in by_line.items():
        lines[index].refuse_all(refused)


def _line_draft(cells: Cells) -> LineDraft:
    return LineDraft(
        characteristic=cells.word("characteristic"),
        component=cells.word("component"),
        judged_by=cells.word("judged_by"),
        required=cells.flag("required", default=True),
        instrument_kind=cells.word("instrument_kind"),
        unit=cells.word("unit"),
        limit_low=cells.length("limit_low"),
        limit_high=cells.length("limit_high"),
        new_low=cells.length("new_low"),
        new_high=cells.length("new_high"),
        also_unit=cells.word("also_unit"),
        also_limit_low=cells.length("also_limit_low"),
        also_limit_high=cells.length("also_limit_high"),
        also_new_low=cells.length("also_new_low"),
        also_new_high=cells.length("also_new_high"),
        positions=cells.entries("positions"),
        terms=cells.entries("terms"),
        page=cells.text("page"),
        method=cells.text("method"),
        not_applicable_reason=cells.text("not_applicable_reason"),
        name=cells.text("name"),
        allowance=cells.length("allowance"),
        readings_from=cells.word("readings_from"),
    )


KINDS: dict[str, Kind] = {
    "pumps": Kind(
        "pumps",
        Capability.KEEP_REGISTER,
        PUMP_COLUMNS,
        ("tag", "maker", "designation", "serial", "machine"),
        take_pumps,
    ),
    "models": Kind(
        "pump models",
        Capability.KEEP_REGISTER,
        MODEL_COLUMNS,
        tuple(name for name in MODEL_COLUMNS if name not in ("mass_kg", "body_replaceable")),
        take_models,
    ),
    "sheets": Kind(
        "limit sheets",
        Capability.DRAFT_LIMITS,
        SHEET_COLUMNS,
        (
            "maker",
            "designation",
            "revision",
            "document",
            "characteristic",
            "component",
            "judged_by",
            "unit",
            "limit_low",
            "limit_high",
            "positions",
            "page",
        ),
        take_sheets,
    ),
}
