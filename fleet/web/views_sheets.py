"""Pump models and their limit sheets: drafted, issued, revised."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

from django.db.models import Count, Prefetch, Q
from django.forms import Form
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse

from fleet import exports, selectors
from fleet.faults import Conflict, Fault
from fleet.lifecycle import SheetState
from fleet.limits import JudgedBy, Limits
from fleet.models import LimitSheet, Pump, PumpModel, SheetLine
from fleet.plumbing.scoping import memberships_of
from fleet.roles import Capability
from fleet.services import pumps, sheets
from fleet.tables import MODEL_COLUMNS
from fleet.units import LengthUnit, show
from fleet.vocabulary import CHARACTERISTICS, Characteristic, PumpFamily
from fleet.web import forms
from fleet.web.pages import FormPage, Page, SharedPage, rows_page
from fleet.web.views_pumps import as_download


class Models(SharedPage):
    template_name = "fleet/models.html"

    def get(self, request: HttpRequest) -> HttpResponse:
        own = Q(pumps__site__in=memberships_of(self.actor).values("site_id"))
        models = (
            selectors.pump_models()
            .annotate(own_pumps=Count("pumps", filter=own))
            .prefetch_related(Prefetch("sheets", LimitSheet.objects.order_by("-id")))
            .order_by("maker", "designation")
        )
        return self.show({"page": rows_page(request, models), "may": self.may_somewhere()})


class ModelsFile(Page):
    def get(self, request: HttpRequest, file: str) -> HttpResponse:
        models = selectors.pump_models()
        return as_download(exports.export_models(actor=self.actor, models=models, file=file))


class SheetsFile(Page):
    def get(self, request: HttpRequest, file: str) -> HttpResponse:
        every = selectors.limit_sheets()
        return as_download(exports.export_sheets(actor=self.actor, sheets=every, file=file))


class OneModel(SharedPage):
    template_name = "fleet/model.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        model = get_object_or_404(PumpModel, pk=pk)
        return self.show(
            {
                "model": model,
                "sheets": selectors.limit_sheets().filter(model=model).order_by("-id"),
                "own_pumps": Pump.objects.visible_to(self.actor).filter(model=model).count(),
                "may": self.may_somewhere(),
            }
        )


class ModelAdd(FormPage):
    form_class = forms.ModelForm
    title = "Add a pump model"
    verb = "Add the model"

    def prepare(self) -> None:
        self.require_somewhere(Capability.KEEP_REGISTER)

    def save(self, form: Form) -> PumpModel:
        return pumps.add_model(actor=self.actor, **form.cleaned_data)

    def where(self, row: PumpModel) -> str:
        return reverse("fleet:model", args=[row.pk])

    def done(self, row: PumpModel) -> str:
        return f"{row} is on file. Draft its limit sheet next."

    def context(self, form: Form) -> dict[str, Any]:
        return {"back": reverse("fleet:models"), "lead": "Figures as the nameplate has them."}


class ModelEdit(ModelAdd):
    title = "Correct the nameplate figures"
    verb = "Save the changes"
    model: PumpModel

    def prepare(self) -> None:
        super().prepare()
        self.model = get_object_or_404(PumpModel, pk=self.kwargs["pk"])

    def make_form(self, **bound: Any) -> Form:
        return forms.ModelForm(
            **bound, initial={name: getattr(self.model, name) for name in MODEL_COLUMNS}
        )

    def save(self, form: Form) -> PumpModel:
        return pumps.change_model(
            actor=self.actor, model=self.model, version=self.sent_version(), **form.cleaned_data
        )

    def done(self, row: PumpModel) -> str:
        return f"{row} is changed."

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "title": f"{self.title}: {self.model}",
            "version": self.model.version,
            "back": reverse("fleet:model", args=[self.model.pk]),
        }


# --- Sheets -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class PrintedLine:
    """A line as the page shows it. The figures are texts with their unit."""

    line: SheetLine
    as_new: str
    as_new_also: str
    limit: str
    limit_also: str

    @property
    def label(self) -> str:
        return Characteristic(self.line.characteristic).label

    @property
    def applies(self) -> bool:
        return self.line.judged_by != JudgedBy.NOT_APPLICABLE.value


def printed(line: SheetLine) -> PrintedLine:
    unit = LengthUnit(line.unit)
    also = LengthUnit(line.also_unit) if line.also_unit else unit
    strict = line.judged_by == JudgedBy.LEAF_ENTERS.value

    def words(low: Any, high: Any, unit: LengthUnit, *, strict: bool = False) -> str:
        if low is None and high is None:
            return ""
        if low is not None and high is not None:
            return show(low, unit) if low == high else f"{low:f} to {show(high, unit)}"
        return Limits(low, high, unit).sentence(strict_high=strict)

    return PrintedLine(
        line,
        words(line.new_low, line.new_high, unit),
        words(line.also_new_low, line.also_new_high, also),
        words(line.limit_low, line.limit_high, unit, strict=strict),
        words(line.also_limit_low, line.also_limit_high, also, strict=strict),
    )


class OneSheet(SharedPage):
    template_name = "fleet/sheet.html"

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        sheet = get_object_or_404(selectors.limit_sheets(), pk=pk)
        revisions = selectors.limit_sheets().filter(model=sheet.model_id).order_by("-id")
        return self.show(
            {
                "sheet": sheet,
                "lines": [printed(line) for line in sheet.lines.all()],
                "revisions": revisions,
                "is_draft": sheet.state == SheetState.DRAFT.value,
                "may": self.may_somewhere(),
            }
        )


class SheetAdd(FormPage):
    form_class = forms.SheetForm
    verb = "Begin the draft"
    said = "The draft is begun. Add the lines of the book one by one."
    model: PumpModel

    def prepare(self) -> None:
        self.require_somewhere(Capability.DRAFT_LIMITS)
        self.model = get_object_or_404(PumpModel, pk=self.kwargs["pk"])

    def save(self, form: Form) -> LimitSheet:
        return sheets.draft_sheet(actor=self.actor, model=self.model, lines=[], **form.cleaned_data)

    def where(self, row: LimitSheet) -> str:
        return reverse("fleet:sheet", args=[row.pk])

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "title": f"Limit sheet for {self.model}",
            "lead": "No pump is judged by a draft. It counts from the moment it is issued.",
            "back": reverse("fleet:model", args=[self.model.pk]),
        }


class SheetPage(FormPage):
    """A form about one sheet."""

    sheet: LimitSheet

    def prepare(self) -> None:
        self.require_somewhere(Capability.DRAFT_LIMITS)
        self.sheet = get_object_or_404(selectors.limit_sheets(), pk=self.kwargs["pk"])

    def where(self, row: LimitSheet) -> str:
        return reverse("fleet:sheet", args=[row.pk])

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "sheet": self.sheet,
            "version": self.sheet.version,
            "back": reverse("fleet:sheet", args=[self.sheet.pk]),
        }


class SheetIssue(SheetPage):
    template_name = "fleet/sheet_issue.html"
    form_class = Form
    verb = "Issue the sheet"

    def prepare(self) -> None:
        super().prepare()
        self.require_somewhere(Capability.ISSUE_LIMITS)

    def save(self, form: Form) -> LimitSheet:
        return sheets.issue_sheet(actor=self.actor, sheet=self.sheet, version=self.sent_version())

    def done(self, row: LimitSheet) -> str:
        return f"Sheet {row.revision} is in force for {row.model}."

    def context(self, form: Form) -> dict[str, Any]:
        return {
            **super().context(form),
            "title": f"Issue sheet {self.sheet.revision}",
            "lines": [printed(line) for line in self.sheet.lines.all()],
            "in_force": selectors.sheet_in_force(self.sheet.model),
        }


class SheetRevise(SheetPage):
    form_class = forms.RevisionForm
    verb = "Begin the draft"

    def make_form(self, **bound: Any) -> Form:
        return forms.RevisionForm(**bound, initial={"document": self.sheet.document})

    def save(self, form: Form) -> LimitSheet:
        return sheets.revise_sheet(actor=self.actor, sheet=self.sheet, **form.cleaned_data)

    def done(self, row: LimitSheet) -> str:
        return f"Draft {row.revision} has the lines of {self.sheet.revision}. Change what is new."

    def context(self, form: Form) -> dict[str, Any]:
        return {
            **super().context(form),
            "title": f"Revise sheet {self.sheet.revision}",
            "lead": f"The new draft for {self.sheet.model} begins with the same lines.",
        }


class LinePage(SheetPage):
    """A change of the lines of a draft. A line is addressed by its place, the first being 1."""

    def prepare(self) -> None:
        super().prepare()
        if self.sheet.state != SheetState.DRAFT.value:
            raise Conflict(
                f"Sheet {self.sheet.revision} is issued and never changes. Revise it instead."
            )

    @property
    def place(self) -> int:
        """Index of the line in the list; one behind the last for a new one."""
        number: int = self.kwargs.get("number", len(self.lines) + 1)
        if not 1 <= number <= len(self.lines) + ("number" not in self.kwargs):
            raise Http404
        return number - 1

    @property
    def lines(self) -> list[SheetLine]:
        return list(self.sheet.lines.all())

    def replace(self, lines: list[sheets.LineDraft]) -> LimitSheet:
        return sheets.replace_lines(
            actor=self.actor, sheet=self.sheet, version=self.sent_version(), lines=lines
        )


class LineEdit(LinePage):
    """Adds a line, or changes the one at a place."""

    template_name = "fleet/line_form.html"
    form_class = forms.LineForm
    said = "The line is saved."

    @property
    def family(self) -> PumpFamily:
        return PumpFamily(self.sheet.model.family)

    def make_form(self, **bound: Any) -> Form:
        if "number" in self.kwargs:
            initial = forms.line_as_typed(self.lines[self.place])
        else:
            asked = self.request.GET.get("check", "")
            known = asked in list(Characteristic)
            initial = forms.usual_line(Characteristic(asked), self.family) if known else {}
        return forms.LineForm(**bound, family=self.family, initial=initial)

    def save(self, form: Form) -> LimitSheet:
        drafts = [sheets.draft_of(line) for line in self.lines]
        drafts[self.place : self.place + 1] = [cast("forms.LineForm", form).draft()]
        try:
            return self.replace(drafts)
        except Fault as fault:
            _see_from_line(fault, self.place)
            raise

    def context(self, form: Form) -> dict[str, Any]:
        number = self.kwargs.get("number")
        asked = form["characteristic"].value()
        checks = [(c, i) for c, i in CHARACTERISTICS.items() if i.use_in(self.family)]
        return {
            **super().context(form),
            "title": f"Line {number} of sheet {self.sheet.revision}" if number else "Add a line",
            "verb": "Save the line",
            "number": number,
            "checks": [] if number or form.is_bound else checks,
            "info": CHARACTERISTICS[Characteristic(asked)] if asked in list(Characteristic) else "",
        }


def _see_from_line(fault: Fault, place: int) -> None:
    """Names the fields as the form of one line has them; faults of other lines stand over it."""
    mine = f"lines.{place}."
    for each in fault.each():
        if each.field.startswith(mine):
            field = each.field.removeprefix(mine)
            each.field = "term_first" if field == "terms" else field
        elif each.field.startswith("lines."):
            number = int(each.field.split(".")[1]) + 1
            each.field, each.detail = "", f"Line {number}: {each.detail}"


class LineRemove(LinePage):
    form_class = Form
    verb = "Take the line out"
    said = "The line is out of the draft."

    def save(self, form: Form) -> LimitSheet:
        drafts = [sheets.draft_of(line) for line in self.lines]
        del drafts[self.place]
        return self.replace(drafts)

    def context(self, form: Form) -> dict[str, Any]:
        line = self.lines[self.place]
        return {
            **super().context(form),
            "title": f"Take out line {self.place + 1}",
            "lead": f"{Characteristic(line.characteristic).label} leaves the draft of sheet "
            f"{self.sheet.revision}.",
            "danger": True,
        }
