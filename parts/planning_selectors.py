"""What the page of a demand shows of its supply, and what was decided of it."""

from __future__ import annotations

from datetime import date
from typing import Any

from fleet.plumbing.scoping import SiteScopedQuerySet
from inspections.models import Inspection
from parts.models import Demand, DemandStep
from parts.selectors import with_shelf


def demands_with_supply() -> SiteScopedQuerySet[Any]:
    """Demands with where they lie, what they wait for, and when they are wanted."""
    return with_shelf(Demand.objects.order_by("-id")).select_related(
        "inspection__need",
        "inspection__pump",
        "inspection__site",
        "transfer__from_store__site",
        "order_line__order__supplier",
        "confirmed_by",
    )


def steps() -> SiteScopedQuerySet[Any]:
    """What was decided of demands, newest first."""
    return DemandStep.objects.select_related("by").order_by("-id")


def steps_of(demand: Demand) -> SiteScopedQuerySet[Any]:
    return steps().filter(demand=demand)


def inspections_with_need() -> SiteScopedQuerySet[Any]:
    rows: SiteScopedQuerySet[Any] = Inspection.objects.select_related("site", "pump", "need")
    return rows.order_by("-id")


def need_of(inspection: Inspection) -> tuple[date | None, str, int]:
    """(the day it is wanted, the bench, version); None, "" and 0 where nobody has said."""
    need = getattr(inspection, "need", None)
    return (need.needed_on, need.bench, need.version) if need else (None, "", 0)
