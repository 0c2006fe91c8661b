"""REST API of a demand's supply: what was decided and why, cancelling it, when it is wanted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from fleet.plumbing.bodies import actor_of, parsed
from fleet.plumbing.etags import require_match, with_etag
from fleet.plumbing.scoping import SiteScopedViewSet
from parts import planning_selectors
from parts.api import serializers as s
from parts.api import serializers_demands as d
from parts.api import views_pulling
from parts.services import needs


class DemandViewSet(views_pulling.DemandViewSet):
    """One demand for each 'replace' of a signed inspection, one more for what was short of it."""

    @extend_schema(responses=d.DemandStepSerializer(many=True), filters=False)
    @action(detail=True, filterset_class=None)
    def steps(self, request: Request, pk: str) -> Response:
        """All that was decided of the demand and why, newest first."""
        rows = planning_selectors.steps_of(self.get_object())
        page = self.paginate_queryset(rows)
        return self.get_paginated_response(d.DemandStepSerializer(page, many=True).data)

    @extend_schema(request=d.CancelSerializer, responses=s.DemandSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        """The bench does not want it any more; what was kept for it is free for others."""
        demand = self.get_object()
        body = parsed(d.CancelSerializer, request)
        needs.cancel_demand(actor=actor_of(request), demand=demand, **body)
        return self._answer()


@dataclass(frozen=True, slots=True)
class _Tag:
    """What the entity tag of a need is made of: nobody may have set one yet."""

    pk: int
    version: int


class NeedViewSet(SiteScopedViewSet, GenericViewSet[Any]):
    """When and where the parts of an inspection are wanted. Planning serves the soonest first."""

    scoped_queryset = planning_selectors.inspections_with_need()
    serializer_class = d.NeedSerializer
    lookup_url_kwarg = "inspection"
    needs_if_match: ClassVar = ("update",)

    def retrieve(self, request: Request, inspection: str) -> Response:
        return self._answer()

    @extend_schema(request=d.NeedChangeSerializer, responses=d.NeedSerializer)
    def update(self, request: Request, inspection: str) -> Response:
        """Sets both; the parts of the inspection are then planned again."""
        row = self.get_object()
        version = require_match(request, _tag(row))
        body = parsed(d.NeedChangeSerializer, request)
        needs.set_need(actor=actor_of(request), inspection=row, version=version, **body)
        return self._answer()

    def _answer(self) -> Response:
        row = self.get_object()
        needed_on, bench, _version = planning_selectors.need_of(row)
        said = {"inspection": row.pk, "needed_on": needed_on, "bench": bench}
        return with_etag(Response(d.NeedSerializer(said).data), _tag(row))


def _tag(inspection: Any) -> _Tag:
    _day, _bench, version = planning_selectors.need_of(inspection)
    return _Tag(inspection.pk, version)
