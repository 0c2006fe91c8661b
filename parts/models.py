"""The catalogue, the stores, the stock ledger with its summary, and demands."""

from __future__ import annotations

from typing import Generic

import pgtrigger
from django.core.validators import RegexValidator
from django.db import models
from django.db.models import F, Q

from fleet.models import PumpModel, Site, User, choices, one_of
from fleet.plumbing.scoping import M, SiteScopedQuerySet
from fleet.vocabulary import Component
from inspections.models import ComponentDisposition, Inspection
from parts.lifecycle import DemandState, MovementKind

PART_NUMBER = RegexValidator(
    r"^[A-Z0-9][A-Z0-9-]*$", "A part number is capital letters, figures and hyphens."
)


class Part(models.Model):
    """One article of the catalogue: a single part, or a kit stocked and pulled as one."""

    number = models.CharField(max_length=40, unique=True, validators=[PART_NUMBER])
    name = models.CharField(max_length=120)
    unit = models.CharField(max_length=10, default="piece")
    is_kit = models.BooleanField(default=False)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["number"]
        constraints = [
            models.CheckConstraint(
                condition=Q(number__regex=r"^[A-Z0-9][A-Z0-9-]*$"), name="parts_part_number"
            ),
            models.CheckConstraint(condition=~Q(name=""), name="parts_part_named"),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.name}"


class KitContent(models.Model):
    """How many of one part lie in one kit."""

    kit = models.ForeignKey(Part, on_delete=models.CASCADE, related_name="contents")
    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="in_kits")
    quantity = models.PositiveIntegerField()

    class Meta:
        ordering = ["kit", "part"]
        constraints = [
            models.UniqueConstraint(fields=["kit", "part"], name="parts_kitcontent_once"),
            models.CheckConstraint(
                condition=Q(quantity__gte=1, quantity__lte=1000), name="parts_kitcontent_quantity"
            ),
            models.CheckConstraint(condition=~Q(kit=F("part")), name="parts_kitcontent_not_itself"),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.part} in {self.kit}"


class Fit(models.Model):
    """Which part, and how many, renews one component of one pump model."""

    model = models.ForeignKey(PumpModel, on_delete=models.CASCADE, related_name="fits")
    component = models.CharField(max_length=40, choices=choices(Component))
    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="fits")
    quantity = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["model", "component"]
        constraints = [
            # One part per component: a demand must know what to pull without asking.
            models.UniqueConstraint(fields=["model", "component"], name="parts_fit_once"),
            models.CheckConstraint(
                condition=one_of("component", Component), name="parts_fit_component"
            ),
            models.CheckConstraint(
                condition=Q(quantity__gte=1, quantity__lte=1000), name="parts_fit_quantity"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.part} for {Component(self.component).label} of {self.model}"


class StoreQuerySet(SiteScopedQuerySet["Store"]):
    pass


class Store(models.Model):
    """The store of a site."""

    site = models.OneToOneField(Site, on_delete=models.PROTECT, related_name="store")
    name = models.CharField(max_length=80)

    objects = StoreQuerySet.as_manager()

    class Meta:
        ordering = ["site"]

    def __str__(self) -> str:
        return self.name


class OfStoreQuerySet(SiteScopedQuerySet[M], Generic[M]):
    site_path = "store__site"


class StockLevelQuerySet(OfStoreQuerySet["StockLevel"]):
    pass


class StockLevel(models.Model):
    """The sums of the ledger for one part in one store. A check proves that they are the sums."""

    store = models.ForeignKey(Store, on_delete=models.PROTECT, related_name="levels")
    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="levels")
    bin = models.CharField(max_length=20, blank=True)
    on_hand = models.IntegerField(default=0)
    reserved = models.IntegerField(default=0)

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
        ]

    def __str__(self) -> str:
        return f"{self.part} in {self.store}: {self.on_hand}"

    @property
    def available(self) -> int:
        return self.on_hand - self.reserved


class DemandQuerySet(SiteScopedQuerySet["Demand"]):
    def live(self) -> DemandQuerySet:
        return self.exclude(state=DemandState.CANCELLED.value)


class Demand(models.Model):
    """One 'replace' of one signed inspection, on its way from the store to the bench."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="demands")
    inspection = models.ForeignKey(Inspection, on_delete=models.PROTECT, related_name="demands")
    disposition = models.OneToOneField(
        ComponentDisposition, on_delete=models.PROTECT, related_name="demand"
    )
    part = models.ForeignKey(Part, on_delete=models.PROTECT, null=True, related_name="demands")
    quantity = models.PositiveIntegerField()
    state = models.CharField(max_length=12, choices=choices(DemandState))
    why = models.CharField(max_length=300)
    raised_at = models.DateTimeField()
    issued_at = models.DateTimeField(null=True)
    issued_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    version = models.PositiveIntegerField(default=1)

    objects = DemandQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=one_of("state", DemandState), name="parts_demand_state"
            ),
            models.CheckConstraint(
                condition=Q(quantity__gte=1, quantity__lte=1000), name="parts_demand_quantity"
            ),
            models.CheckConstraint(
                condition=Q(part__isnull=True, state__in=["unmatched", "cancelled"])
                | (Q(part__isnull=False) & ~Q(state="unmatched")),
                name="parts_demand_part_unless_unmatched",
            ),
            models.CheckConstraint(
                condition=(Q(state="issued") & Q(issued_at__isnull=False, issued_by__isnull=False))
                | (~Q(state="issued") & Q(issued_at__isnull=True, issued_by__isnull=True)),
                name="parts_demand_issued_by_whom",
            ),
        ]

    def __str__(self) -> str:
        return f"Demand {self.pk}"


class MovementQuerySet(OfStoreQuerySet["Movement"]):
    pass


class Movement(models.Model):
    """One line of a store's ledger. Appended, never edited: a mistake is undone by another line."""

    store = models.ForeignKey(Store, on_delete=models.PROTECT, related_name="movements")
    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="movements")
    kind = models.CharField(max_length=12, choices=choices(MovementKind))
    on_hand_change = models.IntegerField()
    reserved_change = models.IntegerField()
    demand = models.ForeignKey(
        Demand, on_delete=models.PROTECT, null=True, related_name="movements"
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
                condition=(Q(kind="receipt") & Q(on_hand_change__gt=0, reserved_change=0))
                | (Q(kind="reservation") & Q(on_hand_change=0, reserved_change__gt=0))
                | (Q(kind="release") & Q(on_hand_change=0, reserved_change__lt=0))
                | (Q(kind="issue") & Q(on_hand_change__lt=0, reserved_change=F("on_hand_change")))
                | (Q(kind="correction") & Q(reserved_change=0) & ~Q(on_hand_change=0))
                | (Q(kind="scrap") & Q(on_hand_change__lt=0, reserved_change=0)),
                name="parts_movement_signs",
            ),
            models.CheckConstraint(
                condition=~Q(kind__in=["correction", "scrap"]) | ~Q(reason=""),
                name="parts_movement_correction_has_reason",
            ),
            models.CheckConstraint(
                condition=~Q(kind__in=["reservation", "release", "issue"])
                | Q(demand__isnull=False),
                name="parts_movement_for_a_demand",
            ),
            models.UniqueConstraint(
                fields=["demand"], condition=Q(kind="issue"), name="parts_movement_issued_once"
            ),
        ]
        triggers = [
            pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete)
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.part}: {self.on_hand_change:+d}/{self.reserved_change:+d}"
