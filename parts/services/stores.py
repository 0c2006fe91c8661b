"""What a store is told about itself: where it stands, who restocks it, in what it counts value."""

from __future__ import annotations

from typing import Any

from django.db.models import Sum

from fleet.access import may, require
from fleet.faults import Conflict, Fault, Stale
from fleet.models import User
from fleet.roles import Capability
from fleet.services.rows import column_faults, one_transaction, refuse, save_next
from parts.models import StockLevel, Store
from parts.services.stock import require_amount

# What the store does day by day, and what is decided about it.
OF_THE_CLERK = frozenset({"name", "latitude_deg", "longitude_deg"})
OF_THE_MANAGER = frozenset(
    {"currency", "supplied_by", "count_limit", "target_service", "labour_rate"}
)


def change_store(*, actor: User, store: Store, version: int | None, **fields: Any) -> Store:
    """Changes what is given of: name, latitude_deg, longitude_deg (degrees, keep_stock at the
    site); currency (ISO 4217), supplied_by (another Store or None), count_limit and labour_rate
    (amounts in the store's currency), target_service (a share) (set_holdings at the site).

    Locks the store. The currency changes only while nothing of value lies there: amounts are not
    converted. Raises Stale when `version` is not the present one, Conflict for a store that
    would be restocked by itself in the end.
    """
    unknown = set(fields) - OF_THE_CLERK - OF_THE_MANAGER
    if unknown:
        raise TypeError(f"No field of a store: {sorted(unknown)}")
    with one_transaction():
        row = _locked(store, version)
        changed = {name for name, value in fields.items() if getattr(row, name) != value}
        if changed & OF_THE_CLERK:
            require(actor, Capability.KEEP_STOCK, row.site)
        if changed & OF_THE_MANAGER:
            require(actor, Capability.SET_HOLDINGS, row.site)
        if not changed:
            _require_one_of_both(actor, row)
            return row
        for name in changed:
            setattr(row, name, _tidy(name, fields[name]))
        refuse(column_faults(row))
        if "currency" in changed:
            _refuse_while_worth_something(row)
        if "supplied_by" in changed:
            _refuse_loop(row)
        save_next(row, *sorted(changed))
    return row


def _locked(store: Store, version: int | None) -> Store:
    # All of them, against two stores that are put under each other at once. This lock lets
    # movements through, which refer to the store.
    list(Store.objects.select_for_update(no_key=True, of=("self",)).order_by("pk"))
    # And this one does not: nothing of value may come in while the currency is looked at.
    row = (
        Store.objects.select_for_update(of=("self",))
        .select_related("site", "supplied_by")
        .get(pk=store.pk)
    )
    if version is not None and row.version != version:
        raise Stale(
            f"{row} was changed by somebody else since you read it. Look at it again, then make "
            "your change."
        )
    return row


def _require_one_of_both(actor: User, row: Store) -> None:
    """Who may change nothing is told so, though nothing is changed."""
    if not may(actor, Capability.SET_HOLDINGS, row.site):
        require(actor, Capability.KEEP_STOCK, row.site)


def _tidy(name: str, value: Any) -> Any:
    if name == "name":
        return value.strip()
    if name == "currency":
        return value.strip().upper()
    if name in ("count_limit", "labour_rate"):
        return require_amount(value, field=name)
    return value


def _refuse_while_worth_something(row: Store) -> None:
    worth = StockLevel.objects.filter(store=row).aggregate(worth=Sum("value", default=0))["worth"]
    if worth:
        raise Conflict(
            f"What lies in {row} is worth {worth:.2f} in the currency so far, and amounts are not "
            "converted. The currency can be changed while the shelves are empty, or nothing on "
            "them has a price.",
            field="currency",
            code="has_value",
        )


def _refuse_loop(row: Store) -> None:
    # Read now, under the lock of all of them: what the caller holds of a store may be old.
    above_of = dict(Store.objects.values_list("pk", "supplied_by"))
    above = row.supplied_by_id
    while above is not None:
        if above == row.pk:
            raise Fault(
                f"{row} would be restocked by itself in the end. Choose a store that is not "
                "restocked by it.",
                field="supplied_by",
                code="loop",
            )
        above = above_of[above]
