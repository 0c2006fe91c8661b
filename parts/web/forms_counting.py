"""What people type on the pages of counts."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import QuerySet

from parts.models import Store
from parts.services.counts import LARGEST_SHEET, USUAL_SHEET
from parts.web.forms_catalogue import PartNumberField

DUE, BINS, PARTS = "due", "bins", "parts"


class RaiseForm(forms.Form):
    store = forms.ModelChoiceField(Store.objects.none(), empty_label="choose", label="Store")
    what = forms.ChoiceField(
        label="What is counted",
        choices=[
            (DUE, "what is due"),
            (BINS, "a range of bins"),
            (PARTS, "parts by number"),
        ],
        initial=DUE,
        widget=forms.RadioSelect,
    )
    at_most = forms.IntegerField(
        label="Lines on the sheet, for what is due",
        required=False,
        initial=USUAL_SHEET,
        help_text=f"At most {LARGEST_SHEET}. All batches of a part stay together.",
        widget=forms.NumberInput(attrs={"inputmode": "numeric", "min": "1"}),
    )
    bin_from = forms.CharField(label="First bin, for a range", max_length=20, required=False)
    bin_to = forms.CharField(
        label="Last bin",
        max_length=20,
        required=False,
        help_text="Counts too, with all bins that begin like it. Left empty: the first one alone.",
    )
    parts = forms.CharField(
        label="Part numbers, for parts by number",
        required=False,
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 3, "spellcheck": "false"}),
        help_text="One a line, or with commas between them.",
    )
    why = forms.CharField(label="What the count is for", max_length=200, initial="Cycle count")

    def __init__(self, *args: Any, stores: QuerySet[Store], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["store"].queryset = stores  # type: ignore[attr-defined]
        if len(stores) == 1:
            self.fields["store"].initial = stores[0]


class AddLineForm(forms.Form):
    part = PartNumberField()
    batch_code = forms.CharField(
        label="Batch",
        max_length=40,
        required=False,
        help_text="From the label, for a part that ages.",
    )
    cured_on = forms.DateField(
        label="Cure date",
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}),
        help_text="Only for a batch that was never on record.",
    )
    expires_on = forms.DateField(
        label="Expires on", required=False, widget=forms.DateInput(attrs={"type": "date"})
    )


class WhyForm(forms.Form):
    why = forms.CharField(label="Why", max_length=200)


class SendBackForm(forms.Form):
    why = forms.CharField(label="What is to be looked at again", max_length=200)


class EnterForm(forms.Form):
    """again: the line was sent back, so it takes a word whatever the figure is."""

    counted = forms.IntegerField(
        label="Counted",
        min_value=0,
        # No number field: its arrows and the wheel change a figure unseen.
        widget=forms.TextInput(
            attrs={"inputmode": "numeric", "autocomplete": "off", "autofocus": True}
        ),
        error_messages={"required": "Enter how many lie there; 0 where there is none."},
    )
    reason = forms.CharField(label="What you found this time", max_length=200, required=False)

    def __init__(self, *args: Any, again: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if again:
            self.fields["reason"].required = True
        else:
            del self.fields["reason"]


class ExplainForm(forms.Form):
    reason = forms.CharField(
        label="Why it differs", max_length=200, widget=forms.TextInput(attrs={"autofocus": True})
    )
