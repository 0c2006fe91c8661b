"""Orders to suppliers: the list, one order and what is done with it."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.db.models import QuerySet
from django.forms import Form
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone

from fleet.exports import ExportFile
from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import Capability
from fleet.web.pages import FormPage, Page, do_once, rows_page
from fleet.web.views_pumps import as_download
from parts import buying_selectors, selectors
from parts.models import Order, OrderLine, Part
from parts.order_documents import order_csv, order_pdf
from parts.rules.lead_times import days_late
from parts.rules.lifecycle import OrderState
from parts.rules.ordering import missing_to_minimum
from parts.services import approvals, order_sending, orders
from parts.web import forms_buying as forms
from parts.web.forms_buying import Show

_STATES = {
    Show.OPEN: ("draft", "submitted", "approved", "sent"),
    Show.DRAFT: ("draft",),
    Show.APPROVAL: ("submitted",),
    Show.TO_SEND: ("approved",),
    Show.SENT: ("sent",),
    Show.CLOSED: ("received", "cancelled"),
}


class Orders(SiteScopedMixin, Page):
    """The orders of the viewer's stores; what is late line by line."""

    template_name = "parts/orders.html"
    partial = "rows"
    scoped_queryset = buying_selectors.orders()

    def get(self, request: HttpRequest) -> HttpResponse:
        today = timezone.now().date()
        mine = self.get_queryset()
        asked = forms.OrderFilter(request.GET, stores=selectors.stores_of(self.actor))
        # What names no store or state of one's own shows nothing, and not everything.
        valid = asked.is_valid()
        show = Show(asked.cleaned_data.get("show") or Show.OPEN.value)
        narrowed: dict[str, Any] = {
            name: asked.cleaned_data[name]
            for name in ("store", "supplier")
            if asked.cleaned_data.get(name)
        }
        late = buying_selectors.late_lines(self.actor, today)
        if show is Show.LATE:
            rows: Any = late.filter(**{f"order__{n}": v for n, v in narrowed.items()})
        else:
            rows = mine.filter(state__in=_STATES[show], **narrowed)
        return self.show(
            {
                "page": rows_page(request, rows if valid else rows.none()),
                "filter": asked,
                "show": show.value,
                "today": today,
                "late": late.count(),
                "to_approve": mine.filter(state=OrderState.SUBMITTED.value).count(),
                "to_send": mine.filter(state=OrderState.APPROVED.value).count(),
                "drafts": mine.filter(state=OrderState.DRAFT.value).count(),
                "sent": mine.filter(state=OrderState.SENT.value).count(),
                "limits_of": selectors.stores()
                .actable_by(self.actor, Capability.KEEP_PEOPLE)
                .order_by("site__name"),
                "may": self.may_somewhere(),
            }
        )


class OneOrder(SiteScopedMixin, Page):
    """One order: its lines, what it waits for, and the buttons of whoever may go on with it."""

    template_name = "parts/order.html"
    scoped_queryset = buying_selectors.orders_with_lines()

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self._page(get_object_or_404(self.get_queryset(), pk=pk))

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        order = get_object_or_404(self.get_queryset(), pk=pk)
        does = {
            "submit": self._submit,
            "approve": self._approve,
            "send_again": self._send_again,
        }.get(request.POST.get("do", ""))
        if does is None:
            raise Http404

        def work() -> HttpResponse:
            messages.success(request, does(order))
            return redirect("parts:order", pk)

        return do_once(request, work)

    def _submit(self, order: Order) -> str:
        row = orders.submit(actor=self.actor, order=order, version=self.sent_version())
        if row.state == OrderState.APPROVED.value:
            return f"{row} is approved within your own limit. Send it next."
        return f"{row} is above your own limit. It waits for somebody who may approve it."

    def _approve(self, order: Order) -> str:
        row = orders.approve(actor=self.actor, order=order, version=self.sent_version())
        return f"{row} is approved. It can be sent."

    def _send_again(self, order: Order) -> str:
        row = order_sending.send_again(actor=self.actor, order=order)
        return f"{row} is on its way to the supplier's system again."

    def _page(self, order: Order) -> HttpResponse:
        today = timezone.now().date()
        lines = list(order.lines.all())
        waits = buying_selectors.demands_on(line.pk for line in lines)
        offers = {
            offer.part_id: offer
            for offer in buying_selectors.with_observed(
                buying_selectors.offers().filter(
                    supplier=order.supplier_id, part__in=[line.part_id for line in lines]
                )
            )
        }
        value = buying_selectors.value_of(order)
        store = order.store
        rows = [
            {
                "line": line,
                "value": line.quantity * line.unit_price,
                "offer": offers.get(line.part_id),
                "waits": waits.get(line.pk, []),
                "late": days_late(line.promised_on, line.open_quantity, today)
                if order.state == OrderState.SENT.value
                else 0,
                "over": max(0, line.received_quantity - line.quantity),
            }
            for line in lines
        ]
        may = self.may_at(store.site)
        state = OrderState(order.state)
        at_store = approvals.known_value(order, today)
        own = approvals.limit_at(self.actor, store)
        last = list(order.steps.all())[-1:]
        return self.show(
            {
                "order": order,
                "rows": rows,
                "value": value,
                "late": sum(row["late"] > 0 for row in rows),
                "at_store": at_store,
                "own": own,
                "may_approve": may[Capability.APPROVE_ORDERS.value]
                and at_store is not None
                and own.covers(at_store),
                # Why it came back is what to read first, until something else was done.
                "sent_back": last[0] if last and last[0].what.startswith("Sent back") else None,
                "missing_to_minimum": missing_to_minimum(value, order.supplier.minimum_order_value),
                "some_came": any(line.received_quantity for line in lines),
                "message": buying_selectors.message_of(order),
                "may": may,
                "acts": (state is OrderState.DRAFT and may[Capability.BUY.value])
                or (
                    state is OrderState.SENT
                    and (may[Capability.BUY.value] or may[Capability.KEEP_STOCK.value])
                ),
            }
        )


class OrderAdd(FormPage):
    form_class = forms.NewOrderForm
    title = "Begin an order"
    verb = "Begin"

    def prepare(self) -> None:
        self.require_somewhere(Capability.BUY)

    def make_form(self, **bound: Any) -> Form:
        stores = selectors.stores().actable_by(self.actor, Capability.BUY).order_by("site__name")
        asked = {name: self.request.GET.get(name) for name in ("store", "supplier")}
        return forms.NewOrderForm(
            **bound, stores=stores, initial={k: v for k, v in asked.items() if v}
        )

    def save(self, form: Form) -> Order:
        return orders.open_draft(actor=self.actor, **form.cleaned_data)

    def where(self, row: Order) -> str:
        return reverse("parts:order", args=[row.pk])

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "lead": "Where there is a draft to this supplier already, it is that one: what is "
            "ordered together comes together.",
            "back": reverse("parts:orders"),
        }


class _OfOrder(SiteScopedMixin, FormPage):
    """A form about one order."""

    scoped_queryset = buying_selectors.orders()
    needs = Capability.BUY
    order: Order

    def prepare(self) -> None:
        self.order = get_object_or_404(self.get_queryset(), pk=self.kwargs["pk"])
        self.require_at(self.needs, self.order.store.site)

    def where(self, row: Any) -> str:
        return reverse("parts:order", args=[self.order.pk])

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "order": self.order,
            "version": self.order.version,
            "title": f"{self.title}: {self.order} to {self.order.supplier}",
            "back": reverse("parts:order", args=[self.order.pk]),
        }


class OrderLineAdd(_OfOrder):
    form_class = forms.NewLineForm
    title = "Add a line"
    verb = "Add the line"

    def make_form(self, **bound: Any) -> Form:
        return forms.NewLineForm(**bound, parts=self._parts())

    def _parts(self) -> QuerySet[Part]:
        offered = Part.objects.filter(offers__supplier=self.order.supplier_id)
        return offered.exclude(order_lines__in=self.order.lines.all()).order_by("number")

    def save(self, form: Form) -> Order:
        return orders.set_line(
            actor=self.actor, order=self.order, version=self.sent_version(), **form.cleaned_data
        )

    def context(self, form: Form) -> dict[str, Any]:
        return {
            **super().context(form),
            "lead": "Parts that this supplier offers and that are not on the order yet. The "
            "quantity is made up to whole packs and to the least quantity.",
        }


class OrderNote(_OfOrder):
    form_class = forms.NoteForm
    title = "Note"
    verb = "Save the note"
    said = "The note is saved."

    def make_form(self, **bound: Any) -> Form:
        return forms.NoteForm(**bound, initial={"note": self.order.note})

    def save(self, form: Form) -> Order:
        return orders.set_note(
            actor=self.actor, order=self.order, version=self.sent_version(), **form.cleaned_data
        )


class OrderSendBack(_OfOrder):
    form_class = forms.WhyForm
    title = "Send back"
    verb = "Send it back"

    def prepare(self) -> None:
        self.order = get_object_or_404(self.get_queryset(), pk=self.kwargs["pk"])
        may = self.may_at(self.order.store.site)
        if not may[Capability.BUY.value]:
            self.require_at(Capability.APPROVE_ORDERS, self.order.store.site)

    def save(self, form: Form) -> Order:
        return orders.send_back(
            actor=self.actor, order=self.order, version=self.sent_version(), **form.cleaned_data
        )

    def done(self, row: Order) -> str:
        return f"{row} is a draft again."

    def context(self, form: Form) -> dict[str, Any]:
        return {
            **super().context(form),
            "lead": "It becomes a draft again, with your reason, and can be changed. A draft to "
            "the same supplier that was begun meanwhile joins it.",
        }


class OrderCancel(_OfOrder):
    form_class = forms.WhyForm
    title = "Cancel"
    verb = "Cancel the order"

    def save(self, form: Form) -> Order:
        return orders.cancel(
            actor=self.actor, order=self.order, version=self.sent_version(), **form.cleaned_data
        )

    def done(self, row: Order) -> str:
        return f"{row} is cancelled."

    def context(self, form: Form) -> dict[str, Any]:
        sent = self.order.state == OrderState.SENT.value
        return {
            **super().context(form),
            "lead": f"Tell {self.order.supplier} yourself: nothing is sent to cancel it. Demands "
            "that wait for it are planned anew."
            if sent
            else "Demands that wait for it are planned anew: what is still needed comes onto a "
            "new draft.",
            "danger": True,
        }


class OrderSend(_OfOrder):
    template_name = "parts/order_send.html"
    form_class = forms.SendForm
    title = "Send"
    verb = "Mark as sent"

    def make_form(self, **bound: Any) -> Form:
        lines = self.order.lines.select_related("part").order_by("id")
        days = order_sending.promises_for(self.order, timezone.now().date())
        return forms.SendForm(**bound, lines=lines, days=days)

    def save(self, form: Any) -> Order:
        return order_sending.send(
            actor=self.actor,
            order=self.order,
            promised_on=form.promised_on(),
            version=self.sent_version(),
        )

    def done(self, row: Order) -> str:
        if row.supplier.webhook_url:
            return f"{row} is sent, and is on its way to the supplier's system."
        return f"{row} is marked as sent. Hand or mail the PDF to {row.supplier}."

    def context(self, form: Form) -> dict[str, Any]:
        return {**super().context(form), "value": buying_selectors.value_of(self.order)}


# --- One line -----------------------------------------------------------------------------------


class OfLine(SiteScopedMixin, FormPage):
    """A form about one line of an order."""

    scoped_queryset = buying_selectors.order_lines()
    needs = Capability.BUY
    line: OrderLine

    def prepare(self) -> None:
        self.line = get_object_or_404(self.get_queryset(), pk=self.kwargs["pk"])
        self.require_at(self.needs, self.line.order.store.site)

    def where(self, row: Any) -> str:
        return reverse("parts:order", args=[self.line.order_id])

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "line": self.line,
            "order": self.line.order,
            "title": f"{self.title}: {self.line.part}",
            "back": reverse("parts:order", args=[self.line.order_id]),
        }


class OrderLineEdit(OfLine):
    form_class = forms.LineForm
    title = "Change"
    verb = "Save the quantity"
    said = "The line is changed."

    def make_form(self, **bound: Any) -> Form:
        return forms.LineForm(**bound, initial={"manual_quantity": self.line.manual_quantity})

    def save(self, form: Form) -> Order:
        return orders.set_line(
            actor=self.actor,
            order=self.line.order,
            part=self.line.part,
            version=self.sent_version(),
            **form.cleaned_data,
        )

    def context(self, form: Form) -> dict[str, Any]:
        planned = self.line.planned_quantity
        lead = (
            f"Planning asks for {planned}; it takes them off by itself when they are not needed "
            "any more. "
            if planned
            else ""
        )
        return {
            **super().context(form),
            "version": self.line.order.version,
            "lead": f"{lead}The line is made up to whole packs and to the least quantity.",
        }


class Promise(OfLine):
    form_class = forms.PromiseForm
    title = "Another day"
    verb = "Save the day"
    said = "The day is on record, and who waits for the part is told."

    def make_form(self, **bound: Any) -> Form:
        return forms.PromiseForm(**bound, initial={"promised_on": self.line.promised_on})

    def save(self, form: Form) -> OrderLine:
        return orders.promise(actor=self.actor, line=self.line, **form.cleaned_data)


class GiveUp(OfLine):
    form_class = forms.WhyForm
    title = "Give up"
    verb = "Expect no more"
    said = "No more is expected of this line. Demands that wait for it are planned anew."

    def save(self, form: Form) -> OrderLine:
        return orders.give_up(actor=self.actor, line=self.line, **form.cleaned_data)

    def context(self, form: Form) -> dict[str, Any]:
        line = self.line
        return {
            **super().context(form),
            "lead": f"{line.received_quantity} of {line.quantity} have come. The other "
            f"{line.open_quantity} are not waited for any more. Tell the supplier yourself.",
            "danger": True,
        }


# --- Files --------------------------------------------------------------------------------------


class _OrderFile(SiteScopedMixin, Page):
    scoped_queryset = buying_selectors.orders()

    def order_or_404(self) -> Order:
        order: Order = get_object_or_404(self.get_queryset(), pk=self.kwargs["pk"])
        return order

    def make(self, order: Order) -> ExportFile:
        raise NotImplementedError

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return as_download(self.make(self.order_or_404()))


class OrderPdf(_OrderFile):
    def make(self, order: Order) -> ExportFile:
        return order_pdf(order)


class OrderCsv(_OrderFile):
    def make(self, order: Order) -> ExportFile:
        return order_csv(order)
