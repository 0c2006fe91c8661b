"""What the pages of studies and of measuring again ask for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from django import forms

from fleet.models import Site, User
from fleet.units import LengthUnit
from fleet.vocabulary import CHARACTERISTICS, Characteristic, InstrumentKind
from inspections.models import Instrument, Reading, StudyReading
from inspections.rules.leaves import Feel, Try
from inspections.services.studies import Entry
from inspections.web.forms import LeafField, LengthField

_UNITS = [(unit.value, unit.label) for unit in LengthUnit]


class StudyForm(forms.Form):
    """A new study at one site."""

    site = forms.ModelChoiceField(
        queryset=Site.objects.none(),
        widget=forms.HiddenInput,
        error_messages={"invalid_choice": "Choose one of your sites."},
    )
    characteristic = forms.ChoiceField(
        choices=[
            (one.value, CHARACTERISTICS[one].label)
            for one in Characteristic
            if one is not Characteristic.OWN
        ],
        label="What is measured",
    )
    instrument_kind = forms.ChoiceField(
        choices=[(kind.value, kind.label) for kind in InstrumentKind], label="With which instrument"
    )
    unit = forms.ChoiceField(choices=_UNITS, label="Unit of the instruments")
    tolerance = LengthField(
        required=False,
        label="Width between the limits",
        help_text="From the lower limit to the upper one; with one limit only, from as-new to it.",
    )
    people = forms.TypedMultipleChoiceField(
        coerce=int,
        widget=forms.CheckboxSelectMultiple,
        label="Who measures",
        help_text="Three or more show best how far people differ.",
        error_messages={"required": "Choose two people at the least."},
    )
    parts = forms.CharField(
        widget=forms.Textarea(attrs={"rows": 6}),
        max_length=3000,
        label="Which pumps, one on each line",
        help_text="By their tags. Ten of different wear tell most; five will do.",
        error_messages={"required": "Name the pumps, one on each line."},
    )
    trials = forms.IntegerField(
        initial=3,
        label="How often everybody measures each",
        help_text="Twice at the least; three times is usual.",
    )

    def __init__(self, *args: Any, sites: Any, people: Iterable[User], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.colleagues = {person.pk: person for person in people}
        self.fields["site"].queryset = sites  # type: ignore[attr-defined]  # a ModelChoiceField
        self.fields["people"].choices = [  # type: ignore[attr-defined]  # a choice field
            (person.pk, person.full_name) for person in self.colleagues.values()
        ]

    def clean_parts(self) -> list[str]:
        return [line.strip() for line in self.cleaned_data["parts"].splitlines() if line.strip()]

    def chosen(self) -> list[User]:
        return [self.colleagues[pk] for pk in self.cleaned_data["people"]]


class GridForm(forms.Form):
    """All readings of one person: parts down, repeats across, a value or the two leaves in each."""

    instrument = forms.ModelChoiceField(
        queryset=Instrument.objects.none(),
        label="Measured with",
        empty_label=None,
        error_messages={
            "required": "Choose an instrument.",
            "invalid_choice": "Choose one of this site's instruments.",
        },
    )

    def __init__(
        self,
        *args: Any,
        parts: Sequence[str],
        trials: int,
        by_leaves: bool,
        instruments: Any,
        taken: Mapping[tuple[str, int], StudyReading],
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.parts, self.trials, self.by_leaves, self.taken = parts, trials, by_leaves, taken
        self.fields["instrument"].queryset = instruments  # type: ignore[attr-defined]
        for number, part in enumerate(parts):
            for trial in range(1, trials + 1):
                reading = taken.get((part, trial))
                for end, label in self.ends:
                    field = LengthField(
                        required=False,
                        label=f"{part}, repeat {trial}, {label}",
                        initial=None if reading is None else f"{getattr(reading, end):f}",
                    )
                    field.widget.attrs |= {"size": "5", "class": "cell", "aria-label": field.label}
                    self.fields[f"{end}_{number}_{trial}"] = field

    @property
    def ends(self) -> tuple[tuple[str, str], ...]:
        if self.by_leaves:
            return (("low", "entered"), ("high", "did not enter"))
        return (("low", "value"),)

    def rows(self) -> list[tuple[str, list[list[forms.BoundField]]]]:
        """(part, for each repeat its fields)."""
        return [
            (
                part,
                [
                    [self[f"{end}_{number}_{trial}"] for end, _label in self.ends]
                    for trial in range(1, self.trials + 1)
                ],
            )
            for number, part in enumerate(self.parts)
        ]

    def entries(self, person: int) -> list[tuple[Entry, str]]:
        """What is new, with the end of the names of its fields ("3_1")."""
        found = []
        for number, part in enumerate(self.parts):
            for trial in range(1, self.trials + 1):
                place = f"{number}_{trial}"
                low: Decimal | None = self.cleaned_data[f"low_{place}"]
                high = self.cleaned_data[f"high_{place}"] if self.by_leaves else low
                before = self.taken.get((part, trial))
                kept = (None, None) if before is None else (before.low, before.high)
                # Sent along as it was: it was not measured again.
                if (low, high) != kept:
                    found.append((Entry(person, part, trial, low, high), place))
        return found


class AgainForm(forms.Form):
    """A position measured again, by leaves or as a value."""

    place = forms.ChoiceField(label="Where")
    instrument = forms.ModelChoiceField(
        queryset=Instrument.objects.none(),
        label="Measured with",
        empty_label=None,
        error_messages={
            "required": "Choose an instrument.",
            "invalid_choice": "Choose one of this site's instruments.",
        },
    )
    entered = LeafField(
        required=False,
        label="Thickest leaf that entered",
        help_text="Such as 0.10, or 0.06 + 0.10 laid together. Empty: none entered.",
    )
    feel = forms.ChoiceField(
        choices=[(feel.value, feel.label) for feel in (Feel.DRAG, Feel.FREE)],
        required=False,
        label="How it entered",
    )
    refused = LeafField(required=False, label="Thinnest leaf that did not enter")
    value = LengthField(required=False, label="Value")
    unit = forms.ChoiceField(choices=_UNITS, required=False, label="Unit")

    def __init__(
        self, *args: Any, taken: Sequence[Reading], instruments: Any, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.taken = {str(reading.pk): reading for reading in taken}
        self.fields["place"].choices = [  # type: ignore[attr-defined]  # a ChoiceField
            (pk, f"{one.position}, {one.term}" if one.term else one.position)
            for pk, one in self.taken.items()
        ]
        self.fields["instrument"].queryset = instruments  # type: ignore[attr-defined]

    @property
    def own(self) -> Reading:
        """The reading that is measured again."""
        return self.taken[self.cleaned_data["place"]]

    @property
    def by_leaves(self) -> bool:
        instrument: Instrument = self.cleaned_data["instrument"]
        return instrument.kind == InstrumentKind.FEELER.value

    def clean(self) -> dict[str, Any] | None:
        cleaned = super().clean()
        if not self.errors and not self.by_leaves and self.cleaned_data["value"] is None:
            self.add_error("value", "Enter the value that the instrument shows.")
        return cleaned

    def tries(self) -> list[Try]:
        entered, refused = self.cleaned_data["entered"], self.cleaned_data["refused"]
        feel = Feel(self.cleaned_data["feel"] or Feel.DRAG)
        return [
            *([Try(entered, feel)] if entered else []),
            *([Try(refused, Feel.REFUSES)] if refused else []),
        ]
