"""What the fleet's API takes and gives: input and output apart, never saved by themselves."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from fleet.decisions import RuleKind
from fleet.faults import Fault
from fleet.lifecycle import PumpStatus, SheetState
from fleet.limits import MOST_TERMS, JudgedBy, formula
from fleet.models import PumpModel, SheetLine, SheetRule, Site
from fleet.plumbing.scoping import ScopedRelatedField
from fleet.roles import Role
from fleet.selectors import decision_rule_of
from fleet.services.import_kinds import KINDS
from fleet.services.sheets import LineDraft
from fleet.units import LengthUnit, parse_length
from fleet.vocabulary import (
    OIL_GRADES,
    Characteristic,
    Component,
    InstrumentKind,
    PumpFamily,
    Rotation,
)


def _values(enum: Any) -> list[str]:
    return [entry.value for entry in enum]


@extend_schema_field(
    {
        "type": "string",
        "pattern": r"^-?[0-9]{1,6}([.,][0-9]{1,6})?$",
        "description": "A length as a string, with the digits it is printed with: 0.150 is not "
        "0.15, so a JSON number is refused.",
        "example": "0.15",
    }
)
class LengthField(serializers.Field[Decimal, Any, str, Any]):
    """A length as text, so that no printed digit is lost."""

    default_error_messages = {
        "not_text": "Send the figure as a string, such as '0.15': a JSON number loses digits.",
    }

    def to_internal_value(self, data: Any) -> Decimal:
        if not isinstance(data, str):
            self.fail("not_text")
        try:
            return parse_length(data, signed=True)
        except Fault as fault:
            raise serializers.ValidationError(fault.detail, code=fault.code) from fault

    def to_representation(self, value: Decimal) -> str:
        return f"{value:f}"


# --- Sites, people, tokens --------------------------------------------------------------------


class SiteOutput(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    code = serializers.CharField()
    name = serializers.CharField()


class SiteInput(serializers.Serializer[Any]):
    code = serializers.SlugField(max_length=20, help_text="Short, for files: quarry-north.")
    name = serializers.CharField(max_length=80)


class MembershipOutput(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    site = serializers.IntegerField(source="site_id")
    site_code = serializers.CharField(source="site.code")
    username = serializers.CharField(source="user.username")
    full_name = serializers.CharField(source="user.full_name")
    role = serializers.ChoiceField(choices=_values(Role))
    is_trainee = serializers.BooleanField()


class MembershipInput(serializers.Serializer[Any]):
    site = ScopedRelatedField(queryset=Site.objects.all())
    username = serializers.CharField(help_text="Of a person who has an account.")
    role = serializers.ChoiceField(choices=_values(Role))
    is_trainee = serializers.BooleanField(default=False)


class PersonInput(serializers.Serializer[Any]):
    site = ScopedRelatedField(queryset=Site.objects.all())
    username = serializers.CharField(max_length=150)
    full_name = serializers.CharField(max_length=120)
    password = serializers.CharField(
        max_length=128,
        allow_null=True,
        default=None,
        trim_whitespace=False,
        write_only=True,
        help_text="Null for a system that posts by token and never signs in.",
    )
    roles = serializers.ListField(
        child=serializers.ChoiceField(choices=_values(Role)), min_length=1, max_length=len(Role)
    )
    trainee = serializers.BooleanField(
        default=False, help_text="As technician: the work needs countersigning."
    )


class AccountOutput(serializers.Serializer[Any]):
    """A person with the roles held at the sites that you see."""

    id = serializers.IntegerField()
    username = serializers.CharField()
    full_name = serializers.CharField()
    memberships = MembershipOutput(many=True)


class TokenOutput(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    name = serializers.CharField()
    prefix = serializers.CharField(help_text="The first characters, to tell tokens apart.")
    created_at = serializers.DateTimeField()
    expires_at = serializers.DateTimeField()
    revoked_at = serializers.DateTimeField(allow_null=True)
    last_used_at = serializers.DateTimeField(allow_null=True)


class NewTokenOutput(TokenOutput):
    token = serializers.CharField(
        allow_null=True,
        help_text="The whole token, this once; null when the request is repeated.",
    )


class TokenInput(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=80)
    expires_at = serializers.DateTimeField()


# --- Pump models and limit sheets -------------------------------------------------------------


class PumpModelOutput(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    maker = serializers.CharField()
    designation = serializers.CharField()
    family = serializers.ChoiceField(choices=_values(PumpFamily))
    displacement_cm3 = serializers.DecimalField(max_digits=9, decimal_places=3)
    rated_pressure_bar = serializers.DecimalField(max_digits=6, decimal_places=1)
    speed_min_rpm = serializers.IntegerField()
    speed_max_rpm = serializers.IntegerField()
    rotation = serializers.ChoiceField(choices=_values(Rotation))
    oil_grade_vg = serializers.IntegerField()
    mass_kg = serializers.DecimalField(max_digits=7, decimal_places=1, allow_null=True)
    body_replaceable = serializers.BooleanField()
    version = serializers.IntegerField()


class PumpModelInput(serializers.Serializer[Any]):
    maker = serializers.CharField(max_length=80)
    designation = serializers.CharField(max_length=60)
    family = serializers.ChoiceField(choices=_values(PumpFamily))
    displacement_cm3 = serializers.DecimalField(max_digits=9, decimal_places=3)
    rated_pressure_bar = serializers.DecimalField(max_digits=6, decimal_places=1)
    speed_min_rpm = serializers.IntegerField(min_value=0, max_value=50_000)
    speed_max_rpm = serializers.IntegerField(min_value=0, max_value=50_000)
    rotation = serializers.ChoiceField(
        choices=_values(Rotation), help_text="Looking at the shaft end."
    )
    oil_grade_vg = serializers.ChoiceField(
        choices=list(OIL_GRADES), help_text="Viscosity grade by ISO 3448, such as 46."
    )
    mass_kg = serializers.DecimalField(
        max_digits=7, decimal_places=1, allow_null=True, required=False
    )
    body_replaceable = serializers.BooleanField(required=False)


class LineFields(serializers.Serializer[Any]):
    """One line of a limit sheet, as the maker's book prints it."""

    characteristic = serializers.ChoiceField(choices=_values(Characteristic))
    name = serializers.CharField(
        max_length=80,
        allow_blank=True,
        default="",
        help_text="Of a check of your own (characteristic 'own'), as the book calls it.",
    )
    component = serializers.ChoiceField(choices=_values(Component))
    judged_by = serializers.ChoiceField(choices=_values(JudgedBy))
    # "required" is a word of DRF, and of the sheet as well.
    instrument_kind = serializers.ChoiceField(
        choices=_values(InstrumentKind), allow_blank=True, default=""
    )
    unit = serializers.ChoiceField(choices=_values(LengthUnit))
    limit_low = LengthField(allow_null=True, default=None)
    limit_high = LengthField(allow_null=True, default=None)
    new_low = LengthField(allow_null=True, default=None)
    new_high = LengthField(allow_null=True, default=None)
    also_unit = serializers.CharField(
        max_length=4,
        allow_blank=True,
        default="",
        help_text="Unit of the also_ figures, which are checked and never judged by: one of those "
        "of `unit`, and another than that.",
    )
    also_limit_low = LengthField(allow_null=True, default=None)
    also_limit_high = LengthField(allow_null=True, default=None)
    also_new_low = LengthField(allow_null=True, default=None)
    also_new_high = LengthField(allow_null=True, default=None)
    positions = serializers.ListField(
        child=serializers.CharField(max_length=60), default=list, max_length=60
    )
    terms = serializers.ListField(
        child=serializers.CharField(max_length=40),
        default=list,
        max_length=MOST_TERMS,
        help_text="Names of the readings of a computed check; all others are taken from the first.",
    )
    allowance = LengthField(
        allow_null=True,
        default=None,
        help_text="Added to a computed check, in `unit`: the thickness of a gasket, say.",
    )
    readings_from = serializers.CharField(
        max_length=40,
        allow_blank=True,
        default="",
        help_text="Of a spread without readings of its own: the characteristic of the same "
        "component over whose readings it is.",
    )
    page = serializers.CharField(max_length=30, allow_blank=True, default="")
    method = serializers.CharField(max_length=300, allow_blank=True, default="")
    not_applicable_reason = serializers.CharField(max_length=300, allow_blank=True, default="")

    def get_fields(self) -> dict[str, Any]:
        # As a class attribute it would hide Serializer's own `required`.
        return {**super().get_fields(), "required": serializers.BooleanField(default=True)}


def line_draft(values: dict[str, Any]) -> LineDraft:
    """The validated values of LineFields as the service takes them."""
    return LineDraft(
        **{**values, "positions": tuple(values["positions"]), "terms": tuple(values["terms"])}
    )


class LineOutput(LineFields):
    """A line with its name and, of a computed check, its formula in words."""

    formula = serializers.SerializerMethodField()

    def get_fields(self) -> dict[str, Any]:
        # Serializer has a `label` of its own, as it has a `required`.
        return {**super().get_fields(), "label": serializers.CharField()}

    def get_formula(self, line: SheetLine) -> str:
        return formula(line.label, line.terms, line.allowance, LengthUnit(line.unit))


class RuleOutput(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    kind = serializers.ChoiceField(choices=_values(RuleKind))
    guard_z = serializers.DecimalField(max_digits=5, decimal_places=3)
    p_accept = serializers.DecimalField(max_digits=6, decimal_places=5)
    p_reject = serializers.DecimalField(max_digits=6, decimal_places=5)
    sentence = serializers.SerializerMethodField()
    why = serializers.CharField()
    chosen_by = serializers.CharField()
    chosen_at = serializers.DateTimeField()

    def get_sentence(self, rule: SheetRule) -> str:
        return decision_rule_of(rule).sentence()


class RuleInput(serializers.Serializer[Any]):
    kind = serializers.ChoiceField(
        choices=_values(RuleKind),
        help_text="simple: the reading as it stands. guarded: the limit narrowed by guard_z "
        "standard uncertainties. probability: by how likely the true length meets the limit.",
    )
    guard_z = serializers.DecimalField(
        max_digits=5, decimal_places=3, required=False, help_text="Left out: 1.645."
    )
    p_accept = serializers.DecimalField(
        max_digits=6, decimal_places=5, required=False, help_text="Left out: 0.95."
    )
    p_reject = serializers.DecimalField(
        max_digits=6, decimal_places=5, required=False, help_text="Left out: 0.05."
    )
    why = serializers.CharField(max_length=300)


class LimitSheetOutput(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    model = serializers.IntegerField(source="model_id")
    model_name = serializers.CharField(source="model")
    revision = serializers.CharField()
    document = serializers.CharField()
    state = serializers.ChoiceField(choices=_values(SheetState))
    drafted_by = serializers.CharField()
    drafted_at = serializers.DateTimeField()
    issued_by = serializers.CharField(allow_null=True)
    issued_at = serializers.DateTimeField(allow_null=True)
    superseded_at = serializers.DateTimeField(allow_null=True)
    version = serializers.IntegerField()
    lines = LineOutput(many=True)


class LimitSheetInput(serializers.Serializer[Any]):
    model = serializers.PrimaryKeyRelatedField(queryset=PumpModel.objects.all())
    revision = serializers.CharField(max_length=20)
    document = serializers.CharField(max_length=160)
    lines = LineFields(many=True, required=False)


class LinesInput(serializers.Serializer[Any]):
    lines = LineFields(many=True)


class RevisionInput(serializers.Serializer[Any]):
    revision = serializers.CharField(max_length=20)
    document = serializers.CharField(
        max_length=160, allow_blank=True, default="", help_text="Left out: as before."
    )


# --- Pumps ------------------------------------------------------------------------------------


class PumpOutput(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    site = serializers.IntegerField(source="site_id")
    site_code = serializers.CharField(source="site.code")
    model = serializers.IntegerField(source="model_id")
    model_name = serializers.CharField(source="model")
    family = serializers.ChoiceField(choices=_values(PumpFamily), source="model.family")
    tag = serializers.CharField()
    serial = serializers.CharField()
    machine = serializers.CharField()
    position = serializers.CharField()
    status = serializers.ChoiceField(choices=_values(PumpStatus))
    meter_h = serializers.DecimalField(max_digits=10, decimal_places=1)
    running_h = serializers.DecimalField(max_digits=10, decimal_places=1)
    hours_read_at = serializers.DateTimeField()
    next_inspection_on = serializers.DateField(allow_null=True)
    version = serializers.IntegerField()


class PumpInput(serializers.Serializer[Any]):
    site = ScopedRelatedField(queryset=Site.objects.all())
    model = serializers.PrimaryKeyRelatedField(queryset=PumpModel.objects.all())
    tag = serializers.CharField(max_length=30)
    serial = serializers.CharField(max_length=60)
    machine = serializers.CharField(max_length=80)
    position = serializers.CharField(max_length=80, allow_blank=True, required=False)
    meter_h = serializers.DecimalField(max_digits=10, decimal_places=1, required=False)
    running_h = serializers.DecimalField(max_digits=10, decimal_places=1, required=False)
    read_at = serializers.DateTimeField(required=False, help_text="Left out: now.")
    status = serializers.ChoiceField(choices=_values(PumpStatus), required=False)
    next_inspection_on = serializers.DateField(allow_null=True, required=False)


class PumpChangeInput(serializers.Serializer[Any]):
    tag = serializers.CharField(max_length=30, required=False)
    machine = serializers.CharField(max_length=80, required=False)
    position = serializers.CharField(max_length=80, allow_blank=True, required=False)
    next_inspection_on = serializers.DateField(allow_null=True, required=False)


class HoursInput(serializers.Serializer[Any]):
    meter_h = serializers.DecimalField(max_digits=10, decimal_places=1)
    read_at = serializers.DateTimeField(required=False, help_text="Left out: now.")
    meter_changed = serializers.BooleanField(default=False)
    note = serializers.CharField(max_length=300, allow_blank=True, default="")


class MoveInput(serializers.Serializer[Any]):
    to_site = ScopedRelatedField(queryset=Site.objects.all())
    why = serializers.CharField(max_length=300)


class StatusInput(serializers.Serializer[Any]):
    status = serializers.ChoiceField(choices=_values(PumpStatus))
    why = serializers.CharField(max_length=300)


class HappeningOutput(serializers.Serializer[Any]):
    at = serializers.DateTimeField()
    what = serializers.ChoiceField(choices=["status", "move", "hours"])
    by = serializers.CharField()
    summary = serializers.CharField()
    why = serializers.CharField()


class HistoryQuery(serializers.Serializer[Any]):
    before = serializers.DateTimeField(required=False)


class HistoryOutput(serializers.Serializer[Any]):
    results = HappeningOutput(many=True)
    more_before = serializers.DateTimeField(
        allow_null=True, help_text="Send it as ?before= for what came earlier; null: that is all."
    )


# --- Imports ----------------------------------------------------------------------------------


class ImportInput(serializers.Serializer[Any]):
    site = ScopedRelatedField(queryset=Site.objects.all())
    kind = serializers.ChoiceField(choices=list(KINDS))
    file = serializers.FileField(help_text="CSV in UTF-8 or .xlsx; at most 5 MB.")


class RowFaultOutput(serializers.Serializer[Any]):
    row = serializers.IntegerField(help_text="As numbered in the file; column names are row 1.")
    field = serializers.CharField(help_text="The column; empty: the whole row.")
    detail = serializers.CharField()


class ImportDraftOutput(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    site = serializers.IntegerField(source="site_id")
    kind = serializers.ChoiceField(choices=list(KINDS))
    file_name = serializers.CharField()
    sha256 = serializers.CharField()
    by = serializers.CharField()
    created_at = serializers.DateTimeField()
    applied_at = serializers.DateTimeField(allow_null=True)


class PreviewOutput(serializers.Serializer[Any]):
    draft = ImportDraftOutput()
    rows_ok = serializers.IntegerField()
    faults = RowFaultOutput(many=True)


class AppliedOutput(serializers.Serializer[Any]):
    rows = serializers.IntegerField(help_text="How many rows were taken over: all of the file.")
