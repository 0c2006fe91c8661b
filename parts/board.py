"""What is true now across a person's sites: the sentences of the first page and its rows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import Any

from django.db.models import F, Prefetch, Q

from fleet.lifecycle import PumpStatus
from fleet.models import Pump, User
from fleet.selectors import pumps_with_model
from fleet.vocabulary import Component
from inspections.models import Inspection, Verdict
from inspections.rules.lifecycle import UNDER_WORK, InspectionState
from inspections.rules.verdicts import Outcome
from inspections.selectors import countersign_queue, inspections_of, out_of_limits_pumps
from parts.models import Demand, StockLevel
from parts.rules.lifecycle import DemandState

_UNDER_WAY = (
    PumpStatus.ON_BENCH,
    PumpStatus.AWAITING_COUNTERSIGNATURE,
    PumpStatus.AWAITING_PARTS,
    PumpStatus.READY_TO_REBUILD,
)


class Show(StrEnum):
    """The ways in which the rows can be narrowed; each is a number in the sentences."""

    ALL = "all"
    OUT = "out"
    RUNNING = "running"
    WAITING = "waiting"
    COUNTERSIGN = "countersign"
    OVERDUE = "overdue"
    BENCH = "bench"
    READY = "ready"

    @property
    def label(self) -> str:
        return _SHOW_LABELS[self]


_SHOW_LABELS = {
    Show.ALL: "all that need something",
    Show.OUT: "out of limits",
    Show.RUNNING: "out of limits and running",
    Show.WAITING: "waiting for parts",
    Show.COUNTERSIGN: "awaiting a countersignature",
    Show.OVERDUE: "overdue for inspection",
    Show.BENCH: "on the bench",
    Show.READY: "ready to rebuild",
}


@dataclass(frozen=True)
class Shortage:
    """A part that pumps wait for. holders: names of other sites with some free, most first."""

    name: str
    number: str
    pumps: int
    holders: tuple[str, ...]


@dataclass(frozen=True)
class Arrivals:
    """How many pumps wait for what is on its way to them, and when the next of it is expected."""

    pumps: int
    next_on: date | None


@dataclass(frozen=True)
class Row:
    """A pump that needs something. out: the verdicts that are not put right yet.

    waits_for: sentences about parts that are not there. to_pull: how many lie reserved.
    under_way: the inspection that is open or awaits its countersignature. inspection: id of the
    one that asked for the parts, else of the last signed one.
    """

    pump: Pump
    state: PumpStatus
    out: tuple[Verdict, ...]
    inspection: int | None
    under_way: Inspection | None
    overdue_since: date | None
    waits_for: tuple[str, ...]
    to_pull: int
    since: datetime | None
    may_countersign: bool

    @property
    def is_out(self) -> bool:
        return bool(self.out)

    @property
    def is_running(self) -> bool:
        return self.is_out and self.state is PumpStatus.IN_SERVICE

    @property
    def rank(self) -> int:
        """What matters first: a pump that runs out of limits, then what holds others up."""
        if self.is_running:
            return 0
        if self.overdue_since is not None:
            return 1
        return {
            PumpStatus.AWAITING_COUNTERSIGNATURE: 2,
            PumpStatus.AWAITING_PARTS: 3 if self.waits_for else 4,
            PumpStatus.READY_TO_REBUILD: 5,
            PumpStatus.ON_BENCH: 6,
        }.get(self.state, 7)

    def is_shown_as(self, show: Show) -> bool:
        return {
            Show.ALL: True,
            Show.OUT: self.is_out,
            Show.RUNNING: self.is_running,
            Show.WAITING: self.state is PumpStatus.AWAITING_PARTS,
            Show.COUNTERSIGN: self.state is PumpStatus.AWAITING_COUNTERSIGNATURE,
            Show.OVERDUE: self.overdue_since is not None,
            Show.BENCH: self.state is PumpStatus.ON_BENCH,
            Show.READY: self.state is PumpStatus.READY_TO_REBUILD,
        }[show]


@dataclass(frozen=True)
class Board:
    """rows: all that need something, what matters first. pumps: how many the person sees.

    coming: from other sites; ordered: from suppliers.
    """

    rows: Sequence[Row]
    pumps: int
    shortages: Sequence[Shortage]
    coming: Arrivals
    ordered: Arrivals
    counts: Mapping[str, int] = field(default_factory=dict)


def board(user: User, *, today: date, site_id: int | None = None) -> Board:
    """The board of a person. The same number of queries however many pumps there are."""
    out = {found.pump.pk: found for found in out_of_limits_pumps(user)}
    visible = pumps_with_model().visible_to(user)
    if site_id is not None:
        visible = visible.filter(site=site_id)
    is_due = Q(next_inspection_on__lt=today) & Q(
        status__in=[PumpStatus.IN_SERVICE.value, PumpStatus.SPARE.value]
    )
    pumps = list(
        visible.filter(Q(pk__in=list(out)) | Q(status__in=_UNDER_WAY) | is_due).exclude(
            status=PumpStatus.SCRAPPED.value
        )
    )
    under_way = {
        inspection.pump_id: inspection
        for inspection in Inspection.objects.visible_to(user)
        .filter(pump__in=pumps, state__in=[s.value for s in UNDER_WORK])
        .select_related("opened_by", "signed_by")
    }
    signed = {
        pump_id: pk
        for pk, pump_id in Inspection.objects.visible_to(user)
        .filter(pump__in=pumps, state=InspectionState.SIGNED.value)
        .order_by("pump_id", "-pk")
        .distinct("pump_id")
        .values_list("pk", "pump_id")
    }
    demands = list(
        Demand.objects.filter(inspection__pump__in=pumps)
        .open()
        .visible_to(user)
        .select_related(
            "part",
            "supplied_part",
            "inspection",
            "site",
            "disposition",
            "transfer__from_store__site",
            "order_line__order__supplier",
        )
        .order_by("id")
    )
    holders = free_elsewhere(demands)
    mine = set(countersign_queue(user).values_list("pk", flat=True))
    by_pump: dict[int, list[Demand]] = defaultdict(list)
    for demand in demands:
        by_pump[demand.inspection.pump_id].append(demand)
    rows = [
        _row(
            pump,
            tuple(out[pump.pk].verdicts) if pump.pk in out else (),
            by_pump[pump.pk],
            holders,
            under_way.get(pump.pk),
            signed.get(pump.pk),
            mine,
            today,
        )
        for pump in pumps
    ]
    rows.sort(key=lambda r: (r.rank, r.overdue_since or date.max, r.pump.site.name, r.pump.tag))
    counts = {show.value: sum(r.is_shown_as(show) for r in rows) for show in Show}
    return Board(
        rows,
        visible.count(),
        _shortages(demands, holders),
        _arrivals(demands, DemandState.COMING, today),
        _arrivals(demands, DemandState.ORDERED, today),
        counts,
    )


def _row(
    pump: Pump,
    out: tuple[Verdict, ...],
    demands: Sequence[Demand],
    holders: Mapping[tuple[int, int], tuple[str, ...]],
    under_way: Inspection | None,
    signed: int | None,
    mine: set[int],
    today: date,
) -> Row:
    state = PumpStatus(pump.status)
    due = pump.next_inspection_on
    at_work = state in (PumpStatus.IN_SERVICE, PumpStatus.SPARE)
    return Row(
        pump=pump,
        state=state,
        out=out,
        inspection=demands[0].inspection_id if demands else signed,
        under_way=under_way,
        overdue_since=due if due is not None and due < today and at_work else None,
        waits_for=tuple(
            dict.fromkeys(
                _waits_for(d, holders) for d in demands if d.state != DemandState.RESERVED.value
            )
        ),
        to_pull=sum(d.state == DemandState.RESERVED.value for d in demands),
        since=min((d.raised_at for d in demands), default=None),
        may_countersign=under_way is not None and under_way.pk in mine,
    )


def _waits_for(demand: Demand, holders: Mapping[tuple[int, int], tuple[str, ...]]) -> str:
    if demand.part is None:
        return f"No part is known for its {Component(demand.disposition.component).label.lower()}"
    state, part = DemandState(demand.state), demand.supplied_part or demand.part
    expected = demand.expected_on
    when = f", expected {expected.day} {expected:%b %Y}" if expected else ""
    if state is DemandState.COMING and demand.transfer is not None:
        giver = demand.transfer.from_store.site.name
        return f"Waits for {part.name}, which comes from {giver}{when}"
    if state is DemandState.ORDERED and demand.order_line is not None:
        supplier = demand.order_line.order.supplier.name
        return f"Waits for {part.name}, on order from {supplier}{when}"
    held_at = holders.get((demand.part.pk, demand.site_id), ())
    where = f", which {_and(held_at)} {'holds' if len(held_at) == 1 else 'hold'}" if held_at else ""
    return f"Waits for {demand.part.name}{where or ', which no site has free'}"


def free_elsewhere(demands: Iterable[Demand]) -> dict[tuple[int, int], tuple[str, ...]]:
    """(part id, site id) of each short demand -> names of other sites with some free. One query.

    As with holders_of, only names leave the other sites' scope.
    """
    short = {(d.part_id, d.site_id) for d in demands if d.state == DemandState.SHORT.value}
    rows = list(
        StockLevel.objects.filter(part__in={p for p, _ in short}, on_hand__gt=F("reserved"))
        .annotate(free=F("on_hand") - F("reserved"))
        .order_by("-free", "store__site__name")
        .values_list("part_id", "store__site_id", "store__site__name")
    )
    return {
        (part, site): tuple(name for p, s, name in rows if p == part and s != site)
        for part, site in short
        if part is not None
    }


def _arrivals(demands: Iterable[Demand], state: DemandState, today: date) -> Arrivals:
    """What is overdue is left out of the next: nobody knows when it comes."""
    waiting = [demand for demand in demands if demand.state == state.value]
    days = [d.expected_on for d in waiting if d.expected_on and d.expected_on >= today]
    return Arrivals(len({d.inspection.pump_id for d in waiting}), min(days, default=None))


def _shortages(
    demands: Iterable[Demand], holders: Mapping[tuple[int, int], tuple[str, ...]]
) -> list[Shortage]:
    """The parts that are short, those for the most pumps first."""
    waiting: dict[int, set[int]] = defaultdict(set)
    named: dict[int, tuple[str, str]] = {}
    held: dict[int, dict[str, None]] = defaultdict(dict)
    for demand in demands:
        if demand.part is None or demand.state != DemandState.SHORT.value:
            continue
        part = demand.part
        waiting[part.pk].add(demand.inspection.pump_id)
        named[part.pk] = (part.name, part.number)
        held[part.pk].update(dict.fromkeys(holders[part.pk, demand.site_id]))
    found = [
        Shortage(*named[pk], pumps=len(pumps), holders=tuple(held[pk]))
        for pk, pumps in waiting.items()
    ]
    return sorted(found, key=lambda s: (-s.pumps, s.number))


@dataclass(frozen=True)
class Work:
    """One inspection of a pump with what it found out of limits and what it asked for."""

    inspection: Inspection
    out: tuple[Verdict, ...]
    demands: tuple[Demand, ...]


def work_on(pump: Pump, user: User) -> list[Work]:
    """The inspections of a pump that a person may see, newest first. Three queries."""
    out = Verdict.objects.filter(outcome=Outcome.OUT.value).select_related("line")
    wanted = Demand.objects.live().select_related("part", "disposition").order_by("id")
    below: list[Any] = [
        Prefetch("verdicts", out, to_attr="out"),
        Prefetch("demands", wanted, to_attr="wanted"),
    ]
    rows = inspections_of(pump).visible_to(user).prefetch_related(*below)
    return [
        Work(row, tuple(row.out), tuple(row.wanted))  # type: ignore[attr-defined]
        for row in rows
    ]


def _and(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
