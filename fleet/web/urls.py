"""Addresses of the fleet's pages."""

from __future__ import annotations

from django.urls import path

from fleet.plumbing.problems import problem_page
from fleet.web import views_files, views_leak_paths, views_people, views_pumps, views_sheets

app_name = "fleet"

urlpatterns = [
    path("sign-in/", views_people.SignIn.as_view(), name="sign-in"),
    path("sign-out/", views_people.SignOut.as_view(), name="sign-out"),
    path("problems/<slug:code>", problem_page, name="problem"),
    # Pumps
    path("pumps/", views_pumps.Register.as_view(), name="pumps"),
    path("pumps/export.<slug:file>", views_pumps.RegisterFile.as_view(), name="pumps-file"),
    path("pumps/add/", views_pumps.PumpAdd.as_view(), name="pump-add"),
    path("pumps/<int:pk>/", views_pumps.OnePump.as_view(), name="pump"),
    path("pumps/<int:pk>/edit/", views_pumps.PumpEdit.as_view(), name="pump-edit"),
    path("pumps/<int:pk>/hours/", views_pumps.PumpHours.as_view(), name="pump-hours"),
    path("pumps/<int:pk>/move/", views_pumps.PumpMove.as_view(), name="pump-move"),
    path("pumps/<int:pk>/status/", views_pumps.PumpStatusChange.as_view(), name="pump-status"),
    # Models and limit sheets
    path("models/", views_sheets.Models.as_view(), name="models"),
    path("models/export.<slug:file>", views_sheets.ModelsFile.as_view(), name="models-file"),
    path("models/add/", views_sheets.ModelAdd.as_view(), name="model-add"),
    path("models/<int:pk>/", views_sheets.OneModel.as_view(), name="model"),
    path("models/<int:pk>/edit/", views_sheets.ModelEdit.as_view(), name="model-edit"),
    path("models/<int:pk>/leak-paths/", views_leak_paths.LeakPaths.as_view(), name="leak-paths"),
    path("models/<int:pk>/sheets/add/", views_sheets.SheetAdd.as_view(), name="sheet-add"),
    path("sheets/export.<slug:file>", views_sheets.SheetsFile.as_view(), name="sheets-file"),
    path("sheets/<int:pk>/", views_sheets.OneSheet.as_view(), name="sheet"),
    path("sheets/<int:pk>/issue/", views_sheets.SheetIssue.as_view(), name="sheet-issue"),
    path("sheets/<int:pk>/rule/", views_sheets.SheetRuleChoice.as_view(), name="sheet-rule"),
    path("sheets/<int:pk>/revise/", views_sheets.SheetRevise.as_view(), name="sheet-revise"),
    path("sheets/<int:pk>/lines/add/", views_sheets.LineEdit.as_view(), name="line-add"),
    path("sheets/<int:pk>/lines/<int:number>/", views_sheets.LineEdit.as_view(), name="line-edit"),
    path(
        "sheets/<int:pk>/lines/<int:number>/remove/",
        views_sheets.LineRemove.as_view(),
        name="line-remove",
    ),
    # People
    path("people/", views_people.People.as_view(), name="people"),
    path("people/roles/", views_people.RolesTable.as_view(), name="roles"),
    path("sites/add/", views_people.SiteAdd.as_view(), name="site-add"),
    path("sites/<int:pk>/people/add/", views_people.PersonAdd.as_view(), name="person-add"),
    path("sites/<int:pk>/roles/add/", views_people.RoleGrant.as_view(), name="role-grant"),
    path("roles/<int:pk>/revoke/", views_people.RoleRevoke.as_view(), name="role-revoke"),
    path("tokens/", views_people.Tokens.as_view(), name="tokens"),
    path("tokens/<int:pk>/revoke/", views_people.TokenRevoke.as_view(), name="token-revoke"),
    # Files
    path("files/", views_files.Imports.as_view(), name="imports"),
    path("files/<int:pk>/", views_files.OneImport.as_view(), name="import-draft"),
    path(
        "files/templates/<slug:kind>.<slug:file>",
        views_files.ImportTemplate.as_view(),
        name="import-template",
    ),
]
