"""Supersessions and alternatives."""

from __future__ import annotations

from typing import Any

from django.forms import Form
from django.shortcuts import get_object_or_404
from django.urls import reverse

from parts import catalogue_selectors
from parts.models import Alternative, Part
from parts.services import standins
from parts.web import forms_catalogue as forms
from parts.web.views_catalogue import CataloguePage, OfPart


class Supersede(OfPart):
    form_class = forms.SupersedeForm
    title = "Say what takes its place"
    verb = "Supersede the part"

    def save(self, form: Form) -> Part:
        return standins.supersede(
            actor=self.actor,
            part=self.part,
            by=form.cleaned_data["by"],
            version=self.sent_version(),
        )

    def done(self, row: Part) -> str:
        return f"{row.number} is superseded. Its number is still found, and leads to the new one."


class SupersedeTakeBack(OfPart):
    form_class = Form
    title = "Take the supersession back"
    verb = "Take it back"
    said = "The part is ordered under its own number again."

    def save(self, form: Form) -> Part:
        return standins.take_back_supersession(
            actor=self.actor, part=self.part, version=self.sent_version()
        )

    def context(self, form: Form) -> dict[str, Any]:
        after = self.part.superseded_by
        lead = f"{after} no longer takes its place." if after else "Nothing takes its place."
        return {**super().context(form), "lead": lead}


class AlternativeAdd(OfPart):
    form_class = forms.AlternativeForm
    title = "Name an alternative"
    verb = "Add the alternative"

    def save(self, form: Form) -> Alternative:
        return standins.add_alternative(actor=self.actor, part=self.part, **form.cleaned_data)

    def done(self, row: Alternative) -> str:
        return f"{row.other.number} may stand in for {row.part.number} where a fit allows it."

    def context(self, form: Form) -> dict[str, Any]:
        return {
            **super().context(form),
            "lead": f"It may be handed out in place of {self.part.number} when that is short, "
            "where the fit allows alternatives. It holds one way only.",
        }


class AlternativeRemove(CataloguePage):
    form_class = Form
    title = "Take an alternative out"
    verb = "Take it out"
    alternative: Alternative

    def prepare(self) -> None:
        super().prepare()
        self.alternative = get_object_or_404(
            catalogue_selectors.alternatives(), pk=self.kwargs["pk"]
        )

    def save(self, form: Form) -> Part:
        part = self.alternative.part
        standins.remove_alternative(actor=self.actor, alternative=self.alternative)
        return part

    def where(self, row: Part) -> str:
        return reverse("parts:part", args=[row.pk])

    def context(self, form: Form) -> dict[str, Any]:
        return {
            "lead": f"{self.alternative.other} no longer stands in for "
            f"{self.alternative.part.number}.",
            "danger": True,
            "back": reverse("parts:part", args=[self.alternative.part_id]),
        }
