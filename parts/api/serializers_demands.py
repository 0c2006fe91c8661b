"""What the API takes and gives of a demand's supply and of when it is wanted."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from parts.rules.lifecycle import DemandState
from parts.services.needs import LONGEST_BENCH, LONGEST_WHY


class DemandStepSerializer(serializers.Serializer[Any]):
    """One decision about a demand."""

    id = serializers.IntegerField()
    state = serializers.ChoiceField(choices=[(s.value, s.label) for s in DemandState])
    why = serializers.CharField()
    by = serializers.CharField(
        source="by.full_name", default=None, allow_null=True, help_text="Null: Wearbook itself."
    )
    at = serializers.DateTimeField()


class CancelSerializer(serializers.Serializer[Any]):
    why = serializers.CharField(max_length=LONGEST_WHY)


class NeedSerializer(serializers.Serializer[Any]):
    """When and where the parts of an inspection are wanted."""

    inspection = serializers.IntegerField()
    needed_on = serializers.DateField(allow_null=True, help_text="Null: no day is set.")
    bench = serializers.CharField(allow_blank=True)


class NeedChangeSerializer(serializers.Serializer[Any]):
    needed_on = serializers.DateField(
        allow_null=True, help_text="Null: no day is set; all that have one come before."
    )
    bench = serializers.CharField(max_length=LONGEST_BENCH, allow_blank=True, default="")
