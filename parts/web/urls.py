"""Addresses of the board and of the stores' pages."""

from __future__ import annotations

from django.urls import include, path, re_path

from parts.web import (
    views_batches,
    views_board,
    views_buying,
    views_catalogue,
    views_counting,
    views_demands,
    views_holding,
    views_holdings,
    views_kits,
    views_labels,
    views_money,
    views_pulling,
    views_receiving,
    views_standins,
    views_stock,
    views_suppliers,
    views_transfers,
    views_walking,
)

app_name = "parts"

_stores = [
    path("", views_pulling.PullLists.as_view(), name="pull-lists"),
    path("lists/<int:pk>/", views_walking.PullList.as_view(), name="pull-list"),
    path("walk/", views_walking.Walk.as_view(), name="walk"),
    path("labels/", views_labels.Labels.as_view(), name="labels"),
    path("inspections/<int:pk>/", views_pulling.OfInspection.as_view(), name="of-inspection"),
    path("pumps/<int:pk>/", views_board.OfPump.as_view(), name="of-pump"),
    path("inspections/<int:pk>/need/", views_demands.NeedEdit.as_view(), name="need"),
    path("demands/<int:pk>/", views_demands.OneDemand.as_view(), name="demand"),
    path("unmatched/", views_pulling.Unmatched.as_view(), name="unmatched"),
    path("unmatched/<int:pk>/", views_pulling.UnmatchedRetry.as_view(), name="unmatched-retry"),
    # Catalogue
    path("parts/", views_catalogue.Catalogue.as_view(), name="catalogue"),
    path("parts/add/", views_catalogue.PartAdd.as_view(), name="part-add"),
    path("parts/<int:pk>/", views_catalogue.OnePart.as_view(), name="part"),
    path("parts/<int:pk>/edit/", views_catalogue.PartEdit.as_view(), name="part-edit"),
    path("parts/<int:pk>/contents/", views_catalogue.KitContents.as_view(), name="kit-contents"),
    path("models/<int:pk>/", views_catalogue.OfModel.as_view(), name="of-model"),
    path("parts/<int:pk>/supersede/", views_standins.Supersede.as_view(), name="part-supersede"),
    path(
        "parts/<int:pk>/supersede/back/",
        views_standins.SupersedeTakeBack.as_view(),
        name="part-supersede-back",
    ),
    path(
        "parts/<int:pk>/alternatives/add/",
        views_standins.AlternativeAdd.as_view(),
        name="alternative-add",
    ),
    path(
        "alternatives/<int:pk>/remove/",
        views_standins.AlternativeRemove.as_view(),
        name="alternative-remove",
    ),
    path("parts/<int:pk>/open/", views_kits.KitOpen.as_view(), name="kit-open"),
    path("parts/<int:pk>/ageing/", views_batches.BeginAgeing.as_view(), name="part-ageing"),
    path("batches/", views_batches.Batches.as_view(), name="batches"),
    path("batches/<int:pk>/extend/", views_batches.BatchExtend.as_view(), name="batch-extend"),
    path("stock/<int:pk>/batch/", views_batches.PutInBatch.as_view(), name="put-in-batch"),
    path("parts/<int:pk>/fits/add/", views_catalogue.FitAdd.as_view(), name="fit-add"),
    path("fits/<int:pk>/remove/", views_catalogue.FitRemove.as_view(), name="fit-remove"),
    # Buying
    path("suppliers/", views_suppliers.Suppliers.as_view(), name="suppliers"),
    path("suppliers/add/", views_suppliers.SupplierAdd.as_view(), name="supplier-add"),
    path("suppliers/<int:pk>/", views_suppliers.OneSupplier.as_view(), name="supplier"),
    path("suppliers/<int:pk>/edit/", views_suppliers.SupplierEdit.as_view(), name="supplier-edit"),
    path(
        "suppliers/<int:pk>/address/",
        views_suppliers.SupplierWebhook.as_view(),
        name="supplier-webhook",
    ),
    path("suppliers/<int:pk>/offers/add/", views_suppliers.OfferAdd.as_view(), name="offer-add"),
    path("offers/<int:pk>/edit/", views_suppliers.OfferEdit.as_view(), name="offer-edit"),
    path("offers/<int:pk>/prefer/", views_suppliers.OfferPrefer.as_view(), name="offer-prefer"),
    path("offers/<int:pk>/remove/", views_suppliers.OfferRemove.as_view(), name="offer-remove"),
    path(
        "stock/<int:pk>/approval-limits/",
        views_suppliers.ApprovalLimits.as_view(),
        name="approval-limits",
    ),
    path("orders/", views_buying.Orders.as_view(), name="orders"),
    path("orders/add/", views_buying.OrderAdd.as_view(), name="order-add"),
    path("orders/<int:pk>/", views_buying.OneOrder.as_view(), name="order"),
    path("orders/<int:pk>/lines/add/", views_buying.OrderLineAdd.as_view(), name="order-line-add"),
    path("orders/<int:pk>/note/", views_buying.OrderNote.as_view(), name="order-note"),
    path("orders/<int:pk>/send/", views_buying.OrderSend.as_view(), name="order-send"),
    path(
        "orders/<int:pk>/send-back/", views_buying.OrderSendBack.as_view(), name="order-send-back"
    ),
    path("orders/<int:pk>/cancel/", views_buying.OrderCancel.as_view(), name="order-cancel"),
    path("orders/<int:pk>/pdf/", views_buying.OrderPdf.as_view(), name="order-pdf"),
    path("orders/<int:pk>/csv/", views_buying.OrderCsv.as_view(), name="order-csv"),
    path("orders/<int:pk>/put-away/", views_receiving.PutAwayPage.as_view(), name="order-put-away"),
    path("order-lines/<int:pk>/", views_buying.OrderLineEdit.as_view(), name="order-line"),
    path(
        "order-lines/<int:pk>/receive/", views_receiving.ReceiveLine.as_view(), name="order-receive"
    ),
    path("order-lines/<int:pk>/promise/", views_buying.Promise.as_view(), name="order-promise"),
    path("order-lines/<int:pk>/give-up/", views_buying.GiveUp.as_view(), name="order-give-up"),
    # Stock
    path("stock/", views_stock.Stock.as_view(), name="stock"),
    path("stock/open/<int:pk>/", views_stock.StoreOpen.as_view(), name="store-open"),
    path(
        "stock/settings/<int:pk>/", views_transfers.StoreSettings.as_view(), name="store-settings"
    ),
    path("transfers/", views_transfers.Transfers.as_view(), name="transfers"),
    path("transfers/ask/", views_transfers.TransferAsk.as_view(), name="transfer-ask"),
    path("transfers/<int:pk>/", views_transfers.OneTransfer.as_view(), name="transfer"),
    path("stock/receive/", views_stock.Receive.as_view(), name="receive"),
    path("stock/correct/", views_stock.Correct.as_view(), name="correct"),
    path("stock/scrap/", views_stock.Scrap.as_view(), name="scrap"),
    # What to hold
    path("holdings/", views_holdings.Holdings.as_view(), name="holdings"),
    path(
        "holdings/<int:pk>/choose/",
        views_holdings.HoldingsChoose.as_view(),
        name="holdings-choose",
    ),
    re_path(
        r"^holdings/(?P<pk>[0-9]+)/curve\.(?P<kind>svg|csv)$",
        views_holdings.HoldingsFile.as_view(),
        name="holdings-file",
    ),
    path(
        "holdings/<int:store>/parts/<int:pk>/",
        views_holding.HoldingOfPart.as_view(),
        name="holding",
    ),
    re_path(
        r"^holdings/(?P<store>[0-9]+)/parts/(?P<pk>[0-9]+)/curve\.(?P<kind>svg|csv)$",
        views_holding.HoldingFile.as_view(),
        name="holding-file",
    ),
    # Counting
    path("counts/", views_counting.Counts.as_view(), name="counts"),
    path("counts/raise/", views_counting.CountRaise.as_view(), name="count-raise"),
    path("counts/<int:pk>/", views_counting.OneCount.as_view(), name="count"),
    path("counts/<int:pk>/sheet/", views_counting.CountSheet.as_view(), name="count-sheet"),
    path("counts/<int:pk>/add/", views_counting.CountLineAdd.as_view(), name="count-line-add"),
    path("counts/<int:pk>/cancel/", views_counting.CountCancel.as_view(), name="count-cancel"),
    path("count-lines/<int:pk>/", views_counting.OneLine.as_view(), name="count-line"),
    # Money
    path("value/", views_money.StockValue.as_view(), name="value"),
    path("value/file/<str:file>/", views_money.StockValueFile.as_view(), name="value-file"),
    path("costs/", views_money.Costs.as_view(), name="costs"),
    path("costs/file/<str:file>/", views_money.CostsFile.as_view(), name="costs-file"),
    path("costs/<int:pk>/", views_money.Cost.as_view(), name="cost"),
    path("rates/", views_money.Rates.as_view(), name="rates"),
    path("rates/add/", views_money.RateAdd.as_view(), name="rate-add"),
]

urlpatterns = [
    path("", views_board.BoardPage.as_view(), name="board"),
    path("stores/", include(_stores)),
]
