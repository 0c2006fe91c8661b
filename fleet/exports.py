"""Pumps, models and limit sheets as files with the columns of the import, so they read back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

from django.db.models import QuerySet

from fleet.access import require_anywhere
from fleet.faults import Fault
from fleet.models import LimitSheet, Pump, PumpModel, SheetLine, User
from fleet.roles import Capability
from fleet.tables import (
    CSV_TYPE,
    LIST_MARK,
    MODEL_COLUMNS,
    PUMP_COLUMNS,
    SHEET_COLUMNS,
    XLSX_TYPE,
    write_csv,
    write_xlsx,
)

FORMATS = {"csv": CSV_TYPE, "xlsx": XLSX_TYPE}


@dataclass(frozen=True)
class ExportFile:
    name: str
    content_type: str
    content: bytes


def export_pumps(*, actor: User, pumps: QuerySet[Pump], file: str) -> ExportFile:
    """The pumps among `pumps` at sites where `actor` may export."""
    require_anywhere(actor, Capability.EXPORT)
    rows = (
        Pump.objects.filter(pk__in=pumps.order_by().values("pk"))
        .actable_by(actor, Capability.EXPORT)
        .select_related("site", "model")
        .order_by("site__code", "tag")
    )
    return export_file("pumps", PUMP_COLUMNS, (_pump(pump) for pump in rows), file)


def export_models(*, actor: User, models: QuerySet[PumpModel], file: str) -> ExportFile:
    require_anywhere(actor, Capability.EXPORT)
    rows = models.order_by("maker", "designation")
    cells = ([getattr(model, name) for name in MODEL_COLUMNS] for model in rows)
    return export_file("pump-models", MODEL_COLUMNS, cells, file)


def export_sheets(*, actor: User, sheets: QuerySet[LimitSheet], file: str) -> ExportFile:
    """One row per line, sheet by sheet. They read back as drafts."""
    require_anywhere(actor, Capability.EXPORT)
    rows = (
        SheetLine.objects.filter(sheet__in=sheets.order_by().values("pk"))
        .select_related("sheet__model")
        .order_by("sheet__model__maker", "sheet__model__designation", "sheet_id", "order", "id")
    )
    return export_file("limit-sheets", SHEET_COLUMNS, (_line(line) for line in rows), file)


def _pump(pump: Pump) -> list[Any]:
    of_others: dict[str, Any] = {
        "site": pump.site.code,
        "maker": pump.model.maker,
        "designation": pump.model.designation,
        "read_at": pump.hours_read_at,
    }
    return [of_others[n] if n in of_others else getattr(pump, n) for n in PUMP_COLUMNS]


def _line(line: SheetLine) -> list[Any]:
    of_others = {
        "maker": line.sheet.model.maker,
        "designation": line.sheet.model.designation,
        "revision": line.sheet.revision,
        "document": line.sheet.document,
    }
    return [of_others[n] if n in of_others else getattr(line, n) for n in SHEET_COLUMNS]


def export_file(
    name: str, columns: Sequence[str], rows: Iterable[Sequence[Any]], file: str
) -> ExportFile:
    """Rows as a file of one of FORMATS. Raises Fault for any other."""
    if file not in FORMATS:
        raise Fault(
            f"'{file[:20]}' is no format on offer. Choose csv or xlsx.",
            field="file",
            code="invalid_choice",
        )
    texts = ([_text(value) for value in row] for row in rows)
    content = write_csv(columns, texts) if file == "csv" else write_xlsx(name, columns, texts)
    return ExportFile(f"{name}.{file}", FORMATS[file], content)


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, list):
        return f"{LIST_MARK} ".join(value)
    return str(value)
