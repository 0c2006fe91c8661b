"""What the API takes and gives of alternatives, opened kits and batches."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from fleet.plumbing.scoping import ScopedRelatedField
from parts import selectors

# --- Given --------------------------------------------------------------------------------------


class AlternativeSerializer(serializers.Serializer[Any]):
    """`other` may stand in for `part`, where a fit allows alternatives; one way only."""

    id = serializers.IntegerField()
    part = serializers.IntegerField(source="part_id")
    part_number = serializers.CharField(source="part.number")
    other = serializers.IntegerField(source="other_id")
    other_number = serializers.CharField(source="other.number")
    why = serializers.CharField()
    added_at = serializers.DateTimeField()


class KitOpeningSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    store = serializers.IntegerField(source="store_id")
    kit = serializers.IntegerField(source="kit_id")
    kit_number = serializers.CharField(source="kit.number")
    batch_code = serializers.CharField(source="batch.code", default=None, allow_null=True)
    why = serializers.CharField()
    opened_by = serializers.CharField(source="opened_by.full_name")
    opened_at = serializers.DateTimeField()


class BatchSerializer(serializers.Serializer[Any]):
    """What lies of one batch in one store."""

    id = serializers.IntegerField()
    store = serializers.IntegerField(source="store_id")
    part = serializers.IntegerField(source="batch.part_id")
    part_number = serializers.CharField(source="batch.part.number")
    batch_code = serializers.CharField(source="batch.code")
    cured_on = serializers.DateField(source="batch.cured_on", allow_null=True)
    expires_on = serializers.DateField(source="batch.expires_on", help_text="The last good day.")
    extended_why = serializers.CharField(
        source="batch.extended_why", help_text="Why the date was moved; empty where it was not."
    )
    on_hand = serializers.IntegerField()


# --- Taken --------------------------------------------------------------------------------------


class SupersessionSerializer(serializers.Serializer[Any]):
    by = serializers.PrimaryKeyRelatedField(queryset=selectors.catalogue())


class NewAlternativeSerializer(serializers.Serializer[Any]):
    part = serializers.PrimaryKeyRelatedField(queryset=selectors.catalogue())
    other = serializers.PrimaryKeyRelatedField(queryset=selectors.catalogue())
    why = serializers.CharField(max_length=200)


class ShelfLifeSerializer(serializers.Serializer[Any]):
    """A shelf life for a part that lies in the stores already, all of it in one batch."""

    shelf_life_months = serializers.IntegerField(min_value=1, max_value=600)
    cured_on = serializers.DateField(help_text="Of the oldest that lies there.")
    batch_code = serializers.CharField(max_length=40)


class NewKitOpeningSerializer(serializers.Serializer[Any]):
    store = ScopedRelatedField(queryset=selectors.stores())
    kit = serializers.PrimaryKeyRelatedField(queryset=selectors.catalogue())
    batch_code = serializers.CharField(
        max_length=40,
        allow_blank=True,
        default="",
        help_text="On the kit's label; left out: the batch that expires first.",
    )
    why = serializers.CharField(max_length=200)


class NewBatchSerializer(serializers.Serializer[Any]):
    """A batch for what lies in a store without one."""

    store = ScopedRelatedField(queryset=selectors.stores())
    part = serializers.PrimaryKeyRelatedField(queryset=selectors.catalogue())
    batch_code = serializers.CharField(max_length=40)
    cured_on = serializers.DateField(required=False, allow_null=True)
    expires_on = serializers.DateField(required=False, allow_null=True)


class ExtensionSerializer(serializers.Serializer[Any]):
    expires_on = serializers.DateField(help_text="The last good day from now on.")
    why = serializers.CharField(max_length=200)
