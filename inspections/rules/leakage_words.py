"""What the leakage calculation says in words: the result, its sum, and where it stops to hold.

The result is said to be indicated, never to be so: a gap measured at rest is not the gap of a
running pump. Figures are in the reader's units, lengths in mm.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from fleet.vocabulary import Component, LeakShape
from inspections.rules.leakage import RANGE_P, Conditions, Losses, MeasuredPath, Path, PathLoss
from inspections.rules.quantities import PressureUnit, Units, figure
from inspections.rules.viscosity import LEAST_MM2_S

# Flow between parallel plates stays laminar to a Reynolds number, by the height of the gap and the
# mean speed, of about 1000 (from memory).
LAMINAR_TO = 1000.0
# With an entrance loss of 2.2 velocity heads the entrance takes 2.2 / 24 of the pressure, about a
# tenth, when Re h / L is 1 (computed here).
ENTRANCE_TO = 1.0
THIN_TO = 0.1
NARROW_TO = 0.05
# Below this gear pumps usually wear (common practice, no source).
THIN_OIL_MM2_S = 10.0

_PARTS = {
    Component.WEAR_PLATE_FRONT: "wear plates",
    Component.WEAR_PLATE_REAR: "wear plates",
    Component.SIDE_PLATE_FRONT: "side plates",
    Component.SIDE_PLATE_REAR: "side plates",
    Component.GEARS: "gears",
}

_FORMULAS = {
    LeakShape.SLOT: "Q = n · b · h³ · Δp / (12 · μ · L)",
    LeakShape.ANNULUS: "Q = n · π · D · h³ · Δp · (1 + 1.5 · ε²) / (12 · μ · L)",
    LeakShape.DISC: "Q = n · π · h³ · Δp / (6 · μ · ln(D / d))",
}


def part_name(components: Iterable[Component]) -> str:
    """What is changed, in the middle of a sentence: "wear plates", "bushes"."""
    names = dict.fromkeys(_PARTS.get(c, c.label.lower()) for c in components)
    return " and ".join(names)


def percent(part: float) -> str:
    """94 %; from 98 % up to a tenth, where whole figures would hide the loss."""
    return f"{part * 100:.1f} %" if 0.98 <= part < 1 else f"{part * 100:.0f} %"


def flow_words(flow_l_min: float, units: Units, digits: int = 2) -> str:
    return f"{figure(units.from_l_min(flow_l_min), digits)} {units.flow.label}"


def called(name: str) -> str:
    """A check as the subject of a sentence: "the side clearance", "the clearance shaft to bush"."""
    lower = name[:1].lower() + name[1:]
    plain = lower.endswith(("clearance", "gap", "play"))
    return f"the {lower}" if plain else f"the clearance {lower}"


# --- The result -------------------------------------------------------------------------------


def result(losses: Losses, units: Units) -> str:
    """The loss, the efficiency it comes to, and what makes most of it."""
    if losses.total is None:
        return "No clearance is measured yet that would say what is lost."
    asked = losses.conditions
    theoretical = flow_words(asked.theoretical_l_min, units, 3)
    said = (
        f"The clearances measured indicate a loss of {flow_words(losses.total, units)} of "
        f"{theoretical} at {_at(asked, units)}"
    )
    if losses.efficiency is None:
        said += (
            ". That is all the pump moves at this speed, or more: it would not hold the pressure."
        )
    else:
        said += f": volumetric efficiency about {percent(losses.efficiency)}."
    known = [path for path in losses.paths if path.share is not None]
    if len(known) > 1:
        most = max(known, key=lambda path: path.share or 0.0)
        name = called(most.measured.name)
        said += f" {name[0].upper()}{name[1:]} makes {percent(most.share or 0.0)} of it."
    left_out = [called(path.measured.name) for path in losses.paths if path.flow is None]
    if left_out:
        said += f" Not counted: {', '.join(left_out)}."
    return said


def spread(losses: Losses, units: Units) -> str:
    """How far the result may be off for want of knowing the gaps and the oil; "" without one."""
    if losses.low is None or losses.high is None:
        return ""
    low = figure(units.from_l_min(losses.low))
    said = (
        f"For all that is not known of gaps and oil, the loss lies between {low} and "
        f"{flow_words(losses.high, units)} in {percent(RANGE_P[1] - RANGE_P[0])} of the cases"
    )
    if losses.efficiency_low is None or losses.efficiency_high is None:
        return f"{said}."
    return (
        f"{said}, and the volumetric efficiency between {percent(losses.efficiency_low)} and "
        f"{percent(losses.efficiency_high)}."
    )


def change_first(losses: Losses, units: Units) -> str:
    """Which part's change gives back most; "" where nothing is measured."""
    if losses.total is None:
        return ""
    if not losses.gains:
        if all(path.as_new is None for path in losses.paths if path.flow is not None):
            return (
                "The sheet prints no clearance as new for what is measured, so nothing can be said "
                "of what a change gives back."
            )
        return "No clearance leaks more than as new: a change gives nothing back."
    first, *others = losses.gains
    total = flow_words(losses.total, units)
    gained = figure(units.from_l_min(first.gives_back))
    if larger := [p for p in losses.paths if p.as_new is None and (p.flow or 0) > first.gives_back]:
        most = max(larger, key=lambda path: path.flow or 0.0)
        name = called(most.measured.name)
        return (
            f"By the figures as new that the sheet prints, changing the {first.part} gives back "
            f"most: {gained} of {total}. It prints none for {name}, which loses "
            f"{flow_words(most.flow or 0.0, units)}: its change may give back more."
        )
    said = f"Change the {first.part} first: that would give back {gained} of {total}."
    if others:
        rest = ", ".join(f"the {o.part} {flow_words(o.gives_back, units)}" for o in others)
        said += f" Then: {rest}."
    return said


def _at(asked: Conditions, units: Units) -> str:
    pressure = units.from_bar(asked.pressure_bar)
    said = _plain(pressure) if units.pressure is PressureUnit.BAR else f"{pressure:.0f}"
    temperature = _plain(units.from_celsius(asked.temperature_c))
    return f"{said} {units.pressure.label} and {temperature} {units.temperature.label}"


# --- One path ---------------------------------------------------------------------------------


def no_figure(measured: MeasuredPath) -> str:
    """Why a path has no loss, and what to do; "" where it has one."""
    if measured.not_applicable:
        return f"Not applicable to this design, so nothing is computed: {measured.not_applicable}"
    if not measured.source:
        return "The sheet of this inspection has no such check."
    if not measured.clearances:
        return "Not measured yet."
    if measured.open_upwards:
        return (
            f"Every leaf went in at {', '.join(measured.open_upwards)}: without an upper end the "
            "loss has none. Try a thicker leaf."
        )
    if measured.below_nothing:
        return (
            f"The readings leave no gap at {', '.join(measured.below_nothing)}. Check whether two "
            "figures are swapped."
        )
    return ""


def notes(loss: PathLoss) -> tuple[str, ...]:
    """Where the figure of one path must be read with care; empty where it has no figure."""
    measured, path = loss.measured, loss.measured.path
    if loss.flow is None or loss.reynolds is None:
        return ()
    said = []
    if measured.missing:
        said.append(
            f"Still to be measured: {', '.join(measured.missing)}. The other positions stand for "
            "them."
        )
    said += _limits_of_formula(loss, path, loss.reynolds)
    if path.shape is not LeakShape.ANNULUS and path.gap_factor < 1:
        times = _plain(1 / float(path.gap_factor) ** 2)
        said.append(
            "The clearance is taken as shared out evenly. All of it on one side would leak "
            f"{times} times as much."
        )
    return tuple(said)


def _limits_of_formula(loss: PathLoss, path: Path, reynolds: float) -> list[str]:
    widest = max(c.bracket_mm[1] for c in loss.measured.clearances)
    gap_mm = widest * float(path.gap_factor)
    said = []
    if reynolds > LAMINAR_TO:
        said.append(
            f"The flow may be turbulent (Reynolds number {figure(reynolds)}, the formula holds to "
            f"about {LAMINAR_TO:.0f}): less is lost than shown."
        )
    elif reynolds * gap_mm / path.along_mm > ENTRANCE_TO:
        said.append(
            "The gap is so short that more than a tenth of the pressure goes into speeding the "
            "oil up: less is lost than shown."
        )
    if gap_mm / path.along_mm > THIN_TO:
        said.append(
            f"A gap of {figure(gap_mm)} mm is not narrow against its {figure(path.along_mm)} mm "
            "along the flow: the formula does not hold."
        )
    if path.shape is LeakShape.ANNULUS and gap_mm / float(path.diameter_mm or 1) > NARROW_TO:
        said.append(
            f"A gap of {figure(gap_mm)} mm is not narrow against a diameter of "
            f"{_plain(float(path.diameter_mm or 1))} mm: the formula does not hold."
        )
    return said


@dataclass(frozen=True, slots=True)
class Sum:
    """How one figure came about: the formula, what went into it by name, and where it is from."""

    formula: str
    inputs: tuple[tuple[str, str], ...]
    source: str


def sum_of(loss: PathLoss, asked: Conditions) -> Sum:
    """The sum behind the loss of one path, in the units in which it is computed."""
    path, measured = loss.measured.path, loss.measured
    inputs = [("n, gaps open at once", str(path.count))]
    named = {
        LeakShape.SLOT: (
            ("b, width across the flow", path.width_mm),
            ("L, length", path.length_mm),
        ),
        LeakShape.ANNULUS: (("D, mean diameter", path.diameter_mm), ("L, length", path.length_mm)),
        LeakShape.DISC: (
            ("D, outer diameter", path.diameter_mm),
            ("d, inner diameter", path.inner_diameter_mm),
        ),
    }[path.shape]
    inputs += [(name, f"{_trim(value)} mm") for name, value in named if value is not None]
    if path.shape is LeakShape.ANNULUS:
        inputs.append(("ε, eccentricity", _trim(path.eccentricity)))
    gap = "h, gap" if path.gap_factor == 1 else f"h, gap, {_trim(path.gap_factor)} × the clearance"
    if loss.clearance_mm is not None:
        gap_mm = float(path.gap_factor) * loss.clearance_mm
        over = len(measured.clearances)
        read = f"{over} positions" if over > 1 else "one position"
        inputs.append((f"{gap}, by the mean of h³ at {read}", f"{figure(gap_mm, 3)} mm"))
    inputs += [
        ("Δp, outlet less inlet", f"{_plain(asked.pressure_bar)} bar"),
        (
            "μ, dynamic viscosity",
            f"{figure(asked.viscosity_pa_s, 3)} Pa·s, from {figure(asked.kinematic_mm2_s, 3)} "
            f"mm²/s at {_plain(asked.temperature_c)} °C and {_plain(asked.density_kg_m3)} kg/m³",
        ),
    ]
    source = "Laminar flow between parallel walls, as in any text on fluid power."
    if measured.source:
        source += f" Clearance, as new and limit: {measured.source}."
    return Sum(_FORMULAS[path.shape], tuple(inputs), source)


# --- All of it --------------------------------------------------------------------------------


def validity(losses: Losses) -> tuple[str, ...]:
    """What the whole calculation leaves out, always said beside it."""
    asked = losses.conditions
    said = [
        "A gap measured at rest is not the gap under pressure, so this indicates where the oil "
        "goes and does not replace a bench test. On one gear pump, computed and measured "
        "volumetric efficiency differed by 9.4 % on average with clearances as new, 3.35 % with "
        "worn ones, and 1.98 % with clearances that follow the pressure (Actuators 2026, 15(1), "
        "56).",
        "Counted are the leak paths entered for this model, each with the whole pressure across "
        "it: laminar flow between walls at rest. Not counted: the drag of moving walls, oil that "
        "warms in the gap and thickens under pressure, filling losses at the inlet.",
        "The range is a Monte Carlo calculation (JCGM 101:2008) with a fixed seed: each clearance "
        "anywhere in its bracket and within its uncertainty"
        + (
            f", the oil within {percent(asked.oil.tolerance)} of the middle of its grade."
            if asked.oil.tolerance
            else "; the oil is taken as entered."
        ),
    ]
    counted = [path for path in losses.paths if path.flow is not None]
    if unsure := [p for p in counted if any(c.u_mm is None for c in p.measured.clearances)]:
        said.append(
            f"The uncertainty of the readings is not known for {_named(unsure)}: there the range "
            "counts the brackets and the oil only. Enter the permissible error of the instrument."
        )
    if without := [path for path in counted if path.as_new is None]:
        said.append(
            f"The sheet prints no figure as new for {_named(without)}: what a change gives back "
            "there is not known."
        )
    thickness = asked.kinematic_mm2_s
    if thickness < LEAST_MM2_S:
        said.append(
            f"At {figure(thickness)} mm²/s the oil is thinner than the chart of ASTM D341 is made "
            f"for here ({LEAST_MM2_S:g} mm²/s): the losses are not to be relied on."
        )
    elif thickness < THIN_OIL_MM2_S:
        said.append(
            f"At {figure(thickness)} mm²/s the oil is thinner than the {THIN_OIL_MM2_S:g} mm²/s "
            "that pumps of this kind usually need (common practice)."
        )
    return tuple(said)


def _named(paths: Iterable[PathLoss]) -> str:
    return ", ".join(called(path.measured.name) for path in paths)


def _plain(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _trim(value: Decimal) -> str:
    return f"{value.normalize():f}"
