"""What stock is worth, what repairs cost, and the rates between currencies."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from django.db.models import (
    Count,
    DecimalField,
    Exists,
    F,
    Max,
    Min,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Sum,
    Value,
)
from django.db.models.functions import Coalesce

from fleet.plumbing.scoping import SiteScopedQuerySet
from inspections.models import Inspection
from parts import counting_selectors
from parts.models import BatchLevel, ExchangeRate, Labour, Movement, StockLevel, Store
from parts.rules.counting import CountClass
from parts.rules.lifecycle import MovementKind
from parts.rules.money import Rate, RepairCost, Total, repair_cost, total_in

SLOW_DAYS = 365
TAKES_BACK = "Takes back entry {}:"
_LEAVES = (MovementKind.ISSUE.value, MovementKind.TRANSFER_OUT.value)
# An undone pull comes back as a return too, so these are all that a repair took.
OF_REPAIRS = (MovementKind.ISSUE.value, MovementKind.RETURN.value)
_NOUGHT = Value(Decimal(0), output_field=DecimalField(max_digits=20, decimal_places=4))
_MONEY: DecimalField[Any, Any] = DecimalField(max_digits=20, decimal_places=4)


# --- Rates --------------------------------------------------------------------------------------


def exchange_rates() -> QuerySet[ExchangeRate]:
    return ExchangeRate.objects.select_related("set_by").order_by("base", "quote", "-valid_from")


def rates() -> Sequence[Rate]:
    rows = ExchangeRate.objects.values_list("base", "quote", "rate", "valid_from")
    return [Rate(*row) for row in rows]


def totals(amounts: Iterable[tuple[str, Decimal]], into: str, today: date) -> Total | None:
    """All amounts in one currency; None where they are of one currency anyhow."""
    by_currency = by_currency_of(amounts)
    if len(by_currency) < 2 or not into:
        return None
    return total_in(into, by_currency, today, rates())


def by_currency_of(amounts: Iterable[tuple[str, Decimal]]) -> Mapping[str, Decimal]:
    sums: defaultdict[str, Decimal] = defaultdict(Decimal)
    for currency, amount in amounts:
        sums[currency] += amount
    return dict(sorted(sums.items()))


# --- What stock is worth ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ClassSum:
    """The stock of one counting class."""

    count_class: CountClass
    parts: int
    value: Decimal


def store_values() -> SiteScopedQuerySet[Any]:
    """Stores with `value`, `parts_held` and `slow_value`; slow as of today."""
    rows: SiteScopedQuerySet[Any] = (
        Store.objects.select_related("site")
        .annotate(
            value=Coalesce(Sum("levels__value"), _NOUGHT),
            parts_held=Count("levels", filter=Q(levels__on_hand__gt=0)),
        )
        .order_by("site__name")
    )
    return rows


def valued_levels(today: date) -> SiteScopedQuerySet[Any]:
    """What lies on shelves, dearest first, each with `last_out`, `first_in` and `is_slow`.

    Slow: nothing went out for a year, and it has lain there for that long.
    """
    before = today - timedelta(days=SLOW_DAYS)
    own = Movement.objects.filter(store=OuterRef("store"), part=OuterRef("part")).order_by()
    outward = own.filter(kind__in=_LEAVES).values("part").annotate(at=Max("at")).values("at")
    inward = own.filter(on_hand_change__gt=0).values("part").annotate(at=Min("at")).values("at")
    rows: SiteScopedQuerySet[Any] = (
        StockLevel.objects.filter(on_hand__gt=0)
        .select_related("part", "store__site")
        .annotate(
            last_out=Subquery(outward),
            first_in=Subquery(inward),
            is_slow=~Exists(own.filter(kind__in=_LEAVES, at__date__gt=before))
            & Exists(own.filter(on_hand_change__gt=0, at__date__lte=before)),
        )
        .order_by("-value", "part__number")
    )
    return rows


def sum_of_values(levels: QuerySet[Any]) -> Decimal:
    total: Decimal = levels.order_by().aggregate(x=Coalesce(Sum("value"), _NOUGHT))["x"]
    return total


def expired_values(stores: Iterable[Store], today: date) -> Mapping[int, Decimal]:
    """Store id -> value of what lies there and may no longer be fitted, at moving average."""
    level = StockLevel.objects.filter(store=OuterRef("store"), part=OuterRef("batch__part"))
    rows = (
        BatchLevel.objects.filter(
            store__in=[store.pk for store in stores], on_hand__gt=0, batch__expires_on__lt=today
        )
        .annotate(held=Subquery(level.values("on_hand")), value=Subquery(level.values("value")))
        .values_list("store_id", "on_hand", "held", "value")
    )
    sums: defaultdict[int, Decimal] = defaultdict(Decimal)
    for store, expired, held, value in rows:
        if held:
            sums[store] += value * min(expired, held) / held
    return sums


def by_class(store: Store, today: date) -> Sequence[ClassSum]:
    """The stock of a store by counting class."""
    classed = counting_selectors.classes_of(store, today)
    levels = StockLevel.objects.filter(store=store, on_hand__gt=0)
    found: dict[CountClass, list[Decimal]] = {each: [] for each in CountClass}
    for part, value in levels.order_by().values_list("part_id", "value"):
        found[classed.get(part, CountClass.C)].append(value)
    return [ClassSum(c, len(values), sum(values, Decimal(0))) for c, values in found.items()]


# --- What repairs cost --------------------------------------------------------------------------


def repairs(since: date | None = None, until: date | None = None) -> SiteScopedQuerySet[Any]:
    """Inspections that took parts or hours, newest first, with the sums of both.

    since, until: only what was issued, returned or worked from and to these days counts.
    `parts_cost`, `labour_cost`, `total_cost` in `currency`, that of the site's store; `hours`,
    and `hours_without_rate` of them; `last_at`, the day of the last of either.
    """
    period = Q()
    if since is not None:
        period &= Q(at__date__gte=since)
    if until is not None:
        period &= Q(at__date__lte=until)
    moved = (
        Movement.objects.filter(period, demand__inspection=OuterRef("pk"), kind__in=OF_REPAIRS)
        .order_by()
        .values("demand__inspection")
    )
    worked = (
        Labour.objects.filter(period, inspection=OuterRef("pk")).order_by().values("inspection")
    )
    priced = Sum(F("hours") * Coalesce("rate", _NOUGHT), output_field=_MONEY)
    unpriced = Sum("hours", filter=Q(rate__isnull=True))
    rows: SiteScopedQuerySet[Any] = (
        Inspection.objects.select_related("site", "pump__model")
        .annotate(
            parts_cost=Coalesce(
                Subquery(
                    moved.annotate(x=Sum(-F("value_change"), output_field=_MONEY)).values("x")
                ),
                _NOUGHT,
            ),
            labour_cost=Coalesce(Subquery(worked.annotate(x=priced).values("x")), _NOUGHT),
            hours=Coalesce(Subquery(worked.annotate(x=Sum("hours")).values("x")), _NOUGHT),
            hours_without_rate=Coalesce(Subquery(worked.annotate(x=unpriced).values("x")), _NOUGHT),
            moved_at=Subquery(moved.annotate(x=Max("at")).values("x")),
            worked_at=Subquery(worked.annotate(x=Max("at")).values("x")),
            currency=Coalesce(F("site__store__currency"), Value("")),
        )
        .filter(Q(moved_at__isnull=False) | Q(worked_at__isnull=False))
        .annotate(total_cost=F("parts_cost") + F("labour_cost"))
        .order_by("-id")
    )
    return rows


def repair_movements(inspection: Inspection) -> QuerySet[Movement]:
    """Issues and returns of a repair, oldest first."""
    return (
        Movement.objects.filter(demand__inspection=inspection, kind__in=OF_REPAIRS)
        .select_related("part", "batch", "by", "store", "demand__disposition")
        .order_by("id")
    )


def labour() -> SiteScopedQuerySet[Any]:
    rows: SiteScopedQuerySet[Any] = Labour.objects.select_related("inspection__site", "by")
    return rows.order_by("-id")


def labour_of(inspection: Inspection) -> SiteScopedQuerySet[Any]:
    """The hours of one repair, oldest first."""
    return labour().filter(inspection=inspection).order_by("id")


def taken_back(hours: Iterable[Labour]) -> frozenset[int]:
    """Which of these entries another one of them takes back."""
    found = (re.match(TAKES_BACK.format(r"(\d+)"), row.what) for row in hours if row.hours < 0)
    return frozenset(int(match[1]) for match in found if match)


def cost_of(movements: Iterable[Movement], hours: Iterable[Labour]) -> RepairCost:
    """The sums of one repair's lines."""
    return repair_cost(
        [move.value_change for move in movements], [(row.hours, row.rate) for row in hours]
    )


def currency_at(inspection: Inspection) -> str:
    """The currency of the store of an inspection's site; '' where there is no store yet."""
    found = Store.objects.filter(site=inspection.site_id).values_list("currency", flat=True)
    return found.first() or ""
