"""What is to pull, for whom, by when, and what a scanned label means."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import F

from fleet.plumbing.scoping import Person, SiteScopedQuerySet
from inspections.models import Inspection
from parts import selectors
from parts.catalogue_selectors import find_part, newest
from parts.models import Batch, BatchLevel, Demand, Movement, Need, Part, StockLevel
from parts.rules.batches import is_expired
from parts.rules.labels import bin_order, read_part
from parts.rules.lifecycle import DemandState, MovementKind
from parts.rules.numbers import normalised

# --- What a label means -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Scan:
    """What was scanned or typed. part: None when the catalogue does not know the number."""

    number: str
    batch: str
    part: Part | None


def read_scan(text: str) -> Scan:
    """A part by any of its numbers, or a shelf label `NUMBER/BATCH`."""
    # The whole first: an own or supplier's number may hold a slash.
    whole = find_part(text)
    if whole is not None:
        return Scan(normalised(text), "", whole)
    number, batch = read_part(text)
    part = find_part(number) if batch else None
    if part is None:
        return Scan(normalised(text), "", None)
    return Scan(normalised(number), batch, part)


def meant_by(scan: Scan, store: int) -> Sequence[int]:
    """Ids of the parts that this label may stand for in a store, the likeliest first.

    An old number leads to what took its place, unless the store still keeps pieces of the old one
    on its books: those are another shelf, and to take from it would make both counts wrong.
    """
    if scan.part is None:
        return ()
    new = newest(scan.part)
    if new.pk == scan.part.pk:
        return (new.pk,)
    kept = StockLevel.objects.filter(store=store, part=scan.part.pk, on_hand__gt=0).exists()
    return (scan.part.pk,) if kept else (scan.part.pk, new.pk)


# --- What lies on a shelf -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LotHere:
    """What of one batch lies on a shelf; batch None: what came in without one."""

    batch: Batch | None
    quantity: int

    @property
    def code(self) -> str:
        return self.batch.code if self.batch else ""

    @property
    def expires_on(self) -> date | None:
        return self.batch.expires_on if self.batch else None


def level_of(demand: Demand) -> StockLevel | None:
    """The shelf from which a demand is pulled."""
    return (
        StockLevel.objects.select_related("part", "store")
        .filter(store__site=demand.site_id, part=demand.pulled_part_id)
        .first()
    )


def lots_here(level: StockLevel) -> list[LotHere]:
    """The lots of a shelf, what expires first first, what has no batch last."""
    rows = (
        BatchLevel.objects.filter(store=level.store_id, batch__part=level.part_id, on_hand__gt=0)
        .select_related("batch")
        .order_by("batch__expires_on", "batch_id")
    )
    lots = [LotHere(row.batch, row.on_hand) for row in rows]
    loose = level.on_hand - sum(lot.quantity for lot in lots)
    return [*lots, LotHere(None, loose)] if loose > 0 else lots


def usable_lots(level: StockLevel, today: date) -> list[LotHere]:
    """Those of the lots that may still be handed out."""
    lots = lots_here(level)
    if not level.part.ages:
        return lots
    return [lot for lot in lots if not is_expired(lot.expires_on, today)]


# --- Lists --------------------------------------------------------------------------------------


def lists_by_need(user: Person, *, done: bool = False, bench: str = "") -> SiteScopedQuerySet[Any]:
    """The user's pull lists: wanted soonest first, then whoever has waited longest.

    Each has `needed_on` and `bench` beside what selectors.pull_lists gives. bench: of this one
    only. done: those on which nothing is left to pull.
    """
    rows = selectors.pull_lists(user, done=done).annotate(
        needed_on=F("need__needed_on"), bench=F("need__bench")
    )
    if bench:
        rows = rows.filter(need__bench=bench)
    order = [F("needed_on").asc(nulls_last=True), "waiting_since", "id"]
    return rows.order_by(*(["-waiting_since", "-id"] if done else order))


def benches(user: Person) -> list[str]:
    """The benches for which the user's open demands are wanted."""
    open_demands = Demand.objects.visible_to(user).open()
    names = Need.objects.filter(inspection__in=open_demands.values("inspection")).exclude(bench="")
    return list(names.order_by("bench").values_list("bench", flat=True).distinct())


def lines_of(inspections: Iterable[Inspection]) -> list[Demand]:
    """All demands of these inspections but the cancelled, along the bins in natural order."""
    rows = (
        selectors.with_shelf(Demand.objects.filter(inspection__in=list(inspections)))
        .exclude(state=DemandState.CANCELLED.value)
        .select_related(
            "site",
            "part",
            "supplied_part",
            "disposition",
            "inspection__pump",
            "inspection__need",
            "issued_by",
            "confirmed_by",
            "transfer__from_store__site",
            "order_line__order__supplier",
        )
        .order_by("id")
    )
    return sorted(rows, key=_along_the_bins)


def _along_the_bins(line: Any) -> Any:
    part = line.supplied_part or line.part
    return bin_order(line.bin), part.number if part else "~", line.pk


def batches_issued(lines: Iterable[Demand]) -> Mapping[int, str]:
    """Demand id -> what of which batch left the shelf for it: `3 of L-1, 1 of L-2`. One query."""
    found: dict[int, list[str]] = defaultdict(list)
    rows = (
        Movement.objects.filter(
            demand__in=[line.pk for line in lines],
            kind=MovementKind.ISSUE.value,
            batch__isnull=False,
            issue_no=F("demand__issue_no"),
        )
        .order_by("batch__expires_on", "id")
        .values_list("demand_id", "batch__code", "on_hand_change")
    )
    for demand, code, change in rows:
        found[demand].append(f"{-change} of {code}")
    return {demand: ", ".join(each) for demand, each in found.items()}
