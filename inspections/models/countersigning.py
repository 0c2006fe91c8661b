"""What the countersigning person adds: acceptances and readings taken again."""

from __future__ import annotations

import pgtrigger
from django.db import models
from django.db.models import F, Q

from fleet.fields import PrintedDecimalField
from fleet.models import SheetLine, User, choices, one_of
from fleet.units import LengthUnit
from inspections.models.inspection import Inspection, OfInspectionQuerySet
from inspections.models.instruments import Instrument


def _while_under_work() -> pgtrigger.Trigger:
    """Rows of the countersigning: written until the inspection is closed, then fixed."""
    return pgtrigger.Trigger(
        name="only_while_under_work",
        operation=pgtrigger.Insert | pgtrigger.Update | pgtrigger.Delete,
        when=pgtrigger.Before,
        declare=[("parent", "bigint"), ("parent_state", "text")],
        func="""
            IF TG_OP = 'DELETE' THEN parent := OLD.inspection_id;
            ELSE parent := NEW.inspection_id; END IF;
            SELECT state INTO parent_state
                FROM inspections_inspection WHERE id = parent FOR SHARE;
            IF TG_OP = 'UPDATE' AND OLD.inspection_id <> NEW.inspection_id THEN
                RAISE EXCEPTION 'a record stays with inspection %', OLD.inspection_id
                    USING ERRCODE = 'check_violation',
                          CONSTRAINT = 'inspections_only_while_under_work';
            END IF;
            IF parent_state NOT IN ('open', 'awaiting_countersignature') THEN
                RAISE EXCEPTION 'inspection % is closed', parent
                    USING ERRCODE = 'check_violation',
                          CONSTRAINT = 'inspections_only_while_under_work';
            END IF;
            IF TG_OP = 'DELETE' THEN RETURN OLD; END IF;
            RETURN NEW;
        """,
    )


class OverdueAcceptanceQuerySet(OfInspectionQuerySet["OverdueAcceptance"]):
    pass


class OverdueAcceptance(models.Model):
    """A competent person lets readings with an overdue instrument count, by name and reason."""

    inspection = models.ForeignKey(
        Inspection, on_delete=models.PROTECT, related_name="overdue_acceptances"
    )
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="+")
    reason = models.CharField(max_length=300)
    accepted_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    accepted_at = models.DateTimeField()

    objects = OverdueAcceptanceQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                fields=["inspection", "instrument"], name="inspections_overdueacceptance_once"
            ),
            models.CheckConstraint(
                condition=~Q(reason=""), name="inspections_overdueacceptance_reason"
            ),
        ]
        triggers = [_while_under_work()]

    def __str__(self) -> str:
        return f"{self.instrument} accepted by {self.accepted_by}"


class ControlReadingQuerySet(OfInspectionQuerySet["ControlReading"]):
    pass


class ControlReading(models.Model):
    """A position measured again by the person who countersigns: for comparison, no verdict."""

    inspection = models.ForeignKey(
        Inspection, on_delete=models.PROTECT, related_name="control_readings"
    )
    line = models.ForeignKey(SheetLine, on_delete=models.PROTECT, related_name="+")
    position = models.CharField(max_length=60)
    term = models.CharField(max_length=40, blank=True)
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="+")
    unit = models.CharField(max_length=4, choices=choices(LengthUnit))
    tries = models.JSONField(default=list)
    low = PrintedDecimalField()
    high = PrintedDecimalField(null=True)
    is_value = models.BooleanField()
    standard_uncertainty = models.FloatField(null=True)
    taken_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    taken_at = models.DateTimeField()

    objects = ControlReadingQuerySet.as_manager()

    class Meta:
        ordering = ["line__order", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["inspection", "line", "position", "term"],
                name="inspections_controlreading_once",
            ),
            models.CheckConstraint(
                condition=one_of("unit", LengthUnit), name="inspections_controlreading_unit"
            ),
            models.CheckConstraint(
                condition=(Q(is_value=True, high__isnull=False) & Q(high=F("low")) & Q(tries=[]))
                | (
                    Q(is_value=False)
                    & Q(low__gte=0)
                    & (Q(high__isnull=True) | Q(high__gt=F("low")))
                    & ~Q(tries=[])
                ),
                name="inspections_controlreading_value_or_bracket",
            ),
        ]
        triggers = [_while_under_work()]

    def __str__(self) -> str:
        return f"{self.position}: {self.low} to {self.high} {self.unit}, again"
