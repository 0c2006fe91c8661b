"""Sites, people, pump models, limit sheets and pumps."""

from __future__ import annotations

from decimal import Decimal
from typing import ClassVar, Generic

import pgtrigger
from django.contrib.auth.models import AbstractUser
from django.contrib.postgres.fields import ArrayField
from django.core.validators import RegexValidator
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Lower

from fleet.decisions import (
    DEFAULT_GUARD_Z,
    DEFAULT_P_ACCEPT,
    DEFAULT_P_REJECT,
    RuleKind,
)
from fleet.fields import PrintedDecimalField
from fleet.lifecycle import PumpStatus, SheetState
from fleet.limits import MOST_TERMS, JudgedBy
from fleet.plumbing.models import ApiToken, Delivery, Event, IdempotencyKey
from fleet.plumbing.scoping import M, SiteScopedQuerySet
from fleet.roles import Role
from fleet.units import LengthUnit
from fleet.vocabulary import (
    OIL_GRADES,
    Characteristic,
    Component,
    InstrumentKind,
    LeakShape,
    PumpFamily,
    Rotation,
)

__all__ = ["ApiToken", "Delivery", "Event", "IdempotencyKey"]

LARGEST_LENGTH = Decimal(100_000)
LARGEST_HOURS = Decimal(1_000_000)


def choices(enum: type) -> list[tuple[str, str]]:
    return [(e.value, getattr(e, "label", e.value)) for e in enum]  # type: ignore[attr-defined]


def one_of(field: str, enum: type) -> Q:
    """Check that the column holds a value of the closed list: `choices` protects nothing."""
    return Q(**{f"{field}__in": [e.value for e in enum]})  # type: ignore[attr-defined]


class User(AbstractUser):
    """One person, or one system that posts by API."""

    first_name = None  # type: ignore[assignment]
    last_name = None  # type: ignore[assignment]
    full_name = models.CharField(max_length=120)

    REQUIRED_FIELDS: ClassVar[list[str]] = ["full_name"]

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(full_name=""), name="fleet_user_named", violation_error_code="required"
            )
        ]

    def __str__(self) -> str:
        return self.full_name

    def get_full_name(self) -> str:
        return self.full_name

    def get_short_name(self) -> str:
        return self.full_name


class SiteQuerySet(SiteScopedQuerySet["Site"]):
    site_path = "pk"


class Site(models.Model):
    """A place with pumps, a bench and a store."""

    code = models.SlugField(max_length=20, unique=True)
    name = models.CharField(max_length=80, unique=True)

    objects = SiteQuerySet.as_manager()

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class MembershipQuerySet(SiteScopedQuerySet["Membership"]):
    pass


class Membership(models.Model):
    """One role that one person holds at one site."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="memberships")
    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="memberships")
    role = models.CharField(max_length=30, choices=choices(Role))
    is_trainee = models.BooleanField(default=False)

    objects = MembershipQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["user", "site", "role"], name="fleet_membership_once"),
            models.CheckConstraint(condition=one_of("role", Role), name="fleet_membership_role"),
            models.CheckConstraint(
                condition=Q(is_trainee=False) | Q(role=Role.TECHNICIAN.value),
                name="fleet_membership_trainee_is_technician",
            ),
        ]

    def __str__(self) -> str:
        trainee = " (trainee)" if self.is_trainee else ""
        return f"{self.user}: {Role(self.role).label}{trainee} at {self.site}"


class PumpModel(models.Model):
    """A maker's pump type: every pump of it has the same nameplate figures and limits."""

    maker = models.CharField(max_length=80)
    designation = models.CharField(max_length=60)
    family = models.CharField(max_length=20, choices=choices(PumpFamily))
    displacement_cm3 = models.DecimalField(max_digits=9, decimal_places=3)
    rated_pressure_bar = models.DecimalField(max_digits=6, decimal_places=1)
    speed_min_rpm = models.PositiveIntegerField()
    speed_max_rpm = models.PositiveIntegerField()
    rotation = models.CharField(max_length=15, choices=choices(Rotation))
    oil_grade_vg = models.PositiveSmallIntegerField(choices=[(g, f"VG {g}") for g in OIL_GRADES])
    mass_kg = models.DecimalField(max_digits=7, decimal_places=1, null=True, blank=True)
    # Whether the maker sells the body as a spare: a body over its cut-in limit is then replaced,
    # otherwise the pump is scrapped.
    body_replaceable = models.BooleanField(default=False)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["maker", "designation"]
        constraints = [
            models.UniqueConstraint(
                fields=["maker", "designation"], name="fleet_pumpmodel_designation_once"
            ),
            models.CheckConstraint(
                condition=one_of("family", PumpFamily), name="fleet_pumpmodel_family"
            ),
            models.CheckConstraint(
                condition=one_of("rotation", Rotation), name="fleet_pumpmodel_rotation"
            ),
            models.CheckConstraint(
                condition=Q(oil_grade_vg__in=list(OIL_GRADES)), name="fleet_pumpmodel_oil_grade"
            ),
            models.CheckConstraint(
                condition=Q(displacement_cm3__gt=0, displacement_cm3__lt=100_000),
                name="fleet_pumpmodel_displacement",
            ),
            models.CheckConstraint(
                condition=Q(rated_pressure_bar__gt=0, rated_pressure_bar__lt=2_000),
                name="fleet_pumpmodel_pressure",
            ),
            models.CheckConstraint(
                condition=Q(speed_min_rpm__lt=F("speed_max_rpm"), speed_max_rpm__lt=50_000),
                name="fleet_pumpmodel_speeds",
            ),
            models.CheckConstraint(
                condition=Q(mass_kg__isnull=True) | Q(mass_kg__gt=0, mass_kg__lt=100_000),
                name="fleet_pumpmodel_mass",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.maker} {self.designation}"


class LimitSheet(models.Model):
    """One revision of the maker's limits of a model. Once issued it never changes."""

    model = models.ForeignKey(PumpModel, on_delete=models.PROTECT, related_name="sheets")
    revision = models.CharField(max_length=20)
    document = models.CharField(max_length=160)
    state = models.CharField(
        max_length=12, choices=choices(SheetState), default=SheetState.DRAFT.value
    )
    drafted_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    drafted_at = models.DateTimeField()
    issued_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    issued_at = models.DateTimeField(null=True)
    superseded_at = models.DateTimeField(null=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["model", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["model", "revision"], name="fleet_limitsheet_revision_once"
            ),
            models.UniqueConstraint(
                fields=["model"],
                condition=Q(state=SheetState.ISSUED.value),
                name="fleet_limitsheet_one_in_force",
            ),
            models.CheckConstraint(
                condition=one_of("state", SheetState), name="fleet_limitsheet_state"
            ),
            models.CheckConstraint(
                condition=Q(state="draft", issued_at__isnull=True, issued_by__isnull=True)
                | (~Q(state="draft") & Q(issued_at__isnull=False, issued_by__isnull=False)),
                name="fleet_limitsheet_issued_by_somebody",
            ),
            models.CheckConstraint(
                condition=Q(state="superseded", superseded_at__isnull=False)
                | (~Q(state="superseded") & Q(superseded_at__isnull=True)),
                name="fleet_limitsheet_superseded_at",
            ),
        ]
        triggers = [
            pgtrigger.Trigger(
                name="issued_sheet_is_fixed",
                operation=pgtrigger.Update | pgtrigger.Delete,
                when=pgtrigger.Before,
                condition=pgtrigger.Condition("OLD.state <> 'draft'"),
                func="""
                    IF TG_OP = 'UPDATE' AND OLD.state = 'issued' AND NEW.state = 'superseded'
                       AND (to_jsonb(NEW) - '{state,superseded_at,version}'::text[])
                         = (to_jsonb(OLD) - '{state,superseded_at,version}'::text[])
                    THEN RETURN NEW; END IF;
                    RAISE EXCEPTION 'limit sheet % is issued and never changes', OLD.id
                        USING ERRCODE = 'check_violation',
                              CONSTRAINT = 'fleet_limitsheet_issued_is_fixed';
                """,
            )
        ]

    def __str__(self) -> str:
        return f"{self.model}, sheet {self.revision}"


def _bounded(field: str) -> Q:
    return Q(**{f"{field}__isnull": True}) | Q(
        **{f"{field}__gt": -LARGEST_LENGTH, f"{field}__lt": LARGEST_LENGTH}
    )


def _not_above(lower: str, upper: str) -> Q:
    return (
        Q(**{f"{lower}__isnull": True})
        | Q(**{f"{upper}__isnull": True})
        | Q(**{f"{lower}__lte": F(upper)})
    )


def _not_negative(field: str) -> Q:
    return Q(**{f"{field}__isnull": True}) | Q(**{f"{field}__gte": 0})


_LENGTHS = ("limit_low", "limit_high", "new_low", "new_high")
_ALSO = ("also_limit_low", "also_limit_high", "also_new_low", "also_new_high")


class SheetLine(models.Model):
    """One characteristic of a limit sheet, as the book prints it, in the book's own unit."""

    sheet = models.ForeignKey(LimitSheet, on_delete=models.CASCADE, related_name="lines")
    order = models.PositiveSmallIntegerField()
    characteristic = models.CharField(max_length=40, choices=choices(Characteristic))
    # Of a check of the site's own; the others have the name of their characteristic.
    name = models.CharField(max_length=80, blank=True)
    component = models.CharField(max_length=40, choices=choices(Component))
    judged_by = models.CharField(max_length=20, choices=choices(JudgedBy))
    required = models.BooleanField(default=True)
    instrument_kind = models.CharField(max_length=20, choices=choices(InstrumentKind), blank=True)
    unit = models.CharField(max_length=4, choices=choices(LengthUnit))
    limit_low = PrintedDecimalField(null=True, blank=True)
    limit_high = PrintedDecimalField(null=True, blank=True)
    new_low = PrintedDecimalField(null=True, blank=True)
    new_high = PrintedDecimalField(null=True, blank=True)
    # The second unit, where the book prints one: kept as printed, checked against the first.
    also_unit = models.CharField(max_length=4, choices=choices(LengthUnit), blank=True)
    also_limit_low = PrintedDecimalField(null=True, blank=True)
    also_limit_high = PrintedDecimalField(null=True, blank=True)
    also_new_low = PrintedDecimalField(null=True, blank=True)
    also_new_high = PrintedDecimalField(null=True, blank=True)
    positions = ArrayField(models.CharField(max_length=60), default=list, blank=True)
    # Names of the readings of a computed check: all others are taken from the first, and the
    # allowance (a gasket, say) is added.
    terms = ArrayField(models.CharField(max_length=40), default=list, blank=True)
    allowance = PrintedDecimalField(null=True, blank=True)
    # A spread may be over the readings of another check of the same component: taper, out of
    # parallel. Nothing is then measured for it alone.
    readings_from = models.CharField(max_length=40, choices=choices(Characteristic), blank=True)
    page = models.CharField(max_length=30)
    method = models.CharField(max_length=300, blank=True)
    not_applicable_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["sheet", "order", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["sheet", "characteristic", "component", "name"],
                name="fleet_sheetline_once",
            ),
            models.CheckConstraint(
                condition=(Q(characteristic=Characteristic.OWN.value) & ~Q(name=""))
                | (~Q(characteristic=Characteristic.OWN.value) & Q(name="")),
                name="fleet_sheetline_own_is_named",
            ),
            models.CheckConstraint(
                condition=Q(readings_from="")
                | (
                    Q(judged_by=JudgedBy.SPREAD.value)
                    & one_of("readings_from", Characteristic)
                    & ~Q(readings_from=F("characteristic"))
                ),
                name="fleet_sheetline_readings_from",
            ),
            models.CheckConstraint(
                condition=Q(allowance__isnull=True) | Q(judged_by=JudgedBy.DIFFERENCE.value),
                name="fleet_sheetline_allowance",
            ),
            models.CheckConstraint(
                condition=one_of("characteristic", Characteristic),
                name="fleet_sheetline_characteristic",
            ),
            models.CheckConstraint(
                condition=one_of("component", Component), name="fleet_sheetline_component"
            ),
            models.CheckConstraint(
                condition=one_of("judged_by", JudgedBy), name="fleet_sheetline_judged_by"
            ),
            models.CheckConstraint(
                condition=Q(instrument_kind="") | one_of("instrument_kind", InstrumentKind),
                name="fleet_sheetline_instrument",
            ),
            models.CheckConstraint(
                condition=one_of("unit", LengthUnit), name="fleet_sheetline_unit"
            ),
            models.CheckConstraint(
                condition=(Q(also_unit="") | one_of("also_unit", LengthUnit))
                & ~Q(also_unit=F("unit")),
                name="fleet_sheetline_also_unit",
            ),
            models.CheckConstraint(
                condition=_not_above("limit_low", "limit_high"),
                name="fleet_sheetline_limits_in_order",
            ),
            models.CheckConstraint(
                condition=_not_above("new_low", "new_high"), name="fleet_sheetline_new_in_order"
            ),
            models.CheckConstraint(
                # Each end against both limits: the other end may not be printed.
                condition=_not_above("limit_low", "new_low")
                & _not_above("limit_low", "new_high")
                & _not_above("new_low", "limit_high")
                & _not_above("new_high", "limit_high"),
                name="fleet_sheetline_new_within_limits",
            ),
            models.CheckConstraint(
                # A difference can be negative by design: a press fit.
                condition=Q(judged_by=JudgedBy.DIFFERENCE.value)
                | (
                    _not_negative("limit_low")
                    & _not_negative("limit_high")
                    & _not_negative("new_low")
                    & _not_negative("new_high")
                ),
                name="fleet_sheetline_not_negative",
            ),
            models.CheckConstraint(
                condition=(
                    Q(judged_by=JudgedBy.NOT_APPLICABLE.value)
                    & ~Q(not_applicable_reason="")
                    & Q(limit_low__isnull=True, limit_high__isnull=True)
                )
                | (
                    ~Q(judged_by=JudgedBy.NOT_APPLICABLE.value)
                    & Q(not_applicable_reason="")
                    & (Q(limit_low__isnull=False) | Q(limit_high__isnull=False))
                ),
                name="fleet_sheetline_limit_or_reason",
            ),
            models.CheckConstraint(
                condition=~Q(judged_by=JudgedBy.LEAF_ENTERS.value)
                | Q(limit_low__isnull=True, limit_high__isnull=False),
                name="fleet_sheetline_leaf_has_one_limit",
            ),
            models.CheckConstraint(
                condition=~Q(judged_by=JudgedBy.SPREAD.value)
                | Q(limit_low__isnull=True, limit_high__isnull=False),
                name="fleet_sheetline_spread_has_one_limit",
            ),
            models.CheckConstraint(
                condition=(
                    Q(judged_by=JudgedBy.DIFFERENCE.value)
                    & Q(terms__len__gte=2, terms__len__lte=MOST_TERMS)
                )
                | (~Q(judged_by=JudgedBy.DIFFERENCE.value) & Q(terms__len=0)),
                name="fleet_sheetline_terms",
            ),
            models.CheckConstraint(
                condition=Q(judged_by=JudgedBy.NOT_APPLICABLE.value) | Q(positions__len__gt=0),
                name="fleet_sheetline_has_positions",
            ),
            *(
                models.CheckConstraint(condition=_bounded(f), name=f"fleet_sheetline_{f}_bounded")
                for f in (*_LENGTHS, *_ALSO, "allowance")
            ),
        ]
        triggers = [
            pgtrigger.Trigger(
                name="lines_of_issued_sheet_are_fixed",
                operation=pgtrigger.Insert | pgtrigger.Update | pgtrigger.Delete,
                when=pgtrigger.Before,
                declare=[("sheet", "bigint"), ("sheet_state", "text")],
                func="""
                    sheet := CASE TG_OP WHEN 'DELETE' THEN OLD.sheet_id ELSE NEW.sheet_id END;
                    SELECT state INTO sheet_state FROM fleet_limitsheet WHERE id = sheet FOR SHARE;
                    IF sheet_state IS NOT NULL AND sheet_state <> 'draft' THEN
                        RAISE EXCEPTION 'limit sheet % is issued and never changes', sheet
                            USING ERRCODE = 'check_violation',
                                  CONSTRAINT = 'fleet_sheetline_issued_is_fixed';
                    END IF;
                    IF TG_OP = 'DELETE' THEN RETURN OLD; END IF;
                    RETURN NEW;
                """,
            )
        ]

    def __str__(self) -> str:
        return f"{self.label} of {self.sheet}"

    @property
    def label(self) -> str:
        return self.name or Characteristic(self.characteristic).label


class SheetRule(models.Model):
    """How readings are judged by the limits of a sheet; the newest row of a sheet is in force.

    Apart from the sheet, since the limits are the maker's and never change, and the rule is the
    owner's. Appended, never edited: a verdict names the rule it fell by.
    """

    sheet = models.ForeignKey(LimitSheet, on_delete=models.PROTECT, related_name="rules")
    kind = models.CharField(max_length=12, choices=choices(RuleKind))
    guard_z = models.DecimalField(max_digits=5, decimal_places=3, default=DEFAULT_GUARD_Z)
    p_accept = models.DecimalField(max_digits=6, decimal_places=5, default=DEFAULT_P_ACCEPT)
    p_reject = models.DecimalField(max_digits=6, decimal_places=5, default=DEFAULT_P_REJECT)
    why = models.CharField(max_length=300)
    chosen_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    chosen_at = models.DateTimeField()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(condition=one_of("kind", RuleKind), name="fleet_sheetrule_kind"),
            models.CheckConstraint(
                condition=Q(guard_z__gt=0, guard_z__lte=5), name="fleet_sheetrule_guard"
            ),
            models.CheckConstraint(
                condition=Q(
                    p_accept__gt=Decimal("0.5"),
                    p_accept__lt=1,
                    p_reject__gt=0,
                    p_reject__lt=Decimal("0.5"),
                ),
                name="fleet_sheetrule_probabilities",
            ),
            models.CheckConstraint(condition=~Q(why=""), name="fleet_sheetrule_why"),
        ]
        triggers = [
            pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete)
        ]

    def __str__(self) -> str:
        return f"{RuleKind(self.kind).label}, for {self.sheet}"


class LeakPath(models.Model):
    """Where a clearance of a pump model leaks, as the flow formulas see it.

    slot: `width_mm` across and `length_mm` along the flow. annulus: `diameter_mm`, `length_mm`
    along, `eccentricity` 0 centred to 1 touching. disc: from `diameter_mm` outside to
    `inner_diameter_mm`. `count` such paths are open at once; `gap_factor` takes the clearance
    as measured to the gap of one path (0.5 for a difference of diameters).
    """

    model = models.ForeignKey(PumpModel, on_delete=models.CASCADE, related_name="leak_paths")
    characteristic = models.CharField(max_length=40, choices=choices(Characteristic))
    shape = models.CharField(max_length=10, choices=choices(LeakShape))
    count = models.PositiveSmallIntegerField(default=1)
    gap_factor = models.DecimalField(max_digits=5, decimal_places=3, default=Decimal(1))
    width_mm = models.DecimalField(max_digits=9, decimal_places=3, null=True, blank=True)
    length_mm = models.DecimalField(max_digits=9, decimal_places=3, null=True, blank=True)
    diameter_mm = models.DecimalField(max_digits=9, decimal_places=3, null=True, blank=True)
    inner_diameter_mm = models.DecimalField(max_digits=9, decimal_places=3, null=True, blank=True)
    eccentricity = models.DecimalField(max_digits=4, decimal_places=3, default=Decimal(0))

    class Meta:
        ordering = ["model", "id"]
        constraints = [
            models.UniqueConstraint(fields=["model", "characteristic"], name="fleet_leakpath_once"),
            models.CheckConstraint(
                condition=one_of("characteristic", Characteristic),
                name="fleet_leakpath_characteristic",
            ),
            models.CheckConstraint(
                condition=Q(
                    shape=LeakShape.SLOT.value,
                    width_mm__gt=0,
                    length_mm__gt=0,
                    diameter_mm__isnull=True,
                    inner_diameter_mm__isnull=True,
                )
                | Q(
                    shape=LeakShape.ANNULUS.value,
                    diameter_mm__gt=0,
                    length_mm__gt=0,
                    width_mm__isnull=True,
                    inner_diameter_mm__isnull=True,
                )
                | Q(
                    shape=LeakShape.DISC.value,
                    inner_diameter_mm__gt=0,
                    diameter_mm__gt=F("inner_diameter_mm"),
                    width_mm__isnull=True,
                    length_mm__isnull=True,
                ),
                name="fleet_leakpath_shape",
            ),
            models.CheckConstraint(
                condition=Q(count__gte=1, count__lte=100), name="fleet_leakpath_count"
            ),
            models.CheckConstraint(
                condition=Q(gap_factor__gt=0, gap_factor__lte=1),
                name="fleet_leakpath_gap_factor",
            ),
            models.CheckConstraint(
                condition=Q(eccentricity__gte=0, eccentricity__lte=1),
                name="fleet_leakpath_eccentricity",
            ),
        ]

    def __str__(self) -> str:
        return f"{Characteristic(self.characteristic).label} of {self.model}"


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


class ImportDraftQuerySet(SiteScopedQuerySet["ImportDraft"]):
    pass


class ImportDraft(models.Model):
    """A file that was read and tried, waiting to be taken over as a whole."""

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="+")
    kind = models.CharField(max_length=20)
    file_name = models.CharField(max_length=200)
    content = models.BinaryField()
    sha256 = models.CharField(max_length=64)
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    created_at = models.DateTimeField()
    applied_at = models.DateTimeField(null=True)

    objects = ImportDraftQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return self.file_name
