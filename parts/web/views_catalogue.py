"""The catalogue: parts, kits, and which part renews which component."""

from __future__ import annotations

from typing import Any

from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse

from fleet.roles import Capability
from fleet.web.pages import FormPage, Page, SharedPage, do_once, refusal_of, rows_page
from parts import selectors
from parts.models import Fit, KitContent, Part
from parts.services import catalogue
from parts.web import forms

MOVEMENTS_SHOWN = 50


class Catalogue(SharedPage):
    template_name = "parts/catalogue.html"
    partial = "rows"

    def get(self, request: HttpRequest) -> HttpResponse:
        asked = forms.CatalogueFilter(request.GET)
        asked.is_valid()
        query = asked.cleaned_data.get("q", "")
        page = rows_page(request, selectors.catalogue(query))
        return self.show(
            {"page": page, "filter": asked, "query": query, "may": self.may_somewhere()}
        )


class OnePart(SharedPage):
    template_name = "parts/part.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        part = get_object_or_404(selectors.catalogue(), pk=pk)
        levels = selectors.stock_levels().visible_to(self.actor).filter(part=part)
        own_sites = {level.store.site.name for level in levels}
        moves = selectors.movements().visible_to(self.actor).filter(part=part)
        return self.show(
            {
                "part": part,
                "contents": part.contents.all(),
                "in_kits": KitContent.objects.filter(part=part).select_related("kit"),
                "fits": selectors.fits().filter(part=part),
                "levels": levels.order_by("store__site__name"),
                "elsewhere": [
                    h for h in selectors.holders_of(part) if h.site_name not in own_sites
                ],
                "movements": moves[:MOVEMENTS_SHOWN],
                "may": self.may_somewhere(),
            }
        )


class _CataloguePage(FormPage):
    """A form that whoever keeps the catalogue at any site may use."""

    def prepare(self) -> None:
        self.require_somewhere(Capability.KEEP_CATALOGUE)


class PartAdd(_CataloguePage):
    form_class = forms.PartForm
    title = "Add a part"
    verb = "Add the part"

    def save(self, form: Form) -> Part:
        return catalogue.add_part(actor=self.actor, **form.cleaned_data)

    def where(self, row: Part) -> str:
        return reverse("parts:part", args=[row.pk])

    def done(self, row: Part) -> str:
        return f"{row} is in the catalogue."

    def context(self, form: Form) -> dict[str, Any]:
        return {"back": reverse("parts:catalogue")}


class _OfPart(_CataloguePage):
    part: Part

    def prepare(self) -> None:
        super().prepare()
        self.part = get_object_or_404(selectors.catalogue(), pk=self.kwargs["pk"])

    def where(self, row: Any) -> str:
        return reverse("parts:part", args=[self.part.pk])

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "part": self.part,
            "version": self.part.version,
            "back": reverse("parts:part", args=[self.part.pk]),
            "title": f"{self.title}: {self.part.number}",
        }


class PartEdit(_OfPart):
    form_class = forms.PartForm
    title = "Correct the part"
    verb = "Save the changes"
    said = "The part is changed."

    def make_form(self, **bound: Any) -> Form:
        names = ("number", "name", "unit", "is_kit")
        return forms.PartForm(**bound, initial={n: getattr(self.part, n) for n in names})

    def save(self, form: Form) -> Part:
        return catalogue.change_part(
            actor=self.actor, part=self.part, version=self.sent_version(), **form.cleaned_data
        )


class KitContents(Page):
    """All that lies in a kit, as one table of rows."""

    template_name = "parts/kit_contents.html"
    part: Part

    def prepare(self) -> None:
        self.require_somewhere(Capability.KEEP_CATALOGUE)
        self.part = get_object_or_404(selectors.catalogue(), pk=self.kwargs["pk"])

    def get(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        self.prepare()
        rows = [{"part": c.part.number, "quantity": c.quantity} for c in self.part.contents.all()]
        return self._rows(forms.ContentFormSet(initial=rows), [], 200)

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        self.prepare()
        formset = forms.ContentFormSet(request.POST)
        if not formset.is_valid():
            return self._rows(formset, [], 422)
        typed = [form for form in formset if form.cleaned_data.get("part")]

        def work() -> HttpResponse:
            catalogue.set_kit_contents(
                actor=self.actor,
                kit=self.part,
                version=self.sent_version(),
                contents=[
                    (f.cleaned_data["part"], _count(f.cleaned_data["quantity"])) for f in typed
                ],
            )
            return redirect("parts:part", self.part.pk)

        answer: list[HttpResponse] = []
        fault = refusal_of(lambda: answer.append(do_once(request, work)))
        if fault is None:
            return answer[0]
        over: list[str] = []
        for each in fault.each():
            steps = each.field.split(".")
            if len(steps) == 3 and steps[0] == "contents":
                typed[int(steps[1])].add_error(steps[2], each.detail)
            else:
                over.append(each.detail)
        self.prepare()
        return self._rows(formset, over, 403 if fault.status == 403 else 422)

    def _rows(self, formset: Any, over: list[str], status: int) -> HttpResponse:
        return self.show(
            {
                "part": self.part,
                "version": self.part.version,
                "back": reverse("parts:part", args=[self.part.pk]),
                "title": f"What lies in the kit: {self.part.number}",
                "verb": "Save the contents",
                "formset": formset,
                "over": over,
            },
            status=status,
        )


def _count(quantity: int | None) -> int:
    # A number without a count means one of it.
    return 1 if quantity is None else quantity


class FitAdd(_OfPart):
    form_class = forms.FitForm
    title = "Say what it renews"
    verb = "Add the fit"

    def make_form(self, **bound: Any) -> Form:
        asked = {name: self.request.GET.get(name) for name in ("model", "component")}
        return forms.FitForm(
            **bound, initial={k: v for k, v in asked.items() if v} | {"quantity": 1}
        )

    def save(self, form: Form) -> Fit:
        return catalogue.set_fit(actor=self.actor, part=self.part, **form.cleaned_data)

    def done(self, row: Fit) -> str:
        return f"{row}. Demands that had no part can be matched now."

    def context(self, form: Form) -> dict[str, Any]:
        return {
            **super().context(form),
            "lead": "It takes the place of the part that was named for this component before. "
            "Demands already matched keep their part.",
        }


class FitRemove(_CataloguePage):
    form_class = Form
    title = "Take a fit out"
    verb = "Take it out"
    fit: Fit

    def prepare(self) -> None:
        super().prepare()
        self.fit = get_object_or_404(selectors.fits(), pk=self.kwargs["pk"])

    def save(self, form: Form) -> Part:
        part = self.fit.part
        catalogue.remove_fit(actor=self.actor, fit=self.fit)
        return part

    def where(self, row: Part) -> str:
        return reverse("parts:part", args=[row.pk])

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "lead": f"{self.fit}: from then on a demand for it finds no part, until another is "
            "named.",
            "danger": True,
            "back": reverse("parts:part", args=[self.fit.part_id]),
        }
