"""What the stores pages and the API read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db.models import (
    CharField,
    Count,
    F,
    Func,
    Min,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Sum,
    Value,
)
from django.db.models.functions import Coalesce, NullIf

from fleet.models import PumpModel, Site
from fleet.plumbing.scoping import Person, SiteScopedQuerySet
from inspections.models import Inspection
from parts.catalogue_selectors import called
from parts.models import Demand, Fit, Movement, Part, StockLevel, Store, StoreQuerySet
from parts.rules.lifecycle import SETTLED, WAITING, DemandState


@dataclass(frozen=True, slots=True)
class Holder:
    """A site with stock of a part that nobody has reserved."""

    site_name: str
    available: int


def holders_of(part: Part) -> list[Holder]:
    """All sites with unreserved stock of the part, the largest stock first.

    It looks over the fence on purpose: whoever is short must learn whom to ask. Only the site's
    name and one number leave the other site's scope; no row and no id does.
    """
    rows = (
        StockLevel.objects.filter(part=part, on_hand__gt=F("reserved"))
        .annotate(free=F("on_hand") - F("reserved"))
        .order_by("-free", "store__site__name")
        .values_list("store__site__name", "free")
    )
    return [Holder(name, free) for name, free in rows]


# --- Catalogue ----------------------------------------------------------------------------------


def catalogue(query: str = "") -> QuerySet[Part]:
    """Parts found by every word of `query` (any number or the name), with what lies in each kit."""
    parts = Part.objects.select_related("superseded_by").order_by("number")
    return matching(parts.prefetch_related("contents__part"), query)


def matching(parts: QuerySet[Part], query: str) -> QuerySet[Part]:
    for word in query.split():
        parts = parts.filter(called(word))
    return parts


def pump_models() -> QuerySet[PumpModel]:
    return PumpModel.objects.order_by("maker", "designation")


def fits() -> QuerySet[Fit]:
    return Fit.objects.select_related("part", "model").order_by(
        "model", "component", F("serial_from").asc(nulls_first=True)
    )


def fits_of(model: PumpModel) -> QuerySet[Fit]:
    return fits().filter(model=model)


# --- Stores -------------------------------------------------------------------------------------


def stores() -> StoreQuerySet:
    return Store.objects.select_related("site")


def stores_of(user: Person) -> StoreQuerySet:
    return stores().visible_to(user).order_by("site__name")


def sites() -> QuerySet[Site]:
    return Site.objects.order_by("name")


def sites_without_store(user: Person) -> QuerySet[Site]:
    """Sites of the user that have no store yet."""
    return Site.objects.visible_to(user).filter(store__isnull=True).order_by("name")


def with_missing(levels: SiteScopedQuerySet[Any]) -> SiteScopedQuerySet[Any]:
    """Levels with `missing`: how many the site's short demands of the part ask for in all."""
    short = (
        Demand.objects.filter(
            site=OuterRef("store__site"),
            part=OuterRef("part"),
            state__in=[s.value for s in WAITING],
        )
        .order_by()
        .values("part")
        .annotate(pieces=Sum("quantity"))
        .values("pieces")
    )
    rows: SiteScopedQuerySet[Any] = levels.select_related("part", "store__site").annotate(
        missing=Coalesce(Subquery(short), 0)
    )
    return rows


def stock_levels() -> SiteScopedQuerySet[Any]:
    return with_missing(StockLevel.objects.all())


def stock_at(store: Store) -> SiteScopedQuerySet[Any]:
    """The levels of one store in bin order, each with `missing`."""
    return stock_levels().filter(store=store).order_by(_WALK, "part__number")


def _as_walked(bin: str) -> Func:
    """Bins as one walks along them, A-2 before A-10: with their figures filled up by noughts."""
    padded = Func(
        F(bin), Value(r"(\d+)"), Value(r"0000000000\1"), Value("g"), function="regexp_replace"
    )
    return Func(
        padded,
        Value(r"0*(\d{10})"),
        Value(r"\1"),
        Value("g"),
        function="regexp_replace",
        output_field=CharField(),
    )


_WALK = _as_walked("bin")


def movements() -> SiteScopedQuerySet[Any]:
    """Ledger lines with all that is shown of them, newest first."""
    return Movement.objects.select_related("store", "part", "batch", "by").order_by("-id")


def movements_of(store: Store, part: Part) -> SiteScopedQuerySet[Any]:
    return movements().filter(store=store, part=part)


# --- Demands ------------------------------------------------------------------------------------


def inspections_with_demands() -> SiteScopedQuerySet[Any]:
    """Inspections with a live demand.

    Each has pump and site at hand and, beside it, one count a state (`reserved_count`, say),
    `open_count`, and `waiting_since`, its oldest demand's time.
    """
    gone = (DemandState.CANCELLED, DemandState.RETURNED)
    live = ~Q(demands__state__in=[s.value for s in gone])
    still_open = Q(demands__state__in=[s.value for s in DemandState if s not in SETTLED])
    return (
        Inspection.objects.select_related("site", "pump__model")
        .annotate(
            **{
                f"{state.value}_count": Count("demands", filter=Q(demands__state=state.value))
                for state in DemandState
                if state not in gone
            },
            open_count=Count("demands", filter=still_open),
            waiting_since=Min("demands__raised_at", filter=live),
        )
        .filter(waiting_since__isnull=False)
        .order_by()
    )


def still_to_pull(inspections: SiteScopedQuerySet[Any]) -> SiteScopedQuerySet[Any]:
    return inspections.filter(open_count__gt=0)


def pull_lists(user: Person, *, done: bool = False) -> SiteScopedQuerySet[Any]:
    """The user's inspections with demands not all issued yet (`done`: all issued), oldest first."""
    rows = inspections_with_demands().visible_to(user).order_by("waiting_since", "id")
    return rows.filter(open_count=0) if done else still_to_pull(rows)


def with_shelf(demands: SiteScopedQuerySet[Any]) -> SiteScopedQuerySet[Any]:
    """Demands with all that is shown of them, and where they lie: `bin`, '' when not known."""
    pulled = Coalesce(OuterRef("supplied_part"), OuterRef("part"))
    # Without an order of its own: that would be joined in while it is compiled, in an object which
    # the threads of the server share.
    level = StockLevel.objects.filter(store__site=OuterRef("site"), part=pulled).order_by()
    rows: SiteScopedQuerySet[Any] = demands.select_related(
        "site",
        "part",
        "supplied_part",
        "disposition",
        "inspection__pump",
        "inspection__need",
        "issued_by",
    ).annotate(bin=Coalesce(Subquery(level.values("bin")[:1]), Value("")))
    return rows


def demands() -> SiteScopedQuerySet[Any]:
    return with_shelf(Demand.objects.order_by("-id"))


def pull_list(inspection: Inspection) -> SiteScopedQuerySet[Any]:
    """The live demands of an inspection in the order in which one walks along the bins."""
    rows = with_shelf(Demand.objects.filter(inspection=inspection).live())
    return rows.order_by(
        NullIf("bin", Value("")).asc(nulls_last=True), F("part__number").asc(nulls_last=True), "id"
    )
