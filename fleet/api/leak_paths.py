"""REST API of a pump model's leak paths."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, ClassVar

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.generics import GenericAPIView
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import selectors
from fleet.leaks import MOST_PATHS_AT_ONCE, LeakPathDraft
from fleet.models import PumpModel
from fleet.plumbing.etags import require_match, with_etag
from fleet.plumbing.scoping import SharedViewSet
from fleet.services import leak_paths
from fleet.vocabulary import Characteristic, LeakShape


def _length(help_text: str) -> serializers.DecimalField:
    return serializers.DecimalField(
        max_digits=9, decimal_places=3, allow_null=True, default=None, help_text=help_text
    )


class LeakPathFields(serializers.Serializer[Any]):
    """Where a clearance leaks, as the flow formulas see it. Lengths in mm."""

    characteristic = serializers.ChoiceField(choices=[c.value for c in Characteristic])
    shape = serializers.ChoiceField(
        choices=[shape.value for shape in LeakShape],
        help_text="slot: width and length. annulus: diameter, length, eccentricity. disc: "
        "diameter and inner diameter.",
    )
    count = serializers.IntegerField(
        min_value=1, max_value=MOST_PATHS_AT_ONCE, default=1, help_text="Gaps open at once."
    )
    gap_factor = serializers.DecimalField(
        max_digits=5,
        decimal_places=3,
        default=Decimal(1),
        help_text="Part of the clearance as measured that one gap has: 0.5 for a difference of "
        "diameters.",
    )
    width_mm = _length("Across the flow.")
    length_mm = _length("Along the flow.")
    diameter_mm = _length("Mean diameter of a ring gap; outer diameter of a disc.")
    inner_diameter_mm = _length("Inner diameter of a disc.")
    eccentricity = serializers.DecimalField(
        max_digits=4,
        decimal_places=3,
        default=Decimal(0),
        help_text="Of a ring gap: 0 centred to 1 touching.",
    )


class LeakPathsBody(serializers.Serializer[Any]):
    paths = LeakPathFields(many=True, help_text="All of them: what is left out is taken away.")


class LeakPathsView(SharedViewSet, GenericAPIView[Any]):
    """The leak paths of a pump model. The tag is that of the model."""

    queryset = selectors.pump_models().order_by()
    serializer_class = LeakPathsBody
    filter_backends = ()
    pagination_class = None
    needs_if_match: ClassVar = ("put",)

    @extend_schema(responses=LeakPathsBody)
    def get(self, request: Request, pk: int) -> Response:
        """The leak paths by which losses are computed; empty while none are entered."""
        return self._answer(self.get_object())

    @extend_schema(request=LeakPathsBody, responses=LeakPathsBody)
    def put(self, request: Request, pk: int) -> Response:
        """Replaces all leak paths of the model."""
        model = self.get_object()
        version = require_match(request, model)
        sent = LeakPathsBody(data=request.data)
        sent.is_valid(raise_exception=True)
        drafts = [LeakPathDraft(**path) for path in sent.validated_data["paths"]]
        actor: Any = request.user
        row = leak_paths.set_leak_paths(actor=actor, model=model, paths=drafts, version=version)
        return self._answer(row)

    def _answer(self, model: PumpModel) -> Response:
        rows = model.leak_paths.order_by("id")
        return with_etag(Response(LeakPathsBody({"paths": rows}).data), model)
