"""Drafts of orders, as planning keeps them: one a store and supplier, joined by all that is short.

People add to a draft in parts.services.orders; what they asked for stays beside what planning
asks for. Everything here runs inside planning, which holds the locks.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import datetime

from parts.models import Demand, Order, OrderLine, OrderStep, SupplierPart
from parts.rules.lifecycle import DemandState, OrderState
from parts.rules.ordering import order_quantity
from parts.rules.supply import Place, Want
from parts.services.planning_rows import Rows


def write_wants(rows: Rows, wants: Iterable[Want], *, at: datetime) -> dict[Place, OrderLine]:
    """Puts what is wanted on the drafts: (store id, part id) -> the line that asks for it.

    Lines of these parts that are no longer wanted stand at nought until `tidy` is called: demands
    still point to them.
    """
    by_place = {(want.store, want.part): want.quantity for want in wants}
    drafts = _drafts(rows, by_place, at=at)
    lines = {
        (line.order_id, line.part_id): line
        for line in rows.order_lines.values()
        if rows.orders[line.order_id].state == OrderState.DRAFT.value
    }
    found: dict[Place, OrderLine] = {}
    new: list[OrderLine] = []
    changed: list[OrderLine] = []
    for place, quantity in by_place.items():
        offer = rows.offers[place[1]]
        order = drafts[place[0], offer.supplier_id]
        line = lines.pop((order.pk, place[1]), None)
        if line is None:
            line = OrderLine(order=order, part_id=place[1])
        if line.planned_quantity != quantity:
            _ask(line, quantity, offer)
            (changed if line.pk else new).append(line)
        found[place] = line
    for line in lines.values():
        if line.planned_quantity:
            _ask(line, 0, rows.offers.get(line.part_id))
            changed.append(line)
    OrderLine.objects.bulk_create(new)
    OrderLine.objects.bulk_update(changed, ["planned_quantity", "quantity", "unit_price"])
    _count_on(drafts.values(), rows, (line.order_id for line in (*new, *changed)))
    return found


def _ask(line: OrderLine, planned: int, offer: SupplierPart | None) -> None:
    line.planned_quantity = planned
    if offer is not None and offer.supplier_id == line.order.supplier_id:
        line.unit_price = offer.price
        pack, minimum = offer.pack_size, offer.minimum_quantity
    else:
        # Of a supplier who is not preferred any more: only what a person asked for stays.
        pack, minimum = 1, 1
    wanted = order_quantity(planned + line.manual_quantity, pack_size=pack, minimum=minimum)
    # The column takes no nought; a line that nobody wants goes when the demands have left it.
    line.quantity = max(1, wanted)


def _drafts(
    rows: Rows, wanted: Mapping[Place, int], *, at: datetime
) -> dict[tuple[int, int], Order]:
    """The drafts that are needed, by (store id, supplier id); made where there is none."""
    drafts = {
        (order.store_id, order.supplier_id): order
        for order in rows.orders.values()
        if order.state == OrderState.DRAFT.value
    }
    suppliers = {offer.supplier_id: offer.supplier for offer in rows.offers.values()}
    needed = {(store, rows.offers[part].supplier_id) for store, part in wanted}
    missing = sorted(needed - drafts.keys())
    if not missing:
        return drafts
    # Another run may make the same one at this moment: then this waits for it, and joins it.
    Order.objects.bulk_create(
        [
            Order(
                store_id=store,
                supplier_id=supplier,
                currency=suppliers[supplier].currency,
                state=OrderState.DRAFT.value,
                raised_at=at,
            )
            for store, supplier in missing
        ],
        ignore_conflicts=True,
    )
    rows_now = (
        Order.objects.select_for_update(of=("self",))
        .filter(
            state=OrderState.DRAFT.value,
            store__in={store for store, _ in missing},
            supplier__in={supplier for _, supplier in missing},
        )
        .order_by("pk")
    )
    found = {(order.store_id, order.supplier_id): order for order in rows_now}
    begun = [found[key] for key in missing if found[key].raised_at == at]
    OrderStep.objects.bulk_create(
        OrderStep(order=order, state=order.state, what="Draft begun by planning.", by=None, at=at)
        for order in begun
    )
    return {**found, **drafts}


def _count_on(drafts: Iterable[Order], rows: Rows, order_ids: Iterable[int]) -> None:
    touched = set(order_ids)
    known = {order.pk: order for order in (*drafts, *rows.orders.values())}
    changed = [known[pk] for pk in sorted(touched)]
    for order in changed:
        order.version += 1
    Order.objects.bulk_update(changed, ["version"])


def tidy(rows: Rows) -> None:
    """Takes away lines that nobody asks for, and drafts of planning that have none left."""
    empty: dict[int, list[int]] = defaultdict(list)
    for line in rows.order_lines.values():
        order = rows.orders[line.order_id]
        if order.state != OrderState.DRAFT.value:
            continue
        if not line.planned_quantity and not line.manual_quantity:
            empty[order.pk].append(line.pk)
    if not empty:
        return
    line_ids = [pk for lines in empty.values() for pk in lines]
    # Settled demands remember what they once waited for; that line was never sent.
    Demand.objects.filter(order_line__in=line_ids).exclude(state=DemandState.ORDERED.value).update(
        order_line=None
    )
    OrderLine.objects.filter(pk__in=line_ids).delete()
    Order.objects.filter(pk__in=list(empty), raised_by__isnull=True, lines__isnull=True).delete()
