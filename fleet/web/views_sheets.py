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
from fleet.decisions import DecisionRule
from fleet.faults import Conflict, Fault
from fleet.lifecycle import SheetState
from fleet.limits import JudgedBy, Limits
from fleet.models import LimitSheet, Pump, PumpModel, SheetLine, SheetRule
from fleet.plumbing.scoping import memberships_of
from fleet.roles import Capability
from fleet.services import pumps, rules, sheets
from fleet.tables import MODEL_COLUMNS
from fleet.units import LengthUnit, show
from fleet.vocabulary import CHARACTERISTICS, Characteristic, PumpFamily, usual_checks
from fleet.web import forms
from fleet.web.pages import FormPage, Page, SharedPage, rows_page
from fleet.web.views_pumps import as_download

# Behind the name of a check whose usual entries are asked for: computed, not measured.
_COMPUTED = "computed"
_RULE_FIGURES = ("guard_z", "p_accept", "p_reject")


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
        return self.line.label

    @property
    def over(self) -> str:
        """The check whose readings a spread is over; "" where it has its own."""
        source = self.line.readings_from
        return Characteristic(source).label.lower() if source else ""

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
        is_draft = sheet.state == SheetState.DRAFT.value
        lines = list(sheet.lines.all())
        told = selectors.rules_told(sheet)
        return self.show(
            {
                "sheet": sheet,
                "lines": [printed(line) for line in lines],
                "usual_left": _usual_left(sheet, lines) if is_draft else [],
                "revisions": revisions,
                "is_draft": is_draft,
                "rules": [ChosenRule(r, r.pk in told) for r in selectors.rules_of(sheet)],
                "rule": rules.rule_that_counts(sheet).sentence(),
                "may": self.may_somewhere(),
            }
        )


@dataclass(frozen=True)
class ChosenRule:
    """A rule of a sheet. judges_again: signed inspections are judged by it too, beside."""

    row: SheetRule
    judges_again: bool

    @property
    def sentence(self) -> str:
        return selectors.decision_rule_of(self.row).sentence()


def _usual_left(sheet: LimitSheet, lines: list[SheetLine]) -> list[Characteristic]:
    """The usual checks of the family that a draft does not have yet."""
    there = {line.characteristic for line in lines}
    return [c for c in usual_checks(PumpFamily(sheet.model.family)) if c.value not in there]


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
            "in_force": (old := selectors.sheet_in_force(self.sheet.model)),
            "rule": rules.rule_that_counts(self.sheet).sentence(),
            "rule_now": rules.rule_that_counts(old).sentence() if old else "",
        }


class SheetRuleChoice(FormPage):
    """How readings are judged by a sheet: three rules in words, and which of them is to count."""

    template_name = "fleet/rule_form.html"
    form_class = forms.RuleForm
    verb = "Put the rule in force"
    sheet: LimitSheet

    def prepare(self) -> None:
        self.require_somewhere(Capability.ISSUE_LIMITS)
        self.sheet = get_object_or_404(selectors.limit_sheets(), pk=self.kwargs["pk"])

    @property
    def now(self) -> DecisionRule:
        return rules.rule_that_counts(self.sheet)

    def make_form(self, **bound: Any) -> Form:
        rule = self.now
        figures = {n: f"{getattr(rule, n).normalize():f}" for n in _RULE_FIGURES}
        return forms.RuleForm(**bound, initial={"kind": rule.kind.value, **figures})

    def save(self, form: Form) -> SheetRule:
        chosen = cast("forms.RuleForm", form).chosen()
        return rules.choose_rule(actor=self.actor, sheet=self.sheet, **chosen)

    def where(self, row: SheetRule) -> str:
        return reverse("fleet:sheet", args=[self.sheet.pk])

    def done(self, row: SheetRule) -> str:
        sentence = selectors.decision_rule_of(row).sentence()
        return f"Sheet {self.sheet.revision} is judged by this rule: {sentence}."

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "title": f"How sheet {self.sheet.revision} is judged",
            "sheet": self.sheet,
            "now": self.now.sentence(),
            "back": reverse("fleet:sheet", args=[self.sheet.pk]),
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
            initial = self.new_line()
        return forms.LineForm(**bound, family=self.family, initial=initial)

    def new_line(self) -> dict[str, Any]:
        """What the form of a new line holds: the usual entries of the check that was asked for."""
        asked, _dot, how = self.request.GET.get("check", "").partition(".")
        initial: dict[str, Any] = {"required": True}
        if asked in list(Characteristic):
            computed = how == _COMPUTED
            initial = forms.usual_line(Characteristic(asked), self.family, computed=computed)
        lines = self.lines
        # A book keeps to one unit.
        initial["unit"] = lines[-1].unit if lines else LengthUnit.MM.value
        if source := initial.get("readings_from"):
            # The same places as on this draft, not those that are usual.
            places = next((line.positions for line in lines if line.characteristic == source), None)
            initial["positions"] = "\n".join(places) if places else initial["positions"]
        return initial

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
        return {
            **super().context(form),
            "title": f"Line {number} of sheet {self.sheet.revision}" if number else "Add a line",
            "verb": "Save the line",
            "number": number,
            "checks": [] if number or form.is_bound else self.offered(),
            "chosen": self.request.GET.get("check", ""),
            "info": CHARACTERISTICS[Characteristic(asked)] if asked in list(Characteristic) else "",
        }

    def offered(self) -> list[tuple[str, str]]:
        """The checks whose usual entries can be filled in, those that can be computed twice."""
        found = []
        for check in usual_checks(self.family):
            found.append((check.value, check.label))
            if CHARACTERISTICS[check].computed_terms:
                found.append((f"{check.value}.{_COMPUTED}", f"{check.label}, computed"))
        return [*found, (Characteristic.OWN.value, Characteristic.OWN.label)]


def _see_from_line(fault: Fault, place: int) -> None:
    """Names the fields as the form of one line has them; faults of other lines stand over it."""
    mine = f"lines.{place}."
    for each in fault.each():
        if each.field.startswith(mine):
            each.field = each.field.removeprefix(mine)
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
            "lead": f"{line.label} leaves the draft of sheet {self.sheet.revision}.",
            "danger": True,
        }
