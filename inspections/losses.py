"""What the clearances of one inspection cost: from rows to the leakage rules and back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from fleet.faults import Fault, Faults
from fleet.limits import JudgedBy
from fleet.models import LeakPath, PumpModel
from fleet.units import IN_MM, LengthUnit, convert
from fleet.vocabulary import Characteristic, LeakShape
from inspections import selectors
from inspections.checks import Check
from inspections.judging import reference_of
from inspections.models import Inspection
from inspections.rules.leakage import (
    Clearance,
    Conditions,
    Losses,
    MeasuredPath,
    Path,
    PathLoss,
    at_exactly,
    losses,
)
from inspections.rules.leakage_words import part_name
from inspections.rules.verdict_basis import PositionVerdict
from inspections.rules.viscosity import Oil, oil_of_grade, oil_of_two_points

# Common for oil in a machine at work (common practice, no source).
USUAL_TEMPERATURE_C = 50.0
_JUDGED_ALONE = (JudgedBy.EACH, JudgedBy.DIFFERENCE, JudgedBy.LEAF_ENTERS)


@dataclass(frozen=True)
class Costed:
    """The loss of one path, the unit in which its sheet prints it, and the checks it came from."""

    loss: PathLoss
    unit: LengthUnit
    checks: tuple[Check, ...]


@dataclass(frozen=True)
class Cost:
    losses: Losses
    paths: tuple[Costed, ...]


def conditions_of(
    model: PumpModel,
    *,
    pressure_bar: float | None = None,
    temperature_c: float | None = None,
    speed_rpm: float | None = None,
    oil_grade_vg: int | None = None,
    nu40_mm2_s: float | None = None,
    nu100_mm2_s: float | None = None,
) -> Conditions:
    """What is asked for; where nothing is said: rated pressure, top speed, 50 °C, the model's oil.

    Both viscosities together stand in place of the grade. Raises Fault or Faults with the names of
    these arguments as fields.
    """
    asked = {
        "pressure_bar": float(model.rated_pressure_bar) if pressure_bar is None else pressure_bar,
        "temperature_c": USUAL_TEMPERATURE_C if temperature_c is None else temperature_c,
        "speed_rpm": float(model.speed_max_rpm) if speed_rpm is None else speed_rpm,
    }
    faults = _outside(asked)
    try:
        oil = _oil(
            model.oil_grade_vg if oil_grade_vg is None else oil_grade_vg, nu40_mm2_s, nu100_mm2_s
        )
    except Fault as fault:
        raise Faults([*faults, *fault.each()]) from fault
    if faults:
        raise Faults(faults)
    return Conditions(
        pressure_bar=asked["pressure_bar"],
        temperature_c=asked["temperature_c"],
        speed_rpm=asked["speed_rpm"],
        displacement_cm3=float(model.displacement_cm3),
        oil=oil,
    )


def cost_of(inspection: Inspection, conditions: Conditions) -> Cost:
    """What the readings in force cost by the leak paths of the model. Five queries.

    A model without leak paths has a cost without paths.
    """
    paths = list(inspection.pump.model.leak_paths.order_by("id"))
    checks = selectors.checks_of(inspection) if paths else []
    taken = [
        [check for check in checks if check.line.characteristic == path.characteristic]
        for path in paths
    ]
    found = losses(
        [_measured(path, of_path) for path, of_path in zip(paths, taken, strict=True)], conditions
    )
    return Cost(
        found,
        tuple(
            Costed(loss, _unit(of_path), tuple(of_path))
            for loss, of_path in zip(found.paths, taken, strict=True)
        ),
    )


def _outside(asked: dict[str, float]) -> list[Fault]:
    bounds = (
        ("pressure_bar", 0.0, 2_000.0, "Enter a pressure above 0 and below 2000 bar (29 000 psi)."),
        ("temperature_c", -30.0, 150.0, "Enter an oil temperature between -30 and 150 °C."),
        ("speed_rpm", 0.0, 50_000.0, "Enter a speed above 0 and below 50 000 rpm."),
    )
    return [
        Fault(said, field=name, code="out_of_range")
        for name, least, most, said in bounds
        if not least < asked[name] < most
    ]


def _oil(vg: int, nu40: float | None, nu100: float | None) -> Oil:
    if nu40 is None and nu100 is None:
        return oil_of_grade(vg)
    if nu40 is None or nu100 is None:
        raise Fault(
            "Enter both viscosities of the oil, at 40 and at 100 °C, or neither.",
            field="nu40_mm2_s" if nu40 is None else "nu100_mm2_s",
            code="needs_two_points",
        )
    try:
        return oil_of_two_points(nu40, nu100)
    except Fault as fault:
        fault.field = "nu40_mm2_s"
        raise


def _measured(row: LeakPath, checks: Sequence[Check]) -> MeasuredPath:
    """The path with what the lines of its characteristic say, on whatever component they are."""
    applying = [check for check in checks if check.applies]
    reason = checks[0].line.not_applicable_reason if checks and not applying else ""
    return MeasuredPath(
        key=row.characteristic,
        name=Characteristic(row.characteristic).label,
        part=part_name(check.component for check in checks),
        path=Path(
            LeakShape(row.shape),
            count=row.count,
            gap_factor=row.gap_factor,
            width_mm=row.width_mm,
            length_mm=row.length_mm,
            diameter_mm=row.diameter_mm,
            inner_diameter_mm=row.inner_diameter_mm,
            eccentricity=row.eccentricity,
        ),
        clearances=tuple(clearance for check in applying for clearance in _clearances(check)),
        missing=tuple(place for check in applying for place in check.missing),
        as_new=tuple(new for check in applying for new in _as_new(check)),
        limits_mm=tuple(
            convert(check.line.limit_high, LengthUnit(check.line.unit), LengthUnit.MM)
            for check in applying
            if check.line.limit_high is not None
        ),
        not_applicable=reason,
        source="; ".join(
            dict.fromkeys(str(reference_of(check.line)) for check in applying or checks)
        ),
    )


def _clearances(check: Check) -> list[Clearance]:
    alone = JudgedBy(check.line.judged_by) in _JUDGED_ALONE
    if check.judged is None or not alone:
        return []
    return [_clearance(position) for position in check.judged.positions]


def _clearance(read: PositionVerdict) -> Clearance:
    def in_mm(value: Decimal) -> Decimal:
        return convert(value, read.unit, LengthUnit.MM)

    interval = read.interval
    return Clearance(
        position=read.position,
        low_mm=in_mm(interval.low),
        high_mm=None if interval.high is None else in_mm(interval.high),
        u_mm=None if read.u is None else read.u * float(IN_MM[read.unit]),
    )


def _as_new(check: Check) -> list[Clearance]:
    """The range that the sheet prints as new; one figure alone stands for both ends."""
    low, high, unit = check.line.new_low, check.line.new_high, LengthUnit(check.line.unit)
    first = low if low is not None else high
    last = high if high is not None else low
    if first is None or last is None:
        return []
    ends = [convert(end, unit, LengthUnit.MM) for end in (first, last)]
    return [at_exactly(ends[0])] if ends[0] == ends[1] else [Clearance("", ends[0], ends[1])]


def _unit(checks: Sequence[Check]) -> LengthUnit:
    return LengthUnit(checks[0].line.unit) if checks else LengthUnit.MM
