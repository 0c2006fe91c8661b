"""REST API of counts: parse, ask one service or selector, answer."""

from __future__ import annotations

from typing import Any

from django.db.models import F, QuerySet
from django.urls import reverse
from django_filters import rest_framework as filters  # type: ignore[import-untyped]  # has no stubs
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from fleet.plumbing.bodies import actor_of, parsed
from fleet.plumbing.etags import with_etag
from fleet.plumbing.idempotency import IdempotentCreateMixin
from fleet.plumbing.scoping import SiteScopedViewSet
from parts import counting_selectors as reads
from parts.api import serializers_counting as s
from parts.rules.lifecycle import CountState
from parts.services import counts


class CountFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    store = filters.NumberFilter(field_name="store_id")
    state = filters.ChoiceFilter(choices=[(c.value, c.label) for c in CountState])


class CountLineFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    count = filters.NumberFilter(field_name="count_id")
    part = filters.NumberFilter(field_name="part_id")
    pending = filters.BooleanFilter(
        method="only_pending", label="Whether a difference is not settled yet."
    )

    def only_pending(self, rows: QuerySet[Any], name: str, value: bool) -> QuerySet[Any]:
        found = rows.filter(counted__isnull=False, movement=None).exclude(counted=F("expected"))
        return found if value else rows.exclude(pk__in=found.order_by().values("pk"))


class CountViewSet(
    IdempotentCreateMixin, SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """Blind counts of the shelf."""

    scoped_queryset = reads.counts()
    serializer_class = s.CountSerializer
    filterset_class = CountFilter

    @extend_schema(responses=s.CountDetailSerializer)
    def retrieve(self, request: Request, pk: str) -> Response:
        """A count with its lines in the order of the bins."""
        return self._answer(self.get_object())

    @extend_schema(request=s.NewCountSerializer, responses={201: s.CountDetailSerializer})
    def create(self, request: Request) -> Response:
        """A sheet for parts by name, for what is due, or for a range of bins."""
        body = parsed(s.NewCountSerializer, request)
        count = counts.raise_count(actor=actor_of(request), **body)
        response = self._answer(self.get_queryset().get(pk=count.pk), status.HTTP_201_CREATED)
        response["Location"] = reverse("count-detail", args=[count.pk])
        return response

    @extend_schema(request=s.NewCountLineSerializer, responses={201: s.CountLineSerializer})
    @action(detail=True, methods=["post"])
    def lines(self, request: Request, pk: str) -> Response:
        """Puts what was found and is not on the sheet onto it."""
        body = parsed(s.NewCountLineSerializer, request)
        line = counts.add_line(actor=actor_of(request), count=self.get_object(), **body)
        return Response(
            s.CountLineSerializer(reads.lines().get(pk=line.pk)).data,
            status=status.HTTP_201_CREATED,
        )

    @extend_schema(request=s.CountWhySerializer, responses=s.CountDetailSerializer)
    @action(detail=True, methods=["post"])
    def cancellation(self, request: Request, pk: str) -> Response:
        """Ends a count before all is counted."""
        body = parsed(s.CountWhySerializer, request)
        counts.cancel(actor=actor_of(request), count=self.get_object(), **body)
        return self._answer(self.get_object())

    def _answer(self, count: Any, code: int = status.HTTP_200_OK) -> Response:
        count.in_bin_order = reads.lines_of(count)
        return with_etag(Response(s.CountDetailSerializer(count).data, status=code), count)


class CountLineViewSet(
    IdempotentCreateMixin,
    SiteScopedViewSet,
    mixins.ListModelMixin,
    mixins.RetrieveModelMixin,
    GenericViewSet[Any],
):
    """Lines of counts; what the ledger expects is null until the line is counted."""

    scoped_queryset = reads.lines()
    serializer_class = s.CountLineSerializer
    filterset_class = CountLineFilter

    @extend_schema(request=s.CountFigureSerializer, responses=s.CountLineSerializer)
    @action(detail=True, methods=["post"])
    def figure(self, request: Request, pk: str) -> Response:
        """What was counted. The first figure stays on record."""
        body = parsed(s.CountFigureSerializer, request)
        counts.enter(actor=actor_of(request), line=self.get_object(), **body)
        return self._answer()

    @extend_schema(request=s.CountReasonSerializer, responses=s.CountLineSerializer)
    @action(detail=True, methods=["post"])
    def reason(self, request: Request, pk: str) -> Response:
        """Why it differs; within the store's limit the ledger is corrected at once."""
        body = parsed(s.CountReasonSerializer, request)
        counts.explain(actor=actor_of(request), line=self.get_object(), **body)
        return self._answer()

    @extend_schema(request=None, responses=s.CountLineSerializer)
    @action(detail=True, methods=["post"])
    def approval(self, request: Request, pk: str) -> Response:
        """A second person takes a difference over the limit."""
        counts.approve(actor=actor_of(request), line=self.get_object())
        return self._answer()

    @extend_schema(request=s.CountWhySerializer, responses=s.CountLineSerializer)
    @action(detail=True, methods=["post"])
    def recount(self, request: Request, pk: str) -> Response:
        """A second person has it counted again."""
        body = parsed(s.CountWhySerializer, request)
        counts.send_back(actor=actor_of(request), line=self.get_object(), **body)
        return self._answer()

    def _answer(self) -> Response:
        return Response(s.CountLineSerializer(self.get_object()).data)
