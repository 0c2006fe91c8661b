"""The measuring instruments of a site, and the leaves taken out of their sets."""

from __future__ import annotations

import pgtrigger
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q

from fleet.fields import PrintedDecimalField
from fleet.models import Site, User, choices, one_of
from fleet.plumbing.scoping import SiteScopedQuerySet
from fleet.units import LengthUnit
from fleet.vocabulary import InstrumentKind


class InstrumentQuerySet(SiteScopedQuerySet["Instrument"]):
    pass


class Instrument(models.Model):
    """A leaf set, micrometer, dial or bore gauge that a site owns."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="instruments")
    identity = models.CharField(max_length=40)
    name = models.CharField(max_length=80)
    kind = models.CharField(max_length=20, choices=choices(InstrumentKind))
    unit = models.CharField(max_length=4, choices=choices(LengthUnit))
    leaves = ArrayField(PrintedDecimalField(), default=list, blank=True)
    resolution = PrintedDecimalField(null=True, blank=True)
    # Largest error either way that the certificate allows, of a leaf or of what is shown.
    permissible_error = PrintedDecimalField(null=True, blank=True)
    calibration_due_on = models.DateField(null=True, blank=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    objects = InstrumentQuerySet.as_manager()

    class Meta:
        ordering = ["site", "identity"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "identity"], name="inspections_instrument_identity_once"
            ),
            models.CheckConstraint(
                condition=one_of("kind", InstrumentKind), name="inspections_instrument_kind"
            ),
            models.CheckConstraint(
                condition=one_of("unit", LengthUnit), name="inspections_instrument_unit"
            ),
            models.CheckConstraint(
                condition=(Q(kind=InstrumentKind.FEELER.value) & Q(leaves__len__gt=0))
                | (~Q(kind=InstrumentKind.FEELER.value) & Q(leaves__len=0)),
                name="inspections_instrument_leaves_of_a_set",
            ),
            models.CheckConstraint(
                condition=Q(kind=InstrumentKind.FEELER.value)
                | Q(resolution__isnull=False, resolution__gt=0, resolution__lt=1000),
                name="inspections_instrument_resolution",
            ),
            models.CheckConstraint(
                condition=Q(permissible_error__isnull=True)
                | Q(permissible_error__gt=0, permissible_error__lt=1000),
                name="inspections_instrument_permissible_error",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.identity} ({self.name})"


class LeafWithdrawalQuerySet(SiteScopedQuerySet["LeafWithdrawal"]):
    site_path = "instrument__site"


class LeafWithdrawal(models.Model):
    """One leaf taken out of its set, bent or worn. A new one of that size may go in later."""

    instrument = models.ForeignKey(
        Instrument, on_delete=models.PROTECT, related_name="leaf_withdrawals"
    )
    leaf = PrintedDecimalField()
    why = models.CharField(max_length=200)
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    objects = LeafWithdrawalQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(condition=~Q(why=""), name="inspections_leafwithdrawal_why"),
        ]
        triggers = [
            pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete)
        ]

    def __str__(self) -> str:
        return f"{self.leaf:f} of {self.instrument}"
