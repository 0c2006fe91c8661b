"""Inspections of stripped pumps: identification, readings, verdicts, findings, dispositions."""

from __future__ import annotations

from typing import Generic

import pgtrigger
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q

from fleet.fields import PrintedDecimalField
from fleet.models import LimitSheet, Pump, SheetLine, SheetRule, Site, User, choices, one_of
from fleet.plumbing.scoping import M, SiteScopedQuerySet
from fleet.units import LengthUnit
from fleet.vocabulary import Characteristic, Component, InstrumentKind
from inspections.dispositions import Disposition
from inspections.findings import Cause, Severity, Word
from inspections.lifecycle import InspectionState, Reason
from inspections.verdicts import Outcome


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


def _while_open(*, isolated: bool) -> pgtrigger.Trigger:
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


class OfInspectionQuerySet(SiteScopedQuerySet[M], Generic[M]):
    site_path = "inspection__site"


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
        triggers = [_while_open(isolated=False)]

    def __str__(self) -> str:
        return f"Nameplate {self.serial or 'illegible'}"


class ReadingQuerySet(OfInspectionQuerySet["Reading"]):
    pass


class Reading(models.Model):
    """One reading at one position: the bracket that the leaves imply, or an instrument's value.

    `tries` holds the leaves as tried, `low`/`high` what they imply in the instrument's unit
    (`high` null: every leaf tried went in). A value has low = high, or the smallest and largest of
    its `repeats`. `standard_uncertainty` is in `unit`, null where the instrument's permissible
    error is not known; `budget` is what it is made of. A reading taken anew replaces the old one,
    which is kept with the time it was replaced.
    """

    inspection = models.ForeignKey(Inspection, on_delete=models.PROTECT, related_name="readings")
    line = models.ForeignKey(SheetLine, on_delete=models.PROTECT, related_name="+")
    position = models.CharField(max_length=60)
    term = models.CharField(max_length=40, blank=True)
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="+")
    unit = models.CharField(max_length=4, choices=choices(LengthUnit))
    # [{"leaves": ["0.10", "0.06"], "feel": "drag", "repeat": 1}, ...]; empty for a value.
    tries = models.JSONField(default=list)
    low = PrintedDecimalField()
    high = PrintedDecimalField(null=True)
    is_value = models.BooleanField()
    # A value as it was shown each time, where it was taken more than once.
    repeats = ArrayField(PrintedDecimalField(), default=list)
    standard_uncertainty = models.FloatField(null=True)
    budget = models.JSONField(default=list)
    # The day up to which the instrument was calibrated, where that had passed.
    overdue_since = models.DateField(null=True)
    taken_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    taken_at = models.DateTimeField()
    replaced_at = models.DateTimeField(null=True)

    objects = ReadingQuerySet.as_manager()

    class Meta:
        ordering = ["line__order", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["inspection", "line", "position", "term"],
                condition=Q(replaced_at__isnull=True),
                name="inspections_reading_one_in_force",
            ),
            models.CheckConstraint(
                condition=one_of("unit", LengthUnit), name="inspections_reading_unit"
            ),
            models.CheckConstraint(
                condition=Q(low__gt=-100_000, low__lt=100_000)
                & (Q(high__isnull=True) | Q(high__gt=-100_000, high__lt=100_000)),
                name="inspections_reading_bounded",
            ),
            models.CheckConstraint(
                condition=(
                    Q(is_value=True)
                    & Q(tries=[])
                    & (Q(high=F("low")) | Q(high__gt=F("low"), repeats__len__gte=2))
                )
                | (
                    Q(is_value=False)
                    & Q(low__gte=0)
                    & (Q(high__isnull=True) | Q(high__gt=F("low")))
                    & ~Q(tries=[])
                    & Q(repeats__len=0)
                ),
                name="inspections_reading_value_or_bracket",
            ),
            models.CheckConstraint(
                condition=Q(standard_uncertainty__isnull=True) | Q(standard_uncertainty__gte=0),
                name="inspections_reading_uncertainty",
            ),
        ]
        triggers = [_while_open(isolated=True)]

    def __str__(self) -> str:
        return f"{self.position}: {self.low} to {self.high} {self.unit}"


class VerdictQuerySet(OfInspectionQuerySet["Verdict"]):
    pass


class Verdict(models.Model):
    """What one check of the sheet came to, with the sentence that explains it."""

    inspection = models.ForeignKey(Inspection, on_delete=models.PROTECT, related_name="verdicts")
    line = models.ForeignKey(SheetLine, on_delete=models.PROTECT, related_name="+")
    outcome = models.CharField(max_length=12, choices=choices(Outcome))
    # That the worst position meets the limit; null where it cannot be said.
    probability = models.FloatField(null=True)
    near_limit = models.BooleanField(default=False)
    sentence = models.TextField()
    rule = models.CharField(max_length=160)
    # All that the verdict came from, as the rules take it: it can be judged again to the same bits.
    computed_from = models.JSONField(default=dict)
    worst_position = models.CharField(max_length=60, blank=True)
    # What met the limit: the worst reading, its difference or the spread, in `unit`.
    unit = models.CharField(max_length=4, choices=choices(LengthUnit), blank=True)
    low = PrintedDecimalField(null=True)
    high = PrintedDecimalField(null=True)
    # A position and one of its two terms: an array is cut to its length without a word.
    missing_positions = ArrayField(models.CharField(max_length=101), default=list)
    judged_at = models.DateTimeField()
    waived_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    waived_reason = models.CharField(max_length=300, blank=True)

    objects = VerdictQuerySet.as_manager()

    class Meta:
        ordering = ["line__order", "id"]
        constraints = [
            models.UniqueConstraint(fields=["inspection", "line"], name="inspections_verdict_once"),
            models.CheckConstraint(
                condition=one_of("outcome", Outcome), name="inspections_verdict_outcome"
            ),
            models.CheckConstraint(
                condition=Q(probability__isnull=True) | Q(probability__gte=0, probability__lte=1),
                name="inspections_verdict_probability",
            ),
            models.CheckConstraint(
                condition=Q(waived_by__isnull=True, waived_reason="")
                | (Q(waived_by__isnull=False) & ~Q(waived_reason="")),
                name="inspections_verdict_waiver_has_name_and_reason",
            ),
        ]
        triggers = [_while_open(isolated=False)]

    def __str__(self) -> str:
        return self.sentence


class FindingQuerySet(OfInspectionQuerySet["Finding"]):
    pass


class Finding(models.Model):
    """What was seen on one component ('no defect' included), and apart from it the likely cause."""

    inspection = models.ForeignKey(Inspection, on_delete=models.PROTECT, related_name="findings")
    component = models.CharField(max_length=40, choices=choices(Component))
    word = models.CharField(max_length=40, choices=choices(Word))
    severity = models.PositiveSmallIntegerField(choices=[(s.value, s.label) for s in Severity])
    place = models.CharField(max_length=120, blank=True)
    note = models.CharField(max_length=500, blank=True)
    cause = models.CharField(max_length=30, choices=choices(Cause), blank=True)
    seen_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    seen_at = models.DateTimeField()

    objects = FindingQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                fields=["inspection", "component", "word", "place"], name="inspections_finding_once"
            ),
            models.CheckConstraint(
                condition=one_of("component", Component), name="inspections_finding_component"
            ),
            models.CheckConstraint(condition=one_of("word", Word), name="inspections_finding_word"),
            models.CheckConstraint(
                condition=Q(cause="") | one_of("cause", Cause), name="inspections_finding_cause"
            ),
            models.CheckConstraint(
                condition=Q(severity=0, word=Word.NO_DEFECT.value)
                | (Q(severity__gte=1, severity__lte=4) & ~Q(word=Word.NO_DEFECT.value)),
                name="inspections_finding_severity",
            ),
        ]
        triggers = [_while_open(isolated=False)]

    def __str__(self) -> str:
        return f"{Component(self.component).label}: {Word(self.word).label}"


class PhotoQuerySet(OfInspectionQuerySet["Photo"]):
    pass


class Photo(models.Model):
    """A picture of a finding, re-encoded: nothing of the camera's own data is kept."""

    inspection = models.ForeignKey(Inspection, on_delete=models.PROTECT, related_name="photos")
    component = models.CharField(max_length=40, choices=choices(Component), blank=True)
    file = models.FileField(upload_to="photos/%Y/%m/")
    sha256 = models.CharField(max_length=64)
    width_px = models.PositiveIntegerField()
    height_px = models.PositiveIntegerField()
    caption = models.CharField(max_length=120, blank=True)
    taken_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    taken_at = models.DateTimeField()

    objects = PhotoQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                fields=["inspection", "component", "sha256"], name="inspections_photo_once"
            ),
        ]
        triggers = [_while_open(isolated=False)]

    def __str__(self) -> str:
        return self.caption or f"Photo {self.pk}"


class ComponentDispositionQuerySet(OfInspectionQuerySet["ComponentDisposition"]):
    pass


class ComponentDisposition(models.Model):
    """What becomes of one component: proposed by rule, decided by a person."""

    inspection = models.ForeignKey(
        Inspection, on_delete=models.PROTECT, related_name="dispositions"
    )
    component = models.CharField(max_length=40, choices=choices(Component))
    proposed = models.CharField(max_length=20, choices=choices(Disposition))
    # A list of objects with "text" and "source".
    reasons = models.JSONField()
    decided = models.CharField(max_length=20, choices=choices(Disposition))
    decided_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    decided_at = models.DateTimeField()
    overrule_reason = models.CharField(max_length=500, blank=True)

    objects = ComponentDispositionQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                fields=["inspection", "component"], name="inspections_disposition_once"
            ),
            models.CheckConstraint(
                condition=one_of("component", Component), name="inspections_disposition_component"
            ),
            models.CheckConstraint(
                condition=one_of("proposed", Disposition) & one_of("decided", Disposition),
                name="inspections_disposition_words",
            ),
            models.CheckConstraint(
                condition=Q(decided=F("proposed")) | ~Q(overrule_reason=""),
                name="inspections_disposition_overruled_with_reason",
            ),
        ]
        triggers = [_while_open(isolated=False)]

    def __str__(self) -> str:
        return f"{Component(self.component).label}: {Disposition(self.decided).label}"


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
                condition=(Q(is_value=True) & Q(high=F("low")) & Q(tries=[]))
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
