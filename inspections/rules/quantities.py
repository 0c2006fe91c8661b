"""Pressure, temperature and flow in the units that people work in; pint does the conversion.

Everything is computed in bar, °C and L/min. Lengths are not converted here: see fleet.units, which
keeps their printed digits.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import pint


class PressureUnit(StrEnum):
    BAR = "bar"
    PSI = "psi"

    @property
    def label(self) -> str:
        return self.value


class TemperatureUnit(StrEnum):
    CELSIUS = "degC"
    FAHRENHEIT = "degF"

    @property
    def label(self) -> str:
        return "°C" if self is TemperatureUnit.CELSIUS else "°F"


class FlowUnit(StrEnum):
    L_MIN = "l_min"
    US_GPM = "us_gpm"

    @property
    def label(self) -> str:
        return "L/min" if self is FlowUnit.L_MIN else "US gpm"


_PINT_FLOWS = {FlowUnit.L_MIN: "liter / minute", FlowUnit.US_GPM: "gallon / minute"}


@dataclass(frozen=True, slots=True)
class Units:
    """The units that one person reads in."""

    pressure: PressureUnit = PressureUnit.BAR
    temperature: TemperatureUnit = TemperatureUnit.CELSIUS
    flow: FlowUnit = FlowUnit.L_MIN

    def to_bar(self, pressure: float) -> float:
        return _converted(pressure, self.pressure.value, "bar")

    def from_bar(self, pressure_bar: float) -> float:
        return _converted(pressure_bar, "bar", self.pressure.value)

    def to_celsius(self, temperature: float) -> float:
        return _converted(temperature, self.temperature.value, "degC")

    def from_celsius(self, temperature_c: float) -> float:
        return _converted(temperature_c, "degC", self.temperature.value)

    def from_l_min(self, flow_l_min: float) -> float:
        return _converted(flow_l_min, _PINT_FLOWS[FlowUnit.L_MIN], _PINT_FLOWS[self.flow])


def _converted(value: float, unit: str, to: str) -> float:
    if unit == to:
        return value
    # The registry of the process: pint builds it at its first use.
    registry = pint.get_application_registry()  # type: ignore[no-untyped-call]
    return float(registry.Quantity(value, unit).to(to).magnitude)


def figure(value: float, digits: int = 2) -> str:
    """A computed figure with so many significant digits and no exponent: 3.1, 0.042, 120."""
    if value == 0:
        return "0"
    text = f"{value:.{digits - 1}e}"
    decimals = max(digits - 1 - int(text.split("e")[1]), 0)
    return f"{float(text):.{decimals}f}"
