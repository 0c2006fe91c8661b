"""What is typed and scanned to ask for, send and receive parts, and about a store itself."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Any

from django import forms
from django.db.models import QuerySet

from fleet.web.forms import FigureField
from parts.models import Store
from parts.selectors import Holder
from parts.services.transfers import SentLot
from parts.transfer_selectors import Show
from parts.web.forms import ScanField
from parts.web.forms_catalogue import BatchField, PartNumberField


def _count(label: str, **kwargs: Any) -> forms.IntegerField:
    widget = forms.NumberInput(attrs={"inputmode": "numeric", "min": "0", "size": "6"})
    return forms.IntegerField(label=label, widget=widget, **kwargs)


def _sentence(label: str, **kwargs: Any) -> forms.CharField:
    return forms.CharField(
        label=label, max_length=200, widget=forms.TextInput(attrs={"size": "40"}), **kwargs
    )


class TransfersFilter(forms.Form):
    show = forms.ChoiceField(required=False, choices=[(s.value, s.label) for s in Show])
    store = forms.ModelChoiceField(Store.objects.none(), required=False, empty_label="all stores")

    def __init__(self, *args: Any, stores: QuerySet[Store], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["store"].queryset = stores  # type: ignore[attr-defined]


class FindForm(forms.Form):
    """Which part is wanted where: then it is shown who has it."""

    to_store = forms.ModelChoiceField(Store.objects.none(), empty_label="choose", label="For")
    part = PartNumberField()

    def __init__(self, *args: Any, stores: QuerySet[Store], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["to_store"].queryset = stores  # type: ignore[attr-defined]
        if len(stores) == 1:
            self.fields["to_store"].initial = stores[0]


class AskForm(forms.Form):
    from_site_name = forms.ChoiceField(label="From", widget=forms.RadioSelect)
    quantity = _count("How many")
    why = _sentence("Why", help_text="The other store reads it, and decides by it.")

    def __init__(self, *args: Any, holders: Sequence[Holder], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["from_site_name"].choices = [  # type: ignore[attr-defined]
            (holder.site_name, f"{holder.site_name}, {holder.available} free") for holder in holders
        ]
        if len(holders) == 1:
            self.fields["from_site_name"].initial = holders[0].site_name


class SendForm(forms.Form):
    scanned_number = ScanField(
        label="Scan or type the part number",
        error_messages={"required": "Scan the label, or type the number that is on it."},
    )
    batch_code = BatchField(required=False, help_text="From the label of what is in your hand.")

    def __init__(self, *args: Any, ages: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["scanned_number"].widget.attrs["data-scan"] = True
        if not ages:
            del self.fields["batch_code"]


class ReceiveForm(forms.Form):
    """One count for each lot that was sent."""

    bin = forms.CharField(
        label="Bin",
        max_length=20,
        required=False,
        help_text="Where they lie from now on. Left empty: where the others lie.",
    )
    reason = _sentence(
        "Why fewer came",
        required=False,
        help_text="Only where some are missing or broken: the rest is written off.",
    )

    def __init__(self, *args: Any, lots: Sequence[SentLot], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lots = lots
        for n, lot in enumerate(lots):
            of = f" of batch {lot.code}" if lot.code else ""
            self.fields[f"lot_{n}"] = _count(
                f"How many came{of}", initial=lot.quantity, min_value=0, max_value=lot.quantity
            )
        self.order_fields([f"lot_{n}" for n in range(len(lots))])

    def received(self) -> dict[str, int]:
        return {lot.code: self.cleaned_data[f"lot_{n}"] for n, lot in enumerate(self.lots)}


class WhyForm(forms.Form):
    why = _sentence("Why")


def _of(store: Store, names: Iterable[str]) -> dict[str, Any]:
    """The settings as they are typed: 0.95, not 0.9500."""
    values = {name: getattr(store, name) for name in names}
    return {
        name: f"{value.normalize():f}" if isinstance(value, Decimal) else value
        for name, value in values.items()
    }


class PlaceForm(forms.Form):
    """What the clerk says of his store."""

    name = forms.CharField(label="Name", max_length=80)
    latitude_deg = FigureField(
        label="Latitude in degrees",
        required=False,
        help_text="North positive, such as 53.5. With it the nearest store is asked first; a "
        "store without a position is asked last.",
    )
    longitude_deg = FigureField(
        label="Longitude in degrees", required=False, help_text="East positive."
    )

    def __init__(self, data: Any, *, store: Store) -> None:
        super().__init__(data, initial=_of(store, self.base_fields))


class MoneyForm(forms.Form):
    """What the manager decides about a store."""

    currency = forms.CharField(
        label="Currency",
        max_length=3,
        help_text="Three letters of ISO 4217, such as EUR. Can be changed while nothing of value "
        "lies there.",
        widget=forms.TextInput(attrs={"size": "5", "autocapitalize": "characters"}),
    )
    supplied_by = forms.ModelChoiceField(
        Store.objects.none(),
        label="Restocked by",
        required=False,
        empty_label="suppliers only",
        help_text="The central store it draws on, if there is one.",
    )
    target_service = FigureField(
        label="Share of demands served from the shelf",
        help_text="From 0.5 up to, not including, 1. What to hold is reckoned from it.",
    )
    count_limit = FigureField(
        label="A count takes a second person above",
        help_text="When it differs by more than this in value.",
    )
    labour_rate = FigureField(
        label="An hour at the bench costs",
        required=False,
        help_text="Left empty: hours are kept, and cost nothing.",
    )

    def __init__(self, data: Any, *, store: Store, others: QuerySet[Store]) -> None:
        super().__init__(data, initial=_of(store, self.base_fields))
        self.fields["supplied_by"].queryset = others  # type: ignore[attr-defined]
