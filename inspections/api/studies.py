"""REST API of studies of the measuring itself, of control readings, and of agreement."""

from __future__ import annotations

from typing import Any, ClassVar

from django.http import Http404
from django.urls import reverse
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, status
from rest_framework.generics import GenericAPIView
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from fleet.faults import Fault
from fleet.plumbing.bodies import actor_of, parsed
from fleet.plumbing.etags import require_match, with_etag
from fleet.plumbing.idempotency import IdempotentCreateMixin
from fleet.plumbing.scoping import SiteScopedViewSet
from inspections import agreement_selectors, study_selectors
from inspections.api import filters, inputs
from inspections.api import study_shapes as shapes
from inspections.api.base import OfInspection
from inspections.api.measuring import is_leaves
from inspections.models import ControlReading, Study
from inspections.rules.studyplan import missing
from inspections.services import controls, studies


def _answer(study: Study, viewer: Any, code: int = status.HTTP_200_OK) -> Response:
    """The study as it stands now, with its tag."""
    row: Any = study_selectors.studies().get(pk=study.pk)
    row.shown = study_selectors.shown_readings(row, viewer)
    row.missing = (
        []
        if row.closed_at is not None
        else missing(
            study_selectors.plan_of(row),
            study_selectors.measured_of(row, study_selectors.readings_of(row)),
        )
    )
    return with_etag(Response(shapes.StudyOutput(row).data, status=code), row)


class StudyViewSet(
    IdempotentCreateMixin, SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """Studies of how far the measuring itself varies, at your sites."""

    scoped_queryset = study_selectors.studies()
    serializer_class = shapes.StudySummary
    filterset_class = filters.StudyFilter

    @extend_schema(responses=shapes.StudyOutput)
    def retrieve(self, request: Request, pk: str) -> Response:
        """The study with its readings, what is missing and, once closed, what came of it."""
        return _answer(self.get_object(), actor_of(request))

    @extend_schema(request=shapes.StudyInput, responses={201: shapes.StudyOutput})
    def create(self, request: Request) -> Response:
        """Begins a study: several people measure the same parts several times over."""
        values = parsed(shapes.StudyInput, request)
        study = studies.open_study(actor=actor_of(request), **values)
        response = _answer(study, actor_of(request), status.HTTP_201_CREATED)
        response["Location"] = reverse("study-detail", args=[study.pk])
        return response


class _OfStudy(IdempotentCreateMixin, SiteScopedViewSet, GenericAPIView[Any]):
    scoped_queryset = study_selectors.studies()
    filter_backends = ()
    pagination_class = None


class StudyReadingsView(_OfStudy):
    @extend_schema(request=shapes.StudyReadingsInput, responses={201: shapes.StudyOutput})
    def post(self, request: Request, pk: int) -> Response:
        """Keeps readings of an open study: one's own, or anybody's for who keeps instruments."""
        study = self.get_object()
        values = parsed(shapes.StudyReadingsInput, request)
        studies.record_study_readings(actor=actor_of(request), study=study, **values)
        return _answer(study, actor_of(request), status.HTTP_201_CREATED)


class StudyClosureView(_OfStudy):
    needs_if_match: ClassVar = ("post",)

    @extend_schema(request=inputs.NothingInput, responses=shapes.StudyOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Computes a complete study and fixes it; its figure counts from then on."""
        study = self.get_object()
        version = require_match(request, study)
        closed = studies.close_study(actor=actor_of(request), study=study, version=version)
        return _answer(closed, actor_of(request))


class ControlsView(OfInspection):
    @extend_schema(responses=shapes.ControlOutput(many=True))
    def get(self, request: Request, pk: int) -> Response:
        """What was measured again of an inspection."""
        taken = agreement_selectors.controls_of(self.inspection())
        return Response(shapes.ControlOutput(taken, many=True).data)

    @extend_schema(
        request=inputs.ANY_READING_INPUT,
        responses={201: shapes.ControlOutput},
        examples=inputs.READING_EXAMPLES,
    )
    def post(self, request: Request, pk: int) -> Response:
        """Measures a position again while the inspection awaits its countersignature.

        It changes no verdict; it stands beside the reading of the technician for comparison.
        """
        inspection = self.inspection()
        actor = actor_of(request)
        taken: ControlReading
        if is_leaves(request.data):
            values = parsed(inputs.LeavesReadingInput, request)
            taken = controls.control_tries(actor=actor, inspection=inspection, **values)
        else:
            values = parsed(inputs.ValueReadingInput, request)
            if values.pop("repeats", ()):
                raise Fault("Send the one value that you found.", field="repeats")
            taken = controls.control_value(actor=actor, inspection=inspection, **values)
        return Response(shapes.ControlOutput(taken).data, status=status.HTTP_201_CREATED)


class AgreementView(SiteScopedViewSet, GenericAPIView[Any]):
    scoped_queryset = ControlReading.objects.all()
    filter_backends = ()
    pagination_class = None

    @extend_schema(operation_id="agreement_list", responses=shapes.AgreementList)
    def get(self, request: Request) -> Response:
        """How far people's readings agree with those of whoever measured again.

        Everybody's for competent persons, supervisors, maintenance managers and auditors of a
        site; else one's own.
        """
        found = agreement_selectors.agreements(actor_of(request))
        return Response(shapes.AgreementList({"results": found}).data)


class AgreementOfView(SiteScopedViewSet, GenericAPIView[Any]):
    scoped_queryset = ControlReading.objects.all()
    filter_backends = ()
    pagination_class = None

    @extend_schema(operation_id="agreement_of_person", responses=shapes.AgreementOutput)
    def get(self, request: Request, person: int) -> Response:
        """The same for one person, comparison by comparison."""
        found = agreement_selectors.agreement_of(actor_of(request), person)
        if found is None:
            raise Http404
        return Response(shapes.AgreementOutput(found).data)
