"""Addresses of the fleet's API, below /api/v1/."""

from django.urls import path
from rest_framework.routers import SimpleRouter

from fleet.api import exports, leak_paths, views

router = SimpleRouter(trailing_slash=False)
router.register("sites", views.SiteViewSet, basename="site")
router.register("people", views.PersonViewSet, basename="person")
router.register("memberships", views.MembershipViewSet, basename="membership")
router.register("tokens", views.TokenViewSet, basename="token")
router.register("pump-models", views.PumpModelViewSet, basename="pump-model")
router.register("limit-sheets", views.LimitSheetViewSet, basename="limit-sheet")
router.register("pumps", views.PumpViewSet, basename="pump")
router.register("imports", views.ImportViewSet, basename="import")

urlpatterns = [
    path("exports/pumps", exports.PumpExport.as_view(), name="export-pumps"),
    path("exports/pump-models", exports.PumpModelExport.as_view(), name="export-pump-models"),
    path("exports/limit-sheets", exports.LimitSheetExport.as_view(), name="export-limit-sheets"),
    path(
        "pump-models/<int:pk>/leak-paths",
        leak_paths.LeakPathsView.as_view(),
        name="pump-model-leak-paths",
    ),
    *router.urls,
]
