"""Addresses of the inspections API, below /api/v1/."""

from __future__ import annotations

from django.urls import path
from rest_framework.routers import SimpleRouter

from inspections.api import deciding, measuring, views

router = SimpleRouter(trailing_slash=False)
router.register("instruments", views.InstrumentViewSet, basename="instrument")
router.register("inspections", views.InspectionViewSet, basename="inspection")

_STEPS = {
    "cautions": views.CautionsView,
    "isolation": views.IsolationView,
    "nameplate": views.NameplateView,
    "readings": measuring.ReadingsView,
    "retakes": measuring.RetakesView,
    "next-leaf": measuring.NextLeafView,
    "waivers": measuring.WaiversView,
    "findings": deciding.FindingsView,
    "photos": deciding.PhotosView,
    "dispositions": deciding.DispositionsView,
    "disposition-proposals": deciding.ProposalsView,
    "signature": deciding.SignatureView,
    "countersignature": deciding.CountersignatureView,
    "return": deciding.ReturnView,
    "supersession": deciding.SupersessionView,
    "abandonment": deciding.AbandonmentView,
    "report": views.ReportView,
}

urlpatterns = [
    path("leaf-sets", views.LeafSetView.as_view(), name="leaf-sets"),
    path(
        "instruments/<int:pk>/withdrawal",
        views.InstrumentWithdrawal.as_view(),
        name="instrument-withdrawal",
    ),
    *(
        path(f"inspections/<int:pk>/{step}", view.as_view(), name=f"inspection-{step}")
        for step, view in _STEPS.items()
    ),
    path(
        "inspections/<int:pk>/findings/<int:finding>",
        deciding.FindingView.as_view(),
        name="inspection-finding",
    ),
    path(
        "inspections/<int:pk>/photos/<int:photo>",
        deciding.PhotoView.as_view(),
        name="inspection-photo",
    ),
    path(
        "inspections/<int:pk>/dispositions/<slug:component>",
        deciding.DispositionView.as_view(),
        name="inspection-disposition",
    ),
    *router.urls,
]
