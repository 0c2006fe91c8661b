"""The leak paths of a pump model on one page: one block a clearance, saved together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, cast

from django import forms
from django.shortcuts import get_object_or_404
from django.urls import reverse

from fleet.faults import Fault
from fleet.leaks import LEAKING, NEEDED, LeakPathDraft, leaking_in
from fleet.models import LeakPath, PumpModel
from fleet.roles import Capability
from fleet.services import leak_paths
from fleet.vocabulary import CHARACTERISTICS, Characteristic, LeakShape, PumpFamily
from fleet.web.forms import FigureField
from fleet.web.pages import FormPage

# Field of a path -> how the page calls it. The letters are those of the sketches.
_LABELS = {
    "count": "n, gaps at once",
    "gap_factor": "h, × clearance",
    "width_mm": "b, width, mm",
    "length_mm": "L, length, mm",
    "diameter_mm": "D, diameter, mm",
    "inner_diameter_mm": "d, inside, mm",
    "eccentricity": "eccentricity",
}
_SHAPES = [("", "no leak path"), *((shape.value, shape.label) for shape in LeakShape)]


@dataclass(frozen=True)
class Entry:
    """One figure of a block. name: the field of LeakPath; css shows it with its shapes only."""

    name: str
    label: str
    field: Any


@dataclass(frozen=True)
class Block:
    """What the form asks for one clearance."""

    label: str
    hint: str
    shape: Any
    entries: tuple[Entry, ...]


class LeakPathsForm(forms.Form):
    """All paths of one model; a clearance without a shape has none."""

    def __init__(self, *args: Any, family: PumpFamily, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.characteristics = leaking_in(family)
        for characteristic in self.characteristics:
            name = CHARACTERISTICS[characteristic].label
            self.fields[f"{characteristic}_shape"] = forms.ChoiceField(
                label=f"{name}: shape", choices=_SHAPES, required=False
            )
            for field, label in _LABELS.items():
                self.fields[f"{characteristic}_{field}"] = FigureField(
                    label=f"{name}: {label}", required=False
                )

    def blocks(self) -> list[Block]:
        return [self._block(characteristic) for characteristic in self.characteristics]

    def _block(self, characteristic: Characteristic) -> Block:
        return Block(
            label=CHARACTERISTICS[characteristic].label,
            hint=LEAKING[characteristic].hint,
            shape=self[f"{characteristic}_shape"],
            entries=tuple(
                Entry(name, label, self[f"{characteristic}_{name}"])
                for name, label in _LABELS.items()
            ),
        )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        for characteristic in self.characteristics:
            name = f"{characteristic}_count"
            count = cleaned.get(name)
            if count is not None and count != count.to_integral_value():
                self.add_error(name, "Enter a whole number of gaps.")
        return cleaned

    def drafts(self) -> list[LeakPathDraft]:
        return [self._draft(c) for c in self.characteristics if self._given(c, "shape")]

    def _draft(self, characteristic: Characteristic) -> LeakPathDraft:
        """What was typed for the shape; the page shows no other fields than those of the shape."""
        shape = LeakShape(self._given(characteristic, "shape"))
        count = self._given(characteristic, "count")
        factor = self._given(characteristic, "gap_factor")
        round_about = shape is LeakShape.ANNULUS
        return LeakPathDraft(
            characteristic=characteristic.value,
            shape=shape.value,
            count=1 if count is None else int(count),
            gap_factor=Decimal(1) if factor is None else factor,
            eccentricity=(round_about and self._given(characteristic, "eccentricity"))
            or Decimal(0),
            **{field: self._given(characteristic, field) for field in NEEDED[shape]},
        )

    def _given(self, characteristic: Characteristic, field: str) -> Any:
        return self.cleaned_data[f"{characteristic}_{field}"]


def as_typed(paths: Sequence[LeakPath], family: PumpFamily) -> dict[str, Any]:
    """Stored paths as initial values; a clearance without one has what is usual for it."""
    typed: dict[str, Any] = {}
    for characteristic in leaking_in(family):
        typed[f"{characteristic}_count"] = "1"
        typed[f"{characteristic}_gap_factor"] = f"{LEAKING[characteristic].gap_factor:f}"
    for path in paths:
        for field in ("shape", *_LABELS):
            value = getattr(path, field)
            if isinstance(value, Decimal):
                value = f"{value.normalize():f}"
            typed[f"{path.characteristic}_{field}"] = "" if value is None else value
        if path.shape != LeakShape.ANNULUS.value:
            typed[f"{path.characteristic}_eccentricity"] = ""
    return typed


class LeakPaths(FormPage):
    """Where the clearances of a model leak."""

    template_name = "fleet/leak_paths.html"
    verb = "Save the leak paths"
    model: PumpModel

    def prepare(self) -> None:
        self.require_somewhere(Capability.KEEP_REGISTER)
        self.model = get_object_or_404(PumpModel, pk=self.kwargs["pk"])

    @property
    def family(self) -> PumpFamily:
        return PumpFamily(self.model.family)

    def make_form(self, **bound: Any) -> LeakPathsForm:
        paths = list(self.model.leak_paths.all())
        return LeakPathsForm(**bound, family=self.family, initial=as_typed(paths, self.family))

    def save(self, form: forms.Form) -> PumpModel:
        drafts = cast("LeakPathsForm", form).drafts()
        try:
            return leak_paths.set_leak_paths(
                actor=self.actor, model=self.model, paths=drafts, version=self.sent_version()
            )
        except Fault as fault:
            _see_from_form(fault, drafts)
            raise

    def where(self, row: PumpModel) -> str:
        return reverse("fleet:model", args=[row.pk])

    def done(self, row: PumpModel) -> str:
        return f"The leak paths of {row} are saved. Its inspections show what clearances cost."

    def context(self, form: forms.Form) -> dict[str, Any]:
        return {
            "title": f"Leak paths of {self.model}",
            "model": self.model,
            "version": self.model.version,
            "blocks": cast("LeakPathsForm", form).blocks(),
            "back": reverse("fleet:model", args=[self.model.pk]),
        }


def _see_from_form(fault: Fault, drafts: Sequence[LeakPathDraft]) -> None:
    """Names the fields as the page has them: "paths.0.width_mm" is "tip_clearance_width_mm"."""
    for each in fault.each():
        if each.field.startswith("paths."):
            _, number, field = each.field.split(".", 2)
            each.field = f"{drafts[int(number)].characteristic}_{field}"
