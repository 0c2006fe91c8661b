"""Suppliers, what they ask for a part, and orders to them."""

from __future__ import annotations

import pgtrigger
from django.db import models
from django.db.models import Q

from fleet.models import User, choices, one_of
from fleet.plumbing.scoping import SiteScopedQuerySet
from fleet.roles import Role
from parts.models.catalogue import Part
from parts.models.stock import OfStoreQuerySet, Store, money
from parts.rules.lifecycle import OrderState


class Supplier(models.Model):
    """Who sells parts; the same for all sites, like the catalogue."""

    name = models.CharField(max_length=80, unique=True)
    currency = models.CharField(max_length=3, default="EUR")
    email = models.EmailField(blank=True)
    # Orders go there as signed JSON when they are sent; empty: by paper or mail only.
    webhook_url = models.URLField(max_length=300, blank=True)
    webhook_secret = models.CharField(max_length=80, blank=True)
    minimum_order_value = money(default=0)
    active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(condition=~Q(name=""), name="parts_supplier_named"),
            models.CheckConstraint(
                condition=Q(currency__regex=r"^[A-Z]{3}$"), name="parts_supplier_currency"
            ),
            models.CheckConstraint(
                condition=Q(webhook_url="") | ~Q(webhook_secret=""), name="parts_supplier_secret"
            ),
            models.CheckConstraint(
                condition=Q(minimum_order_value__gte=0), name="parts_supplier_minimum"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class SupplierPart(models.Model):
    """What one supplier asks for one part, and how soon he promises it."""

    supplier = models.ForeignKey(Supplier, on_delete=models.CASCADE, related_name="offers")
    part = models.ForeignKey(Part, on_delete=models.CASCADE, related_name="offers")
    supplier_number = models.CharField(max_length=60, blank=True)
    # A piece, in the supplier's currency.
    price = money()
    # Sold in packs of so many, and not fewer than so many at once.
    pack_size = models.PositiveIntegerField(default=1)
    minimum_quantity = models.PositiveIntegerField(default=1)
    lead_days = models.PositiveIntegerField()
    preferred = models.BooleanField(default=False)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["part", "supplier"]
        constraints = [
            models.UniqueConstraint(fields=["supplier", "part"], name="parts_supplierpart_once"),
            models.UniqueConstraint(
                fields=["part"], condition=Q(preferred=True), name="parts_supplierpart_preferred"
            ),
            models.CheckConstraint(
                condition=Q(price__gte=0)
                & Q(pack_size__gte=1, pack_size__lte=10_000)
                & Q(minimum_quantity__gte=1, minimum_quantity__lte=1_000_000)
                & Q(lead_days__lte=1000),
                name="parts_supplierpart_figures",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.part} from {self.supplier}"


class OrderQuerySet(OfStoreQuerySet["Order"]):
    pass


class Order(models.Model):
    """An order of one store to one supplier. Planning keeps one draft a store and supplier."""

    store = models.ForeignKey(Store, on_delete=models.PROTECT, related_name="orders")
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="orders")
    currency = models.CharField(max_length=3)
    state = models.CharField(max_length=10, choices=choices(OrderState))
    note = models.CharField(max_length=300, blank=True)
    raised_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    raised_at = models.DateTimeField()
    submitted_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    submitted_at = models.DateTimeField(null=True)
    approved_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    approved_at = models.DateTimeField(null=True)
    sent_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    sent_at = models.DateTimeField(null=True)
    # The supplier's system has taken the order; null: not asked, or not yet.
    delivered_at = models.DateTimeField(null=True)
    closed_at = models.DateTimeField(null=True)
    closed_why = models.CharField(max_length=300, blank=True)
    version = models.PositiveIntegerField(default=1)

    objects = OrderQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(condition=one_of("state", OrderState), name="parts_order_state"),
            # What is short joins the draft that is open already.
            models.UniqueConstraint(
                fields=["store", "supplier"],
                condition=Q(state="draft"),
                name="parts_order_one_draft",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["approved", "sent", "received"])
                | Q(approved_at__isnull=False, approved_by__isnull=False),
                name="parts_order_approved_by_whom",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["sent", "received"])
                | Q(sent_at__isnull=False, sent_by__isnull=False),
                name="parts_order_sent_by_whom",
            ),
        ]

    def __str__(self) -> str:
        return f"Order {self.pk}"


class OrderLineQuerySet(SiteScopedQuerySet["OrderLine"]):
    site_path = "order__store__site"


class OrderLine(models.Model):
    """How many of one part an order asks for, and how many have come."""

    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="lines")
    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="order_lines")
    quantity = models.PositiveIntegerField()
    # What planning asks for, and what a person asked for beside it; quantity covers both.
    planned_quantity = models.PositiveIntegerField(default=0)
    manual_quantity = models.PositiveIntegerField(default=0)
    unit_price = money()
    # Set when the order is sent: the day the supplier promises.
    promised_on = models.DateField(null=True)
    # May be more than was ordered: an over-delivery that was taken.
    received_quantity = models.PositiveIntegerField(default=0)
    # No more is expected of this line, though not all has come.
    given_up = models.BooleanField(default=False)

    objects = OrderLineQuerySet.as_manager()

    class Meta:
        ordering = ["order", "id"]
        constraints = [
            models.UniqueConstraint(fields=["order", "part"], name="parts_orderline_once"),
            models.CheckConstraint(
                condition=Q(quantity__gte=1, quantity__lte=1_000_000) & Q(unit_price__gte=0),
                name="parts_orderline_figures",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.part} of {self.order}"

    @property
    def open_quantity(self) -> int:
        return 0 if self.given_up else max(0, self.quantity - self.received_quantity)


class OrderStepQuerySet(SiteScopedQuerySet["OrderStep"]):
    site_path = "order__store__site"


class OrderStep(models.Model):
    """Somebody did something with an order: what, and why. Goes only with a draft that goes."""

    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="steps")
    state = models.CharField(max_length=10, choices=choices(OrderState))
    what = models.CharField(max_length=300)
    by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    at = models.DateTimeField()

    objects = OrderStepQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=one_of("state", OrderState), name="parts_orderstep_state"
            ),
            models.CheckConstraint(condition=~Q(what=""), name="parts_orderstep_what"),
        ]
        triggers = [pgtrigger.Protect(name="never_edited", operation=pgtrigger.Update)]

    def __str__(self) -> str:
        return f"{self.order}: {self.what}"


class ApprovalLimitQuerySet(OfStoreQuerySet["ApprovalLimit"]):
    pass


class ApprovalLimit(models.Model):
    """Up to which value a role may approve orders of a store; no row: the usual limit."""

    store = models.ForeignKey(Store, on_delete=models.CASCADE, related_name="approval_limits")
    role = models.CharField(max_length=30, choices=choices(Role))
    # In the store's currency; null: any value.
    amount = money(null=True)

    objects = ApprovalLimitQuerySet.as_manager()

    class Meta:
        ordering = ["store", "role"]
        constraints = [
            models.UniqueConstraint(fields=["store", "role"], name="parts_approvallimit_once"),
            models.CheckConstraint(condition=one_of("role", Role), name="parts_approvallimit_role"),
            models.CheckConstraint(
                condition=Q(amount__isnull=True) | Q(amount__isnull=False, amount__gte=0),
                name="parts_approvallimit_amount",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.role} at {self.store}: {self.amount}"
