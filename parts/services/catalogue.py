"""Parts, what lies in a kit, and which part renews which component of which pumps.

The catalogue belongs to all sites: whoever keeps it at one site keeps it for all.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from django.db.models import Q

from fleet.access import require_anywhere
from fleet.faults import Conflict, Fault
from fleet.models import PumpModel, User
from fleet.roles import Capability
from fleet.services.rows import column_faults, locked, one_transaction, refuse, save_next
from fleet.vocabulary import COMPONENTS, Component, PumpFamily
from parts.models import Alternative, Batch, Fit, KitContent, Part, StockLevel
from parts.rules.numbers import normalised
from parts.rules.serials import LARGEST_SERIAL, overlap, range_words

LARGEST_QUANTITY = 1000
LARGEST_PACK = 10_000
LONGEST_SHELF_LIFE_MONTHS = 600

_CHANGEABLE = frozenset(
    {
        "number",
        "own_number",
        "maker",
        "name",
        "unit",
        "is_kit",
        "pack_size",
        "shelf_life_months",
    }
)


def add_part(
    *,
    actor: User,
    number: str,
    name: str,
    unit: str = "piece",
    is_kit: bool = False,
    own_number: str = "",
    maker: str = "",
    pack_size: int = 1,
    shelf_life_months: int | None = None,
) -> Part:
    """Adds a part to the catalogue. Needs keep_catalogue at any site; writes one Part.

    number: the maker's. own_number: what the shop calls it, "" for nothing else. pack_size: pieces
    that come in one pack. shelf_life_months: from the cure date; None: it does not age.
    Raises Conflict when a number is taken, Fault or Faults for what cannot be stored.
    """
    require_anywhere(actor, Capability.KEEP_CATALOGUE)
    part = Part(
        number=normalised(number),
        own_number=normalised(own_number),
        maker=maker.strip(),
        name=name.strip(),
        unit=unit.strip(),
        is_kit=is_kit,
        pack_size=pack_size,
        shelf_life_months=shelf_life_months,
    )
    refuse(_part_faults(part))
    with one_transaction():
        part.save(force_insert=True)
    return part


def change_part(*, actor: User, part: Part, version: int | None, **fields: Any) -> Part:
    """Changes what `add_part` sets. Needs keep_catalogue at any site; locks the part.

    Raises Stale when `version` is not the part's; Conflict when a number is taken, when a kit with
    contents would stop being one, a part of a kit become one, or when what lies in the stores
    would then be of no known age (parts.services.ageing.begin_ageing gives it one).
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
        _refuse_unlike_its_stand_ins(row, fields)
        if "shelf_life_months" in fields:
            refuse_shelf_life(row, fields["shelf_life_months"])
        for name, value in fields.items():
            setattr(row, name, value.strip() if isinstance(value, str) else value)
        row.number, row.own_number = normalised(row.number), normalised(row.own_number)
        refuse(_part_faults(row))
        save_next(row, *fields)
    return row


def _part_faults(part: Part) -> list[Fault]:
    faults = column_faults(part)
    odd = {fault.field for fault in faults}
    if "pack_size" not in odd and not 1 <= part.pack_size <= LARGEST_PACK:
        faults.append(Fault(f"A pack holds 1 to {LARGEST_PACK:,} pieces.", field="pack_size"))
    months = part.shelf_life_months
    if months is not None and not 1 <= months <= LONGEST_SHELF_LIFE_MONTHS:
        faults.append(
            Fault(
                f"A shelf life is 1 to {LONGEST_SHELF_LIFE_MONTHS} months. Leave it empty for a "
                "part that does not age.",
                field="shelf_life_months",
            )
        )
    # One number must not mean two parts; the same part may go by it twice.
    for field in ("number", "own_number"):
        other = "own_number" if field == "number" else "number"
        value = getattr(part, field)
        twin = Part.objects.filter(**{other: value}).exclude(pk=part.pk).first() if value else None
        if twin is not None:
            kind = "own number" if other == "own_number" else "number"
            faults.append(
                Conflict(f"{value} is the {kind} of {twin} already.", field=field, code="taken")
            )
    return faults


def _refuse_unlike_its_stand_ins(part: Part, fields: dict[str, Any]) -> None:
    """A demand keeps its count when another part stands in, so both are counted alike."""
    changes = [
        name
        for name in ("unit", "is_kit")
        if name in fields and fields[name] != getattr(part, name)
    ]
    if not changes:
        return
    tied = (
        part.superseded_by_id is not None
        or part.supersedes.exists()
        or Alternative.objects.filter(Q(part=part) | Q(other=part)).exists()
    )
    if tied:
        raise Conflict(
            f"Other parts stand in for {part.number}, or it stands in for them, and they are "
            "counted alike. Take that back first.",
            field=changes[0],
            code="stands_in",
        )


def refuse_shelf_life(part: Part, months: int | None) -> None:
    """Raises Conflict when a shelf life, or none, would leave stock of a locked part ageless.

    Another length is always possible: batches keep the dates they were received with.
    """
    if part.shelf_life_months is not None and months is None:
        if Batch.objects.filter(part=part).exists():
            raise Conflict(
                f"{part.number} has batches on record, so it stays a part that ages. Give it a "
                "long shelf life instead.",
                field="shelf_life_months",
                code="has_batches",
            )
    elif part.shelf_life_months is None and months is not None:
        lying = StockLevel.objects.filter(part=part).filter(Q(on_hand__gt=0) | Q(in_transit__gt=0))
        names = list(
            lying.order_by("store__site__name").values_list("store__site__name", flat=True)
        )
        if names:
            raise Conflict(
                f"{part.number} lies in stores without a batch ({', '.join(names)}), so nobody "
                "could tell how old it is. Use 'Give it a shelf life' on its page, which asks "
                "for the age of what lies there.",
                field="shelf_life_months",
                code="stock_without_batch",
            )


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


def set_fit(
    *,
    actor: User,
    model: PumpModel,
    component: str,
    part: Part,
    quantity: int = 1,
    serial_from: int | None = None,
    serial_to: int | None = None,
    alternatives_allowed: bool = False,
) -> Fit:
    """Names the part that renews `component` of pumps of `model` from serial to serial.

    serial_from, serial_to: the figures at the end of the serial number, both ends included; None
    leaves that end open. A fit of the very same range is replaced; the others must not overlap.
    Needs keep_catalogue at any site; locks the model. Demands already matched keep their part.
    Raises Conflict for an overlap, Fault or Faults for what cannot be stored.
    """
    require_anywhere(actor, Capability.KEEP_CATALOGUE)
    faults = _quantity_faults(quantity, field="quantity")
    faults += _serial_faults(serial_from, serial_to)
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
        # Two who add ranges to one model see each other's; the exclusion constraint stands behind.
        PumpModel.objects.select_for_update(no_key=True).get(pk=model.pk)
        others = Fit.objects.filter(model=model, component=component).select_related("part")
        same = others.filter(serial_from=serial_from, serial_to=serial_to).first()
        if same is None:
            _refuse_overlap(others, model, component, serial_from, serial_to)
            same = Fit(
                model=model, component=component, serial_from=serial_from, serial_to=serial_to
            )
        same.part, same.quantity = part, quantity
        same.alternatives_allowed = alternatives_allowed
        same.save()
    return same


def _serial_faults(serial_from: int | None, serial_to: int | None) -> list[Fault]:
    faults = [
        Fault("Enter the figures at the end of the serial number, at most 18.", field=field)
        for field, value in (("serial_from", serial_from), ("serial_to", serial_to))
        if value is not None and not 0 <= value < LARGEST_SERIAL
    ]
    if not faults and serial_from is not None and serial_to is not None and serial_from > serial_to:
        faults.append(
            Fault("The last serial comes before the first. Turn the two round.", field="serial_to")
        )
    return faults


def _refuse_overlap(
    others: Iterable[Fit],
    model: PumpModel,
    component: str,
    serial_from: int | None,
    serial_to: int | None,
) -> None:
    for other in others:
        if overlap((serial_from, serial_to), (other.serial_from, other.serial_to)):
            raise Conflict(
                f"{Component(component).label.capitalize()} of {model}, "
                f"{range_words(other.serial_from, other.serial_to)}, is {other.part.number} "
                "already, and one pump cannot have two. Take that fit out, or leave its serials "
                "out of this one.",
                field="serial_from" if serial_from is not None else "serial_to",
                code="overlap",
            )


def remove_fit(*, actor: User, fit: Fit) -> None:
    """From now on no part is known for this component. Needs keep_catalogue at any site."""
    require_anywhere(actor, Capability.KEEP_CATALOGUE)
    fit.delete()
