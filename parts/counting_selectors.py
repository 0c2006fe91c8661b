"""What the pages and the API of counts read. Nothing here tells what a line to count should be."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from django.db.models import Count as CountRows
from django.db.models import DecimalField, F, Max, OuterRef, Q, Subquery, Sum, Value
from django.db.models.functions import Coalesce
from django.utils import timezone

from fleet.models import User
from fleet.plumbing.scoping import SiteScopedQuerySet
from fleet.roles import Capability
from parts.models import Count, CountLine, Movement, Part, StockLevel, Store
from parts.rules.counting import (
    MOVED_DAYS,
    CountClass,
    Due,
    LineState,
    Stocked,
    accuracy,
    bin_key,
    classes,
    due,
    line_state,
)
from parts.rules.lifecycle import CountState, MovementKind

UNDER_WAY = (CountState.OPEN.value, CountState.COUNTED.value)
_LEAVES = (MovementKind.ISSUE.value, MovementKind.TRANSFER_OUT.value)
_DIFFERS = Q(lines__counted__isnull=False) & ~Q(lines__counted=F("lines__expected"))


def counts() -> SiteScopedQuerySet[Any]:
    """Counts with how many lines they have, are counted, differ and are not settled yet."""
    rows: SiteScopedQuerySet[Any] = (
        Count.objects.select_related("store__site", "raised_by")
        .annotate(
            lines_all=CountRows("lines"),
            lines_counted=CountRows("lines", filter=Q(lines__counted__isnull=False)),
            lines_differ=CountRows("lines", filter=_DIFFERS),
            lines_pending=CountRows("lines", filter=_DIFFERS & Q(lines__movement__isnull=True)),
        )
        .order_by("-id")
    )
    return rows


def lines() -> SiteScopedQuerySet[Any]:
    """Lines of counts with all that is shown of them, and `bin`, '' when not known."""
    shelf = StockLevel.objects.filter(
        store=OuterRef("count__store"), part=OuterRef("part")
    ).order_by()
    rows: SiteScopedQuerySet[Any] = CountLine.objects.select_related(
        "count__store__site", "part", "batch", "counted_by", "approved_by", "movement"
    ).annotate(bin=Coalesce(Subquery(shelf.values("bin")[:1]), Value("")))
    return rows.order_by("-id")


def lines_of(count: Count) -> list[CountLine]:
    """The lines of a count in the order in which one walks along the bins."""
    rows = list(lines().filter(count=count))
    return sorted(rows, key=_walk)


def _walk(line: Any) -> tuple[Any, ...]:
    expires = line.batch.expires_on if line.batch is not None else date.max
    return (bin_key(line.bin), line.part.number, expires, line.pk)


def state_of(line: CountLine) -> LineState:
    return line_state(
        line.counted,
        line.expected,
        explained=bool(line.reason),
        corrected=line.movement_id is not None,
    )


def difference_of(line: CountLine) -> int | None:
    """Counted less what the ledger said; None while the line is to be counted."""
    if line.counted is None or line.expected is None:
        return None
    return line.counted - line.expected


def value_of_difference(line: CountLine) -> Decimal | None:
    """In the currency of the store; None while the line is to be counted."""
    difference = difference_of(line)
    if difference is None or line.unit_value is None:
        return None
    value: Decimal = difference * line.unit_value
    return value


def may_decide(line: CountLine, person: User) -> bool:
    """Whether this person is the second one: the first is the counter."""
    return line.counted_by_id != person.pk


def to_decide(person: User) -> SiteScopedQuerySet[Any]:
    """Lines that wait for a second person, where `person` may be it."""
    waiting = lines().filter(count__state__in=UNDER_WAY, counted__isnull=False, movement=None)
    return (
        waiting.exclude(counted=F("expected"))
        .exclude(counted_by=person.pk)
        .exclude(reason="")
        .actable_by(person, Capability.APPROVE_COUNTS)
    )


@dataclass(frozen=True, slots=True)
class Result:
    """What came of a count so far. Values in the currency of the store."""

    counted: int
    without_difference: int
    found: Decimal
    missed: Decimal

    @property
    def net(self) -> Decimal:
        return self.found - self.missed

    @property
    def accuracy(self) -> Decimal | None:
        return accuracy(self.counted, self.without_difference)


def result_of(rows: Iterable[CountLine]) -> Result:
    counted = right = 0
    found = missed = Decimal(0)
    for line in rows:
        difference, value = difference_of(line), value_of_difference(line)
        if difference is None:
            continue
        counted += 1
        right += difference == 0
        if value is not None and value > 0:
            found += value
        elif value is not None:
            missed -= value
    return Result(counted, right, found, missed)


def accuracy_of(store: Store, since: date) -> tuple[int, Decimal | None]:
    """How many lines were counted in a store since a day, and the share without a difference."""
    rows = CountLine.objects.filter(count__store=store, counted_at__date__gte=since)
    counted, right = rows.aggregate(
        a=CountRows("pk"), b=CountRows("pk", filter=Q(counted=F("expected")))
    ).values()
    return counted, accuracy(counted, right)


# --- Classes and what is due --------------------------------------------------------------------


def moved_value(store: Store, today: date) -> Mapping[int, Decimal]:
    """Part id -> value that left the store for benches and other stores within a year."""
    since = today - timedelta(days=MOVED_DAYS)
    rows = (
        Movement.objects.filter(store=store, at__date__gt=since, kind__in=_LEAVES)
        .order_by()
        .values("part_id")
        .annotate(moved=Sum(-F("value_change"), output_field=DecimalField()))
        .values_list("part_id", "moved")
    )
    return dict(rows)


def classes_of(store: Store, today: date) -> Mapping[int, CountClass]:
    """The counting class of each part that lies in the store or left it within a year."""
    moved = moved_value(store, today)
    shelf = StockLevel.objects.filter(store=store).filter(Q(on_hand__gt=0) | Q(part__in=moved))
    return classes(
        [
            Stocked(part, moved.get(part, Decimal(0)), value)
            for part, value in shelf.order_by("part_id").values_list("part_id", "value")
        ]
    )


def last_counted(store: Store) -> Mapping[int, date]:
    """Part id -> the day of its last settled count in the store."""
    rows = (
        CountLine.objects.filter(count__store=store, counted__isnull=False)
        .filter(Q(movement__isnull=False) | Q(counted=F("expected")))
        .order_by()
        .values("part_id")
        .annotate(last=Max("counted_at"))
        .values_list("part_id", "last")
    )
    return {part: at.date() for part, at in rows}


def on_a_sheet(store: Store) -> frozenset[int]:
    """Parts that are on a count of the store which is not finished."""
    rows = CountLine.objects.filter(count__store=store, count__state__in=UNDER_WAY)
    return frozenset(rows.values_list("part_id", flat=True))


def due_in(store: Store, today: date | None = None) -> Sequence[Due]:
    """What is to be counted in the store, in order; without what is on a sheet already."""
    day = today or timezone.now().date()
    busy = on_a_sheet(store)
    rows = due(classes_of(store, day), last_counted(store), day)
    return [row for row in rows if row.part not in busy]


def due_parts(rows: Sequence[Due]) -> list[tuple[Due, Part]]:
    """The same with their parts at hand."""
    found = Part.objects.in_bulk([row.part for row in rows])
    return [(row, found[row.part]) for row in rows]
