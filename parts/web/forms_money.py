"""What people type on the pages of values, costs and rates."""

from __future__ import annotations

from datetime import date
from typing import Any

from django import forms
from django.db.models import QuerySet

from fleet.models import Site
from fleet.web.forms import FigureField
from parts.models import Labour


def _day(label: str, **kwargs: Any) -> forms.DateField:
    return forms.DateField(label=label, widget=forms.DateInput(attrs={"type": "date"}), **kwargs)


class CostFilter(forms.Form):
    site = forms.ModelChoiceField(Site.objects.none(), required=False, empty_label="all sites")
    since = _day("From", required=False)
    until = _day("To", required=False)

    def __init__(self, *args: Any, sites: QuerySet[Site], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"].queryset = sites  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        typed: dict[str, Any] = super().clean() or {}
        since, until = typed.get("since"), typed.get("until")
        if since and until and until < since:
            self.add_error("until", "It ends before it begins.")
        return typed

    def period(self) -> tuple[date | None, date | None]:
        return self.cleaned_data.get("since"), self.cleaned_data.get("until")


class LabourForm(forms.Form):
    hours = FigureField(label="Hours", help_text="Such as 1.5.")
    what = forms.CharField(label="What was done", max_length=200)


class TakeBackForm(forms.Form):
    """One entry of hours that was not taken back yet."""

    labour = forms.ModelChoiceField(Labour.objects.none(), empty_label="choose", label="Entry")
    reason = forms.CharField(label="Why", max_length=200)

    def __init__(self, *args: Any, entries: QuerySet[Labour], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["labour"].queryset = entries  # type: ignore[attr-defined]


class RateForm(forms.Form):
    base = forms.CharField(label="One unit of", max_length=3, help_text="Three letters: EUR.")
    quote = forms.CharField(label="In the currency", max_length=3)
    rate = FigureField(label="Is worth")
    valid_from = _day("From")
