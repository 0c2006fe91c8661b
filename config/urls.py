"""Where each address leads."""

from django.http import HttpRequest, HttpResponse
from django.urls import URLPattern, URLResolver, include, path
from drf_spectacular.views import SpectacularAPIView

from fleet.web.views_api_docs import ApiDocs


def healthz(request: HttpRequest) -> HttpResponse:
    return HttpResponse("ok", content_type="text/plain")


api: list[URLPattern | URLResolver] = [
    path("", include("fleet.api.urls")),
    path("", include("inspections.api.urls")),
    path("", include("parts.api.urls")),
    # Open to everybody: nothing in it is anybody's data.
    path(
        "schema",
        SpectacularAPIView.as_view(authentication_classes=[], permission_classes=[]),
        name="api-schema",
    ),
]

urlpatterns = [
    path("healthz", healthz, name="healthz"),
    path("api/", ApiDocs.as_view(), name="api-docs"),
    path("api/v1/", include(api)),
    path("inspections/", include("inspections.web.urls")),
    # The board at "/" and the stores' pages at "/stores/".
    path("", include("parts.web.urls")),
    path("", include("fleet.web.urls")),
]

handler400 = "fleet.plumbing.problems.handler400"
handler403 = "fleet.plumbing.problems.handler403"
handler404 = "fleet.plumbing.problems.handler404"
handler500 = "fleet.plumbing.problems.handler500"
