"""Viscosity of hydraulic oil: grades, change with temperature, viscosity index.

Kinematic viscosity in mm²/s (the same number in cSt), temperature in °C, dynamic viscosity in
Pa·s, density in kg/m³. Sources: ISO 3448 (grades), ASTM D341 (change with temperature), ASTM
D2270 (viscosity index).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.optimize import brentq

from fleet.faults import Fault
from fleet.vocabulary import OIL_GRADES

# A grade reaches 10 % either way from its mid-point (ISO 3448).
GRADE_TOLERANCE = 0.10

# Common for mineral hydraulic oil at 15 °C; about 2 % less at 50 °C (common practice, no source).
DENSITY_KG_M3 = 870.0

# What plain mineral hydraulic oils have, near enough (common practice, no source).
USUAL_INDEX = 100.0

# Below this the constant 0.7 in D341 no longer holds, and D2270 defines no index (from memory).
LEAST_MM2_S = 2.0
MOST_MM2_S = 2.0e7

ZERO_CELSIUS_K = 273.15

# The mid-points that differ from the number of their grade (ISO 3448).
_SMALL_MIDPOINTS = {2: 2.2, 3: 3.2, 5: 4.6, 7: 6.8}


@dataclass(frozen=True, slots=True)
class Grade:
    """A viscosity grade: what its oils may have at 40 °C, in mm²/s."""

    vg: int
    low_mm2_s: float
    midpoint_mm2_s: float
    high_mm2_s: float


def grade(vg: int) -> Grade:
    """The grade of ISO 3448 by its number. Raises Fault "unknown_grade"."""
    if vg not in OIL_GRADES:
        raise Fault(
            f"There is no viscosity grade {vg} in ISO 3448. Choose one of: "
            f"{', '.join(map(str, OIL_GRADES))}.",
            field="oil_grade_vg",
            code="unknown_grade",
        )
    middle = _SMALL_MIDPOINTS.get(vg, float(vg))
    return Grade(vg, middle * (1 - GRADE_TOLERANCE), middle, middle * (1 + GRADE_TOLERANCE))


# --- Change with temperature ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ViscosityLine:
    """log10 log10(v + 0.7) = a - b * log10(T), T in kelvin (ASTM D341, two-point form).

    zero_k: what 0 °C is taken for. Older sheets round it to 273, and a and b with it.
    """

    a: float
    b: float
    zero_k: float = ZERO_CELSIUS_K

    def at(self, temperature_c: float) -> float:
        """Kinematic viscosity in mm²/s. Raises Fault at or below absolute zero."""
        kelvin = _kelvin(temperature_c, self.zero_k)
        return float(10.0 ** (10.0 ** (self.a - self.b * math.log10(kelvin))) - 0.7)


def line_through(
    first_c: float,
    first_mm2_s: float,
    second_c: float,
    second_mm2_s: float,
    *,
    zero_k: float = ZERO_CELSIUS_K,
) -> ViscosityLine:
    """The line through two points (temperature in °C, viscosity in mm²/s), the colder one first.

    Raises Fault when the second is not both hotter and thinner than the first, or when a
    viscosity lies outside 2 to 2e7 mm²/s.
    """
    for figure in (first_mm2_s, second_mm2_s):
        if not LEAST_MM2_S <= figure <= MOST_MM2_S:
            raise Fault(
                f"{figure:g} mm²/s is outside what the viscosity chart of ASTM D341 is drawn for "
                f"here, {LEAST_MM2_S:g} to {MOST_MM2_S:.0e} mm²/s. Check the figure on the oil's "
                "data sheet.",
                code="viscosity_out_of_range",
            )
    if not (second_c > first_c and second_mm2_s < first_mm2_s):
        raise Fault(
            f"An oil gets thinner as it gets hotter, but {first_mm2_s:g} mm²/s at {first_c:g} °C "
            f"and {second_mm2_s:g} mm²/s at {second_c:g} °C say otherwise. Check whether the two "
            "are swapped.",
            code="viscosities_swapped",
        )
    cold, hot = _double_log(first_mm2_s), _double_log(second_mm2_s)
    log_cold = math.log10(_kelvin(first_c, zero_k))
    log_hot = math.log10(_kelvin(second_c, zero_k))
    b = (cold - hot) / (log_hot - log_cold)
    return ViscosityLine(a=cold + b * log_cold, b=b, zero_k=zero_k)


def _double_log(mm2_s: float) -> float:
    return math.log10(math.log10(mm2_s + 0.7))


def _kelvin(temperature_c: float, zero_k: float) -> float:
    kelvin = temperature_c + zero_k
    if kelvin <= 0:
        raise Fault(
            f"{temperature_c:g} °C is below absolute zero. Enter the temperature of the oil.",
            field="temperature",
            code="temperature_out_of_range",
        )
    return kelvin


# --- Viscosity index --------------------------------------------------------------------------

# L = a Y² + b Y + c and H = d Y² + e Y + f, for Y up to the first figure: the quadratics by which
# ASTM D2270 replaces its table of L and H (from memory; they meet the rows that are tested).
_LH_COEFFICIENTS = (
    (3.8, 1.14673, 1.7576, -0.109, 0.84155, 1.5521, -0.077),
    (4.4, 3.38095, -15.4952, 33.196, 0.78571, 1.7929, -0.183),
    (5.0, 2.5000, -7.2143, 13.812, 0.82143, 1.5679, 0.119),
    (6.4, 0.10100, 16.6350, -45.469, 0.04985, 9.1613, -18.557),
    (7.0, 3.35714, -23.5643, 78.466, 0.22619, 7.7369, -16.656),
    (7.7, 0.01191, 21.4750, -72.870, 0.79762, -0.7321, 14.610),
    (9.0, 0.41858, 16.1558, -56.040, 0.05794, 10.5156, -28.240),
    (12.0, 0.88779, 7.5527, -16.600, 0.26665, 6.7015, -10.810),
    (15.0, 0.76720, 10.7972, -38.180, 0.20073, 8.4658, -22.490),
    (18.0, 0.97305, 5.3135, -2.200, 0.28889, 5.9741, -4.930),
    (22.0, 0.97256, 5.2500, -0.980, 0.24504, 7.4160, -16.730),
    (28.0, 0.91413, 7.4759, -21.820, 0.20323, 9.1267, -34.230),
    (40.0, 0.87031, 9.7157, -50.770, 0.18411, 10.1015, -46.750),
    (55.0, 0.84703, 12.6752, -133.310, 0.17029, 11.4866, -80.620),
    (70.0, 0.85921, 11.1009, -83.190, 0.17130, 11.3680, -76.940),
)
_ABOVE_70 = (0.8353, 14.67, -216.0, 0.1684, 11.85, -97.0)  # ASTM D2270 gives these in its text


def reference_oils(nu100_mm2_s: float) -> tuple[float, float]:
    """(L, H): viscosities at 40 °C of the oils of index 0 and 100 with this one at 100 °C.

    In mm²/s. Raises Fault "index_undefined" below 2 mm²/s.
    """
    y = nu100_mm2_s
    if y < LEAST_MM2_S:
        raise Fault(
            f"The viscosity index is not defined for an oil of {y:g} mm²/s at 100 °C: ASTM D2270 "
            f"begins at {LEAST_MM2_S:g} mm²/s.",
            field="nu100",
            code="index_undefined",
        )
    a, b, c, d, e, f = next((row[1:] for row in _LH_COEFFICIENTS if y <= row[0]), _ABOVE_70)
    return a * y * y + b * y + c, d * y * y + e * y + f


def index_a(nu40_mm2_s: float, low: float, high: float) -> float:
    """Procedure A of ASTM D2270, for an index up to 100, from L and H."""
    return 100.0 * (low - nu40_mm2_s) / (low - high)


def index_b(nu40_mm2_s: float, nu100_mm2_s: float, high: float) -> float:
    """Procedure B of ASTM D2270, for an index from 100 on, from H."""
    n = (math.log10(high) - math.log10(nu40_mm2_s)) / math.log10(nu100_mm2_s)
    return float((10.0**n - 1.0) / 0.00715 + 100.0)


def viscosity_index(nu40_mm2_s: float, nu100_mm2_s: float) -> float:
    """The index by ASTM D2270, unrounded; the standard reports whole numbers.

    Raises Fault "index_undefined" below 2 mm²/s at 100 °C and "viscosities_swapped" where the oil
    is not thinner at 100 °C.
    """
    low, high = reference_oils(nu100_mm2_s)
    if nu40_mm2_s <= nu100_mm2_s:
        raise Fault(
            f"{nu40_mm2_s:g} mm²/s at 40 °C is not more than {nu100_mm2_s:g} mm²/s at 100 °C. "
            "Check whether the two are swapped.",
            field="nu40",
            code="viscosities_swapped",
        )
    if nu40_mm2_s >= high:
        return index_a(nu40_mm2_s, low, high)
    return index_b(nu40_mm2_s, nu100_mm2_s, high)


# --- Oils -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Oil:
    """An oil by its viscosity at 40 and at 100 °C.

    tolerance: how far it may be off either way, as a part of the viscosity (0.10 is 10 %).
    source: where the two figures come from, in words.
    """

    nu40_mm2_s: float
    nu100_mm2_s: float
    tolerance: float
    source: str

    @property
    def line(self) -> ViscosityLine:
        return line_through(40.0, self.nu40_mm2_s, 100.0, self.nu100_mm2_s)

    def kinematic_mm2_s(self, temperature_c: float) -> float:
        return self.line.at(temperature_c)


def oil_of_grade(vg: int) -> Oil:
    """The middle of a grade with the usual index, which says how thin it is at 100 °C.

    Raises Fault "unknown_grade", or "needs_two_points" where D2270 cannot say (thinner than
    2 mm²/s at 100 °C: the grades up to VG 5).
    """
    at_40 = grade(vg).midpoint_mm2_s

    def missed(nu100: float) -> float:
        return viscosity_index(at_40, nu100) - USUAL_INDEX

    # The thinner an oil stays when hot, the lower its index, so the index rises with nu100.
    if missed(LEAST_MM2_S) > 0:
        raise Fault(
            f"An oil of grade VG {vg} is thinner than {LEAST_MM2_S:g} mm²/s at 100 °C, and for "
            "such oils no viscosity index is defined. Enter both viscosities from the oil's data "
            "sheet.",
            field="oil_grade_vg",
            code="needs_two_points",
        )
    at_100 = float(brentq(missed, LEAST_MM2_S, at_40 * 0.999, xtol=1e-12, rtol=1e-14))
    return Oil(
        nu40_mm2_s=at_40,
        nu100_mm2_s=at_100,
        tolerance=GRADE_TOLERANCE,
        source=f"ISO 3448 VG {vg}, mid-point {at_40:g} mm²/s at 40 °C; a viscosity index of "
        f"{USUAL_INDEX:g} taken, which makes {at_100:.2f} mm²/s at 100 °C (ASTM D2270)",
    )


def oil_of_two_points(nu40_mm2_s: float, nu100_mm2_s: float) -> Oil:
    """An oil as its data sheet or a laboratory gives it; taken as it stands.

    Raises the Faults of line_through.
    """
    line_through(40.0, nu40_mm2_s, 100.0, nu100_mm2_s)
    return Oil(
        nu40_mm2_s=nu40_mm2_s,
        nu100_mm2_s=nu100_mm2_s,
        tolerance=0.0,
        source=f"{nu40_mm2_s:g} mm²/s at 40 °C and {nu100_mm2_s:g} mm²/s at 100 °C, as entered",
    )


def dynamic_pa_s(kinematic_mm2_s: float, density_kg_m3: float = DENSITY_KG_M3) -> float:
    """Dynamic viscosity: 46 mm²/s at 870 kg/m³ is 0.040 Pa·s."""
    return kinematic_mm2_s * 1e-6 * density_kg_m3
