"""What the API of studies, control readings and agreement takes and gives."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, ClassVar

from rest_framework import serializers

from fleet.api.serializers import LengthField
from fleet.models import User
from fleet.plumbing.scoping import ScopedRelatedField, memberships_of
from fleet.units import LengthUnit
from fleet.vocabulary import Characteristic, InstrumentKind
from inspections.api.inputs import values
from inspections.api.serializers import PersonOutput, TryOutput
from inspections.rules.verdicts import Outcome
from inspections.selectors import instruments, sites
from inspections.services.studies import Entry

_UNITS = values(LengthUnit)
_MOST_ENTRIES = 300


class ColleagueField(serializers.PrimaryKeyRelatedField[User]):
    """Somebody with a role at a site of the sender's; any other id is refused as unknown."""

    default_error_messages: ClassVar = {
        "does_not_exist": "No {pk_value} that you can see. Send the id of one of your colleagues.",
    }

    def get_queryset(self) -> Any:
        request = self.context.get("request")
        if request is None:
            return User.objects.none()
        shared = memberships_of(request.user).values("site_id")
        return User.objects.filter(memberships__site__in=shared).distinct()


class StudyInput(serializers.Serializer[Any]):
    """Who measures which parts how often, with which kind of instrument."""

    site = ScopedRelatedField(queryset=sites())
    characteristic = serializers.ChoiceField(choices=values(Characteristic))
    instrument_kind = serializers.ChoiceField(choices=values(InstrumentKind))
    unit = serializers.ChoiceField(choices=_UNITS)
    tolerance = LengthField(
        required=False, allow_null=True, help_text="Width between the limits, where there are two."
    )
    people = ColleagueField(
        many=True, queryset=User.objects.all(), help_text="Ids of those who measure."
    )
    parts = serializers.ListField(
        child=serializers.CharField(max_length=60),
        max_length=100,
        help_text="What each is known by, such as the tags of the pumps.",
    )
    trials = serializers.IntegerField(help_text="How often everybody measures each part.")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        return {
            **attrs,
            "characteristic": Characteristic(attrs["characteristic"]),
            "instrument_kind": InstrumentKind(attrs["instrument_kind"]),
            "unit": LengthUnit(attrs["unit"]),
        }


class StudyEntryInput(serializers.Serializer[Any]):
    """`low` and `high` of a bracket, or a `value`; neither takes the reading back."""

    person = serializers.IntegerField(help_text="Id of one of the people of the study.")
    part = serializers.CharField(max_length=60)
    trial = serializers.IntegerField(help_text="Which of the repeats, from 1.")
    low = LengthField(
        required=False, allow_null=True, help_text="Thickest leaf that entered; '0' for none."
    )
    high = LengthField(
        required=False, allow_null=True, help_text="Thinnest leaf that did not enter."
    )
    value = LengthField(required=False, allow_null=True, help_text="What the instrument shows.")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        low: Decimal | None = attrs.get("low")
        high: Decimal | None = attrs.get("high")
        value: Decimal | None = attrs.get("value")
        if value is not None and (low is not None or high is not None):
            raise serializers.ValidationError(
                "Send either 'value', or 'low' and 'high' of a bracket."
            )
        if value is not None:
            low = high = value
        return {**attrs, "entry": Entry(attrs["person"], attrs["part"], attrs["trial"], low, high)}


class StudyReadingsInput(serializers.Serializer[Any]):
    """Readings taken with one instrument. A cell that was measured before is replaced."""

    instrument = ScopedRelatedField(queryset=instruments())
    entries = StudyEntryInput(many=True, max_length=_MOST_ENTRIES)  # type: ignore[call-arg]  # many

    def validate_entries(self, rows: list[dict[str, Any]]) -> list[Entry]:
        return [row["entry"] for row in rows]


# --- Studies ------------------------------------------------------------------------------------


class StudySummary(serializers.Serializer[Any]):
    """A study as lists show it."""

    id = serializers.IntegerField()
    site = serializers.IntegerField(source="site_id")
    characteristic = serializers.ChoiceField(choices=values(Characteristic))
    instrument_kind = serializers.ChoiceField(choices=values(InstrumentKind))
    unit = serializers.ChoiceField(choices=_UNITS)
    tolerance = LengthField(allow_null=True)
    people = PersonOutput(many=True, source="people.all")
    parts = serializers.ListField(child=serializers.CharField())
    trials = serializers.IntegerField()
    taken = serializers.IntegerField(help_text="Readings so far.")
    opened_by = PersonOutput()
    opened_at = serializers.DateTimeField()
    closed_by = PersonOutput(allow_null=True)
    closed_at = serializers.DateTimeField(
        allow_null=True, help_text="Not null: computed, and fixed for good."
    )
    u = serializers.FloatField(
        allow_null=True,
        help_text="Standard deviation of repeatability and reproducibility, in `unit`. That of the "
        "newest closed study is in the uncertainty of readings of its kind.",
    )
    version = serializers.IntegerField()


class StudyReadingOutput(serializers.Serializer[Any]):
    person = serializers.IntegerField(source="person_id")
    part = serializers.CharField()
    trial = serializers.IntegerField()
    instrument = serializers.IntegerField(source="instrument_id")
    low = LengthField()
    high = LengthField(help_text="Equal to `low`: a value.")
    typed_at = serializers.DateTimeField()


class StudyPlaceOutput(serializers.Serializer[Any]):
    person = serializers.CharField(help_text="By name.")
    part = serializers.CharField()
    trial = serializers.IntegerField()


class SpreadOutput(serializers.Serializer[Any]):
    figure = serializers.FloatField(help_text="Standard deviation, in the unit of the study.")
    share = serializers.FloatField(allow_null=True, help_text="In percent of the total spread.")
    of_tolerance = serializers.FloatField(
        allow_null=True, help_text="Six of it in percent of the tolerance."
    )


class SpreadsOutput(serializers.Serializer[Any]):
    repeatability = SpreadOutput(help_text="EV")
    persons = SpreadOutput(help_text="AV")
    interaction = SpreadOutput()
    measuring = SpreadOutput(help_text="GRR: the three before together.")
    parts = SpreadOutput(help_text="PV")
    total = SpreadOutput(help_text="TV")


class RangesOutput(serializers.Serializer[Any]):
    spreads = SpreadsOutput()
    distinct = serializers.IntegerField(allow_null=True)


class AnovaLineOutput(serializers.Serializer[Any]):
    ss = serializers.FloatField()
    df = serializers.IntegerField()
    ms = serializers.FloatField()


class AnovaOutput(serializers.Serializer[Any]):
    persons = AnovaLineOutput()
    parts = AnovaLineOutput()
    interaction = AnovaLineOutput()
    repeats = AnovaLineOutput()
    total = AnovaLineOutput()
    f = serializers.FloatField(allow_null=True, help_text="Of the interaction.")
    p = serializers.FloatField(allow_null=True)
    pooled = serializers.BooleanField(help_text="The interaction counts as repeats.")


class LevelsOutput(serializers.Serializer[Any]):
    mean = serializers.FloatField()
    short_term = serializers.FloatField(help_text="Of the repeats of one part.")
    short_term_df = serializers.IntegerField()
    between = serializers.FloatField(help_text="Of the offset, from part to part.")
    between_df = serializers.IntegerField()


class OfPersonOutput(serializers.Serializer[Any]):
    person = serializers.CharField()
    offset = serializers.FloatField(help_text="How far above the others of the study.")
    levels = LevelsOutput()


class StudyResultOutput(serializers.Serializer[Any]):
    sentences = serializers.ListField(child=serializers.CharField())
    method = serializers.CharField()
    anova = AnovaOutput()
    spreads = SpreadsOutput()
    distinct = serializers.IntegerField(
        allow_null=True, help_text="Classes of parts that can be told apart; null without end."
    )
    steps_in_tolerance = serializers.IntegerField(allow_null=True)
    by_ranges = RangesOutput(
        allow_null=True, help_text="By averages and ranges; null for more than its tables hold."
    )
    bracket = serializers.FloatField(help_text="Standard uncertainty of the width of brackets.")
    stated = serializers.FloatField(help_text="Measuring and brackets together.")
    apart = serializers.ListField(
        child=serializers.CharField(),
        allow_null=True,
        help_text="Parts at which the brackets of two people do not meet; null for values.",
    )
    persons = OfPersonOutput(many=True)


class StudyOutput(StudySummary):
    """A study with its readings. While it is open, one's own unless one keeps instruments."""

    readings = StudyReadingOutput(many=True, source="shown")
    missing = StudyPlaceOutput(many=True, help_text="Still to be measured before it can be closed.")
    result = StudyResultOutput(allow_null=True, help_text="Null until it is closed.")


# --- Measured again -----------------------------------------------------------------------------


class ControlOutput(serializers.Serializer[Any]):
    """A position measured again while the inspection awaits its countersignature."""

    id = serializers.IntegerField()
    line = serializers.IntegerField(source="line_id")
    position = serializers.CharField()
    term = serializers.CharField()
    instrument = serializers.IntegerField(source="instrument_id")
    unit = serializers.ChoiceField(choices=_UNITS)
    tries = TryOutput(many=True)
    low = LengthField()
    high = LengthField(allow_null=True)
    is_value = serializers.BooleanField()
    standard_uncertainty = serializers.FloatField(allow_null=True)
    taken_by = PersonOutput()
    taken_at = serializers.DateTimeField()


class ComparisonOutput(serializers.Serializer[Any]):
    inspection = serializers.IntegerField(source="control.inspection_id")
    line = serializers.IntegerField(source="control.line_id")
    position = serializers.CharField(source="control.position")
    term = serializers.CharField(source="control.term")
    unit = serializers.CharField(source="own.unit")
    low = LengthField(source="own.low")
    high = LengthField(source="own.high", allow_null=True)
    control_unit = serializers.CharField(source="control.unit")
    control_low = LengthField(source="control.low")
    control_high = LengthField(source="control.high", allow_null=True)
    controlled_by = PersonOutput(source="control.taken_by")
    controlled_at = serializers.DateTimeField(source="control.taken_at")
    meets = serializers.BooleanField(help_text="Both can be the same length.")
    outcome = serializers.ChoiceField(choices=values(Outcome), source="own_outcome")
    control_outcome = serializers.ChoiceField(choices=values(Outcome))


class AgreementSummary(serializers.Serializer[Any]):
    person = PersonOutput()
    compared = serializers.IntegerField(help_text="Positions measured by both.")
    meeting = serializers.IntegerField(help_text="Of these, readings that can be the same length.")
    same_verdicts = serializers.IntegerField()
    first_go = serializers.IntegerField(
        help_text="Inspections countersigned without having been sent back."
    )
    sent_back = serializers.IntegerField()


class AgreementList(serializers.Serializer[Any]):
    results = AgreementSummary(many=True)


class AgreementOutput(AgreementSummary):
    comparisons = ComparisonOutput(many=True, help_text="The oldest first.")
    running = serializers.ListField(
        child=serializers.FloatField(),
        help_text="After each comparison the share that met of the last ten, 0 to 1.",
    )
