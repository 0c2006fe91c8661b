"""What planning reads of a few families of parts, all of it locked, and how it sees that."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from django.db.models import Q, Sum
from django.db.models.functions import Coalesce

from parts.catalogue_selectors import supersessions
from parts.models import (
    Alternative,
    BatchLevel,
    Demand,
    Holding,
    Order,
    OrderLine,
    Part,
    StockLevel,
    Store,
    SupplierPart,
    Transfer,
)
from parts.rules.lifecycle import COMMITTED, PLANNED, DemandState, OrderState, TransferState
from parts.rules.substitutes import families, numbers_for
from parts.rules.supersession import chain_from
from parts.rules.supply import (
    Article,
    Inbound,
    Level,
    Line,
    Offer,
    Place,
    PlannedTransfer,
    Shelf,
    Situation,
    Source,
    SourceKind,
    StorePlace,
)
from parts.services import ledger
from parts.services.stock import urgency_of

# A store that would not restock another is not asked again for so long.
REFUSAL_HOLDS = timedelta(days=7)
_OPEN = [state.value for state in PLANNED]


def families_of(part_ids: Collection[int]) -> Sequence[tuple[int, ...]]:
    """The families of these parts, whole: what shares stock with any of them is in it."""
    links: list[tuple[int, int]] = list(supersessions().items())
    links += Alternative.objects.values_list("part_id", "other_id")
    # Also what was arranged while a number could still stand in for the other.
    links += Demand.objects.filter(state__in=_OPEN, supplied_part__isnull=False).values_list(
        "part_id", "supplied_part_id"
    )
    asked = set(part_ids)
    return [family for family in families(asked, links) if not asked.isdisjoint(family)]


@dataclass(frozen=True, slots=True)
class Rows:
    """Locked rows of some families of parts, by id or by (store id, part id)."""

    today: date
    parts: Mapping[int, Part]
    stores: Mapping[int, Store]
    levels: Mapping[Place, StockLevel]
    demands: Mapping[int, Demand]
    # What planning made and nobody has sent; the others arrive whatever it decides.
    own_transfers: Mapping[int, Transfer]
    under_way: Sequence[Transfer]
    orders: Mapping[int, Order]
    order_lines: Mapping[int, OrderLine]
    offers: Mapping[int, SupplierPart]
    superseded_by: Mapping[int, int]


def lock_rows(part_ids: Collection[int], today: date) -> Rows:
    """Reads and locks all that bears on the supply of these parts, in the order of the ledger.

    part_ids: whole families.
    """
    ids = sorted(part_ids)
    parts = Part.objects.in_bulk(ids)
    stores = Store.objects.select_related("site").in_bulk()
    superseded_by = supersessions()
    offers = {
        offer.part_id: offer
        for offer in SupplierPart.objects.filter(
            part__in=ids, preferred=True, supplier__active=True
        ).select_related("supplier")
    }
    levels = ledger.lock_all_levels(_places(ids, stores, superseded_by))
    transfers = list(
        Transfer.objects.select_for_update(of=("self",))
        .filter(part__in=ids, state__in=[TransferState.PLANNED.value, TransferState.SENT.value])
        .order_by("pk")
    )
    orders = _lock_orders(ids, offers)
    lines = OrderLine.objects.filter(order__in=orders, part__in=ids).order_by("pk").in_bulk()
    demands = {
        demand.pk: demand
        for demand in Demand.objects.select_for_update(of=("self",))
        .filter(part__in=ids, state__in=_OPEN)
        .select_related("inspection__need", "inspection__pump")
        .order_by("pk")
    }
    by_site = {store.site_id: store.pk for store in stores.values()}
    # What came between the two reads has asked for planning itself, which will see it.
    seen = {
        pk: demand
        for pk, demand in demands.items()
        if (by_site.get(demand.site_id), demand.part_id) in levels
        and (by_site.get(demand.site_id), demand.pulled_part_id) in levels
    }
    own, under_way = {}, []
    for transfer in transfers:
        if transfer.state == TransferState.SENT.value or transfer.raised_by_id is not None:
            under_way.append(transfer)
        elif transfer.demand_id not in demands or transfer.demand_id in seen:
            # For one that waits, to restock, or for one that is settled and will be called off.
            own[transfer.pk] = transfer
    return Rows(
        today,
        parts,
        stores,
        levels,
        seen,
        {pk: t for pk, t in own.items() if (t.from_store_id, t.part_id) in levels},
        under_way,
        orders,
        lines,
        offers,
        superseded_by,
    )


def _places(
    ids: Sequence[int], stores: Mapping[int, Store], superseded_by: Mapping[int, int]
) -> set[Place]:
    """Wherever some lies, is wanted, or may be sent to."""
    levels = StockLevel.objects.filter(part__in=ids).order_by()
    there = levels.values_list("store_id", "part_id", "on_hand")
    places: set[Place] = set()
    stocked: set[int] = set()
    for at_store, at_part, on_hand in there:
        places.add((at_store, at_part))
        if on_hand:
            stocked.add(at_part)
    by_site = {store.site_id: store.pk for store in stores.values()}
    alternatives = _alternatives(ids)
    wanted = Demand.objects.filter(part__in=ids, state__in=_OPEN).values_list(
        "site_id", "part_id", Coalesce("supplied_part_id", "part_id")
    )
    for site, part, supplied in wanted.distinct():
        store = by_site.get(site)
        if store is None or part is None or supplied is None:
            continue
        direct, others = numbers_for(part, superseded_by, alternatives)
        places.update({(store, part), (store, supplied)})
        places.update((store, number) for number in (*direct, *others) if number in stocked)
    for holder, part in Holding.objects.filter(part__in=ids).values_list("store_id", "part_id"):
        places.update({(holder, part), (holder, chain_from(part, superseded_by)[-1])})
    return places


def _alternatives(ids: Sequence[int]) -> dict[int, list[int]]:
    found: dict[int, list[int]] = defaultdict(list)
    rows = Alternative.objects.filter(part__in=ids).order_by("part_id", "other__number")
    for part, other in rows.values_list("part_id", "other_id"):
        found[part].append(other)
    return found


def _lock_orders(ids: Sequence[int], offers: Mapping[int, SupplierPart]) -> dict[int, Order]:
    """The orders that ask for the parts, and the drafts that what is missing may join."""
    states = [OrderState.DRAFT.value, *(state.value for state in COMMITTED)]
    asking = OrderLine.objects.filter(part__in=ids, order__state__in=states).values("order_id")
    suppliers = {offer.supplier_id for offer in offers.values()}
    rows = (
        Order.objects.select_for_update(of=("self",))
        .filter(
            Q(pk__in=asking) | Q(state=OrderState.DRAFT.value, supplier__in=suppliers),
            state__in=states,
        )
        .select_related("supplier")
        .order_by("pk")
    )
    return {order.pk: order for order in rows}


# --- As the rule sees it ------------------------------------------------------------------------


def situation_of(rows: Rows) -> Situation:
    """The same in plain values."""
    ids = sorted(rows.parts)
    alternatives = _alternatives(ids)
    articles = {}
    for part in rows.parts.values():
        direct, others = numbers_for(part.pk, rows.superseded_by, alternatives)
        articles[part.pk] = Article(part.pk, part.number, direct, others)
    holdings = list(Holding.objects.filter(part__in=ids).order_by("store_id", "part_id"))
    stores = {
        store.pk: StorePlace(
            store.pk,
            store.site.name,
            None if store.latitude_deg is None else float(store.latitude_deg),
            None if store.longitude_deg is None else float(store.longitude_deg),
            store.supplied_by_id,
        )
        for store in rows.stores.values()
    }
    by_site = {store.site_id: store.pk for store in rows.stores.values()}
    lines = [_line(rows, demand, by_site[demand.site_id]) for demand in rows.demands.values()]
    return Situation(
        today=rows.today,
        stores=stores,
        articles=articles,
        shelves=_shelves(rows, lines, holdings),
        lines=lines,
        inbounds=_inbounds(rows),
        transfers=[
            PlannedTransfer(
                t.pk,
                t.from_store_id,
                t.to_store_id,
                t.part_id,
                t.quantity,
                t.demand_id,
                t.expected_on or rows.today,
            )
            for t in rows.own_transfers.values()
        ],
        offers={
            part: Offer(offer.supplier_id, offer.supplier.name, offer.lead_days)
            for part, offer in rows.offers.items()
        },
        levels=_holding_levels(rows, articles, holdings),
        refused=frozenset(
            Transfer.objects.filter(
                part__in=ids, state=TransferState.REFUSED.value, demand__isnull=False
            )
            .order_by()
            .values_list("demand_id", "from_store_id")
        ),
        refused_restocking=frozenset(
            Transfer.objects.filter(
                part__in=ids,
                state=TransferState.REFUSED.value,
                demand__isnull=True,
                raised_at__date__gt=rows.today - REFUSAL_HOLDS,
            )
            .order_by()
            .values_list("from_store_id", "to_store_id", "part_id")
        ),
    )


def _line(rows: Rows, demand: Demand, store: int) -> Line:
    need = getattr(demand.inspection, "need", None)
    assert demand.part_id is not None  # noqa: S101  # only an unmatched one has none
    return Line(
        id=demand.pk,
        store=store,
        part=demand.part_id,
        quantity=demand.quantity,
        urgency=urgency_of(demand),
        needed_on=need.needed_on if need else None,
        alternatives_allowed=demand.alternatives_allowed,
        source=_source(rows, demand),
        name=demand.inspection.pump.tag,
    )


def _source(rows: Rows, demand: Demand) -> Source:
    part = demand.pulled_part_id
    assert part is not None  # noqa: S101  # only an unmatched one has none
    if demand.state == DemandState.RESERVED.value:
        return Source(SourceKind.SHELF, part)
    if demand.state == DemandState.COMING.value:
        return Source(SourceKind.TRANSFER, part, demand.transfer_id, demand.expected_on)
    if demand.state == DemandState.ORDERED.value:
        line = rows.order_lines.get(demand.order_line_id or 0)
        order = None if line is None else rows.orders[line.order_id]
        if order is None or order.state != OrderState.DRAFT.value:
            return Source(SourceKind.DELIVERY, part, demand.order_line_id, demand.expected_on)
        offer = rows.offers.get(part)
        if offer is not None and offer.supplier_id == order.supplier_id:
            return Source(SourceKind.ORDER, part, None, demand.expected_on)
        # It is now bought elsewhere: the line leaves this draft. No transfer has this number.
        return Source(SourceKind.DELIVERY, part, None, demand.expected_on)
    return Source(SourceKind.NONE, part)


def _shelves(rows: Rows, lines: Sequence[Line], holdings: Sequence[Holding]) -> dict[Place, Shelf]:
    promised: Counter[Place] = Counter()
    for line in lines:
        if line.source.kind is SourceKind.SHELF:
            promised[line.store, line.source.part] += line.quantity
    for transfer in rows.own_transfers.values():
        promised[transfer.from_store_id, transfer.part_id] += transfer.quantity
    keep_back = {(h.store_id, h.part_id): h.keep_back for h in holdings}
    expired = _expired(rows)
    return {
        at: Shelf(
            on_hand=level.on_hand,
            usable=level.on_hand - expired[at] - (level.reserved - promised[at]),
            expired=expired[at],
            keep_back=keep_back.get(at, 0),
            bin=level.bin,
        )
        for at, level in rows.levels.items()
    }


def _expired(rows: Rows) -> Counter[Place]:
    ageing = [part.pk for part in rows.parts.values() if part.ages]
    found = (
        BatchLevel.objects.filter(
            batch__part__in=ageing, batch__expires_on__lt=rows.today, on_hand__gt=0
        )
        .order_by()
        .values_list("store_id", "batch__part_id")
        .annotate(pieces=Sum("on_hand"))
    )
    return Counter({(store, part): pieces for store, part, pieces in found})


def _inbounds(rows: Rows) -> list[Inbound]:
    found = [
        Inbound(
            SourceKind.TRANSFER,
            t.pk,
            t.to_store_id,
            t.part_id,
            t.quantity,
            t.expected_on,
            rows.stores[t.from_store_id].site.name,
        )
        for t in rows.under_way
    ]
    for line in rows.order_lines.values():
        order = rows.orders[line.order_id]
        if order.state != OrderState.DRAFT.value and line.open_quantity:
            found.append(
                Inbound(
                    SourceKind.DELIVERY,
                    line.pk,
                    order.store_id,
                    line.part_id,
                    line.open_quantity,
                    _expected(rows, order, line),
                    f"order {order.pk} to {order.supplier}",
                )
            )
    return found


def _expected(rows: Rows, order: Order, line: OrderLine) -> date | None:
    """The day promised, else what the offer says from the day it left planning's hands."""
    if line.promised_on is not None:
        return line.promised_on
    offer = rows.offers.get(line.part_id)
    if offer is None or offer.supplier_id != order.supplier_id:
        return None
    since = order.sent_at or order.submitted_at or order.raised_at
    return since.date() + timedelta(days=offer.lead_days)


def _holding_levels(
    rows: Rows, articles: Mapping[int, Article], holdings: Sequence[Holding]
) -> list[Level]:
    """What is to be held, of the newest numbers: an old one is not bought any more."""
    asked_for: Counter[Place] = Counter()
    for line in rows.order_lines.values():
        order = rows.orders[line.order_id]
        if order.state == OrderState.DRAFT.value:
            asked_for[order.store_id, line.part_id] += line.manual_quantity
    chosen: dict[Place, Holding] = {}
    for holding in holdings:
        at = (holding.store_id, articles[holding.part_id].newest)
        if at not in chosen or holding.part_id == at[1]:
            chosen[at] = holding
    return [
        Level(*at, holding.reorder_point, holding.order_up_to, asked_for[at])
        for at, holding in chosen.items()
    ]
