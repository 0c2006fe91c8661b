"""What to look at on the machine for each cause, before a rebuilt pump goes back.

And what would confirm the cause. Alarm figures for oil are common practice unless a source stands
beside them; the pump maker's own figures win.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from fleet.vocabulary import PumpFamily
from inspections.rules.findings import Cause


@dataclass(frozen=True, slots=True)
class MachineCheck:
    """One thing to do, in the imperative, with the caution that belongs to it."""

    text: str
    source: str
    caution: str = ""


@dataclass(frozen=True, slots=True)
class Confirmation:
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class OnMachine:
    """`in_words`: the cause as it stands in a sentence."""

    in_words: str
    checks: tuple[MachineCheck, ...]
    confirmed_by: Confirmation


_TRADE = "common practice, no source"
_RELIEF = "TM 5-3820-256-24-2 ch. 7, page not confirmed"

_BLEED = "Bleed the line and see zero on a gauge before you open it."
_NEVER_FEEL = "Never feel for a leak: hold card or wood at arm's length. Oil can go through skin."
_HOT = "Oil above about 50\u00a0°C scalds: let it cool."
_LOCK = "Lock off the drive before you reach in."
_SPRING = "The spring is under load: let it off a little at a time."

_SAMPLE = MachineCheck(
    "Take an oil sample from the tank before anything is topped up.", _TRADE, _HOT
)
_LEVEL = MachineCheck("Check the oil level in the tank with all cylinders drawn in.", _TRADE)
_STRAINER = MachineCheck(
    "Take out the suction strainer, clean it and look for metal and rubber.", _TRADE, _BLEED
)
_FILTER = MachineCheck(
    "Open the filters: renew the elements and see whether a bypass stood open.", _TRADE, _BLEED
)
_BREATHER = MachineCheck("Look at the breather of the tank: clean, dry and not blocked.", _TRADE)
_SUCTION_VALVE = MachineCheck("See that every valve in the suction line stands fully open.", _TRADE)
_RELIEF_VALVE = MachineCheck(
    "Check the setting of the relief valve with a gauge, beginning low.",
    _RELIEF,
    f"Nobody in line with hose ends. {_NEVER_FEEL}",
)
_GRADE = MachineCheck("Compare the grade of the last fill with what the pump asks for.", _TRADE)

ON_MACHINE: dict[Cause, OnMachine] = {
    Cause.CONTAMINATION: OnMachine(
        "dirty oil",
        (
            _SAMPLE,
            _FILTER,
            _STRAINER,
            MachineCheck(
                "Clean the tank and flush the lines: the old pump's metal is still in them.",
                _RELIEF,
                _BLEED,
            ),
            _BREATHER,
            MachineCheck(
                "Fill through a filter: new oil is often no cleaner than 20/18/15.",
                "ISO 4406 code; figure of common industry tables",
            ),
        ),
        # The figure for the pump in hand is put in by confirmation_of.
        Confirmation(
            "An oil sample dirtier than the pump maker's ISO 4406 code would confirm it.",
            "ISO 4406",
        ),
    ),
    Cause.CAVITATION: OnMachine(
        "cavitation",
        (
            _LEVEL,
            _STRAINER,
            _SUCTION_VALVE,
            MachineCheck("Look for a suction hose that is kinked, collapsed or too thin.", _TRADE),
            _BREATHER,
            _GRADE,
        ),
        Confirmation(
            "A vacuum gauge at the inlet that shows more than the pump maker allows, cold oil and "
            "full speed included, would confirm it.",
            _TRADE,
        ),
    ),
    Cause.AERATION: OnMachine(
        "air in the oil",
        (
            _LEVEL,
            MachineCheck("Renew the seals of the suction line and tighten its joints.", _TRADE),
            MachineCheck("See that the return line ends below the oil level.", _TRADE),
            MachineCheck(
                "Bleed the air from the system at low pressure before you load it.",
                _TRADE,
                _NEVER_FEEL,
            ),
        ),
        Confirmation(
            "Foam in the tank, or a whine that follows the pressure, would confirm it.", _TRADE
        ),
    ),
    Cause.WATER_IN_OIL: OnMachine(
        "water in the oil",
        (
            _SAMPLE,
            MachineCheck("Drain the bottom of the tank and look for free water.", _TRADE, _HOT),
            _BREATHER,
            MachineCheck("Look for the way in: tank lid, rod seals, a leaking cooler.", _TRADE),
            MachineCheck("Dry or change the oil before the pump runs.", _TRADE),
        ),
        Confirmation(
            "An oil sample with more than 500 ppm (0.05 %) of water would confirm it; from 1000 "
            "ppm (0.1 %) act at once.",
            _TRADE,
        ),
    ),
    Cause.OVER_PRESSURE: OnMachine(
        "over-pressure",
        (
            _RELIEF_VALVE,
            MachineCheck(
                "Take the relief valve apart: a seat that sticks or a broken spring lets spikes "
                "through.",
                _TRADE,
                _SPRING,
            ),
            MachineCheck(
                "Check the pre-charge of every accumulator.",
                _TRADE,
                "An accumulator holds pressure after the machine stops: bleed it first.",
            ),
            MachineCheck(
                "Look for valves that slam and loads that drop: they make shocks.", _TRADE
            ),
        ),
        Confirmation(
            "A gauge or recorder at the outlet that shows more than the rated pressure while the "
            "machine works would confirm it.",
            _TRADE,
        ),
    ),
    Cause.MISALIGNMENT: OnMachine(
        "misalignment",
        (
            MachineCheck(
                "Measure the alignment of the coupling, offset and angle, with a dial gauge.",
                _TRADE,
                _LOCK,
            ),
            MachineCheck(
                "Look at the coupling, key and spline; renew what is worn.", _TRADE, _LOCK
            ),
            MachineCheck("Check the mounting bolts and that the foot or flange sits flat.", _TRADE),
            MachineCheck("See that no pipe pulls at the ports and no belt at the shaft.", _TRADE),
        ),
        Confirmation(
            "A coupling out of line by more than its maker allows would confirm it.", _TRADE
        ),
    ),
    Cause.DRY_START: OnMachine(
        "a dry start",
        (
            _LEVEL,
            _SUCTION_VALVE,
            MachineCheck(
                "Fill the pump and its suction line with clean oil, then prime it.", _TRADE
            ),
            MachineCheck(
                "Back off the relief valve, jog the drive and wait for flow before you load it.",
                _TRADE,
                "Keep clear of the coupling and of hose ends.",
            ),
        ),
        Confirmation(
            "A record that the pump ran before it was filled and primed would confirm it.", _TRADE
        ),
    ),
    Cause.WRONG_VISCOSITY: OnMachine(
        "oil of the wrong viscosity",
        (
            _GRADE,
            _SAMPLE,
            MachineCheck("Read the oil temperature cold at the start and hot at work.", _TRADE),
        ),
        Confirmation(
            "A viscosity at 40 °C more than 15 % off its grade would confirm it, or less than 10 "
            "mm²/s at working temperature.",
            f"ISO 3448 for the grade; alarm figures {_TRADE}",
        ),
    ),
    Cause.OVERHEATING: OnMachine(
        "overheating",
        (
            _LEVEL,
            MachineCheck("Clean the cooler; see that its fan turns and its water runs.", _TRADE),
            MachineCheck("Find out whether the relief valve blows off all the time.", _TRADE, _HOT),
            MachineCheck(
                "Look for other parts that leak inside: valves, motors, cylinders.", _TRADE
            ),
        ),
        Confirmation(
            "An oil temperature at work above what the pump maker allows would confirm it; so "
            "would an acid number more than 1.0 mg KOH/g over that of new oil.",
            _TRADE,
        ),
    ),
    Cause.OVER_SPEED: OnMachine(
        "over-speed",
        (
            MachineCheck(
                "Measure the shaft speed at full throttle against the pump's highest speed.",
                _TRADE,
                "Guards stay on: use a meter that needs no touch.",
            ),
            MachineCheck("Check the gear ratio of the drive.", _TRADE, _LOCK),
        ),
        Confirmation("A shaft speed above the pump's highest would confirm it.", _TRADE),
    ),
    Cause.WRONG_ROTATION: OnMachine(
        "running the wrong way round",
        (
            MachineCheck(
                "Compare the arrow on the pump with the way the drive turns, before the first jog.",
                _TRADE,
                _LOCK,
            ),
            MachineCheck("See that inlet and outlet lines are not swapped.", _TRADE, _BLEED),
        ),
        Confirmation("A drive that turns against the arrow would confirm it.", _TRADE),
    ),
    Cause.CASE_PRESSURE: OnMachine(
        "too much pressure in the case",
        (
            MachineCheck(
                "Blow through the drain line, or renew it; look for a kink.", _TRADE, _BLEED
            ),
            MachineCheck("See that the drain runs to the tank by itself, with no valve.", _TRADE),
        ),
        Confirmation(
            "A gauge on the case or drain that shows more than the pump maker allows would confirm "
            "it.",
            _TRADE,
        ),
    ),
    Cause.WRONG_FLUID: OnMachine(
        "a fluid that the seals cannot stand",
        (
            MachineCheck(
                "Find out what was filled in last and what the lines were washed with.", _TRADE
            ),
            MachineCheck("Compare the compound of the new seals with the fluid in use.", _TRADE),
            MachineCheck(
                "Look at other seals on the same oil: they swell as well.", _TRADE, _BLEED
            ),
        ),
        Confirmation(
            "A delivery note or an oil analysis that names another fluid would confirm it.", _TRADE
        ),
    ),
    Cause.STRAY_CURRENT: OnMachine(
        "electric current through the pump",
        (
            MachineCheck(
                "Ask whether somebody welded on the machine, and where the earth clamp sat.", _TRADE
            ),
            MachineCheck(
                "Have the earth strap of motor and frame tested.",
                _TRADE,
                "Work on the supply is for a licensed electrician.",
            ),
        ),
        Confirmation(
            "A voltage between shaft and frame while the motor runs would confirm it; a licensed "
            "electrician measures it.",
            _TRADE,
        ),
    ),
    Cause.FITTING_DAMAGE: OnMachine(
        "damage at fitting",
        (
            MachineCheck(
                "Tape the spline or keyway and oil the lip before a seal goes over it; the lip "
                "faces the oil.",
                "TM 10-3930-653-14&P p.4-203",
            ),
            MachineCheck(
                "See which way round plates, vanes and ring go before the cover closes.",
                "TM 5-3810-306-34; TM 5-3895-359-14&P",
            ),
            MachineCheck(
                "Deburr ports and fittings, and cap every port until it is joined.", _TRADE
            ),
        ),
        Confirmation(
            "The old seal, laid beside the edge that it passed, would confirm it.", _TRADE
        ),
    ),
}

# Usual targets, particles over 4, 6 and 14 µm(c), by rated pressure: below 140 bar, from 140 to
# 210 bar, above. Two industry tables agree on these rows but for one code on gear pumps.
_TARGETS: Mapping[str, tuple[str, str, str]] = {
    "gear": ("20/18/15", "19/17/14", "18/16/13"),
    "vane": ("20/18/15", "19/17/14", "18/16/13"),
    "piston": ("19/17/14", "18/16/13", "17/15/12"),
}
_KINDS = {PumpFamily.VANE: "vane", PumpFamily.AXIAL_PISTON: "piston"}


def confirmation_of(
    cause: Cause, *, family: PumpFamily, rated_pressure_bar: Decimal | None = None
) -> Confirmation:
    """What would settle it; for dirty oil with the usual target of such a pump, if known."""
    if cause is not Cause.CONTAMINATION or rated_pressure_bar is None:
        return ON_MACHINE[cause].confirmed_by
    kind = _KINDS.get(family, "gear")
    low, middle, high = _TARGETS[kind]
    bar = rated_pressure_bar
    target = low if bar < 140 else middle if bar <= 210 else high
    return Confirmation(
        f"An oil sample dirtier than {target} would confirm it: the usual target for a {kind} pump "
        f"of fixed displacement rated {bar.normalize():f} bar. The pump maker's own code wins.",
        "ISO 4406 code; target of common industry tables",
    )
