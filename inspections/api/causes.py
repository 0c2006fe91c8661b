"""REST API of the likely causes of what an inspection found."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from inspections.api.base import OfInspection
from inspections.api.inputs import values
from inspections.cause_selectors import causes_of
from inspections.rules.cause_signs import Strength
from inspections.rules.findings import Cause


class EvidenceOutput(serializers.Serializer[Any]):
    text = serializers.CharField()
    because = serializers.CharField()
    # `source` is a field of that name, not DRF's.
    source = serializers.CharField()  # type: ignore[assignment]
    strength = serializers.SerializerMethodField(
        help_text="strong: hardly another cause leaves this look; some: it has other causes too."
    )

    def get_strength(self, evidence: Any) -> str:
        return Strength(evidence.strength).name.lower()


class SourcedOutput(serializers.Serializer[Any]):
    text = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]


class MachineCheckOutput(SourcedOutput):
    caution = serializers.CharField(help_text="Empty where the step needs none of its own.")


class LikelyCauseOutput(serializers.Serializer[Any]):
    cause = serializers.ChoiceField(choices=values(Cause))
    in_words = serializers.CharField()
    signs = serializers.IntegerField(help_text="Independent ones: signs on one part count once.")
    strong_signs = serializers.IntegerField()
    evidence = EvidenceOutput(many=True)
    against = SourcedOutput(many=True)
    would_confirm = SourcedOutput(many=True)
    checks = MachineCheckOutput(
        many=True, help_text="To do on the machine before the rebuilt pump goes back."
    )


class CausesOutput(serializers.Serializer[Any]):
    sentence = serializers.CharField()
    causes = LikelyCauseOutput(
        source="all", many=True, help_text="The best supported first; empty when none is."
    )
    closing = serializers.CharField()


class CausesView(OfInspection):
    @extend_schema(responses=CausesOutput)
    def get(self, request: Request, pk: int) -> Response:
        """What the findings and verdicts point to by today's rules: advice, nothing signed."""
        return Response(CausesOutput(causes_of(self.inspection())).data)
