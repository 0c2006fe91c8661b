"""How much a store is to hold, what it is expected to need, rates and hours at the bench."""

from __future__ import annotations

import pgtrigger
from django.db import models
from django.db.models import F, Q

from fleet.models import User
from fleet.plumbing.scoping import SiteScopedQuerySet
from inspections.models import Inspection
from parts.models.catalogue import Part
from parts.models.stock import APPEND_ONLY, OfStoreQuerySet, Store, money


class HoldingQuerySet(OfStoreQuerySet["Holding"]):
    pass


class Holding(models.Model):
    """What somebody chose that a store holds of a part. No row: it is bought on demand."""

    store = models.ForeignKey(Store, on_delete=models.CASCADE, related_name="holdings")
    part = models.ForeignKey(Part, on_delete=models.CASCADE, related_name="holdings")
    # Restocked when what is there and on its way, less what is wanted, is at or below this...
    reorder_point = models.IntegerField()
    # ...up to this.
    order_up_to = models.PositiveIntegerField()
    # No other site takes the free stock below this.
    keep_back = models.PositiveIntegerField(default=0)
    # The figures it was chosen by: demand, lead time, service, the distribution's name.
    basis = models.JSONField(default=dict)
    chosen_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    chosen_at = models.DateTimeField()
    version = models.PositiveIntegerField(default=1)

    objects = HoldingQuerySet.as_manager()

    class Meta:
        ordering = ["store", "part"]
        constraints = [
            models.UniqueConstraint(fields=["store", "part"], name="parts_holding_once"),
            models.CheckConstraint(
                condition=Q(reorder_point__gte=-1, reorder_point__lt=F("order_up_to"))
                & Q(order_up_to__lte=1_000_000),
                name="parts_holding_levels",
            ),
            models.CheckConstraint(
                condition=Q(keep_back__lte=F("order_up_to")), name="parts_holding_keep_back"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.part} in {self.store}: {self.reorder_point} to {self.order_up_to}"


class ForecastQuerySet(OfStoreQuerySet["Forecast"]):
    pass


class Forecast(models.Model):
    """The chance of each number of pieces wanted within a window; the newest row counts.

    The way in for whoever knows more than the ledger does: pumps that will reach a limit.
    """

    store = models.ForeignKey(Store, on_delete=models.CASCADE, related_name="forecasts")
    part = models.ForeignKey(Part, on_delete=models.CASCADE, related_name="forecasts")
    window_days = models.PositiveIntegerField()
    # probabilities[n]: that n pieces are wanted; they add up to 1.
    probabilities = models.JSONField()
    source = models.CharField(max_length=200)
    made_at = models.DateTimeField()

    objects = ForecastQuerySet.as_manager()

    class Meta:
        ordering = ["-made_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(window_days__gte=1, window_days__lte=3650), name="parts_forecast_window"
            ),
            models.CheckConstraint(condition=~Q(source=""), name="parts_forecast_source"),
        ]
        triggers = [pgtrigger.Protect(name="never_edited", operation=pgtrigger.Update)]

    def __str__(self) -> str:
        return f"{self.part} in {self.store}, {self.window_days} days"


class ExchangeRate(models.Model):
    """What one unit of a currency is worth in another from a day on; the newest counts."""

    base = models.CharField(max_length=3)
    quote = models.CharField(max_length=3)
    rate = models.DecimalField(max_digits=16, decimal_places=8)
    valid_from = models.DateField()
    set_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["base", "quote", "-valid_from"]
        constraints = [
            models.UniqueConstraint(
                fields=["base", "quote", "valid_from"], name="parts_exchangerate_once"
            ),
            models.CheckConstraint(
                condition=Q(base__regex=r"^[A-Z]{3}$", quote__regex=r"^[A-Z]{3}$")
                & ~Q(base=F("quote"))
                & Q(rate__gt=0),
                name="parts_exchangerate_figures",
            ),
        ]
        triggers = [APPEND_ONLY]

    def __str__(self) -> str:
        return f"1 {self.base} = {self.rate} {self.quote} from {self.valid_from}"


class LabourQuerySet(SiteScopedQuerySet["Labour"]):
    site_path = "inspection__site"


class Labour(models.Model):
    """Hours that one repair took, at the rate of that day. Taken back by a negative row."""

    inspection = models.ForeignKey(Inspection, on_delete=models.PROTECT, related_name="labour")
    hours = models.DecimalField(max_digits=7, decimal_places=2)
    # In the currency of the site's store; null: no rate was known, so the hours count alone.
    rate = money(null=True)
    what = models.CharField(max_length=200)
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    objects = LabourQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(hours=0) & Q(hours__gte=-1000, hours__lte=1000),
                name="parts_labour_hours",
            ),
            models.CheckConstraint(condition=~Q(what=""), name="parts_labour_what"),
            models.CheckConstraint(
                condition=Q(rate__isnull=True) | Q(rate__isnull=False, rate__gte=0),
                name="parts_labour_rate",
            ),
        ]
        triggers = [APPEND_ONLY]

    def __str__(self) -> str:
        return f"{self.hours} h: {self.what}"
