"""The instruments of the viewer's sites: what is at hand, what is due, what was read with them."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from django.contrib import messages
from django.forms import Form
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone

from fleet.models import Site
from fleet.roles import Capability
from fleet.units import LengthUnit
from fleet.vocabulary import InstrumentKind
from fleet.web.pages import rows_page
from inspections.instrument_selectors import by_calibration, leaf_withdrawals, readings_with
from inspections.models import Instrument
from inspections.rules.calibration import Standing, standing, standing_sentence
from inspections.rules.leaves import outside_bs957
from inspections.rules.verdicts import Outcome
from inspections.services import instruments
from inspections.web.forms import PlainForm
from inspections.web.instrument_forms import (
    CalibrationForm,
    InstrumentForm,
    PutInLeafForm,
    TakenWithForm,
    WithdrawLeafForm,
)
from inspections.web.pages import ScopedPage


class InstrumentList(ScopedPage):
    """All instruments of the viewer's sites, what needs calibration first."""

    scoped_queryset = Instrument.objects.select_related("site")
    template_name = "inspections/instruments.html"

    def get(self, request: HttpRequest) -> HttpResponse:
        rows = list(self.get_queryset().order_by("site__name", "identity"))
        in_use = by_calibration(
            [row for row in rows if row.withdrawn_at is None], timezone.now().date()
        )
        return self.show(
            {
                "rows": in_use,
                "withdrawn": [row for row in rows if row.withdrawn_at is not None],
                "overdue": [row for row in in_use if row.standing is Standing.OVERDUE],
                "due_soon": [row for row in in_use if row.standing is Standing.DUE_SOON],
                "undated": [row for row in in_use if row.standing is Standing.NO_DATE],
                "may_keep": Site.objects.actable_by(
                    self.actor, Capability.KEEP_INSTRUMENTS
                ).exists(),
            }
        )


class InstrumentPage(ScopedPage):
    """One instrument with its facts, its leaves and the readings taken with it."""

    scoped_queryset = Instrument.objects.select_related("site")
    template_name = "inspections/instrument.html"
    instrument: Instrument

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        self.instrument = get_object_or_404(self.get_queryset(), pk=pk)
        return self.page()

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        self.instrument = get_object_or_404(self.get_queryset(), pk=pk)
        return self.post_once(self.handle)

    def handle(self) -> HttpResponse:
        doing: dict[str, Callable[[], HttpResponse]] = {
            "calibrated": self.calibrated,
            "withdraw": self.withdraw,
            "bring_back": self.bring_back,
            "withdraw_leaf": self.withdraw_leaf,
            "put_in_leaf": self.put_in_leaf,
        }
        do = doing.get(self.request.POST.get("do", ""))
        if do is None:
            raise Http404
        return do()

    def calibrated(self) -> HttpResponse:
        form = CalibrationForm(self.request.POST)

        def work() -> object:
            return instruments.calibrated(
                actor=self.actor,
                instrument=self.instrument,
                due_on=form.cleaned_data["due_on"],
                permissible_error=form.cleaned_data["permissible_error"],
                version=form.cleaned_data["version"],
            )

        return self.done("calibration", form, work, "The new certificate is on record.")

    def withdraw(self) -> HttpResponse:
        return self.done(
            "plain",
            PlainForm(self.request.POST),
            lambda: instruments.withdraw_instrument(actor=self.actor, instrument=self.instrument),
            f"{self.instrument.identity} is withdrawn: no new readings with it.",
        )

    def bring_back(self) -> HttpResponse:
        return self.done(
            "plain",
            PlainForm(self.request.POST),
            lambda: instruments.bring_back_instrument(actor=self.actor, instrument=self.instrument),
            f"{self.instrument.identity} is in use again.",
        )

    def withdraw_leaf(self) -> HttpResponse:
        form = WithdrawLeafForm(self.instrument, self.request.POST, auto_id="id_out_%s")
        typed = self.request.POST.get("leaf", "")
        said = ""
        if form.is_valid():
            count = readings_with(self.instrument, leaf=form.thickness).count()
            made = f"{count} reading{'' if count == 1 else 's'}"
            said = f"The leaf {typed} is out of the set. " + (
                f"{made} made with it: look at them again below."
                if count
                else "No reading was made with it."
            )
        return self.done(
            "leaf_out",
            form,
            lambda: instruments.withdraw_leaf(
                actor=self.actor,
                instrument=self.instrument,
                leaf=form.thickness,
                why=form.cleaned_data["why"],
            ),
            said,
            to=f"{self.address}?leaf={typed}#readings",
        )

    def put_in_leaf(self) -> HttpResponse:
        form = PutInLeafForm(self.request.POST, auto_id="id_in_%s")

        def work() -> object:
            leaf = form.cleaned_data["leaf"]
            row = instruments.put_in_leaf(actor=self.actor, instrument=self.instrument, leaf=leaf)
            warn_of_unusual(self.request, [leaf], LengthUnit(row.unit))
            return row

        return self.done("leaf_in", form, work, "The new leaf is in the set.")

    def done(
        self, name: str, form: Form, work: Callable[[], object], said: str, *, to: str = ""
    ) -> HttpResponse:
        """What the form asks for, or the page with the form as it was refused."""
        status = 422
        if form.is_valid():
            result = self.act(form, work, to=to or self.address, said=said)
            if not isinstance(result, int):
                return result
            status = result
            self.instrument.refresh_from_db()
        return self.page(status=status, **{name: form})

    @property
    def address(self) -> str:
        return reverse("inspections:instrument", args=[self.instrument.pk])

    def page(self, *, status: int = 200, **forms: Form) -> HttpResponse:
        row = self.instrument
        today = timezone.now().date()
        withdrawals = list(leaf_withdrawals().filter(instrument=row).order_by("-id"))
        asked = TakenWithForm(
            row, [one.leaf for one in withdrawals], self.request.GET or None, auto_id="id_with_%s"
        )
        taken = (
            readings_with(row, **(asked.asked if asked.is_bound else {}))
            .visible_to(self.actor)
            .order_by("-taken_at", "-id")
        )
        listed = rows_page(self.request, taken)
        refused = next(iter(forms.values()), None)
        return self.show(
            {
                "instrument": row,
                "kind": InstrumentKind(row.kind),
                "standing": standing(row.calibration_due_on, today).value,
                "standing_sentence": standing_sentence(row.calibration_due_on, today),
                "withdrawals": withdrawals,
                "may_keep": self.may_at(row.site)[Capability.KEEP_INSTRUMENTS.value],
                "form": refused,
                "calibration": forms.get("calibration")
                or CalibrationForm(
                    initial={"permissible_error": _typed(row), "version": row.version}
                ),
                "leaf_out": forms.get("leaf_out") or WithdrawLeafForm(row, auto_id="id_out_%s"),
                "leaf_in": forms.get("leaf_in") or PutInLeafForm(auto_id="id_in_%s"),
                "asked": asked,
                "narrowed": asked.is_bound and any(asked.asked.values()),
                "page": listed,
                "taken": [
                    (one, Outcome(one.outcome) if one.outcome else None)
                    for one in listed.object_list
                ],
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
            made: list[Instrument] = []

            def work() -> None:
                made.append(
                    instruments.add_instrument(
                        actor=self.actor,
                        site=typed["site"],
                        identity=typed["identity"],
                        name=typed["name"],
                        kind=InstrumentKind(typed["kind"]),
                        unit=unit,
                        leaves=typed["leaves"],
                        resolution=typed["resolution"],
                        permissible_error=typed["permissible_error"],
                        calibration_due_on=typed["calibration_due_on"],
                    )
                )
                warn_of_unusual(self.request, typed["typed_leaves"], unit)

            done = self.act(
                form,
                work,
                to=lambda: reverse("inspections:instrument", args=[made[0].pk]),
                said=f"{typed['identity']} is on the list.",
            )
            if not isinstance(done, int):
                return done
            status = done
        return self.page(form, status=status)

    def page(self, form: InstrumentForm, *, status: int = 200) -> HttpResponse:
        keeps = Site.objects.actable_by(self.actor, Capability.KEEP_INSTRUMENTS).exists()
        return self.show({"form": form, "may_keep": keeps}, status=status)


def warn_of_unusual(request: HttpRequest, leaves: list[Decimal], unit: LengthUnit) -> None:
    """Says which leaves lie outside what leaf sets usually hold: a slip of the pen, perhaps."""
    unusual = outside_bs957(leaves, unit)
    if unusual:
        listed = ", ".join(f"{leaf:f}" for leaf in unusual)
        messages.warning(
            request,
            f"Look again at {listed} {unit.label}: BS 957:2008 knows leaves of 0.03 to 1.00 mm, or "
            "0.0015 to 0.025 in. If it is right, leave it.",
        )


def _typed(row: Instrument) -> str:
    return "" if row.permissible_error is None else f"{row.permissible_error:f}"
