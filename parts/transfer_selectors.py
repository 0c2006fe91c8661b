"""Transfers as both ends see them, and what a store's shelves show beside their sums."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from enum import StrEnum
from typing import Any

from django.db.models import (
    Case,
    F,
    IntegerField,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Sum,
    Value,
    When,
)
from django.db.models.functions import Coalesce

from fleet.models import Site
from fleet.plumbing.scoping import Person, SiteScopedQuerySet, memberships_of
from parts import selectors
from parts.models import BatchLevel, Demand, Movement, Part, Store, StoreQuerySet, Transfer
from parts.rules.lifecycle import MovementKind, TransferState


class Show(StrEnum):
    """Which transfers a list shows; seen from one's own stores."""

    OPEN = "open"
    SEND = "send"
    RECEIVE = "receive"
    ASKED = "asked"
    AWAY = "away"
    DONE = "done"

    @property
    def label(self) -> str:
        return {
            Show.OPEN: "are not settled",
            Show.SEND: "are to be sent",
            Show.RECEIVE: "are to be received",
            Show.ASKED: "were asked of others",
            Show.AWAY: "are on their way to others",
            Show.DONE: "are settled",
        }[self]


def transfers() -> SiteScopedQuerySet[Any]:
    rows: SiteScopedQuerySet[Any] = Transfer.objects.select_related(
        "from_store__site", "to_store__site", "part", "raised_by", "sent_by", "received_by"
    ).order_by("-id")
    return rows


def seen_as(show: Show, sites: QuerySet[Any]) -> Q:
    """The transfers of a list, for somebody of these sites."""
    ours_out, ours_in = Q(from_store__site__in=sites), Q(to_store__site__in=sites)
    planned, sent = Q(state=TransferState.PLANNED.value), Q(state=TransferState.SENT.value)
    return {
        Show.OPEN: planned | sent,
        Show.SEND: planned & ours_out,
        Show.RECEIVE: sent & ours_in,
        Show.ASKED: planned & ours_in & ~ours_out,
        Show.AWAY: sent & ours_out & ~ours_in,
        Show.DONE: ~(planned | sent),
    }[show]


def transfers_shown(user: Person, show: Show, store: Store | None = None) -> QuerySet[Any]:
    """A list: what is to be received first, then what is to be sent, then what others do.

    store: only those from or to it, seen from there.
    """
    rows = transfers().visible_to(user)
    if store is not None:
        rows = rows.filter(Q(from_store=store) | Q(to_store=store))
    sites = _sites(user, store)
    return rows.filter(seen_as(show, sites)).order_by(
        Case(
            When(seen_as(Show.RECEIVE, sites), then=Value(0)),
            When(seen_as(Show.SEND, sites), then=Value(1)),
            default=Value(2),
            output_field=IntegerField(),
        ),
        F("id").desc() if show is Show.DONE else F("id").asc(),
    )


def counts_by_show(user: Person, store: Store | None = None) -> dict[Show, int]:
    rows = transfers().visible_to(user).order_by()
    if store is not None:
        rows = rows.filter(Q(from_store=store) | Q(to_store=store))
    sites = _sites(user, store)
    return {show: rows.filter(seen_as(show, sites)).count() for show in Show}


def _sites(user: Person, store: Store | None) -> QuerySet[Any]:
    if store is not None:
        return Site.objects.filter(pk=store.site_id).values("pk")
    return memberships_of(user).values("site_id")


def movements_of(transfer: Transfer, user: Person) -> SiteScopedQuerySet[Any]:
    """The ledger lines of a transfer, oldest first: those of the stores that the user sees."""
    rows = selectors.movements().select_related("store__site", "batch").visible_to(user)
    return rows.filter(transfer=transfer).order_by("id")


def demand_of(transfer: Transfer, user: Person) -> Demand | None:
    """Whom it is for, if the user may see that; the giver is told the site alone."""
    if transfer.demand_id is None:
        return None
    return (
        Demand.objects.visible_to(user)
        .select_related("inspection__pump", "disposition")
        .filter(pk=transfer.demand_id)
        .first()
    )


def store_that_holds(part: Part, site_name: str) -> Store | None:
    """The store of a site that has some of the part free, by the name that holders_of shows.

    Over the fence, as holders_of: who was told the name may ask there.
    """
    if site_name not in {holder.site_name for holder in selectors.holders_of(part)}:
        return None
    return Store.objects.select_related("site").filter(site__name=site_name).first()


# --- Shelves ------------------------------------------------------------------------------------


def shelves_of(store: Store, today: date) -> SiteScopedQuerySet[Any]:
    """The levels of a store in bin order, each with `missing`, `expired`, `next_batch` and
    `next_expiry`: the lot that is taken first."""
    return with_batches(selectors.stock_at(store), today)


def with_batches(levels: SiteScopedQuerySet[Any], today: date) -> SiteScopedQuerySet[Any]:
    lots = BatchLevel.objects.filter(
        store=OuterRef("store"),
        batch__part=OuterRef("part"),
        batch__part__shelf_life_months__isnull=False,
        on_hand__gt=0,
    )
    gone = (
        lots.filter(batch__expires_on__lt=today)
        .order_by()
        .values("batch__part")
        .annotate(pieces=Sum("on_hand"))
        .values("pieces")
    )
    first = lots.filter(batch__expires_on__gte=today).order_by("batch__expires_on", "batch_id")
    return levels.annotate(
        expired=Coalesce(Subquery(gone), 0),
        next_batch=Subquery(first.values("batch__code")[:1]),
        next_expiry=Subquery(first.values("batch__expires_on")[:1]),
        free=F("on_hand") - F("reserved") - F("expired"),
    )


# --- Stores -------------------------------------------------------------------------------------


def stores_with_supplier() -> StoreQuerySet:
    return selectors.stores().select_related("supplied_by")


def worth_of(store: Store) -> Any:
    """What lies in a store, in its currency."""
    return store.levels.aggregate(worth=Sum("value", default=0))["worth"]


def lost_with(rows: Iterable[Transfer]) -> dict[int, str]:
    """Why some of a received transfer did not come, by its id."""
    lines = Movement.objects.filter(transfer__in=list(rows), kind=MovementKind.TRANSFER_LOSS.value)
    return dict(lines.values_list("transfer_id", "reason"))
