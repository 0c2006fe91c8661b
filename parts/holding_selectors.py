"""What the advice on holdings rests on, read for whole stores at once, and the advice itself.

A store's records count from its first movement or demand on, 24 periods of 30 days at most, periods
without a demand too. What was asked for under an old number counts for the one that took its place.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from statistics import median
from typing import Any

from django.db.models import Min, Sum
from django.utils import timezone

from fleet.plumbing.scoping import SiteScopedQuerySet
from parts import catalogue_selectors
from parts.buying_selectors import observed_of
from parts.models import (
    Demand,
    Forecast,
    Holding,
    Movement,
    Part,
    StockLevel,
    Store,
    SupplierPart,
    Transfer,
)
from parts.money_selectors import rates
from parts.rules.demand_distributions import fitted, given
from parts.rules.distances import great_circle_km, transfer_days
from parts.rules.holding_advice import (
    Advice,
    Charges,
    Network,
    Situation,
    Wanted,
    advise,
    advise_network,
    owed_by_central,
)
from parts.rules.lifecycle import TransferState
from parts.rules.money import Rate, convert
from parts.rules.stocking import Levels
from parts.rules.supersession import chain_from

PERIOD_DAYS = 30
PERIODS = 24
# So many must have been seen before they are believed more than what was promised.
FEWEST_SEEN = 3
# Where nobody says how long it takes.
UNKNOWN_LEAD_DAYS = 30.0
_NO_DEMAND: Sequence[int] = ()


# --- Rows ---------------------------------------------------------------------------------------


def holdings() -> SiteScopedQuerySet[Any]:
    rows: SiteScopedQuerySet[Any] = Holding.objects.select_related(
        "store__site", "part", "chosen_by"
    ).order_by("store", "part__number")
    return rows


def holding_of(store: Store, part: Part) -> Holding | None:
    return Holding.objects.select_related("chosen_by").filter(store=store, part=part).first()


def forecasts() -> SiteScopedQuerySet[Any]:
    rows: SiteScopedQuerySet[Any] = Forecast.objects.select_related("store__site", "part")
    return rows.order_by("-id")


def below(store: Store) -> Sequence[Store]:
    """The stores that are restocked from this one, by site."""
    return list(Store.objects.select_related("site").filter(supplied_by=store).order_by("site"))


# --- What is wanted -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Records:
    """What was asked for at some stores: counts by (store, part) and period, and the quantities."""

    periods: Mapping[int, int]
    counts: Mapping[tuple[int, int], Mapping[int, int]]
    quantities: Mapping[tuple[int, int], Sequence[int]]
    forecasts: Mapping[tuple[int, int], Forecast]

    def parts_of(self, store: int) -> set[int]:
        return {part for at, part in (*self.counts, *self.forecasts) if at == store}

    def wanted(self, store: int, part: int) -> Wanted:
        number = self.periods.get(store, 0)
        by_period = self.counts.get((store, part), {})
        pattern = fitted(
            [by_period.get(period, 0) for period in range(number)],
            PERIOD_DAYS,
            self.quantities.get((store, part), _NO_DEMAND),
        )
        row = self.forecasts.get((store, part))
        if row is None:
            return Wanted(pattern)
        return Wanted(pattern, given(row.probabilities), row.window_days, row.source)


def _records(stores: Sequence[Store], today: date) -> _Records:
    by_site = {store.site_id: store.pk for store in stores}
    earliest = today - timedelta(days=PERIOD_DAYS * PERIODS)
    successors = catalogue_selectors.supersessions()
    # One line a 'replace': what was pulled short and the rest of it were asked for at once.
    lines = (
        Demand.objects.live()
        .filter(site__in=list(by_site), part__isnull=False, raised_at__date__gt=earliest)
        .order_by()
        .values("site_id", "part_id", "disposition_id")
        .annotate(pieces=Sum("quantity"), at=Min("raised_at"))
        .values_list("site_id", "part_id", "pieces", "at")
    )
    counts: dict[tuple[int, int], dict[int, int]] = defaultdict(lambda: defaultdict(int))
    quantities: dict[tuple[int, int], list[int]] = defaultdict(list)
    for site, part, pieces, at in lines:
        period = (today - timezone.localdate(at)).days // PERIOD_DAYS
        key = by_site[site], chain_from(part, successors)[-1]
        counts[key][max(period, 0)] += 1
        quantities[key].append(pieces)
    return _Records(_periods(by_site, today), counts, quantities, _forecasts(stores, today))


def _periods(by_site: Mapping[int, int], today: date) -> dict[int, int]:
    """Store id -> periods on record."""
    firsts: dict[int, date] = {}
    for rows in (
        Demand.objects.filter(site__in=list(by_site))
        .order_by()
        .values("site_id")
        .annotate(at=Min("raised_at"))
        .values_list("site_id", "at"),
        Movement.objects.filter(store__site__in=list(by_site))
        .order_by()
        .values("store__site_id")
        .annotate(at=Min("at"))
        .values_list("store__site_id", "at"),
    ):
        for site, at in rows:
            day = timezone.localdate(at)
            firsts[by_site[site]] = min(firsts.get(by_site[site], day), day)
    return {
        store: min((today - first).days // PERIOD_DAYS + 1, PERIODS)
        for store, first in firsts.items()
    }


def _forecasts(stores: Sequence[Store], today: date) -> dict[tuple[int, int], Forecast]:
    """The newest of each store and part, unless its window is over."""
    rows = Forecast.objects.filter(store__in=stores).order_by(
        "store_id", "part_id", "-made_at", "-id"
    )
    newest = rows.distinct("store_id", "part_id")
    return {
        (row.store_id, row.part_id): row
        for row in newest
        if timezone.localdate(row.made_at) + timedelta(days=row.window_days) >= today
    }


# --- How it is restocked ------------------------------------------------------------------------


def _lead_times(part_ids: Iterable[int]) -> tuple[dict[int, SupplierPart], dict[int, Any]]:
    """Part id -> preferred offer, and part id -> lead times seen of its supplier."""
    offers = {
        offer.part_id: offer
        for offer in SupplierPart.objects.filter(
            preferred=True, part__in=set(part_ids), supplier__active=True
        ).select_related("supplier")
    }
    seen = observed_of({o.supplier_id for o in offers.values()}, offers)
    return offers, {
        part: seen[offer.supplier_id, part]
        for part, offer in offers.items()
        if (offer.supplier_id, part) in seen
    }


def days_between(giver: Store, taker: Store) -> tuple[float, str]:
    """Days from asking one store to the receipt at another, and who says so."""
    rows = Transfer.objects.filter(
        from_store=giver, to_store=taker, state=TransferState.RECEIVED.value
    ).order_by("-id")
    seen = [
        (received - raised).total_seconds() / 86400
        for raised, received in rows.values_list("raised_at", "received_at")[:50]
        if received is not None
    ]
    if len(seen) >= FEWEST_SEEN:
        return float(median(seen)), f"median of {len(seen)} transfers from {giver}"
    here, there = _place(giver), _place(taker)
    if here is None or there is None:
        return float(transfer_days(None)), f"taken from {giver}: too few transfers seen yet"
    km = great_circle_km(*here, *there)
    return float(transfer_days(km)), f"by the {km:.0f} km from {giver}: too few seen yet"


def _place(store: Store) -> tuple[float, float] | None:
    if store.latitude_deg is None or store.longitude_deg is None:
        return None
    return float(store.latitude_deg), float(store.longitude_deg)


def _unit_costs(
    store: Store, offers: Mapping[int, SupplierPart], known: Sequence[Rate], today: date
) -> dict[int, float]:
    """Part id -> what a piece is worth on the shelf, else what the preferred offer asks."""
    costs: dict[int, float] = {}
    for part, offer in offers.items():
        price = convert(offer.price, offer.supplier.currency, store.currency, today, known)
        if price:
            costs[part] = float(price)
    levels = StockLevel.objects.filter(store=store, on_hand__gt=0, value__gt=0)
    for part, value, on_hand in levels.values_list("part_id", "value", "on_hand"):
        costs[part] = float(value / on_hand)
    return costs


# --- Advice -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class PartAdvice:
    """The advice for one part in one store beside what is held.

    network: where there are stores below it that want the part, with these in `stores`.
    """

    part: Part
    advice: Advice
    holding: Holding | None
    network: Network | None = None
    stores: tuple[Store, ...] = ()

    @property
    def chosen(self) -> Levels | None:
        return levels_of(self.holding)


def levels_of(holding: Holding | None) -> Levels | None:
    return None if holding is None else Levels(holding.reorder_point, holding.order_up_to)


def advice_for(
    store: Store, *, charges: Charges, today: date, part: Part | None = None
) -> list[PartAdvice]:
    """The advice for each part that is wanted, held or chosen in a store; or for one part.

    A fixed number of queries, whatever the number of parts.
    """
    circle = _circle(store)
    records = _records(circle.all, today)
    held = {
        row.part_id: row
        for row in Holding.objects.select_related("chosen_by").filter(store=store)
        if part is None or row.part_id == part.pk
    }
    if part is None:
        wanted = {p for one in (store, *circle.under) for p in records.parts_of(one.pk)}
        stocked = StockLevel.objects.filter(store=store, on_hand__gt=0)
        ids = wanted | set(held) | set(stocked.values_list("part_id", flat=True))
        parts = Part.objects.in_bulk(ids)
    else:
        parts = {part.pk: part}
    situations = _Situations(store, circle, records, parts, today)
    return [
        _one(situations, parts[pk], held.get(pk), charges)
        for pk in sorted(parts, key=lambda pk: parts[pk].number)
    ]


def _one(
    situations: _Situations, part: Part, holding: Holding | None, charges: Charges
) -> PartAdvice:
    asked = situations.of(part)
    sites = situations.sites_of(part)
    if sites:
        network = advise_network(asked, [s for _, s in sites], charges)
        stores = tuple(store for store, _ in sites)
        return PartAdvice(part, network.central, holding, network, stores)
    return PartAdvice(part, advise(asked, charges), holding)


@dataclass(frozen=True, slots=True)
class _Circle:
    """The stores that bear on one store: what it restocks, over all levels, and what restocks it.

    direct: those right below it, each with all under it; under_centre: all under the central store.
    """

    direct: tuple[tuple[Store, tuple[Store, ...]], ...]
    centre: Store | None
    under_centre: tuple[Store, ...]
    all: tuple[Store, ...]

    @property
    def under(self) -> tuple[Store, ...]:
        return tuple(store for first, rest in self.direct for store in (first, *rest))


def _circle(store: Store) -> _Circle:
    stores = {row.pk: row for row in Store.objects.select_related("site").order_by("site_id")}
    children: dict[int, list[int]] = defaultdict(list)
    for row in stores.values():
        if row.supplied_by_id is not None:
            children[row.supplied_by_id].append(row.pk)

    def all_under(pk: int, seen: frozenset[int]) -> tuple[Store, ...]:
        found: list[Store] = []
        for child in children[pk]:
            if child not in seen:
                found += [stores[child], *all_under(child, seen | {child})]
        return tuple(found)

    itself = frozenset({store.pk})
    direct = tuple(
        (stores[child], all_under(child, itself | {child})) for child in children[store.pk]
    )
    centre = stores.get(store.supplied_by_id) if store.supplied_by_id is not None else None
    under_centre = all_under(centre.pk, frozenset({centre.pk})) if centre else ()
    every = {
        row.pk: row
        for row in (
            store,
            *(s for first, rest in direct for s in (first, *rest)),
            *([centre] if centre else []),
            *under_centre,
        )
    }
    return _Circle(direct, centre, under_centre, tuple(every.values()))


class _Situations:
    """Puts together what is known of each part at one store."""

    def __init__(
        self,
        store: Store,
        circle: _Circle,
        records: _Records,
        parts: Mapping[int, Part],
        today: date,
    ) -> None:
        self.store, self.circle, self.records = store, circle, records
        self.offers, self.seen = _lead_times(parts)
        self.costs = _unit_costs(store, self.offers, rates(), today)
        self.from_centre = days_between(circle.centre, store) if circle.centre else None
        self.to_below = {first.pk: days_between(store, first) for first, _ in circle.direct}
        self.central_held: Mapping[int, Levels] = {
            part: Levels(low, high)
            for part, low, high in Holding.objects.filter(
                store=circle.centre, part__in=parts
            ).values_list("part_id", "reorder_point", "order_up_to")
        }

    def of(self, part: Part) -> Situation:
        under = self._wants(self.circle.under, part)
        asked = self._bought(self.store, part, self.records.wanted(self.store.pk, part.pk), under)
        asked = replace(asked, unit_cost=self.costs.get(part.pk))
        centre = self.circle.centre
        if centre is None or self.from_centre is None:
            return asked
        held = self.central_held.get(part.pk)
        above = self._bought(
            centre,
            part,
            self.records.wanted(centre.pk, part.pk),
            self._wants(self.circle.under_centre, part),
        )
        days, says = self.from_centre
        return replace(
            asked,
            lead_days=days,
            lead_from=says,
            owed=owed_by_central(above, asked.pieces_per_day, held),
            central=str(centre),
            central_stock=held.order_up_to if held else 0,
        )

    def sites_of(self, part: Part) -> list[tuple[Store, Situation]]:
        """The stores right below this one where the part is wanted, as it restocks them."""
        found = []
        for first, rest in self.circle.direct:
            own = self.records.wanted(first.pk, part.pk)
            days, says = self.to_below[first.pk]
            asked = Situation(
                part.pk,
                own,
                days,
                says,
                float(first.target_service),
                below=self._wants(rest, part),
            )
            if asked.pieces_per_day > 0:
                found.append((first, asked))
        return found

    def _wants(self, stores: Iterable[Store], part: Part) -> tuple[Wanted, ...]:
        each = (self.records.wanted(store.pk, part.pk) for store in stores)
        return tuple(wanted for wanted in each if wanted.pieces_per_day > 0)

    def _bought(
        self, store: Store, part: Part, wanted: Wanted, under: tuple[Wanted, ...]
    ) -> Situation:
        """As it is where the store buys from the preferred supplier itself."""
        days, says = self._supplier_days(part)
        offer = self.offers.get(part.pk)
        return Situation(
            part.pk,
            wanted,
            days,
            says,
            float(store.target_service),
            pack_size=offer.pack_size if offer else part.pack_size,
            minimum=offer.minimum_quantity if offer else 1,
            shelf_life_months=part.shelf_life_months,
            below=under,
        )

    def _supplier_days(self, part: Part) -> tuple[float, str]:
        offer = self.offers.get(part.pk)
        if offer is None:
            return UNKNOWN_LEAD_DAYS, "taken, since no preferred offer names a lead time"
        seen = self.seen.get(part.pk)
        if seen is not None and seen.orders >= FEWEST_SEEN:
            return seen.median_days, f"median of {seen.orders} orders to {offer.supplier}"
        return float(offer.lead_days), f"promised by {offer.supplier}"
