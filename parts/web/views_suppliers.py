"""Suppliers, what they offer, and up to which value who may approve at a store."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse

from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import Capability
from fleet.web.pages import (
    FormPage,
    Page,
    SharedPage,
    refusal_of,
    rows_page,
    show_refusal,
)
from parts import buying_selectors, selectors
from parts.models import Store, Supplier, SupplierPart
from parts.services import approvals, suppliers
from parts.web import forms_buying as forms

ORDERS_SHOWN = 20


class Suppliers(SharedPage):
    template_name = "parts/suppliers.html"
    partial = "rows"

    def get(self, request: HttpRequest) -> HttpResponse:
        asked = forms.SupplierFilter(request.GET)
        asked.is_valid()
        query = asked.cleaned_data.get("q", "")
        page = rows_page(request, buying_selectors.suppliers_matching(query))
        return self.show(
            {"page": page, "filter": asked, "query": query, "may": self.may_somewhere()}
        )


class OneSupplier(SharedPage):
    template_name = "parts/supplier.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        supplier = get_object_or_404(Supplier, pk=pk)
        offers = buying_selectors.with_observed(buying_selectors.offers().filter(supplier=supplier))
        orders = buying_selectors.orders().visible_to(self.actor).filter(supplier=supplier)
        return self.show(
            {
                "supplier": supplier,
                "offers": offers,
                "orders": orders[:ORDERS_SHOWN],
                "may": self.may_somewhere(),
            }
        )


class _KeeperPage(FormPage):
    """A form for whoever keeps the catalogue or buys at any site."""

    def prepare(self) -> None:
        suppliers.require_keeper(self.actor)


class SupplierAdd(_KeeperPage):
    form_class = forms.SupplierForm
    title = "Add a supplier"
    verb = "Add the supplier"

    def save(self, form: Form) -> Supplier:
        return suppliers.add_supplier(actor=self.actor, **form.cleaned_data)

    def where(self, row: Supplier) -> str:
        return reverse("parts:supplier", args=[row.pk])

    def done(self, row: Supplier) -> str:
        return f"{row} is on the list. Enter what can be had there."

    def context(self, form: Form) -> dict[str, Any]:
        return {"back": reverse("parts:suppliers")}


class _OfSupplier(_KeeperPage):
    supplier: Supplier

    def prepare(self) -> None:
        super().prepare()
        self.supplier = get_object_or_404(Supplier, pk=self.kwargs["pk"])

    def where(self, row: Any) -> str:
        return reverse("parts:supplier", args=[self.supplier.pk])

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "version": self.supplier.version,
            "back": reverse("parts:supplier", args=[self.supplier.pk]),
            "title": f"{self.title}: {self.supplier}",
        }


class SupplierEdit(_OfSupplier):
    form_class = forms.SupplierChangeForm
    title = "Correct the supplier"
    verb = "Save the changes"
    said = "The supplier is changed."

    def make_form(self, **bound: Any) -> Form:
        names = ("name", "currency", "email", "active")
        initial: dict[str, Any] = {n: getattr(self.supplier, n) for n in names}
        initial["minimum_order_value"] = f"{self.supplier.minimum_order_value:.2f}"
        return forms.SupplierChangeForm(**bound, initial=initial)

    def save(self, form: Form) -> Supplier:
        return suppliers.change_supplier(
            actor=self.actor,
            supplier=self.supplier,
            version=self.sent_version(),
            **form.cleaned_data,
        )


class SupplierWebhook(Page):
    """Where orders go by themselves. The secret is on the answer to the POST and nowhere else."""

    template_name = "parts/supplier_webhook.html"
    supplier: Supplier

    def prepare(self) -> None:
        suppliers.require_keeper(self.actor)
        self.supplier = get_object_or_404(Supplier, pk=self.kwargs["pk"])

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        self.prepare()
        return self._page(forms.WebhookForm(initial={"webhook_url": self.supplier.webhook_url}))

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        self.prepare()
        form = forms.WebhookForm(request.POST)
        if not form.is_valid():
            return self._page(form, status=422)
        made: list[str] = []
        fault = refusal_of(
            lambda: made.append(
                suppliers.set_webhook(
                    actor=self.actor,
                    supplier=self.supplier,
                    version=self.sent_version(),
                    url=form.cleaned_data["webhook_url"],
                )
            )
        )
        if fault is not None:
            status = show_refusal(form, fault)
            self.prepare()
            return self._page(form, status=status)
        if not made[0]:
            messages.success(request, f"Orders to {self.supplier} go by paper or mail only.")
            return redirect("parts:supplier", self.supplier.pk)
        self.prepare()
        return self._page(form, secret=made[0])

    def _page(self, form: Form, *, status: int = 200, secret: str = "") -> HttpResponse:
        context = {"form": form, "supplier": self.supplier, "secret": secret}
        response = self.show(context, status=status)
        response["Cache-Control"] = "private, no-store"
        return response


class OfferAdd(_OfSupplier):
    form_class = forms.NewOfferForm
    title = "Add an offer"
    verb = "Add the offer"

    def make_form(self, **bound: Any) -> Form:
        return forms.NewOfferForm(**bound, initial={"part": self.request.GET.get("part", "")})

    def save(self, form: Form) -> SupplierPart:
        return suppliers.set_offer(actor=self.actor, supplier=self.supplier, **form.cleaned_data)

    def done(self, row: SupplierPart) -> str:
        return f"{row.part.number} can be ordered from {row.supplier}."

    def context(self, form: Form) -> dict[str, Any]:
        return {
            **super().context(form),
            "lead": f"Prices are in {self.supplier.currency}. An offer for the same part is put "
            "in place of the old one.",
        }


class _OfOffer(_KeeperPage):
    offer: SupplierPart

    def prepare(self) -> None:
        super().prepare()
        self.offer = get_object_or_404(buying_selectors.offers(), pk=self.kwargs["pk"])

    def where(self, row: Any) -> str:
        return reverse("parts:supplier", args=[self.offer.supplier_id])

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "version": self.offer.version,
            "back": reverse("parts:supplier", args=[self.offer.supplier_id]),
        }


class OfferEdit(_OfOffer):
    form_class = forms.OfferForm
    verb = "Save the offer"
    said = "The offer is changed. Drafts follow it; orders that went out keep their price."

    def make_form(self, **bound: Any) -> Form:
        names = ("supplier_number", "pack_size", "minimum_quantity", "lead_days", "preferred")
        initial: dict[str, Any] = {n: getattr(self.offer, n) for n in names}
        initial["price"] = f"{self.offer.price:f}"
        form = forms.OfferForm(**bound, initial=initial)
        if self.offer.preferred:
            # The mark is moved by giving it to another.
            del form.fields["preferred"]
        return form

    def save(self, form: Form) -> SupplierPart:
        return suppliers.set_offer(
            actor=self.actor,
            supplier=self.offer.supplier,
            part=self.offer.part,
            version=self.sent_version(),
            **form.cleaned_data,
        )

    def context(self, form: Form) -> dict[str, Any]:
        return {
            **super().context(form),
            "title": f"{self.offer.part.number} from {self.offer.supplier}",
            "lead": f"{self.offer.part.name}. Prices are in {self.offer.supplier.currency}.",
        }


class OfferPrefer(_OfOffer):
    form_class = Form
    title = "Buy it here"
    verb = "Buy it here"

    def save(self, form: Form) -> SupplierPart:
        return suppliers.prefer(actor=self.actor, offer=self.offer)

    def done(self, row: SupplierPart) -> str:
        return f"{row.part.number} is bought from {row.supplier} from now on."

    def context(self, form: Form) -> dict[str, Any]:
        others = buying_selectors.offers_of(self.offer.part).filter(preferred=True)
        now = others.exclude(pk=self.offer.pk).first()
        return {
            **super().context(form),
            "title": f"{self.offer.part.number} from {self.offer.supplier}",
            "lead": f"It is bought from {now.supplier} now. What is on order there still comes."
            if now
            else "It is bought here already.",
        }


class OfferRemove(_OfOffer):
    form_class = Form
    verb = "Take it out"

    def save(self, form: Form) -> None:
        suppliers.remove_offer(actor=self.actor, offer=self.offer)

    def done(self, row: None) -> str:
        return f"{self.offer.part.number} is not offered by {self.offer.supplier} any more."

    def context(self, form: Form) -> dict[str, Any]:
        return {
            **super().context(form),
            "title": f"Take out {self.offer.part.number} from {self.offer.supplier}",
            "lead": "From then on nothing orders it here. Orders that went out stay.",
            "danger": True,
        }


class ApprovalLimits(SiteScopedMixin, FormPage):
    """Up to which value each role may approve orders of one store."""

    scoped_queryset = selectors.stores()
    form_class = forms.LimitsForm
    verb = "Set the limits"
    said = "The limits are set."
    store: Store

    def prepare(self) -> None:
        self.store = get_object_or_404(self.get_queryset(), pk=self.kwargs["pk"])
        self.require_at(Capability.KEEP_PEOPLE, self.store.site)

    def make_form(self, **bound: Any) -> Form:
        return forms.LimitsForm(**bound, limits=approvals.limits_at(self.store))

    def save(self, form: Any) -> None:
        approvals.set_limits(actor=self.actor, store=self.store, limits=form.limits())

    def where(self, row: None) -> str:
        return f"{reverse('parts:orders')}?store={self.store.pk}"

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "title": f"Who may approve orders of {self.store}",
            "lead": f"Up to which value, in {self.store.currency}. Whoever holds several roles "
            "has the highest limit of them.",
            "back": self.where(None),
        }
