"""What the API of holdings and forecasts takes and gives. Money is in the store's currency."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.plumbing.scoping import ScopedRelatedField
from parts import selectors
from parts.services.holdings import MOST_PROBABILITIES


class HoldingSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    store = serializers.IntegerField(source="store_id")
    part = serializers.IntegerField(source="part_id")
    part_number = serializers.CharField(source="part.number")
    reorder_point = serializers.IntegerField()
    order_up_to = serializers.IntegerField()
    keep_back = serializers.IntegerField()
    basis = serializers.JSONField(help_text="The figures it was chosen by.")
    chosen_by = serializers.CharField(
        source="chosen_by.full_name", default=None, allow_null=True, help_text="Null: Wearbook."
    )
    chosen_at = serializers.DateTimeField()


class ForecastSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    store = serializers.IntegerField(source="store_id")
    part = serializers.IntegerField(source="part_id")
    part_number = serializers.CharField(source="part.number")
    window_days = serializers.IntegerField()
    probabilities = serializers.ListField(child=serializers.FloatField())
    source = serializers.CharField()  # type: ignore[assignment]  # of the row, not the field
    made_at = serializers.DateTimeField()


class HoldingPointSerializer(serializers.Serializer[Any]):
    money = serializers.FloatField(help_text="Bound on the shelf on average.")
    waiting_share = serializers.FloatField(help_text="Share of demands that wait, 0 to 1.")
    waiting_days = serializers.FloatField(help_text="Mean wait over all demands.")


class HoldingAdviceSerializer(serializers.Serializer[Any]):
    """What a store is advised to hold of one part; -1 and 0: order it on demand."""

    part = serializers.IntegerField(source="part.pk")
    part_number = serializers.CharField(source="part.number")
    reorder_point = serializers.IntegerField(source="advice.levels.reorder_point")
    order_up_to = serializers.IntegerField(source="advice.levels.order_up_to")
    keep_back = serializers.IntegerField(source="advice.keep_back")
    held_reorder_point = serializers.IntegerField(
        source="holding.reorder_point", default=None, allow_null=True
    )
    held_order_up_to = serializers.IntegerField(
        source="holding.order_up_to", default=None, allow_null=True
    )
    basis = serializers.JSONField(source="advice.basis", help_text="The figures it rests on.")


class HoldingStepSerializer(HoldingPointSerializer):
    """A point of the curve, and the part whose levels lead to it from the point before."""

    part = serializers.IntegerField(allow_null=True)
    part_number = serializers.CharField(allow_null=True)
    reorder_point = serializers.IntegerField(allow_null=True)
    order_up_to = serializers.IntegerField(allow_null=True)


class HoldingCurveSerializer(serializers.Serializer[Any]):
    """Money bound against waiting for a store, from holding nothing up."""

    store = serializers.IntegerField()
    currency = serializers.CharField()
    now = HoldingPointSerializer()
    advised = HoldingPointSerializer()
    points = HoldingStepSerializer(many=True)


class HoldingChangesSerializer(serializers.Serializer[Any]):
    set = serializers.IntegerField(help_text="Holdings that were set or changed.")
    removed = serializers.IntegerField(help_text="Parts ordered on demand from now on.")


# --- Taken --------------------------------------------------------------------------------------


class _OfStoreSerializer(serializers.Serializer[Any]):
    store = ScopedRelatedField(queryset=selectors.stores())


class _OfPartSerializer(_OfStoreSerializer):
    part = serializers.PrimaryKeyRelatedField(queryset=selectors.catalogue())


class NewHoldingSerializer(_OfPartSerializer):
    reorder_point = serializers.IntegerField()
    order_up_to = serializers.IntegerField()
    keep_back = serializers.IntegerField(default=0)


class HoldingChoiceSerializer(_OfStoreSerializer):
    """One of both."""

    waiting_percent = serializers.FloatField(
        required=False, help_text="Percent of demands that may wait."
    )
    budget = serializers.FloatField(required=False, help_text="Money that may be bound.")


class NewForecastSerializer(_OfPartSerializer):
    window_days = serializers.IntegerField()
    probabilities = serializers.ListField(
        child=serializers.FloatField(),
        max_length=MOST_PROBABILITIES,
        help_text="The n-th, from 0: the chance that n pieces are wanted; they add up to 1.",
    )
    source = serializers.CharField(max_length=200)  # type: ignore[assignment]
