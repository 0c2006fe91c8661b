"""What a number leads to, and what may stand in for what."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.db.models import Exists, F, OuterRef, Q, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce

from fleet.plumbing.scoping import SiteScopedQuerySet
from parts.models import (
    Alternative,
    Batch,
    BatchLevel,
    KitOpening,
    Part,
    StockLevel,
    Store,
    SupplierPart,
)
from parts.rules.numbers import normalised
from parts.rules.supersession import chain_from


def find_part(text: str) -> Part | None:
    """The part that a typed or scanned number means: maker's, own or a supplier's, in this order.

    An old number finds its old part; `newest` leads from there to what took its place. None for
    what is not in the catalogue, and for a supplier's number that several parts share.
    """
    number = normalised(text)
    if not number or "\x00" in number:  # which the database cannot even look for
        return None
    parts = Part.objects.select_related("superseded_by")
    found = parts.filter(number=number).first() or parts.filter(own_number=number).first()
    if found is not None:
        return found
    offered = list(parts.filter(offers__supplier_number__iexact=number).distinct()[:2])
    return offered[0] if len(offered) == 1 else None


def newest(part: Part) -> Part:
    """What is to be used in place of the part: itself, unless it is superseded."""
    seen = {part.pk}
    while (after := part.superseded_by) is not None and after.pk not in seen:
        seen.add(after.pk)
        part = after
    return part


def supersessions() -> dict[int, int]:
    """All old parts with what took their place, by id; a small part of any catalogue."""
    old = Part.objects.filter(superseded_by__isnull=False)
    return {pk: by for pk, by in old.values_list("pk", "superseded_by") if by is not None}


def newest_of(parts: Iterable[Part]) -> dict[int, Part]:
    """For those of `parts` that are superseded: id -> the newest part. Two queries in all."""
    after = supersessions()
    last = {part.pk: chain_from(part.pk, after)[-1] for part in parts if part.pk in after}
    found = Part.objects.in_bulk(set(last.values()))
    return {pk: found[end] for pk, end in last.items()}


def older_than(part: Part) -> list[Part]:
    """All parts that this one took the place of, directly or through others, by number."""
    after = supersessions()
    ids = [old for old in after if part.pk in chain_from(old, after)[1:]]
    return list(Part.objects.filter(pk__in=ids).order_by("number"))


def called(word: str) -> Q:
    """Parts with `word` in one of their numbers or the name; for filters of Part."""
    offers = SupplierPart.objects.filter(part=OuterRef("pk"), supplier_number__icontains=word)
    return (
        Q(number__icontains=word)
        | Q(own_number__icontains=word)
        | Q(name__icontains=word)
        | Q(Exists(offers))
    )


def alternatives() -> QuerySet[Alternative]:
    return Alternative.objects.select_related("part", "other", "added_by").order_by(
        "part__number", "other__number"
    )


def openings() -> SiteScopedQuerySet[Any]:
    """Kits that were opened for single parts, newest first."""
    return KitOpening.objects.select_related("store__site", "kit", "batch", "opened_by").order_by(
        "-id"
    )


# --- Batches ------------------------------------------------------------------------------------


def find_batch(part: Part, code: str) -> Batch | None:
    """The batch of a part by the code on its label."""
    return Batch.objects.filter(part=part, code=normalised(code)).first()


def batch_levels() -> SiteScopedQuerySet[Any]:
    """What lies in the stores by batch, the first to expire first."""
    return (
        BatchLevel.objects.filter(on_hand__gt=0)
        .select_related("store__site", "batch__part")
        .order_by("batch__expires_on", "batch__part__number", "id")
    )


def without_batch(store: Store) -> list[StockLevel]:
    """Levels of a store with pieces of a part that ages and no batch; each with `loose`."""
    in_batches = (
        BatchLevel.objects.filter(store=OuterRef("store"), batch__part=OuterRef("part"))
        .order_by()
        .values("store")
        .annotate(pieces=Sum("on_hand"))
        .values("pieces")
    )
    return list(
        StockLevel.objects.filter(store=store, part__shelf_life_months__isnull=False)
        .annotate(loose=F("on_hand") - Coalesce(Subquery(in_batches), 0))
        .filter(loose__gt=0)
        .select_related("part", "store__site")
        .order_by("part__number")
    )
