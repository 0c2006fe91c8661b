"""REST API of the fleet: parse, find what the sender may see, ask one service, answer."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any, ClassVar

from django.http import HttpResponseBase
from django.urls import reverse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_view
from rest_framework import mixins, status
from rest_framework.decorators import action
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from fleet import selectors
from fleet.api import filters
from fleet.api import serializers as s
from fleet.decisions import RuleKind
from fleet.models import ApiToken, Site
from fleet.plumbing.bodies import actor_of, parsed
from fleet.plumbing.etags import require_match, with_etag
from fleet.plumbing.idempotency import (
    HEADER,
    Answer,
    IdempotentCreateMixin,
    key_of,
    once,
    request_sha256,
)
from fleet.plumbing.scoping import SharedViewSet, SiteScopedViewSet
from fleet.services import imports, people, pumps, rules, sheets

_HISTORY_LINES = 200


def _created(data: Any, where: str = "", pk: Any = None) -> Response:
    response = Response(data, status=status.HTTP_201_CREATED)
    if where:
        response["Location"] = reverse(where, args=[pk])
    return response


# --- Sites, people, tokens --------------------------------------------------------------------


class SiteViewSet(
    IdempotentCreateMixin,
    SiteScopedViewSet,
    mixins.ListModelMixin,
    mixins.RetrieveModelMixin,
    GenericViewSet[Any],
):
    """The sites of which you are a member."""

    scoped_queryset = Site.objects.order_by()
    serializer_class = s.SiteOutput

    @extend_schema(request=s.SiteInput, responses={201: s.SiteOutput})
    def create(self, request: Request) -> Response:
        """Adds a site; you become its first maintenance manager."""
        site = people.add_site(actor=actor_of(request), **parsed(s.SiteInput, request))
        return _created(s.SiteOutput(site).data, "site-detail", site.pk)


class PersonViewSet(IdempotentCreateMixin, GenericViewSet[Any]):
    """New accounts. Who has one already gets roles by memberships."""

    serializer_class = s.AccountOutput

    @extend_schema(request=s.PersonInput, responses={201: s.AccountOutput})
    def create(self, request: Request) -> Response:
        """Adds a person with roles at one of your sites."""
        user = people.add_person(actor=actor_of(request), **parsed(s.PersonInput, request))
        # A new account holds nothing anywhere else.
        held = selectors.memberships().filter(user=user).order_by("id")
        data = {
            "id": user.pk,
            "username": user.username,
            "full_name": user.full_name,
            "memberships": held,
        }
        return _created(s.AccountOutput(data).data)


class MembershipViewSet(
    IdempotentCreateMixin,
    SiteScopedViewSet,
    mixins.ListModelMixin,
    mixins.RetrieveModelMixin,
    GenericViewSet[Any],
):
    """Who holds which role at your sites."""

    scoped_queryset = selectors.memberships()
    serializer_class = s.MembershipOutput
    filterset_class = filters.MembershipFilter

    @extend_schema(request=s.MembershipInput, responses={201: s.MembershipOutput})
    def create(self, request: Request) -> Response:
        """Gives a role to a person who has an account."""
        values = parsed(s.MembershipInput, request)
        membership = people.grant_role_by_name(actor=actor_of(request), **values)
        return _created(s.MembershipOutput(membership).data, "membership-detail", membership.pk)

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Takes a role away; the last maintenance manager of a site stays."""
        people.revoke_role(actor=actor_of(request), membership=self.get_object())
        return Response(status=status.HTTP_204_NO_CONTENT)


class TokenViewSet(mixins.ListModelMixin, mixins.RetrieveModelMixin, GenericViewSet[Any]):
    """Your own API tokens."""

    serializer_class = s.TokenOutput

    def get_queryset(self) -> Any:
        if getattr(self, "swagger_fake_view", False):
            return ApiToken.objects.none()
        return selectors.tokens_of(actor_of(self.request))

    @extend_schema(
        request=s.TokenInput,
        responses={201: s.NewTokenOutput},
        parameters=[
            OpenApiParameter(
                HEADER,
                OpenApiTypes.STR,
                OpenApiParameter.HEADER,
                required=True,
                description="Your own name for this request. Sent again within 24 hours it makes "
                "no second token, and the answer no longer shows the first.",
            )
        ],
    )
    def create(self, request: Request) -> HttpResponseBase:
        """A new token. It is shown in this answer and never again."""
        values = parsed(s.TokenInput, request)
        plain: list[str] = []

        def work() -> Answer:
            by_token = request.auth if isinstance(request.auth, ApiToken) else None
            token, text = people.issue_own_token(
                actor=actor_of(request), by_token=by_token, **values
            )
            plain.append(text)
            # What is stored for repeated requests must not hold the token: only its hash is kept.
            data = s.NewTokenOutput({**s.TokenOutput(token).data, "token": None}).data
            return Answer(201, {"Content-Type": "application/json"}, json.dumps(data).encode())

        key = key_of(request)
        sent = request_sha256(request._request)  # noqa: SLF001  # DRF has no other name for it
        answer, replayed = once(request.user, key, sent, work)
        if replayed:
            return answer.response()
        data = {**json.loads(answer.body), "token": plain[0]}
        return _created(data, "token-detail", data["id"])

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Withdraws a token at once."""
        people.revoke_own_token(actor=actor_of(request), token=self.get_object())
        return Response(status=status.HTTP_204_NO_CONTENT)


# --- Pump models and limit sheets -------------------------------------------------------------


class PumpModelViewSet(
    IdempotentCreateMixin, SharedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """Pump models, the same for all sites."""

    queryset = selectors.pump_models().order_by()
    serializer_class = s.PumpModelOutput
    filterset_class = filters.PumpModelFilter
    needs_if_match: ClassVar = ("partial_update",)

    def retrieve(self, request: Request, pk: str) -> Response:
        model = self.get_object()
        return with_etag(Response(s.PumpModelOutput(model).data), model)

    @extend_schema(request=s.PumpModelInput, responses={201: s.PumpModelOutput})
    def create(self, request: Request) -> Response:
        model = pumps.add_model(actor=actor_of(request), **parsed(s.PumpModelInput, request))
        response = _created(s.PumpModelOutput(model).data, "pump-model-detail", model.pk)
        return with_etag(response, model)

    @extend_schema(request=s.PumpModelInput, responses=s.PumpModelOutput)
    def partial_update(self, request: Request, pk: str) -> Response:
        model = self.get_object()
        version = require_match(request, model)
        values = parsed(s.PumpModelInput, request, partial=True)
        model = pumps.change_model(actor=actor_of(request), model=model, version=version, **values)
        return with_etag(Response(s.PumpModelOutput(model).data), model)


class LimitSheetViewSet(
    IdempotentCreateMixin, SharedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """Limit sheets of the makers, the same for all sites. Once issued they never change."""

    queryset = selectors.limit_sheets().order_by()
    serializer_class = s.LimitSheetOutput
    filterset_class = filters.LimitSheetFilter
    needs_if_match: ClassVar = ("lines", "issue")

    def retrieve(self, request: Request, pk: str) -> Response:
        return self._answer(pk)

    @extend_schema(request=s.LimitSheetInput, responses={201: s.LimitSheetOutput})
    def create(self, request: Request) -> Response:
        """A new draft."""
        values = parsed(s.LimitSheetInput, request)
        values["lines"] = [s.line_draft(line) for line in values.get("lines", [])]
        sheet = sheets.draft_sheet(actor=actor_of(request), **values)
        return self._answer(sheet.pk, status.HTTP_201_CREATED)

    @extend_schema(request=s.LinesInput, responses=s.LimitSheetOutput)
    @action(detail=True, methods=["put"])
    def lines(self, request: Request, pk: str) -> Response:
        """Replaces all lines of a draft."""
        sheet = self.get_object()
        version = require_match(request, sheet)
        values = parsed(s.LinesInput, request)["lines"]
        lines = [s.line_draft(line) for line in values]
        sheets.replace_lines(actor=actor_of(request), sheet=sheet, version=version, lines=lines)
        return self._answer(pk)

    @extend_schema(request=None, responses={201: s.LimitSheetOutput})
    @action(detail=True, methods=["post"])
    def issue(self, request: Request, pk: str) -> Response:
        """Puts a draft in force; the sheet that was in force is superseded."""
        sheet = self.get_object()
        version = require_match(request, sheet)
        sheets.issue_sheet(actor=actor_of(request), sheet=sheet, version=version)
        return self._answer(pk, status.HTTP_201_CREATED)

    @extend_schema(request=s.RevisionInput, responses={201: s.LimitSheetOutput})
    @action(detail=True, methods=["post"])
    def revision(self, request: Request, pk: str) -> Response:
        """A new draft with the lines of this sheet."""
        values = parsed(s.RevisionInput, request)
        sheet = sheets.revise_sheet(actor=actor_of(request), sheet=self.get_object(), **values)
        return self._answer(sheet.pk, status.HTTP_201_CREATED)

    @extend_schema(responses=s.RuleOutput(many=True), filters=False)
    @action(
        detail=True, methods=["get"], url_path="rules", filterset_class=None, pagination_class=None
    )
    def rules(self, request: Request, pk: str) -> Response:
        """How readings are judged by this sheet: every rule chosen, the one in force first.

        None: simple acceptance.
        """
        return Response(s.RuleOutput(selectors.rules_of(self.get_object()), many=True).data)

    @extend_schema(request=s.RuleInput, responses={201: s.RuleOutput})
    @rules.mapping.post
    def choose_rule(self, request: Request, pk: str) -> Response:
        """Puts another rule in force; signed inspections are judged again by it, beside."""
        values = parsed(s.RuleInput, request)
        rule = rules.choose_rule(
            actor=actor_of(request),
            sheet=self.get_object(),
            **{**values, "kind": RuleKind(values["kind"])},
        )
        return _created(s.RuleOutput(rule).data)

    def _answer(self, pk: Any, code: int = status.HTTP_200_OK) -> Response:
        # Read anew: lines and people come along in a fixed number of queries.
        sheet = selectors.limit_sheets().get(pk=pk) if code != 200 else self.get_object()
        response = Response(s.LimitSheetOutput(sheet).data, status=code)
        if code == status.HTTP_201_CREATED:
            response["Location"] = reverse("limit-sheet-detail", args=[sheet.pk])
        return with_etag(response, sheet)


# --- Pumps ------------------------------------------------------------------------------------


class PumpViewSet(
    IdempotentCreateMixin, SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """The pumps of your sites."""

    scoped_queryset = selectors.pumps_with_model().order_by()
    serializer_class = s.PumpOutput
    filterset_class = filters.PumpFilter
    needs_if_match: ClassVar = ("partial_update", "moves", "set_status")

    def retrieve(self, request: Request, pk: str) -> Response:
        return self._answer(self.get_object())

    @extend_schema(request=s.PumpInput, responses={201: s.PumpOutput})
    def create(self, request: Request) -> Response:
        pump = pumps.add_pump(actor=actor_of(request), **parsed(s.PumpInput, request))
        response = self._answer(pump, status.HTTP_201_CREATED)
        response["Location"] = reverse("pump-detail", args=[pump.pk])
        return response

    @extend_schema(request=s.PumpChangeInput, responses=s.PumpOutput)
    def partial_update(self, request: Request, pk: str) -> Response:
        pump = self.get_object()
        version = require_match(request, pump)
        values = parsed(s.PumpChangeInput, request)
        pump = pumps.change_pump(actor=actor_of(request), pump=pump, version=version, **values)
        return self._answer(pump)

    @extend_schema(request=s.HoursInput, responses={201: s.PumpOutput})
    @action(detail=True, methods=["post"])
    def hours(self, request: Request, pk: str) -> Response:
        """Puts a reading of the hour meter on record."""
        values = parsed(s.HoursInput, request)
        pump = pumps.record_hours(actor=actor_of(request), pump=self.get_object(), **values)
        return self._answer(pump, status.HTTP_201_CREATED)

    @extend_schema(request=s.MoveInput, responses={201: s.PumpOutput})
    @action(detail=True, methods=["post"])
    def moves(self, request: Request, pk: str) -> Response:
        """Sends the pump to another of your sites."""
        pump = self.get_object()
        version = require_match(request, pump)
        values = parsed(s.MoveInput, request)
        pump = pumps.move_pump(actor=actor_of(request), pump=pump, version=version, **values)
        return self._answer(pump, status.HTTP_201_CREATED)

    @extend_schema(request=s.StatusInput, responses={201: s.PumpOutput})
    @action(detail=True, methods=["post"], url_path="status")
    def set_status(self, request: Request, pk: str) -> Response:
        """Sets by hand whether the pump is in service, spare or scrapped."""
        pump = self.get_object()
        version = require_match(request, pump)
        values = parsed(s.StatusInput, request)
        pump = pumps.set_status(actor=actor_of(request), pump=pump, version=version, **values)
        return self._answer(pump, status.HTTP_201_CREATED)

    @extend_schema(
        responses=s.HistoryOutput,
        filters=False,
        parameters=[OpenApiParameter("before", OpenApiTypes.DATETIME)],
    )
    @action(detail=True, methods=["get"], filterset_class=None, pagination_class=None)
    def history(self, request: Request, pk: str) -> Response:
        """Changes of state, moves and hours readings, newest first."""
        before = _parsed_before(request)
        lines = selectors.pump_history(self.get_object(), before=before, limit=_HISTORY_LINES)
        more = lines[-1].at if len(lines) == _HISTORY_LINES else None
        return Response(s.HistoryOutput({"results": lines, "more_before": more}).data)

    def _answer(self, pump: Any, code: int = status.HTTP_200_OK) -> Response:
        return with_etag(Response(s.PumpOutput(pump).data, status=code), pump)


def _parsed_before(request: Request) -> datetime | None:
    query = s.HistoryQuery(data=request.query_params)
    query.is_valid(raise_exception=True)
    before: datetime | None = query.validated_data.get("before")
    return before


# --- Imports ----------------------------------------------------------------------------------


@extend_schema_view(list=extend_schema(responses=s.ImportDraftOutput(many=True)))
class ImportViewSet(
    IdempotentCreateMixin, SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """Files that were tried, and those that were taken over."""

    scoped_queryset = selectors.import_drafts().order_by()
    serializer_class = s.ImportDraftOutput
    parser_classes = (MultiPartParser,)

    @extend_schema(responses=s.PreviewOutput)
    def retrieve(self, request: Request, pk: str) -> Response:
        """The draft, tried again against what is on file now."""
        draft = self.get_object()
        return self._answer(draft, imports.preview_import(actor=actor_of(request), draft=draft))

    @extend_schema(request=s.ImportInput, responses={201: s.PreviewOutput})
    def create(self, request: Request) -> Response:
        """Tries a file: nothing is taken over yet, and every bad row is named."""
        values = parsed(s.ImportInput, request)
        file = values.pop("file")
        draft, preview = imports.try_import(
            actor=actor_of(request), file_name=file.name, content=file.read(), **values
        )
        response = self._answer(draft, preview, status.HTTP_201_CREATED)
        response["Location"] = reverse("import-detail", args=[draft.pk])
        return response

    @extend_schema(request=None, responses={201: s.AppliedOutput})
    @action(detail=True, methods=["post"])
    def application(self, request: Request, pk: str) -> Response:
        """Takes all rows over, or none when one of them is refused."""
        rows = imports.apply_import(actor=actor_of(request), draft=self.get_object())
        return _created(s.AppliedOutput({"rows": rows}).data)

    def _answer(
        self, draft: Any, preview: imports.Preview, code: int = status.HTTP_200_OK
    ) -> Response:
        data = {"draft": draft, "rows_ok": preview.rows_ok, "faults": preview.faults}
        return Response(s.PreviewOutput(data).data, status=code)
