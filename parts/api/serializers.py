"""What the parts API takes and gives. Counts are in the unit of the part."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.plumbing.scoping import ScopedRelatedField
from fleet.vocabulary import Component
from parts import selectors
from parts.catalogue_selectors import find_batch
from parts.rules.lifecycle import DemandState, MovementKind

_COMPONENTS = [c.value for c in Component]


# --- Given --------------------------------------------------------------------------------------


class KitContentSerializer(serializers.Serializer[Any]):
    part = serializers.IntegerField(source="part_id")
    number = serializers.CharField(source="part.number")
    name = serializers.CharField(source="part.name")
    quantity = serializers.IntegerField()


class PartSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    number = serializers.CharField(help_text="The maker's.")
    own_number = serializers.CharField(help_text="What the stores call it; empty for nothing else.")
    maker = serializers.CharField()
    name = serializers.CharField()
    unit = serializers.CharField()
    is_kit = serializers.BooleanField()
    pack_size = serializers.IntegerField()
    shelf_life_months = serializers.IntegerField(
        allow_null=True, help_text="From the cure date; null: it does not age."
    )
    superseded_by = serializers.IntegerField(
        source="superseded_by_id", allow_null=True, help_text="What takes its place."
    )
    superseded_by_number = serializers.CharField(
        source="superseded_by.number", default=None, allow_null=True
    )
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
    serial_from = serializers.IntegerField(allow_null=True)
    serial_to = serializers.IntegerField(allow_null=True)
    alternatives_allowed = serializers.BooleanField()


class StockLevelSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    store = serializers.IntegerField(source="store_id")
    part = serializers.IntegerField(source="part_id")
    part_number = serializers.CharField(source="part.number")
    bin = serializers.CharField()
    on_hand = serializers.IntegerField()
    reserved = serializers.IntegerField()
    available = serializers.IntegerField(help_text="On hand and not reserved, expired or not.")
    expired = serializers.IntegerField(help_text="On hand, and to be scrapped.")
    free = serializers.IntegerField(help_text="What can still be promised; may be below 0.")
    in_transit = serializers.IntegerField(help_text="On the way here from other stores.")
    value = serializers.DecimalField(
        max_digits=16, decimal_places=4, help_text="Of what is on hand, in the store's currency."
    )
    next_batch = serializers.CharField(
        allow_null=True, help_text="The batch that is taken first, of a part that ages."
    )
    next_expiry = serializers.DateField(allow_null=True)
    missing = serializers.IntegerField(help_text="What the site's short demands ask for in all.")


class MovementSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    store = serializers.IntegerField(source="store_id")
    part = serializers.IntegerField(source="part_id")
    part_number = serializers.CharField(source="part.number")
    kind = serializers.ChoiceField(choices=[(k.value, k.label) for k in MovementKind])
    on_hand_change = serializers.IntegerField()
    reserved_change = serializers.IntegerField()
    in_transit_change = serializers.IntegerField()
    value_change = serializers.DecimalField(
        max_digits=16, decimal_places=4, help_text="In the currency of the store."
    )
    batch = serializers.CharField(source="batch.code", default=None, allow_null=True)
    transfer = serializers.IntegerField(source="transfer_id", allow_null=True)
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
    supplied_part = serializers.IntegerField(
        source="supplied_part_id", allow_null=True, help_text="What is handed out in its place."
    )
    needed_on = serializers.DateField(
        source="inspection.need.needed_on", default=None, allow_null=True
    )
    expected_on = serializers.DateField(allow_null=True)
    transfer = serializers.IntegerField(source="transfer_id", allow_null=True)
    order_line = serializers.IntegerField(source="order_line_id", allow_null=True)
    raised_at = serializers.DateTimeField()
    issued_at = serializers.DateTimeField(allow_null=True)
    issued_by = serializers.CharField(source="issued_by.full_name", default=None, allow_null=True)
    confirmed_at = serializers.DateTimeField(
        allow_null=True, help_text="When the technician had it in hand."
    )
    rest_of = serializers.IntegerField(
        source="rest_of_id", allow_null=True, help_text="The demand that was pulled short."
    )


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
    own_number = serializers.CharField(max_length=40, allow_blank=True, default="")
    maker = serializers.CharField(max_length=80, allow_blank=True, default="")
    name = serializers.CharField(max_length=120)
    unit = serializers.CharField(max_length=10, default="piece")
    is_kit = serializers.BooleanField(default=False)
    pack_size = serializers.IntegerField(default=1, min_value=1, max_value=10_000)
    shelf_life_months = serializers.IntegerField(
        allow_null=True, default=None, min_value=1, max_value=600
    )


class PartChangeSerializer(serializers.Serializer[Any]):
    number = serializers.CharField(max_length=40, required=False)
    own_number = serializers.CharField(max_length=40, allow_blank=True, required=False)
    maker = serializers.CharField(max_length=80, allow_blank=True, required=False)
    name = serializers.CharField(max_length=120, required=False)
    unit = serializers.CharField(max_length=10, required=False)
    is_kit = serializers.BooleanField(required=False)
    pack_size = serializers.IntegerField(required=False, min_value=1, max_value=10_000)
    shelf_life_months = serializers.IntegerField(
        allow_null=True, required=False, min_value=1, max_value=600
    )


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
    serial_from = serializers.IntegerField(
        allow_null=True, default=None, help_text="The figures at the end of the serial number."
    )
    serial_to = serializers.IntegerField(
        allow_null=True, default=None, help_text="This one included; null: all that follow."
    )
    alternatives_allowed = serializers.BooleanField(default=False)


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
    batch_code = serializers.CharField(
        max_length=40, allow_blank=True, default="", help_text="Of a part that ages."
    )
    cured_on = serializers.DateField(allow_null=True, default=None)
    expires_on = serializers.DateField(
        allow_null=True, default=None, help_text="Left out: the cure date and the shelf life."
    )
    unit_cost = serializers.DecimalField(
        max_digits=16,
        decimal_places=4,
        allow_null=True,
        default=None,
        help_text="Of a piece, in the store's currency; left out: as those on the shelf.",
    )


class _OfBatchSerializer(_OnShelfSerializer):
    """What lies on a shelf already."""

    batch_code = serializers.CharField(
        max_length=40, allow_blank=True, default="", help_text="Of a part that ages."
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """With `batch` in place of its code; None where none was sent."""
        code = attrs.pop("batch_code")
        batch = find_batch(attrs["part"], code) if code else None
        if code and batch is None:
            raise serializers.ValidationError(
                {"batch_code": "No such batch of this part is on record. Look at the label again."}
            )
        return {**attrs, "batch": batch}


class CorrectionSerializer(_OfBatchSerializer):
    counted = serializers.IntegerField()
    reason = serializers.CharField(max_length=200)


class ScrappingSerializer(_OfBatchSerializer):
    quantity = serializers.IntegerField()
    reason = serializers.CharField(max_length=200)


class PullSerializer(serializers.Serializer[Any]):
    scanned_number = serializers.CharField(
        max_length=100,
        allow_blank=True,
        help_text="Any number of the part, or the text of a shelf label: NUMBER/BATCH.",
    )
    quantity = serializers.IntegerField()
    batch_code = serializers.CharField(
        max_length=40,
        allow_blank=True,
        default="",
        help_text="Of a part that ages, where the label does not carry it.",
    )
    confirmed = serializers.BooleanField(
        default=False, help_text="Take the batch though it is not the next to expire."
    )
