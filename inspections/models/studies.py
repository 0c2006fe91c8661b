"""Studies of the measuring itself: several people, parts and trials."""

from __future__ import annotations

import pgtrigger
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q

from fleet.fields import PrintedDecimalField
from fleet.models import Site, User, choices, one_of
from fleet.plumbing.scoping import SiteScopedQuerySet
from fleet.units import LengthUnit
from fleet.vocabulary import Characteristic, InstrumentKind
from inspections.models.instruments import Instrument


class StudyQuerySet(SiteScopedQuerySet["Study"]):
    pass


class Study(models.Model):
    """Several people measure the same parts several times: how far the measuring itself varies.

    `result` and `u` (the standard deviation of repeatability and reproducibility, in `unit`) are
    there once it is closed; from then on `u` is in the uncertainty of readings of its kind.
    """

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="studies")
    characteristic = models.CharField(max_length=40, choices=choices(Characteristic))
    instrument_kind = models.CharField(max_length=20, choices=choices(InstrumentKind))
    unit = models.CharField(max_length=4, choices=choices(LengthUnit))
    # Width between the limits, where there are two: what the spread is compared with.
    tolerance = PrintedDecimalField(null=True, blank=True)
    people = models.ManyToManyField(User, related_name="+")
    parts = ArrayField(models.CharField(max_length=60))
    trials = models.PositiveSmallIntegerField()
    opened_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    opened_at = models.DateTimeField()
    closed_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    closed_at = models.DateTimeField(null=True)
    result = models.JSONField(null=True)
    u = models.FloatField(null=True)
    version = models.PositiveIntegerField(default=1)

    objects = StudyQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=one_of("characteristic", Characteristic),
                name="inspections_study_characteristic",
            ),
            models.CheckConstraint(
                condition=one_of("instrument_kind", InstrumentKind),
                name="inspections_study_instrument_kind",
            ),
            models.CheckConstraint(
                condition=one_of("unit", LengthUnit), name="inspections_study_unit"
            ),
            models.CheckConstraint(
                condition=Q(tolerance__isnull=True) | Q(tolerance__gt=0, tolerance__lt=100_000),
                name="inspections_study_tolerance",
            ),
            models.CheckConstraint(
                condition=Q(trials__gte=2, trials__lte=10, parts__len__gte=2, parts__len__lte=30),
                name="inspections_study_size",
            ),
            models.CheckConstraint(
                condition=Q(
                    closed_at__isnull=True, closed_by__isnull=True, result__isnull=True, u=None
                )
                | Q(
                    closed_at__isnull=False,
                    closed_by__isnull=False,
                    result__isnull=False,
                    u__isnull=False,
                    u__gte=0,
                ),
                name="inspections_study_closed_with_result",
            ),
        ]
        triggers = [
            pgtrigger.Protect(
                name="closed_study_is_fixed",
                operation=pgtrigger.Update | pgtrigger.Delete,
                condition=pgtrigger.Condition("OLD.closed_at IS NOT NULL"),
            )
        ]

    def __str__(self) -> str:
        return f"Study {self.pk}, {Characteristic(self.characteristic).label}"


class StudyReadingQuerySet(SiteScopedQuerySet["StudyReading"]):
    site_path = "study__site"


class StudyReading(models.Model):
    """One person's reading of one part in one trial, in the unit of the study."""

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="readings")
    person = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    part = models.CharField(max_length=60)
    trial = models.PositiveSmallIntegerField()
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="+")
    low = PrintedDecimalField()
    high = PrintedDecimalField()
    typed_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    typed_at = models.DateTimeField()

    objects = StudyReadingQuerySet.as_manager()

    class Meta:
        ordering = ["study", "part", "person", "trial"]
        constraints = [
            models.UniqueConstraint(
                fields=["study", "person", "part", "trial"], name="inspections_studyreading_once"
            ),
            models.CheckConstraint(
                condition=Q(low__gte=0, high__gte=F("low"), high__lt=100_000),
                name="inspections_studyreading_in_order",
            ),
            models.CheckConstraint(
                condition=Q(trial__gte=1, trial__lte=10), name="inspections_studyreading_trial"
            ),
        ]
        triggers = [
            pgtrigger.Trigger(
                name="readings_of_closed_study_are_fixed",
                operation=pgtrigger.Insert | pgtrigger.Update | pgtrigger.Delete,
                when=pgtrigger.Before,
                declare=[("parent", "bigint"), ("closed", "timestamptz")],
                func="""
                    parent := CASE TG_OP WHEN 'DELETE' THEN OLD.study_id ELSE NEW.study_id END;
                    SELECT closed_at INTO closed FROM inspections_study WHERE id = parent FOR SHARE;
                    IF closed IS NOT NULL THEN
                        RAISE EXCEPTION 'study % is closed and never changes', parent
                            USING ERRCODE = 'check_violation',
                                  CONSTRAINT = 'inspections_studyreading_closed_is_fixed';
                    END IF;
                    IF TG_OP = 'DELETE' THEN RETURN OLD; END IF;
                    RETURN NEW;
                """,
            )
        ]

    def __str__(self) -> str:
        return f"{self.person}, {self.part}, trial {self.trial}"
