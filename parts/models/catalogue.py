"""Parts, what lies in a kit, what may stand in for what, and what renews which component."""

from __future__ import annotations

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import BigIntegerRangeField, RangeOperators
from django.core.validators import RegexValidator
from django.db import models
from django.db.models import F, Func, Q, Value

from fleet.models import PumpModel, User, choices, one_of
from fleet.vocabulary import Component

PART_NUMBER = RegexValidator(
    r"^[A-Z0-9][A-Z0-9-]*$", "A part number is capital letters, figures and hyphens."
)
LARGEST_SERIAL = 10**18


class Part(models.Model):
    """One article of the catalogue: a single part, or a kit stocked and pulled as one."""

    # The maker's number. What the shop calls it stands in own_number; both are found.
    number = models.CharField(max_length=40, unique=True, validators=[PART_NUMBER])
    own_number = models.CharField(max_length=40, blank=True)
    maker = models.CharField(max_length=80, blank=True)
    name = models.CharField(max_length=120)
    unit = models.CharField(max_length=10, default="piece")
    is_kit = models.BooleanField(default=False)
    pack_size = models.PositiveIntegerField(default=1)
    # Months from cure date to expiry; null: it does not age, and no batch is asked for.
    shelf_life_months = models.PositiveIntegerField(null=True)
    superseded_by = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, related_name="supersedes"
    )
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["number"]
        constraints = [
            models.CheckConstraint(
                condition=Q(number__regex=r"^[A-Z0-9][A-Z0-9-]*$"), name="parts_part_number"
            ),
            models.CheckConstraint(condition=~Q(name=""), name="parts_part_named"),
            models.UniqueConstraint(
                fields=["own_number"], condition=~Q(own_number=""), name="parts_part_own_number"
            ),
            models.CheckConstraint(
                condition=Q(pack_size__gte=1, pack_size__lte=10_000), name="parts_part_pack"
            ),
            models.CheckConstraint(
                condition=Q(shelf_life_months__isnull=True)
                | Q(shelf_life_months__isnull=False, shelf_life_months__gte=1)
                & Q(shelf_life_months__lte=600),
                name="parts_part_shelf_life",
            ),
            models.CheckConstraint(
                condition=Q(superseded_by__isnull=True) | ~Q(superseded_by=F("id")),
                name="parts_part_not_by_itself",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.name}"

    @property
    def ages(self) -> bool:
        return self.shelf_life_months is not None


class KitContent(models.Model):
    """How many of one part lie in one kit."""

    kit = models.ForeignKey(Part, on_delete=models.CASCADE, related_name="contents")
    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="in_kits")
    quantity = models.PositiveIntegerField()

    class Meta:
        ordering = ["kit", "part"]
        constraints = [
            models.UniqueConstraint(fields=["kit", "part"], name="parts_kitcontent_once"),
            models.CheckConstraint(
                condition=Q(quantity__gte=1, quantity__lte=1000), name="parts_kitcontent_quantity"
            ),
            models.CheckConstraint(condition=~Q(kit=F("part")), name="parts_kitcontent_not_itself"),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.part} in {self.kit}"


class Alternative(models.Model):
    """`other` may stand in for `part`, where a fit allows alternatives. One way only."""

    part = models.ForeignKey(Part, on_delete=models.CASCADE, related_name="alternatives")
    other = models.ForeignKey(Part, on_delete=models.CASCADE, related_name="stands_in_for")
    why = models.CharField(max_length=200)
    added_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    added_at = models.DateTimeField()

    class Meta:
        ordering = ["part", "other"]
        constraints = [
            models.UniqueConstraint(fields=["part", "other"], name="parts_alternative_once"),
            models.CheckConstraint(
                condition=~Q(part=F("other")), name="parts_alternative_not_itself"
            ),
            models.CheckConstraint(condition=~Q(why=""), name="parts_alternative_why"),
        ]

    def __str__(self) -> str:
        return f"{self.other} for {self.part}"


class Fit(models.Model):
    """Which part, and how many, renews one component of one pump model, from serial to serial."""

    model = models.ForeignKey(PumpModel, on_delete=models.CASCADE, related_name="fits")
    component = models.CharField(max_length=40, choices=choices(Component))
    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="fits")
    quantity = models.PositiveIntegerField(default=1)
    # The figures at the end of the pump's serial number; null: no bound on this side.
    serial_from = models.BigIntegerField(null=True)
    serial_to = models.BigIntegerField(null=True)
    alternatives_allowed = models.BooleanField(default=False)

    class Meta:
        ordering = ["model", "component", F("serial_from").asc(nulls_first=True)]
        constraints = [
            # One part per component and serial: a demand must know what to pull without asking.
            ExclusionConstraint(
                name="parts_fit_once",
                expressions=[
                    ("model", RangeOperators.EQUAL),
                    ("component", RangeOperators.EQUAL),
                    (
                        Func(
                            "serial_from",
                            "serial_to",
                            Value("[]"),
                            function="int8range",
                            output_field=BigIntegerRangeField(),
                        ),
                        RangeOperators.OVERLAPS,
                    ),
                ],
            ),
            models.CheckConstraint(
                condition=one_of("component", Component), name="parts_fit_component"
            ),
            models.CheckConstraint(
                condition=Q(quantity__gte=1, quantity__lte=1000), name="parts_fit_quantity"
            ),
            models.CheckConstraint(
                condition=(
                    Q(serial_from__isnull=True) | Q(serial_from__isnull=False, serial_from__gte=0)
                )
                & (
                    Q(serial_to__isnull=True)
                    | Q(serial_to__isnull=False, serial_to__gte=0, serial_to__lt=LARGEST_SERIAL)
                )
                & (
                    Q(serial_from__isnull=True)
                    | Q(serial_to__isnull=True)
                    | Q(serial_from__isnull=False, serial_from__lte=F("serial_to"))
                ),
                name="parts_fit_serials",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.part} for {Component(self.component).label} of {self.model}"
