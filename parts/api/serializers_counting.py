"""What the API of counts takes and gives. A line that is to be counted has no expected figure."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from fleet.plumbing.scoping import ScopedRelatedField
from parts import counting_selectors as reads
from parts import selectors
from parts.models import Part
from parts.rules.counting import LineState
from parts.rules.lifecycle import CountState


class CountSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    store = serializers.IntegerField(source="store_id")
    state = serializers.ChoiceField(choices=[(s.value, s.label) for s in CountState])
    why = serializers.CharField()
    raised_by = serializers.CharField(source="raised_by.full_name", default=None, allow_null=True)
    raised_at = serializers.DateTimeField()
    settled_at = serializers.DateTimeField(allow_null=True)
    lines_all = serializers.IntegerField()
    lines_counted = serializers.IntegerField()
    lines_differ = serializers.IntegerField()
    lines_pending = serializers.IntegerField(help_text="Differences that are not settled yet.")


class CountLineSerializer(serializers.Serializer[Any]):
    """Figures are null until the line is counted: the count is blind."""

    id = serializers.IntegerField()
    count = serializers.IntegerField(source="count_id")
    bin = serializers.CharField(allow_blank=True)
    part = serializers.IntegerField(source="part_id")
    part_number = serializers.CharField(source="part.number")
    batch_code = serializers.CharField(source="batch.code", default=None, allow_null=True)
    state = serializers.SerializerMethodField()
    counted = serializers.IntegerField(allow_null=True)
    counted_by = serializers.CharField(source="counted_by.full_name", default=None, allow_null=True)
    counted_at = serializers.DateTimeField(allow_null=True)
    expected = serializers.IntegerField(
        allow_null=True, help_text="What the ledger said when it was counted."
    )
    difference = serializers.SerializerMethodField()
    difference_value = serializers.SerializerMethodField()
    reason = serializers.CharField(allow_blank=True)
    approved_by = serializers.CharField(
        source="approved_by.full_name", default=None, allow_null=True
    )
    movement = serializers.IntegerField(
        source="movement_id", allow_null=True, help_text="The correction of the ledger."
    )

    @extend_schema_field(serializers.ChoiceField(choices=[(s.value, s.label) for s in LineState]))
    def get_state(self, line: Any) -> str:
        return reads.state_of(line).value

    def get_difference(self, line: Any) -> int | None:
        return reads.difference_of(line)

    @extend_schema_field(serializers.DecimalField(max_digits=20, decimal_places=4, allow_null=True))
    def get_difference_value(self, line: Any) -> str | None:
        value: Decimal | None = reads.value_of_difference(line)
        return None if value is None else f"{value:.4f}"


class CountDetailSerializer(CountSerializer):
    """The same with its lines, in the order of the bins."""

    lines = CountLineSerializer(many=True, source="in_bin_order")


class NewCountSerializer(serializers.Serializer[Any]):
    """Send one of `parts`, `due`, or `bin_from` with `bin_to`."""

    store = ScopedRelatedField(queryset=selectors.stores())
    why = serializers.CharField(max_length=200)
    parts = serializers.PrimaryKeyRelatedField(queryset=Part.objects.all(), many=True, default=())
    due = serializers.IntegerField(
        required=False, help_text="At most so many lines of what is due, in order."
    )
    bin_from = serializers.CharField(max_length=20, required=False)
    bin_to = serializers.CharField(max_length=20, required=False, default="")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        first, last = attrs.pop("bin_from", None), attrs.pop("bin_to")
        if first is not None:
            attrs["bins"] = (first, last)
        return attrs


class NewCountLineSerializer(serializers.Serializer[Any]):
    part = serializers.PrimaryKeyRelatedField(queryset=Part.objects.all())
    batch_code = serializers.CharField(max_length=40, default="", allow_blank=True)
    cured_on = serializers.DateField(required=False, allow_null=True)
    expires_on = serializers.DateField(required=False, allow_null=True)


class CountFigureSerializer(serializers.Serializer[Any]):
    counted = serializers.IntegerField()
    reason = serializers.CharField(
        max_length=200,
        default="",
        allow_blank=True,
        help_text="Of a difference; may follow. Needed for a line that was sent back.",
    )


class CountReasonSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=200)


class CountWhySerializer(serializers.Serializer[Any]):
    why = serializers.CharField(max_length=200)
