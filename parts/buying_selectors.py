"""What the pages and the API of suppliers and orders read."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from django.db.models import (
    Count,
    DateField,
    DecimalField,
    Exists,
    ExpressionWrapper,
    F,
    Min,
    OuterRef,
    Prefetch,
    Q,
    QuerySet,
    Subquery,
    Sum,
    Value,
)
from django.db.models.functions import Coalesce

from fleet.plumbing.models import Delivery
from fleet.plumbing.scoping import Person, SiteScopedQuerySet
from parts.events import OrderSent
from parts.models import (
    Demand,
    Movement,
    Order,
    OrderLine,
    Part,
    StockLevel,
    Supplier,
    SupplierPart,
)
from parts.rules.lead_times import Observed, lead_days, observed
from parts.rules.lifecycle import MovementKind, OrderState

_VALUE = ExpressionWrapper(
    F("lines__quantity") * F("lines__unit_price"),
    output_field=DecimalField(max_digits=24, decimal_places=4),
)
# Of an order line, seen from the lines themselves.
STILL_TO_COME = Q(
    order__state=OrderState.SENT.value, given_up=False, received_quantity__lt=F("quantity")
)


# --- Suppliers and offers -----------------------------------------------------------------------


def suppliers() -> QuerySet[Supplier]:
    return Supplier.objects.annotate(parts_offered=Count("offers")).order_by("name")


def suppliers_matching(query: str) -> QuerySet[Supplier]:
    """Suppliers whose name, or whose or our number of a part, holds every word of `query`."""
    rows = suppliers()
    for word in query.split():
        offered = SupplierPart.objects.filter(supplier=OuterRef("pk")).filter(
            Q(supplier_number__icontains=word) | Q(part__number__icontains=word)
        )
        rows = rows.filter(Q(name__icontains=word) | Exists(offered))
    return rows


def offers() -> QuerySet[SupplierPart]:
    return SupplierPart.objects.select_related("supplier", "part").order_by(
        "part__number", "supplier__name"
    )


def offers_of(part: Part) -> QuerySet[SupplierPart]:
    """The preferred offer first."""
    return offers().filter(part=part).order_by("-preferred", "supplier__name")


def observed_of(
    supplier_ids: Iterable[int], part_ids: Iterable[int]
) -> dict[tuple[int, int], Observed]:
    """(supplier id, part id) -> lead times seen, of the orders of all sites. One query.

    The sites share their suppliers: a few numbers of days leave a site's scope, and no row does.
    """
    rows = (
        OrderLine.objects.filter(
            order__supplier__in=set(supplier_ids),
            part__in=set(part_ids),
            movements__kind=MovementKind.RECEIPT.value,
        )
        .order_by()
        .values("pk", "order__supplier_id", "part_id", "order__sent_at")
        .annotate(first_at=Min("movements__at"))
        .values_list("order__supplier_id", "part_id", "order__sent_at", "first_at")
    )
    days: dict[tuple[int, int], list[int]] = defaultdict(list)
    for supplier_id, part_id, sent_at, first_at in rows:
        if sent_at is None:
            continue
        days[supplier_id, part_id].append(lead_days(sent_at.date(), first_at.date()))
    found = {key: observed(each) for key, each in days.items()}
    return {key: each for key, each in found.items() if each is not None}


def with_observed(rows: Iterable[SupplierPart]) -> list[SupplierPart]:
    """The offers, each with `observed`: an Observed, or None while nothing has come."""
    found = list(rows)
    seen = observed_of({o.supplier_id for o in found}, {o.part_id for o in found})
    for offer in found:
        offer.observed = seen.get((offer.supplier_id, offer.part_id))  # type: ignore[attr-defined]
    return found


# --- Orders -------------------------------------------------------------------------------------


def order_lines() -> SiteScopedQuerySet[Any]:
    """Lines with their part and order, in the order in which they were put on it."""
    rows: SiteScopedQuerySet[Any] = OrderLine.objects.select_related(
        "part", "order__supplier", "order__store__site"
    ).order_by("order", "id")
    return rows


def orders() -> SiteScopedQuerySet[Any]:
    """Orders, newest first, with `value` in their currency, `line_count` and `next_promise`.

    next_promise: the earliest promised day of what has not come.
    """
    still = (
        OrderLine.objects.filter(STILL_TO_COME, order=OuterRef("pk"))
        .order_by()
        .values("order")
        .annotate(first=Min("promised_on"))
        .values("first")
    )
    rows: SiteScopedQuerySet[Any] = (
        Order.objects.select_related(
            "store__site", "supplier", "raised_by", "submitted_by", "approved_by", "sent_by"
        )
        .annotate(
            value=Coalesce(
                Sum(_VALUE), Value(Decimal(0)), output_field=DecimalField(decimal_places=4)
            ),
            line_count=Count("lines"),
            next_promise=Subquery(still, output_field=DateField()),
        )
        .order_by("-id")
    )
    return rows


def orders_with_lines() -> SiteScopedQuerySet[Any]:
    lines = OrderLine.objects.select_related("part").order_by("id")
    rows: SiteScopedQuerySet[Any] = orders().prefetch_related(Prefetch("lines", lines), "steps__by")
    return rows


def late(rows: SiteScopedQuerySet[Any], today: date) -> SiteScopedQuerySet[Any]:
    """The orders of which something promised for before today has not come."""
    lines = OrderLine.objects.filter(STILL_TO_COME, order=OuterRef("pk"), promised_on__lt=today)
    found: SiteScopedQuerySet[Any] = rows.filter(Exists(lines))
    return found


def late_lines(user: Person, today: date) -> SiteScopedQuerySet[Any]:
    """What was promised to a person's stores for before today and has not come, oldest first."""
    rows: SiteScopedQuerySet[Any] = (
        order_lines()
        .filter(STILL_TO_COME, promised_on__lt=today)
        .visible_to(user)
        .order_by("promised_on", "id")
    )
    return rows


def late_count(user: Person, today: date) -> int:
    return late_lines(user, today).count()


def value_of(order: Order) -> Decimal:
    """What the order comes to as it stands, in its own currency."""
    rows = OrderLine.objects.filter(order=order).values_list("quantity", "unit_price")
    return sum((quantity * price for quantity, price in rows), Decimal(0))


def offers_for(order: Order) -> dict[int, SupplierPart]:
    """Part id -> what the order's supplier asks for it, of all parts on the order. One query."""
    rows = SupplierPart.objects.filter(
        supplier=order.supplier_id, part__in=OrderLine.objects.filter(order=order).values("part")
    )
    return {row.part_id: row for row in rows}


def demands_on(line_ids: Iterable[int]) -> dict[int, list[Demand]]:
    """Order line id -> the demands that wait for it, with pump and bench. One query."""
    rows = (
        Demand.objects.filter(order_line__in=list(line_ids))
        .open()
        .select_related("inspection__pump", "inspection__need", "site")
        .order_by("id")
    )
    found: dict[int, list[Demand]] = defaultdict(list)
    for demand in rows:
        if demand.order_line_id is not None:
            found[demand.order_line_id].append(demand)
    return dict(found)


# --- Receipts and what became of them -----------------------------------------------------------


@dataclass(frozen=True)
class Served:
    """A demand that a receipt was reserved for. needed_on, bench: where the need says so."""

    demand: Demand
    needed_on: date | None
    bench: str


@dataclass(frozen=True)
class PutAway:
    """One receipt of one order line: who is served first, and what is left for the bin."""

    movement: Movement
    bin: str
    served: Sequence[Served]

    @property
    def to_benches(self) -> int:
        return min(self.movement.on_hand_change, sum(s.demand.quantity for s in self.served))

    @property
    def to_bin(self) -> int:
        return self.movement.on_hand_change - self.to_benches


def put_away_of(order: Order, *, movement_ids: Iterable[int] | None = None) -> list[PutAway]:
    """What came of an order, newest first, each with the demands it was reserved for.

    movement_ids: of these receipts only. What was free before may serve a bench too, so a bench
    can get more pieces than the receipt itself brought.
    """
    receipts = Movement.objects.filter(
        order_line__order=order, kind=MovementKind.RECEIPT.value
    ).select_related("part", "batch", "by", "store__site", "order_line")
    if movement_ids is not None:
        receipts = receipts.filter(pk__in=list(movement_ids))
    rows = list(receipts.order_by("-id"))
    bins = dict(
        StockLevel.objects.filter(
            store=order.store_id, part__in={row.part_id for row in rows}
        ).values_list("part_id", "bin")
    )
    # A receipt and the reservations it made are of one moment, store and part.
    reserved = (
        Movement.objects.filter(
            store=order.store_id,
            kind=MovementKind.RESERVATION.value,
            part__in={row.part_id for row in rows},
            at__in={row.at for row in rows},
            demand__isnull=False,
        )
        .select_related("demand__inspection__pump", "demand__inspection__need")
        .order_by("id")
    )
    by_moment: dict[tuple[int, datetime], list[Movement]] = defaultdict(list)
    for move in reserved:
        by_moment[move.part_id, move.at].append(move)
    return [
        PutAway(row, bins.get(row.part_id, ""), _served(by_moment[row.part_id, row.at], row))
        for row in rows
    ]


def _served(reservations: Iterable[Movement], receipt: Movement) -> list[Served]:
    found = []
    for move in reservations:
        if move.pk < receipt.pk or move.demand is None:
            continue
        need = getattr(move.demand.inspection, "need", None)
        found.append(
            Served(move.demand, need.needed_on if need else None, need.bench if need else "")
        )
    return sorted(found, key=lambda s: (s.needed_on or date.max, s.demand.pk))


# --- What became of the message to the supplier's system ----------------------------------------


@dataclass(frozen=True)
class Message:
    """error: why it has not arrived yet, "" when it was not tried. given_up: no more is tried."""

    error: str
    attempts: int
    given_up: bool


def message_of(order: Order) -> Message | None:
    """The last message about the order that has not arrived; None when there is none."""
    row = (
        Delivery.objects.filter(
            event__name=OrderSent.name,
            event__payload__order_id=order.pk,
            done_at__isnull=True,
        )
        .order_by("-id")
        .first()
    )
    if row is None:
        return None
    error = row.last_error.split(": ", 1)[-1] if row.last_error else ""
    return Message(error, row.attempts, row.parked_at is not None)
