"""What the views of the inspections API share."""

from __future__ import annotations

from typing import Any

from rest_framework import status
from rest_framework.generics import GenericAPIView
from rest_framework.response import Response

from fleet.plumbing.etags import with_etag
from fleet.plumbing.idempotency import IdempotentCreateMixin
from fleet.plumbing.scoping import SiteScopedViewSet
from inspections import selectors
from inspections.api import serializers as s
from inspections.models import Inspection


class OfInspection(IdempotentCreateMixin, SiteScopedViewSet, GenericAPIView[Any]):
    """One step of one inspection, which the sender must be able to see."""

    scoped_queryset = selectors.inspections()
    filter_backends = ()
    pagination_class = None

    def inspection(self) -> Inspection:
        found: Inspection = self.get_object()
        return found

    def answer(self, inspection: Inspection, code: int = status.HTTP_200_OK) -> Response:
        """The inspection as it stands after the step, with its new tag."""
        now = selectors.inspections().get(pk=inspection.pk)
        return with_etag(Response(s.InspectionSummary(now).data, status=code), now)

    def check_answer(self, inspection: Inspection, line: int, code: int) -> Response:
        """One check as it stands after the step."""
        return Response(s.CheckOutput(selectors.check_of(inspection, line)).data, status=code)
