"""REST API of what stores hold, of the advice on it, and of forecasts."""

from __future__ import annotations

from typing import Any, ClassVar

from django.utils import timezone
from django_filters import rest_framework as filters  # type: ignore[import-untyped]  # has no stubs
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, status
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from fleet.plumbing.bodies import parsed
from fleet.plumbing.etags import require_match, with_etag
from fleet.plumbing.idempotency import IdempotentCreateMixin
from fleet.plumbing.scoping import SiteScopedViewSet
from parts import holding_selectors, selectors
from parts.api import serializers_holding as s
from parts.holding_plans import plan_of
from parts.rules.holding_advice import Charges
from parts.services import holdings


class HoldingFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    store = filters.NumberFilter(field_name="store_id")
    part = filters.NumberFilter(field_name="part_id")


class HoldingViewSet(
    IdempotentCreateMixin, SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """Reorder point and order-up-to level of a part in a store; no row: ordered on demand."""

    scoped_queryset = holding_selectors.holdings().order_by("-id")
    serializer_class = s.HoldingSerializer
    filterset_class = HoldingFilter
    needs_if_match: ClassVar = ("destroy",)

    def retrieve(self, request: Request, pk: str) -> Response:
        row = self.get_object()
        return with_etag(Response(s.HoldingSerializer(row).data), row)

    @extend_schema(request=s.NewHoldingSerializer, responses=s.HoldingSerializer)
    def create(self, request: Request) -> Response:
        """Sets the levels of a part in a store, in place of those before."""
        actor: Any = request.user
        row = holdings.set_holding(actor=actor, **parsed(s.NewHoldingSerializer, request))
        # 200: it may have been there before, with other levels.
        return with_etag(Response(s.HoldingSerializer(row).data), row)

    def destroy(self, request: Request, pk: str) -> Response:
        """From now on the part is ordered on demand."""
        row = self.get_object()
        version = require_match(request, row)
        actor: Any = request.user
        holdings.remove_holding(actor=actor, holding=row, version=version)
        return Response(status=status.HTTP_204_NO_CONTENT)


class HoldingAdviceViewSet(SiteScopedViewSet, GenericViewSet[Any]):
    """What a store is advised to hold of each part, with every figure it rests on."""

    scoped_queryset = selectors.stores()
    serializer_class = s.HoldingAdviceSerializer
    pagination_class = None
    lookup_url_kwarg = "store"

    @extend_schema(responses=s.HoldingAdviceSerializer(many=True))
    def retrieve(self, request: Request, store: str) -> Response:
        rows = holding_selectors.advice_for(
            self.get_object(), charges=Charges(), today=timezone.localdate()
        )
        return Response(s.HoldingAdviceSerializer(rows, many=True).data)


class HoldingCurveViewSet(SiteScopedViewSet, GenericViewSet[Any]):
    """Money bound against the share of demands that wait, for all parts of a store together."""

    scoped_queryset = selectors.stores()
    serializer_class = s.HoldingCurveSerializer
    pagination_class = None
    lookup_url_kwarg = "store"

    @extend_schema(responses=s.HoldingCurveSerializer)
    def retrieve(self, request: Request, store: str) -> Response:
        found = self.get_object()
        plan = plan_of(
            holding_selectors.advice_for(found, charges=Charges(), today=timezone.localdate())
        )
        numbers = {row.part.pk: row.part.number for row in plan.weighed}
        points = []
        for place, point in enumerate(plan.curve.points):
            step = plan.curve.steps[place - 1] if place else None
            points.append(
                {
                    "money": point.money,
                    "waiting_share": point.waiting_share,
                    "waiting_days": point.waiting_days,
                    "part": step.part if step else None,
                    "part_number": numbers[step.part] if step else None,
                    "reorder_point": step.after.reorder_point if step else None,
                    "order_up_to": step.after.order_up_to if step else None,
                }
            )
        shown = {
            "store": found.pk,
            "currency": found.currency,
            "now": plan.now,
            "advised": plan.advised,
            "points": points,
        }
        return Response(s.HoldingCurveSerializer(shown).data)


class HoldingChoiceViewSet(IdempotentCreateMixin, GenericViewSet[Any]):
    serializer_class = s.HoldingChangesSerializer

    @extend_schema(request=s.HoldingChoiceSerializer, responses={201: s.HoldingChangesSerializer})
    def create(self, request: Request) -> Response:
        """Holds what a point of the store's curve says."""
        actor: Any = request.user
        done = holdings.choose(actor=actor, **parsed(s.HoldingChoiceSerializer, request))
        return Response(s.HoldingChangesSerializer(done).data, status=status.HTTP_201_CREATED)


class ForecastViewSet(
    IdempotentCreateMixin,
    SiteScopedViewSet,
    mixins.ListModelMixin,
    mixins.RetrieveModelMixin,
    GenericViewSet[Any],
):
    """What is expected to be wanted of a part within a window; the newest of each counts."""

    scoped_queryset = holding_selectors.forecasts()
    serializer_class = s.ForecastSerializer
    filterset_class = HoldingFilter

    @extend_schema(request=s.NewForecastSerializer, responses={201: s.ForecastSerializer})
    def create(self, request: Request) -> Response:
        """Until its window is over, the advice rests on it instead of the records."""
        actor: Any = request.user
        row = holdings.record_forecast(actor=actor, **parsed(s.NewForecastSerializer, request))
        return Response(s.ForecastSerializer(row).data, status=status.HTTP_201_CREATED)
