"""The catalogue, the stores with their ledger, demands and their supply, counts and money."""

from parts.models.buying import (
    ApprovalLimit,
    Order,
    OrderLine,
    OrderLineQuerySet,
    OrderQuerySet,
    OrderStep,
    Supplier,
    SupplierPart,
)
from parts.models.catalogue import Alternative, Fit, KitContent, Part
from parts.models.counting import Count, CountLine, CountLineQuerySet, CountQuerySet
from parts.models.demands import (
    Demand,
    DemandQuerySet,
    DemandStep,
    Need,
    Transfer,
    TransferQuerySet,
)
from parts.models.holding import ExchangeRate, Forecast, Holding, Labour
from parts.models.stock import (
    Batch,
    BatchLevel,
    KitOpening,
    Movement,
    StockLevel,
    Store,
    StoreQuerySet,
)

__all__ = [
    "Alternative",
    "ApprovalLimit",
    "Batch",
    "BatchLevel",
    "Count",
    "CountLine",
    "CountLineQuerySet",
    "CountQuerySet",
    "Demand",
    "DemandQuerySet",
    "DemandStep",
    "ExchangeRate",
    "Fit",
    "Forecast",
    "Holding",
    "KitContent",
    "KitOpening",
    "Labour",
    "Movement",
    "Need",
    "Order",
    "OrderLine",
    "OrderLineQuerySet",
    "OrderQuerySet",
    "OrderStep",
    "Part",
    "StockLevel",
    "Store",
    "StoreQuerySet",
    "Supplier",
    "SupplierPart",
    "Transfer",
    "TransferQuerySet",
]
