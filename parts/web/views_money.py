"""What stock is worth, what each repair cost, and rates between currencies."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.forms import Form
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone

from fleet.access import may_anywhere
from fleet.models import Site
from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import Capability
from fleet.web.pages import (
    FormPage,
    Page,
    SharedPage,
    do_once,
    refusal_of,
    rows_page,
    show_refusal,
)
from fleet.web.views_pumps import as_download
from inspections.models import Inspection
from parts import money_exports, selectors
from parts import money_selectors as reads
from parts.models import ExchangeRate, Store
from parts.services import money
from parts.web import forms_money as forms
from parts.web.choosing import chosen_store


def _in_one(request: HttpRequest, amounts: list[tuple[str, Any]]) -> dict[str, Any]:
    """The sums by currency, and their total in the one that is asked for."""
    sums = reads.by_currency_of(amounts)
    asked = request.GET.get("in", "").upper()
    into = asked if asked in sums else next(iter(sums), "")
    return {
        "sums": sums,
        "into": into,
        "total": reads.totals(amounts, into, timezone.now().date()),
    }


class StockValue(SiteScopedMixin, Page):
    """All stores beside each other, and one of them part by part."""

    template_name = "parts/value.html"
    partial = "rows"
    scoped_queryset = selectors.stores()

    def get(self, request: HttpRequest) -> HttpResponse:
        stores, store = chosen_store(request)
        today = timezone.now().date()
        valued = list(reads.store_values().visible_to(self.actor))
        expired = reads.expired_values(stores, today)
        context: dict[str, Any] = {
            "stores": [(row, expired.get(row.pk)) for row in valued],
            "store": store,
            "only": "slow" if request.GET.get("only") == "slow" else "",
            "may_export": may_anywhere(self.actor, Capability.EXPORT),
            **_in_one(request, [(row.currency, row.value) for row in valued]),
        }
        if store is not None:
            levels = reads.valued_levels(today).filter(store=store)
            slow = levels.filter(is_slow=True)
            context |= {
                "here": next(row for row in valued if row.pk == store.pk),
                "classes": reads.by_class(store, today),
                "expired": expired.get(store.pk),
                "slow_value": reads.sum_of_values(slow),
                "slow_count": slow.count(),
                "page": rows_page(request, slow if context["only"] else levels),
            }
        return self.show(context)


class StockValueFile(Page):
    """Each part in stock with its value, as a file."""

    def get(self, request: HttpRequest, file: str) -> HttpResponse:
        stores = Store.objects.visible_to(self.actor)
        asked = request.GET.get("store", "")
        if asked.isdecimal() and len(asked) < 10:
            stores = stores.filter(pk=asked)
        today = timezone.now().date()
        return as_download(
            money_exports.export_values(actor=self.actor, stores=stores, file=file, today=today)
        )


class Costs(Page):
    """What the repairs of the viewer's sites cost."""

    template_name = "parts/costs.html"
    partial = "rows"

    def get(self, request: HttpRequest) -> HttpResponse:
        narrowed = forms.CostFilter(request.GET, sites=Site.objects.visible_to(self.actor))
        rows = _repairs(self.actor, narrowed)
        amounts = list(rows.order_by().values_list("currency", "total_cost"))
        query = request.GET.copy()
        query.pop("page", None)
        return self.show(
            {
                "filter": narrowed,
                "narrowed": bool(query),
                "query": query.urlencode(),
                "page": rows_page(request, rows),
                "may_export": may_anywhere(self.actor, Capability.EXPORT),
                **_in_one(request, amounts),
            }
        )


class CostsFile(Page):
    """The same as a file."""

    def get(self, request: HttpRequest, file: str) -> HttpResponse:
        narrowed = forms.CostFilter(request.GET, sites=Site.objects.visible_to(self.actor))
        rows = _repairs(self.actor, narrowed)
        return as_download(money_exports.export_repairs(actor=self.actor, repairs=rows, file=file))


def _repairs(person: Any, narrowed: forms.CostFilter) -> Any:
    # A period that cannot be read narrows nothing; the form says so beside the field.
    since, until = narrowed.period() if narrowed.is_valid() else (None, None)
    rows = reads.repairs(since, until).visible_to(person)
    site = narrowed.cleaned_data.get("site")
    return rows.filter(site=site) if site else rows


class Cost(SiteScopedMixin, Page):
    """What one repair cost, line by line; htmx gets the sum alone, for other pages."""

    template_name = "parts/cost.html"
    partial = "sum"
    scoped_queryset = Inspection.objects.select_related("site", "pump__model", "supersedes")

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self._page(self._inspection(pk), {})

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        inspection = self._inspection(pk)
        what = request.POST.get("do", "")
        if what not in ("record", "take_back"):
            raise Http404
        self.require_at(Capability.RECORD_LABOUR, inspection.site)
        form: Form = (
            forms.LabourForm(request.POST)
            if what == "record"
            else forms.TakeBackForm(request.POST, entries=reads.labour_of(inspection))
        )
        if not form.is_valid():
            return self._page(inspection, {what: form}, status=422)

        def work() -> HttpResponse:
            typed = form.cleaned_data
            if what == "record":
                row = money.record_labour(actor=self.actor, inspection=inspection, **typed)
                messages.success(request, f"{row.hours} h recorded.")
            else:
                row = money.take_back_labour(actor=self.actor, **typed)
                messages.success(request, f"{-row.hours} h taken back.")
            return redirect("parts:cost", pk)

        answer: list[HttpResponse] = []
        fault = refusal_of(lambda: answer.append(do_once(request, work)))
        if fault is None:
            return answer[0]
        status = show_refusal(form, fault)
        return self._page(inspection, {what: form}, status=status)

    def _inspection(self, pk: int) -> Inspection:
        found: Inspection = get_object_or_404(self.get_queryset(), pk=pk)
        return found

    def _page(
        self, inspection: Inspection, shown: dict[str, Form], *, status: int = 200
    ) -> HttpResponse:
        moves = list(reads.repair_movements(inspection))
        hours = list(reads.labour_of(inspection))
        back = reads.taken_back(hours)
        left = [row.pk for row in hours if row.hours > 0 and row.pk not in back]
        entries = reads.labour_of(inspection).filter(pk__in=left)
        taking = forms.TakeBackForm(entries=entries) if left else None
        return self.show(
            {
                "inspection": inspection,
                "pump": inspection.pump,
                "currency": reads.currency_at(inspection),
                "moves": moves,
                "hours": hours,
                "cost": reads.cost_of(moves, hours),
                "form": shown.get("record") or forms.LabourForm(),
                "taking": shown.get("take_back") or taking,
                "may": self.may_at(inspection.site),
            },
            status=status,
        )


class Rates(SharedPage):
    """The rates that count, the newest of each pair first."""

    template_name = "parts/rates.html"

    def get(self, request: HttpRequest) -> HttpResponse:
        return self.show(
            {
                "page": rows_page(request, reads.exchange_rates()),
                "today": timezone.now().date(),
                "may": self.may_somewhere(),
            }
        )


class RateAdd(FormPage):
    form_class = forms.RateForm
    title = "Set an exchange rate"
    verb = "Set the rate"

    def prepare(self) -> None:
        self.require_somewhere(Capability.SET_HOLDINGS)

    def make_form(self, **bound: Any) -> Form:
        return forms.RateForm(**bound, initial={"valid_from": timezone.now().date()})

    def save(self, form: Form) -> ExchangeRate:
        return money.set_rate(actor=self.actor, **form.cleaned_data)

    def where(self, row: ExchangeRate) -> str:
        return reverse("parts:rates")

    def done(self, row: ExchangeRate) -> str:
        return f"1 {row.base} is worth {row.rate.normalize():f} {row.quote}."

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "back": reverse("parts:rates"),
            "lead": "A rate is kept as it was set: a later one takes its place from its day on.",
        }
