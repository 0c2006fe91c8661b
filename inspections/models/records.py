"""What is read, judged, seen and decided in an inspection."""

from __future__ import annotations

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q

from fleet.fields import PrintedDecimalField
from fleet.models import SheetLine, User, choices, one_of
from fleet.units import LengthUnit
from fleet.vocabulary import Component
from inspections.models.inspection import Inspection, OfInspectionQuerySet, while_open
from inspections.models.instruments import Instrument
from inspections.rules.dispositions import Disposition
from inspections.rules.findings import Cause, Severity, Word
from inspections.rules.verdicts import Outcome


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
                    & Q(tries=[], high__isnull=False)
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
        triggers = [while_open(isolated=True)]

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
        triggers = [while_open(isolated=False)]

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
        triggers = [while_open(isolated=False)]

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
        triggers = [while_open(isolated=False)]

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
        triggers = [while_open(isolated=False)]

    def __str__(self) -> str:
        return f"{Component(self.component).label}: {Disposition(self.decided).label}"
