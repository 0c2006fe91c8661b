"""REST API of inspections: parse, find what the sender may see, ask one service."""

from __future__ import annotations

from typing import Any

from django.urls import reverse
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, status
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from fleet.plumbing.bodies import actor_of, parsed
from fleet.plumbing.etags import with_etag
from fleet.plumbing.idempotency import IdempotentCreateMixin
from fleet.plumbing.scoping import SiteScopedViewSet
from inspections import selectors
from inspections.api import filters, inputs
from inspections.api import serializers as s
from inspections.api.base import OfInspection
from inspections.rules.cautions import CAUTIONS
from inspections.rules.lifecycle import Reason
from inspections.services import opening


class InspectionViewSet(
    IdempotentCreateMixin, SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """The inspections at your sites."""

    scoped_queryset = selectors.inspections()
    serializer_class = s.InspectionSummary
    filterset_class = filters.InspectionFilter

    @extend_schema(responses=s.InspectionOutput)
    def retrieve(self, request: Request, pk: str) -> Response:
        """The inspection with its checks, readings, verdicts and all that is still to do."""
        inspection = self.get_object()
        inspection.record = selectors.record_of(inspection)
        return with_etag(Response(s.InspectionOutput(inspection).data), inspection)

    @extend_schema(request=inputs.InspectionInput, responses={201: s.InspectionSummary})
    def create(self, request: Request) -> Response:
        """Puts a pump on the bench; it is judged by the limit sheet in force now."""
        values = parsed(inputs.InspectionInput, request)
        opened = opening.open_inspection(
            actor=actor_of(request), **{**values, "reason": Reason(values["reason"])}
        )
        body = s.InspectionSummary(opened).data
        response = with_etag(Response(body, status=status.HTTP_201_CREATED), opened)
        response["Location"] = reverse("inspection-detail", args=[opened.pk])
        return response


class ReportView(OfInspection):
    @extend_schema(responses=s.ReportOutput)
    def get(self, request: Request, pk: int) -> Response:
        """The whole record, replaced readings and the history of states included."""
        inspection: Any = self.inspection()
        inspection.record = selectors.report_of(inspection)
        return with_etag(Response(s.ReportOutput(inspection).data), inspection)


# --- Before measuring -------------------------------------------------------------------------


class CautionsView(OfInspection):
    @extend_schema(responses=s.CautionOutput(many=True))
    def get(self, request: Request, pk: int) -> Response:
        """The cautions to show before anything else. Site rules and licensed persons come first."""
        self.inspection()
        return Response(s.CautionOutput(list(CAUTIONS.values()), many=True).data)

    @extend_schema(request=inputs.NothingInput, responses=s.InspectionSummary)
    def post(self, request: Request, pk: int) -> Response:
        """Acknowledges the cautions in the sender's name; the first to do so stays on record."""
        row = opening.acknowledge_cautions(actor=actor_of(request), inspection=self.inspection())
        return self.answer(row)


class IsolationView(OfInspection):
    @extend_schema(request=inputs.IsolationInput, responses={201: s.IsolationOutput})
    def post(self, request: Request, pk: int) -> Response:
        """Confirms isolation and proved zero, in the sender's own name. It cannot be taken back."""
        values = parsed(inputs.IsolationInput, request)
        row = opening.confirm_isolation(
            actor=actor_of(request), inspection=self.inspection(), **values
        )
        body = s.IsolationOutput(row).data
        return with_etag(Response(body, status=status.HTTP_201_CREATED), row)


class NameplateView(OfInspection):
    @extend_schema(request=inputs.NameplateInput, responses=s.NameplateOutput)
    def put(self, request: Request, pk: int) -> Response:
        """Keeps what the plate says; a difference from the register is recorded, not corrected."""
        values = parsed(inputs.NameplateInput, request)
        plate = opening.record_nameplate(
            actor=actor_of(request), inspection=self.inspection(), **values
        )
        return Response(s.NameplateOutput(plate).data)
