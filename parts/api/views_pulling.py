"""REST API of demands as they go over the counter and come back."""

from __future__ import annotations

from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.plumbing.bodies import actor_of, parsed
from parts.api import serializers as s
from parts.api import serializers_pulling as p
from parts.api import views
from parts.services import pulling


class DemandViewSet(views.DemandViewSet):
    """One demand for each 'replace' of a signed inspection, one more for what was short of it."""

    @extend_schema(request=p.ShortPullSerializer, responses=s.DemandSerializer)
    @action(detail=True, methods=["post"])
    def short(self, request: Request, pk: str) -> Response:
        """Issues what was found; the rest waits again, and the shelf counts as empty."""
        body = parsed(p.ShortPullSerializer, request)
        pulling.short_pull(actor=actor_of(request), demand=self.get_object(), **body)
        return self._answer()

    @extend_schema(request=p.UndoSerializer, responses=s.DemandSerializer)
    @action(detail=True, methods=["post"])
    def undo(self, request: Request, pk: str) -> Response:
        """Takes a mistaken pull back by counter-entry; the part stays reserved."""
        body = parsed(p.UndoSerializer, request)
        pulling.undo_pull(actor=actor_of(request), demand=self.get_object(), **body)
        return self._answer()

    @extend_schema(request=p.TakeBackSerializer, responses=s.DemandSerializer)
    @action(detail=True, methods=["post"], url_path="return", url_name="return")
    def take_back(self, request: Request, pk: str) -> Response:
        """Takes in what the bench does not need, onto the shelf or as scrap."""
        body = parsed(p.TakeBackSerializer, request)
        pulling.return_issued(actor=actor_of(request), demand=self.get_object(), **body)
        return self._answer()

    @extend_schema(request=None, responses=s.DemandSerializer)
    @action(detail=True, methods=["post"])
    def confirm(self, request: Request, pk: str) -> Response:
        """The technician has the part in hand."""
        pulling.confirm_issue(actor=actor_of(request), demands=[self.get_object()])
        return self._answer()
