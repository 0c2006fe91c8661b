"""REST API of values, repair costs, hours and exchange rates."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.http import HttpResponse
from django.utils import timezone
from django_filters import rest_framework as filters  # type: ignore[import-untyped]  # has no stubs
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import mixins, status
from rest_framework.decorators import action
from rest_framework.generics import GenericAPIView
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from fleet.api.exports import CsvRenderer, XlsxRenderer
from fleet.exports import FORMATS, ExportFile
from fleet.plumbing.bodies import actor_of, parsed
from fleet.plumbing.idempotency import IdempotentCreateMixin
from fleet.plumbing.scoping import SharedViewSet, SiteScopedViewSet
from parts import money_exports, selectors
from parts import money_selectors as reads
from parts.api import serializers_money as s
from parts.services import money


class StoreValueViewSet(SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]):
    """What the stock of each store is worth."""

    scoped_queryset = reads.store_values().order_by("-id")
    serializer_class = s.StoreValueSerializer
    filter_backends = ()

    @extend_schema(responses=s.StoreValueDetailSerializer)
    def retrieve(self, request: Request, pk: str) -> Response:
        store, today = self.get_object(), timezone.now().date()
        store.classes = reads.by_class(store, today)
        store.expired_value = reads.expired_values([store], today).get(store.pk, Decimal(0))
        slow = reads.valued_levels(today).filter(store=store, is_slow=True)
        store.slow_value = reads.sum_of_values(slow)
        return Response(s.StoreValueDetailSerializer(store).data)


def _repairs(request: Request) -> Any:
    asked = s.PeriodSerializer(data=request.query_params)
    asked.is_valid(raise_exception=True)
    period = asked.validated_data
    rows = reads.repairs(period.get("since"), period.get("until"))
    return rows.filter(site=period["site"]) if "site" in period else rows


@extend_schema(parameters=[s.PeriodSerializer])
class RepairCostViewSet(SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]):
    """What each repair cost; one that has cost nothing yet is not there."""

    scoped_queryset = reads.repairs()
    serializer_class = s.RepairCostSerializer
    lookup_url_kwarg = "inspection"
    filter_backends = ()

    def get_queryset(self) -> Any:
        if getattr(self, "swagger_fake_view", False):
            return self.scoped_queryset.none()
        return _repairs(self.request).visible_to(self.request.user)

    @extend_schema(responses=s.RepairCostDetailSerializer)
    def retrieve(self, request: Request, inspection: str) -> Response:
        """One repair with each part and each entry of hours; the sums are of the period asked."""
        found = self.get_object()
        found.part_lines = reads.repair_movements(found)
        found.labour_lines = reads.labour_of(found)
        return Response(s.RepairCostDetailSerializer(found).data)


class LabourFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    inspection = filters.NumberFilter(field_name="inspection_id")


class LabourViewSet(
    IdempotentCreateMixin, SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """Hours at the bench."""

    scoped_queryset = reads.labour()
    serializer_class = s.LabourSerializer
    filterset_class = LabourFilter

    @extend_schema(request=s.NewLabourSerializer, responses={201: s.LabourSerializer})
    def create(self, request: Request) -> Response:
        """Hours of one repair, at the rate that the site's store has now."""
        body = parsed(s.NewLabourSerializer, request)
        row = money.record_labour(actor=actor_of(request), **body)
        return Response(s.LabourSerializer(row).data, status=status.HTTP_201_CREATED)

    @extend_schema(request=s.TakingBackSerializer, responses={201: s.LabourSerializer})
    @action(detail=True, methods=["post"], url_path="taking-back", url_name="taking-back")
    def taking_back(self, request: Request, pk: str) -> Response:
        """Takes hours back by an entry of as many below 0."""
        body = parsed(s.TakingBackSerializer, request)
        row = money.take_back_labour(actor=actor_of(request), labour=self.get_object(), **body)
        return Response(s.LabourSerializer(row).data, status=status.HTTP_201_CREATED)


class ExchangeRateFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    base = filters.CharFilter()
    quote = filters.CharFilter()


class ExchangeRateViewSet(
    IdempotentCreateMixin, SharedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """Rates between currencies, the same for all sites."""

    queryset = reads.exchange_rates().order_by("-id")
    serializer_class = s.ExchangeRateSerializer
    filterset_class = ExchangeRateFilter

    @extend_schema(request=s.NewExchangeRateSerializer, responses={201: s.ExchangeRateSerializer})
    def create(self, request: Request) -> Response:
        """A rate from a day on; it is never edited, only followed by another."""
        body = parsed(s.NewExchangeRateSerializer, request)
        row = money.set_rate(actor=actor_of(request), **body)
        return Response(s.ExchangeRateSerializer(row).data, status=status.HTTP_201_CREATED)


# --- Files --------------------------------------------------------------------------------------

_FILE = OpenApiParameter(
    "file",
    OpenApiTypes.STR,
    enum=list(FORMATS),
    description="Left out, the Accept header decides; CSV when that says nothing.",
)
_FILES = {
    (200, CsvRenderer.media_type): OpenApiTypes.STR,
    (200, XlsxRenderer.media_type): OpenApiTypes.BINARY,
}


class _Export(GenericAPIView[Any]):
    renderer_classes = (CsvRenderer, XlsxRenderer)
    pagination_class = None
    filter_backends = ()

    def format_of(self, request: Request) -> str:
        return request.query_params.get("file") or str(request.accepted_renderer.format)

    def answer(self, file: ExportFile) -> HttpResponse:
        response = HttpResponse(file.content, content_type=file.content_type)
        response["Content-Disposition"] = f'attachment; filename="{file.name}"'
        return response


class StockValueExport(SiteScopedViewSet, _Export):
    """Each part in stock with its value, of the sites where you may export."""

    scoped_queryset = selectors.stores()

    @extend_schema(responses=_FILES, parameters=[_FILE])
    def get(self, request: Request) -> HttpResponse:
        return self.answer(
            money_exports.export_values(
                actor=actor_of(request),
                stores=self.get_queryset(),
                file=self.format_of(request),
                today=timezone.now().date(),
            )
        )


class RepairCostExport(SiteScopedViewSet, _Export):
    """What each repair cost, of the sites where you may export."""

    scoped_queryset = reads.repairs()

    @extend_schema(responses=_FILES, parameters=[_FILE, s.PeriodSerializer])
    def get(self, request: Request) -> HttpResponse:
        actor = actor_of(request)
        repairs = _repairs(request).visible_to(actor)
        return self.answer(
            money_exports.export_repairs(actor=actor, repairs=repairs, file=self.format_of(request))
        )
