"""An order on paper, as a file, and as the message to a supplier's system."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import typst

from fleet.exports import ExportFile
from fleet.tables import CSV_TYPE, write_csv
from parts.models import Order, OrderLine, SupplierPart
from parts.rules.lifecycle import OrderState

SCHEMA = 1
PDF_TYPE = "application/pdf"
CSV_COLUMNS = (
    "order",
    "part_number",
    "supplier_number",
    "name",
    "quantity",
    "unit",
    "unit_price",
    "currency",
    "line_value",
    "promised_on",
)
_SHEET = Path(__file__).parent / "order_sheet.typ"


def as_data(order: Order) -> dict[str, Any]:
    """The order as JSON values: what the supplier's system gets. Amounts and days are strings.

    Reads the lines; the order must have store, site and supplier at hand.
    """
    lines = _lines(order)
    return {
        "schema": SCHEMA,
        "order": {
            "id": order.pk,
            "supplier": order.supplier.name,
            "deliver_to": {"store": order.store.name, "site": order.store.site.name},
            "currency": order.currency,
            "value": _plain(_total(lines)),
            "note": order.note,
            "sent_at": None
            if order.sent_at is None
            else order.sent_at.isoformat(timespec="seconds").replace("+00:00", "Z"),
        },
        "lines": [
            {
                "line": line.pk,
                "part_number": line.part.number,
                "maker": line.part.maker,
                "supplier_number": number,
                "name": line.part.name,
                "quantity": line.quantity,
                "unit": line.part.unit,
                "unit_price": _plain(line.unit_price),
                "promised_on": line.promised_on.isoformat() if line.promised_on else None,
            }
            for line, number in lines
        ],
    }


def order_csv(order: Order) -> ExportFile:
    """One row a line, safe to open in a spreadsheet."""
    rows = [
        [
            str(order.pk),
            line.part.number,
            number,
            line.part.name,
            str(line.quantity),
            line.part.unit,
            _plain(line.unit_price),
            order.currency,
            _plain(line.quantity * line.unit_price),
            line.promised_on.isoformat() if line.promised_on else "",
        ]
        for line, number in _lines(order)
    ]
    return ExportFile(f"order-{order.pk}.csv", CSV_TYPE, write_csv(CSV_COLUMNS, rows))


def order_pdf(order: Order) -> ExportFile:
    """The order on A4. One that may not go out yet says so across its head."""
    # The texts go in as data and never become markup, so nothing in them needs escaping.
    content = typst.compile(
        _SHEET.read_bytes(), format="pdf", sys_inputs={"order": json.dumps(_sheet_data(order))}
    )
    return ExportFile(f"order-{order.pk}.pdf", PDF_TYPE, content)


def _sheet_data(order: Order) -> dict[str, Any]:
    lines = _lines(order)
    state = OrderState(order.state)
    standing = {
        OrderState.DRAFT: "Draft. Not an order.",
        OrderState.SUBMITTED: "Not approved yet. Not an order.",
        OrderState.CANCELLED: "Cancelled. Do not deliver.",
    }.get(state, "")
    asked_by = order.sent_by or order.submitted_by or order.raised_by
    when = order.sent_at or order.approved_at or order.raised_at
    return {
        "number": str(order.pk),
        "standing": standing,
        "dated": _day(when),
        "supplier": order.supplier.name,
        "email": order.supplier.email,
        "site": order.store.site.name,
        "store": order.store.name,
        "asked_by": str(asked_by) if asked_by else "Wearbook, by planning",
        "approved_by": str(order.approved_by) if order.approved_by else "",
        "approved_on": _day(order.approved_at) if order.approved_at else "",
        "note": order.note,
        "currency": order.currency,
        "total": _grouped(_total(lines)),
        "lines": [
            {
                "part_number": line.part.number,
                "supplier_number": number,
                "maker": line.part.maker,
                "name": line.part.name,
                "quantity": f"{line.quantity:,}".replace(",", " "),
                "unit": line.part.unit + ("" if line.quantity == 1 else "s"),
                "unit_price": _grouped(line.unit_price),
                "value": _grouped(line.quantity * line.unit_price),
                "promised_on": _day(line.promised_on) if line.promised_on else "",
            }
            for line, number in lines
        ],
    }


def _lines(order: Order) -> list[tuple[OrderLine, str]]:
    """Each line with the supplier's own number for its part."""
    rows = list(OrderLine.objects.filter(order=order).select_related("part").order_by("id"))
    numbers = dict(
        SupplierPart.objects.filter(
            supplier=order.supplier_id, part__in=[line.part_id for line in rows]
        ).values_list("part_id", "supplier_number")
    )
    return [(line, numbers.get(line.part_id, "")) for line in rows]


def _total(lines: list[tuple[OrderLine, str]]) -> Decimal:
    return sum((line.quantity * line.unit_price for line, _ in lines), Decimal(0))


def _plain(amount: Decimal) -> str:
    """At least two places, and more only where they are not nought."""
    text = f"{amount:.4f}"
    return text[:-2] if text.endswith("00") else text.rstrip("0")


def _grouped(amount: Decimal) -> str:
    whole, _, rest = _plain(amount).partition(".")
    return f"{int(whole):,}".replace(",", "\u202f") + f".{rest}"


def _day(value: Any) -> str:
    return f"{value.day} {value:%b %Y}"
