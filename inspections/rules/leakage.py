"""Flow lost through the clearances of a pump, by the formulas for laminar flow in narrow gaps.

Slot between flat faces: Q = b h³ dp / (12 mu L). Ring gap round a shaft, radial gap c, mean
diameter D, eccentricity e: Q = pi D c³ dp (1 + 1.5 e²) / (12 mu L). Flat ring gap from radius r1
to r2: Q = pi h³ dp / (6 mu ln(r2 / r1)). All three are textbook results of the flow between
parallel plates (any text on fluid power). Lengths are in mm, as Decimal; flows in L/min,
pressures in bar, dynamic viscosity in Pa·s.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal

import numpy as np

from fleet.faults import Fault
from fleet.vocabulary import LeakShape
from inspections.rules.viscosity import DENSITY_KG_M3, Oil, dynamic_pa_s

# Draws of the Monte Carlo calculation (JCGM 101:2008, 7.2.2 suggests at least 10^4 / (1 - p)), and
# the seed that makes a page show the same range each time.
DRAWS = 100_000
SEED = 20_080_101
RANGE_P = (0.05, 0.95)

_PA_PER_BAR = 1e5
_L_MIN_PER_M3_S = 6e4


# --- Formulas, in SI units --------------------------------------------------------------------


def slot_flow_m3_s(
    *,
    width_m: float,
    gap_m: float,
    length_m: float,
    pressure_pa: float,
    viscosity_pa_s: float,
    wall_speed_m_s: float = 0.0,
) -> float:
    """Flow through a slot in m³/s, length along the flow.

    wall_speed_m_s: of one wall along the flow (against it: negative), whose drag adds b h U / 2.
    """
    driven = width_m * gap_m**3 * pressure_pa / (12 * viscosity_pa_s * length_m)
    return driven + width_m * gap_m * wall_speed_m_s / 2


def annulus_flow_m3_s(
    *,
    diameter_m: float,
    gap_m: float,
    length_m: float,
    pressure_pa: float,
    viscosity_pa_s: float,
    eccentricity: float = 0.0,
) -> float:
    """Flow through a ring gap in m³/s. gap_m: radial; eccentricity: 0 centred to 1 touching.

    Touching lets 2.5 times as much through as centred.
    """
    centred = slot_flow_m3_s(
        width_m=math.pi * diameter_m,
        gap_m=gap_m,
        length_m=length_m,
        pressure_pa=pressure_pa,
        viscosity_pa_s=viscosity_pa_s,
    )
    return centred * (1 + 1.5 * eccentricity**2)


def disc_flow_m3_s(
    *,
    outer_diameter_m: float,
    inner_diameter_m: float,
    gap_m: float,
    pressure_pa: float,
    viscosity_pa_s: float,
) -> float:
    """Flow through a flat ring gap in m³/s, from inside to outside or the other way."""
    turns = math.log(outer_diameter_m / inner_diameter_m)
    return math.pi * gap_m**3 * pressure_pa / (6 * viscosity_pa_s * turns)


# --- What is known of a pump ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Path:
    """Where a clearance leaks; see fleet.models.LeakPath for what each length is."""

    shape: LeakShape
    count: int = 1
    gap_factor: Decimal = Decimal(1)
    width_mm: Decimal | None = None
    length_mm: Decimal | None = None
    diameter_mm: Decimal | None = None
    inner_diameter_mm: Decimal | None = None
    eccentricity: Decimal = Decimal(0)

    def l_min_per_mm3(self, pressure_bar: float, viscosity_pa_s: float) -> float:
        """Flow in L/min through all `count` gaps for each mm³ of the clearance cubed.

        The clearance is the one that is measured: `gap_factor` takes it to one gap. Raises Fault
        "leak_path_incomplete" when the shape lacks a length.
        """
        gap_m = float(self.gap_factor) * 1e-3
        common = {
            "gap_m": gap_m,
            "pressure_pa": pressure_bar * _PA_PER_BAR,
            "viscosity_pa_s": viscosity_pa_s,
        }
        if self.shape is LeakShape.SLOT:
            one = slot_flow_m3_s(
                width_m=self._m("width_mm"), length_m=self._m("length_mm"), **common
            )
        elif self.shape is LeakShape.ANNULUS:
            one = annulus_flow_m3_s(
                diameter_m=self._m("diameter_mm"),
                length_m=self._m("length_mm"),
                eccentricity=float(self.eccentricity),
                **common,
            )
        else:
            one = disc_flow_m3_s(
                outer_diameter_m=self._m("diameter_mm"),
                inner_diameter_m=self._m("inner_diameter_mm"),
                **common,
            )
        return self.count * one * _L_MIN_PER_M3_S

    def flow_l_min(
        self, clearance_mm: float, *, pressure_bar: float, viscosity_pa_s: float
    ) -> float:
        """Flow in L/min at one clearance as measured."""
        return self.l_min_per_mm3(pressure_bar, viscosity_pa_s) * clearance_mm**3

    @property
    def along_mm(self) -> float:
        """How far the oil has to go through the gap."""
        if self.shape is LeakShape.DISC:
            return (self._m("diameter_mm") - self._m("inner_diameter_mm")) * 1e3 / 2
        return self._m("length_mm") * 1e3

    def speed_m_s(
        self, clearance_mm: float, *, pressure_bar: float, viscosity_pa_s: float
    ) -> float:
        """Mean speed across the gap where it is highest: the wide side, or the inner edge."""
        gap_m = float(self.gap_factor) * clearance_mm * 1e-3
        pressure_pa = pressure_bar * _PA_PER_BAR
        if self.shape is LeakShape.DISC:
            inner, outer = self._m("inner_diameter_mm"), self._m("diameter_mm")
            return gap_m**2 * pressure_pa / (6 * viscosity_pa_s * math.log(outer / inner) * inner)
        widest = gap_m * (1 + float(self.eccentricity))
        return widest**2 * pressure_pa / (12 * viscosity_pa_s * self._m("length_mm"))

    def _m(self, name: str) -> float:
        length: Decimal | None = getattr(self, name)
        if length is None:
            raise Fault(
                f"A path of the shape '{self.shape.label.lower()}' needs its "
                f"{name.removesuffix('_mm').replace('_', ' ')}. Enter it with the model.",
                field=name,
                code="leak_path_incomplete",
            )
        return float(length) * 1e-3


@dataclass(frozen=True, slots=True)
class Clearance:
    """A clearance at one position: a bracket, or a value with low equal to high.

    high_mm None: every leaf went in, so nothing is known upwards. u_mm: standard uncertainty,
    None where it is not known.
    """

    position: str
    low_mm: Decimal
    high_mm: Decimal | None
    u_mm: float | None = None

    @property
    def bracket_mm(self) -> tuple[float, float]:
        """Both ends without what is below nothing; only where there is an upper end."""
        high = max(float(self.high_mm or 0), 0.0)
        return max(float(self.low_mm), 0.0), high

    def mean_cube_mm3(self) -> float:
        """Mean of the cube, the length anywhere in the bracket alike and blurred by u.

        For h uniform from a to b: E[h³] = (a + b)(a² + b²) / 4, and with an independent error of
        variance u² and no skew: E[(h + e)³] = E[h³] + 3 E[h] u².
        """
        a, b = self.bracket_mm
        u = self.u_mm or 0.0
        return (a + b) * (a * a + b * b) / 4 + 3 * (a + b) / 2 * u * u

    def draws_mm3(self, draws: np.random.Generator, count: int) -> np.ndarray:
        """`count` cubes, in mm³, none of a length below nothing. Shape (count,)."""
        a, b = self.bracket_mm
        lengths = draws.uniform(a, b, count) + draws.normal(0.0, self.u_mm or 0.0, count)
        cubes: np.ndarray = np.maximum(lengths, 0.0) ** 3
        return cubes


def at_exactly(clearance_mm: Decimal) -> Clearance:
    return Clearance("", clearance_mm, clearance_mm)


@dataclass(frozen=True, slots=True)
class MeasuredPath:
    """A leak path with what was measured for it.

    key: the characteristic, for addresses. part: what is changed to put it right ("wear plates").
    clearances: one a position that was read; missing: positions still to be read.
    as_new, limits_mm: what the sheet prints, one for each line of it; empty where it prints none.
    not_applicable: the sheet's reason why the clearance does not exist in this design, or "".
    """

    key: str
    name: str
    part: str
    path: Path
    clearances: tuple[Clearance, ...] = ()
    missing: tuple[str, ...] = ()
    as_new: tuple[Clearance, ...] = ()
    limits_mm: tuple[Decimal, ...] = ()
    not_applicable: str = ""
    source: str = ""

    @property
    def open_upwards(self) -> tuple[str, ...]:
        """Positions where no leaf refused."""
        return tuple(c.position for c in self.clearances if c.high_mm is None)

    @property
    def below_nothing(self) -> tuple[str, ...]:
        """Positions whose readings leave no gap at all: a press fit, or figures swapped."""
        return tuple(c.position for c in self.clearances if c.high_mm is not None and c.high_mm < 0)

    @property
    def has_figure(self) -> bool:
        unusable = self.not_applicable or self.open_upwards or self.below_nothing
        return bool(self.clearances) and not unusable


@dataclass(frozen=True, slots=True)
class Conditions:
    """What the loss is asked for: outlet less inlet pressure, oil and its temperature, speed."""

    pressure_bar: float
    temperature_c: float
    speed_rpm: float
    displacement_cm3: float
    oil: Oil
    density_kg_m3: float = DENSITY_KG_M3

    @property
    def kinematic_mm2_s(self) -> float:
        return self.oil.kinematic_mm2_s(self.temperature_c)

    @property
    def viscosity_pa_s(self) -> float:
        return dynamic_pa_s(self.kinematic_mm2_s, self.density_kg_m3)

    @property
    def theoretical_l_min(self) -> float:
        """Displacement times speed: cm³ by rpm is a thousandth of L/min."""
        return self.displacement_cm3 * self.speed_rpm / 1000


# --- What is lost -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PathLoss:
    """The loss through one path. Flows in L/min; None where no figure can be given.

    flow: mean over the brackets at the oil's middle viscosity. low, high: 5th and 95th percentile.
    gives_back: what is gained when the clearance is as new again, 0 at least.
    clearance_mm: the one gap at all positions that would lose the same.
    """

    measured: MeasuredPath
    l_min_per_mm3: float
    flow: float | None = None
    low: float | None = None
    high: float | None = None
    share: float | None = None
    as_new: float | None = None
    at_limit: float | None = None
    gives_back: float | None = None
    clearance_mm: float | None = None
    reynolds: float | None = None


@dataclass(frozen=True, slots=True)
class PartGain:
    """What changing one part gives back, in L/min, over all its paths."""

    part: str
    gives_back: float


@dataclass(frozen=True, slots=True)
class Losses:
    """The losses through all paths that have a figure. Flows in L/min, efficiencies as parts of 1.

    Efficiencies are None where the loss is more than the pump moves. gains: the largest first.
    """

    conditions: Conditions
    paths: tuple[PathLoss, ...]
    total: float | None
    low: float | None
    high: float | None
    efficiency: float | None
    efficiency_low: float | None
    efficiency_high: float | None
    gains: tuple[PartGain, ...] = field(default=())


def losses(paths: Sequence[MeasuredPath], conditions: Conditions, *, draws: int = DRAWS) -> Losses:
    """What the measured clearances cost under the conditions.

    The range comes from a Monte Carlo calculation with a fixed seed (JCGM 101): each clearance
    anywhere in its bracket, blurred by its uncertainty, and the oil anywhere within its tolerance,
    the same for all paths. Raises Fault for a path without its lengths and for figures that
    check_conditions refuses.
    """
    check_conditions(conditions)
    viscosity = conditions.viscosity_pa_s
    factors = [p.path.l_min_per_mm3(conditions.pressure_bar, viscosity) for p in paths]
    generator = np.random.default_rng(SEED)
    tolerance = conditions.oil.tolerance
    thinness = 1.0 / generator.uniform(1 - tolerance, 1 + tolerance, draws)
    known = [p for p in paths if p.has_figure]
    flows = {
        p.key: factor * _mean_cube(p.clearances)
        for p, factor in zip(paths, factors, strict=True)
        if p.has_figure
    }
    total = math.fsum(flows.values()) if known else None
    drawn_total = np.zeros(draws)
    found = []
    for measured, factor in zip(paths, factors, strict=True):
        if not measured.has_figure:
            found.append(
                PathLoss(
                    measured,
                    factor,
                    as_new=_as_new(measured, factor),
                    at_limit=_at_limit(measured, factor),
                )
            )
            continue
        cubes = [c.draws_mm3(generator, draws) for c in measured.clearances]
        drawn = factor * thinness * np.mean(cubes, axis=0)
        drawn_total += drawn
        found.append(_loss(measured, factor, flows[measured.key], total, drawn, conditions))
    low, high = _range(drawn_total) if known else (None, None)
    theoretical = conditions.theoretical_l_min
    return Losses(
        conditions,
        tuple(found),
        total,
        low,
        high,
        efficiency=_efficiency(total, theoretical),
        efficiency_low=_efficiency(high, theoretical),
        efficiency_high=_efficiency(low, theoretical),
        gains=_gains(found),
    )


def check_conditions(conditions: Conditions) -> None:
    """Raises Fault for a pressure, speed, displacement or density that is not above nothing."""
    for name, figure in (
        ("pressure", conditions.pressure_bar),
        ("speed", conditions.speed_rpm),
        ("displacement", conditions.displacement_cm3),
        ("density", conditions.density_kg_m3),
    ):
        if not 0 < figure < math.inf:
            raise Fault(
                f"Enter a {name} above 0: without it nothing leaks and nothing is delivered.",
                field=name,
                code="out_of_range",
            )


def _loss(
    measured: MeasuredPath,
    factor: float,
    flow: float,
    total: float | None,
    drawn: np.ndarray,
    conditions: Conditions,
) -> PathLoss:
    low, high = _range(drawn)
    as_new = _as_new(measured, factor)
    widest = max(c.bracket_mm[1] for c in measured.clearances)
    return PathLoss(
        measured,
        factor,
        flow=flow,
        low=low,
        high=high,
        share=flow / total if total else None,
        as_new=as_new,
        at_limit=_at_limit(measured, factor),
        gives_back=None if as_new is None else max(flow - as_new, 0.0),
        clearance_mm=(flow / factor) ** (1 / 3),
        reynolds=reynolds(measured.path, widest, conditions),
    )


def reynolds(path: Path, clearance_mm: float, conditions: Conditions) -> float:
    """Reynolds number of the gap, by its height and mean speed, where the oil is fastest."""
    speed = path.speed_m_s(
        clearance_mm,
        pressure_bar=conditions.pressure_bar,
        viscosity_pa_s=conditions.viscosity_pa_s,
    )
    gap_m = float(path.gap_factor) * clearance_mm * 1e-3 * (1 + float(path.eccentricity))
    return speed * gap_m / (conditions.kinematic_mm2_s * 1e-6)


def _mean_cube(clearances: Sequence[Clearance]) -> float:
    # Positions lie side by side round the gap: each leaks through its own part of it.
    return math.fsum(c.mean_cube_mm3() for c in clearances) / len(clearances)


def _as_new(measured: MeasuredPath, factor: float) -> float | None:
    return factor * _mean_cube(measured.as_new) if measured.as_new else None


def _at_limit(measured: MeasuredPath, factor: float) -> float | None:
    if not measured.limits_mm:
        return None
    return factor * _mean_cube([at_exactly(limit) for limit in measured.limits_mm])


def _range(drawn: np.ndarray) -> tuple[float, float]:
    low, high = np.quantile(drawn, RANGE_P)
    return float(low), float(high)


def _efficiency(loss: float | None, theoretical: float) -> float | None:
    if loss is None or loss >= theoretical:
        return None
    return 1 - loss / theoretical


def _gains(found: Sequence[PathLoss]) -> tuple[PartGain, ...]:
    by_part: dict[str, float] = {}
    for loss in found:
        if loss.gives_back is not None:
            part = loss.measured.part
            by_part[part] = by_part.get(part, 0.0) + loss.gives_back
    gains = (PartGain(part, gain) for part, gain in by_part.items() if gain > 0)
    return tuple(sorted(gains, key=lambda gain: -gain.gives_back))
