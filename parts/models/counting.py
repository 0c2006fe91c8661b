"""Counts of the shelf, blind: the sheet does not say what the ledger expects."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from fleet.models import User, choices, one_of
from fleet.plumbing.scoping import SiteScopedQuerySet
from parts.models.catalogue import Part
from parts.models.stock import Batch, Movement, OfStoreQuerySet, Store, money
from parts.rules.lifecycle import CountState


class CountQuerySet(OfStoreQuerySet["Count"]):
    pass


class Count(models.Model):
    """One count sheet: some parts of one store, to be counted by one person."""

    store = models.ForeignKey(Store, on_delete=models.PROTECT, related_name="counts")
    state = models.CharField(max_length=10, choices=choices(CountState))
    why = models.CharField(max_length=200)
    raised_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    raised_at = models.DateTimeField()
    settled_at = models.DateTimeField(null=True)
    version = models.PositiveIntegerField(default=1)

    objects = CountQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(condition=one_of("state", CountState), name="parts_count_state"),
            models.CheckConstraint(condition=~Q(why=""), name="parts_count_why"),
        ]

    def __str__(self) -> str:
        return f"Count {self.pk}"


class CountLineQuerySet(SiteScopedQuerySet["CountLine"]):
    site_path = "count__store__site"


class CountLine(models.Model):
    """One part, or one batch of it, on a count sheet."""

    count = models.ForeignKey(Count, on_delete=models.CASCADE, related_name="lines")
    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="count_lines")
    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, null=True, related_name="+")
    counted = models.PositiveIntegerField(null=True)
    counted_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    counted_at = models.DateTimeField(null=True)
    # What the ledger said in the moment the figure was entered, and what a piece was worth.
    expected = models.IntegerField(null=True)
    unit_value = money(null=True)
    reason = models.CharField(max_length=200, blank=True)
    approved_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    approved_at = models.DateTimeField(null=True)
    movement = models.OneToOneField(
        Movement, on_delete=models.PROTECT, null=True, related_name="count_line"
    )

    objects = CountLineQuerySet.as_manager()

    class Meta:
        ordering = ["count", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["count", "part", "batch"],
                nulls_distinct=False,
                name="parts_countline_once",
            ),
            models.CheckConstraint(
                condition=Q(
                    counted__isnull=True,
                    counted_by__isnull=True,
                    counted_at__isnull=True,
                    expected__isnull=True,
                )
                | Q(
                    counted__isnull=False,
                    counted__lte=1_000_000,
                    counted_by__isnull=False,
                    counted_at__isnull=False,
                    expected__isnull=False,
                ),
                name="parts_countline_counted_by_whom",
            ),
            # The second person is another one than the counter.
            models.CheckConstraint(
                condition=Q(approved_by__isnull=True, approved_at__isnull=True)
                | Q(
                    approved_by__isnull=False,
                    approved_at__isnull=False,
                    counted_by__isnull=False,
                )
                & ~Q(approved_by=models.F("counted_by")),
                name="parts_countline_second_person",
            ),
            models.CheckConstraint(
                condition=Q(movement__isnull=True) | ~Q(reason=""),
                name="parts_countline_reason",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.part} on {self.count}"
