"""One strip-down: its state, its signatures, what the plate says."""

from __future__ import annotations

from typing import Generic

import pgtrigger
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q

from fleet.models import LimitSheet, Pump, SheetRule, Site, User, choices, one_of
from fleet.plumbing.scoping import M, SiteScopedQuerySet
from inspections.rules.lifecycle import InspectionState, Reason


class InspectionQuerySet(SiteScopedQuerySet["Inspection"]):
    def awaiting_countersignature(self) -> InspectionQuerySet:
        return self.filter(state=InspectionState.AWAITING_COUNTERSIGNATURE.value)

    def open(self) -> InspectionQuerySet:
        return self.filter(state=InspectionState.OPEN.value)


class Inspection(models.Model):
    """One strip-down of one pump, judged by the sheet in force when it was opened.

    It keeps its own site: the pump may move later, its history must not.
    """

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="inspections")
    pump = models.ForeignKey(Pump, on_delete=models.PROTECT, related_name="inspections")
    sheet = models.ForeignKey(LimitSheet, on_delete=models.PROTECT, related_name="+")
    # The rule of the sheet when the inspection was opened; none is simple acceptance.
    rule = models.ForeignKey(SheetRule, on_delete=models.PROTECT, null=True, related_name="+")
    reason = models.CharField(max_length=20, choices=choices(Reason))
    complaint = models.CharField(max_length=300, blank=True)
    state = models.CharField(
        max_length=30, choices=choices(InspectionState), default=InspectionState.OPEN.value
    )
    running_h = models.DecimalField(max_digits=10, decimal_places=1)
    opened_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    opened_at = models.DateTimeField()
    # Taken at opening: whoever is a trainee then needs the countersignature for this pump.
    needs_countersignature = models.BooleanField()
    # Isolation: confirmed by name and time before the first reading.
    isolated_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    isolated_at = models.DateTimeField(null=True)
    lock_number = models.CharField(max_length=40, blank=True)
    proved_zero_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    proved_zero_at = models.DateTimeField(null=True)
    proved_zero_how = models.CharField(max_length=200, blank=True)
    cautions_read_by = models.ForeignKey(
        User, on_delete=models.PROTECT, null=True, related_name="+"
    )
    cautions_read_at = models.DateTimeField(null=True)
    signed_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    signed_at = models.DateTimeField(null=True)
    countersigned_by = models.ForeignKey(
        User, on_delete=models.PROTECT, null=True, related_name="+"
    )
    countersigned_at = models.DateTimeField(null=True)
    supersedes = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, related_name="corrections"
    )
    version = models.PositiveIntegerField(default=1)

    objects = InspectionQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=one_of("state", InspectionState), name="inspections_inspection_state"
            ),
            models.CheckConstraint(
                condition=one_of("reason", Reason), name="inspections_inspection_reason"
            ),
            models.UniqueConstraint(
                fields=["pump"],
                condition=Q(
                    state__in=[
                        InspectionState.OPEN.value,
                        InspectionState.AWAITING_COUNTERSIGNATURE.value,
                    ]
                ),
                name="inspections_inspection_one_under_work",
            ),
            models.UniqueConstraint(
                fields=["supersedes"],
                condition=~Q(state=InspectionState.ABANDONED.value),
                name="inspections_inspection_one_correction",
            ),
            models.CheckConstraint(
                condition=Q(countersigned_by__isnull=True) | ~Q(countersigned_by=F("signed_by")),
                name="inspections_inspection_two_people",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["signed", "superseded"])
                | (
                    Q(signed_by__isnull=False, signed_at__isnull=False)
                    & (
                        Q(needs_countersignature=False)
                        | Q(countersigned_by__isnull=False, countersigned_at__isnull=False)
                    )
                ),
                name="inspections_inspection_signed_by_whom",
            ),
            models.CheckConstraint(
                condition=~Q(state="awaiting_countersignature")
                | Q(signed_by__isnull=False, countersigned_by__isnull=True),
                name="inspections_inspection_awaiting",
            ),
            models.CheckConstraint(
                condition=~Q(state="open")
                | Q(signed_by__isnull=True, countersigned_by__isnull=True),
                name="inspections_inspection_open_is_unsigned",
            ),
            models.CheckConstraint(
                condition=Q(proved_zero_at__isnull=True)
                | (
                    Q(
                        isolated_by__isnull=False,
                        isolated_at__isnull=False,
                        proved_zero_by__isnull=False,
                        cautions_read_by__isnull=False,
                    )
                    & ~Q(proved_zero_how="")
                    & Q(proved_zero_at__gte=F("isolated_at"))
                ),
                name="inspections_inspection_isolated_before_zero",
            ),
            models.CheckConstraint(
                condition=Q(running_h__gte=0, running_h__lt=1_000_000),
                name="inspections_inspection_hours",
            ),
        ]

        triggers = [
            pgtrigger.Trigger(
                name="closed_inspection_is_fixed",
                operation=pgtrigger.Update | pgtrigger.Delete,
                when=pgtrigger.Before,
                condition=pgtrigger.Condition("OLD.state IN ('signed', 'superseded', 'abandoned')"),
                func="""
                    IF TG_OP = 'UPDATE' AND OLD.state = 'signed' AND NEW.state = 'superseded'
                       AND (to_jsonb(NEW) - '{state,version}'::text[])
                         = (to_jsonb(OLD) - '{state,version}'::text[])
                    THEN RETURN NEW; END IF;
                    RAISE EXCEPTION 'inspection % is closed and never changes', OLD.id
                        USING ERRCODE = 'check_violation',
                              CONSTRAINT = 'inspections_inspection_closed_is_fixed';
                """,
            )
        ]

    def __str__(self) -> str:
        return f"Inspection {self.pk}"


class OfInspectionQuerySet(SiteScopedQuerySet[M], Generic[M]):
    site_path = "inspection__site"


def while_open(*, isolated: bool) -> pgtrigger.Trigger:
    """Rows below an inspection change only while it is open: locked means locked, by raw SQL too.

    With `isolated`, not before isolation and zero energy are confirmed either.
    """
    also = (
        """
        IF zero IS NULL THEN
            RAISE EXCEPTION 'inspection % is not proved zero yet', parent
                USING ERRCODE = 'check_violation', CONSTRAINT = 'inspections_proved_zero_first';
        END IF;
        """
        if isolated
        else ""
    )
    return pgtrigger.Trigger(
        name="only_while_open",
        operation=pgtrigger.Insert | pgtrigger.Update | pgtrigger.Delete,
        when=pgtrigger.Before,
        declare=[("parent", "bigint"), ("parent_state", "text"), ("zero", "timestamptz")],
        # The only part put in is the constant above: no value from outside.
        func=f"""
            IF TG_OP = 'DELETE' THEN parent := OLD.inspection_id;
            ELSE parent := NEW.inspection_id; END IF;
            SELECT state, proved_zero_at INTO parent_state, zero
                FROM inspections_inspection WHERE id = parent FOR SHARE;
            -- A row taken to another inspection would be missing from the one it came from.
            IF TG_OP = 'UPDATE' AND OLD.inspection_id <> NEW.inspection_id THEN
                RAISE EXCEPTION 'a record stays with inspection %', OLD.inspection_id
                    USING ERRCODE = 'check_violation', CONSTRAINT = 'inspections_only_while_open';
            END IF;
            IF parent_state <> 'open' THEN
                RAISE EXCEPTION 'inspection % is not open', parent
                    USING ERRCODE = 'check_violation', CONSTRAINT = 'inspections_only_while_open';
            END IF;
            {also}
            IF TG_OP = 'DELETE' THEN RETURN OLD; END IF;
            RETURN NEW;
        """,  # noqa: S608
    )


class StateChangeQuerySet(OfInspectionQuerySet["StateChange"]):
    pass


class StateChange(models.Model):
    """An inspection changed its state: who, when, why. Appended, never edited."""

    inspection = models.ForeignKey(
        Inspection, on_delete=models.PROTECT, related_name="state_changes"
    )
    old = models.CharField(max_length=30, choices=choices(InspectionState), blank=True)
    new = models.CharField(max_length=30, choices=choices(InspectionState))
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    why = models.CharField(max_length=500)

    objects = StateChangeQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(condition=~Q(why=""), name="inspections_statechange_why"),
        ]
        triggers = [
            pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete)
        ]

    def __str__(self) -> str:
        return f"{self.old} to {self.new}"


class NameplateQuerySet(OfInspectionQuerySet["Nameplate"]):
    pass


class Nameplate(models.Model):
    """What the plate on the pump says, as read. A difference from the register is recorded."""

    inspection = models.OneToOneField(
        Inspection, on_delete=models.PROTECT, related_name="nameplate"
    )
    maker = models.CharField(max_length=80, blank=True)
    designation = models.CharField(max_length=60, blank=True)
    serial = models.CharField(max_length=60, blank=True)
    displacement_cm3 = models.DecimalField(max_digits=9, decimal_places=3, null=True, blank=True)
    rotation = models.CharField(max_length=15, blank=True)
    illegible_reason = models.CharField(max_length=200, blank=True)
    # Sentences, one per field that differs from the register; empty when all that was read agrees.
    mismatches = ArrayField(models.CharField(max_length=300), default=list)
    read_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    read_at = models.DateTimeField()

    objects = NameplateQuerySet.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(serial="") | ~Q(illegible_reason=""),
                name="inspections_nameplate_serial_or_reason",
            ),
        ]
        triggers = [while_open(isolated=False)]

    def __str__(self) -> str:
        return f"Nameplate {self.serial or 'illegible'}"
