"""REST API of catalogue, stores and demands: parse, ask one service or selector, answer."""

from __future__ import annotations

from typing import Any, ClassVar

from django.urls import reverse
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from fleet.plumbing.bodies import actor_of, parsed
from fleet.plumbing.etags import require_match, with_etag
from fleet.plumbing.idempotency import IdempotentCreateMixin
from fleet.plumbing.scoping import SharedViewSet, SiteScopedViewSet
from parts import selectors, transfer_selectors
from parts.api import filters
from parts.api import serializers as s
from parts.api.serializers_catalogue import ShelfLifeSerializer, SupersessionSerializer
from parts.services import ageing, catalogue, demands, pulling, standins, stock


class PartViewSet(IdempotentCreateMixin, SharedViewSet, mixins.ListModelMixin, GenericViewSet[Any]):
    """The catalogue, the same for all sites."""

    queryset = selectors.catalogue().order_by("-id")
    serializer_class = s.PartSerializer
    filterset_class = filters.PartFilter
    needs_if_match: ClassVar = (
        "partial_update",
        "contents",
        "supersession",
        "take_back_supersession",
        "shelf_life",
    )

    def retrieve(self, request: Request, pk: str) -> Response:
        return self._answer(self.get_object())

    @extend_schema(request=s.NewPartSerializer, responses={201: s.PartSerializer})
    def create(self, request: Request) -> Response:
        part = catalogue.add_part(actor=actor_of(request), **parsed(s.NewPartSerializer, request))
        response = self._answer(part, status.HTTP_201_CREATED)
        response["Location"] = reverse("part-detail", args=[part.pk])
        return response

    @extend_schema(request=s.PartChangeSerializer, responses=s.PartSerializer)
    def partial_update(self, request: Request, pk: str) -> Response:
        part = self.get_object()
        version = require_match(request, part)
        fields = parsed(s.PartChangeSerializer, request)
        catalogue.change_part(actor=actor_of(request), part=part, version=version, **fields)
        return self._answer(self.get_object())

    @extend_schema(request=s.KitContentsSerializer, responses=s.PartSerializer)
    @action(detail=True, methods=["put"])
    def contents(self, request: Request, pk: str) -> Response:
        """Replaces all that lies in a kit."""
        kit = self.get_object()
        version = require_match(request, kit)
        rows = parsed(s.KitContentsSerializer, request)["contents"]
        catalogue.set_kit_contents(
            actor=actor_of(request),
            kit=kit,
            version=version,
            contents=[(row["part"], row["quantity"]) for row in rows],
        )
        return self._answer(self.get_object())

    @extend_schema(request=SupersessionSerializer, responses=s.PartSerializer)
    @action(detail=True, methods=["put"])
    def supersession(self, request: Request, pk: str) -> Response:
        """Names the part that takes this one's place; what lies there is used up first."""
        part = self.get_object()
        version = require_match(request, part)
        body = parsed(SupersessionSerializer, request)
        standins.supersede(actor=actor_of(request), part=part, version=version, **body)
        return self._answer(self.get_object())

    @extend_schema(request=None, responses=s.PartSerializer)
    @supersession.mapping.delete
    def take_back_supersession(self, request: Request, pk: str) -> Response:
        """The part is ordered under its own number again."""
        part = self.get_object()
        version = require_match(request, part)
        standins.take_back_supersession(actor=actor_of(request), part=part, version=version)
        return self._answer(self.get_object())

    @extend_schema(request=ShelfLifeSerializer, responses=s.PartSerializer)
    @action(detail=True, methods=["put"], url_path="shelf-life")
    def shelf_life(self, request: Request, pk: str) -> Response:
        """A shelf life for a part that lies in the stores already."""
        part = self.get_object()
        version = require_match(request, part)
        body = parsed(ShelfLifeSerializer, request)
        ageing.begin_ageing(actor=actor_of(request), part=part, version=version, **body)
        return self._answer(self.get_object())

    @extend_schema(responses=s.HolderSerializer(many=True), filters=False)
    @action(detail=True, pagination_class=None, filterset_class=None)
    def holders(self, request: Request, pk: str) -> Response:
        """Which sites have the part free, by name and number only; other sites' too."""
        holders = selectors.holders_of(self.get_object())
        return Response(s.HolderSerializer(holders, many=True).data)

    def _answer(self, part: Any, code: int = status.HTTP_200_OK) -> Response:
        return with_etag(Response(s.PartSerializer(part).data, status=code), part)


class FitViewSet(IdempotentCreateMixin, SharedViewSet, mixins.ListModelMixin, GenericViewSet[Any]):
    """Which part renews which component of which pump model."""

    queryset = selectors.fits().order_by("-id")
    serializer_class = s.FitSerializer
    filterset_class = filters.FitFilter

    @extend_schema(request=s.NewFitSerializer, responses=s.FitSerializer)
    def create(self, request: Request) -> Response:
        """Names the part for a component, in place of the one of the very same serials."""
        fit = catalogue.set_fit(actor=actor_of(request), **parsed(s.NewFitSerializer, request))
        # 200: it may have been there before, with another part.
        return Response(s.FitSerializer(fit).data)

    def destroy(self, request: Request, pk: str) -> Response:
        catalogue.remove_fit(actor=actor_of(request), fit=self.get_object())
        return Response(status=status.HTTP_204_NO_CONTENT)


class StockViewSet(SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]):
    """How many of each part are on hand, reserved, expired, on their way and missing."""

    scoped_queryset = selectors.stock_levels()
    serializer_class = s.StockLevelSerializer
    filterset_class = filters.StockFilter

    def get_queryset(self) -> Any:
        return transfer_selectors.with_batches(super().get_queryset(), timezone.localdate())


class MovementViewSet(SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]):
    """The ledger."""

    scoped_queryset = selectors.movements()
    serializer_class = s.MovementSerializer
    filterset_class = filters.MovementFilter


class _NewMovement(IdempotentCreateMixin, GenericViewSet[Any]):
    serializer_class = s.MovementSerializer

    def _answer(self, movement: Any) -> Response:
        return Response(s.MovementSerializer(movement).data, status=status.HTTP_201_CREATED)


class ReceiptViewSet(_NewMovement):
    @extend_schema(request=s.ReceiptSerializer, responses={201: s.MovementSerializer})
    def create(self, request: Request) -> Response:
        """Parts came in; what waits for them is reserved at once, oldest first."""
        body = parsed(s.ReceiptSerializer, request)
        return self._answer(stock.receive(actor=actor_of(request), **body))


class CorrectionViewSet(_NewMovement):
    @extend_schema(request=s.CorrectionSerializer, responses={201: s.MovementSerializer})
    def create(self, request: Request) -> Response:
        """The shelf was counted, and the ledger follows."""
        body = parsed(s.CorrectionSerializer, request)
        return self._answer(stock.correct_count(actor=actor_of(request), **body))


class ScrappingViewSet(_NewMovement):
    @extend_schema(request=s.ScrappingSerializer, responses={201: s.MovementSerializer})
    def create(self, request: Request) -> Response:
        """Unusable parts leave the shelf for good."""
        body = parsed(s.ScrappingSerializer, request)
        return self._answer(stock.scrap(actor=actor_of(request), **body))


class DemandViewSet(
    IdempotentCreateMixin, SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """One demand for each 'replace' of a signed inspection."""

    scoped_queryset = selectors.demands()
    serializer_class = s.DemandSerializer
    filterset_class = filters.DemandFilter

    def retrieve(self, request: Request, pk: str) -> Response:
        return self._answer()

    @extend_schema(request=s.PullSerializer, responses=s.DemandSerializer)
    @action(detail=True, methods=["post"])
    def pull(self, request: Request, pk: str) -> Response:
        """Issues the reserved part after its label was scanned."""
        demand = self.get_object()
        body = parsed(s.PullSerializer, request)
        pulling.pull(actor=actor_of(request), demand=demand, **body)
        return self._answer()

    @extend_schema(request=None, responses=s.DemandSerializer)
    @action(detail=True, methods=["post"])
    def retry(self, request: Request, pk: str) -> Response:
        """Matches an unmatched demand after the catalogue was told its part."""
        demands.retry_unmatched(actor=actor_of(request), demand=self.get_object())
        return self._answer()

    def _answer(self) -> Response:
        demand = self.get_object()
        return with_etag(Response(s.DemandSerializer(demand).data), demand)


class PullListViewSet(SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]):
    """What the store still has to hand out, by inspection; newest inspection first."""

    scoped_queryset = selectors.inspections_with_demands()
    serializer_class = s.PullListSerializer
    lookup_url_kwarg = "inspection"
    filter_backends = ()

    def filter_queryset(self, queryset: Any) -> Any:
        return selectors.still_to_pull(queryset) if self.action == "list" else queryset

    @extend_schema(responses=s.PullListDetailSerializer)
    def retrieve(self, request: Request, inspection: str) -> Response:
        """All demands of one inspection in the order of the bins, also when all are issued."""
        found = self.get_object()
        found.in_bin_order = selectors.pull_list(found)
        return Response(s.PullListDetailSerializer(found).data)
