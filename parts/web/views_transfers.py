"""Transfers between stores, for both ends, and the settings of a store."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone

from fleet.faults import Fault, NotAllowed
from fleet.plumbing.csp import with_camera
from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import Capability
from fleet.web.pages import Page, do_once, refusal_of, rows_page, show_refusal
from parts import selectors, transfer_selectors
from parts.models import StockLevel, Store, Transfer
from parts.pulling_selectors import usable_lots
from parts.rules.lifecycle import TransferState
from parts.services import stores, transfers
from parts.services.scans import BATCH_NEEDED, CONFIRM_BATCH
from parts.transfer_selectors import Show
from parts.web import forms_transfers as forms


class Transfers(SiteScopedMixin, Page):
    """What is to be sent, is on its way, is to be received; what is settled on request."""

    template_name = "parts/transfers.html"
    partial = "rows"
    scoped_queryset = transfer_selectors.transfers()

    def get(self, request: HttpRequest) -> HttpResponse:
        own = selectors.stores_of(self.actor)
        asked = forms.TransfersFilter(request.GET, stores=own)
        asked.is_valid()
        show = Show(asked.cleaned_data.get("show") or Show.OPEN.value)
        store = asked.cleaned_data.get("store")
        rows = transfer_selectors.transfers_shown(self.actor, show, store)
        page = rows_page(request, rows)
        sites = {store.site_id} if store else set(own.values_list("site_id", flat=True))
        lost = transfer_selectors.lost_with(list(page.object_list))
        counts = transfer_selectors.counts_by_show(self.actor, store)
        return self.show(
            {
                "filter": asked,
                "store": store,
                "show": show.value,
                "page": page,
                "lines": [
                    (row, _next_step(row, sites), lost.get(row.pk, "")) for row in page.object_list
                ],
                "counts": {each.value: counts[each] for each in Show},
                "may": self.may_somewhere(),
            }
        )


def _next_step(row: Transfer, sites: set[int]) -> str:
    """What a viewer of these sites does with it next, as a word for the row; "" for nothing."""
    if row.state == TransferState.SENT.value and row.to_store.site_id in sites:
        return "Receive it"
    if row.state == TransferState.PLANNED.value and row.from_store.site_id in sites:
        return "Send it"
    return ""


class OneTransfer(SiteScopedMixin, Page):
    """One transfer with what the viewer's end does next. The giver scans what he takes."""

    template_name = "parts/transfer.html"
    scoped_queryset = transfer_selectors.transfers()

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self._page(self._row(pk))

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        row = self._row(pk)
        does = {
            "send": self._send,
            "receive": self._receive,
            "refuse": self._refuse,
            "cancel": self._cancel,
        }.get(request.POST.get("do", ""))
        if does is None:
            raise Fault("Choose what to do with the transfer.", field="do")
        return does(row)

    def _row(self, pk: int) -> Transfer:
        row: Transfer = get_object_or_404(self.get_queryset(), pk=pk)
        return row

    # --- The four things ---

    def _send(self, row: Transfer) -> HttpResponse:
        self.require_at(Capability.KEEP_STOCK, row.from_store.site)
        form = forms.SendForm(self.request.POST, ages=row.part.ages)
        confirmed = self.request.POST.get("confirmed", "")

        def work() -> None:
            transfers.send(
                actor=self.actor,
                transfer=row,
                confirmed=bool(confirmed) and confirmed == form.cleaned_data.get("batch_code"),
                **form.cleaned_data,
            )
            messages.success(
                self.request, f"{row.quantity} {row.part} on the way to {row.to_store.site}."
            )

        return self._do(row, form, work, "send_form")

    def _receive(self, row: Transfer) -> HttpResponse:
        self.require_at(Capability.KEEP_STOCK, row.to_store.site)
        form = forms.ReceiveForm(self.request.POST, lots=transfers.sent_lots(row))

        def work() -> None:
            typed = form.cleaned_data
            done = transfers.receive(
                actor=self.actor,
                transfer=row,
                received=form.received(),
                reason=typed["reason"],
                bin=typed["bin"] or None,
            )
            messages.success(
                self.request,
                f"{done.received_quantity} {row.part} on the shelf. Demands that waited come "
                "first.",
            )

        return self._do(row, form, work, "receive_form")

    def _refuse(self, row: Transfer) -> HttpResponse:
        self.require_at(Capability.KEEP_STOCK, row.from_store.site)
        form = forms.WhyForm(self.request.POST, auto_id="refuse_%s")

        def work() -> None:
            transfers.refuse(actor=self.actor, transfer=row, why=form.cleaned_data["why"])
            messages.success(self.request, f"Refused. {row.to_store.site} reads why.")

        return self._do(row, form, work, "refuse_form")

    def _cancel(self, row: Transfer) -> HttpResponse:
        self.require_at(Capability.KEEP_STOCK, row.to_store.site)
        form = forms.WhyForm(self.request.POST, auto_id="cancel_%s")

        def work() -> None:
            transfers.cancel(actor=self.actor, transfer=row, why=form.cleaned_data["why"])
            messages.success(self.request, f"Cancelled. It stays at {row.from_store.site}.")

        return self._do(row, form, work, "cancel_form")

    def _do(self, row: Transfer, form: Form, work: Any, name: str) -> HttpResponse:
        if not form.is_valid():
            return self._page(row, status=422, **{name: form})

        def once() -> HttpResponse:
            work()
            return redirect("parts:transfer", row.pk)

        answer: list[HttpResponse] = []
        fault = refusal_of(lambda: answer.append(do_once(self.request, once)))
        if fault is None:
            return answer[0]
        if isinstance(fault, NotAllowed):
            raise fault
        ask = fault.detail if fault.code == CONFIRM_BATCH else ""
        if ask:
            return self._page(row, status=200, ask=ask, **{name: form})
        status = show_refusal(form, fault)
        choose = fault.code in (BATCH_NEEDED, "unknown_batch", "expired", "not_enough_of_batch")
        # It may have been settled meanwhile: the page shows what it is now.
        return self._page(self._row(row.pk), status=status, choose=choose, **{name: form})

    # --- The page ---

    def _page(self, row: Transfer, *, status: int = 200, **more: Any) -> HttpResponse:
        giver, receiver = self.may_at(row.from_store.site), self.may_at(row.to_store.site)
        keep = Capability.KEEP_STOCK.value
        planned = row.state == TransferState.PLANNED.value
        sent = row.state == TransferState.SENT.value
        context: dict[str, Any] = {
            "transfer": row,
            "demand": transfer_selectors.demand_of(row, self.actor),
            "lines": transfer_selectors.movements_of(row, self.actor),
            "may_send": planned and giver[keep],
            "may_cancel": planned and receiver[keep] and row.demand_id is None,
            "may_receive": sent and receiver[keep],
            "sees_giver": self._sees(row.from_store),
        }
        if context["may_send"]:
            level = _level_of(row)
            context |= {
                "level": level,
                "lots": usable_lots(level, timezone.localdate()) if row.part.ages else [],
                "send_form": forms.SendForm(ages=row.part.ages),
                "refuse_form": forms.WhyForm(auto_id="refuse_%s"),
            }
        if context["may_cancel"]:
            context["cancel_form"] = forms.WhyForm(auto_id="cancel_%s")
        if context["may_receive"]:
            lots = transfers.sent_lots(row)
            context |= {"sent": lots, "receive_form": forms.ReceiveForm(lots=lots)}
        return with_camera(self.show({**context, **more}, status=status))

    def _sees(self, store: Store) -> bool:
        return bool(selectors.stores_of(self.actor).filter(pk=store.pk).exists())


def _level_of(row: Transfer) -> StockLevel:
    return StockLevel.objects.select_related("part", "store").get(
        store=row.from_store_id, part=row.part_id
    )


class TransferAsk(SiteScopedMixin, Page):
    """Which part for which of one's stores; then from whom, how many, and why."""

    template_name = "parts/transfer_ask.html"
    scoped_queryset = selectors.stores()

    def admit(self) -> None:
        self.require_somewhere(Capability.KEEP_STOCK)

    def get(self, request: HttpRequest) -> HttpResponse:
        find = self._find(request.GET) if "part" in request.GET else self._find(None)
        if not find.is_bound or not find.is_valid():
            return self.show({"find": find}, status=422 if find.is_bound else 200)
        return self._step_two(find, None)

    def post(self, request: HttpRequest) -> HttpResponse:
        find = self._find(request.POST)
        if not find.is_valid():
            return self.show({"find": find}, status=422)
        form = forms.AskForm(request.POST, holders=self._holders(find))
        if not form.is_valid():
            return self._step_two(find, form, status=422)
        typed = form.cleaned_data

        def work() -> HttpResponse:
            part = find.cleaned_data["part"]
            giver = transfer_selectors.store_that_holds(part, typed["from_site_name"])
            if giver is None:
                raise Fault(
                    "Nothing of it is free there any more. Choose another site.",
                    field="from_site_name",
                )
            row = transfers.ask_transfer(
                actor=self.actor,
                from_store=giver,
                to_store=find.cleaned_data["to_store"],
                part=part,
                quantity=typed["quantity"],
                why=typed["why"],
            )
            messages.success(request, f"Asked. {row.quantity} {part} are reserved at {giver.site}.")
            return redirect("parts:transfer", row.pk)

        answer: list[HttpResponse] = []
        fault = refusal_of(lambda: answer.append(do_once(request, work)))
        if fault is None:
            return answer[0]
        return self._step_two(find, form, status=show_refusal(form, fault))

    def _find(self, data: Any) -> forms.FindForm:
        mine = self.get_queryset().actable_by(self.actor, Capability.KEEP_STOCK)
        store = self.request.GET.get("to_store", "")
        return forms.FindForm(
            data, stores=mine.order_by("site__name"), initial={"to_store": store} if store else None
        )

    def _holders(self, find: forms.FindForm) -> list[selectors.Holder]:
        typed = find.cleaned_data
        holders = selectors.holders_of(typed["part"])
        return [h for h in holders if h.site_name != typed["to_store"].site.name]

    def _step_two(self, find: forms.FindForm, form: Form | None, status: int = 200) -> HttpResponse:
        holders = self._holders(find)
        context = {
            "find": find,
            "store": find.cleaned_data["to_store"],
            "part": find.cleaned_data["part"],
            "holders": holders,
            "form": form or forms.AskForm(holders=holders),
        }
        return self.show(context, status=status)


class StoreSettings(SiteScopedMixin, Page):
    """What the clerk says of his store, and what the manager decides about it; all may read it."""

    template_name = "parts/store_settings.html"
    scoped_queryset = transfer_selectors.stores_with_supplier()

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        row = self._row(pk)
        return self._page(row, self._forms(row))

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        row = self._row(pk)
        what = request.POST.get("do", "")
        if what not in _SETTINGS:
            raise Fault("Choose which settings to save.", field="do")
        self.require_at(_SETTINGS[what], row.site)
        shown = self._forms(row, what, request.POST)
        form = shown[what]
        if not form.is_valid():
            return self._page(row, shown, status=422)

        def work() -> HttpResponse:
            saved = stores.change_store(
                actor=self.actor, store=row, version=self.sent_version(), **form.cleaned_data
            )
            messages.success(request, f"Settings of {saved} saved.")
            return redirect("parts:store-settings", pk)

        answer: list[HttpResponse] = []
        fault = refusal_of(lambda: answer.append(do_once(request, work)))
        if fault is None:
            return answer[0]
        status = show_refusal(form, fault)
        # The next try is made on what the row is now.
        return self._page(self._row(pk), shown, status=status)

    def _row(self, pk: int) -> Store:
        row: Store = get_object_or_404(self.get_queryset(), pk=pk)
        return row

    def _forms(self, row: Store, what: str = "", data: Any = None) -> dict[str, Form]:
        others = selectors.stores_of(self.actor).exclude(pk=row.pk)
        return {
            "place": forms.PlaceForm(data if what == "place" else None, store=row),
            "money": forms.MoneyForm(data if what == "money" else None, store=row, others=others),
        }

    def _page(self, row: Store, shown: dict[str, Form], status: int = 200) -> HttpResponse:
        context = {
            **shown,
            "store": row,
            "worth": transfer_selectors.worth_of(row),
            "restocks": selectors.stores_of(self.actor).filter(supplied_by=row),
            "may": self.may_at(row.site),
        }
        return self.show(context, status=status)


_SETTINGS = {"place": Capability.KEEP_STOCK, "money": Capability.SET_HOLDINGS}
