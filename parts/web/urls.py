"""Addresses of the board and of the stores' pages."""

from __future__ import annotations

from django.urls import include, path

from parts.web import views_board, views_catalogue, views_pulling, views_stock

app_name = "parts"

_stores = [
    path("", views_pulling.PullLists.as_view(), name="pull-lists"),
    path("lists/<int:pk>/", views_pulling.PullList.as_view(), name="pull-list"),
    path("inspections/<int:pk>/", views_pulling.OfInspection.as_view(), name="of-inspection"),
    path("pumps/<int:pk>/", views_board.OfPump.as_view(), name="of-pump"),
    path("unmatched/", views_pulling.Unmatched.as_view(), name="unmatched"),
    path("unmatched/<int:pk>/", views_pulling.UnmatchedRetry.as_view(), name="unmatched-retry"),
    # Catalogue
    path("parts/", views_catalogue.Catalogue.as_view(), name="catalogue"),
    path("parts/add/", views_catalogue.PartAdd.as_view(), name="part-add"),
    path("parts/<int:pk>/", views_catalogue.OnePart.as_view(), name="part"),
    path("parts/<int:pk>/edit/", views_catalogue.PartEdit.as_view(), name="part-edit"),
    path("parts/<int:pk>/contents/", views_catalogue.KitContents.as_view(), name="kit-contents"),
    path("parts/<int:pk>/fits/add/", views_catalogue.FitAdd.as_view(), name="fit-add"),
    path("fits/<int:pk>/remove/", views_catalogue.FitRemove.as_view(), name="fit-remove"),
    # Stock
    path("stock/", views_stock.Stock.as_view(), name="stock"),
    path("stock/open/<int:pk>/", views_stock.StoreOpen.as_view(), name="store-open"),
    path("stock/receive/", views_stock.Receive.as_view(), name="receive"),
    path("stock/correct/", views_stock.Correct.as_view(), name="correct"),
    path("stock/scrap/", views_stock.Scrap.as_view(), name="scrap"),
]

urlpatterns = [
    path("", views_board.BoardPage.as_view(), name="board"),
    path("stores/", include(_stores)),
]
