"""How far the judging again by a changed rule has come, and what comes out otherwise."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404

from fleet.models import SheetRule
from fleet.selectors import decision_rule_of, rules_told
from fleet.web.pages import SharedPage, rows_page
from inspections import rejudged


class JudgedAgain(SharedPage):
    """One rule: the counts are of all sites, the rows of the viewer's own."""

    template_name = "inspections/judged_again.html"
    partial = "progress"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        rule = get_object_or_404(
            SheetRule.objects.select_related("sheet__model", "chosen_by"), pk=pk
        )
        row = rejudged.rejudgements().filter(rule=rule).first()
        # Told, and not begun yet: it is a matter of moments.
        begins = row is None and rule.pk in rules_told(rule.sheet)
        mine = rejudged.differing(row).visible_to(self.actor) if row else None
        return self.show(
            {
                "rule": rule,
                "sentence": decision_rule_of(rule).sentence(),
                "row": row,
                "begins": begins,
                "goes_on": begins or (row is not None and row.finished_at is None),
                "page": rows_page(request, mine) if mine is not None else None,
            }
        )
