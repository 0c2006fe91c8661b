"""What the views of the inspections API share."""

from __future__ import annotations

from typing import Any

from rest_framework import status
from rest_framework.generics import GenericAPIView
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import Serializer

from fleet.plumbing.etags import with_etag
from fleet.plumbing.idempotency import IdempotentCreateMixin
from fleet.plumbing.scoping import SiteScopedViewSet
from inspections import selectors
from inspections.api import serializers as s
from inspections.models import Inspection


def actor_of(request: Request) -> Any:
    """The person who asks: the permission classes let nobody in who is not signed in."""
    return request.user


def parsed(serializer: type[Serializer[Any]], request: Request, data: Any = None) -> dict[str, Any]:
    """The checked body, or `data` in its place. Raises ValidationError with every fault of it."""
    read = serializer(data=request.data if data is None else data, context={"request": request})
    read.is_valid(raise_exception=True)
    return dict(read.validated_data)


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
