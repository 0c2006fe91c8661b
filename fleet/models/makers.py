"""Pump models as their makers describe them."""

from __future__ import annotations

from decimal import Decimal

from django.db import models
from django.db.models import F, Q

from fleet.models.columns import choices, one_of
from fleet.vocabulary import OIL_GRADES, Characteristic, LeakShape, PumpFamily, Rotation


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
                    # Named as well as compared: an unknown figure is no refusal to SQL.
                    shape=LeakShape.SLOT.value,
                    length_mm__isnull=False,
                    width_mm__isnull=False,
                    width_mm__gt=0,
                    length_mm__gt=0,
                    diameter_mm__isnull=True,
                    inner_diameter_mm__isnull=True,
                )
                | Q(
                    shape=LeakShape.ANNULUS.value,
                    diameter_mm__isnull=False,
                    length_mm__isnull=False,
                    diameter_mm__gt=0,
                    length_mm__gt=0,
                    width_mm__isnull=True,
                    inner_diameter_mm__isnull=True,
                )
                | Q(
                    shape=LeakShape.DISC.value,
                    inner_diameter_mm__isnull=False,
                    diameter_mm__isnull=False,
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
