"""The first page, and what was found on one pump: both look across all three apps."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone

from fleet import selectors as fleet
from fleet.plumbing.scoping import SiteScopedMixin
from fleet.web.pages import Page
from parts.board import Show, board, work_on
from parts.web.forms import BoardFilter

ROWS_SHOWN = 200
SHORTAGES_SHOWN = 3


class BoardPage(Page):
    template_name = "parts/board.html"
    partial = "rows"

    def get(self, request: HttpRequest) -> HttpResponse:
        asked = BoardFilter(request.GET, sites=fleet.sites_of(self.actor))
        asked.is_valid()
        show = Show(asked.cleaned_data.get("show") or Show.ALL)
        site = asked.cleaned_data.get("site")
        found = board(self.actor, today=timezone.now().date(), site_id=site.pk if site else None)
        rows = [row for row in found.rows if row.is_shown_as(show)]
        return self.show(
            {
                "board": found,
                "counts": found.counts,
                "shortages": found.shortages[:SHORTAGES_SHOWN],
                "further_shortages": len(found.shortages[SHORTAGES_SHOWN:]),
                "filter": asked,
                "shown": show,
                "site": site,
                # So that a number leads to the rows it counts.
                "narrow": f"&site={site.pk}" if site else "",
                "rows": rows[:ROWS_SHOWN],
                "count": len(rows),
                "may": self.may_somewhere(),
            }
        )


class OfPump(SiteScopedMixin, Page):
    """Inspections of a pump with what they asked for: a part of the pump's page."""

    template_name = "parts/of_pump.html"
    partial = "found"
    scoped_queryset = fleet.pumps_with_model()

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        pump = get_object_or_404(self.get_queryset(), pk=pk)
        return self.show({"pump": pump, "work": work_on(pump, self.actor)})
