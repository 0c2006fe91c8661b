"""What the manager types on the pages of what to hold."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from django import forms

from parts.rules.holding_advice import Charges

_USUAL = Charges()


class ChargesForm(forms.Form):
    """What an order costs and what keeping costs; left empty, the usual figures."""

    per_order = forms.FloatField(
        label="Placing an order costs",
        required=False,
        min_value=0,
        max_value=100_000,
        widget=forms.NumberInput(attrs={"inputmode": "decimal", "step": "any"}),
    )
    holding_percent = forms.FloatField(
        label="Keeping costs, a year",
        required=False,
        min_value=0,
        max_value=1000,
        widget=forms.NumberInput(attrs={"inputmode": "decimal", "step": "any"}),
    )

    def charges(self) -> Charges:
        typed = self.cleaned_data
        per_order, percent = typed.get("per_order"), typed.get("holding_percent")
        return Charges(
            _USUAL.per_order if per_order is None else per_order,
            _USUAL.holding_per_year if percent is None else percent / 100,
        )

    def asked(self) -> dict[str, str]:
        """What was typed, as it goes into the address of another page."""
        return {
            name: f"{value:.10g}"
            for name, value in self.cleaned_data.items()
            if isinstance(value, float)
        }

    def address(self, **more: Any) -> str:
        """The query of an address with the same charges; "" where none were typed."""
        kept = {k: v for k, v in self.asked().items() if k in ("per_order", "holding_percent")}
        return urlencode({**kept, **{k: v for k, v in more.items() if v is not None}})


class PointForm(ChargesForm):
    """Which point of a store's curve: by the share that waits, or by money."""

    waiting_percent = forms.FloatField(
        label="Demands that may wait, %",
        required=False,
        min_value=0.01,
        max_value=100,
        widget=forms.NumberInput(attrs={"inputmode": "decimal", "step": "any"}),
    )
    budget = forms.FloatField(
        label="Money that may be bound",
        required=False,
        min_value=0,
        max_value=1_000_000_000,
        widget=forms.NumberInput(attrs={"inputmode": "decimal", "step": "any"}),
    )

    def __init__(self, data: Mapping[str, Any], *, target: float) -> None:
        super().__init__(data)
        self.target = target

    def point(self) -> dict[str, float]:
        """The one that was typed; money where both were; else what the store's target leaves."""
        budget = self.cleaned_data.get("budget")
        if budget is not None:
            return {"budget": budget}
        percent = self.cleaned_data.get("waiting_percent")
        return {
            "waiting_percent": round((1 - self.target) * 100, 6) if percent is None else percent
        }


class LevelsForm(forms.Form):
    """The levels of one part in one store."""

    reorder_point = forms.IntegerField(
        label="Reorder point",
        help_text="Ordered when what is there and on its way has fallen to this.",
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
    )
    order_up_to = forms.IntegerField(
        label="Order up to", widget=forms.NumberInput(attrs={"inputmode": "numeric"})
    )
    keep_back = forms.IntegerField(
        label="Keep back",
        help_text="No other site takes the free stock below this.",
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
    )
