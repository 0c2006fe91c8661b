"""Stock value and repair costs as files."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from django.db.models import QuerySet

from fleet.access import require_anywhere
from fleet.exports import ExportFile, export_file
from fleet.models import User
from fleet.plumbing.scoping import SiteScopedQuerySet
from fleet.roles import Capability
from parts import counting_selectors, money_selectors
from parts.models import Store
from parts.rules.counting import CountClass

VALUE_COLUMNS = (
    "site",
    "store",
    "part",
    "name",
    "bin",
    "unit",
    "on_hand",
    "average_cost",
    "value",
    "currency",
    "count_class",
    "last_out",
    "slow",
)
REPAIR_COLUMNS = (
    "site",
    "inspection",
    "pump",
    "model",
    "machine",
    "parts_cost",
    "hours",
    "hours_without_rate",
    "labour_cost",
    "total_cost",
    "currency",
    "last_entry",
)


def export_values(*, actor: User, stores: QuerySet[Store], file: str, today: date) -> ExportFile:
    """Each part on the shelves of those among `stores` where `actor` may export."""
    require_anywhere(actor, Capability.EXPORT)
    chosen = (
        Store.objects.filter(pk__in=stores.order_by().values("pk"))
        .actable_by(actor, Capability.EXPORT)
        .select_related("site")
        .order_by("site__code")
    )
    return export_file("stock-value", VALUE_COLUMNS, _value_rows(chosen, today), file)


def _value_rows(stores: Iterable[Store], today: date) -> Iterable[Sequence[Any]]:
    for store in stores:
        classed = counting_selectors.classes_of(store, today)
        levels = money_selectors.valued_levels(today).filter(store=store)
        for level in levels.order_by("part__number"):
            yield (
                store.site.code,
                store.name,
                level.part.number,
                level.part.name,
                level.bin,
                level.part.unit,
                level.on_hand,
                (level.value / level.on_hand).quantize(Decimal("0.0001")),
                level.value,
                store.currency,
                classed.get(level.part_id, CountClass.C).value,
                level.last_out and level.last_out.date(),
                "yes" if level.is_slow else "no",
            )


def export_repairs(*, actor: User, repairs: SiteScopedQuerySet[Any], file: str) -> ExportFile:
    """Those of `repairs` (of money_selectors.repairs) at sites where `actor` may export."""
    require_anywhere(actor, Capability.EXPORT)
    chosen = repairs.actable_by(actor, Capability.EXPORT).order_by("site__code", "id")
    rows = (
        (
            row.site.code,
            row.pk,
            row.pump.tag,
            str(row.pump.model),
            row.pump.machine,
            row.parts_cost,
            row.hours,
            row.hours_without_rate,
            row.labour_cost,
            row.total_cost,
            row.currency,
            max(at for at in (row.moved_at, row.worked_at) if at is not None).date(),
        )
        for row in chosen
    )
    return export_file("repair-costs", REPAIR_COLUMNS, rows, file)
