"""What the page of the leakage asks for: pressure, temperature, speed, oil, and in which units."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django import forms

from fleet.models import PumpModel
from fleet.vocabulary import OIL_GRADES
from fleet.web.forms import FigureField
from inspections.losses import USUAL_TEMPERATURE_C, conditions_of
from inspections.rules.leakage import Conditions
from inspections.rules.quantities import FlowUnit, PressureUnit, TemperatureUnit, Units

# Argument of conditions_of -> field of the form, for refusals.
FIELD_OF = {
    "pressure_bar": "pressure",
    "temperature_c": "temperature",
    "nu40_mm2_s": "nu40",
    "nu100_mm2_s": "nu100",
}


def _units(enum: Any) -> forms.ChoiceField:
    return forms.ChoiceField(choices=[(unit.value, unit.label) for unit in enum])


class ConditionsForm(forms.Form):
    """Filled from the address; what it leaves out is as the model's nameplate has it."""

    pressure = FigureField(label="Pressure", help_text="Outlet less inlet.")
    pressure_unit = _units(PressureUnit)
    temperature = FigureField(label="Oil temperature")
    temperature_unit = _units(TemperatureUnit)
    speed_rpm = FigureField(label="Speed")
    oil_grade_vg = forms.TypedChoiceField(
        label="Oil grade", choices=[(vg, f"VG {vg}") for vg in OIL_GRADES], coerce=int
    )
    flow_unit = _units(FlowUnit)
    nu40 = FigureField(label="Viscosity at 40 °C", required=False)
    nu100 = FigureField(label="Viscosity at 100 °C", required=False)

    def __init__(self, model: PumpModel, asked: Mapping[str, str]) -> None:
        usual = {
            "pressure": f"{model.rated_pressure_bar.normalize():f}",
            "pressure_unit": PressureUnit.BAR.value,
            "temperature": f"{USUAL_TEMPERATURE_C:g}",
            "temperature_unit": TemperatureUnit.CELSIUS.value,
            "speed_rpm": str(model.speed_max_rpm),
            "oil_grade_vg": str(model.oil_grade_vg),
            "flow_unit": FlowUnit.L_MIN.value,
        }
        given = {name: asked[name] for name in self.base_fields if name in asked}
        super().__init__({**usual, **given})
        for name in ("pressure", "temperature", "speed_rpm", "nu40", "nu100"):
            self.fields[name].widget.attrs["size"] = "7"

    @property
    def units(self) -> Units:
        """As chosen; the form must be valid."""
        chosen = self.cleaned_data
        return Units(
            PressureUnit(chosen["pressure_unit"]),
            TemperatureUnit(chosen["temperature_unit"]),
            FlowUnit(chosen["flow_unit"]),
        )

    def conditions(self, model: PumpModel) -> Conditions:
        """What is asked for; the form must be valid. Raises the Faults of conditions_of."""
        typed, units = self.cleaned_data, self.units
        return conditions_of(
            model,
            pressure_bar=units.to_bar(float(typed["pressure"])),
            temperature_c=units.to_celsius(float(typed["temperature"])),
            speed_rpm=float(typed["speed_rpm"]),
            oil_grade_vg=typed["oil_grade_vg"],
            nu40_mm2_s=None if typed["nu40"] is None else float(typed["nu40"]),
            nu100_mm2_s=None if typed["nu100"] is None else float(typed["nu100"]),
        )
