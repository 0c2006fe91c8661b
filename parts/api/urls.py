"""Addresses of the parts API, below /api/v1/."""

from __future__ import annotations

from rest_framework.routers import SimpleRouter

from parts.api import views

router = SimpleRouter(trailing_slash=False)
router.register("parts", views.PartViewSet, basename="part")
router.register("fits", views.FitViewSet, basename="fit")
router.register("stores", views.StoreViewSet, basename="store")
router.register("stock", views.StockViewSet, basename="stock")
router.register("movements", views.MovementViewSet, basename="movement")
router.register("stock-receipts", views.ReceiptViewSet, basename="stock-receipt")
router.register("stock-corrections", views.CorrectionViewSet, basename="stock-correction")
router.register("stock-scrappings", views.ScrappingViewSet, basename="stock-scrapping")
router.register("demands", views.DemandViewSet, basename="demand")
router.register("pull-lists", views.PullListViewSet, basename="pull-list")

urlpatterns = router.urls
