"""What the API takes and gives of transfers and of a store's settings."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.plumbing.scoping import ScopedRelatedField
from parts import selectors
from parts.rules.lifecycle import TransferState

_LARGEST_COUNT = 1_000_000
_POSITION = {"max_digits": 8, "decimal_places": 5, "allow_null": True}
_AMOUNT = {"max_digits": 16, "decimal_places": 4}


# --- Given --------------------------------------------------------------------------------------


class TransferSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    from_store = serializers.IntegerField(source="from_store_id")
    from_site_name = serializers.CharField(source="from_store.site.name")
    to_store = serializers.IntegerField(source="to_store_id")
    to_site_name = serializers.CharField(source="to_store.site.name")
    part = serializers.IntegerField(source="part_id")
    part_number = serializers.CharField(source="part.number")
    quantity = serializers.IntegerField()
    demand = serializers.IntegerField(
        source="demand_id", allow_null=True, help_text="Whom it is for; null: to restock."
    )
    state = serializers.ChoiceField(choices=[(s.value, s.label) for s in TransferState])
    why = serializers.CharField()
    raised_at = serializers.DateTimeField()
    sent_at = serializers.DateTimeField(allow_null=True)
    expected_on = serializers.DateField(allow_null=True)
    received_at = serializers.DateTimeField(allow_null=True)
    received_quantity = serializers.IntegerField(allow_null=True)


class SentLotSerializer(serializers.Serializer[Any]):
    batch = serializers.CharField(source="code", help_text="Empty for pieces without one.")
    expires_on = serializers.DateField(allow_null=True)
    quantity = serializers.IntegerField()


class TransferDetailSerializer(TransferSerializer):
    """The same with what was sent, batch by batch; empty before that."""

    sent = SentLotSerializer(many=True)


class StoreSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    site = serializers.IntegerField(source="site_id")
    name = serializers.CharField()
    currency = serializers.CharField(help_text="ISO 4217; of all amounts of this store.")
    latitude_deg = serializers.DecimalField(**_POSITION)  # type: ignore[arg-type]
    longitude_deg = serializers.DecimalField(**_POSITION)  # type: ignore[arg-type]
    supplied_by = serializers.IntegerField(
        source="supplied_by_id", allow_null=True, help_text="The store that restocks it."
    )
    count_limit = serializers.DecimalField(
        **_AMOUNT,  # type: ignore[arg-type]
        help_text="A count that differs by more in value takes a second person.",
    )
    target_service = serializers.DecimalField(
        max_digits=5, decimal_places=4, help_text="Share of demands served from the shelf."
    )
    labour_rate = serializers.DecimalField(
        **_AMOUNT,  # type: ignore[arg-type]
        allow_null=True,
        help_text="Of an hour at the bench.",
    )


# --- Taken --------------------------------------------------------------------------------------


class AskTransferSerializer(serializers.Serializer[Any]):
    to_store = ScopedRelatedField(queryset=selectors.stores())
    from_site_name = serializers.CharField(
        max_length=80, help_text="As the part's holders name the site."
    )
    part = serializers.PrimaryKeyRelatedField(queryset=selectors.catalogue())
    quantity = serializers.IntegerField(min_value=1, max_value=_LARGEST_COUNT)
    why = serializers.CharField(max_length=200)


class SendTransferSerializer(serializers.Serializer[Any]):
    scanned_number = serializers.CharField(
        max_length=100, help_text="A number of the part, or a shelf label NUMBER/BATCH."
    )
    batch_code = serializers.CharField(
        max_length=40, allow_blank=True, default="", help_text="Of a part that ages."
    )
    confirmed = serializers.BooleanField(
        default=False, help_text="Take this batch although another expires sooner."
    )


class ReceivedLotSerializer(serializers.Serializer[Any]):
    batch = serializers.CharField(max_length=40, allow_blank=True, default="")
    quantity = serializers.IntegerField(min_value=0, max_value=_LARGEST_COUNT)


class ReceiveTransferSerializer(serializers.Serializer[Any]):
    received = ReceivedLotSerializer(  # type: ignore[call-arg]  # max_length is the list's
        many=True,
        max_length=500,
        required=False,
        help_text="What came, batch by batch; what is not named did not come. Left out: all came.",
    )
    reason = serializers.CharField(
        max_length=200, allow_blank=True, default="", help_text="Why fewer came."
    )
    bin = serializers.CharField(max_length=20, allow_blank=True, required=False)


class WhySerializer(serializers.Serializer[Any]):
    why = serializers.CharField(max_length=200)


class StoreChangeSerializer(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=80, required=False)
    currency = serializers.CharField(max_length=3, required=False)
    latitude_deg = serializers.DecimalField(**_POSITION, required=False)  # type: ignore[arg-type]
    longitude_deg = serializers.DecimalField(**_POSITION, required=False)  # type: ignore[arg-type]
    supplied_by = ScopedRelatedField(queryset=selectors.stores(), allow_null=True, required=False)
    count_limit = serializers.DecimalField(**_AMOUNT, required=False)  # type: ignore[arg-type]
    target_service = serializers.DecimalField(max_digits=5, decimal_places=4, required=False)
    labour_rate = serializers.DecimalField(
        **_AMOUNT,  # type: ignore[arg-type]
        allow_null=True,
        required=False,
    )
