"""What a store is to hold, chosen by a person, and forecasts of what will be wanted.

Writers of one store's holdings queue at its row; the ledger, which only refers to it, goes on.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.utils import timezone

from fleet.access import may, require
from fleet.faults import Conflict, Fault, Stale
from fleet.models import User
from fleet.roles import Capability
from fleet.services.rows import one_transaction, refuse
from parts.holding_plans import plan_of
from parts.holding_selectors import PartAdvice, advice_for, levels_of
from parts.models import Forecast, Holding, Part, Store
from parts.rules.demand_distributions import given
from parts.rules.holding_advice import KEEP_BACK_CHANCE, KEEP_BACK_DAYS, Charges
from parts.rules.stocking import ON_DEMAND, Levels
from parts.services import ledger

LARGEST_LEVEL = 1_000_000
MOST_PROBABILITIES = 5001
LONGEST_WINDOW_DAYS = 3650
_SUMS_TO_ONE = 1e-6
_FIELDS = (
    "reorder_point",
    "order_up_to",
    "keep_back",
    "basis",
    "chosen_by",
    "chosen_at",
    "version",
)


@dataclass(frozen=True, slots=True)
class Changed:
    """How many holdings of a store were set and taken out; what was so before counts as neither."""

    set: int
    removed: int


def set_holding(
    *,
    actor: User,
    store: Store,
    part: Part,
    reorder_point: int,
    order_up_to: int,
    keep_back: int = 0,
    version: int | None = None,
    charges: Charges | None = None,
    now: datetime | None = None,
) -> Holding:
    """Sets what a store holds of a part, and keeps the figures it was chosen by.

    Needs set_holdings at the store's site. version: of the holding as it was read; None takes it as
    it is. Raises Fault or Faults for levels that cannot be, Stale, Conflict for an old number.
    """
    require(actor, Capability.SET_HOLDINGS, store.site)
    refuse(_level_faults(reorder_point, order_up_to, keep_back))
    if part.superseded_by_id is not None:
        raise Conflict(
            f"{part.number} was replaced by another number. Hold that one instead.",
            field="part",
            code="superseded",
        )
    at = now or timezone.now()
    with one_transaction():
        _lock(store)
        row = Holding.objects.filter(store=store, part=part).first()
        _require_version(row, version, part)
        (advised,) = advice_for(
            store, charges=charges or Charges(), today=timezone.localdate(at), part=part
        )
        wanted = {part.pk: (Levels(reorder_point, order_up_to), keep_back)}
        _write(store, [advised], wanted, by=actor, at=at)
        return Holding.objects.select_related("store__site", "part").get(store=store, part=part)


def remove_holding(*, actor: User, holding: Holding, version: int | None = None) -> None:
    """From now on the part is ordered on demand there. Needs set_holdings at the store's site."""
    require(actor, Capability.SET_HOLDINGS, holding.store.site)
    with one_transaction():
        _lock(holding.store)
        row = Holding.objects.filter(pk=holding.pk).first()
        if row is None:
            return
        _require_version(row, version, holding.part)
        row.delete()
        ledger.plan_again([holding.part_id], site=holding.store.site)


def choose(
    *,
    actor: User,
    store: Store,
    waiting_percent: float | None = None,
    budget: float | None = None,
    charges: Charges | None = None,
    now: datetime | None = None,
) -> Changed:
    """Holds what the point of the store's curve says: by the share of demands that may wait, in
    percent, or by the money that may be bound, in the store's currency; one of both.

    Needs set_holdings at the store's site. Parts that are not on the curve, without a demand or a
    price, stay as they are; an old number is no longer held.
    """
    require(actor, Capability.SET_HOLDINGS, store.site)
    _require_one_of(waiting_percent, budget)
    at = now or timezone.now()
    with one_transaction():
        _lock(store)
        rows = advice_for(store, charges=charges or Charges(), today=timezone.localdate(at))
        plan = plan_of(rows)
        share = None if waiting_percent is None else waiting_percent / 100
        chosen = plan.levels_at(plan.place(waiting_share=share, budget=budget))
        wanted: dict[int, tuple[Levels, int] | None] = {
            row.part.pk: _with_keep_back(row, chosen.get(row.part.pk)) for row in plan.weighed
        }
        return _write(store, rows, {**wanted, **_old_numbers(rows)}, by=actor, at=at)


def take_advice(
    *, actor: User, store: Store, charges: Charges | None = None, now: datetime | None = None
) -> Changed:
    """Holds what is advised of each part that is wanted: the store's target, part by part.

    Needs set_holdings at the store's site. Parts without a demand stay as they are.
    """
    require(actor, Capability.SET_HOLDINGS, store.site)
    at = now or timezone.now()
    with one_transaction():
        _lock(store)
        rows = advice_for(store, charges=charges or Charges(), today=timezone.localdate(at))
        wanted = {
            row.part.pk: (row.advice.levels, row.advice.keep_back) if row.advice.held else None
            for row in rows
            if row.advice.situation.pieces_per_day > 0
        }
        return _write(store, rows, {**wanted, **_old_numbers(rows)}, by=actor, at=at)


def take_spread(
    *,
    actor: User,
    store: Store,
    part: Part,
    charges: Charges | None = None,
    now: datetime | None = None,
) -> Sequence[Store]:
    """Holds the advised stocks of one part at a central store and at those below it.

    Needs set_holdings at the central store's site; a store below it where the actor has not got it
    stays as it is. Returns the stores that were set. Raises Conflict where nothing is below.
    """
    require(actor, Capability.SET_HOLDINGS, store.site)
    at = now or timezone.now()
    today, using = timezone.localdate(at), charges or Charges()
    with one_transaction():
        (found,) = advice_for(store, charges=using, today=today, part=part)
        if found.network is None:
            raise Conflict(
                f"No store that {store} restocks wants {part.number}, so there is nothing to "
                "spread. Set its own levels instead.",
                code="no_network",
            )
        able = [
            (one, stock)
            for one, stock in zip(found.stores, found.network.spread.stocks, strict=True)
            if may(actor, Capability.SET_HOLDINGS, one.site)
        ]
        for one in sorted([store, *(s for s, _ in able)], key=lambda s: s.pk):
            _lock(one)
        own = (found.advice.levels, found.advice.keep_back) if found.advice.held else None
        _write(store, [found], {part.pk: own}, by=actor, at=at)
        for one, stock in able:
            # After the central store's, on which their own figures rest.
            (row,) = advice_for(one, charges=using, today=today, part=part)
            levels = Levels(stock - 1, stock) if stock else None
            _write(one, [row], {part.pk: _with_keep_back(row, levels)}, by=actor, at=at)
        return [store, *(one for one, _ in able)]


def record_forecast(
    *,
    actor: User | None,
    store: Store,
    part: Part,
    window_days: int,
    probabilities: Sequence[float],
    source: str,
    now: datetime | None = None,
) -> Forecast:
    """Takes in what is expected to be wanted of a part; the newest forecast of each counts.

    probabilities[n]: the chance that n pieces are wanted within window_days from now; they are not
    negative and add up to 1 within 1e-6. Until the window is over, the advice rests on it instead
    of the records. actor: who sends it, who needs set_holdings; None: another part of Wearbook.
    Raises Fault or Faults.
    """
    if actor is not None:
        require(actor, Capability.SET_HOLDINGS, store.site)
    refuse(_forecast_faults(window_days, probabilities, source))
    with one_transaction():
        # Without the tail that says nothing, and adding up to 1 as closely as it can be written.
        return Forecast.objects.create(
            store=store,
            part=part,
            window_days=window_days,
            probabilities=[float(p) for p in given(probabilities).pmf],
            source=source.strip(),
            made_at=now or timezone.now(),
        )


# --- Writing ------------------------------------------------------------------------------------


def _lock(store: Store) -> None:
    # Not the key: movements refer to it, and they need not wait.
    Store.objects.select_for_update(no_key=True).get(pk=store.pk)


def _write(
    store: Store,
    rows: Iterable[PartAdvice],
    wanted: Mapping[int, tuple[Levels, int] | None],
    *,
    by: User,
    at: datetime,
) -> Changed:
    """Part id -> (levels, keep back), None: not held. The store must be locked."""
    held = {row.part_id: row for row in Holding.objects.filter(store=store)}
    advised = {row.part.pk: row for row in rows}
    new: list[Holding] = []
    changed: list[Holding] = []
    gone: list[int] = []
    for part, choice in wanted.items():
        row = held.get(part)
        if choice is None:
            if row is not None:
                gone.append(part)
            continue
        levels, keep_back = choice
        if levels_of(row) == levels and row is not None and row.keep_back == keep_back:
            continue
        if row is None:
            row = Holding(store=store, part_id=part, version=0)
            new.append(row)
        else:
            changed.append(row)
        row.reorder_point, row.order_up_to = levels.reorder_point, levels.order_up_to
        row.keep_back, row.version = keep_back, row.version + 1
        row.basis = dict(advised[part].advice.basis(levels))
        row.chosen_by, row.chosen_at = by, at
    Holding.objects.bulk_create(new)
    Holding.objects.bulk_update(changed, _FIELDS)
    Holding.objects.filter(store=store, part__in=gone).delete()
    ledger.plan_again([*(row.part_id for row in (*new, *changed)), *gone], site=store.site)
    return Changed(len(new) + len(changed), len(gone))


def _with_keep_back(row: PartAdvice, levels: Levels | None) -> tuple[Levels, int] | None:
    if levels is None:
        return None
    next_days = row.advice.situation.wanted.over(KEEP_BACK_DAYS)
    return levels, min(next_days.quantile(KEEP_BACK_CHANCE), levels.order_up_to)


def _old_numbers(rows: Iterable[PartAdvice]) -> dict[int, None]:
    return {row.part.pk: None for row in rows if row.part.superseded_by_id is not None}


# --- Refusals -----------------------------------------------------------------------------------


def _require_version(row: Holding | None, version: int | None, part: Part) -> None:
    if version is not None and (row is None or row.version != version):
        raise Stale(
            f"What is held of {part.number} was changed by somebody else since you read it. Look "
            "at it again, then make your change."
        )


def _require_one_of(waiting_percent: float | None, budget: float | None) -> None:
    if (waiting_percent is None) == (budget is None):
        raise Fault(
            "Say either how many percent of demands may wait, or how much money may be bound.",
            field="waiting_percent",
            code="one_of_both",
        )
    if waiting_percent is not None and not 0 < waiting_percent <= 100:
        raise Fault(
            "Give a share of demands above 0 and up to 100 %.",
            field="waiting_percent",
            code="out_of_range",
        )
    if budget is not None and not 0 <= budget < math.inf:
        raise Fault("Give an amount of money from 0 up.", field="budget", code="out_of_range")


def _level_faults(reorder_point: int, order_up_to: int, keep_back: int) -> list[Fault]:
    faults: list[Fault] = []
    if reorder_point < ON_DEMAND:
        faults.append(
            Fault(
                "A reorder point is a whole number from 0 up; -1 orders on demand.",
                field="reorder_point",
                code="out_of_range",
            )
        )
    if not reorder_point < order_up_to <= LARGEST_LEVEL or order_up_to < 0:
        faults.append(
            Fault(
                f"Order up to more than the reorder point, and to {LARGEST_LEVEL:,} at most.",
                field="order_up_to",
                code="out_of_range",
            )
        )
    if not 0 <= keep_back <= max(order_up_to, 0):
        faults.append(
            Fault(
                "Keep back 0 or more, and no more than is ordered up to.",
                field="keep_back",
                code="out_of_range",
            )
        )
    return faults


def _forecast_faults(window_days: int, probabilities: Sequence[float], source: str) -> list[Fault]:
    faults: list[Fault] = []
    if not 1 <= window_days <= LONGEST_WINDOW_DAYS:
        faults.append(
            Fault(
                f"Give a window from 1 to {LONGEST_WINDOW_DAYS} days.",
                field="window_days",
                code="out_of_range",
            )
        )
    if not 1 <= len(probabilities) <= MOST_PROBABILITIES:
        faults.append(
            Fault(
                f"Give from 1 to {MOST_PROBABILITIES} chances, the first that no piece is wanted.",
                field="probabilities",
                code="length",
            )
        )
    elif not all(math.isfinite(p) and 0 <= p <= 1 + _SUMS_TO_ONE for p in probabilities):
        faults.append(
            Fault(
                "Each chance is a figure from 0 to 1.", field="probabilities", code="out_of_range"
            )
        )
    elif abs(math.fsum(probabilities) - 1) > _SUMS_TO_ONE:
        faults.append(
            Fault(
                f"The chances add up to {math.fsum(probabilities):.6f}; they must add up to 1.",
                field="probabilities",
                code="not_one",
            )
        )
    if not source.strip():
        faults.append(Fault("Say where it comes from.", field="source", code="required"))
    elif len(source.strip()) > 200:
        faults.append(Fault("The source has more than 200 characters; shorten it.", field="source"))
    return faults
