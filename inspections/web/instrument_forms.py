"""What the instrument pages ask for. They read what was typed; the services judge it."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from fleet.faults import Fault
from fleet.models import Site
from fleet.units import LengthUnit, parse_length
from fleet.vocabulary import InstrumentKind
from inspections.models import Instrument
from inspections.rules.leaves import STANDARD_SETS
from inspections.web.forms import LengthField

LARGEST_ERROR = "Largest error either way on its certificate"
_UNITS = [(unit.value, unit.label) for unit in LengthUnit]


def _day(**kwargs: Any) -> forms.DateField:
    return forms.DateField(
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"), **kwargs
    )


class InstrumentForm(forms.Form):
    site = forms.ModelChoiceField(queryset=Site.objects.none(), label="Site", empty_label=None)
    identity = forms.CharField(
        max_length=40, label="Number on it", help_text="As engraved or on its label."
    )
    name = forms.CharField(
        max_length=80, label="What it is", help_text="Such as 'Leaf set at bench 2'."
    )
    kind = forms.ChoiceField(
        choices=[(kind.value, kind.label) for kind in InstrumentKind], label="Kind"
    )
    unit = forms.ChoiceField(choices=_UNITS, label="Marked in")
    leaf_set = forms.ChoiceField(
        choices=[
            ("", "Leaves as listed below"),
            *((s.key, s.label) for s in STANDARD_SETS.values()),
        ],
        required=False,
        label="Leaves of a usual set",
        help_text="Count and compare with the set in your hand: withdraw or list what differs. "
        "List the leaves of a set that is marked in both inches and millimetres.",
    )
    leaves = forms.CharField(
        max_length=600,
        required=False,
        label="Leaves",
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="One after the other, with a space between them: 0.05 0.10 0.15",
    )
    resolution = LengthField(
        required=False,
        label="Resolution",
        help_text="The smallest step that can be read, such as 0.01. A leaf set has none.",
    )
    permissible_error = LengthField(
        required=False,
        label=LARGEST_ERROR,
        help_text="Without sign, in the unit it is marked in: 0.004 for ±0.004 mm. Without it no "
        "uncertainty can be stated for what is measured.",
    )
    calibration_due_on = _day(
        required=False,
        label="Calibration due on",
        help_text="Up to and including this day its certificate holds.",
    )

    def __init__(self, *args: Any, sites: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"].queryset = sites  # type: ignore[attr-defined]

    def clean_leaves(self) -> list[Decimal]:
        try:
            return [parse_length(typed) for typed in self.cleaned_data["leaves"].split()]
        except Fault as fault:
            raise ValidationError(fault.detail) from fault

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        chosen = STANDARD_SETS.get(cleaned.get("leaf_set", ""))
        # Only what was typed can hold a slip of the pen.
        cleaned["typed_leaves"] = list(cleaned.get("leaves", ()))
        if chosen is not None and cleaned.get("leaves"):
            self.add_error("leaves", "Choose a usual set or list the leaves, not both.")
        if chosen is not None:
            cleaned["leaves"] = list(chosen.leaves)
            if cleaned.get("unit") != chosen.unit.value:
                self.add_error("unit", f"{chosen.label} is marked in {chosen.unit.label}.")
        return cleaned


class CalibrationForm(forms.Form):
    """What the new certificate says."""

    due_on = _day(
        label="Calibration due on",
        help_text="Up to and including this day the new certificate holds.",
        error_messages={"required": "Enter the day up to which the new certificate holds."},
    )
    permissible_error = LengthField(
        required=False,
        label=LARGEST_ERROR,
        help_text="Without sign. Empty where it is not known: then no uncertainty can be stated.",
    )
    version = forms.IntegerField(widget=forms.HiddenInput, required=False)


class WithdrawLeafForm(forms.Form):
    leaf = forms.ChoiceField(label="Leaf", error_messages={"required": "Choose the leaf."})
    why = forms.CharField(
        max_length=200,
        widget=forms.Textarea(attrs={"rows": 2}),
        label="What is wrong with it",
        help_text="Bent, torn, rusty, worn: 'kinked at the tip, 0.004 mm under at three places'.",
        error_messages={"required": "Say what is wrong with the leaf: bent, torn, rusty, worn."},
    )

    def __init__(self, leaf_set: Instrument, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["leaf"].choices = _leaf_choices(leaf_set.leaves, leaf_set)  # type: ignore[attr-defined]

    @property
    def thickness(self) -> Decimal:
        return Decimal(self.cleaned_data["leaf"])


class PutInLeafForm(forms.Form):
    leaf = LengthField(
        label="Thickness",
        help_text="As it is marked on the leaf.",
        error_messages={"required": "Enter the thickness that is marked on the leaf."},
    )


class TakenWithForm(forms.Form):
    """Which readings of an instrument to list; all of them where nothing is said."""

    leaf = forms.ChoiceField(required=False, label="Leaf")
    since = _day(required=False, label="Since")

    def __init__(
        self, instrument: Instrument, withdrawn: Iterable[Decimal], *args: Any, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        # 0.1 and 0.10 are one leaf: the first to come names it.
        ever: dict[Decimal, Decimal] = {}
        for leaf in (*instrument.leaves, *withdrawn):
            ever.setdefault(leaf, leaf)
        self.fields["leaf"].choices = [  # type: ignore[attr-defined]
            ("", "any leaf"),
            *_leaf_choices(sorted(ever.values()), instrument),
        ]

    @property
    def asked(self) -> dict[str, Any]:
        """For the selector; what is not readable counts as not asked."""
        if not self.is_valid():
            return {}
        leaf = self.cleaned_data["leaf"]
        return {"leaf": Decimal(leaf) if leaf else None, "since": self.cleaned_data["since"]}


class AcceptForm(forms.Form):
    """Why readings taken with an overdue instrument may count."""

    reason = forms.CharField(
        max_length=300,
        widget=forms.Textarea(attrs={"rows": 2}),
        label="Why these readings may count",
        help_text="Such as 'checked against gauge blocks today, no error found'.",
        error_messages={"required": "Say why these readings may count."},
    )
    version = forms.IntegerField(widget=forms.HiddenInput, required=False)


def _leaf_choices(leaves: Iterable[Decimal], leaf_set: Instrument) -> list[tuple[str, str]]:
    unit = LengthUnit(leaf_set.unit).label
    return [(f"{leaf:f}", f"{leaf:f} {unit}") for leaf in leaves]
