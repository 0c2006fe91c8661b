"""The fleet as files: the same columns as the import takes."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.generics import GenericAPIView
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request

from fleet import exports, selectors
from fleet.api import filters
from fleet.plumbing.scoping import SharedViewSet, SiteScopedViewSet
from fleet.tables import XLSX_TYPE


class CsvRenderer(BaseRenderer):
    """Only tells what is on offer: the export writes the file itself."""

    media_type = "text/csv"
    format = "csv"


class XlsxRenderer(BaseRenderer):
    media_type = XLSX_TYPE
    format = "xlsx"


_FILE = OpenApiParameter(
    "file",
    OpenApiTypes.STR,
    enum=list(exports.FORMATS),
    description="Left out, the Accept header decides; CSV when that says nothing.",
)
_FILES = {
    (200, CsvRenderer.media_type): OpenApiTypes.STR,
    (200, XlsxRenderer.media_type): OpenApiTypes.BINARY,
}


class _ExportView(GenericAPIView[Any]):
    renderer_classes = (CsvRenderer, XlsxRenderer)
    pagination_class = None

    def answer(self, file: exports.ExportFile) -> HttpResponse:
        response = HttpResponse(file.content, content_type=file.content_type)
        response["Content-Disposition"] = f'attachment; filename="{file.name}"'
        return response

    def format_of(self, request: Request) -> str:
        return request.query_params.get("file") or str(request.accepted_renderer.format)


class PumpExport(SiteScopedViewSet, _ExportView):
    """The pumps of the sites where you may export."""

    scoped_queryset = selectors.pumps_with_model()
    filterset_class = filters.PumpFilter

    @extend_schema(responses=_FILES, parameters=[_FILE])
    def get(self, request: Request) -> HttpResponse:
        pumps = self.filter_queryset(self.get_queryset())
        actor: Any = request.user
        file = exports.export_pumps(actor=actor, pumps=pumps, file=self.format_of(request))
        return self.answer(file)


class PumpModelExport(SharedViewSet, _ExportView):
    """All pump models."""

    queryset = selectors.pump_models()
    filterset_class = filters.PumpModelFilter

    @extend_schema(responses=_FILES, parameters=[_FILE])
    def get(self, request: Request) -> HttpResponse:
        models = self.filter_queryset(self.get_queryset())
        actor: Any = request.user
        file = exports.export_models(actor=actor, models=models, file=self.format_of(request))
        return self.answer(file)


class LimitSheetExport(SharedViewSet, _ExportView):
    """Limit sheets, one row per line."""

    queryset = selectors.limit_sheets()
    filterset_class = filters.LimitSheetFilter

    @extend_schema(responses=_FILES, parameters=[_FILE])
    def get(self, request: Request) -> HttpResponse:
        sheets = self.filter_queryset(self.get_queryset())
        actor: Any = request.user
        file = exports.export_sheets(actor=actor, sheets=sheets, file=self.format_of(request))
        return self.answer(file)
