"""Demands, when and where they are wanted, and transfers between stores."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.db import models
from django.db.models import F, Q

from fleet.models import Site, User, choices, one_of
from fleet.plumbing.scoping import SiteScopedQuerySet
from inspections.models import ComponentDisposition, Inspection
from parts.models.catalogue import Part
from parts.models.stock import APPEND_ONLY, Store
from parts.rules.lifecycle import SETTLED, DemandState, TransferState

if TYPE_CHECKING:
    from typing import Self


class NeedQuerySet(SiteScopedQuerySet["Need"]):
    site_path = "inspection__site"


class Need(models.Model):
    """When the parts of an inspection are wanted, and at which bench."""

    inspection = models.OneToOneField(Inspection, on_delete=models.PROTECT, related_name="need")
    needed_on = models.DateField(null=True)
    bench = models.CharField(max_length=40, blank=True)
    set_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    set_at = models.DateTimeField()
    version = models.PositiveIntegerField(default=1)

    objects = NeedQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"Inspection {self.inspection_id}: {self.needed_on or 'no date'}"


class DemandQuerySet(SiteScopedQuerySet["Demand"]):
    def live(self) -> DemandQuerySet:
        return self.exclude(state__in=[DemandState.CANCELLED.value, DemandState.RETURNED.value])

    def open(self) -> DemandQuerySet:
        return self.exclude(state__in=[s.value for s in SETTLED])


class Demand(models.Model):
    """One 'replace' of one signed inspection, on its way from the store to the bench."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="demands")
    inspection = models.ForeignKey(Inspection, on_delete=models.PROTECT, related_name="demands")
    disposition = models.ForeignKey(
        ComponentDisposition, on_delete=models.PROTECT, related_name="demands"
    )
    # The demand that was pulled short, when this one is for the rest of it.
    rest_of = models.ForeignKey("self", on_delete=models.PROTECT, null=True, related_name="rests")
    # What the catalogue names, and what is handed out: another number that may stand in for it.
    part = models.ForeignKey(Part, on_delete=models.PROTECT, null=True, related_name="demands")
    supplied_part = models.ForeignKey(
        Part, on_delete=models.PROTECT, null=True, related_name="supplied_demands"
    )
    alternatives_allowed = models.BooleanField(default=False)
    quantity = models.PositiveIntegerField()
    state = models.CharField(max_length=12, choices=choices(DemandState))
    why = models.CharField(max_length=300)
    # What it waits for, and until when at the latest.
    transfer = models.ForeignKey(
        "parts.Transfer", on_delete=models.PROTECT, null=True, related_name="carries"
    )
    order_line = models.ForeignKey(
        "parts.OrderLine", on_delete=models.PROTECT, null=True, related_name="demands"
    )
    expected_on = models.DateField(null=True)
    raised_at = models.DateTimeField()
    issued_at = models.DateTimeField(null=True)
    issued_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    issue_no = models.PositiveSmallIntegerField(default=1)
    # The technician has it in hand.
    confirmed_at = models.DateTimeField(null=True)
    confirmed_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    version = models.PositiveIntegerField(default=1)

    objects = DemandQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["disposition"],
                condition=Q(rest_of__isnull=True),
                name="parts_demand_disposition_once",
            ),
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
                condition=(
                    Q(state__in=["issued", "returned"])
                    & Q(issued_at__isnull=False, issued_by__isnull=False)
                )
                | (
                    ~Q(state__in=["issued", "returned"])
                    & Q(issued_at__isnull=True, issued_by__isnull=True)
                ),
                name="parts_demand_issued_by_whom",
            ),
            models.CheckConstraint(
                condition=Q(confirmed_at__isnull=True, confirmed_by__isnull=True)
                | Q(confirmed_at__isnull=False, confirmed_by__isnull=False)
                & Q(state__in=["issued", "returned"]),
                name="parts_demand_confirmed",
            ),
            models.CheckConstraint(
                condition=~Q(state="coming") | Q(transfer__isnull=False),
                name="parts_demand_coming_with",
            ),
            models.CheckConstraint(
                condition=~Q(state="ordered") | Q(order_line__isnull=False),
                name="parts_demand_ordered_with",
            ),
        ]
        indexes = [
            models.Index(
                fields=["part", "site"],
                condition=Q(state__in=["short", "coming", "ordered", "reserved"]),
                name="parts_demand_open",
            )
        ]

    def __str__(self) -> str:
        return f"Demand {self.pk}"

    @property
    def pulled_part_id(self) -> int | None:
        """The part that is reserved, handed out or waited for."""
        return self.supplied_part_id or self.part_id


class DemandStepQuerySet(SiteScopedQuerySet["DemandStep"]):
    site_path = "demand__site"


class DemandStep(models.Model):
    """A demand changed its state or its source: what was decided, and why. Appended."""

    demand = models.ForeignKey(Demand, on_delete=models.CASCADE, related_name="steps")
    state = models.CharField(max_length=12, choices=choices(DemandState))
    why = models.CharField(max_length=300)
    by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    at = models.DateTimeField()

    objects = DemandStepQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=one_of("state", DemandState), name="parts_demandstep_state"
            ),
            models.CheckConstraint(condition=~Q(why=""), name="parts_demandstep_why"),
        ]
        triggers = [APPEND_ONLY]

    def __str__(self) -> str:
        return f"{self.demand}: {self.state}"


class TransferQuerySet(SiteScopedQuerySet["Transfer"]):
    """Both ends see a transfer; each acts on its own end, which the services ask about."""

    def _of_sites(self, sites: models.QuerySet[Any]) -> Self:
        return self.filter(Q(from_store__site__in=sites) | Q(to_store__site__in=sites))


class Transfer(models.Model):
    """Some of one part on its way from one store to another."""

    from_store = models.ForeignKey(Store, on_delete=models.PROTECT, related_name="transfers_out")
    to_store = models.ForeignKey(Store, on_delete=models.PROTECT, related_name="transfers_in")
    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="transfers")
    quantity = models.PositiveIntegerField()
    # Whom it is for; null: to restock the receiving store.
    demand = models.ForeignKey(
        Demand, on_delete=models.PROTECT, null=True, related_name="transfers"
    )
    state = models.CharField(max_length=10, choices=choices(TransferState))
    why = models.CharField(max_length=300)
    raised_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    raised_at = models.DateTimeField()
    sent_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    sent_at = models.DateTimeField(null=True)
    expected_on = models.DateField(null=True)
    received_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    received_at = models.DateTimeField(null=True)
    received_quantity = models.PositiveIntegerField(null=True)
    version = models.PositiveIntegerField(default=1)

    objects = TransferQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=one_of("state", TransferState), name="parts_transfer_state"
            ),
            models.CheckConstraint(
                condition=Q(quantity__gte=1, quantity__lte=1_000_000),
                name="parts_transfer_quantity",
            ),
            models.CheckConstraint(
                condition=~Q(from_store=F("to_store")), name="parts_transfer_elsewhere"
            ),
            models.CheckConstraint(condition=~Q(why=""), name="parts_transfer_why"),
            models.CheckConstraint(
                condition=Q(state__in=["planned", "refused", "cancelled"], sent_at__isnull=True)
                | Q(state="sent", sent_at__isnull=False, received_at__isnull=True)
                | Q(
                    state="received",
                    sent_at__isnull=False,
                    received_at__isnull=False,
                    received_quantity__isnull=False,
                    received_quantity__lte=F("quantity"),
                ),
                name="parts_transfer_stamps",
            ),
        ]

    def __str__(self) -> str:
        return f"Transfer {self.pk}"
