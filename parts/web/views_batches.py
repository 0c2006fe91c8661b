"""What expires next in a store, and what is done about it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone

from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import Capability
from fleet.web.pages import FormPage, Page
from parts import catalogue_selectors, selectors
from parts.models import Batch, BatchLevel, Part, StockLevel
from parts.rules.batches import Window, window
from parts.services import ageing
from parts.web import forms_catalogue as forms
from parts.web.choosing import chosen_store
from parts.web.views_catalogue import OfPart

_HEADINGS = {
    Window.EXPIRED: "Expired",
    Window.DAYS_30: "Within 30 days",
    Window.DAYS_90: "Within 90 days",
    Window.DAYS_180: "Within 180 days",
    Window.LATER: "Later",
}


@dataclass(frozen=True, slots=True)
class Group:
    """The batches of one window."""

    window: Window
    rows: list[BatchLevel]

    @property
    def heading(self) -> str:
        return _HEADINGS[self.window]

    @property
    def close(self) -> bool:
        """Whether it is time to have these looked at again."""
        return self.window in (Window.EXPIRED, Window.DAYS_30, Window.DAYS_90)

    @property
    def expired(self) -> bool:
        return self.window is Window.EXPIRED

    @property
    def pieces(self) -> int:
        return sum(row.on_hand for row in self.rows)


def grouped(rows: Iterable[BatchLevel], today: date) -> list[Group]:
    """Rows by window, those windows left out that hold none."""
    found: dict[Window, list[BatchLevel]] = {}
    for row in rows:
        found.setdefault(window(row.batch.expires_on, today), []).append(row)
    return [Group(each, found[each]) for each in Window if each in found]


class Batches(SiteScopedMixin, Page):
    """One store by expiry; the first of one's own unless another is asked for."""

    template_name = "parts/batches.html"
    partial = "rows"
    scoped_queryset = selectors.stores()

    def get(self, request: HttpRequest) -> HttpResponse:
        stores, store = chosen_store(request)
        rows = catalogue_selectors.batch_levels()
        groups = grouped(rows.filter(store=store), timezone.now().date()) if store else []
        by_window = {group.window: group for group in groups}
        return self.show(
            {
                "store": store,
                "stores": stores,
                "groups": groups,
                "expired": by_window.get(Window.EXPIRED),
                "soon": by_window.get(Window.DAYS_30),
                "loose": catalogue_selectors.without_batch(store) if store else [],
                "may": self.may_at(store.site) if store else {},
            }
        )


class BatchExtend(SiteScopedMixin, FormPage):
    form_class = forms.ExtendForm
    title = "Extend a batch"
    verb = "Extend the batch"
    scoped_queryset = catalogue_selectors.batch_levels()
    level: BatchLevel

    def prepare(self) -> None:
        self.level = get_object_or_404(self.get_queryset(), pk=self.kwargs["pk"])
        self.require_at(Capability.EXTEND_BATCHES, self.level.store.site)

    def save(self, form: Form) -> Batch:
        return ageing.extend_batch(
            actor=self.actor, level=self.level, version=self.sent_version(), **form.cleaned_data
        )

    def where(self, row: Batch) -> str:
        return f"{reverse('parts:batches')}?store={self.level.store_id}"

    def done(self, row: Batch) -> str:
        return f"Batch {row.code} may be fitted until {row.expires_on.day} {row.expires_on:%b %Y}."

    def context(self, form: Form) -> dict[str, Any]:
        batch = self.level.batch
        return {
            "version": batch.version,
            "title": f"{self.title}: {batch.code}",
            "back": self.where(batch),
            "lead": f"{batch.part}, {self.level.on_hand} in {self.level.store}. It expires on "
            f"{batch.expires_on.day} {batch.expires_on:%b %Y}. The new date holds in every store "
            "that has some of this batch. The maker's storage rules, your site rules and licensed "
            "persons come first.",
        }


class PutInBatch(SiteScopedMixin, FormPage):
    """A batch for what lies in a store without one."""

    form_class = forms.LotForm
    title = "Give it a batch"
    verb = "Put it into the batch"
    scoped_queryset = selectors.stock_levels()
    level: StockLevel

    def prepare(self) -> None:
        self.level = get_object_or_404(self.get_queryset(), pk=self.kwargs["pk"])
        self.require_at(Capability.KEEP_STOCK, self.level.store.site)

    def save(self, form: Form) -> Batch:
        return ageing.put_in_batch(
            actor=self.actor,
            store=self.level.store,
            part=self.level.part,
            **form.cleaned_data,
        )

    def where(self, row: Batch) -> str:
        return f"{reverse('parts:batches')}?store={self.level.store_id}"

    def done(self, row: Batch) -> str:
        return f"It lies in batch {row.code} from now on."

    def context(self, form: Form) -> dict[str, Any]:
        loose = ageing.loose_of(self.level)
        return {
            "title": f"{self.title}: {self.level.part.number}",
            "back": f"{reverse('parts:batches')}?store={self.level.store_id}",
            "lead": f"{loose} of {self.level.part} in {self.level.store} have no batch. Look at "
            "the bags: when in doubt enter the earliest date, or scrap them.",
        }


class BeginAgeing(OfPart):
    form_class = forms.AgeingForm
    title = "Give it a shelf life"
    verb = "Give it the shelf life"
    said = "The part ages from now on, and what lies in the stores has its batch."

    def save(self, form: Form) -> Part:
        return ageing.begin_ageing(
            actor=self.actor,
            part=self.part,
            version=self.sent_version(),
            **form.cleaned_data,
        )

    def context(self, form: Form) -> dict[str, Any]:
        return {
            **super().context(form),
            "lead": "All that lies in the stores of all sites today is put into one batch with "
            "the age that you enter. What comes in later brings its own.",
        }
