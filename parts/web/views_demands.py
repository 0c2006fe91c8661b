"""One demand with all that was decided of it and why, and when an inspection's parts are wanted."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone

from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import Capability
from fleet.web.pages import FormPage, Page, do_once, refusal_of, show_refusal
from inspections.models import Inspection
from parts import planning_selectors
from parts.board import free_elsewhere
from parts.models import Demand, Need
from parts.rules.lifecycle import PLANNED, WAITING, DemandState
from parts.services import needs
from parts.web import pull_words
from parts.web.forms_catalogue import day_input

_CAN_BE_CANCELLED = {state.value for state in (*PLANNED, DemandState.UNMATCHED)}


class CancelForm(forms.Form):
    why = forms.CharField(
        label="Why", max_length=needs.LONGEST_WHY, help_text="The demand keeps the reason."
    )


class NeedForm(forms.Form):
    needed_on = forms.DateField(
        label="Wanted on",
        required=False,
        widget=day_input(),
        help_text="The pump that is wanted soonest is served first. Without a day it comes after "
        "all that have one.",
    )
    bench = forms.CharField(
        label="At bench",
        required=False,
        max_length=needs.LONGEST_BENCH,
        help_text="Where the bag is to go.",
    )


class OneDemand(SiteScopedMixin, Page):
    """What a demand waits for, every decision about it, and a way to take it back."""

    template_name = "parts/demand.html"
    scoped_queryset = planning_selectors.demands_with_supply()

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self._page(self._demand(pk), CancelForm())

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        demand = self._demand(pk)
        self.require_at(Capability.SET_NEEDS, demand.site)
        form = CancelForm(request.POST)
        if not form.is_valid():
            return self._page(demand, form, status=422)

        def work() -> HttpResponse:
            needs.cancel_demand(actor=self.actor, demand=demand, why=form.cleaned_data["why"])
            messages.success(request, "Cancelled. What was kept for it is free for others.")
            return redirect("parts:demand", pk)

        answer: list[HttpResponse] = []
        fault = refusal_of(lambda: answer.append(do_once(request, work)))
        if fault is None:
            return answer[0]
        return self._page(self._demand(pk), form, status=show_refusal(form, fault))

    def _demand(self, pk: int) -> Demand:
        demand: Demand = get_object_or_404(self.get_queryset(), pk=pk)
        return demand

    def _page(self, demand: Demand, form: Form, *, status: int = 200) -> HttpResponse:
        holders = free_elsewhere([demand]).get((demand.part_id or 0, demand.site_id), ())
        needed_on, bench, _version = planning_selectors.need_of(demand.inspection)
        may = self.may_at(demand.site)
        waits = DemandState(demand.state) in WAITING
        context: dict[str, Any] = {
            "demand": demand,
            "part": demand.supplied_part or demand.part,
            "pump": demand.inspection.pump,
            "needed_on": needed_on,
            "bench": bench,
            "is_overdue": needed_on is not None and needed_on < timezone.localdate(),
            "lead": pull_words.waits_for(demand, holders) if waits else "",
            "steps": planning_selectors.steps_of(demand),
            "form": form,
            "may": may,
            "may_cancel": may[Capability.SET_NEEDS.value] and demand.state in _CAN_BE_CANCELLED,
        }
        return self.show(context, status=status)


class NeedEdit(SiteScopedMixin, FormPage):
    """By when the parts of an inspection are wanted, and where."""

    scoped_queryset = planning_selectors.inspections_with_need()
    form_class = NeedForm
    title = "When the parts are wanted"
    inspection: Inspection

    def prepare(self) -> None:
        self.inspection = get_object_or_404(self.get_queryset(), pk=self.kwargs["pk"])
        self.require_at(Capability.SET_NEEDS, self.inspection.site)

    def make_form(self, **bound: Any) -> Form:
        needed_on, bench, _version = planning_selectors.need_of(self.inspection)
        return NeedForm(**bound, initial={"needed_on": needed_on, "bench": bench})

    def save(self, form: Form) -> Need:
        return needs.set_need(
            actor=self.actor,
            inspection=self.inspection,
            version=self.sent_version(),
            **form.cleaned_data,
        )

    def where(self, row: Need) -> str:
        return reverse("parts:pull-list", args=[self.inspection.pk])

    def done(self, row: Need) -> str:
        if row.needed_on is None:
            return "Saved. Its parts come after all that are wanted on a day."
        return f"Saved: wanted {pull_words.day(row.needed_on)}. Its parts are planned again."

    def context(self, form: Form) -> dict[str, Any]:
        _day, _bench, version = planning_selectors.need_of(self.inspection)
        return {
            "lead": f"For {self.inspection.pump.tag}, inspection {self.inspection.pk} at "
            f"{self.inspection.site}.",
            "version": version,
            "back": reverse("parts:pull-list", args=[self.inspection.pk]),
        }
