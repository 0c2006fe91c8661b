"""What is sent when parts go over the counter and come back."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers


class ShortPullSerializer(serializers.Serializer[Any]):
    """Fewer lie there than are reserved."""

    found = serializers.IntegerField(help_text="How many lay there: fewer than the demand's.")
    reason = serializers.CharField(max_length=200)
    batch_code = serializers.CharField(
        max_length=40,
        allow_blank=True,
        default="",
        help_text="Of those found; asked only where several batches should lie there.",
    )


class UndoSerializer(serializers.Serializer[Any]):
    why = serializers.CharField(max_length=200)


class TakeBackSerializer(UndoSerializer):
    fit_for_stock = serializers.BooleanField(help_text="False: it is scrapped at once.")
