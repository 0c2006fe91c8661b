"""What the inspections API takes. Shapes only: whether it may be so is judged by the services."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import (
    OpenApiExample,
    PolymorphicProxySerializer,
)
from rest_framework import serializers

from fleet.api.serializers import LengthField
from fleet.plumbing.scoping import ScopedRelatedField
from fleet.selectors import pumps_with_model
from fleet.units import LengthUnit
from fleet.vocabulary import Component, InstrumentKind, Rotation
from inspections.rules.dispositions import Disposition
from inspections.rules.findings import Cause, Severity, Word
from inspections.rules.leaves import Feel, Try
from inspections.rules.lifecycle import Reason
from inspections.selectors import instruments, sites
from inspections.services.rows import LONGEST_WHY

_MOST_TRIES = 100


def values(enum: Any) -> list[Any]:
    return [entry.value for entry in enum]


class InstrumentInput(serializers.Serializer[Any]):
    """A leaf set lists its leaves; any other instrument states its resolution."""

    site = ScopedRelatedField(queryset=sites())
    identity = serializers.CharField(max_length=40, help_text="The number engraved on it.")
    name = serializers.CharField(max_length=80)
    kind = serializers.ChoiceField(choices=values(InstrumentKind))
    unit = serializers.ChoiceField(choices=values(LengthUnit))
    leaves = serializers.ListField(
        child=LengthField(), max_length=200, required=False, help_text="In `unit`."
    )
    resolution = LengthField(required=False, allow_null=True)
    permissible_error = LengthField(
        required=False,
        allow_null=True,
        help_text="The largest error either way on its certificate, in `unit`; null: not known.",
    )
    calibration_due_on = serializers.DateField(required=False, allow_null=True)


class CalibrationInput(serializers.Serializer[Any]):
    """What the new certificate says. Readings taken before keep what they were taken with."""

    due_on = serializers.DateField()
    permissible_error = LengthField(
        allow_null=True,
        help_text="The largest error either way on it, in the instrument's unit; null: not known.",
    )


class LeafInput(serializers.Serializer[Any]):
    leaf = LengthField(help_text="In the unit of the set.")


class LeafWithdrawalInput(LeafInput):
    why = serializers.CharField(max_length=200, help_text="Bent, torn, rusty, worn.")


class TakenWithQuery(serializers.Serializer[Any]):
    leaf = LengthField(
        required=False, help_text="Only readings in which this leaf was tried, alone or stacked."
    )
    since = serializers.DateField(required=False, help_text="Of this day (UTC) and later.")


class InspectionInput(serializers.Serializer[Any]):
    pump = ScopedRelatedField(queryset=pumps_with_model())
    reason = serializers.ChoiceField(choices=values(Reason))
    complaint = serializers.CharField(max_length=300, required=False, allow_blank=True, default="")


class IsolationInput(serializers.Serializer[Any]):
    """Confirmed in the sender's own name."""

    lock_number = serializers.CharField(max_length=40, help_text="Of your own lock.")
    isolated_at = serializers.DateTimeField()
    proved_zero_how = serializers.CharField(
        max_length=200, help_text="Which gauge was read, and that a start was tried."
    )
    proved_zero_at = serializers.DateTimeField()


class NameplateInput(serializers.Serializer[Any]):
    """As read from the plate; what cannot be read stays empty. Serial or reason is needed."""

    maker = serializers.CharField(max_length=80, required=False, allow_blank=True)
    designation = serializers.CharField(max_length=60, required=False, allow_blank=True)
    serial = serializers.CharField(max_length=60, required=False, allow_blank=True)
    displacement_cm3 = serializers.DecimalField(
        max_digits=9, decimal_places=3, min_value=0, required=False, allow_null=True
    )
    rotation = serializers.ChoiceField(
        choices=values(Rotation), required=False, allow_blank=True, default=""
    )
    illegible_reason = serializers.CharField(max_length=200, required=False, allow_blank=True)


class TryInput(serializers.Serializer[Any]):
    """One leaf, or two laid together."""

    leaves = serializers.ListField(
        child=LengthField(), min_length=1, max_length=10, help_text="In the unit of the set."
    )
    feel = serializers.ChoiceField(choices=values(Feel))
    repeat = serializers.IntegerField(
        min_value=1,
        required=False,
        default=1,
        help_text="Which series at this position: one measured again is a series of its own.",
    )


class _ReadingInput(serializers.Serializer[Any]):
    line = serializers.IntegerField(help_text="Id of the line of the limit sheet.")
    position = serializers.CharField(max_length=60, help_text="One of the line's positions.")
    instrument = ScopedRelatedField(queryset=instruments())


class LeavesReadingInput(_ReadingInput):
    """All leaves tried at the position: they replace those sent before."""

    tries = TryInput(many=True, max_length=_MOST_TRIES)  # type: ignore[call-arg]  # many=True

    def validate_tries(self, rows: list[dict[str, Any]]) -> list[Try]:
        return [Try(tuple(row["leaves"]), Feel(row["feel"]), row["repeat"]) for row in rows]


class ValueReadingInput(_ReadingInput):
    """What an instrument shows, in the unit that it was read in."""

    term = serializers.CharField(
        max_length=40,
        required=False,
        allow_blank=True,
        default="",
        help_text="Which of the two readings of a difference this is.",
    )
    value = LengthField()
    repeats = serializers.ListField(
        child=LengthField(),
        required=False,
        default=list,
        max_length=20,
        help_text="What it showed when the same position was measured again, in `unit`.",
    )
    unit = serializers.ChoiceField(choices=values(LengthUnit))

    def validate_unit(self, unit: str) -> LengthUnit:
        return LengthUnit(unit)


ANY_READING_INPUT = PolymorphicProxySerializer(
    component_name="ReadingInput",
    serializers=[LeavesReadingInput, ValueReadingInput],
    resource_type_field_name=None,
)

READING_EXAMPLES = [
    OpenApiExample(
        "Leaves",
        summary="0.10 mm goes in with drag; 0.10 and 0.06 laid together do not",
        value={
            "line": 12,
            "position": "drive 12 o'clock",
            "instrument": 3,
            "tries": [
                {"leaves": ["0.10"], "feel": "drag"},
                {"leaves": ["0.10", "0.06"], "feel": "refuses"},
            ],
        },
        request_only=True,
    ),
    OpenApiExample(
        "Value",
        summary="A bore gauge shows 20.062 mm, the first of two readings of a difference",
        value={
            "line": 15,
            "position": "drive front",
            "term": "bore",
            "instrument": 7,
            "value": "20.062",
            "unit": "mm",
        },
        request_only=True,
    ),
]


class RetakeInput(serializers.Serializer[Any]):
    line = serializers.IntegerField()
    position = serializers.CharField(max_length=60)
    term = serializers.CharField(max_length=40, required=False, allow_blank=True, default="")


class NextLeafQuery(serializers.Serializer[Any]):
    line = serializers.IntegerField(help_text="Id of the line of the limit sheet.")
    position = serializers.CharField(max_length=60, help_text="One of the line's positions.")
    instrument = ScopedRelatedField(queryset=instruments(), help_text="Id of a leaf set.")
    repeat = serializers.IntegerField(
        min_value=1, required=False, help_text="The series in hand; else the last one taken."
    )
    narrow = serializers.BooleanField(
        required=False, default=False, help_text="For the trend, whatever the limit says."
    )
    expect_wear = serializers.BooleanField(
        required=False,
        default=False,
        help_text="Start from what earlier readings of this pump lead to. No verdict rests on it.",
    )


class OverdueAcceptanceInput(serializers.Serializer[Any]):
    instrument = ScopedRelatedField(queryset=instruments())
    reason = serializers.CharField(
        max_length=300, help_text="Why the readings taken with it while overdue may count."
    )


class WaiverInput(serializers.Serializer[Any]):
    line = serializers.IntegerField()
    reason = serializers.CharField(max_length=300)


class FindingInput(serializers.Serializer[Any]):
    component = serializers.ChoiceField(choices=values(Component))
    word = serializers.ChoiceField(choices=values(Word))
    severity = serializers.ChoiceField(choices=values(Severity))
    place = serializers.CharField(max_length=120, required=False, allow_blank=True, default="")
    note = serializers.CharField(max_length=500, required=False, allow_blank=True, default="")
    cause = serializers.ChoiceField(choices=values(Cause), required=False, allow_null=True)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        cause = attrs.get("cause")
        return {
            **attrs,
            "word": Word(attrs["word"]),
            "severity": Severity(attrs["severity"]),
            "cause": Cause(cause) if cause else None,
        }


class PhotoInput(serializers.Serializer[Any]):
    """A JPEG, PNG or WebP picture of at most 12 MB; it is kept without the camera's own data."""

    component = serializers.ChoiceField(choices=values(Component))
    file = serializers.FileField()
    caption = serializers.CharField(max_length=120, required=False, allow_blank=True, default="")


class DecisionInput(serializers.Serializer[Any]):
    decided = serializers.ChoiceField(choices=values(Disposition))
    reason = serializers.CharField(
        max_length=500,
        required=False,
        allow_blank=True,
        default="",
        help_text="Needed unless it is decided as proposed.",
    )

    def validate_decided(self, decided: str) -> Disposition:
        return Disposition(decided)


class RemarkInput(serializers.Serializer[Any]):
    why = serializers.CharField(
        max_length=LONGEST_WHY, required=False, allow_blank=True, default=""
    )


class WhyInput(serializers.Serializer[Any]):
    why = serializers.CharField(max_length=LONGEST_WHY)


class NothingInput(serializers.Serializer[Any]):
    """An empty object: the address and the sender say it all."""
