"""What the API of values, repair costs, hours and rates takes and gives.

Amounts have four places, in the currency that stands beside them.
"""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.plumbing.scoping import ScopedRelatedField
from inspections.models import Inspection
from parts.rules.counting import CountClass


def _amount(**more: Any) -> serializers.DecimalField:
    return serializers.DecimalField(max_digits=20, decimal_places=4, **more)


# --- Given --------------------------------------------------------------------------------------


class StoreValueSerializer(serializers.Serializer[Any]):
    """The value of a store's stock at moving average."""

    store = serializers.IntegerField(source="pk")
    site = serializers.IntegerField(source="site_id")
    site_code = serializers.CharField(source="site.code")
    name = serializers.CharField()
    currency = serializers.CharField()
    parts_held = serializers.IntegerField()
    value = _amount()


class ClassValueSerializer(serializers.Serializer[Any]):
    count_class = serializers.ChoiceField(choices=[c.value for c in CountClass])
    interval_days = serializers.IntegerField(source="count_class.interval_days")
    parts = serializers.IntegerField()
    value = _amount()


class StoreValueDetailSerializer(StoreValueSerializer):
    """The same with its counting classes, and what may not be fitted or lies still."""

    expired_value = _amount()
    slow_value = _amount(help_text="Of what did not go out for a year.")
    classes = ClassValueSerializer(many=True)


class RepairCostSerializer(serializers.Serializer[Any]):
    """What one repair cost: parts issued less returned, and hours at the rate of their day."""

    inspection = serializers.IntegerField(source="pk")
    site = serializers.IntegerField(source="site_id")
    pump_tag = serializers.CharField(source="pump.tag")
    currency = serializers.CharField(allow_blank=True)
    parts_cost = _amount()
    hours = serializers.DecimalField(max_digits=12, decimal_places=2)
    hours_without_rate = serializers.DecimalField(max_digits=12, decimal_places=2)
    labour_cost = _amount()
    total_cost = _amount()


class RepairPartSerializer(serializers.Serializer[Any]):
    """One line of the ledger as the repair sees it: pieces and cost of a return are below 0."""

    movement = serializers.IntegerField(source="pk")
    at = serializers.DateTimeField()
    kind = serializers.CharField(help_text="issue or return")
    part = serializers.IntegerField(source="part_id")
    part_number = serializers.CharField(source="part.number")
    pieces = serializers.SerializerMethodField()
    cost = serializers.SerializerMethodField()

    def get_pieces(self, movement: Any) -> int:
        return -int(movement.on_hand_change)

    def get_cost(self, movement: Any) -> str:
        return f"{-movement.value_change:.4f}"


class LabourSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    inspection = serializers.IntegerField(source="inspection_id")
    hours = serializers.DecimalField(max_digits=7, decimal_places=2)
    rate = _amount(
        allow_null=True, help_text="Null: the store had no rate; the hours cost nothing."
    )
    what = serializers.CharField()
    by = serializers.CharField(source="by.full_name")
    at = serializers.DateTimeField()


class RepairCostDetailSerializer(RepairCostSerializer):
    """The same with its lines."""

    parts = RepairPartSerializer(many=True, source="part_lines")
    labour = LabourSerializer(many=True, source="labour_lines")


class ExchangeRateSerializer(serializers.Serializer[Any]):
    """One unit of `base` is worth `rate` of `quote`."""

    id = serializers.IntegerField()
    base = serializers.CharField()
    quote = serializers.CharField()
    rate = serializers.DecimalField(max_digits=16, decimal_places=8)
    valid_from = serializers.DateField()


# --- Taken --------------------------------------------------------------------------------------


class NewLabourSerializer(serializers.Serializer[Any]):
    inspection = ScopedRelatedField(queryset=Inspection.objects.select_related("site"))
    hours = serializers.DecimalField(max_digits=7, decimal_places=2)
    what = serializers.CharField(max_length=200)


class TakingBackSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=200)


class NewExchangeRateSerializer(serializers.Serializer[Any]):
    base = serializers.CharField(max_length=3)
    quote = serializers.CharField(max_length=3)
    rate = serializers.DecimalField(max_digits=16, decimal_places=8)
    valid_from = serializers.DateField()


class PeriodSerializer(serializers.Serializer[Any]):
    """Narrows the list of repair costs."""

    site = serializers.IntegerField(required=False)
    since = serializers.DateField(required=False, help_text="Only what happened from this day on.")
    until = serializers.DateField(required=False, help_text="Only what happened up to this day.")
