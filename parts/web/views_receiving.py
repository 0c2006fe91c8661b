"""Deliveries: what came of an order, and which benches it goes to first."""

from __future__ import annotations

from typing import Any

from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import NoReverseMatch, reverse

from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import Capability
from fleet.web.pages import Page
from parts import buying_selectors, selectors
from parts.buying_selectors import PutAway
from parts.services import put_away
from parts.web import forms_buying as forms
from parts.web.views_buying import OfLine


class ReceiveLine(OfLine):
    """One line of a delivery. The surplus is asked about once, and only where there is one."""

    template_name = "parts/order_receive.html"
    form_class = forms.ReceiveLineForm
    needs = Capability.KEEP_STOCK
    title = "Receive"
    verb = "Take them in"

    def make_form(self, **bound: Any) -> Form:
        data = bound.get("data", {})
        return forms.ReceiveLineForm(
            **bound,
            ages=self.line.part.ages,
            asks_surplus=self._is_surplus(data.get("quantity", "")),
            initial={"quantity": self.line.open_quantity or None},
        )

    def _is_surplus(self, typed: str) -> bool:
        return typed.isdecimal() and len(typed) < 10 and int(typed) > self.line.open_quantity

    def context(self, form: Form) -> dict[str, Any]:
        levels = selectors.stock_at(self.line.order.store)
        lies = levels.filter(part=self.line.part_id).values_list("bin", flat=True).first()
        return {**super().context(form), "bin": lies}

    def save(self, form: Form) -> PutAway:
        typed = {k: v for k, v in form.cleaned_data.items() if v not in (None, "")}
        return put_away.receive_line(actor=self.actor, line=self.line, **typed)

    def where(self, row: PutAway) -> str:
        return reverse("parts:order-put-away", args=[self.line.order_id])

    def done(self, row: PutAway) -> str:
        number = row.movement.part.number
        if row.to_benches:
            return (
                f"{row.movement.on_hand_change} {number} taken in, {row.to_benches} of them for "
                "a bench that waits."
            )
        return f"{row.movement.on_hand_change} {number} taken in. No bench waits for them."


class PutAwayPage(SiteScopedMixin, Page):
    """What came of an order, newest first: to which bench, and the rest to which bin."""

    template_name = "parts/put_away.html"
    scoped_queryset = buying_selectors.orders_with_lines()

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        order = get_object_or_404(self.get_queryset(), pk=pk)
        return self.show(
            {
                "order": order,
                "received": buying_selectors.put_away_of(order),
                "to_come": [line for line in order.lines.all() if line.open_quantity],
                "labels": _labels_address(),
                "may": self.may_at(order.store.site),
            }
        )


def _labels_address() -> str:
    try:
        return reverse("parts:labels")
    except NoReverseMatch:
        return ""
