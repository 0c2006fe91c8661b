"""REST API of alternatives, opened kits and batches."""

from __future__ import annotations

from typing import Any, ClassVar

from drf_spectacular.utils import extend_schema
from rest_framework import mixins, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from fleet.faults import Fault
from fleet.plumbing.bodies import actor_of, parsed
from fleet.plumbing.etags import require_match, with_etag
from fleet.plumbing.idempotency import IdempotentCreateMixin
from fleet.plumbing.scoping import SharedViewSet, SiteScopedViewSet
from parts import catalogue_selectors
from parts.api import filters
from parts.api import serializers_catalogue as s
from parts.models import Batch, Part
from parts.services import ageing, kits, standins


def batch_called(part: Part, code: str) -> Batch | None:
    """The batch on a label; None where no code was sent. Raises Fault when there is none."""
    if not code:
        return None
    batch = catalogue_selectors.find_batch(part, code)
    if batch is None:
        raise Fault(
            f"'{code}' is no batch of {part.number} on record. Look at the label again.",
            field="batch_code",
        )
    return batch


class AlternativeViewSet(
    IdempotentCreateMixin, SharedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """Which part may stand in for which."""

    queryset = catalogue_selectors.alternatives().order_by("-id")
    serializer_class = s.AlternativeSerializer
    filterset_class = filters.AlternativeFilter

    @extend_schema(request=s.NewAlternativeSerializer, responses={201: s.AlternativeSerializer})
    def create(self, request: Request) -> Response:
        body = parsed(s.NewAlternativeSerializer, request)
        row = standins.add_alternative(actor=actor_of(request), **body)
        return Response(s.AlternativeSerializer(row).data, status=status.HTTP_201_CREATED)

    def destroy(self, request: Request, pk: str) -> Response:
        standins.remove_alternative(actor=actor_of(request), alternative=self.get_object())
        return Response(status=status.HTTP_204_NO_CONTENT)


class KitOpeningViewSet(
    IdempotentCreateMixin, SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """Kits that were opened for single parts."""

    scoped_queryset = catalogue_selectors.openings()
    serializer_class = s.KitOpeningSerializer
    filterset_class = filters.KitOpeningFilter

    @extend_schema(request=s.NewKitOpeningSerializer, responses={201: s.KitOpeningSerializer})
    def create(self, request: Request) -> Response:
        """One free kit leaves the shelf, and what lies in it comes onto it, piece by piece."""
        body = parsed(s.NewKitOpeningSerializer, request)
        batch = batch_called(body["kit"], body.pop("batch_code"))
        opening = kits.open_kit(actor=actor_of(request), batch=batch, **body)
        return Response(s.KitOpeningSerializer(opening).data, status=status.HTTP_201_CREATED)


class BatchViewSet(
    IdempotentCreateMixin, SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """What lies in the stores by batch."""

    scoped_queryset = catalogue_selectors.batch_levels().order_by("-id")
    serializer_class = s.BatchSerializer
    filterset_class = filters.BatchFilter
    needs_if_match: ClassVar = ("extension",)

    def retrieve(self, request: Request, pk: str) -> Response:
        return self._answer()

    @extend_schema(request=s.NewBatchSerializer, responses=s.BatchSerializer)
    def create(self, request: Request) -> Response:
        """Puts what lies in a store without a batch into one, so that its age is known."""
        body = parsed(s.NewBatchSerializer, request)
        batch = ageing.put_in_batch(actor=actor_of(request), **body)
        row = self.get_queryset().get(batch=batch, store=body["store"])
        return Response(s.BatchSerializer(row).data)

    @extend_schema(request=s.ExtensionSerializer, responses=s.BatchSerializer)
    @action(detail=True, methods=["post"])
    def extension(self, request: Request, pk: str) -> Response:
        """Moves the expiry of the batch, in every store that holds some of it."""
        level = self.get_object()
        version = require_match(request, level.batch)
        body = parsed(s.ExtensionSerializer, request)
        ageing.extend_batch(actor=actor_of(request), level=level, version=version, **body)
        return self._answer()

    def _answer(self) -> Response:
        level = self.get_object()
        return with_etag(Response(s.BatchSerializer(level).data), level.batch)
