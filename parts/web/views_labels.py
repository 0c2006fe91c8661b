"""Labels to print: for the bags that go to the bench, and for what lies on a shelf."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from itertools import chain
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.safestring import SafeString

from fleet.faults import Fault
from fleet.plumbing.scoping import SiteScopedMixin
from fleet.web.pages import Page
from inspections.models import Inspection
from parts import pulling_selectors, selectors
from parts.catalogue_selectors import find_part
from parts.labels import qr_svg
from parts.models import StockLevel
from parts.rules.labels import bag_text, part_text
from parts.web import pull_words
from parts.web.forms_pulling import ShelfLabelsForm

_MOST_LABELS = 200


@dataclass(frozen=True, slots=True)
class Label:
    """One label: what stands large, the lines below it, and the code with its text."""

    title: str
    lines: tuple[str, ...]
    text: str

    @property
    def code(self) -> SafeString:
        return qr_svg(self.text)


class Labels(SiteScopedMixin, Page):
    """?inspection=1&inspection=2: bags. ?store=1&part=SK-100: the shelf. &paper=sheet: A4."""

    template_name = "parts/labels.html"
    scoped_queryset = Inspection.objects.select_related("site", "pump", "need")

    def get(self, request: HttpRequest) -> HttpResponse:
        bags = self._bags()
        form = ShelfLabelsForm(
            request.GET if "part" in request.GET else None,
            stores=selectors.stores_of(self.actor),
        )
        shelf = self._shelf(form) if form.is_bound and form.is_valid() else []
        labels = [*bags, *shelf]
        if len(labels) > _MOST_LABELS:
            raise Fault(f"Print at most {_MOST_LABELS} labels at once.")
        roll, sheet = self._addresses()
        return self.show(
            {
                "labels": labels,
                "form": form,
                "paper": "sheet" if request.GET.get("paper") == "sheet" else "roll",
                "roll": roll,
                "sheet": sheet,
            },
            status=422 if form.is_bound and form.errors else 200,
        )

    def _bags(self) -> list[Label]:
        sent = self.request.GET.getlist("inspection")
        asked = {int(one) for one in sent if one.isdecimal() and len(one) < 10}
        found = list(self.get_queryset().filter(pk__in=asked).order_by("pk"))
        if len(found) < len(sent):
            raise Http404
        today = timezone.localdate()
        return [_bag_label(inspection, today) for inspection in found]

    def _shelf(self, form: Any) -> list[Label]:
        part = find_part(form.cleaned_data["part"])
        store = form.cleaned_data["store"]
        level = (
            StockLevel.objects.filter(store=store, part=part)
            .select_related("part", "store")
            .first()
        )
        if part is None or level is None:
            form.add_error("part", f"{store} keeps no part of this number. Check the number.")
            return []
        labels = _shelf_labels(level, timezone.localdate())
        if not labels:
            form.add_error("part", f"Nothing usable of {part} lies there, so there is no batch.")
        copies = form.cleaned_data["copies"] or 1
        return list(chain.from_iterable([label] * copies for label in labels))

    def _addresses(self) -> tuple[str, str]:
        """This page for the label printer, and for a sheet of A4."""
        query = self.request.GET.copy()
        query["paper"] = "roll"
        roll = query.urlencode()
        query["paper"] = "sheet"
        return f"?{roll}", f"?{query.urlencode()}"


def _bag_label(inspection: Inspection, today: date) -> Label:
    need = getattr(inspection, "need", None)
    wanted = pull_words.day(need.needed_on) if need and need.needed_on else ""
    lines = (
        inspection.pump.machine,
        need.bench if need else "",
        f"needed {wanted}" if wanted else "",
        f"inspection {inspection.pk}, {inspection.site}",
    )
    return Label(
        inspection.pump.tag, tuple(line for line in lines if line), bag_text(inspection.pk)
    )


def _shelf_labels(level: StockLevel, today: date) -> list[Label]:
    part = level.part
    where = f"bin {level.bin}" if level.bin else ""
    if not part.ages:
        lines = tuple(line for line in (part.name, where) if line)
        return [Label(part.number, lines, part_text(part.number))]
    labels = []
    for lot in pulling_selectors.usable_lots(level, today):
        ends = f"expires {pull_words.day(lot.expires_on)}" if lot.expires_on else ""
        batch = f"batch {lot.code}" if lot.code else "no batch"
        lines = tuple(line for line in (part.name, batch, ends, where) if line)
        labels.append(Label(part.number, lines, part_text(part.number, lot.code)))
    return labels
