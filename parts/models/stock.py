"""Stores, batches, and the ledger with the sums that are kept of it."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, Generic

import pgtrigger
from django.db import models
from django.db.models import F, Q

from fleet.models import Site, User, choices, one_of
from fleet.plumbing.scoping import M, SiteScopedQuerySet
from parts.models.catalogue import Part
from parts.rules.lifecycle import MovementKind

APPEND_ONLY = pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete)


def money(**options: Any) -> models.DecimalField[Any, Any]:
    """An amount in the currency of its store: four places, so that averages do not drift."""
    return models.DecimalField(max_digits=16, decimal_places=4, **options)


class StoreQuerySet(SiteScopedQuerySet["Store"]):
    pass


class Store(models.Model):
    """The store of a site."""

    site = models.OneToOneField(Site, on_delete=models.PROTECT, related_name="store")
    name = models.CharField(max_length=80)
    # ISO 4217; what all values in this store are counted in.
    currency = models.CharField(max_length=3, default="EUR")
    # Where it stands, for the nearest first; null: not known, then it is asked last.
    latitude_deg = models.DecimalField(max_digits=8, decimal_places=5, null=True)
    longitude_deg = models.DecimalField(max_digits=8, decimal_places=5, null=True)
    # The central store that restocks this one, if any.
    supplied_by = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, related_name="supplies"
    )
    # A count that differs by more than this in value takes a second person.
    count_limit = money(default=Decimal(100))
    # Share of demands that are to be met from the shelf, and what an hour at the bench costs.
    target_service = models.DecimalField(max_digits=5, decimal_places=4, default=Decimal("0.95"))
    labour_rate = money(null=True)
    version = models.PositiveIntegerField(default=1)

    objects = StoreQuerySet.as_manager()

    class Meta:
        ordering = ["site"]
        constraints = [
            models.CheckConstraint(
                condition=Q(currency__regex=r"^[A-Z]{3}$"), name="parts_store_currency"
            ),
            models.CheckConstraint(
                condition=Q(latitude_deg__isnull=True, longitude_deg__isnull=True)
                | Q(
                    latitude_deg__isnull=False,
                    longitude_deg__isnull=False,
                    latitude_deg__gte=-90,
                    latitude_deg__lte=90,
                    longitude_deg__gte=-180,
                    longitude_deg__lte=180,
                ),
                name="parts_store_place",
            ),
            models.CheckConstraint(
                condition=Q(supplied_by__isnull=True) | ~Q(supplied_by=F("id")),
                name="parts_store_not_by_itself",
            ),
            models.CheckConstraint(
                condition=Q(target_service__gte=Decimal("0.5"), target_service__lt=1),
                name="parts_store_service",
            ),
            models.CheckConstraint(
                condition=Q(count_limit__gte=0)
                & (Q(labour_rate__isnull=True) | Q(labour_rate__isnull=False, labour_rate__gte=0)),
                name="parts_store_amounts",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class OfStoreQuerySet(SiteScopedQuerySet[M], Generic[M]):
    site_path = "store__site"


class Batch(models.Model):
    """One delivery lot of a part that ages. Shared: the same lot may lie in several stores."""

    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="batches")
    code = models.CharField(max_length=40)
    cured_on = models.DateField(null=True)
    expires_on = models.DateField()
    # Why the date was moved, when somebody who may do so looked at the lot again.
    extended_why = models.CharField(max_length=200, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["expires_on", "id"]
        constraints = [
            models.UniqueConstraint(fields=["part", "code"], name="parts_batch_once"),
            models.CheckConstraint(
                condition=Q(code__regex=r"^[A-Z0-9][A-Z0-9.-]*$"), name="parts_batch_code"
            ),
            models.CheckConstraint(
                condition=Q(cured_on__isnull=True)
                | Q(cured_on__isnull=False, cured_on__lt=F("expires_on")),
                name="parts_batch_dates",
            ),
        ]

    def __str__(self) -> str:
        return self.code


class StockLevelQuerySet(OfStoreQuerySet["StockLevel"]):
    pass


class StockLevel(models.Model):
    """The sums of the ledger for one part in one store. A check proves that they are the sums."""

    store = models.ForeignKey(Store, on_delete=models.PROTECT, related_name="levels")
    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="levels")
    bin = models.CharField(max_length=20, blank=True)
    on_hand = models.IntegerField(default=0)
    reserved = models.IntegerField(default=0)
    # Sent by another store and not received yet.
    in_transit = models.IntegerField(default=0)
    # What lies on the shelf, at moving average, in the store's currency.
    value = money(default=Decimal(0))

    objects = StockLevelQuerySet.as_manager()

    class Meta:
        ordering = ["store", "bin", "part"]
        constraints = [
            models.UniqueConstraint(fields=["store", "part"], name="parts_stocklevel_once"),
            models.CheckConstraint(
                condition=Q(on_hand__gte=0, on_hand__lte=10_000_000),
                name="parts_stocklevel_never_below_zero",
            ),
            models.CheckConstraint(
                condition=Q(reserved__gte=0, reserved__lte=F("on_hand")),
                name="parts_stocklevel_reserved_is_there",
            ),
            models.CheckConstraint(
                condition=Q(in_transit__gte=0), name="parts_stocklevel_in_transit"
            ),
            models.CheckConstraint(
                condition=Q(value__gte=0) & (Q(on_hand__gt=0) | Q(value=0)),
                name="parts_stocklevel_value",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.part} in {self.store}: {self.on_hand}"

    @property
    def available(self) -> int:
        return self.on_hand - self.reserved


class BatchLevelQuerySet(OfStoreQuerySet["BatchLevel"]):
    pass


class BatchLevel(models.Model):
    """How much of one batch lies in one store: a sum of the ledger too."""

    store = models.ForeignKey(Store, on_delete=models.PROTECT, related_name="batch_levels")
    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="levels")
    on_hand = models.IntegerField(default=0)

    objects = BatchLevelQuerySet.as_manager()

    class Meta:
        ordering = ["batch"]
        constraints = [
            models.UniqueConstraint(fields=["store", "batch"], name="parts_batchlevel_once"),
            models.CheckConstraint(
                condition=Q(on_hand__gte=0), name="parts_batchlevel_never_below_zero"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.batch} in {self.store}: {self.on_hand}"


class KitOpeningQuerySet(OfStoreQuerySet["KitOpening"]):
    pass


class KitOpening(models.Model):
    """A kit was opened for single parts: from then on its contents are stocked one by one."""

    store = models.ForeignKey(Store, on_delete=models.PROTECT, related_name="kit_openings")
    kit = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="openings")
    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, null=True, related_name="+")
    why = models.CharField(max_length=200)
    opened_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    opened_at = models.DateTimeField()

    objects = KitOpeningQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [models.CheckConstraint(condition=~Q(why=""), name="parts_kitopening_why")]
        triggers = [APPEND_ONLY]

    def __str__(self) -> str:
        return f"{self.kit} opened in {self.store}"


class MovementQuerySet(OfStoreQuerySet["Movement"]):
    pass


class Movement(models.Model):
    """One line of a store's ledger. Appended, never edited: a mistake is undone by another line."""

    store = models.ForeignKey(Store, on_delete=models.PROTECT, related_name="movements")
    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="movements")
    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, null=True, related_name="movements")
    kind = models.CharField(max_length=13, choices=choices(MovementKind))
    on_hand_change = models.IntegerField()
    reserved_change = models.IntegerField()
    in_transit_change = models.IntegerField(default=0)
    value_change = money(default=Decimal(0))
    demand = models.ForeignKey(
        "parts.Demand", on_delete=models.PROTECT, null=True, related_name="movements"
    )
    # How often the demand has been issued by now: counts on when a pull is undone.
    issue_no = models.PositiveSmallIntegerField(default=1)
    transfer = models.ForeignKey(
        "parts.Transfer", on_delete=models.PROTECT, null=True, related_name="movements"
    )
    order_line = models.ForeignKey(
        "parts.OrderLine", on_delete=models.PROTECT, null=True, related_name="movements"
    )
    opening = models.ForeignKey(
        KitOpening, on_delete=models.PROTECT, null=True, related_name="movements"
    )
    reason = models.CharField(max_length=200, blank=True)
    by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    at = models.DateTimeField()

    objects = MovementQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=one_of("kind", MovementKind), name="parts_movement_kind"
            ),
            models.CheckConstraint(
                condition=(
                    Q(kind__in=["receipt", "return", "out_of_kit"])
                    & Q(on_hand_change__gt=0, reserved_change=0, in_transit_change=0)
                )
                | (
                    Q(kind="reservation")
                    & Q(on_hand_change=0, reserved_change__gt=0, in_transit_change=0)
                )
                | (
                    Q(kind="release")
                    & Q(on_hand_change=0, reserved_change__lt=0, in_transit_change=0)
                )
                | (
                    # An issue may take from several batches: the promise goes with each.
                    Q(kind__in=["issue", "transfer_out"])
                    & Q(on_hand_change__lt=0, reserved_change=F("on_hand_change"))
                    & Q(in_transit_change=0)
                )
                | (
                    Q(kind="transfer_due")
                    & Q(on_hand_change=0, reserved_change=0, in_transit_change__gt=0)
                )
                | (
                    Q(kind="transfer_in", on_hand_change__gt=0, reserved_change=0)
                    & Q(in_transit_change=-F("on_hand_change"))
                )
                | (
                    Q(kind="transfer_loss")
                    & Q(on_hand_change=0, reserved_change=0, in_transit_change__lt=0)
                )
                | (
                    Q(kind="correction", reserved_change=0, in_transit_change=0)
                    & ~Q(on_hand_change=0)
                )
                | (
                    Q(kind__in=["scrap", "kit_opened"])
                    & Q(on_hand_change__lt=0, reserved_change=0, in_transit_change=0)
                ),
                name="parts_movement_signs",
            ),
            models.CheckConstraint(
                condition=Q(value_change=0)
                | Q(on_hand_change__gt=0, value_change__gt=0)
                | Q(on_hand_change__lt=0, value_change__lt=0),
                name="parts_movement_value",
            ),
            models.CheckConstraint(
                condition=~Q(kind__in=["correction", "scrap", "transfer_loss"]) | ~Q(reason=""),
                name="parts_movement_correction_has_reason",
            ),
            models.CheckConstraint(
                condition=~Q(kind__in=["issue", "return"]) | Q(demand__isnull=False),
                name="parts_movement_for_a_demand",
            ),
            models.CheckConstraint(
                condition=~Q(kind__in=["reservation", "release"])
                | Q(demand__isnull=False, transfer__isnull=True)
                | Q(demand__isnull=True, transfer__isnull=False),
                name="parts_movement_promised_to_whom",
            ),
            models.CheckConstraint(
                condition=~Q(
                    kind__in=["transfer_out", "transfer_due", "transfer_in", "transfer_loss"]
                )
                | Q(transfer__isnull=False),
                name="parts_movement_of_a_transfer",
            ),
            models.CheckConstraint(
                condition=~Q(kind__in=["kit_opened", "out_of_kit"]) | Q(opening__isnull=False),
                name="parts_movement_of_an_opening",
            ),
            # One line a batch: a rival that issues the same demand again meets this key.
            models.UniqueConstraint(
                fields=["demand", "issue_no", "batch"],
                condition=Q(kind="issue"),
                nulls_distinct=False,
                name="parts_movement_issued_once",
            ),
        ]
        triggers = [APPEND_ONLY]

    def __str__(self) -> str:
        return f"{self.kind} {self.part}: {self.on_hand_change:+d}/{self.reserved_change:+d}"
