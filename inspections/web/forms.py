"""What the inspection pages ask for. They read what was typed; the services judge it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from fleet.faults import Fault
from fleet.units import LengthUnit, parse_length
from fleet.vocabulary import Component, Rotation
from inspections.models import Instrument
from inspections.rules.dispositions import Disposition
from inspections.rules.findings import Cause, Severity, Word, words_for
from inspections.rules.leaves import Feel
from inspections.rules.lifecycle import Reason

_UNITS = [(unit.value, unit.label) for unit in LengthUnit]


class LengthField(forms.CharField):
    """A length as typed, with a point or a comma, its digits kept."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_length=20, **kwargs)
        self.widget.attrs |= {"inputmode": "decimal", "autocomplete": "off", "size": "8"}

    def clean(self, value: Any) -> Any:
        typed = super().clean(value)
        if not typed:
            return None
        try:
            return parse_length(typed)
        except Fault as fault:
            raise ValidationError(fault.detail) from fault


class LeafField(forms.CharField):
    """Leaves by their markings, "0.10" or "0.06 + 0.10"; the service knows what a set has."""

    def clean(self, value: Any) -> Any:
        typed = super().clean(value)
        try:
            return tuple(parse_length(leaf) for leaf in typed.split("+")) if typed else ()
        except Fault as fault:
            raise ValidationError(fault.detail) from fault


class PlainForm(forms.Form):
    """A single button: nothing is typed, but a refusal still has a place to stand."""


class OpenForm(forms.Form):
    reason = forms.ChoiceField(
        choices=[(reason.value, reason.label.capitalize()) for reason in Reason],
        widget=forms.RadioSelect,
        label="Why is the pump opened",
        error_messages={"required": "Choose why the pump is opened."},
    )
    complaint = forms.CharField(
        max_length=300,
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
        label="What was complained of",
        help_text="In the operator's words, such as 'slow when warm, whines at the inlet'.",
    )


class IsolationForm(forms.Form):
    lock_number = forms.CharField(
        max_length=40,
        label="Number of your own lock",
        error_messages={"required": "Enter the number of your own lock."},
    )
    isolated_at = forms.DateTimeField(
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"],
        label="Isolated at",
        error_messages={"required": "Enter when the machine was isolated."},
    )
    proved_zero_how = forms.CharField(
        max_length=200,
        label="How zero was proved",
        help_text="Which gauge was read, and that a start was tried: "
        "'gauge P3 at 0 bar, start button tried'.",
        error_messages={
            "required": "Say how zero was proved: which gauge was read, and that a start was tried."
        },
    )
    proved_zero_at = forms.DateTimeField(
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"],
        label="Zero proved at",
        error_messages={"required": "Enter when zero was proved."},
    )
    # Minutes that the clock of the tablet is ahead of UTC; a page without scripts leaves it at 0.
    utc_offset_min = forms.IntegerField(
        widget=forms.HiddenInput, min_value=-14 * 60, max_value=14 * 60, required=False
    )

    def in_utc(self, field: str) -> datetime:
        """The typed time by the tablet's clock, as a time in UTC."""
        typed: datetime = self.cleaned_data[field]
        ahead = timedelta(minutes=self.cleaned_data.get("utc_offset_min") or 0)
        return typed.replace(tzinfo=UTC) - ahead


class NameplateForm(forms.Form):
    maker = forms.CharField(max_length=80, required=False, label="Maker")
    designation = forms.CharField(max_length=60, required=False, label="Type")
    serial = forms.CharField(
        max_length=60,
        label="Serial",
        error_messages={
            "required": "Enter the serial from the plate, or say why it cannot be read."
        },
    )
    displacement_cm3 = forms.CharField(max_length=12, required=False, label="Displacement")
    rotation = forms.ChoiceField(
        choices=[("", "Not legible"), *((r.value, r.label) for r in Rotation)],
        required=False,
        label="Rotation",
    )
    illegible_reason = forms.CharField(
        max_length=200,
        required=False,
        label="If the serial cannot be read: why",
    )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if cleaned.get("illegible_reason") and not self.data.get("serial", "").strip():
            self.errors.pop("serial", None)
            cleaned["serial"] = ""
        return cleaned

    def clean_displacement_cm3(self) -> Decimal | None:
        typed = self.cleaned_data["displacement_cm3"]
        if not typed:
            return None
        try:
            figure = parse_length(typed)
        except Fault as fault:
            raise ValidationError(
                "Enter the displacement as figures, such as 33 or 33,5."
            ) from fault
        exponent = figure.as_tuple().exponent
        if isinstance(exponent, int) and exponent < -3:
            raise ValidationError("Enter at most three figures after the decimal mark.")
        if not 0 < figure < 100_000:
            raise ValidationError("Enter the displacement in cm³ for one turn, above 0.")
        return figure


class TryForm(forms.Form):
    """One tap: the leaf in the gap, a second one laid on it perhaps, and how it felt."""

    instrument = forms.IntegerField(error_messages={"required": "Choose a leaf set."})
    leaf = LeafField(error_messages={"required": "Choose the leaf first, then tap how it felt."})
    second = LeafField(required=False)
    feel = forms.ChoiceField(
        choices=[(feel.value, feel.label) for feel in Feel],
        error_messages={"required": "Tap how the leaf felt."},
    )
    # Which series at this position: one measured again is a series of its own.
    repeat = forms.IntegerField(min_value=1, required=False)

    @property
    def leaves(self) -> tuple[Decimal, ...]:
        return (*self.cleaned_data["leaf"], *self.cleaned_data["second"])


class ValueForm(forms.Form):
    """The value an instrument shows; several of them, by name, where the check is computed."""

    instrument = forms.IntegerField(error_messages={"required": "Choose an instrument."})
    unit = forms.ChoiceField(choices=_UNITS, label="Unit")

    def __init__(self, terms: Sequence[str], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.terms = tuple(terms) or ("",)
        for number, term in enumerate(self.terms):
            self.fields[f"value_{number}"] = LengthField(
                label=term.capitalize() or "Value",
                required=len(self.terms) == 1,
                error_messages={"required": "Enter the value that the instrument shows."},
            )
            self.fields[f"value_{number}"].widget.attrs["class"] = "value-entry"

    def clean(self) -> dict[str, Any] | None:
        cleaned = super().clean()
        if not self.errors and not self.values():
            first = self.terms[0]
            self.add_error(
                "value_0",
                f"Enter the {first} or the {self.terms[-1]}."
                if len(self.terms) == 2
                else "Enter at least one of them."
                if first
                else "Enter the value that the instrument shows.",
            )
        return cleaned

    def values(self) -> dict[str, Decimal]:
        """What was entered, by term."""
        found = {}
        for number, term in enumerate(self.terms):
            value = self.cleaned_data.get(f"value_{number}")
            if value is not None:
                found[term] = value
        return found

    def value_fields(self) -> list[forms.BoundField]:
        return [self[f"value_{number}"] for number in range(len(self.terms))]


class RepeatForm(ValueForm):
    """What the instrument shows when the same position is measured again."""

    def __init__(self, terms: Sequence[str], *args: Any, **kwargs: Any) -> None:
        super().__init__(terms, *args, auto_id="again_%s", **kwargs)
        for number in range(len(self.terms)):
            self.fields[f"value_{number}"].required = False


class WaiveForm(forms.Form):
    reason = forms.CharField(
        max_length=300,
        label="Why this check may stay undecided",
        widget=forms.Textarea(attrs={"rows": 2}),
        error_messages={"required": "Say why this check may stay undecided."},
    )


class FindingForm(forms.Form):
    word = forms.ChoiceField(
        widget=forms.RadioSelect,
        label="What is seen",
        error_messages={"required": "Choose what is seen."},
    )
    severity = forms.TypedChoiceField(
        coerce=int,
        choices=[(s.value, f"{s.value} {s.label}: {s.meaning}") for s in Severity if s],
        widget=forms.RadioSelect,
        label="How bad",
        error_messages={"required": "Choose how bad it is."},
    )
    place = forms.CharField(
        max_length=120, required=False, label="Where on it", help_text="Such as 'inlet side'."
    )
    note = forms.CharField(
        max_length=500, required=False, label="Note", widget=forms.Textarea(attrs={"rows": 2})
    )
    cause = forms.ChoiceField(
        choices=[("", "Not known yet"), *((c.value, c.label) for c in Cause)],
        required=False,
        label="Probable cause",
        help_text="Apart from what is seen: several parts together point to a cause.",
    )

    def __init__(self, component: Component, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["word"].choices = [  # type: ignore[attr-defined]
            (word.value, word.label) for word in words_for(component) if word is not Word.NO_DEFECT
        ]


class PhotoForm(forms.Form):
    file = forms.FileField(
        widget=forms.FileInput(
            attrs={"class": "file", "accept": "image/jpeg,image/png,image/webp"}
        ),
        label="Photo",
        error_messages={
            "required": "Choose a photo first.",
            "empty": "The file is empty. Take the photo again.",
        },
    )
    caption = forms.CharField(max_length=120, required=False, label="What it shows")


class OverruleForm(forms.Form):
    decided = forms.ChoiceField(
        choices=[(d.value, d.label) for d in Disposition], label="Decide otherwise"
    )
    reason = forms.CharField(
        max_length=500,
        required=False,
        label="Why",
        widget=forms.Textarea(attrs={"rows": 2}),
    )


class SignForm(forms.Form):
    confirmed = forms.BooleanField(
        label="These readings and findings are complete, and I stand by them.",
        error_messages={"required": "Tick this line to put your name under the inspection."},
    )
    version = forms.IntegerField(widget=forms.HiddenInput)


class WhyForm(forms.Form):
    """A change of state with its reason."""

    why = forms.CharField(
        max_length=300,
        widget=forms.Textarea(attrs={"rows": 2}),
        label="Why",
        error_messages={"required": "Say why."},
    )
    version = forms.IntegerField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, ask: str = "Why", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["why"].label = ask


class CountersignForm(forms.Form):
    why = forms.CharField(
        max_length=300,
        required=False,
        widget=forms.Textarea(attrs={"rows": 2}),
        label="Remark",
    )
    version = forms.IntegerField(widget=forms.HiddenInput)


def instrument_label(instrument: Instrument) -> str:
    """As it stands in a list to choose from."""
    return f"{instrument.identity}, {instrument.name}"
