"""Pull lists: what the store hands out for each inspection, line by line along the bins."""

from __future__ import annotations

from collections import Counter
from typing import Any

from django.contrib import messages
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect

from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import Capability
from fleet.web.pages import Page, do_once, refusal_of, rows_page, show_refusal
from inspections.models import Inspection
from parts import selectors
from parts.board import free_elsewhere
from parts.lifecycle import DemandState
from parts.models import Demand
from parts.services import demands
from parts.web.forms import PullForm
from parts.web.scanning import COUNT_NEEDED, count_for, line_for


class PullLists(Page):
    template_name = "parts/pull_lists.html"

    def get(self, request: HttpRequest) -> HttpResponse:
        done = request.GET.get("done") == "yes"
        lists = selectors.pull_lists(self.actor, done=done)
        waiting = selectors.demands().visible_to(self.actor).order_by()
        counts = Counter(waiting.values_list("state", flat=True))
        return self.show(
            {
                "page": rows_page(request, lists),
                "done": done,
                "reserved": counts[DemandState.RESERVED.value],
                "short": counts[DemandState.SHORT.value],
                "unmatched": counts[DemandState.UNMATCHED.value],
                "may": self.may_somewhere(),
            }
        )


class PullList(SiteScopedMixin, Page):
    """One list. A scanner types the number and Enter; a single part is then issued at once."""

    template_name = "parts/pull_list.html"
    partial = "list"
    scoped_queryset = Inspection.objects.select_related("site", "pump__model")

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self._page(self._inspection(pk), PullForm())

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        inspection = self._inspection(pk)
        self.require_at(Capability.PULL_PARTS, inspection.site)
        form = PullForm(request.POST)
        if not form.is_valid():
            return self._page(inspection, form, status=422)
        found: list[Demand] = []

        def work() -> HttpResponse:
            scanned = form.cleaned_data["scanned_number"]
            line = line_for(list(selectors.pull_list(inspection)), scanned)
            found.append(line)
            issued = demands.pull(
                actor=self.actor,
                demand=line,
                scanned_number=scanned,
                quantity=count_for(line, form.cleaned_data["quantity"]),
            )
            messages.success(request, f"{issued.quantity} {issued.part} issued.")
            return redirect("parts:pull-list", pk)

        answer: list[HttpResponse] = []
        fault = refusal_of(lambda: answer.append(do_once(request, work)))
        if fault is None:
            return answer[0]
        if fault.code == COUNT_NEEDED:
            # A question, no refusal: the right part was scanned, there are just several of it.
            return self._page(inspection, form, at=found[0], ask=fault.detail)
        for each in fault.each():
            each.field = each.field if each.field in form.fields else "scanned_number"
        status = show_refusal(form, fault)
        return self._page(inspection, form, status=status, at=found[0] if found else None)

    def _inspection(self, pk: int) -> Inspection:
        inspection: Inspection = get_object_or_404(self.get_queryset(), pk=pk)
        return inspection

    def _page(
        self,
        inspection: Inspection,
        form: Form,
        *,
        status: int = 200,
        at: Demand | None = None,
        ask: str = "",
    ) -> HttpResponse:
        lines = list(selectors.pull_list(inspection))
        holders = free_elsewhere(lines)
        counts = Counter(line.state for line in lines)
        asks_count = "quantity" in form.errors or (at is not None and at.quantity > 1)
        form.fields["quantity"].required = asks_count
        if form.is_bound and not asks_count:
            # The next scan must not be typed behind the wrong one; the refusal names that.
            form.data = {**form.data.dict(), "scanned_number": ""}  # type: ignore[attr-defined]
        field = "quantity" if ask or "quantity" in form.errors else "scanned_number"
        form.fields[field].widget.attrs["autofocus"] = True
        to_pull = counts[DemandState.RESERVED.value]
        context: dict[str, Any] = {
            "inspection": inspection,
            "pump": inspection.pump,
            "lines": [(line, holders.get((line.part_id, line.site_id), ())) for line in lines],
            "form": form,
            "asks_count": asks_count,
            "at": at,
            "ask": ask,
            "to_pull": to_pull,
            "short": counts[DemandState.SHORT.value],
            "unmatched": counts[DemandState.UNMATCHED.value],
            "issued": counts[DemandState.ISSUED.value],
            "may": self.may_at(inspection.site),
        }
        return self.show(context, status=status)


class OfInspection(SiteScopedMixin, Page):
    """How far the parts of an inspection are: a part of its pages, and a page of its own."""

    template_name = "parts/of_inspection.html"
    partial = "parts"
    scoped_queryset = Inspection.objects.select_related("site", "pump")

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        inspection = get_object_or_404(self.get_queryset(), pk=pk)
        lines = list(selectors.pull_list(inspection))
        holders = free_elsewhere(lines)
        waits = [
            (line, holders.get((line.part_id, line.site_id), ()))
            for line in lines
            if line.state in (DemandState.SHORT.value, DemandState.UNMATCHED.value)
        ]
        counts = Counter(line.state for line in lines)
        return self.show(
            {
                "inspection": inspection,
                "pump": inspection.pump,
                "total": len(lines),
                "waits": waits,
                "reserved": counts[DemandState.RESERVED.value],
                "issued": counts[DemandState.ISSUED.value],
            }
        )


class Unmatched(SiteScopedMixin, Page):
    """Demands for which the catalogue names no part."""

    template_name = "parts/unmatched.html"
    scoped_queryset = selectors.demands().select_related("inspection__pump__model")

    def get(self, request: HttpRequest) -> HttpResponse:
        rows = self.get_queryset().filter(state=DemandState.UNMATCHED.value).order_by("id")
        return self.show({"page": rows_page(request, rows), "may": self.may_somewhere()})


class UnmatchedRetry(SiteScopedMixin, Page):
    scoped_queryset = selectors.demands()

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        demand = get_object_or_404(self.get_queryset(), pk=pk)
        fault = refusal_of(lambda: demands.retry_unmatched(actor=self.actor, demand=demand))
        if fault is not None and fault.status == 403:
            raise fault
        if fault is not None:
            messages.error(request, fault.detail)
        else:
            messages.success(request, f"Matched. It is on the pull list of {_pump_of(demand)}.")
        return redirect("parts:unmatched")


def _pump_of(demand: Demand) -> str:
    return demand.inspection.pump.tag
