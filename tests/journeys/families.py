"""One pump of each family for the bench: its lines, its clearances, and what must come of them.

Limits are those of published manuals, each with its source beside it; the pumps are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal as D
from typing import Any

from fleet.decisions import RuleKind
from fleet.leaks import LeakPathDraft
from fleet.services.sheets import LineDraft
from fleet.vocabulary import Characteristic, Component, InstrumentKind, LeakShape, PumpFamily
from inspections.rules.findings import Word

Ch, C, Kind = Characteristic, Component, InstrumentKind


@dataclass(frozen=True)
class Leaves:
    """A check by leaves: the gap as it is, and what must come of it."""

    characteristic: Characteristic
    gap_mm: D
    leaf_set: str
    verdict: str


@dataclass(frozen=True)
class Values:
    """A check by values: one figure a reading, in mm, and what must come of them."""

    characteristic: Characteristic
    figures: dict[str, str]
    said: str
    verdict: str
    # The difference and its limit, where the chance is compared with the normal distribution.
    difference_mm: D | None = None
    limit_mm: D | None = None
    repeats: dict[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class Case:
    family: PumpFamily
    tap: Component
    lines: tuple[LineDraft, ...]
    leaves: Leaves
    values: Values
    defect: tuple[Component, Word]
    cause: str
    rule: RuleKind = RuleKind.SIMPLE
    overdue: bool = False
    leaks: tuple[LeakPathDraft, ...] = ()


def line(
    characteristic: Characteristic, component: Component, kind: InstrumentKind, **fields: Any
) -> LineDraft:
    values: dict[str, Any] = {
        "judged_by": "difference" if "terms" in fields else "each",
        "unit": "mm",
        "page": "12",
        "instrument_kind": kind.value,
        **fields,
    }
    return LineDraft(characteristic.value, component.value, **values)


GEAR = Case(
    PumpFamily.EXTERNAL_GEAR,
    tap=C.GEARS,
    lines=(
        # 0.002 to 0.006 in, 0.05 to 0.15 mm: TM 5-3825-229-14&P p.5-33.
        line(
            Ch.SIDE_CLEARANCE,
            C.WEAR_PLATE_FRONT,
            Kind.FEELER,
            limit_low=D("0.05"),
            limit_high=D("0.15"),
            positions=("drive 12 o'clock", "idler 12 o'clock"),
        ),
        # No published limit: a figure that this test sets.
        line(
            Ch.SIDE_OUT_OF_PARALLEL,
            C.WEAR_PLATE_FRONT,
            Kind.FEELER,
            judged_by="spread",
            limit_high=D("0.03"),
            positions=("drive 12 o'clock", "idler 12 o'clock"),
            readings_from=Ch.SIDE_CLEARANCE.value,
        ),
        # 0.177 mm: TM 10-3930-653-14&P p.4-203.
        line(
            Ch.SHAFT_TO_BUSH,
            C.BUSHES,
            Kind.BORE_GAUGE,
            limit_high=D("0.177"),
            # 0.001 to 0.0025 in as new: TM 55-2815-574-24.
            new_low=D("0.025"),
            new_high=D("0.064"),
            positions=("drive front",),
            terms=("bore", "journal"),
        ),
    ),
    leaves=Leaves(Ch.SIDE_CLEARANCE, D("0.143"), "metric_28", "within limits"),
    # 19.112 - 18.935 = 0.177, the shaft of the same page at its smallest: at the limit is within.
    values=Values(
        Ch.SHAFT_TO_BUSH,
        {"Bore": "19.112", "Journal": "18.935"},
        "bore 19.112 mm; journal 18.935 mm",
        "within limits",
        difference_mm=D("0.177"),
        limit_mm=D("0.177"),
    ),
    # Scored rings and a dull look: fine particles, TM 5-3805-262-34.
    defect=(C.WEAR_PLATE_FRONT, Word.ABRASIVE_WEAR),
    cause="Contamination",
    leaks=(
        LeakPathDraft(
            Ch.SIDE_CLEARANCE.value,
            LeakShape.SLOT.value,
            count=4,
            gap_factor=D("0.5"),
            width_mm=D(40),
            length_mm=D(9),
        ),
        LeakPathDraft(
            Ch.SHAFT_TO_BUSH.value,
            LeakShape.ANNULUS.value,
            count=4,
            gap_factor=D("0.5"),
            diameter_mm=D(19),
            length_mm=D(16),
            eccentricity=D(1),
        ),
    ),
)

CRESCENT = Case(
    PumpFamily.INTERNAL_GEAR,
    tap=C.CRESCENT,
    lines=(
        # New 0.10 to 0.18, at most 0.20 mm: maker's service page of an engine's oil pump.
        line(
            Ch.OUTER_GEAR_TO_BODY,
            C.OUTER_GEAR,
            Kind.FEELER,
            limit_high=D("0.20"),
            new_low=D("0.10"),
            new_high=D("0.18"),
            positions=("12 o'clock",),
        ),
        # New 0.03 to 0.09, at most 0.15 mm: the same page.
        line(
            Ch.GEAR_SET_SIDE_CLEARANCE,
            C.OUTER_GEAR,
            Kind.DEPTH_MICROMETER,
            limit_high=D("0.15"),
            new_low=D("0.03"),
            new_high=D("0.09"),
            positions=("outer place 1",),
            terms=("body depth", "gear width"),
        ),
    ),
    leaves=Leaves(Ch.OUTER_GEAR_TO_BODY, D("0.260"), "metric_26", "out of limits"),
    # 0.147 mm keeps the limit, but not with a guard of 1.645 u = 0.005 mm taken off (ISO 14253-1).
    values=Values(
        Ch.GEAR_SET_SIDE_CLEARANCE,
        {"Body depth": "25.147", "Gear width": "25.000"},
        "body depth 25.147 mm; gear width 25.000 mm",
        "undecided",
        difference_mm=D("0.147"),
        limit_mm=D("0.15"),
    ),
    defect=(C.CRESCENT, Word.CAVITATION_EROSION),
    cause="Cavitation",
    rule=RuleKind.GUARDED,
)

GEROTOR = Case(
    PumpFamily.GEROTOR,
    tap=C.INNER_GEAR,
    lines=(
        # 0.007 in, 0.178 mm: TM 10-3930-664-24 p.3-59.
        line(
            Ch.ROTOR_TIP_CLEARANCE,
            C.INNER_GEAR,
            Kind.FEELER,
            limit_high=D("0.178"),
            positions=("place 1",),
        ),
        # 0.005 in, 0.127 mm: the same page. The gasket holds the cover off the body, so that depth
        # less width alone comes out below nought: TM 5-2815-241-34&P p.2-296.
        line(
            Ch.GEAR_SET_SIDE_CLEARANCE,
            C.OUTER_GEAR,
            Kind.DEPTH_MICROMETER,
            limit_high=D("0.127"),
            positions=("outer place 1",),
            terms=("pocket depth", "gear width"),
            allowance=D("0.130"),
        ),
    ),
    leaves=Leaves(Ch.ROTOR_TIP_CLEARANCE, D("0.13"), "metric_20", "within limits"),
    # 19.000 - 19.009 + 0.130 = 0.121.
    values=Values(
        Ch.GEAR_SET_SIDE_CLEARANCE,
        {"Pocket depth": "19.000", "Gear width": "19.009"},
        "pocket depth 19.000 mm; gear width 19.009 mm",
        "within limits",
        difference_mm=D("0.121"),
        limit_mm=D("0.127"),
    ),
    defect=(C.SHAFT, Word.FRETTING),
    cause="Misalignment",
    rule=RuleKind.PROBABILITY,
)

VANE = Case(
    PumpFamily.VANE,
    tap=C.CAM_RING,
    lines=(
        # 0.03 mm: maker's service page of a steering pump.
        line(
            Ch.VANE_SLOT_GAP,
            C.VANES,
            Kind.FEELER,
            limit_high=D("0.03"),
            positions=("slot 1",),
        ),
        # 0.02 to 0.05 mm new, about 0.07 rejects: common practice, no source.
        line(
            Ch.ROTOR_SIDE_CLEARANCE,
            C.ROTOR,
            Kind.MICROMETER,
            limit_high=D("0.07"),
            new_low=D("0.02"),
            new_high=D("0.05"),
            positions=("place 1",),
            terms=("ring width", "rotor width"),
        ),
    ),
    leaves=Leaves(Ch.VANE_SLOT_GAP, D("0.045"), "metric_13_a", "out of limits"),
    values=Values(
        Ch.ROTOR_SIDE_CLEARANCE,
        {"Ring width": "20.045", "Rotor width": "20.000"},
        "ring width 20.045 mm; rotor width 20.000 mm",
        "within limits",
        difference_mm=D("0.045"),
        limit_mm=D("0.07"),
    ),
    # A washboard in the ring: over-pressure, thin oil, vane bounce or air (common practice).
    defect=(C.CAM_RING, Word.RIPPLED),
    cause="Over-pressure",
    overdue=True,
)

PISTON = Case(
    PumpFamily.AXIAL_PISTON,
    tap=C.VALVE_PLATE,
    lines=(
        # 0.005 in, 0.127 mm: TM 10-3930-660-34 p.16-133.
        line(
            Ch.SLIPPER_END_PLAY,
            C.PISTONS_AND_SHOES,
            Kind.FEELER,
            limit_high=D("0.127"),
            positions=("piston 1",),
        ),
        # 0.010 to 0.040 mm new, about 0.06 rejects: common practice, no source.
        line(
            Ch.PISTON_TO_BORE,
            C.PISTONS_AND_SHOES,
            Kind.BORE_GAUGE,
            limit_high=D("0.06"),
            new_low=D("0.010"),
            new_high=D("0.040"),
            positions=("piston 1",),
            terms=("bore", "piston"),
        ),
    ),
    leaves=Leaves(Ch.SLIPPER_END_PLAY, D("0.115"), "metric_28", "within limits"),
    values=Values(
        Ch.PISTON_TO_BORE,
        {"Bore": "17.052", "Piston": "17.000"},
        "bore 17.052 to 17.056 mm; piston 17.000 mm",
        "within limits",
        repeats={"Bore": ("17.056", "17.053")},
    ),
    defect=(C.PISTONS_AND_SHOES, Word.SHOE_ROLLED),
    cause="Cavitation",
)

CASES = (GEAR, CRESCENT, GEROTOR, VANE, PISTON)
