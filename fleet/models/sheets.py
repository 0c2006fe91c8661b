"""Limit sheets: revisions, lines, and the rule by which they are judged."""

from __future__ import annotations

from decimal import Decimal

import pgtrigger
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q

from fleet.decisions import DEFAULT_GUARD_Z, DEFAULT_P_ACCEPT, DEFAULT_P_REJECT, RuleKind
from fleet.fields import PrintedDecimalField
from fleet.lifecycle import SheetState
from fleet.limits import MOST_TERMS, JudgedBy
from fleet.models.columns import LARGEST_LENGTH, choices, one_of
from fleet.models.makers import PumpModel
from fleet.models.people import User
from fleet.units import LengthUnit
from fleet.vocabulary import Characteristic, Component, InstrumentKind


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
