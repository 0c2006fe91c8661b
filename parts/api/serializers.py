"""What the parts API takes and gives. Counts are in the unit of the part."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.plumbing.scoping import ScopedRelatedField
from fleet.vocabulary import Component
from parts import selectors
from parts.lifecycle import DemandState, MovementKind

_COMPONENTS = [c.value for c in Component]


# --- Given --------------------------------------------------------------------------------------


class KitContentSerializer(serializers.Serializer[Any]):
    part = serializers.IntegerField(source="part_id")
    number = serializers.CharField(source="part.number")
    name = serializers.CharField(source="part.name")
    quantity = serializers.IntegerField()


class PartSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    number = serializers.CharField()
    name = serializers.CharField()
    unit = serializers.CharField()
    is_kit = serializers.BooleanField()
    contents = KitContentSerializer(many=True, help_text="What lies in the kit.")


class HolderSerializer(serializers.Serializer[Any]):
    """A site with free stock of the part; asking is up to people."""

    site_name = serializers.CharField()
    available = serializers.IntegerField()


class FitSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    model = serializers.IntegerField(source="model_id")
    component = serializers.ChoiceField(choices=_COMPONENTS)
    part = serializers.IntegerField(source="part_id")
    part_number = serializers.CharField(source="part.number")
    quantity = serializers.IntegerField()


class StoreSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    site = serializers.IntegerField(source="site_id")
    name = serializers.CharField()


class StockLevelSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    store = serializers.IntegerField(source="store_id")
    part = serializers.IntegerField(source="part_id")
    part_number = serializers.CharField(source="part.number")
    bin = serializers.CharField()
    on_hand = serializers.IntegerField()
    reserved = serializers.IntegerField()
    available = serializers.IntegerField()
    missing = serializers.IntegerField(help_text="What the site's short demands ask for in all.")


class MovementSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    store = serializers.IntegerField(source="store_id")
    part = serializers.IntegerField(source="part_id")
    part_number = serializers.CharField(source="part.number")
    kind = serializers.ChoiceField(choices=[(k.value, k.label) for k in MovementKind])
    on_hand_change = serializers.IntegerField()
    reserved_change = serializers.IntegerField()
    demand = serializers.IntegerField(source="demand_id", allow_null=True)
    reason = serializers.CharField(allow_blank=True)
    by = serializers.CharField(
        source="by.full_name", default=None, allow_null=True, help_text="Null: Wearbook itself."
    )
    at = serializers.DateTimeField()


class DemandSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    site = serializers.IntegerField(source="site_id")
    inspection = serializers.IntegerField(source="inspection_id")
    pump_tag = serializers.CharField(source="inspection.pump.tag")
    component = serializers.ChoiceField(source="disposition.component", choices=_COMPONENTS)
    part = serializers.IntegerField(source="part_id", allow_null=True)
    part_number = serializers.CharField(source="part.number", default=None, allow_null=True)
    part_name = serializers.CharField(source="part.name", default=None, allow_null=True)
    bin = serializers.CharField(allow_blank=True)
    quantity = serializers.IntegerField()
    state = serializers.ChoiceField(choices=[(s.value, s.label) for s in DemandState])
    why = serializers.CharField()
    raised_at = serializers.DateTimeField()
    issued_at = serializers.DateTimeField(allow_null=True)
    issued_by = serializers.CharField(source="issued_by.full_name", default=None, allow_null=True)


class PullListSerializer(serializers.Serializer[Any]):
    """The demands of one inspection, counted."""

    inspection = serializers.IntegerField(source="pk")
    site = serializers.IntegerField(source="site_id")
    pump_tag = serializers.CharField(source="pump.tag")
    waiting_since = serializers.DateTimeField()
    reserved = serializers.IntegerField(source="reserved_count")
    short = serializers.IntegerField(source="short_count")
    unmatched = serializers.IntegerField(source="unmatched_count")
    issued = serializers.IntegerField(source="issued_count")


class PullListDetailSerializer(PullListSerializer):
    """The same with the demands, in the order of the bins."""

    demands = DemandSerializer(many=True, source="in_bin_order")


# --- Taken --------------------------------------------------------------------------------------


class NewPartSerializer(serializers.Serializer[Any]):
    number = serializers.CharField(max_length=40)
    name = serializers.CharField(max_length=120)
    unit = serializers.CharField(max_length=10, default="piece")
    is_kit = serializers.BooleanField(default=False)


class PartChangeSerializer(serializers.Serializer[Any]):
    number = serializers.CharField(max_length=40, required=False)
    name = serializers.CharField(max_length=120, required=False)
    unit = serializers.CharField(max_length=10, required=False)
    is_kit = serializers.BooleanField(required=False)


class ContentSerializer(serializers.Serializer[Any]):
    part = serializers.PrimaryKeyRelatedField(queryset=selectors.catalogue())
    quantity = serializers.IntegerField()


class KitContentsSerializer(serializers.Serializer[Any]):
    """All that lies in the kit from now on."""

    contents = ContentSerializer(many=True, max_length=500)  # type: ignore[call-arg]  # of the list


class NewFitSerializer(serializers.Serializer[Any]):
    model = serializers.PrimaryKeyRelatedField(queryset=selectors.pump_models())
    component = serializers.ChoiceField(choices=_COMPONENTS)
    part = serializers.PrimaryKeyRelatedField(queryset=selectors.catalogue())
    quantity = serializers.IntegerField(default=1)


class NewStoreSerializer(serializers.Serializer[Any]):
    site = ScopedRelatedField(queryset=selectors.sites())
    name = serializers.CharField(max_length=80, allow_blank=True, default="")


class _OnShelfSerializer(serializers.Serializer[Any]):
    store = ScopedRelatedField(queryset=selectors.stores())
    part = serializers.PrimaryKeyRelatedField(queryset=selectors.catalogue())


class ReceiptSerializer(_OnShelfSerializer):
    quantity = serializers.IntegerField()
    reason = serializers.CharField(max_length=200, allow_blank=True, default="")
    bin = serializers.CharField(
        max_length=20,
        allow_blank=True,
        required=False,
        help_text="Where the parts lie from now on; left out, it stays as it is.",
    )


class CorrectionSerializer(_OnShelfSerializer):
    counted = serializers.IntegerField()
    reason = serializers.CharField(max_length=200)


class ScrappingSerializer(_OnShelfSerializer):
    quantity = serializers.IntegerField()
    reason = serializers.CharField(max_length=200)


class PullSerializer(serializers.Serializer[Any]):
    scanned_number = serializers.CharField(
        max_length=100, allow_blank=True, help_text="The part number on the label."
    )
    quantity = serializers.IntegerField()
