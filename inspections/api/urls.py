"""Addresses of the inspections API, below /api/v1/."""

from __future__ import annotations

from django.urls import path
from rest_framework.routers import SimpleRouter

from inspections.api import (
    causes,
    deciding,
    instruments,
    leakage,
    measuring,
    rejudging,
    studies,
    views,
)

router = SimpleRouter(trailing_slash=False)
router.register("instruments", instruments.InstrumentViewSet, basename="instrument")
router.register("studies", studies.StudyViewSet, basename="study")
router.register("inspections", views.InspectionViewSet, basename="inspection")
router.register("rejudgements", rejudging.RejudgementViewSet, basename="rejudgement")
router.register("rejudged-verdicts", rejudging.RejudgedVerdictViewSet, basename="rejudged-verdict")

_STEPS = {
    "cautions": views.CautionsView,
    "isolation": views.IsolationView,
    "nameplate": views.NameplateView,
    "readings": measuring.ReadingsView,
    "retakes": measuring.RetakesView,
    "next-leaf": measuring.NextLeafView,
    "waivers": measuring.WaiversView,
    "controls": studies.ControlsView,
    "findings": deciding.FindingsView,
    "photos": deciding.PhotosView,
    "causes": causes.CausesView,
    "dispositions": deciding.DispositionsView,
    "disposition-proposals": deciding.ProposalsView,
    "signature": deciding.SignatureView,
    "overdue-acceptances": deciding.OverdueAcceptancesView,
    "countersignature": deciding.CountersignatureView,
    "return": deciding.ReturnView,
    "supersession": deciding.SupersessionView,
    "abandonment": deciding.AbandonmentView,
    "leakage": leakage.LeakageView,
    "report": views.ReportView,
}

_OF_INSTRUMENT = {
    "calibration": instruments.CalibrationView,
    "withdrawal": instruments.WithdrawalView,
    "reinstatement": instruments.ReinstatementView,
    "leaves": instruments.LeavesView,
    "leaf-withdrawals": instruments.LeafWithdrawalsView,
    "readings": instruments.TakenWithView,
}

urlpatterns = [
    path("leaf-sets", instruments.LeafSetView.as_view(), name="leaf-sets"),
    *(
        path(f"instruments/<int:pk>/{part}", view.as_view(), name=f"instrument-{part}")
        for part, view in _OF_INSTRUMENT.items()
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
    path("studies/<int:pk>/readings", studies.StudyReadingsView.as_view(), name="study-readings"),
    path("studies/<int:pk>/closure", studies.StudyClosureView.as_view(), name="study-closure"),
    path("agreement", studies.AgreementView.as_view(), name="agreement"),
    path("agreement/<int:person>", studies.AgreementOfView.as_view(), name="agreement-of"),
    *router.urls,
]
