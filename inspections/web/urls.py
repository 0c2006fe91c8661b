"""Addresses of the inspection pages, under /inspections/."""

from django.urls import path

from inspections.web import (
    views_agreement,
    views_check,
    views_components,
    views_instruments,
    views_leakage,
    views_opening,
    views_rejudging,
    views_signing,
    views_studies,
)

app_name = "inspections"

urlpatterns = [
    path("", views_opening.InspectionList.as_view(), name="list"),
    path("queue/", views_signing.Queue.as_view(), name="queue"),
    path("instruments/", views_instruments.InstrumentList.as_view(), name="instruments"),
    path("instruments/add/", views_instruments.AddInstrument.as_view(), name="instrument-add"),
    path("instruments/<int:pk>/", views_instruments.InstrumentPage.as_view(), name="instrument"),
    path("studies/", views_studies.StudyList.as_view(), name="studies"),
    path("studies/begin/", views_studies.AddStudy.as_view(), name="study-add"),
    path("studies/<int:pk>/", views_studies.StudyPage.as_view(), name="study"),
    path("agreement/", views_agreement.AgreementList.as_view(), name="agreement"),
    path("agreement/<int:person>/", views_agreement.AgreementOf.as_view(), name="agreement-of"),
    path("photos/<int:pk>/", views_components.PhotoFile.as_view(), name="photo"),
    path("rules/<int:pk>/", views_rejudging.JudgedAgain.as_view(), name="judged-again"),
    path("open/<int:pk>/", views_opening.OpenInspection.as_view(), name="open"),
    path("<int:pk>/", views_opening.Bench.as_view(), name="bench"),
    path("<int:pk>/isolation/", views_opening.Isolation.as_view(), name="isolation"),
    path("<int:pk>/nameplate/", views_opening.NameplatePage.as_view(), name="nameplate"),
    path("<int:pk>/checks/<int:line>/", views_check.CheckPage.as_view(), name="check"),
    path("<int:pk>/components/", views_components.ComponentList.as_view(), name="components"),
    path(
        "<int:pk>/components/<slug:component>/",
        views_components.ComponentPage.as_view(),
        name="component",
    ),
    path("<int:pk>/leakage/", views_leakage.LeakagePage.as_view(), name="leakage"),
    path("<int:pk>/leakage/table.csv", views_leakage.LeakageTable.as_view(), name="leakage-table"),
    path(
        "<int:pk>/leakage/<slug:characteristic>.svg",
        views_leakage.LeakageDrawing.as_view(),
        name="leakage-drawing",
    ),
    path("<int:pk>/dispositions/", views_signing.Dispositions.as_view(), name="dispositions"),
    path("<int:pk>/sign/", views_signing.Sign.as_view(), name="sign"),
    path("<int:pk>/abandon/", views_opening.Abandon.as_view(), name="abandon"),
    path("<int:pk>/countersign/", views_signing.Countersign.as_view(), name="countersign"),
    path("<int:pk>/again/<int:line>/", views_agreement.MeasureAgain.as_view(), name="again"),
    path("<int:pk>/report/", views_signing.Report.as_view(), name="report"),
    path("<int:pk>/supersede/", views_signing.Supersede.as_view(), name="supersede"),
]
