"""Pull lists as they are chosen, how far an inspection's parts are, and demands without a part."""

from __future__ import annotations

from collections import Counter

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone

from fleet.plumbing.csp import with_camera
from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import Capability
from fleet.web.pages import Page, do_once, refusal_of, rows_page
from inspections.models import Inspection
from parts import buying_selectors, pulling_selectors, selectors
from parts.board import free_elsewhere
from parts.models import Demand
from parts.rules.labels import read_bag
from parts.rules.lifecycle import DemandState
from parts.services import demands, pulling
from parts.web import pull_words
from parts.web.forms_pulling import ListsFilter
from parts.web.views_walking import cannot_be_pulled, needed_of, to_confirm


class PullLists(Page):
    """All lists, wanted soonest first. ?bag= is a scanned bag label: its list opens."""

    template_name = "parts/pull_lists.html"

    def get(self, request: HttpRequest) -> HttpResponse:
        if "bag" in request.GET:
            return self._open_bag(request.GET["bag"])
        done = request.GET.get("done") == "yes"
        benches = pulling_selectors.benches(self.actor)
        form = ListsFilter(request.GET, benches=benches)
        bench = form.cleaned_data["bench"] if form.is_valid() else ""
        lists = pulling_selectors.lists_by_need(self.actor, done=done, bench=bench)
        today = timezone.localdate()
        page = rows_page(request, lists)
        for row in page.object_list:
            row.needed = pull_words.needed(row.needed_on, today)
            row.waits_count = row.short_count + row.coming_count + row.ordered_count
        waiting = selectors.demands().visible_to(self.actor).order_by()
        counts = Counter(waiting.values_list("state", flat=True))
        response = self.show(
            {
                "page": page,
                "done": done,
                "filter": form,
                "benches": benches,
                "bench": bench,
                "overdue": 0 if done else lists.filter(needed_on__lt=today).count(),
                "reserved": counts[DemandState.RESERVED.value],
                "short": counts[DemandState.SHORT.value],
                "coming": counts[DemandState.COMING.value],
                "ordered": counts[DemandState.ORDERED.value],
                "late_lines": buying_selectors.late_count(self.actor, today),
                "unmatched": counts[DemandState.UNMATCHED.value],
                "may": self.may_somewhere(),
            }
        )
        return with_camera(response)

    def _open_bag(self, scanned: str) -> HttpResponse:
        number = read_bag(scanned)
        asking = selectors.inspections_with_demands().visible_to(self.actor)
        if number is None or not asking.filter(pk=number).exists():
            messages.error(
                self.request,
                f"'{scanned[:40]}' is not the label of a bag that you can see. Choose its list "
                "below.",
            )
            return redirect("parts:pull-lists")
        return redirect("parts:pull-list", number)


class OfInspection(SiteScopedMixin, Page):
    """How far the parts of an inspection are: a part of its pages, and a page of its own."""

    template_name = "parts/of_inspection.html"
    partial = "parts"
    scoped_queryset = Inspection.objects.select_related("site", "pump", "need")

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self._page(get_object_or_404(self.get_queryset(), pk=pk))

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        """The technician has the parts that were handed out."""
        inspection = get_object_or_404(self.get_queryset(), pk=pk)
        self.require_at(Capability.INSPECT, inspection.site)

        def work() -> HttpResponse:
            pulling.confirm_issue(actor=self.actor, demands=to_confirm([inspection]))
            return redirect("parts:of-inspection", pk)

        answer: list[HttpResponse] = []
        fault = refusal_of(lambda: answer.append(do_once(request, work)))
        if fault is None:
            return answer[0]
        return self._page(inspection, status=422, fault=fault.detail)

    def _page(self, inspection: Inspection, *, status: int = 200, fault: str = "") -> HttpResponse:
        lines = [
            line
            for line in pulling_selectors.lines_of([inspection])
            if line.state != DemandState.RETURNED.value
        ]
        holders = free_elsewhere(lines)
        counts = Counter(line.state for line in lines)
        issued = [line for line in lines if line.state == DemandState.ISSUED.value]
        return self.show(
            {
                "inspection": inspection,
                "pump": inspection.pump,
                "total": len(lines),
                "waits": [
                    pull_words.waits_in_a_sentence(
                        line, holders.get((line.part_id or 0, line.site_id), ())
                    )
                    for line in lines
                    if cannot_be_pulled(line)
                ],
                "reserved": counts[DemandState.RESERVED.value],
                "issued": len(issued),
                "to_confirm": [line for line in issued if line.confirmed_at is None],
                "in_hand": [line for line in issued if line.confirmed_at is not None],
                "to_return": [line for line in issued if line.why == pulling.RETURN_IT],
                "needed": needed_of(inspection),
                "fault": fault,
                "may": self.may_at(inspection.site),
            },
            status=status,
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
