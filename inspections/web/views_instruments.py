"""The instruments of the viewer's sites: what is at hand, what is withdrawn."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone

from fleet.models import Site
from fleet.roles import Capability
from fleet.units import LengthUnit
from fleet.vocabulary import InstrumentKind
from inspections.leaves import outside_bs957
from inspections.models import Instrument
from inspections.services import instruments
from inspections.web.forms import InstrumentForm, PlainForm
from inspections.web.pages import ScopedPage


class InstrumentList(ScopedPage):
    """All instruments of the viewer's sites; a POST withdraws one."""

    scoped_queryset = Instrument.objects.select_related("site")
    template_name = "inspections/instruments.html"

    def get(self, request: HttpRequest) -> HttpResponse:
        return self.page()

    def post(self, request: HttpRequest) -> HttpResponse:
        return self.post_once(self.handle)

    def handle(self) -> HttpResponse:
        typed = self.request.POST.get("instrument", "")
        pk = int(typed) if typed.isdecimal() and len(typed) < 18 else 0
        instrument = get_object_or_404(self.get_queryset(), pk=pk)
        plain = PlainForm(self.request.POST)
        plain.full_clean()
        done = self.act(
            plain,
            lambda: instruments.withdraw_instrument(actor=self.actor, instrument=instrument),
            to=reverse("inspections:instruments"),
            said=f"{instrument.identity} is withdrawn: no new readings with it.",
        )
        return self.page(plain, status=done) if isinstance(done, int) else done

    def page(self, plain: PlainForm | None = None, *, status: int = 200) -> HttpResponse:
        keeps = set(
            Site.objects.actable_by(self.actor, Capability.KEEP_INSTRUMENTS).values_list(
                "pk", flat=True
            )
        )
        rows = list(self.get_queryset().order_by("site__name", "withdrawn_at", "identity"))
        today = timezone.now().date()
        return self.show(
            {
                "rows": [(row, InstrumentKind(row.kind), row.site_id in keeps) for row in rows],
                "in_use": sum(row.withdrawn_at is None for row in rows),
                "overdue": [
                    row
                    for row in rows
                    if row.withdrawn_at is None
                    and row.calibration_due_on is not None
                    and row.calibration_due_on < today
                ],
                "may_keep": bool(keeps),
                "plain": plain,
            },
            status=status,
        )


class AddInstrument(ScopedPage):
    """Registers an instrument, a leaf set by its usual list or leaf by leaf."""

    scoped_queryset = Site.objects.all()
    template_name = "inspections/instrument_add.html"

    def get(self, request: HttpRequest) -> HttpResponse:
        return self.page(InstrumentForm(sites=self.sites()))

    def post(self, request: HttpRequest) -> HttpResponse:
        return self.post_once(self.handle)

    def sites(self) -> object:
        # All that are visible: where the role is missing, the refusal says so.
        return self.get_queryset()

    def handle(self) -> HttpResponse:
        form = InstrumentForm(self.request.POST, sites=self.sites())
        status = 422
        if form.is_valid():
            typed = form.cleaned_data
            unit = LengthUnit(typed["unit"])
            unusual = outside_bs957(typed["leaves"], unit)
            said = f"{typed['identity']} is on the list."
            if unusual:
                listed = ", ".join(f"{leaf:f}" for leaf in unusual)
                said += f" Look again at {listed}: leaves of that thickness are unusual."
            done = self.act(
                form,
                lambda: instruments.add_instrument(
                    actor=self.actor,
                    site=typed["site"],
                    identity=typed["identity"],
                    name=typed["name"],
                    kind=InstrumentKind(typed["kind"]),
                    unit=unit,
                    leaves=typed["leaves"],
                    resolution=typed["resolution"],
                    calibration_due_on=typed["calibration_due_on"],
                ),
                to=reverse("inspections:instruments"),
                said=said,
            )
            if not isinstance(done, int):
                return done
            status = done
        return self.page(form, status=status)

    def page(self, form: InstrumentForm, *, status: int = 200) -> HttpResponse:
        keeps = Site.objects.actable_by(self.actor, Capability.KEEP_INSTRUMENTS).exists()
        return self.show({"form": form, "may_keep": keeps}, status=status)
