"""Suppliers and what they ask for parts: the same for all sites, like the catalogue."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from fleet.access import capabilities_of
from fleet.faults import Conflict, Fault, NotAllowed
from fleet.models import User
from fleet.plumbing import webhooks
from fleet.roles import Capability, roles_that_may
from fleet.services.rows import column_faults, locked, one_transaction, refuse, save_next
from parts.models import Order, OrderLine, Part, Supplier, SupplierPart
from parts.rules.lifecycle import OrderState
from parts.rules.ordering import order_quantity
from parts.services import ledger
from parts.services.stock import require_amount

LARGEST_PACK = 10_000
LARGEST_MINIMUM = 1_000_000
LONGEST_LEAD_DAYS = 1000

_KEEPERS = frozenset({Capability.KEEP_CATALOGUE, Capability.BUY})
_SUPPLIER_FIELDS = ("name", "currency", "email", "minimum_order_value", "active")


def require_keeper(actor: User) -> None:
    """Raises NotAllowed unless `actor` keeps the catalogue or buys at one site at least."""
    if not _KEEPERS & capabilities_of(actor):
        roles = sorted({role.label for c in _KEEPERS for role in roles_that_may(c)})
        raise NotAllowed(
            f"{actor} may not keep suppliers. It takes one of these roles at a site: "
            f"{', '.join(roles)}."
        )


def add_supplier(
    *,
    actor: User,
    name: str,
    currency: str = "EUR",
    email: str = "",
    minimum_order_value: Decimal = Decimal(0),
) -> Supplier:
    """Adds a supplier. Needs keep_catalogue or buy at any site.

    Raises Conflict when the name is taken, Fault or Faults for what cannot be stored.
    """
    require_keeper(actor)
    row = Supplier(
        name=name.strip(),
        currency=currency.strip().upper(),
        email=email.strip(),
        minimum_order_value=require_amount(minimum_order_value, field="minimum_order_value"),
    )
    refuse(_faults(row))
    with one_transaction():
        row.save(force_insert=True)
    return row


def change_supplier(
    *, actor: User, supplier: Supplier, version: int | None, **fields: Any
) -> Supplier:
    """Changes name, currency, email, minimum_order_value or active. Locks the supplier.

    Needs keep_catalogue or buy at any site. Raises Stale, and Conflict when the name is taken or
    the currency would change what is written on its offers and drafts.
    """
    require_keeper(actor)
    unknown = sorted(fields.keys() - set(_SUPPLIER_FIELDS))
    if unknown:
        raise TypeError(f"Not among the fields of a supplier that can be set: {unknown}")
    with one_transaction():
        row = locked(Supplier, supplier.pk, version)
        currency, was_active = row.currency, row.active
        for name, value in fields.items():
            setattr(row, name, value.strip() if isinstance(value, str) else value)
        row.currency = row.currency.upper()
        row.minimum_order_value = require_amount(
            row.minimum_order_value, field="minimum_order_value"
        ) or Decimal(0)
        refuse(_faults(row))
        drafts = row.orders.filter(state=OrderState.DRAFT.value)
        if row.currency != currency and (row.offers.exists() or drafts.exists()):
            raise Conflict(
                f"{row.name} has prices in {currency}. Take its offers and drafts out before you "
                "change the currency, then enter them anew.",
                field="currency",
                code="has_offers",
            )
        save_next(row, *fields)
        if row.active != was_active:
            ledger.plan_again(row.offers.values_list("part_id", flat=True))
    return row


def set_webhook(*, actor: User, supplier: Supplier, version: int | None, url: str) -> str:
    """Says to which address orders go by themselves, and makes a new secret for it.

    url: empty stops it. Returns the secret, which is shown once, or "" without an address. Needs
    keep_catalogue or buy at any site; locks the supplier. Raises Stale, and Fault for an address
    that is not safe to call (fleet.plumbing.webhooks.require_address).
    """
    require_keeper(actor)
    with one_transaction():
        row = locked(Supplier, supplier.pk, version)
        row.webhook_url = webhooks.require_address(url) if url.strip() else ""
        row.webhook_secret = webhooks.new_secret() if row.webhook_url else ""
        refuse(column_faults(row, exclude=["webhook_url"] if row.webhook_url else []))
        if len(row.webhook_url) > 300:
            raise Fault("The address has more than 300 characters.", field="webhook_url")
        save_next(row, "webhook_url", "webhook_secret")
    return row.webhook_secret


def set_offer(
    *,
    actor: User,
    supplier: Supplier,
    part: Part,
    price: Decimal,
    lead_days: int,
    supplier_number: str = "",
    pack_size: int = 1,
    minimum_quantity: int = 1,
    preferred: bool = False,
    version: int | None = None,
) -> SupplierPart:
    """What the supplier asks for the part: entered, or put in place of what stood before.

    Needs keep_catalogue or buy at any site. price: a piece, in the supplier's currency. lead_days:
    calendar days from order to delivery, as promised. preferred: takes the mark over; the first
    offer for a part has it in any case. Drafts of orders follow the new price and pack.
    Raises Stale, Fault or Faults.
    """
    require_keeper(actor)
    asked = require_amount(price, field="price")
    refuse(_figures(pack_size, minimum_quantity, lead_days))
    with one_transaction():
        # Two people who both enter the first offer must not both find none.
        locked(Part, part.pk)
        row = SupplierPart.objects.select_for_update().filter(supplier=supplier, part=part).first()
        if row is None:
            row = SupplierPart(supplier=supplier, part=part, version=0)
        elif version is not None:
            row = locked(SupplierPart, row.pk, version)
        row.supplier_number = supplier_number.strip()
        row.price = asked or Decimal(0)
        row.pack_size, row.minimum_quantity = pack_size, minimum_quantity
        row.lead_days = lead_days
        refuse(column_faults(row))
        others = SupplierPart.objects.filter(part=part).exclude(pk=row.pk)
        if preferred or not others.filter(preferred=True).exists():
            others.filter(preferred=True).update(preferred=False)
            row.preferred = True
        row.version += 1
        row.save()
        _into_drafts(row)
        ledger.plan_again([part.pk])
    return row


def prefer(*, actor: User, offer: SupplierPart) -> SupplierPart:
    """Buys the part from this supplier from now on: the mark moves here from another offer."""
    require_keeper(actor)
    with one_transaction():
        locked(Part, offer.part_id)
        row = locked(SupplierPart, offer.pk)
        if not row.preferred:
            before = SupplierPart.objects.filter(part=row.part_id, preferred=True).first()
            if before is not None:
                before.preferred = False
                save_next(before, "preferred")
            row.preferred = True
            save_next(row, "preferred")
            ledger.plan_again([row.part_id])
    return row


def remove_offer(*, actor: User, offer: SupplierPart) -> None:
    """Takes an offer out. Raises Conflict for the preferred one while there are others."""
    require_keeper(actor)
    with one_transaction():
        locked(Part, offer.part_id)
        row = locked(SupplierPart, offer.pk)
        if row.preferred and SupplierPart.objects.filter(part=row.part_id).exclude(pk=row.pk):
            raise Conflict(
                f"{row.part.number} is bought from {row.supplier}. Choose another supplier for it "
                "first, then take this offer out.",
                code="preferred",
            )
        row.delete()
        ledger.plan_again([row.part_id])


def _faults(row: Supplier) -> list[Fault]:
    found = column_faults(row, exclude=["webhook_url", "webhook_secret"])
    if len(row.currency) != 3 or not (row.currency.isascii() and row.currency.isalpha()):
        found = [fault for fault in found if fault.field != "currency"]
        found.append(
            Fault(
                "A currency is three letters, such as EUR (ISO 4217).",
                field="currency",
                code="currency",
            )
        )
    return found


def _figures(pack_size: int, minimum_quantity: int, lead_days: int) -> list[Fault]:
    return [
        Fault(
            f"Give a whole number from {least} to {most:,}, not {figure:,}.",
            field=field,
            code="out_of_range",
        )
        for field, figure, least, most in (
            ("pack_size", pack_size, 1, LARGEST_PACK),
            ("minimum_quantity", minimum_quantity, 1, LARGEST_MINIMUM),
            ("lead_days", lead_days, 0, LONGEST_LEAD_DAYS),
        )
        if not least <= figure <= most
    ]


def _into_drafts(offer: SupplierPart) -> None:
    """Draft lines take the offer as it is now: nobody has approved them yet."""
    drafts = Order.objects.filter(supplier=offer.supplier_id, state=OrderState.DRAFT.value)
    for order in drafts.select_for_update().order_by("pk"):
        for line in OrderLine.objects.filter(order=order, part=offer.part_id):
            line.unit_price = offer.price
            line.quantity = order_quantity(
                line.planned_quantity + line.manual_quantity,
                pack_size=offer.pack_size,
                minimum=offer.minimum_quantity,
            )
            line.save(update_fields=["unit_price", "quantity"])
            save_next(order)
