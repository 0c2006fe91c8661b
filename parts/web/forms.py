"""What people type and scan on the stores' pages."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import QuerySet

from fleet.models import PumpModel, Site
from fleet.vocabulary import Component
from parts.board import Show
from parts.models import Part, Store

_ROWS_FOR_MORE = 4


class BoardFilter(forms.Form):
    show = forms.ChoiceField(required=False, choices=[(s.value, s.label) for s in Show])
    site = forms.ModelChoiceField(Site.objects.none(), required=False, empty_label="all sites")

    def __init__(self, *args: Any, sites: QuerySet[Site], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"].queryset = sites  # type: ignore[attr-defined]


class CatalogueFilter(forms.Form):
    q = forms.CharField(required=False, max_length=80, label="Number or name")


class ScanField(forms.CharField):
    """A part number as a scanner types it: no help of the browser in between."""

    def __init__(self, **kwargs: Any) -> None:
        attrs = {
            "autocomplete": "off",
            "autocapitalize": "characters",
            "spellcheck": "false",
            "enterkeyhint": "go",
        }
        super().__init__(max_length=100, widget=forms.TextInput(attrs), **kwargs)


class PullForm(forms.Form):
    """quantity is asked only where the line wants more than one."""

    scanned_number = ScanField(
        label="Scan or type the part number",
        error_messages={"required": "Scan the label, or type the number that is on it."},
    )
    quantity = forms.IntegerField(
        label="Counted into the hand",
        required=False,
        widget=forms.NumberInput(attrs={"inputmode": "numeric", "min": "1"}),
    )


class PartForm(forms.Form):
    number = forms.CharField(
        label="Part number",
        max_length=40,
        help_text="Capital letters, figures and hyphens, as on the label.",
    )
    name = forms.CharField(label="Name", max_length=120)
    unit = forms.CharField(label="Counted in", max_length=10, initial="piece")
    is_kit = forms.BooleanField(
        label="It is a kit",
        required=False,
        help_text="Stocked and pulled as one, with single parts in it.",
    )


class PartNumberField(forms.CharField):
    """A part of the catalogue by its number."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("label", "Part number")
        super().__init__(max_length=40, **kwargs)
        self.widget.attrs.update(
            {"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}
        )

    def clean(self, value: Any) -> Any:
        number = super().clean(value).strip().upper()
        if not number:
            return None
        part = Part.objects.filter(number=number).first()
        if part is None:
            raise forms.ValidationError(
                f"'{number}' is not in the catalogue. Check the label, or add the part first.",
                code="unknown",
            )
        return part


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


class OnShelfForm(forms.Form):
    """One part in one store."""

    store = forms.ModelChoiceField(Store.objects.none(), empty_label="choose", label="Store")
    part = PartNumberField()

    def __init__(self, *args: Any, stores: QuerySet[Store], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["store"].queryset = stores  # type: ignore[attr-defined]
        if len(stores) == 1:
            self.fields["store"].initial = stores[0]


class ReceiveForm(OnShelfForm):
    quantity = forms.IntegerField(label="How many came")
    bin = forms.CharField(
        label="Bin",
        max_length=20,
        required=False,
        help_text="Where they lie from now on. Left empty: where they lay before.",
    )
    reason = forms.CharField(
        label="Note", max_length=200, required=False, help_text="A delivery note, say."
    )


class CorrectForm(OnShelfForm):
    counted = forms.IntegerField(label="Counted on the shelf")
    reason = forms.CharField(label="Why they differ", max_length=200)


class ScrapForm(OnShelfForm):
    quantity = forms.IntegerField(label="How many go")
    reason = forms.CharField(label="Why", max_length=200)
