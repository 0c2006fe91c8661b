"""What is scanned, typed and chosen on the pull lists."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import QuerySet

from parts.models import Store
from parts.web.forms import ScanField

_MOST_COPIES = 60
# A gloved hand picks from a list; what it does not hold goes into the note.
SHORT_REASONS = (
    "Fewer than on record",
    "Damaged on the shelf",
    "Another part lay in the bin",
)
UNDO_REASONS = ("Scanned by mistake", "Put into the wrong bag", "Wrong batch taken")
RETURN_REASONS = ("Not needed after all", "Damaged", "Does not fit this pump")


class PullForm(forms.Form):
    """quantity is asked only where the line wants more than one, the batch where the part ages."""

    scanned_number = ScanField(
        label="Scan or type the part number",
        error_messages={"required": "Scan the label, or type the number that is on it."},
    )
    quantity = forms.IntegerField(
        label="Counted into the hand",
        required=False,
        widget=forms.NumberInput(attrs={"inputmode": "numeric", "min": "1"}),
    )
    batch_code = ScanField(label="Scan or type the batch", required=False)
    # The batch about which the clerk was asked, and goes on; and the line that was meant.
    confirmed = forms.CharField(required=False, max_length=100, widget=forms.HiddenInput)
    at = forms.IntegerField(required=False, widget=forms.HiddenInput)


class LineForm(forms.Form):
    """One line of a list, by its demand."""

    demand = forms.IntegerField(min_value=1, max_value=2**31 - 1)


class _ReasonForm(LineForm):
    reasons: tuple[str, ...] = ()

    reason = forms.ChoiceField()
    note = forms.CharField(max_length=120, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reason"].choices = [(one, one) for one in self.reasons]  # type: ignore[attr-defined]

    @property
    def why(self) -> str:
        note = self.cleaned_data["note"].strip()
        return f"{self.cleaned_data['reason']}: {note}" if note else self.cleaned_data["reason"]


class ShortForm(_ReasonForm):
    reasons = SHORT_REASONS

    found = forms.IntegerField(
        label="How many lay there",
        error_messages={"required": "Count what lies there and enter it, 0 for none."},
    )
    batch_code = forms.CharField(max_length=40, required=False)


class UndoForm(_ReasonForm):
    reasons = UNDO_REASONS


class ReturnForm(_ReasonForm):
    reasons = RETURN_REASONS

    fit_for_stock = forms.ChoiceField(
        choices=[("yes", "back on the shelf"), ("no", "scrap")],
        error_messages={"required": "Say whether it goes back on the shelf or is scrapped."},
    )


class ListsFilter(forms.Form):
    bench = forms.ChoiceField(required=False)

    def __init__(self, *args: Any, benches: list[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = [("", "all benches"), *((one, one) for one in benches)]
        self.fields["bench"].choices = choices  # type: ignore[attr-defined]


class ShelfLabelsForm(forms.Form):
    """Which shelf labels to print."""

    store = forms.ModelChoiceField(Store.objects.none(), empty_label=None, label="Store")
    part = ScanField(label="Part number")
    copies = forms.IntegerField(
        label="How many of each", initial=1, min_value=1, max_value=_MOST_COPIES, required=False
    )

    def __init__(self, *args: Any, stores: QuerySet[Store], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["store"].queryset = stores  # type: ignore[attr-defined]
