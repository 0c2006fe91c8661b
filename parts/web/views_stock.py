"""The stock of a store, and what changes it by hand."""

from __future__ import annotations

from typing import Any, ClassVar

from django.contrib import messages
from django.db.models import Sum
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone

from fleet.models import Site
from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import Capability
from fleet.web.pages import FormPage, Page, rows_page
from parts import selectors, transfer_selectors
from parts.models import Movement
from parts.services import stock
from parts.web import forms
from parts.web.choosing import chosen_store


class Stock(SiteScopedMixin, Page):
    """One store, bin by bin; the first of one's own unless another is asked for."""

    template_name = "parts/stock.html"
    partial = "rows"
    scoped_queryset = selectors.stores()

    def get(self, request: HttpRequest) -> HttpResponse:
        stores, store = chosen_store(request)
        narrowed = forms.CatalogueFilter(request.GET)
        narrowed.is_valid()
        query = narrowed.cleaned_data.get("q", "")
        today = timezone.localdate()
        shelves = (
            transfer_selectors.shelves_of(store, today)
            if store
            else transfer_selectors.with_batches(selectors.stock_levels().none(), today)
        )
        levels = shelves
        for word in query.split():
            levels = levels.filter(part__in=selectors.catalogue(word))
        without = selectors.sites_without_store(self.actor)
        sums = shelves.aggregate(gone=Sum("expired"), coming=Sum("in_transit"))
        return self.show(
            {
                "store": store,
                "stores": stores,
                "query": query,
                "expired": sums["gone"],
                "in_transit": sums["coming"],
                "page": rows_page(request, levels),
                "may": self.may_at(store.site) if store else {},
                "to_open": without.actable_by(self.actor, Capability.KEEP_STOCK),  # type: ignore[attr-defined]
            }
        )


class StoreOpen(SiteScopedMixin, Page):
    scoped_queryset = Site.objects.all()

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        site = get_object_or_404(self.get_queryset(), pk=pk)
        store = stock.open_store(actor=self.actor, site=site)
        messages.success(request, f"{store} is open.")
        return redirect(f"{reverse('parts:stock')}?store={store.pk}")


class _OnShelf(FormPage):
    """A form about one part in one store."""

    form_class: ClassVar[type[forms.OnShelfForm]]

    def prepare(self) -> None:
        self.require_somewhere(Capability.KEEP_STOCK)

    def make_form(self, **bound: Any) -> Form:
        stores = selectors.stores().actable_by(self.actor, Capability.KEEP_STOCK)
        names = ("store", "part", "batch_code", "quantity")
        asked = {name: self.request.GET.get(name) for name in names}
        initial = {k: v for k, v in asked.items() if v}
        return self.form_class(**bound, stores=stores.order_by("site__name"), initial=initial)

    def where(self, row: Movement) -> str:
        return f"{reverse('parts:stock')}?store={row.store_id}"

    def context(self, form: Form) -> dict[str, Any]:
        return {"back": reverse("parts:stock")}


class Receive(_OnShelf):
    form_class = forms.ReceiveForm
    title = "Receive parts"
    verb = "Put on the shelf"

    def save(self, form: Form) -> Movement:
        typed = form.cleaned_data
        return stock.receive(actor=self.actor, **{**typed, "bin": typed["bin"] or None})

    def done(self, row: Movement) -> str:
        return f"{row.on_hand_change} {row.part} on the shelf. Demands that waited come first."


class Correct(_OnShelf):
    form_class = forms.CorrectForm
    title = "Correct a count"
    verb = "Correct the count"

    def save(self, form: Form) -> Movement:
        return stock.correct_count(actor=self.actor, **form.cleaned_data)

    def done(self, row: Movement) -> str:
        return f"{row.part}: {row.on_hand_change:+d} by count."


class Scrap(_OnShelf):
    form_class = forms.ScrapForm
    title = "Scrap parts"
    verb = "Scrap them"

    def save(self, form: Form) -> Movement:
        return stock.scrap(actor=self.actor, **form.cleaned_data)

    def done(self, row: Movement) -> str:
        return f"{-row.on_hand_change} {row.part} scrapped."

    def context(self, form: Form) -> dict[str, Any]:
        return {
            **super().context(form),
            "danger": True,
            "lead": "Unusable parts leave the shelf for good. Reserved ones stay.",
        }
