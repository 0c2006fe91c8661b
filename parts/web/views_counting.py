"""Counts of the shelf: what is due, the sheet line by line, and what came of it."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.forms import Form
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone

from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import Capability
from fleet.web.pages import FormPage, Page, do_once, refusal_of, rows_page, show_refusal
from parts import counting_selectors as reads
from parts import selectors
from parts.models import Count, CountLine
from parts.rules.counting import CountClass, LineState
from parts.services import counts
from parts.web import forms_counting as forms
from parts.web.choosing import chosen_store

DUE_SHOWN = 10
ACCURACY_DAYS = 365


class Counts(SiteScopedMixin, Page):
    """What waits, what is due, and the counts of one store."""

    template_name = "parts/counts.html"
    partial = "rows"
    scoped_queryset = selectors.stores()

    def get(self, request: HttpRequest) -> HttpResponse:
        stores, store = chosen_store(request)
        context: dict[str, Any] = {
            "stores": stores,
            "store": store,
            "classes": list(CountClass),
            "decide": list(reads.to_decide(self.actor)[:DUE_SHOWN]),
        }
        if store is not None:
            today = timezone.now().date()
            due = reads.due_in(store, today)
            counted, accuracy = reads.accuracy_of(store, today - timedelta(days=ACCURACY_DAYS))
            context |= {
                "page": rows_page(request, reads.counts().filter(store=store)),
                "due": reads.due_parts(due[:DUE_SHOWN]),
                "due_all": len(due),
                "due_more": len(due[DUE_SHOWN:]),
                "never": sum(1 for row in due if row.last is None),
                "counted": counted,
                "accuracy": accuracy,
                "may": self.may_at(store.site),
            }
        return self.show(context)


class CountRaise(FormPage):
    template_name = "parts/count_raise.html"
    form_class = forms.RaiseForm
    title = "Raise a count"
    verb = "Raise the count"

    def prepare(self) -> None:
        self.require_somewhere(Capability.KEEP_STOCK)

    def make_form(self, **bound: Any) -> Form:
        stores = selectors.stores().actable_by(self.actor, Capability.KEEP_STOCK)
        asked = {name: self.request.GET.get(name) for name in ("store", "parts", "what")}
        initial = {name: value for name, value in asked.items() if value}
        return forms.RaiseForm(**bound, stores=stores.order_by("site__name"), initial=initial)

    def save(self, form: Form) -> Count:
        typed = form.cleaned_data
        chosen: dict[str, Any] = {}
        if typed["what"] == forms.DUE:
            chosen["due"] = typed["at_most"] or counts.USUAL_SHEET
        elif typed["what"] == forms.BINS:
            chosen["bins"] = (typed["bin_from"], typed["bin_to"])
        else:
            chosen["parts"] = counts.parts_named(re.split(r"[\s,;]+", typed["parts"]))
        return counts.raise_count(
            actor=self.actor, store=typed["store"], why=typed["why"], **chosen
        )

    def where(self, row: Count) -> str:
        return reverse("parts:count", args=[row.pk])

    def done(self, row: Count) -> str:
        lines = row.lines.count()
        return f"{lines} line{'' if lines == 1 else 's'} to count."

    def context(self, form: Form) -> dict[str, Any]:
        return {"back": reverse("parts:counts")}


class OneCount(SiteScopedMixin, Page):
    """The lines of a count and what came of them."""

    template_name = "parts/count.html"
    scoped_queryset = reads.counts()

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        count = get_object_or_404(self.get_queryset(), pk=pk)
        lines = reads.lines_of(count)
        rows = [
            (line, reads.state_of(line), reads.difference_of(line), reads.value_of_difference(line))
            for line in lines
        ]
        to_count = [line for line, state, _, _ in rows if state is LineState.TO_COUNT]
        return self.show(
            {
                "count": count,
                "rows": rows,
                "to_count": to_count,
                "unexplained": [row for row in rows if row[1] is LineState.UNEXPLAINED],
                "waiting": [row for row in rows if row[1] is LineState.WAITING],
                "result": reads.result_of(lines),
                "under_way": count.state in reads.UNDER_WAY,
                "may": self.may_at(count.store.site),
            }
        )


class CountSheet(SiteScopedMixin, Page):
    """What is still to be counted, on paper. It says where and what, and not how many."""

    template_name = "parts/count_sheet.html"
    scoped_queryset = reads.counts()

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        count = get_object_or_404(self.get_queryset(), pk=pk)
        lines = [line for line in reads.lines_of(count) if line.counted is None]
        return self.show({"count": count, "lines": lines})


class _OfCount(SiteScopedMixin, FormPage):
    """A form about one count."""

    scoped_queryset = reads.counts()
    count: Count

    def prepare(self) -> None:
        self.count = get_object_or_404(self.get_queryset(), pk=self.kwargs["pk"])
        self.require_at(Capability.KEEP_STOCK, self.count.store.site)

    def context(self, form: Form) -> dict[str, Any]:
        return {"back": reverse("parts:count", args=[self.count.pk])}


class CountLineAdd(_OfCount):
    form_class = forms.AddLineForm
    title = "Add what is not on the sheet"
    verb = "Add the line"

    def save(self, form: Form) -> CountLine:
        return counts.add_line(actor=self.actor, count=self.count, **form.cleaned_data)

    def where(self, row: CountLine) -> str:
        return reverse("parts:count-line", args=[row.pk])


class CountCancel(_OfCount):
    form_class = forms.WhyForm
    title = "Cancel the count"
    verb = "Cancel the count"
    said = "The count is cancelled. What was settled stays."

    def save(self, form: Form) -> Count:
        return counts.cancel(actor=self.actor, count=self.count, why=form.cleaned_data["why"])

    def where(self, row: Count) -> str:
        return reverse("parts:count", args=[row.pk])

    def context(self, form: Form) -> dict[str, Any]:
        return {**super().context(form), "danger": True}


class OneLine(SiteScopedMixin, Page):
    """One line at a time, as one walks along the bins with a phone in the hand."""

    template_name = "parts/count_line.html"
    scoped_queryset = reads.lines()

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self._page(self._line(pk), {})

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        line = self._line(pk)
        what = request.POST.get("do", "")
        form = self._forms(line, data=request.POST, bound=what).get(what)
        if form is None:
            raise Http404
        if not form.is_valid():
            return self._page(line, {what: form}, status=422)

        def work() -> HttpResponse:
            row = self._acts()[what](line, form.cleaned_data)
            messages.success(request, self._said(what, row))
            return redirect(self._next(row))

        answer: list[HttpResponse] = []
        fault = refusal_of(lambda: answer.append(do_once(request, work)))
        if fault is None:
            return answer[0]
        if fault.status == 403:
            raise fault
        status = show_refusal(form, fault)
        return self._page(self._line(pk), {what: form}, status=status)

    def _line(self, pk: int) -> CountLine:
        line: CountLine = get_object_or_404(self.get_queryset(), pk=pk)
        return line

    def _acts(self) -> dict[str, Callable[[CountLine, dict[str, Any]], CountLine]]:
        actor = self.actor
        return {
            "enter": lambda line, typed: counts.enter(actor=actor, line=line, **typed),
            "explain": lambda line, typed: counts.explain(actor=actor, line=line, **typed),
            "approve": lambda line, typed: counts.approve(actor=actor, line=line),
            "send_back": lambda line, typed: counts.send_back(actor=actor, line=line, **typed),
        }

    def _forms(self, line: CountLine, *, data: Any = None, bound: str = "") -> dict[str, Form]:
        again = line.counted is None and bool(line.reason)
        sent = {name: data if name == bound else None for name in self._acts()}
        return {
            "enter": forms.EnterForm(sent["enter"], again=again),
            "explain": forms.ExplainForm(sent["explain"]),
            "approve": Form(sent["approve"]),
            "send_back": forms.SendBackForm(sent["send_back"]),
        }

    def _said(self, what: str, line: CountLine) -> str:
        state = reads.state_of(line)
        if state is LineState.RIGHT:
            return f"{line.part.number}: as on record."
        if state is LineState.CORRECTED:
            return f"{line.part.number}: the ledger is corrected by {reads.difference_of(line):+d}."
        if state is LineState.UNEXPLAINED:
            return f"{line.part.number} differs. Look once more, then say why."
        if state is LineState.WAITING:
            return f"{line.part.number} waits for a second person."
        return f"{line.part.number} is to be counted again."

    def _next(self, line: CountLine) -> str:
        """The line itself while it wants a reason, else the next to count, else the sheet."""
        if reads.state_of(line) is LineState.UNEXPLAINED:
            return reverse("parts:count-line", args=[line.pk])
        rest = [row for row in reads.lines_of(line.count) if row.counted is None]
        after = [row for row in self._after(line) if row.counted is None]
        following = (after or rest)[:1]
        if following and reads.state_of(line) is not LineState.TO_COUNT:
            return reverse("parts:count-line", args=[following[0].pk])
        return reverse("parts:count", args=[line.count_id])

    def _after(self, line: CountLine) -> list[CountLine]:
        rows = reads.lines_of(line.count)
        at = [row.pk for row in rows].index(line.pk)
        return rows[at + 1 :]

    def _page(self, line: CountLine, shown: dict[str, Form], *, status: int = 200) -> HttpResponse:
        rows = reads.lines_of(line.count)
        at = [row.pk for row in rows].index(line.pk)
        state = reads.state_of(line)
        return self.show(
            {
                "line": line,
                "count": line.count,
                "state": state,
                "forms": {**self._forms(line), **shown},
                "difference": reads.difference_of(line),
                "value": reads.value_of_difference(line),
                "position": at + 1,
                "of": len(rows),
                "before": rows[at - 1] if at else None,
                "after": rows[at + 1] if at + 1 < len(rows) else None,
                "under_way": line.count.state in reads.UNDER_WAY,
                "may_decide": reads.may_decide(line, self.actor),
                "may": self.may_at(line.count.store.site),
            },
            status=status,
        )
