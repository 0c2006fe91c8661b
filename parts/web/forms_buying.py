"""What people type about suppliers, offers, orders and deliveries."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from decimal import Decimal
from enum import StrEnum
from typing import Any

from django import forms
from django.db.models import QuerySet

from fleet.roles import Role
from fleet.web.forms import FigureField
from parts.models import OrderLine, Part, Store, Supplier
from parts.rules.approval import APPROVERS
from parts.web.forms_catalogue import BatchField, PartNumberField, day_input


class Show(StrEnum):
    """The ways in which the list of orders can be narrowed."""

    OPEN = "open"
    DRAFT = "draft"
    APPROVAL = "approval"
    TO_SEND = "to_send"
    SENT = "sent"
    LATE = "late"
    CLOSED = "closed"

    @property
    def label(self) -> str:
        return {
            Show.OPEN: "still open",
            Show.DRAFT: "drafts",
            Show.APPROVAL: "awaiting approval",
            Show.TO_SEND: "approved and not sent",
            Show.SENT: "sent",
            Show.LATE: "late",
            Show.CLOSED: "received or cancelled",
        }[self]


class OrderFilter(forms.Form):
    show = forms.ChoiceField(
        label="State", required=False, choices=[(s.value, s.label) for s in Show]
    )
    store = forms.ModelChoiceField(Store.objects.none(), required=False, empty_label="all stores")
    supplier = forms.ModelChoiceField(
        Supplier.objects.all(), required=False, empty_label="any supplier"
    )

    def __init__(self, *args: Any, stores: QuerySet[Store], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["store"].queryset = stores  # type: ignore[attr-defined]


class SupplierFilter(forms.Form):
    q = forms.CharField(required=False, max_length=80, label="Name or part number")


class SupplierForm(forms.Form):
    name = forms.CharField(label="Name", max_length=80)
    currency = forms.CharField(
        label="Currency of the prices",
        max_length=3,
        initial="EUR",
        help_text="Three letters, such as EUR.",
        widget=forms.TextInput(attrs={"size": "5", "autocapitalize": "characters"}),
    )
    email = forms.EmailField(
        label="Address for orders by mail", required=False, help_text="Printed on the order."
    )
    minimum_order_value = FigureField(
        label="Least value of an order",
        required=False,
        help_text="In that currency. An order below it is marked, not stopped.",
    )

    def clean_minimum_order_value(self) -> Decimal:
        value: Decimal | None = self.cleaned_data["minimum_order_value"]
        return Decimal(0) if value is None else value


class SupplierChangeForm(SupplierForm):
    active = forms.BooleanField(
        label="Bought from",
        required=False,
        help_text="Without the tick nothing new is ordered here; what is on order still comes.",
    )


class WebhookForm(forms.Form):
    webhook_url = forms.CharField(
        label="Address of the supplier's system",
        max_length=300,
        required=False,
        widget=forms.URLInput(attrs={"autocomplete": "off", "spellcheck": "false", "size": "40"}),
        help_text="Begins with https://. Left empty, orders go by paper or mail only.",
    )


class OfferForm(forms.Form):
    supplier_number = forms.CharField(
        label="The supplier's number for it", max_length=60, required=False
    )
    price = FigureField(label="Price of one piece")
    pack_size = forms.IntegerField(
        label="Sold in packs of", initial=1, help_text="1 where single pieces can be had."
    )
    minimum_quantity = forms.IntegerField(label="Least quantity", initial=1)
    lead_days = forms.IntegerField(
        label="Promised days",
        help_text="Calendar days from the order until it is here, as the supplier says.",
    )
    preferred = forms.BooleanField(
        label="Buy it here",
        required=False,
        help_text="The mark moves here from the supplier that has it now.",
    )


class NewOfferForm(OfferForm):
    part = PartNumberField()
    field_order = ("part",)


class NewOrderForm(forms.Form):
    store = forms.ModelChoiceField(Store.objects.none(), empty_label="choose", label="Store")
    supplier = forms.ModelChoiceField(
        Supplier.objects.filter(active=True), empty_label="choose", label="Supplier"
    )

    def __init__(self, *args: Any, stores: QuerySet[Store], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["store"].queryset = stores  # type: ignore[attr-defined]
        if len(stores) == 1:
            self.fields["store"].initial = stores[0]


class LineForm(forms.Form):
    manual_quantity = forms.IntegerField(
        label="How many beside what planning asks for",
        help_text="0 takes them out again.",
        widget=forms.NumberInput(attrs={"inputmode": "numeric", "min": "0"}),
    )


class NewLineForm(forms.Form):
    part = forms.ModelChoiceField(Part.objects.none(), empty_label="choose", label="Part")
    manual_quantity = forms.IntegerField(
        label="How many",
        min_value=1,
        widget=forms.NumberInput(attrs={"inputmode": "numeric", "min": "1"}),
    )

    def __init__(self, *args: Any, parts: QuerySet[Part], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["part"].queryset = parts  # type: ignore[attr-defined]


class NoteForm(forms.Form):
    note = forms.CharField(
        label="Note to the supplier",
        max_length=300,
        required=False,
        widget=forms.Textarea(attrs={"rows": "3"}),
        help_text="Printed on the order.",
    )


class WhyForm(forms.Form):
    why = forms.CharField(label="Why", max_length=200)


class SendForm(forms.Form):
    """One promised day for each line of the order."""

    def __init__(
        self, *args: Any, lines: Iterable[OrderLine], days: dict[int, date | None], **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.of_line = {f"line_{line.pk}": line for line in lines}
        for name, line in self.of_line.items():
            self.fields[name] = forms.DateField(
                label=f"{line.quantity} {line.part}", initial=days[line.pk], widget=day_input()
            )

    def promised_on(self) -> dict[int, date]:
        return {line.pk: self.cleaned_data[name] for name, line in self.of_line.items()}


class PromiseForm(forms.Form):
    promised_on = forms.DateField(label="Promised for", widget=day_input())


class ReceiveLineForm(forms.Form):
    """The batch is asked for a part that ages, the surplus only once there is one."""

    quantity = forms.IntegerField(
        label="How many came",
        widget=forms.NumberInput(attrs={"inputmode": "numeric", "min": "1"}),
    )
    over_ok = forms.BooleanField(
        label="It is more than was ordered, and it is taken", required=False
    )
    batch_code = BatchField()
    cured_on = forms.DateField(
        label="Cured on", required=False, widget=day_input(), help_text="From the label of the bag."
    )
    expires_on = forms.DateField(
        label="Expires on",
        required=False,
        widget=day_input(),
        help_text="Only where the label gives no cure date.",
    )
    bin = forms.CharField(
        label="Bin",
        max_length=20,
        required=False,
        help_text="Where they lie from now on. Left empty: where they lay before.",
    )
    unit_cost = FigureField(
        label="Cost of one piece",
        required=False,
        help_text="In the store's currency. Left empty: the price on the order.",
    )
    reason = forms.CharField(
        label="Delivery note", max_length=200, required=False, help_text="Its number, say."
    )

    def __init__(self, *args: Any, ages: bool, asks_surplus: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not ages:
            for name in ("batch_code", "cured_on", "expires_on"):
                del self.fields[name]
        if not asks_surplus:
            del self.fields["over_ok"]


class LimitsForm(forms.Form):
    """One amount for each role that approves orders; empty: any value."""

    def __init__(self, *args: Any, limits: dict[Role, Decimal | None], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for role in (role for role in Role if role in APPROVERS):
            amount = limits[role]
            self.fields[role.value] = FigureField(
                label=role.label.capitalize(),
                required=False,
                initial=None if amount is None else f"{amount:.2f}",
                help_text="Left empty: any value.",
            )

    def limits(self) -> dict[Role, Decimal | None]:
        return {Role(name): self.cleaned_data[name] for name in self.fields}
