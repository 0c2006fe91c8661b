"""Addresses of the parts API, below /api/v1/."""

from __future__ import annotations

from django.urls import path
from rest_framework.routers import SimpleRouter

from parts.api import (
    views,
    views_buying,
    views_catalogue,
    views_counting,
    views_demands,
    views_holding,
    views_money,
    views_transfers,
)

router = SimpleRouter(trailing_slash=False)
router.register("parts", views.PartViewSet, basename="part")
router.register("fits", views.FitViewSet, basename="fit")
router.register("alternatives", views_catalogue.AlternativeViewSet, basename="alternative")
router.register("kit-openings", views_catalogue.KitOpeningViewSet, basename="kit-opening")
router.register("batches", views_catalogue.BatchViewSet, basename="batch")
router.register("stores", views_transfers.StoreViewSet, basename="store")
router.register("transfers", views_transfers.TransferViewSet, basename="transfer")
router.register("stock", views.StockViewSet, basename="stock")
router.register("movements", views.MovementViewSet, basename="movement")
router.register("stock-receipts", views.ReceiptViewSet, basename="stock-receipt")
router.register("stock-corrections", views.CorrectionViewSet, basename="stock-correction")
router.register("stock-scrappings", views.ScrappingViewSet, basename="stock-scrapping")
router.register("demands", views_demands.DemandViewSet, basename="demand")
router.register("needs", views_demands.NeedViewSet, basename="need")
router.register("pull-lists", views.PullListViewSet, basename="pull-list")
router.register("suppliers", views_buying.SupplierViewSet, basename="supplier")
router.register("offers", views_buying.OfferViewSet, basename="offer")
router.register("orders", views_buying.OrderViewSet, basename="order")
router.register("order-lines", views_buying.OrderLineViewSet, basename="order-line")
router.register("approval-limits", views_buying.ApprovalLimitsViewSet, basename="approval-limits")
router.register("holdings", views_holding.HoldingViewSet, basename="holding")
router.register("holding-advice", views_holding.HoldingAdviceViewSet, basename="holding-advice")
router.register("holding-curve", views_holding.HoldingCurveViewSet, basename="holding-curve")
router.register("holding-choices", views_holding.HoldingChoiceViewSet, basename="holding-choice")
router.register("forecasts", views_holding.ForecastViewSet, basename="forecast")

router.register("counts", views_counting.CountViewSet, basename="count")
router.register("count-lines", views_counting.CountLineViewSet, basename="count-line")
router.register("store-values", views_money.StoreValueViewSet, basename="store-value")
router.register("repair-costs", views_money.RepairCostViewSet, basename="repair-cost")
router.register("labour", views_money.LabourViewSet, basename="labour")
router.register("exchange-rates", views_money.ExchangeRateViewSet, basename="exchange-rate")

urlpatterns = [
    *router.urls,
    path("exports/stock-value", views_money.StockValueExport.as_view(), name="export-stock-value"),
    path(
        "exports/repair-costs", views_money.RepairCostExport.as_view(), name="export-repair-costs"
    ),
]
