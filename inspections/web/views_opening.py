"""Opening an inspection and its front page: the list, the bench, isolation, the nameplate."""

from __future__ import annotations

from typing import Any

from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone

from fleet.access import may
from fleet.models import Pump, Site
from fleet.roles import Capability
from inspections.models import Inspection
from inspections.rejudged import under_later_rule
from inspections.rules.cautions import CAUTIONS, CLOSING, CautionStep
from inspections.rules.lifecycle import InspectionState, Reason
from inspections.rules.verdicts import Outcome
from inspections.services import opening
from inspections.web import reading
from inspections.web.forms import IsolationForm, NameplateForm, OpenForm, PlainForm, WhyForm
from inspections.web.pages import InspectionPage, ScopedPage

# What can hurt before the pump is dead and off the machine; the rest stands at its own step.
BEFORE_ISOLATION = (
    CautionStep.BEFORE_START,
    CautionStep.STORED_ENERGY,
    CautionStep.INJECTION,
    CautionStep.HOT_OIL,
    CautionStep.LIFTING,
)
ROWS_ON_A_PAGE = 100


class InspectionList(ScopedPage):
    """All inspections that the viewer may see, newest first."""

    scoped_queryset = Inspection.objects.select_related("site", "pump__model", "opened_by")
    template_name = "inspections/list.html"
    partial = "rows"

    def get(self, request: HttpRequest) -> HttpResponse:
        visible = self.get_queryset()
        counts = visible.aggregate(
            open=Count("pk", filter=Q(state=InspectionState.OPEN.value)),
            waiting=Count("pk", filter=Q(state=InspectionState.AWAITING_COUNTERSIGNATURE.value)),
        )
        states = [s for s in InspectionState if s.value == request.GET.get("state")]
        sites = Site.objects.visible_to(request.user)
        chosen = request.GET.get("site", "")
        rows = visible.annotate(
            out=Count("verdicts", filter=Q(verdicts__outcome=Outcome.OUT.value))
        )
        if states:
            rows = rows.filter(state=states[0].value)
        if chosen.isdecimal() and len(chosen) < 10:
            rows = rows.filter(site_id=int(chosen))
        found = rows.count()
        before = request.GET.get("before", "")
        if before.isdecimal() and len(before) < 18:
            rows = rows.filter(pk__lt=int(before))
        shown = list(rows.order_by("-pk")[: ROWS_ON_A_PAGE + 1])
        return self.show(
            {
                "counts": counts,
                "found": found,
                "rows": shown[:ROWS_ON_A_PAGE],
                "older": shown[ROWS_ON_A_PAGE - 1].pk if len(shown) > ROWS_ON_A_PAGE else None,
                "sites": sites,
                "site": chosen,
                "states": list(InspectionState),
                "chosen_state": states[0].value if states else "",
            }
        )


class OpenInspection(ScopedPage):
    """Puts a pump on the bench."""

    scoped_queryset = Pump.objects.select_related("site", "model")
    template_name = "inspections/open.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.page(self.pump(pk), OpenForm())

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.post_once(self.handle, self.pump(pk))

    def pump(self, pk: int) -> Pump:
        pump: Pump = get_object_or_404(self.get_queryset(), pk=pk)
        return pump

    def handle(self, pump: Pump) -> HttpResponse:
        form = OpenForm(self.request.POST)
        status = 422
        if form.is_valid():
            opened: list[Inspection] = []
            done = self.act(
                form,
                lambda: opened.append(
                    opening.open_inspection(
                        actor=self.actor,
                        pump=pump,
                        reason=Reason(form.cleaned_data["reason"]),
                        complaint=form.cleaned_data["complaint"],
                    )
                ),
                to=lambda: reverse("inspections:isolation", args=[opened[0].pk]),
            )
            if not isinstance(done, int):
                return done
            status = done
        return self.page(pump, form, status=status)

    def page(self, pump: Pump, form: OpenForm, *, status: int = 200) -> HttpResponse:
        under_work = (
            Inspection.objects.visible_to(self.actor)
            .filter(
                pump=pump,
                state__in=[
                    InspectionState.OPEN.value,
                    InspectionState.AWAITING_COUNTERSIGNATURE.value,
                ],
            )
            .first()
        )
        return self.show(
            {
                "pump": pump,
                "form": form,
                "under_work": under_work,
                "may_inspect": may(self.actor, Capability.INSPECT, pump.site),
            },
            status=status,
        )


class Bench(InspectionPage):
    """The front page of an inspection: what is done, what is next."""

    template_name = "inspections/bench.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.show(
            self.context(
                later=under_later_rule(self.inspection), **reading.bench_of(self.inspection)
            )
        )


class Isolation(InspectionPage):
    """The cautions, then the lock and the proof of zero."""

    template_name = "inspections/isolation.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        now = f"{timezone.now():%Y-%m-%dT%H:%M}"
        return self.page(IsolationForm(initial={"isolated_at": now, "proved_zero_at": now}))

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.post_once(self.handle)

    def handle(self) -> HttpResponse:
        if self.request.POST.get("do") == "acknowledge":
            plain = PlainForm(self.request.POST)
            done = self.act(
                plain,
                lambda: opening.acknowledge_cautions(actor=self.actor, inspection=self.inspection),
                to=self.address("isolation"),
            )
            if isinstance(done, int):
                plain.full_clean()
                return self.page(IsolationForm(), acknowledge=plain, status=done)
            return done
        form = IsolationForm(self.request.POST)
        status = 422
        if form.is_valid():
            done = self.act(
                form,
                lambda: opening.confirm_isolation(
                    actor=self.actor,
                    inspection=self.inspection,
                    lock_number=form.cleaned_data["lock_number"],
                    isolated_at=form.in_utc("isolated_at"),
                    proved_zero_how=form.cleaned_data["proved_zero_how"],
                    proved_zero_at=form.in_utc("proved_zero_at"),
                ),
                to=self.address("nameplate"),
                said="Isolation and proved zero are on record under your name.",
            )
            if not isinstance(done, int):
                return done
            status = done
        return self.page(form, status=status)

    def page(self, form: IsolationForm, *, status: int = 200, **more: Any) -> HttpResponse:
        return self.show(
            self.context(
                form=form,
                cautions=[CAUTIONS[step] for step in BEFORE_ISOLATION],
                closing=CLOSING,
                **more,
            ),
            status=status,
        )


class NameplatePage(InspectionPage):
    """What the plate says, beside what the register says."""

    template_name = "inspections/nameplate.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        plate = reading.nameplate_of(self.inspection)
        initial = {}
        if plate is not None:
            initial = {name: getattr(plate, name) for name in NameplateForm.base_fields}
            if plate.displacement_cm3 is not None:
                initial["displacement_cm3"] = f"{reading.plain(plate.displacement_cm3)}"
        return self.page(NameplateForm(initial=initial))

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.post_once(self.handle)

    def handle(self) -> HttpResponse:
        form = NameplateForm(self.request.POST)
        status = 422
        if form.is_valid():
            done = self.act(
                form,
                lambda: opening.record_nameplate(
                    actor=self.actor, inspection=self.inspection, **form.cleaned_data
                ),
                to=self.address("nameplate"),
                said="The nameplate is on record.",
            )
            if not isinstance(done, int):
                return done
            status = done
        return self.page(form, status=status)

    def page(self, form: NameplateForm, *, status: int = 200) -> HttpResponse:
        plate = reading.nameplate_of(self.inspection)
        return self.show(self.context(form=form, plate=plate), status=status)


class Abandon(InspectionPage):
    """Gives an open inspection up, with the reason."""

    template_name = "inspections/abandon.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.page(self.form(initial={"version": self.inspection.version}))

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.post_once(self.handle)

    def form(self, *args: Any, **kwargs: Any) -> WhyForm:
        return WhyForm(*args, ask="Why is it abandoned", **kwargs)

    def handle(self) -> HttpResponse:
        form = self.form(self.request.POST)
        status = 422
        if form.is_valid():
            done = self.act(
                form,
                lambda: opening.abandon(
                    actor=self.actor,
                    inspection=self.inspection,
                    version=form.cleaned_data["version"],
                    why=form.cleaned_data["why"],
                ),
                to=reverse("inspections:bench", args=[self.inspection.pk]),
                said="The inspection is abandoned; what was recorded stays on record.",
            )
            if not isinstance(done, int):
                return done
            status = done
        return self.page(form, status=status)

    def page(self, form: WhyForm, *, status: int = 200) -> HttpResponse:
        return self.show(self.context(form=form), status=status)
