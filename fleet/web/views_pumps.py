"""The register of pumps, and what a person records about one."""

from __future__ import annotations

from typing import Any, ClassVar

from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse

from fleet import exports, selectors
from fleet.lifecycle import PumpStatus
from fleet.models import Pump, Site
from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import Capability
from fleet.services import pumps
from fleet.web import forms
from fleet.web.pages import FormPage, Page, rows_page


class Register(Page):
    template_name = "fleet/pumps.html"
    partial = "rows"

    def get(self, request: HttpRequest) -> HttpResponse:
        filter_form = forms.RegisterFilter(request.GET, sites=selectors.sites_of(self.actor))
        page = rows_page(request, selectors.pump_register(self.actor, filter_form.filters()))
        query = request.GET.copy()
        query.pop("page", None)
        return self.show(
            {
                "filter": filter_form,
                "page": page,
                "query": query.urlencode(),
                "may_add": Site.objects.actable_by(self.actor, Capability.KEEP_REGISTER).exists(),
                "may_export": Site.objects.actable_by(self.actor, Capability.EXPORT).exists(),
            }
        )


class RegisterFile(Page):
    """The filtered register as a file that the import reads back."""

    def get(self, request: HttpRequest, file: str) -> HttpResponse:
        filter_form = forms.RegisterFilter(request.GET, sites=selectors.sites_of(self.actor))
        chosen = selectors.pump_register(self.actor, filter_form.filters())
        return as_download(exports.export_pumps(actor=self.actor, pumps=chosen, file=file))


def as_download(export: exports.ExportFile) -> HttpResponse:
    response = HttpResponse(export.content, content_type=export.content_type)
    response["Content-Disposition"] = f'attachment; filename="{export.name}"'
    response["Cache-Control"] = "private, no-store"
    return response


class OnePump(SiteScopedMixin, Page):
    template_name = "fleet/pump.html"
    scoped_queryset = selectors.pumps_with_model()

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        pump = get_object_or_404(self.get_queryset(), pk=pk)
        state = PumpStatus(pump.status)
        return self.show(
            {
                "pump": pump,
                "sheet": selectors.sheet_in_force(pump.model),
                "history": selectors.pump_history(pump),
                "may": self.may_at(pump.site),
                "free": state in pumps.FREE_STATES,
                "by_hand": state in (*pumps.FREE_STATES, PumpStatus.SCRAPPED),
            }
        )


class PumpAdd(FormPage):
    form_class = forms.PumpForm
    title = "Add a pump"
    verb = "Add the pump"

    def prepare(self) -> None:
        self.require_somewhere(Capability.KEEP_REGISTER)

    def make_form(self, **bound: Any) -> Form:
        sites = Site.objects.actable_by(self.actor, Capability.KEEP_REGISTER)
        initial = {"model": self.request.GET.get("model")}
        return forms.PumpForm(**bound, sites=sites, initial=initial)

    def save(self, form: Form) -> Pump:
        return pumps.add_pump(actor=self.actor, **form.cleaned_data)

    def where(self, row: Pump) -> str:
        return reverse("fleet:pump", args=[row.pk])

    def done(self, row: Pump) -> str:
        return f"{row.tag} is on the register."

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "back": reverse("fleet:pumps"),
            "units": {"meter_h": "h", "running_h": "h"},
            "lead": "The model must be on file first. Many pumps at once are quicker from a file.",
        }


class PumpFormPage(SiteScopedMixin, FormPage):
    """A form about one pump."""

    scoped_queryset = selectors.pumps_with_model()
    capability: ClassVar[Capability] = Capability.KEEP_REGISTER
    pump: Pump

    def prepare(self) -> None:
        self.pump = get_object_or_404(self.get_queryset(), pk=self.kwargs["pk"])
        self.require_at(self.capability, self.pump.site)

    def where(self, row: Pump) -> str:
        return reverse("fleet:pump", args=[self.pump.pk])

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "about": self.pump,
            "version": self.pump.version,
            "back": reverse("fleet:pump", args=[self.pump.pk]),
            "title": f"{self.title}: {self.pump.tag}",
        }


class PumpEdit(PumpFormPage):
    form_class = forms.PumpChangeForm
    title = "Correct the register"
    verb = "Save the changes"
    said = "The register is changed."

    def make_form(self, **bound: Any) -> Form:
        names = ("tag", "machine", "position", "next_inspection_on")
        initial = {name: getattr(self.pump, name) for name in names}
        return forms.PumpChangeForm(**bound, initial=initial)

    def save(self, form: Form) -> Pump:
        return pumps.change_pump(
            actor=self.actor, pump=self.pump, version=self.sent_version(), **form.cleaned_data
        )


class PumpHours(PumpFormPage):
    form_class = forms.HoursForm
    capability = Capability.RECORD_HOURS
    title = "Record hours"
    verb = "Record the reading"

    def save(self, form: Form) -> Pump:
        return pumps.record_hours(actor=self.actor, pump=self.pump, **form.cleaned_data)

    def done(self, row: Pump) -> str:
        return f"{row.tag} has {row.running_h:,} running hours."

    def context(self, form: Form) -> dict[str, Any]:
        return {**super().context(form), "units": {"meter_h": "h"}, "shows_hours": True}


class PumpMove(PumpFormPage):
    form_class = forms.MoveForm
    capability = Capability.MOVE_PUMPS
    title = "Move the pump"
    verb = "Move it"

    def make_form(self, **bound: Any) -> Form:
        others = selectors.sites_of(self.actor).exclude(pk=self.pump.site_id)
        return forms.MoveForm(**bound, sites=others)

    def save(self, form: Form) -> Pump:
        return pumps.move_pump(
            actor=self.actor, pump=self.pump, version=self.sent_version(), **form.cleaned_data
        )

    def done(self, row: Pump) -> str:
        return f"{row.tag} is now at {row.site}."

    def context(self, form: Form) -> dict[str, Any]:
        return {
            **super().context(form),
            "lead": f"It stands at {self.pump.site} and leaves its register. Inspections made "
            "there stay there.",
        }


class PumpStatusChange(PumpFormPage):
    form_class = forms.StatusForm
    title = "Set the state"
    verb = "Set the state"

    def make_form(self, **bound: Any) -> Form:
        return forms.StatusForm(**bound, pump=self.pump)

    def save(self, form: Form) -> Pump:
        return pumps.set_status(
            actor=self.actor, pump=self.pump, version=self.sent_version(), **form.cleaned_data
        )

    def done(self, row: Pump) -> str:
        return f"{row.tag} is now {PumpStatus(row.status).label}."

    def context(self, form: Form) -> dict[str, Any]:
        return {
            **super().context(form),
            "lead": f"It is {PumpStatus(self.pump.status).label} now. The change stays in its "
            "history with your name.",
        }
