"""Which clearances of a pump leak, and what a leak path of a pump model must say.

A leak path is a gap as the flow formulas see it; its lengths come from the drawing or from the
parts themselves, once for a model. What is usual here is common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from fleet.faults import Fault
from fleet.vocabulary import CHARACTERISTICS, Characteristic, LeakShape, PumpFamily

MOST_PATHS_AT_ONCE = 100
LARGEST_MM = Decimal(100_000)

NEEDED: dict[LeakShape, tuple[str, ...]] = {
    LeakShape.SLOT: ("width_mm", "length_mm"),
    LeakShape.ANNULUS: ("diameter_mm", "length_mm"),
    LeakShape.DISC: ("diameter_mm", "inner_diameter_mm"),
}
LENGTHS: dict[str, str] = {
    "width_mm": "width",
    "length_mm": "length",
    "diameter_mm": "diameter",
    "inner_diameter_mm": "inner diameter",
}


@dataclass(frozen=True, slots=True)
class UsualPath:
    """How a clearance usually leaks, to start from, and where its lengths are taken."""

    shape: LeakShape
    gap_factor: Decimal
    hint: str


_HALF = Decimal("0.5")
_WHOLE = Decimal(1)

LEAKING: dict[Characteristic, UsualPath] = {
    Characteristic.SIDE_CLEARANCE: UsualPath(
        LeakShape.SLOT,
        _HALF,
        "Two faces a gear, so 4 gaps, each half of the clearance under the straight edge. b: the "
        "edge along which the face seals pressure from suction; L: the shortest way across it.",
    ),
    Characteristic.TIP_CLEARANCE: UsualPath(
        LeakShape.SLOT,
        _WHOLE,
        "One gap a gear, so 2. b: the width of the gear; L: the tooth tips that seal one behind "
        "the other, added up.",
    ),
    Characteristic.SHAFT_TO_BUSH: UsualPath(
        LeakShape.ANNULUS,
        _HALF,
        "A difference of diameters: the gap is half of it. D: the journal; L: the bush. "
        "Eccentricity 1 where pressure lays the journal against one side.",
    ),
    Characteristic.GEAR_SET_SIDE_CLEARANCE: UsualPath(
        LeakShape.SLOT,
        _HALF,
        "Two faces, each half of the clearance. b: the edge that seals pressure from suction; L: "
        "the shortest way across it.",
    ),
    Characteristic.OUTER_GEAR_TO_BODY: UsualPath(
        LeakShape.ANNULUS,
        _HALF,
        "The gear lies against one side when measured: the gap all round is half of the reading. "
        "D: outside of the outer gear; L: its width.",
    ),
    Characteristic.ROTOR_TIP_CLEARANCE: UsualPath(
        LeakShape.SLOT,
        _WHOLE,
        "b: the width of the gears; L: how long a tip seals along the flow.",
    ),
    Characteristic.VANE_SLOT_GAP: UsualPath(
        LeakShape.SLOT,
        _WHOLE,
        "As many gaps as vanes under pressure. b: the width of the rotor; L: how deep the vane "
        "sits in its slot.",
    ),
    Characteristic.ROTOR_SIDE_CLEARANCE: UsualPath(
        LeakShape.DISC,
        _HALF,
        "Ring width less rotor width is shared by two faces: 2 gaps, each half of it. D: the "
        "rotor; d: the hub or shaft at which the oil leaves.",
    ),
    Characteristic.PISTON_TO_BORE: UsualPath(
        LeakShape.ANNULUS,
        _HALF,
        "A difference of diameters: the gap is half of it. As many gaps as pistons under "
        "pressure, about half of them. D: the piston; L: how far it sits in its bore on average.",
    ),
}


def leaking_in(family: PumpFamily) -> tuple[Characteristic, ...]:
    """The clearances of a family that can have a leak path, in the order of the vocabulary."""
    return tuple(c for c, info in CHARACTERISTICS.items() if c in LEAKING and info.use_in(family))


@dataclass(frozen=True, slots=True)
class LeakPathDraft:
    """The fields of a leak path; see fleet.models.LeakPath. Lengths that a shape has not: None."""

    characteristic: str
    shape: str
    count: int = 1
    gap_factor: Decimal = _WHOLE
    width_mm: Decimal | None = None
    length_mm: Decimal | None = None
    diameter_mm: Decimal | None = None
    inner_diameter_mm: Decimal | None = None
    eccentricity: Decimal = Decimal(0)


def check_paths(paths: Sequence[LeakPathDraft], family: PumpFamily) -> list[Fault]:
    """Every fault of every path, with fields like "paths.0.width_mm"; empty when they can stand."""
    times = Counter(path.characteristic for path in paths)
    faults = []
    for number, path in enumerate(paths):
        found = _check(path, family)
        if times[path.characteristic] > 1:
            found.append(
                Fault(
                    "A clearance has one leak path. Put what leaks side by side into its number "
                    "of gaps.",
                    field="characteristic",
                    code="taken",
                )
            )
        faults += [fault.at(f"paths.{number}") for fault in found]
    return faults


def _check(path: LeakPathDraft, family: PumpFamily) -> list[Fault]:
    if path.characteristic not in [c.value for c in leaking_in(family)]:
        can = ", ".join(c.value for c in leaking_in(family))
        return [
            Fault(
                f"'{path.characteristic[:40]}' is no clearance that leaks in this family of pumps. "
                f"Choose one of: {can}.",
                field="characteristic",
                code="not_leaking",
            )
        ]
    if path.shape not in list(LeakShape):
        can = ", ".join(shape.value for shape in LeakShape)
        return [
            Fault(
                f"'{path.shape[:20]}' is no shape of a gap. Choose one of: {can}.",
                field="shape",
                code="invalid_choice",
            )
        ]
    return [*_lengths(path, LeakShape(path.shape)), *_figures(path)]


def _lengths(path: LeakPathDraft, shape: LeakShape) -> list[Fault]:
    faults = []
    for name, said in LENGTHS.items():
        length: Decimal | None = getattr(path, name)
        if name not in NEEDED[shape]:
            if length is not None:
                faults.append(
                    Fault(
                        f"A {shape.label.lower()} has no {said}. Leave it empty.",
                        field=name,
                        code="length_not_of_shape",
                    )
                )
        elif length is None:
            faults.append(Fault(f"Enter the {said} in mm.", field=name, code="required"))
        elif not 0 < length < LARGEST_MM:
            faults.append(
                Fault(
                    f"The {said} is above 0 and below {LARGEST_MM} mm. Check it on the drawing.",
                    field=name,
                    code="out_of_range",
                )
            )
    inner, outer = path.inner_diameter_mm, path.diameter_mm
    if not faults and inner is not None and outer is not None and inner >= outer:
        faults.append(
            Fault(
                f"The inner diameter {inner:f} mm is not smaller than the outer, {outer:f} mm. "
                "Check whether the two are swapped.",
                field="inner_diameter_mm",
                code="out_of_range",
            )
        )
    return faults


def _figures(path: LeakPathDraft) -> list[Fault]:
    faults = []
    if not 1 <= path.count <= MOST_PATHS_AT_ONCE:
        faults.append(
            Fault(
                f"Enter how many such gaps are open at once, 1 to {MOST_PATHS_AT_ONCE}.",
                field="count",
                code="out_of_range",
            )
        )
    if not 0 < path.gap_factor <= 1:
        faults.append(
            Fault(
                "Enter which part of the clearance one gap has, above 0 and at most 1: 0.5 for a "
                "difference of diameters.",
                field="gap_factor",
                code="out_of_range",
            )
        )
    if not 0 <= path.eccentricity <= 1:
        faults.append(
            Fault(
                "Enter the eccentricity from 0, centred, to 1, touching.",
                field="eccentricity",
                code="out_of_range",
            )
        )
    elif path.eccentricity and path.shape != LeakShape.ANNULUS:
        faults.append(
            Fault(
                "Only a ring gap round a shaft or piston has an eccentricity. Leave it at 0.",
                field="eccentricity",
                code="length_not_of_shape",
            )
        )
    return faults
