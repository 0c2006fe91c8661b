"""Pumps, their hours, and where they have been."""

from __future__ import annotations

from decimal import Decimal
from typing import Generic

import pgtrigger
from django.core.validators import RegexValidator
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Lower

from fleet.lifecycle import PumpStatus
from fleet.models.columns import LARGEST_HOURS, choices, one_of
from fleet.models.makers import PumpModel
from fleet.models.people import Site, User
from fleet.plumbing.scoping import M, SiteScopedQuerySet


class PumpQuerySet(SiteScopedQuerySet["Pump"]):
    pass


class Pump(models.Model):
    """One pump, known by its tag at the site and its serial within the model."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="pumps")
    model = models.ForeignKey(PumpModel, on_delete=models.PROTECT, related_name="pumps")
    tag = models.CharField(
        max_length=30,
        validators=[
            RegexValidator(
                r"^[A-Za-z0-9][A-Za-z0-9._/-]*$",
                "A tag is letters, figures and . _ / - without spaces.",
            )
        ],
    )
    serial = models.CharField(max_length=60)
    machine = models.CharField(max_length=80)
    position = models.CharField(max_length=80, blank=True)
    status = models.CharField(
        max_length=30, choices=choices(PumpStatus), default=PumpStatus.IN_SERVICE.value
    )
    # The meter may be changed; the running hours go on through the change.
    meter_h = models.DecimalField(max_digits=10, decimal_places=1, default=Decimal(0))
    running_h = models.DecimalField(max_digits=10, decimal_places=1, default=Decimal(0))
    hours_read_at = models.DateTimeField()
    next_inspection_on = models.DateField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    objects = PumpQuerySet.as_manager()

    class Meta:
        ordering = ["site", "tag"]
        constraints = [
            # Stamped plates have capitals only: gp-7 typed is the GP-7 of the plate.
            models.UniqueConstraint(F("site"), Lower("tag"), name="fleet_pump_tag_once"),
            models.UniqueConstraint(F("model"), Lower("serial"), name="fleet_pump_serial_once"),
            models.CheckConstraint(
                condition=one_of("status", PumpStatus), name="fleet_pump_status"
            ),
            models.CheckConstraint(
                condition=~Q(serial="") & ~Q(tag=""), name="fleet_pump_identified"
            ),
            models.CheckConstraint(
                condition=Q(running_h__gte=0, running_h__lt=LARGEST_HOURS)
                & Q(meter_h__gte=0, meter_h__lt=LARGEST_HOURS),
                name="fleet_pump_hours",
            ),
        ]

    def __str__(self) -> str:
        return self.tag


class PumpScopedQuerySet(SiteScopedQuerySet[M], Generic[M]):
    site_path = "pump__site"


_APPEND_ONLY = pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete)


class StatusChangeQuerySet(PumpScopedQuerySet["StatusChange"]):
    pass


class StatusChange(models.Model):
    """A pump changed its state: who, when, why. Appended, never edited."""

    pump = models.ForeignKey(Pump, on_delete=models.PROTECT, related_name="status_changes")
    old = models.CharField(max_length=30, choices=choices(PumpStatus), blank=True)
    new = models.CharField(max_length=30, choices=choices(PumpStatus))
    by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    at = models.DateTimeField()
    why = models.CharField(max_length=300)

    objects = StatusChangeQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(condition=~Q(why=""), name="fleet_statuschange_why"),
            models.CheckConstraint(
                condition=one_of("new", PumpStatus), name="fleet_statuschange_new"
            ),
        ]
        triggers = [_APPEND_ONLY]

    def __str__(self) -> str:
        return f"{self.pump}: {self.old} to {self.new}"


class PumpMoveQuerySet(PumpScopedQuerySet["PumpMove"]):
    pass


class PumpMove(models.Model):
    """A pump went to another site. Appended, never edited."""

    pump = models.ForeignKey(Pump, on_delete=models.PROTECT, related_name="moves")
    from_site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    to_site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    why = models.CharField(max_length=300)

    objects = PumpMoveQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(condition=~Q(why=""), name="fleet_pumpmove_why"),
            models.CheckConstraint(
                condition=~Q(from_site=F("to_site")), name="fleet_pumpmove_elsewhere"
            ),
        ]
        triggers = [_APPEND_ONLY]

    def __str__(self) -> str:
        return f"{self.pump}: {self.from_site} to {self.to_site}"


class HoursReadingQuerySet(PumpScopedQuerySet["HoursReading"]):
    pass


class HoursReading(models.Model):
    """What the hour meter of a pump showed. Appended, never edited."""

    pump = models.ForeignKey(Pump, on_delete=models.PROTECT, related_name="hours_readings")
    meter_h = models.DecimalField(max_digits=10, decimal_places=1)
    # Hours of the pump's life so far, across changes of meter.
    running_h = models.DecimalField(max_digits=10, decimal_places=1)
    read_at = models.DateTimeField()
    # The meter was changed since the reading before, so a fall is no mistake.
    meter_changed = models.BooleanField(default=False)
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    note = models.CharField(max_length=300, blank=True)

    objects = HoursReadingQuerySet.as_manager()

    class Meta:
        ordering = ["-read_at", "-id"]
        constraints = [
            models.UniqueConstraint(fields=["pump", "read_at"], name="fleet_hoursreading_once"),
            models.CheckConstraint(
                condition=Q(running_h__gte=0, running_h__lt=LARGEST_HOURS)
                & Q(meter_h__gte=0, meter_h__lt=LARGEST_HOURS),
                name="fleet_hoursreading_hours",
            ),
        ]
        triggers = [_APPEND_ONLY]

    def __str__(self) -> str:
        return f"{self.pump}: {self.meter_h} h on the meter"
