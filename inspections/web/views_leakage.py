"""What the clearances of an inspection cost: the page, its table and its drawings as files."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.utils.safestring import SafeString, mark_safe

from fleet.faults import Fault
from fleet.roles import Capability
from fleet.tables import write_csv
from fleet.units import IN_MM, LengthUnit, convert, show
from fleet.web.pages import refused, show_refusal
from inspections.losses import Cost, Costed, cost_of
from inspections.rules import leakage_words as words
from inspections.rules.leakage import Clearance, Conditions, PathLoss
from inspections.rules.leakage_plot import Axes, leak_curve_svg
from inspections.rules.quantities import Units, figure
from inspections.web.leakage_form import FIELD_OF, ConditionsForm
from inspections.web.pages import InspectionPage

_CSV_COLUMNS = (
    "clearance",
    "part",
    "gap_low_mm",
    "gap_high_mm",
    "loss_l_min",
    "loss_5_percent_l_min",
    "loss_95_percent_l_min",
    "share",
    "loss_as_new_l_min",
    "loss_at_limit_l_min",
    "gives_back_l_min",
    "note",
    "pressure_bar",
    "temperature_c",
    "speed_rpm",
    "oil",
)


@dataclass(frozen=True)
class Row:
    """One clearance as the page shows it. Flows are figures in the unit of the column's head."""

    costed: Costed
    name: str
    read: str
    limit: str
    as_new: str
    flow: str
    low: str
    high: str
    share: str
    flow_as_new: str
    flow_at_limit: str
    gives_back: str
    no_figure: str
    notes: tuple[str, ...]
    sum: words.Sum
    drawing: SafeString

    @property
    def key(self) -> str:
        return self.costed.loss.measured.key

    @property
    def part(self) -> str:
        return self.costed.loss.measured.part

    @property
    def line(self) -> int | None:
        """The check to open; None where the sheet has none."""
        checks = self.costed.checks
        return checks[0].line.pk if checks else None


class CostPage(InspectionPage):
    """A page, or a file, about the cost under the conditions in its address."""

    def cost(self, form: ConditionsForm) -> tuple[Cost | None, int]:
        """The cost and 200; None and the status where what is asked for cannot be taken."""
        if not form.is_valid():
            return None, 422
        try:
            return cost_of(self.inspection, form.conditions(self.inspection.pump.model)), 200
        except Fault as fault:
            for each in fault.each():
                each.field = FIELD_OF.get(each.field, each.field)
            return None, show_refusal(form, fault)


class LeakagePage(CostPage):
    """The sentence first, then the figures behind it, then where they stop to hold."""

    template_name = "inspections/leakage.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        form = ConditionsForm(self.inspection.pump.model, request.GET)
        cost, status = self.cost(form)
        return self.show(
            self.context(
                form=form,
                query=request.GET.urlencode(),
                paths_exist=self.inspection.pump.model.leak_paths.exists(),
                may_enter=self.may_somewhere()[Capability.KEEP_REGISTER.value],
                **(self.shown(cost, form.units) if cost is not None else {}),
            ),
            status=status,
        )

    def shown(self, cost: Cost, units: Units) -> dict[str, Any]:
        found = cost.losses
        rows = [row_of(one, found.conditions, units) for one in cost.paths]
        return {
            "losses": found,
            "units": units,
            "rows": rows,
            "result": _unbroken(words.result(found, units)),
            "spread": _unbroken(words.spread(found, units)),
            "change_first": _unbroken(words.change_first(found, units)),
            "validity": words.validity(found),
            "total": _flow(found.total, units),
            "total_low": _flow(found.low, units),
            "total_high": _flow(found.high, units),
            "theoretical": _flow(found.conditions.theoretical_l_min, units, 3),
            "kinematic": figure(found.conditions.kinematic_mm2_s, 3),
        }


class LeakageTable(CostPage):
    """The table as CSV, in bar, °C, mm and L/min whatever the page shows."""

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        form = ConditionsForm(self.inspection.pump.model, request.GET)
        cost, _ = self.cost(form)
        if cost is None:
            return refused(request, _as_fault(form))
        rows = [_csv_row(one, cost.losses.conditions) for one in cost.paths]
        response = HttpResponse(write_csv(_CSV_COLUMNS, rows), content_type="text/csv")
        return _as_file(response, f"inspection-{pk}-leakage.csv")


class LeakageDrawing(CostPage):
    """The drawing of one clearance as an SVG file with looks of its own."""

    def get(self, request: HttpRequest, pk: int, characteristic: str) -> HttpResponse:
        form = ConditionsForm(self.inspection.pump.model, request.GET)
        cost, _ = self.cost(form)
        if cost is None:
            return refused(request, _as_fault(form))
        for one in cost.paths:
            if one.loss.measured.key == characteristic:
                svg = drawing_of(one, form.units, standalone=True)
                if svg:
                    response = HttpResponse(svg, content_type="image/svg+xml")
                    return _as_file(response, f"inspection-{pk}-{characteristic}.svg")
        raise Http404


def _as_file(response: HttpResponse, name: str) -> HttpResponse:
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    response["Cache-Control"] = "private, no-store"
    return response


def _as_fault(form: ConditionsForm) -> Fault:
    return Fault(" ".join(str(e) for errors in form.errors.values() for e in errors))


def row_of(one: Costed, asked: Conditions, units: Units) -> Row:
    loss = one.loss
    measured = loss.measured
    return Row(
        costed=one,
        name=measured.name,
        read=_read(measured.clearances, one.unit),
        limit=", ".join(_length(limit, one.unit) for limit in measured.limits_mm),
        as_new=_read(measured.as_new, one.unit),
        flow=_flow(loss.flow, units),
        low=_flow(loss.low, units),
        high=_flow(loss.high, units),
        share="" if loss.share is None else words.percent(loss.share),
        flow_as_new=_flow(loss.as_new, units),
        flow_at_limit=_flow(loss.at_limit, units),
        gives_back=_flow(loss.gives_back, units),
        no_figure=words.no_figure(measured),
        notes=words.notes(loss),
        sum=words.sum_of(loss, asked),
        drawing=mark_safe(drawing_of(one, units)),  # noqa: S308 (drawn by us, its text escaped)
    )


def drawing_of(one: Costed, units: Units, *, standalone: bool = False) -> str:
    return leak_curve_svg(
        one.loss,
        title=_title(one, units),
        axes=Axes(
            length_per_mm=float(1 / IN_MM[one.unit]),
            length_unit=one.unit.label,
            flow_per_l_min=units.from_l_min(1.0),
            flow_unit=units.flow.label,
        ),
        standalone=standalone,
    )


def _title(one: Costed, units: Units) -> str:
    loss: PathLoss = one.loss
    if loss.flow is None:
        return f"{loss.measured.name}: loss against clearance, nothing measured yet"
    return (
        f"{loss.measured.name}: loss against clearance. Today "
        f"{_read(loss.measured.clearances, one.unit)}, which loses "
        f"{words.flow_words(loss.flow, units)}."
    )


def _flow(flow_l_min: float | None, units: Units, digits: int = 2) -> str:
    return "" if flow_l_min is None else figure(units.from_l_min(flow_l_min), digits)


def _read(clearances: tuple[Clearance, ...], unit: LengthUnit) -> str:
    """From the lowest to the highest end over all positions, in the unit of the sheet."""
    if not clearances:
        return ""
    low = min(c.low_mm for c in clearances)
    highs = [c.high_mm for c in clearances if c.high_mm is not None]
    if len(highs) < len(clearances):
        return f"{_length(low, unit)} or more"
    if low == max(highs):
        return _length(low, unit)
    return f"{_length(low, unit).split()[0]} to {_length(max(highs), unit)}"


def _length(length_mm: Decimal, unit: LengthUnit) -> str:
    value = convert(length_mm, LengthUnit.MM, unit)
    rounded = round(value, {LengthUnit.MM: 4, LengthUnit.INCH: 5}.get(unit, 2))
    # Printed digits are kept where there is nothing to round: 0.10 stays 0.10.
    return show(value if value == rounded else rounded, unit)


def _unbroken(text: str) -> str:
    """The sentence with its figures tied to their units, so that no line ends between them."""
    return re.sub(r"(?<=\d) (?=%|°|bar|psi|L/min|US gpm)", "\u00a0", text)


def _csv_row(one: Costed, asked: Conditions) -> list[str]:
    loss = one.loss
    measured = loss.measured
    lows = [c.low_mm for c in measured.clearances]
    highs = [c.high_mm for c in measured.clearances if c.high_mm is not None]
    open_end = len(highs) < len(lows)
    note = " ".join((words.no_figure(measured), *words.notes(loss))).strip()
    flows = (loss.flow, loss.low, loss.high, loss.share, loss.as_new, loss.at_limit)
    return [
        measured.name,
        measured.part,
        f"{min(lows).normalize():f}" if lows else "",
        "" if open_end or not highs else f"{max(highs).normalize():f}",
        *("" if value is None else f"{value:.6g}" for value in (*flows, loss.gives_back)),
        note,
        f"{asked.pressure_bar:g}",
        f"{asked.temperature_c:g}",
        f"{asked.speed_rpm:g}",
        asked.oil.source,
    ]
