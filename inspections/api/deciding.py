"""REST API of what is seen, what becomes of each component, and who signs for it."""

from __future__ import annotations

from typing import Any, ClassVar

from django.http import FileResponse, Http404
from django.urls import reverse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import status
from rest_framework.parsers import MultiPartParser
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.plumbing.bodies import actor_of, parsed
from fleet.plumbing.etags import require_match
from inspections import selectors
from inspections.api import inputs
from inspections.api import serializers as s
from inspections.api.base import OfInspection
from inspections.instrument_selectors import overdue_uses
from inspections.models import Finding, Photo
from inspections.services import dispositions, findings, opening, overdue, photos, signing


class FindingsView(OfInspection):
    @extend_schema(request=inputs.FindingInput, responses={201: s.FindingOutput})
    def post(self, request: Request, pk: int) -> Response:
        """Keeps one finding, 'no defect' included. The same word at the same place is replaced."""
        values = parsed(inputs.FindingInput, request)
        finding = findings.record_finding(
            actor=actor_of(request), inspection=self.inspection(), **values
        )
        return Response(s.FindingOutput(finding).data, status=status.HTTP_201_CREATED)


class FindingView(OfInspection):
    scoped_queryset = selectors.findings()  # type: ignore[assignment]
    lookup_url_kwarg = "finding"

    def get_queryset(self) -> Any:
        return super().get_queryset().filter(inspection_id=self.kwargs["pk"])

    @extend_schema(responses={204: None})
    def delete(self, request: Request, pk: int, finding: int) -> Response:
        """Takes a finding back while the inspection is open."""
        found: Finding = self.get_object()
        findings.remove_finding(actor=actor_of(request), finding=found)
        return Response(status=status.HTTP_204_NO_CONTENT)


class PhotosView(OfInspection):
    parser_classes = (MultiPartParser,)

    @extend_schema(request=inputs.PhotoInput, responses={201: s.PhotoOutput})
    def post(self, request: Request, pk: int) -> Response:
        """Keeps a photo with a component, re-encoded and without the camera's own data."""
        values = parsed(inputs.PhotoInput, request)
        photo = photos.add_photo(
            actor=actor_of(request),
            inspection=self.inspection(),
            component=values["component"],
            upload=values["file"],
            caption=values["caption"],
        )
        response = Response(s.PhotoOutput(photo).data, status=status.HTTP_201_CREATED)
        response["Location"] = reverse("inspection-photo", args=[pk, photo.pk])
        return response


class JpegRenderer(BaseRenderer):
    """Only tells what is on offer: the stored file is sent as it is."""

    media_type = "image/jpeg"
    format = "jpg"


class PhotoView(OfInspection):
    scoped_queryset = selectors.photos()  # type: ignore[assignment]
    lookup_url_kwarg = "photo"

    def get_queryset(self) -> Any:
        return super().get_queryset().filter(inspection_id=self.kwargs["pk"])

    def get_renderers(self) -> Any:
        if self.request is not None and self.request.method == "GET":
            return [JpegRenderer()]
        return super().get_renderers()

    @extend_schema(responses={(200, "image/jpeg"): OpenApiTypes.BINARY})
    def get(self, request: Request, pk: int, photo: int) -> FileResponse:
        """The picture."""
        found: Photo = self.get_object()
        try:
            content = found.file.open("rb")
        except FileNotFoundError as error:
            raise Http404 from error
        response = FileResponse(
            content, content_type="image/jpeg", filename=f"photo-{found.pk}.jpg"
        )
        response["Cache-Control"] = "private, no-cache"
        return response

    @extend_schema(responses={204: None})
    def delete(self, request: Request, pk: int, photo: int) -> Response:
        """Takes a photo back while the inspection is open."""
        found: Photo = self.get_object()
        photos.remove_photo(actor=actor_of(request), photo=found)
        return Response(status=status.HTTP_204_NO_CONTENT)


# --- Dispositions -----------------------------------------------------------------------------


class DispositionsView(OfInspection):
    @extend_schema(responses=s.DispositionsOutput)
    def get(self, request: Request, pk: int) -> Response:
        """What is proposed and decided for each component, and what is still to do before."""
        record = selectors.record_of(self.inspection())
        return Response(s.DispositionsOutput(record).data)


class ProposalsView(OfInspection):
    @extend_schema(request=inputs.NothingInput, responses={201: s.DispositionOutput(many=True)})
    def post(self, request: Request, pk: int) -> Response:
        """Proposes for every component by rule. Overruled ones stay while their proposal does."""
        rows = dispositions.propose_all(actor=actor_of(request), inspection=self.inspection())
        return Response(s.DispositionOutput(rows, many=True).data, status=status.HTTP_201_CREATED)


class DispositionView(OfInspection):
    @extend_schema(request=inputs.DecisionInput, responses=s.DispositionOutput)
    def patch(self, request: Request, pk: int, component: str) -> Response:
        """Decides otherwise than proposed, with a reason; as proposed takes that back."""
        values = parsed(inputs.DecisionInput, request)
        row = dispositions.overrule(
            actor=actor_of(request), inspection=self.inspection(), component=component, **values
        )
        return Response(s.DispositionOutput(row).data)


# --- Signatures -------------------------------------------------------------------------------


class SignatureView(OfInspection):
    needs_if_match: ClassVar = ("post",)

    @extend_schema(request=inputs.NothingInput, responses=s.InspectionSummary)
    def post(self, request: Request, pk: int) -> Response:
        """Signs a complete inspection: for good, or into the queue for the countersignature."""
        inspection = self.inspection()
        version = require_match(request, inspection)
        return self.answer(
            signing.sign(actor=actor_of(request), inspection=inspection, version=version)
        )


class OverdueAcceptancesView(OfInspection):
    @extend_schema(request=inputs.OverdueAcceptanceInput, responses={201: s.OverdueOutput})
    def post(self, request: Request, pk: int) -> Response:
        """Lets the readings of an overdue instrument count, in the sender's name with a reason.

        It takes somebody who may countersign and took none of these readings.
        """
        inspection = self.inspection()
        values = parsed(inputs.OverdueAcceptanceInput, request)
        accepted = overdue.accept_overdue(actor=actor_of(request), inspection=inspection, **values)
        use = next(
            use for use in overdue_uses(inspection) if use.instrument.pk == accepted.instrument_id
        )
        return Response(s.OverdueOutput(use).data, status=status.HTTP_201_CREATED)


class CountersignatureView(OfInspection):
    needs_if_match: ClassVar = ("post",)

    @extend_schema(request=inputs.RemarkInput, responses=s.InspectionSummary)
    def post(self, request: Request, pk: int) -> Response:
        """Confirms another person's inspection; it is locked from then on."""
        inspection = self.inspection()
        version = require_match(request, inspection)
        values = parsed(inputs.RemarkInput, request)
        return self.answer(
            signing.countersign(
                actor=actor_of(request), inspection=inspection, version=version, **values
            )
        )


class ReturnView(OfInspection):
    needs_if_match: ClassVar = ("post",)

    @extend_schema(request=inputs.WhyInput, responses=s.InspectionSummary)
    def post(self, request: Request, pk: int) -> Response:
        """Gives an inspection back to its technician, saying what to do again."""
        inspection = self.inspection()
        version = require_match(request, inspection)
        values = parsed(inputs.WhyInput, request)
        return self.answer(
            signing.send_back(
                actor=actor_of(request), inspection=inspection, version=version, **values
            )
        )


class AbandonmentView(OfInspection):
    needs_if_match: ClassVar = ("post",)

    @extend_schema(request=inputs.WhyInput, responses=s.InspectionSummary)
    def post(self, request: Request, pk: int) -> Response:
        """Gives up an open inspection; the pump goes back to where it stood before."""
        inspection = self.inspection()
        version = require_match(request, inspection)
        values = parsed(inputs.WhyInput, request)
        return self.answer(
            opening.abandon(
                actor=actor_of(request), inspection=inspection, version=version, **values
            )
        )


class SupersessionView(OfInspection):
    @extend_schema(request=inputs.WhyInput, responses={201: s.InspectionSummary})
    def post(self, request: Request, pk: int) -> Response:
        """Opens a correction of a signed inspection, with all its records copied."""
        values = parsed(inputs.WhyInput, request)
        new = signing.supersede(actor=actor_of(request), inspection=self.inspection(), **values)
        response = self.answer(new, status.HTTP_201_CREATED)
        response["Location"] = reverse("inspection-detail", args=[new.pk])
        return response
