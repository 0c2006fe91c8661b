"""From dispositions to the locked report: deciding, signing, countersigning, correcting."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.urls import reverse

from fleet.access import is_trainee_at
from fleet.roles import Capability
from fleet.vocabulary import COMPONENTS, Component, PumpFamily
from inspections import selectors
from inspections.agreement_selectors import comparisons_of
from inspections.cause_selectors import causes_of
from inspections.instrument_selectors import overdue_uses
from inspections.models import ComponentDisposition, Inspection
from inspections.rejudged import under_later_rule
from inspections.rules.dispositions import Disposition
from inspections.rules.lifecycle import UNDER_WORK, InspectionState
from inspections.rules.verdicts import Outcome
from inspections.selectors import Check
from inspections.services import dispositions, signing
from inspections.web import reading
from inspections.web.forms import CountersignForm, OverruleForm, PlainForm, SignForm, WhyForm
from inspections.web.overdue import AcceptsOverdue
from inspections.web.pages import InspectionPage, ScopedPage


class Dispositions(InspectionPage):
    """What becomes of each component: proposed with reasons, overruled with one."""

    template_name = "inspections/dispositions.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.page()

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.post_once(self.handle)

    def handle(self) -> HttpResponse:
        if self.request.POST.get("do") == "propose":
            return self.propose()
        if self.request.POST.get("do") == "overrule":
            return self.overrule()
        raise Http404

    def propose(self) -> HttpResponse:
        plain = PlainForm(self.request.POST)
        plain.full_clean()
        done = self.act(
            plain,
            lambda: dispositions.propose_all(actor=self.actor, inspection=self.inspection),
            to=self.address("dispositions"),
        )
        return self.page(plain=plain, status=done) if isinstance(done, int) else done

    def overrule(self) -> HttpResponse:
        form = OverruleForm(self.request.POST)
        component = self.request.POST.get("component", "")
        if component not in {
            c.value for c in COMPONENTS[PumpFamily(self.inspection.pump.model.family)]
        }:
            raise Http404
        status = 422
        if form.is_valid():
            done = self.act(
                form,
                lambda: dispositions.overrule(
                    actor=self.actor,
                    inspection=self.inspection,
                    component=component,
                    decided=Disposition(form.cleaned_data["decided"]),
                    reason=form.cleaned_data["reason"],
                ),
                to=self.address("dispositions"),
                said=f"{Component(component).label}: decided.",
            )
            if not isinstance(done, int):
                return done
            status = done
        return self.page(form=form, component=component, status=status)

    def page(
        self,
        *,
        status: int = 200,
        form: OverruleForm | None = None,
        component: str = "",
        plain: PlainForm | None = None,
    ) -> HttpResponse:
        rows = list(selectors.dispositions_of(self.inspection))
        may_overrule = self.writable and self.may[Capability.OVERRULE.value]
        forms = {
            row.component: form
            if form is not None and row.component == component
            else OverruleForm(
                initial={"decided": row.decided, "reason": row.overrule_reason},
                auto_id=f"id_{row.component}_%s",
            )
            for row in rows
        }
        return self.show(
            self.context(
                rows=[(row, forms[row.component]) for row in rows],
                outdated=selectors.dispositions_outdated(self.inspection),
                to_do=reading.to_do(self.inspection) if self.writable else [],
                may_overrule=may_overrule,
                plain=plain,
                renewed=_renewed(rows),
                causes=causes_of(self.inspection),
            ),
            status=status,
        )


class Sign(AcceptsOverdue):
    """The summary of the inspection, and one's name under it."""

    template_name = "inspections/sign.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.page(SignForm(initial={"version": self.inspection.version}))

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.post_once(self.handle)

    def handle(self) -> HttpResponse:
        if self.request.POST.get("do") == "accept_overdue":
            done = self.accept_overdue(to=self.address("sign"))
            fresh = SignForm(initial={"version": self.inspection.version})
            return self.page(fresh, status=done) if isinstance(done, int) else done
        form = SignForm(self.request.POST)
        status = 422
        if form.is_valid():
            done = self.act(
                form,
                lambda: signing.sign(
                    actor=self.actor,
                    inspection=self.inspection,
                    version=form.cleaned_data["version"],
                ),
                to=self.address("sign"),
                said="Signed under your name.",
            )
            if not isinstance(done, int):
                return done
            status = done
        return self.page(form, status=status)

    def page(self, form: SignForm, *, status: int = 200) -> HttpResponse:
        checks = selectors.checks_of(self.inspection)
        rows = list(selectors.dispositions_of(self.inspection))
        waiting = self.inspection.state == InspectionState.AWAITING_COUNTERSIGNATURE.value
        overdue = self.overdue_rows()
        looked_at_later = self.inspection.needs_countersignature or is_trainee_at(
            self.actor, self.inspection.site
        )
        to_do = reading.to_do(self.inspection) if self.writable else []
        if self.writable and not looked_at_later:
            to_do += reading.to_accept(self.inspection, [row.use for row in overdue])
        who = (
            reading.people_who_may(
                Capability.COUNTERSIGN, self.inspection.site, besides=self.inspection.signed_by_id
            )
            if waiting or self.inspection.needs_countersignature
            else ()
        )
        return self.show(
            self.context(
                form=form,
                to_do=to_do,
                overdue=overdue,
                under_work=InspectionState(self.inspection.state) in UNDER_WORK,
                outdated=selectors.dispositions_outdated(self.inspection),
                proposed=bool(rows),
                checks=[c for c in checks if c.applies],
                out=[c for c in checks if c.outcome is Outcome.OUT],
                waived=[c for c in checks if c.is_waived],
                renewed=_renewed(rows),
                overruled=[r for r in rows if r.decided != r.proposed],
                scrapped=any(r.decided == Disposition.SCRAP.value for r in rows),
                countersigners=who,
                waiting=waiting,
            ),
            status=status,
        )


class Queue(ScopedPage):
    """What waits for a countersignature at the viewer's sites."""

    scoped_queryset = Inspection.objects.select_related("site", "pump__model", "signed_by")
    template_name = "inspections/queue.html"

    def get(self, request: HttpRequest) -> HttpResponse:
        mine = list(selectors.countersign_queue(self.actor))
        ids = {row.pk for row in mine}
        waiting = self.get_queryset().awaiting_countersignature().order_by("signed_at", "pk")
        others = [row for row in waiting if row.pk not in ids]
        return self.show({"mine": mine, "others": others})


class Countersign(AcceptsOverdue):
    """Raw readings beside the verdict they led to, for the second pair of eyes."""

    template_name = "inspections/countersign.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.page()

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.post_once(self.handle)

    def handle(self) -> HttpResponse:
        if self.request.POST.get("do") == "accept_overdue":
            done = self.accept_overdue(to=self.address("countersign"))
            return self.page(status=done) if isinstance(done, int) else done
        if self.request.POST.get("do") == "send_back":
            return self.send_back()
        if self.request.POST.get("do") == "countersign":
            return self.countersign()
        raise Http404

    def countersign(self) -> HttpResponse:
        form = CountersignForm(self.request.POST)
        status = 422
        if form.is_valid():
            done = self.act(
                form,
                lambda: signing.countersign(
                    actor=self.actor,
                    inspection=self.inspection,
                    version=form.cleaned_data["version"],
                    why=form.cleaned_data["why"],
                ),
                to=self.address("report"),
                said="Countersigned. The inspection is locked.",
            )
            if not isinstance(done, int):
                return done
            status = done
        return self.page(form=form, status=status)

    def send_back(self) -> HttpResponse:
        form = self.back_form(self.request.POST)
        status = 422
        if form.is_valid():
            done = self.act(
                form,
                lambda: signing.send_back(
                    actor=self.actor,
                    inspection=self.inspection,
                    version=form.cleaned_data["version"],
                    why=form.cleaned_data["why"],
                ),
                to=self.address("bench"),
                said="Sent back to the bench.",
            )
            if not isinstance(done, int):
                return done
            status = done
        return self.page(back_form=form, status=status)

    def back_form(self, *args: Any, **kwargs: Any) -> WhyForm:
        return WhyForm(*args, ask="What is to be done again", auto_id="id_back_%s", **kwargs)

    def page(
        self,
        *,
        status: int = 200,
        form: CountersignForm | None = None,
        back_form: WhyForm | None = None,
    ) -> HttpResponse:
        version = {"version": self.inspection.version}
        waiting = self.inspection.state == InspectionState.AWAITING_COUNTERSIGNATURE.value
        may_sign = waiting and self.may[Capability.COUNTERSIGN.value]
        overdue = self.overdue_rows()
        own = may_sign and not selectors.countersign_queue(self.actor).filter(pk=self.inspection.pk)
        return self.show(
            self.context(
                form=form or CountersignForm(initial=version),
                back_form=back_form or self.back_form(initial=version),
                plate=reading.nameplate_of(self.inspection),
                waiting=waiting,
                may_countersign=may_sign,
                own_work=own,
                may_measure=may_sign and not own,
                overdue=overdue,
                under_work=InspectionState(self.inspection.state) in UNDER_WORK,
                not_accepted=[row.use for row in overdue if not row.use.accepted],
                countersigners=reading.people_who_may(
                    Capability.COUNTERSIGN,
                    self.inspection.site,
                    besides=self.inspection.signed_by_id,
                ),
                **_in_full(self.inspection),
            ),
            status=status,
        )


class Report(InspectionPage):
    """The whole inspection on paper."""

    template_name = "inspections/report.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        correction = (
            self.inspection.corrections.exclude(state=InspectionState.ABANDONED.value)
            .order_by("-pk")
            .first()
        )
        return self.show(
            self.context(
                plate=reading.nameplate_of(self.inspection),
                history=self.inspection.state_changes.select_related("by"),
                correction=correction,
                overdue=overdue_uses(self.inspection),
                later=under_later_rule(self.inspection),
                may_supersede=self.may[Capability.SUPERSEDE.value]
                and self.inspection.state == InspectionState.SIGNED.value
                and correction is None,
                **_in_full(self.inspection),
            )
        )


class Supersede(InspectionPage):
    """Begins a correction: a new inspection that will stand in place of this one."""

    template_name = "inspections/supersede.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.page(self.form())

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.post_once(self.handle)

    def form(self, *args: Any) -> WhyForm:
        return WhyForm(*args, ask="What is wrong with it")

    def handle(self) -> HttpResponse:
        form = self.form(self.request.POST)
        status = 422
        if form.is_valid():
            made: list[Inspection] = []
            done = self.act(
                form,
                lambda: made.append(
                    signing.supersede(
                        actor=self.actor,
                        inspection=self.inspection,
                        why=form.cleaned_data["why"],
                    )
                ),
                to=lambda: reverse("inspections:bench", args=[made[0].pk]),
            )
            if not isinstance(done, int):
                return done
            status = done
        return self.page(form, status=status)

    def page(self, form: WhyForm, *, status: int = 200) -> HttpResponse:
        may_supersede = (
            self.may[Capability.SUPERSEDE.value]
            and self.inspection.state == InspectionState.SIGNED.value
        )
        return self.show(self.context(form=form, may_supersede=may_supersede), status=status)


def _in_full(inspection: Inspection) -> dict[str, Any]:
    """Every check with its readings, replaced ones too; every component with its disposition."""
    checks = selectors.checks_of(inspection)
    rows = reading.components_of(inspection, checks)
    taken = inspection.readings.select_related("instrument", "taken_by").order_by("id")
    by_line: dict[int, list[Any]] = {}
    for one in taken:
        by_line.setdefault(one.line_id, []).append(one)
    decided = {row.component: row for row in selectors.dispositions_of(inspection)}
    return {
        "checks": [(check, _in_order(check, by_line.get(check.line.pk, []))) for check in checks],
        "rows": [(row, decided.get(row.component.value)) for row in rows],
        "out": [c for c in checks if c.outcome is Outcome.OUT],
        "renewed": _renewed(decided.values()),
        "causes": causes_of(inspection),
        "again": comparisons_of(inspection),
        **reading.drawing_of(inspection, rows),
    }


def _in_order(check: Check, taken: list[Any]) -> list[Any]:
    """By position as on the sheet, what counts before what it replaced."""
    places = list(check.line.positions)
    terms = list(check.line.terms) or [""]
    return sorted(
        taken,
        key=lambda r: (
            places.index(r.position),
            terms.index(r.term),
            r.replaced_at is not None,
            -r.pk,
        ),
    )


def _renewed(rows: Any) -> Sequence[ComponentDisposition]:
    return [row for row in rows if Disposition(row.decided).renews]
