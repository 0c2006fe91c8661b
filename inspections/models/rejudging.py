"""Inspections judged again by a later rule, beside what was signed."""

from __future__ import annotations

import pgtrigger
from django.db import models
from django.db.models import F, Q

from fleet.models import SheetLine, SheetRule, choices, one_of
from inspections.models.inspection import Inspection, OfInspectionQuerySet
from inspections.rules.verdicts import Outcome


class Rejudgement(models.Model):
    """All inspections of a model judged again by a changed rule: how far it has come."""

    rule = models.OneToOneField(SheetRule, on_delete=models.PROTECT, related_name="rejudgement")
    asked_at = models.DateTimeField()
    total = models.PositiveIntegerField()
    done = models.PositiveIntegerField(default=0)
    differing = models.PositiveIntegerField(default=0)
    last_inspection_id = models.BigIntegerField(default=0)
    finished_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(done__lte=F("total")), name="inspections_rejudgement_progress"
            ),
        ]

    def __str__(self) -> str:
        return f"Judged again by {self.rule}"


class RejudgedVerdictQuerySet(OfInspectionQuerySet["RejudgedVerdict"]):
    pass


class RejudgedVerdict(models.Model):
    """What a check comes to under a later rule: beside the verdict, never in its place."""

    rejudgement = models.ForeignKey(Rejudgement, on_delete=models.PROTECT, related_name="verdicts")
    inspection = models.ForeignKey(
        Inspection, on_delete=models.PROTECT, related_name="rejudged_verdicts"
    )
    line = models.ForeignKey(SheetLine, on_delete=models.PROTECT, related_name="+")
    before = models.CharField(max_length=12, choices=choices(Outcome))
    outcome = models.CharField(max_length=12, choices=choices(Outcome))
    probability = models.FloatField(null=True)
    near_limit = models.BooleanField(default=False)
    sentence = models.TextField()
    rule_text = models.CharField(max_length=160)
    computed_from = models.JSONField(default=dict)
    judged_at = models.DateTimeField()

    objects = RejudgedVerdictQuerySet.as_manager()

    class Meta:
        ordering = ["inspection", "line__order", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["rejudgement", "inspection", "line"],
                name="inspections_rejudgedverdict_once",
            ),
            models.CheckConstraint(
                condition=one_of("outcome", Outcome) & one_of("before", Outcome),
                name="inspections_rejudgedverdict_outcome",
            ),
        ]
        triggers = [
            pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete)
        ]

    def __str__(self) -> str:
        return self.sentence
