"""Parts, what lies in a kit, and which part renews which component of a pump model.

The catalogue belongs to all sites: whoever keeps it at one site keeps it for all.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fleet.access import require_anywhere
from fleet.faults import Conflict, Fault
from fleet.models import PumpModel, User
from fleet.roles import Capability
from fleet.services.rows import column_faults, locked, one_transaction, refuse, save_next
from fleet.vocabulary import COMPONENTS, PumpFamily
from parts.models import Fit, KitContent, Part

LARGEST_QUANTITY = 1000

_CHANGEABLE = frozenset({"number", "name", "unit", "is_kit"})


def normalised(number: str) -> str:
    """A part number as the catalogue writes it, from what was typed or scanned."""
    return number.strip().upper()


def add_part(
    *, actor: User, number: str, name: str, unit: str = "piece", is_kit: bool = False
) -> Part:
    """Adds a part to the catalogue. Needs keep_catalogue at any site; writes one Part.

    Raises Conflict when the number is taken, Fault or Faults for what cannot be stored.
    """
    require_anywhere(actor, Capability.KEEP_CATALOGUE)
    part = Part(number=normalised(number), name=name.strip(), unit=unit.strip(), is_kit=is_kit)
    refuse(column_faults(part))
    with one_transaction():
        part.save(force_insert=True)
    return part


def change_part(*, actor: User, part: Part, version: int | None, **fields: Any) -> Part:
    """Changes number, name, unit or is_kit. Needs keep_catalogue at any site; locks the part.

    Raises Stale when `version` is not the part's, Conflict when the number is taken, when a kit
    with contents would stop being one or a part of a kit would become one.
    """
    require_anywhere(actor, Capability.KEEP_CATALOGUE)
    unknown = sorted(fields.keys() - _CHANGEABLE)
    if unknown:
        raise TypeError(f"Not among the fields of a part that can be set: {unknown}")
    with one_transaction():
        row = locked(Part, part.pk, version)
        if fields.get("is_kit") is False and row.contents.exists():
            raise Conflict(
                f"{row.number} has contents. Empty the kit first, then make it a single part.",
                field="is_kit",
                code="kit_not_empty",
            )
        if fields.get("is_kit") is True and row.in_kits.exists():
            raise Conflict(
                f"{row.number} lies in a kit, so it cannot be a kit itself. Take it out of that "
                "kit first.",
                field="is_kit",
                code="lies_in_kit",
            )
        for name, value in fields.items():
            setattr(row, name, value.strip() if isinstance(value, str) else value)
        row.number = normalised(row.number)
        refuse(column_faults(row))
        save_next(row, *fields)
    return row


def set_kit_contents(
    *, actor: User, kit: Part, version: int | None, contents: Sequence[tuple[Part, int]]
) -> Part:
    """Replaces all that lies in a kit. Needs keep_catalogue at any site; locks kit and parts.

    contents: (part, quantity) pairs, each part once and no kit among them.
    Raises Stale when `version` is not the kit's, Conflict when it is no kit, Fault or Faults.
    """
    require_anywhere(actor, Capability.KEEP_CATALOGUE)
    with one_transaction():
        row = locked(Part, kit.pk, version)
        if not row.is_kit:
            raise Conflict(
                f"{row.number} is a single part, so nothing lies in it. Make it a kit first.",
                field="contents",
                code="not_a_kit",
            )
        # Locked so that none becomes a kit meanwhile; by id, so that writers queue in one order.
        ids = [part.pk for part, _quantity in contents]
        fresh = Part.objects.select_for_update().filter(pk__in=ids).order_by("pk").in_bulk()
        refuse(_content_faults([(fresh[part.pk], quantity) for part, quantity in contents]))
        row.contents.all().delete()
        KitContent.objects.bulk_create(
            KitContent(kit=row, part=part, quantity=quantity) for part, quantity in contents
        )
        save_next(row)
    return row


def _content_faults(contents: Sequence[tuple[Part, int]]) -> list[Fault]:
    faults: list[Fault] = []
    seen: set[int] = set()
    for place, (part, quantity) in enumerate(contents):
        field = f"contents.{place}"
        if part.is_kit:
            faults.append(
                Fault(f"{part.number} is a kit; list its single parts.", field=f"{field}.part")
            )
        if part.pk in seen:
            faults.append(
                Fault(f"{part.number} is listed twice; add the two up.", field=f"{field}.part")
            )
        seen.add(part.pk)
        faults += _quantity_faults(quantity, field=f"{field}.quantity")
    return faults


def _quantity_faults(quantity: int, *, field: str) -> list[Fault]:
    if 1 <= quantity <= LARGEST_QUANTITY:
        return []
    return [Fault(f"A quantity is 1 to {LARGEST_QUANTITY}, not {quantity}.", field=field)]


def set_fit(*, actor: User, model: PumpModel, component: str, part: Part, quantity: int = 1) -> Fit:
    """Names the part that renews `component` of `model`, in place of the one named before.

    Needs keep_catalogue at any site. Demands that are already matched keep their part.
    """
    require_anywhere(actor, Capability.KEEP_CATALOGUE)
    faults = _quantity_faults(quantity, field="quantity")
    family = PumpFamily(model.family)
    if component not in [c.value for c in COMPONENTS[family]]:
        can = ", ".join(c.value for c in COMPONENTS[family])
        faults.append(
            Fault(
                f"'{component[:40]}' is no component of {model}. Choose one of: {can}.",
                field="component",
                code="invalid_choice",
            )
        )
    refuse(faults)
    with one_transaction():
        fit, _created = Fit.objects.update_or_create(
            model=model, component=component, defaults={"part": part, "quantity": quantity}
        )
    return fit


def remove_fit(*, actor: User, fit: Fit) -> None:
    """From now on no part is known for this component. Needs keep_catalogue at any site."""
    require_anywhere(actor, Capability.KEEP_CATALOGUE)
    fit.delete()
