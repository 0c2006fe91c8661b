"""What people type on the fleet's pages: read here, judged by the services."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal, InvalidOperation
from typing import Any

from django import forms
from django.db.models import QuerySet

from fleet.decisions import RuleKind
from fleet.faults import Fault
from fleet.lifecycle import BY_HAND, PumpStatus
from fleet.limits import JudgedBy, usually_judged_by
from fleet.models import Pump, PumpModel, SheetLine, Site
from fleet.roles import Role
from fleet.services.import_kinds import KINDS
from fleet.services.sheets import LineDraft
from fleet.tables import LARGEST_FILE_BYTES
from fleet.units import LengthUnit, parse_length
from fleet.vocabulary import (
    CHARACTERISTICS,
    COMPONENTS,
    OIL_GRADES,
    Characteristic,
    InstrumentKind,
    PumpFamily,
    Rotation,
    taken_on,
    usual_checks,
)

Choices = Sequence[tuple[str, str]]


# --- Fields -----------------------------------------------------------------------------------


class FigureField(forms.CharField):
    """A plain number with either decimal mark, kept as typed: 16,5 and 16.50 are both taken."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault(
            "widget", forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})
        )
        super().__init__(max_length=20, **kwargs)

    def clean(self, value: Any) -> Any:
        text = super().clean(value)
        if not text:
            return None
        try:
            number = Decimal(text.replace(",", "."))
        except InvalidOperation:
            number = Decimal("NaN")
        if not number.is_finite():
            raise forms.ValidationError(
                f"'{text}' is no number. Enter plain figures, such as 16.5.", code="invalid"
            )
        return number


class LengthField(forms.CharField):
    """A length as the book prints it; its digits are kept."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("required", False)
        kwargs.setdefault(
            "widget",
            forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off", "size": "9"}),
        )
        super().__init__(max_length=20, **kwargs)

    def clean(self, value: Any) -> Any:
        text = super().clean(value)
        if not text:
            return None
        try:
            return parse_length(text, signed=True)
        except Fault as fault:
            raise forms.ValidationError(fault.detail, code=fault.code) from fault


def _day_input() -> forms.DateInput:
    return forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})


def _moment_input() -> forms.DateTimeInput:
    return forms.DateTimeInput(format="%Y-%m-%dT%H:%M", attrs={"type": "datetime-local"})


def _text(label: str, length: int, **kwargs: Any) -> forms.CharField:
    widget = forms.TextInput(attrs={"size": str(min(length, 40))})
    return forms.CharField(label=label, max_length=length, widget=widget, **kwargs)


def _why(label: str, help_text: str = "") -> forms.CharField:
    return forms.CharField(
        label=label, max_length=300, help_text=help_text, widget=forms.Textarea({"rows": 3})
    )


_READ_AT_HELP = "Time in UTC. Left empty: now."


# --- Pumps ------------------------------------------------------------------------------------


class RegisterFilter(forms.Form):
    """The sentence over the register. An empty choice narrows nothing."""

    site = forms.ModelChoiceField(
        Site.objects.none(), required=False, empty_label="all sites", label="Site"
    )
    status = forms.ChoiceField(required=False, label="State")
    family = forms.ChoiceField(required=False, label="Family")
    model = forms.ModelChoiceField(
        PumpModel.objects.all(), required=False, empty_label="any model", label="Model"
    )
    tag = forms.CharField(required=False, max_length=30, label="Tag contains")
    machine = forms.CharField(required=False, max_length=80, label="Machine contains")

    def __init__(self, *args: Any, sites: QuerySet[Site], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"].queryset = sites  # type: ignore[attr-defined]
        states = [(s.value, s.label) for s in PumpStatus]
        self.fields["status"].choices = [("", "in any state"), *states]  # type: ignore[attr-defined]
        families = [(f.value, f.label.lower()) for f in PumpFamily]
        self.fields["family"].choices = [("", "of any family"), *families]  # type: ignore[attr-defined]
        self.fields["tag"].widget.attrs.update({"size": "8", "placeholder": "any"})
        self.fields["machine"].widget.attrs.update({"size": "12", "placeholder": "any"})

    def filters(self) -> dict[str, Any]:
        """What was chosen; a choice that does not exist is left out and reported by the form."""
        self.is_valid()
        return {name: value for name, value in self.cleaned_data.items() if value}


class PumpForm(forms.Form):
    site = forms.ModelChoiceField(Site.objects.none(), empty_label="choose", label="Site")
    model = forms.ModelChoiceField(PumpModel.objects.all(), empty_label="choose", label="Model")
    tag = _text("Tag", 30, help_text="As it is written on the pump or its machine.")
    serial = _text("Serial number", 60, help_text="From the nameplate.")
    machine = _text("Machine", 80)
    position = _text("Position on the machine", 80, required=False)
    meter_h = FigureField(label="Hour meter", help_text="What it shows, to a tenth of an hour.")
    running_h = FigureField(
        label="Running hours of the pump",
        required=False,
        help_text="Only where the meter was changed in the pump's life.",
    )
    read_at = forms.DateTimeField(
        label="Read at", required=False, widget=_moment_input(), help_text=_READ_AT_HELP
    )
    status = forms.ChoiceField(
        label="State",
        choices=[(s.value, s.label) for s in PumpStatus if s in BY_HAND],
        initial=PumpStatus.IN_SERVICE.value,
    )
    next_inspection_on = forms.DateField(
        label="Next inspection due", required=False, widget=_day_input()
    )

    def __init__(self, *args: Any, sites: QuerySet[Site], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"].queryset = sites  # type: ignore[attr-defined]
        if len(sites) == 1:
            self.fields["site"].initial = sites[0]


class PumpChangeForm(forms.Form):
    tag = _text("Tag", 30)
    machine = _text("Machine", 80)
    position = _text("Position on the machine", 80, required=False)
    next_inspection_on = forms.DateField(
        label="Next inspection due", required=False, widget=_day_input()
    )


class HoursForm(forms.Form):
    meter_h = FigureField(label="Hour meter", help_text="What it shows, to a tenth of an hour.")
    read_at = forms.DateTimeField(
        label="Read at", required=False, widget=_moment_input(), help_text=_READ_AT_HELP
    )
    meter_changed = forms.BooleanField(
        label="The meter was changed since the last reading",
        required=False,
        help_text="The running hours stay, and this reading becomes the new base.",
    )
    note = _text("Note", 300, required=False)


class MoveForm(forms.Form):
    to_site = forms.ModelChoiceField(Site.objects.none(), empty_label="choose", label="To")
    why = _why("Why")

    def __init__(self, *args: Any, sites: QuerySet[Site], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["to_site"].queryset = sites  # type: ignore[attr-defined]


class StatusForm(forms.Form):
    status = forms.ChoiceField(label="New state", widget=forms.RadioSelect)
    why = _why("Why")

    def __init__(self, *args: Any, pump: Pump, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["status"].choices = [  # type: ignore[attr-defined]
            (s.value, s.label) for s in PumpStatus if s in BY_HAND and s.value != pump.status
        ]


# --- Models and sheets ------------------------------------------------------------------------


class ModelForm(forms.Form):
    maker = _text("Maker", 80)
    designation = _text("Designation", 60, help_text="The type as the nameplate has it.")
    family = forms.ChoiceField(label="Family", choices=[(f.value, f.label) for f in PumpFamily])
    displacement_cm3 = FigureField(label="Displacement (cm³ per turn)")
    rated_pressure_bar = FigureField(label="Rated pressure (bar)")
    speed_min_rpm = forms.IntegerField(label="Lowest speed (rpm)")
    speed_max_rpm = forms.IntegerField(label="Highest speed (rpm)")
    rotation = forms.ChoiceField(label="Rotation", choices=[(r.value, r.label) for r in Rotation])
    oil_grade_vg = forms.TypedChoiceField(
        label="Oil grade", coerce=int, choices=[(g, f"VG {g}") for g in OIL_GRADES], initial=46
    )
    mass_kg = FigureField(label="Mass (kg)", required=False)
    body_replaceable = forms.BooleanField(
        label="The maker sells the body as a spare",
        required=False,
        help_text="If not, a body cut in beyond its limit scraps the pump.",
    )


class SheetForm(forms.Form):
    revision = _text("Revision", 20, help_text="As the maker counts it, or your own letter.")
    document = _text(
        "Printed in", 160, help_text="Title, number and edition of the book the limits stand in."
    )


class RevisionForm(forms.Form):
    revision = _text("Revision", 20)
    document = _text(
        "Printed in",
        160,
        required=False,
        help_text="The edition of the book that the new figures stand in. Left empty: as before.",
    )


def _units(empty: str = "") -> Choices:
    units = [(u.value, u.label) for u in LengthUnit]
    return [("", empty), *units] if empty else units


class LineForm(forms.Form):
    """One line of a limit sheet, laid out as the book prints it."""

    characteristic = forms.ChoiceField(label="Check")
    name = _text(
        "Name of a check of your own",
        80,
        required=False,
        help_text="As the book calls it; only where the list above does not hold it.",
    )
    component = forms.ChoiceField(label="Component")
    judged_by = forms.ChoiceField(label="How it is judged")
    required = forms.BooleanField(label="An inspection cannot be signed without it", required=False)
    instrument_kind = forms.ChoiceField(label="Instrument", required=False)
    page = _text(
        "Page",
        30,
        help_text="Where it stands in the book.",
        error_messages={"required": "Enter the page of the book."},
    )
    unit = forms.ChoiceField(label="Unit that governs", choices=_units())
    limit_low = LengthField(label="Service limit, lowest")
    limit_high = LengthField(label="Service limit, highest")
    new_low = LengthField(label="As new, lowest")
    new_high = LengthField(label="As new, highest")
    also_unit = forms.ChoiceField(
        label="Second unit", required=False, choices=_units("none is printed")
    )
    also_limit_low = LengthField(label="Service limit, lowest, second unit")
    also_limit_high = LengthField(label="Service limit, highest, second unit")
    also_new_low = LengthField(label="As new, lowest, second unit")
    also_new_high = LengthField(label="As new, highest, second unit")
    positions = forms.CharField(
        label="Positions",
        required=False,
        widget=forms.Textarea({"rows": 6}),
        help_text="One to a line, in the order in which they are measured.",
    )
    terms = forms.CharField(
        label="Readings of a computed check",
        required=False,
        widget=forms.Textarea({"rows": 4}),
        help_text="One to a line, 2 to 6: all others are taken from the first.",
    )
    allowance = LengthField(
        label="Allowance added to them",
        help_text="The thickness of a gasket, say, in the unit that governs.",
    )
    readings_from = forms.ChoiceField(
        label="A spread over the readings of",
        required=False,
        help_text="Another check of the same component; nothing is then measured for this one.",
    )
    method = _text("How it is taken, where the book says more", 300, required=False)
    not_applicable_reason = _text("Why it does not apply", 300, required=False)

    def __init__(self, *args: Any, family: PumpFamily, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices: dict[str, Choices] = {
            "characteristic": [(c.value, c.label) for c in Characteristic if taken_on(c, family)],
            "component": [(c.value, c.label) for c in COMPONENTS[family]],
            "judged_by": [(j.value, j.label) for j in JudgedBy],
            "instrument_kind": [("", "any that serves")]
            + [(k.value, k.label) for k in InstrumentKind],
            "readings_from": [("", "its own readings")]
            + [(c.value, c.label) for c in usual_checks(family)],
        }
        for name, offered in choices.items():
            self.fields[name].choices = offered  # type: ignore[attr-defined]
        # A check that the design does not have stands on no page.
        left_out = self.is_bound and self.data.get("judged_by") == JudgedBy.NOT_APPLICABLE.value
        self.fields["page"].required = not left_out

    def draft(self) -> LineDraft:
        typed = dict(self.cleaned_data)
        return LineDraft(
            **{**typed, **{name: _entries(typed[name]) for name in ("positions", "terms")}}
        )


def _entries(text: str) -> tuple[str, ...]:
    """The lines of a text that say something."""
    return tuple(entry for line in text.splitlines() if (entry := line.strip()))


def line_as_typed(line: SheetLine) -> dict[str, Any]:
    """A stored line as initial values of its form."""
    names = [n for n in LineForm.base_fields if n not in ("positions", "terms")]
    typed = {n: v for n in names if (v := getattr(line, n)) is not None}
    return {
        **{n: f"{v:f}" if isinstance(v, Decimal) else v for n, v in typed.items()},
        "positions": "\n".join(line.positions),
        "terms": "\n".join(line.terms),
    }


def usual_line(
    characteristic: Characteristic, family: PumpFamily, *, computed: bool = False
) -> dict[str, Any]:
    """What a line of this check usually says: everything but the book's figures.

    computed: from several readings, where the check is usually measured but can be computed.
    """
    info = CHARACTERISTICS[characteristic]
    use = info.use_in(family)
    if use is None:
        return {"characteristic": characteristic.value, "required": True}
    terms = info.computed_terms if computed and info.computed_terms else info.terms
    judged_by = JudgedBy.DIFFERENCE if terms else usually_judged_by(characteristic)
    instrument = InstrumentKind.DEPTH_MICROMETER if terms != info.terms else info.default_instrument
    return {
        "characteristic": characteristic.value,
        "component": use.component.value,
        "judged_by": judged_by.value,
        "required": True,
        "instrument_kind": instrument.value,
        "positions": "\n".join(use.positions),
        "terms": "\n".join(terms),
        "readings_from": info.readings_from.value if info.readings_from else "",
    }


class RuleForm(forms.Form):
    """The decision rule of a limit sheet."""

    kind = forms.ChoiceField(
        label="Rule", widget=forms.RadioSelect, choices=[(k.value, k.label) for k in RuleKind]
    )
    guard_z = FigureField(
        label="Guard, in standard uncertainties",
        required=False,
        help_text="For guarded acceptance. 1.645 keeps a one-sided 95 %.",
    )
    p_accept = FigureField(
        label="Within from this probability on",
        required=False,
        help_text="For a required probability: 0.95 is 95 %.",
    )
    p_reject = FigureField(
        label="Out at this probability and below",
        required=False,
        help_text="For a required probability: 0.05 is 5 %.",
    )
    why = _why("Why", "It stands with your name in the history of the sheet.")

    def chosen(self) -> dict[str, Any]:
        """What was chosen; a figure left empty is the usual one."""
        typed = self.cleaned_data
        figures = {n: typed[n] for n in ("guard_z", "p_accept", "p_reject") if typed[n] is not None}
        return {"kind": RuleKind(typed["kind"]), "why": typed["why"], **figures}


# --- People -----------------------------------------------------------------------------------

_ROLES: Choices = [(r.value, r.label.capitalize()) for r in Role]


class PersonForm(forms.Form):
    full_name = _text("Full name", 120)
    username = _text("User name", 150, help_text="To sign in with. Letters, figures and @.+-_")
    password = forms.CharField(
        label="First password",
        required=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="At least 8 characters. Left empty for a system that posts by token only.",
    )
    roles = forms.MultipleChoiceField(
        label="Roles",
        choices=_ROLES,
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": "Choose at least one role."},
    )
    trainee = forms.BooleanField(
        label="Trainee",
        required=False,
        help_text="Another person countersigns what a trainee signs.",
    )


class RoleForm(forms.Form):
    username = _text("User name", 150, help_text="Of somebody who has an account at any site.")
    role = forms.ChoiceField(label="Role", choices=_ROLES)
    is_trainee = forms.BooleanField(label="As a trainee (technicians only)", required=False)


class SiteForm(forms.Form):
    name = _text("Name", 80)
    code = _text(
        "Code", 20, help_text="Short, for files and programs: small letters, figures, hyphens."
    )


class TokenForm(forms.Form):
    name = _text("What it is for", 80, help_text="So that you know later which one to withdraw.")
    expires_on = forms.DateField(label="Valid to the end of", widget=_day_input())


# --- Files ------------------------------------------------------------------------------------


class ImportForm(forms.Form):
    kind = forms.ChoiceField(label="What the file holds")
    site = forms.ModelChoiceField(Site.objects.none(), empty_label="choose", label="Site")
    file = forms.FileField(
        label="File",
        widget=forms.FileInput(attrs={"class": "file", "accept": ".csv,.txt,.xlsx"}),
        help_text=".csv (UTF-8) or .xlsx, at most 5 MB. Nothing is taken over yet.",
    )

    def __init__(self, *args: Any, sites: QuerySet[Site], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"].queryset = sites  # type: ignore[attr-defined]
        if len(sites) == 1:
            self.fields["site"].initial = sites[0]
        self.fields["kind"].choices = [  # type: ignore[attr-defined]
            (name, kind.label.capitalize()) for name, kind in KINDS.items()
        ]

    def clean_file(self) -> Any:
        upload = self.cleaned_data["file"]
        # Before it is read into memory; the table reader has the last word on its content.
        if upload.size > LARGEST_FILE_BYTES:
            raise forms.ValidationError(
                "At most 5 MB are taken. Split the file into several.", code="too_large"
            )
        return upload
