"""What people type about parts, kits, fits and batches."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import QuerySet

from fleet.models import PumpModel
from fleet.vocabulary import Component
from parts.catalogue_selectors import find_part
from parts.models import Part, Store

_ROWS_FOR_MORE = 4


def day_input() -> forms.DateInput:
    return forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})


class BatchField(forms.CharField):
    """The code on the label of a batch, as a scanner types it."""

    def __init__(self, **kwargs: Any) -> None:
        attrs = {"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}
        kwargs.setdefault("label", "Batch")
        super().__init__(max_length=40, widget=forms.TextInput(attrs), **kwargs)


class PartNumberField(forms.CharField):
    """A part of the catalogue by any of its numbers: the maker's, one's own or a supplier's."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("label", "Part number")
        super().__init__(max_length=60, **kwargs)
        self.widget.attrs.update(
            {"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}
        )

    def clean(self, value: Any) -> Any:
        number = super().clean(value)
        if not number:
            return None
        part = find_part(number)
        if part is None:
            raise forms.ValidationError(
                f"'{number.upper()}' is not in the catalogue. Check the label, or add the part "
                "first.",
                code="unknown",
            )
        return part


class PartForm(forms.Form):
    number = forms.CharField(
        label="Maker's number",
        max_length=40,
        help_text="Capital letters, figures and hyphens, as on the label.",
    )
    own_number = forms.CharField(
        label="Own number",
        max_length=40,
        required=False,
        help_text="What your stores call it, where that differs. Both are found.",
    )
    maker = forms.CharField(label="Maker", max_length=80, required=False)
    name = forms.CharField(label="Name", max_length=120)
    unit = forms.CharField(label="Counted in", max_length=10, initial="piece")
    pack_size = forms.IntegerField(
        label="Pieces in a pack",
        required=False,
        min_value=1,
        help_text="Left empty: they come singly.",
        widget=forms.NumberInput(attrs={"inputmode": "numeric", "size": "6"}),
    )
    shelf_life_months = forms.IntegerField(
        label="Shelf life in months from the cure date",
        required=False,
        help_text="Of elastomer seals, say. Each delivery is then kept as a batch with its expiry. "
        "Left empty: it does not age. A new length counts for new batches.",
        widget=forms.NumberInput(attrs={"inputmode": "numeric", "size": "6"}),
    )
    is_kit = forms.BooleanField(
        label="It is a kit",
        required=False,
        help_text="Stocked and pulled as one, with single parts in it.",
    )

    def clean_pack_size(self) -> int:
        return self.cleaned_data["pack_size"] or 1


class SupersedeForm(forms.Form):
    by = PartNumberField(
        label="The part that takes its place",
        help_text="Counted in the same unit. What lies there of the old one is used up first.",
    )


class AlternativeForm(forms.Form):
    other = PartNumberField(label="The part that may stand in")
    why = forms.CharField(
        label="Why it may",
        max_length=200,
        help_text="Who said so, or where it is printed.",
    )


class ContentForm(forms.Form):
    """One row of a kit; without a number it is left out."""

    part = PartNumberField(required=False)
    quantity = forms.IntegerField(
        label="Quantity", required=False, widget=forms.NumberInput(attrs={"size": "5"})
    )


ContentFormSet = forms.formset_factory(ContentForm, extra=_ROWS_FOR_MORE, max_num=500)


class FitForm(forms.Form):
    model = forms.ModelChoiceField(
        PumpModel.objects.all(), empty_label="choose", label="Pump model"
    )
    component = forms.ChoiceField(
        label="Component it renews", choices=[(c.value, c.label) for c in Component]
    )
    quantity = forms.IntegerField(label="How many", initial=1)
    serial_from = forms.IntegerField(
        label="From serial",
        required=False,
        min_value=0,
        help_text="The last figures of the serial number: 104500 of 'G2-104500'. Left empty: from "
        "the first pump on.",
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
    )
    serial_to = forms.IntegerField(
        label="Up to serial",
        required=False,
        min_value=0,
        help_text="This one included. Left empty: all that follow.",
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
    )
    alternatives_allowed = forms.BooleanField(
        label="Alternatives may stand in",
        required=False,
        help_text="Those that are entered for the part, where it is short.",
    )


class LotForm(forms.Form):
    """The label of a lot: batch, and one of its two dates."""

    batch_code = BatchField()
    cured_on = forms.DateField(label="Cure date", required=False, widget=day_input())
    expires_on = forms.DateField(
        label="Expiry on the label",
        required=False,
        widget=day_input(),
        help_text="Left empty: the cure date and the shelf life.",
    )


class AgeingForm(forms.Form):
    """A shelf life for a part that lies in the stores already."""

    shelf_life_months = forms.IntegerField(
        label="Shelf life in months from the cure date", min_value=1, max_value=600
    )
    cured_on = forms.DateField(
        label="Cure date of the oldest that lies there",
        widget=day_input(),
        help_text="When in doubt the earlier one: nothing may be taken for younger than it is.",
    )
    batch_code = BatchField(
        label="Batch they are put into",
        help_text="One for all that lies in the stores today, such as STOCK-2026.",
    )


class ExtendForm(forms.Form):
    expires_on = forms.DateField(label="May be fitted until", widget=day_input())
    why = forms.CharField(
        label="Why",
        max_length=200,
        help_text="Who looked at it, how, and by which document it may be kept longer.",
    )


class OpenKitForm(forms.Form):
    """One kit from the shelf of a store."""

    store = forms.ModelChoiceField(Store.objects.none(), label="Store", empty_label="choose")
    batch_code = BatchField(
        label="Batch on its label",
        required=False,
        help_text="Left empty: the one that expires first.",
    )
    why = forms.CharField(label="What for", max_length=200)

    def __init__(self, *args: Any, kit: Part, stores: QuerySet[Store], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["store"].queryset = stores  # type: ignore[attr-defined]
        if len(stores) == 1:
            self.fields["store"].initial = stores[0]
        if not kit.ages:
            del self.fields["batch_code"]
