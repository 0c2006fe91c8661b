"""What takes the place of a part for good, and what may stand in for it where that is allowed.

The catalogue belongs to all sites, and so does this. Each change asks for the supply of the parts
to be planned again.
"""

from __future__ import annotations

from django.utils import timezone

from fleet.access import require_anywhere
from fleet.faults import Conflict, Fault
from fleet.models import User
from fleet.plumbing.locks import Lock, xact_lock
from fleet.roles import Capability
from fleet.services.rows import locked, one_transaction, save_next
from parts.catalogue_selectors import supersessions
from parts.models import Alternative, Part
from parts.rules.supersession import would_loop
from parts.services import ledger

LONGEST_WHY = 200


def supersede(*, actor: User, part: Part, by: Part, version: int | None) -> Part:
    """From now on `by` is ordered in place of `part`, whose stock is used up first.

    Needs keep_catalogue at any site. Locks both parts, and all supersessions against another's.
    Raises Stale when `version` is not the part's; Conflict for a loop, for a part that another has
    taken the place of already, and for two that are not counted alike.
    """
    require_anywhere(actor, Capability.KEEP_CATALOGUE)
    with one_transaction():
        # A loop may close over rows that neither of two people holds: one at a time.
        xact_lock(Lock.SUPERSESSION)
        row = locked(Part, part.pk, version)
        if row.superseded_by_id == by.pk:
            return row
        if row.superseded_by is not None:
            raise Conflict(
                f"{row.number} is superseded by {row.superseded_by.number} already. Take that "
                "back first.",
                field="by",
                code="superseded",
            )
        after = Part.objects.get(pk=by.pk)
        _refuse_unlike(row, after, field="by")
        if would_loop(row.pk, after.pk, supersessions()):
            raise Conflict(
                f"{after.number} leads back to {row.number}, so neither would be the newest. "
                "Look at which of them the maker still sells.",
                field="by",
                code="loop",
            )
        row.superseded_by = after
        save_next(row, "superseded_by")
        ledger.plan_again([row.pk, after.pk])
    return row


def take_back_supersession(*, actor: User, part: Part, version: int | None) -> Part:
    """The part is ordered under its own number again. Needs keep_catalogue at any site.

    Raises Stale when `version` is not the part's, Conflict when it is not superseded.
    """
    require_anywhere(actor, Capability.KEEP_CATALOGUE)
    with one_transaction():
        xact_lock(Lock.SUPERSESSION)
        row = locked(Part, part.pk, version)
        if row.superseded_by_id is None:
            raise Conflict(f"{row.number} is not superseded.", code="not_superseded")
        ledger.plan_again([row.pk, row.superseded_by_id])
        row.superseded_by = None
        save_next(row, "superseded_by")
    return row


def add_alternative(*, actor: User, part: Part, other: Part, why: str) -> Alternative:
    """`other` may stand in for `part` where a fit allows alternatives; not the other way round.

    Needs keep_catalogue at any site. Raises Fault without a reason, Conflict when it stands so
    already or the two are not counted alike.
    """
    require_anywhere(actor, Capability.KEEP_CATALOGUE)
    why = why.strip()
    if not why:
        raise Fault("Say why it may stand in: who said so, or where it is printed.", field="why")
    if len(why) > LONGEST_WHY:
        raise Fault(f"The reason has {len(why)} characters; shorten it to 200.", field="why")
    with one_transaction():
        # By id, as everybody who locks several parts; a change of unit waits.
        rows = Part.objects.select_for_update(no_key=True).filter(pk__in=[part.pk, other.pk])
        found = rows.order_by("pk").in_bulk()
        _refuse_unlike(found[part.pk], found[other.pk], field="other")
        alternative = Alternative.objects.create(
            part=part, other=other, why=why, added_by=actor, added_at=timezone.now()
        )
        ledger.plan_again([part.pk, other.pk])
    return alternative


def remove_alternative(*, actor: User, alternative: Alternative) -> None:
    """The one may no longer stand in for the other. Needs keep_catalogue at any site."""
    require_anywhere(actor, Capability.KEEP_CATALOGUE)
    with one_transaction():
        ledger.plan_again([alternative.part_id, alternative.other_id])
        alternative.delete()


def _refuse_unlike(part: Part, other: Part, *, field: str) -> None:
    if part.pk == other.pk:
        raise Conflict(f"{part.number} does not stand in for itself.", field=field, code="itself")
    if part.is_kit != other.is_kit:
        one, two = ("kit", "single part") if part.is_kit else ("single part", "kit")
        raise Conflict(
            f"{part.number} is a {one} and {other.number} a {two}: a count of one is no count of "
            "the other. Name the new one where it fits instead.",
            field=field,
            code="unlike",
        )
    if part.unit != other.unit:
        raise Conflict(
            f"{part.number} is counted in {part.unit}s and {other.number} in {other.unit}s. Name "
            "the new one where it fits instead.",
            field=field,
            code="unlike",
        )
