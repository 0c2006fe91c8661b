"""What people type and scan on the stores' pages."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import QuerySet

from fleet.models import Site
from fleet.web.forms import FigureField
from parts.board import Show
from parts.catalogue_selectors import find_batch, find_part
from parts.models import Part, Store
from parts.web.forms_catalogue import BatchField, PartNumberField, day_input


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


class OnShelfForm(forms.Form):
    """One part in one store."""

    store = forms.ModelChoiceField(Store.objects.none(), empty_label="choose", label="Store")
    part = PartNumberField()

    def __init__(self, *args: Any, stores: QuerySet[Store], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["store"].queryset = stores  # type: ignore[attr-defined]
        if len(stores) == 1:
            self.fields["store"].initial = stores[0]

    def part_asked(self) -> Part | None:
        """The part, as far as it is known before the form is checked."""
        number = (
            self.data.get("part")
            if self.is_bound
            else self.get_initial_for_field(self.fields["part"], "part")
        )
        return find_part(number or "")


class _OfBatchForm(OnShelfForm):
    """What lies on a shelf already: of a part that ages, one batch of it."""

    batch_code = BatchField(required=False, help_text="Of a part that ages, from the label.")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        part = self.part_asked()
        if part is not None and not part.ages:
            del self.fields["batch_code"]

    def clean(self) -> dict[str, Any]:
        """With `batch` in place of its code; None where the part has none."""
        typed = super().clean() or self.cleaned_data
        code, part = typed.pop("batch_code", ""), typed.get("part")
        typed["batch"] = find_batch(part, code) if part is not None and code else None
        if part is not None and code and typed["batch"] is None:
            self.add_error(
                "batch_code",
                f"'{code}' is no batch of {part.number} on record. Look at the label again.",
            )
        return typed


class ReceiveForm(OnShelfForm):
    quantity = forms.IntegerField(label="How many came")
    batch_code = BatchField(
        required=False, help_text="Of a part that ages, from the label of the delivery."
    )
    cured_on = forms.DateField(
        label="Cure date",
        required=False,
        widget=day_input(),
        help_text="When the batch is new: its expiry is reckoned from it.",
    )
    expires_on = forms.DateField(
        label="Expiry on the label",
        required=False,
        widget=day_input(),
        help_text="Where the label names one.",
    )
    unit_cost = FigureField(
        label="Cost of a piece",
        required=False,
        help_text="In the currency of the store. Left empty: as those on the shelf.",
    )
    bin = forms.CharField(
        label="Bin",
        max_length=20,
        required=False,
        help_text="Where they lie from now on. Left empty: where they lay before.",
    )
    reason = forms.CharField(
        label="Note", max_length=200, required=False, help_text="A delivery note, say."
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        part = self.part_asked()
        if part is not None and not part.ages:
            for name in ("batch_code", "cured_on", "expires_on"):
                del self.fields[name]


class CorrectForm(_OfBatchForm):
    counted = forms.IntegerField(label="Counted on the shelf")
    reason = forms.CharField(label="Why they differ", max_length=200)


class ScrapForm(_OfBatchForm):
    quantity = forms.IntegerField(label="How many go")
    reason = forms.CharField(label="Why", max_length=200)
