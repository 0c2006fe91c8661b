"""The closed lists of the trade: the measured checks of each pump family, and the instruments.

Families and components stand in fleet.families and are given out from here too.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from fleet.families import COMPONENTS as COMPONENTS
from fleet.families import Component as Component
from fleet.families import PumpFamily as PumpFamily
from fleet.families import Rotation as Rotation


class InstrumentKind(StrEnum):
    FEELER = "feeler"
    MICROMETER = "micrometer"
    DEPTH_MICROMETER = "depth_micrometer"
    DIAL = "dial"
    BORE_GAUGE = "bore_gauge"
    HEIGHT_GAUGE = "height_gauge"

    @property
    def label(self) -> str:
        return _INSTRUMENT_LABELS[self]


_INSTRUMENT_LABELS = {
    InstrumentKind.FEELER: "Feeler gauge",
    InstrumentKind.MICROMETER: "Outside micrometer",
    InstrumentKind.DEPTH_MICROMETER: "Depth micrometer",
    InstrumentKind.DIAL: "Dial gauge",
    InstrumentKind.BORE_GAUGE: "Bore gauge",
    InstrumentKind.HEIGHT_GAUGE: "Height gauge",
}


class LeakShape(StrEnum):
    """The gaps that textbook formulas for laminar flow know."""

    SLOT = "slot"
    ANNULUS = "annulus"
    DISC = "disc"

    @property
    def label(self) -> str:
        return _LEAK_SHAPE_LABELS[self]


_LEAK_SHAPE_LABELS = {
    LeakShape.SLOT: "Slot between two flat faces",
    LeakShape.ANNULUS: "Ring gap round a shaft or piston",
    LeakShape.DISC: "Flat ring gap, from inside to outside",
}

# ISO 3448 viscosity grades: the number is the mid-point viscosity at 40 °C in mm²/s, rounded.
OIL_GRADES: tuple[int, ...] = (
    2, 3, 5, 7, 10, 15, 22, 32, 46, 68,
    100, 150, 220, 320, 460, 680, 1000, 1500, 2200, 3200,
)  # fmt: skip


class Characteristic(StrEnum):
    """What is measured. The same word has other limits on another model, so none stand here."""

    SIDE_CLEARANCE = "side_clearance"
    SIDE_OUT_OF_PARALLEL = "side_out_of_parallel"
    BACKLASH = "backlash"
    TIP_CLEARANCE = "tip_clearance"
    SHAFT_TO_BUSH = "shaft_to_bush"
    GEAR_WIDTH_MATCH = "gear_width_match"
    CUT_IN_DEPTH = "cut_in_depth"
    PLATE_THICKNESS = "plate_thickness"
    PLATE_WEAR = "plate_wear"
    PLATE_FLATNESS = "plate_flatness"
    SHAFT_RUN_OUT = "shaft_run_out"
    SHAFT_DIAMETER = "shaft_diameter"
    JOURNAL_SPREAD = "journal_spread"
    GEAR_SET_SIDE_CLEARANCE = "gear_set_side_clearance"
    OUTER_GEAR_TO_BODY = "outer_gear_to_body"
    ROTOR_TIP_CLEARANCE = "rotor_tip_clearance"
    VANE_SLOT_GAP = "vane_slot_gap"
    VANE_THICKNESS = "vane_thickness"
    ROTOR_SIDE_CLEARANCE = "rotor_side_clearance"
    RING_WEAR_STEP = "ring_wear_step"
    SLIPPER_END_PLAY = "slipper_end_play"
    SHOE_THICKNESS_SPREAD = "shoe_thickness_spread"
    PISTON_TO_BORE = "piston_to_bore"
    BLOCK_BORE_SPREAD = "block_bore_spread"
    VALVE_PLATE_FLATNESS = "valve_plate_flatness"
    HOLD_DOWN_PIN_SPREAD = "hold_down_pin_spread"
    # Whatever else a maker's book asks for: its name stands on the line of the sheet.
    OWN = "own"

    @property
    def label(self) -> str:
        return CHARACTERISTICS[self].label


@dataclass(frozen=True, slots=True)
class Use:
    """A check as it is taken on one family: on which component, and where by default."""

    family: PumpFamily
    component: Component
    positions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CharacteristicInfo:
    """A measured check: what it means, how it is taken, and where.

    `noun` is what the reading is called in a sentence ("the gap", "the depth"). `terms` names
    the readings of a check that is a difference, the part first from which the others are taken;
    else empty. `computed_terms` are such readings for a check that is usually measured but can
    be computed as well. `readings_from` is the check whose readings a spread is usually over,
    where nothing is measured for it alone.
    """

    label: str
    noun: str
    meaning: str
    how: str
    default_instrument: InstrumentKind
    uses: tuple[Use, ...]
    terms: tuple[str, ...] = ()
    computed_terms: tuple[str, ...] = ()
    readings_from: Characteristic | None = None

    @property
    def families(self) -> tuple[PumpFamily, ...]:
        return tuple(use.family for use in self.uses)

    @property
    def default_component(self) -> Component:
        return self.uses[0].component

    @property
    def default_positions(self) -> tuple[str, ...]:
        return self.uses[0].positions

    def use_in(self, family: PumpFamily) -> Use | None:
        return next((use for use in self.uses if use.family is family), None)


_CLOCK = ("12 o'clock", "3 o'clock", "6 o'clock", "9 o'clock")
_MESH = ("mesh 0°", "mesh 90°", "mesh 180°", "mesh 270°")
_BOTH_GEARS_ROUND = tuple(f"{gear} {hour}" for gear in ("drive", "idler") for hour in _CLOCK)
_FOUR_BUSHES = ("drive front", "drive rear", "idler front", "idler rear")
_FRONT_REAR = ("front", "rear")
_FOUR_PLACES = ("place 1", "place 2", "place 3", "place 4")
_SECTORS = tuple(f"{g} {s}" for g in ("drive", "idler") for s in ("inlet", "middle", "outlet"))
_BORES = tuple(f"{b} {p}" for b in ("drive", "idler") for p in ("front", "centre", "rear"))
_BOTH_GEARS = tuple(f"{gear} {place}" for gear in ("drive", "idler") for place in _FOUR_PLACES)
_GEAR_SET = tuple(f"{gear} {place}" for gear in ("inner", "outer") for place in _FOUR_PLACES)
_BOTH_PLATES = tuple(f"{plate} {place}" for plate in _FRONT_REAR for place in _FOUR_PLACES)
_PLATES_ROUND = tuple(f"{plate} {hour}" for plate in _FRONT_REAR for hour in _CLOCK)
_ALONG_SHAFT = ("seal track", "drive end")
_JOURNAL = ("near gear 0°", "near gear 90°", "far end 0°", "far end 90°")
_JOURNAL_FREE = ("near rotor 0°", "near rotor 90°", "far end 0°", "far end 90°")
_NINE_PISTONS = tuple(f"piston {number}" for number in range(1, 10))

_GEAR = PumpFamily.EXTERNAL_GEAR
_INTERNAL = PumpFamily.INTERNAL_GEAR
_GEROTOR = PumpFamily.GEROTOR
_VANE = PumpFamily.VANE
_PISTON = PumpFamily.AXIAL_PISTON

CHARACTERISTICS: dict[Characteristic, CharacteristicInfo] = {
    Characteristic.SIDE_CLEARANCE: CharacteristicInfo(
        label="Side clearance",
        noun="gap",
        meaning="The gap between a gear face and its wear plate: the largest leak path.",
        how="Seat the gears clean in the body, lay the straight edge across the body face and "
        "slide the leaf under it over the gear.",
        default_instrument=InstrumentKind.FEELER,
        uses=(Use(_GEAR, Component.WEAR_PLATE_FRONT, _BOTH_GEARS_ROUND),),
        computed_terms=("housing depth", "gear width", "wear plate front", "wear plate rear"),
    ),
    Characteristic.SIDE_OUT_OF_PARALLEL: CharacteristicInfo(
        label="Side clearance, out of parallel",
        noun="difference",
        meaning="How far the side clearance differs round the gears: a plate or a face stands "
        "askew.",
        how="Nothing more to measure: it is the largest side clearance less the smallest.",
        default_instrument=InstrumentKind.FEELER,
        uses=(Use(_GEAR, Component.WEAR_PLATE_FRONT, _BOTH_GEARS_ROUND),),
        readings_from=Characteristic.SIDE_CLEARANCE,
    ),
    Characteristic.BACKLASH: CharacteristicInfo(
        label="Backlash",
        noun="gap",
        meaning="The play between the flanks of meshing teeth. It is no gap to the housing.",
        how="Hold the idler still and try the leaf between the flanks, or rock the drive gear "
        "against a dial gauge set on a flank.",
        default_instrument=InstrumentKind.FEELER,
        uses=(
            Use(_GEAR, Component.GEARS, _MESH),
            Use(_INTERNAL, Component.INNER_GEAR, _MESH),
            Use(_GEROTOR, Component.INNER_GEAR, _MESH),
        ),
    ),
    Characteristic.TIP_CLEARANCE: CharacteristicInfo(
        label="Tip clearance",
        noun="gap",
        meaning="The radial gap from a tooth tip to the housing bore, on one side.",
        how="Centre the gear with two equal leaves on opposite sides, then try the leaf between "
        "tip and bore, away from the track on the inlet side.",
        default_instrument=InstrumentKind.FEELER,
        uses=(Use(_GEAR, Component.GEARS, _SECTORS),),
    ),
    Characteristic.SHAFT_TO_BUSH: CharacteristicInfo(
        label="Shaft to bush",
        noun="clearance",
        meaning="Bore of the bush less diameter of the journal: a difference of diameters.",
        how="Measure the bore and the journal in the same two planes, two directions each, and "
        "keep the largest bore and the smallest journal.",
        default_instrument=InstrumentKind.BORE_GAUGE,
        uses=(
            Use(_GEAR, Component.BUSHES, _FOUR_BUSHES),
            Use(_INTERNAL, Component.BUSHES, _FRONT_REAR),
            Use(_GEROTOR, Component.BUSHES, _FRONT_REAR),
            Use(_VANE, Component.BEARINGS, _FRONT_REAR),
        ),
        terms=("bore", "journal"),
    ),
    Characteristic.GEAR_WIDTH_MATCH: CharacteristicInfo(
        label="Gear width match",
        noun="difference",
        meaning="How far the widths of the two gears differ, largest less smallest.",
        how="Measure each gear face to face at four places.",
        default_instrument=InstrumentKind.MICROMETER,
        uses=(Use(_GEAR, Component.GEARS, _BOTH_GEARS),),
    ),
    Characteristic.CUT_IN_DEPTH: CharacteristicInfo(
        label="Cut-in depth",
        noun="depth",
        meaning="The track that the gears mill into the bore on the inlet side. A light one is "
        "normal; its depth decides.",
        how="Lay the straight edge along the bore across the track and try the leaf under it. A "
        "leaf of the limit size that enters rejects the body.",
        default_instrument=InstrumentKind.FEELER,
        uses=(Use(_GEAR, Component.HOUSING_BORE, _BORES),),
    ),
    Characteristic.PLATE_THICKNESS: CharacteristicInfo(
        label="Wear plate thickness",
        noun="thickness",
        meaning="What is left of the plate where the gears run. Both plates must match.",
        how="Measure the worn ring at four places on each plate.",
        default_instrument=InstrumentKind.MICROMETER,
        uses=(Use(_GEAR, Component.WEAR_PLATE_FRONT, _BOTH_PLATES),),
    ),
    Characteristic.PLATE_WEAR: CharacteristicInfo(
        label="Wear plate wear",
        noun="wear",
        meaning="How much thinner the running ring is than the unworn land beside it.",
        how="Measure the land and the ring beside it with the same micrometer.",
        default_instrument=InstrumentKind.MICROMETER,
        uses=(Use(_GEAR, Component.WEAR_PLATE_FRONT, _FRONT_REAR),),
        terms=("land", "ring"),
    ),
    Characteristic.PLATE_FLATNESS: CharacteristicInfo(
        label="Wear plate flatness",
        noun="gap",
        meaning="The largest gap under the plate when it lies face down on a true surface.",
        how="Lay the plate face down on a surface plate and try the leaf round its edge.",
        default_instrument=InstrumentKind.FEELER,
        uses=(Use(_GEAR, Component.WEAR_PLATE_FRONT, _PLATES_ROUND),),
    ),
    Characteristic.SHAFT_RUN_OUT: CharacteristicInfo(
        label="Shaft run-out",
        noun="run-out",
        meaning="The total movement of the dial over one full turn.",
        how="Rest the journals in V-blocks, set the dial on the place and turn the shaft once.",
        default_instrument=InstrumentKind.DIAL,
        uses=(
            Use(_GEAR, Component.SHAFTS, _ALONG_SHAFT),
            Use(_INTERNAL, Component.SHAFT, _ALONG_SHAFT),
            Use(_GEROTOR, Component.SHAFT, _ALONG_SHAFT),
            Use(_VANE, Component.SHAFT, _ALONG_SHAFT),
            Use(_PISTON, Component.SHAFT, _ALONG_SHAFT),
        ),
    ),
    Characteristic.SHAFT_DIAMETER: CharacteristicInfo(
        label="Shaft diameter",
        noun="diameter",
        meaning="The smallest diameter left on the journal.",
        how="Measure each journal in two planes and two directions, and keep the smallest.",
        default_instrument=InstrumentKind.MICROMETER,
        uses=(
            Use(_GEAR, Component.SHAFTS, _FOUR_BUSHES),
            Use(_INTERNAL, Component.SHAFT, _FRONT_REAR),
            Use(_GEROTOR, Component.SHAFT, _FRONT_REAR),
            Use(_VANE, Component.SHAFT, _FRONT_REAR),
        ),
    ),
    Characteristic.JOURNAL_SPREAD: CharacteristicInfo(
        label="Journal spread",
        noun="difference",
        meaning="Taper and out-of-round of one journal: its largest less its smallest diameter.",
        how="Measure the journal near the gear and at its far end, in two directions each.",
        default_instrument=InstrumentKind.MICROMETER,
        uses=(
            Use(_GEAR, Component.SHAFTS, _JOURNAL),
            Use(_INTERNAL, Component.SHAFT, _JOURNAL),
            Use(_GEROTOR, Component.SHAFT, _JOURNAL),
            Use(_VANE, Component.SHAFT, _JOURNAL_FREE),
        ),
    ),
    Characteristic.GEAR_SET_SIDE_CLEARANCE: CharacteristicInfo(
        label="Gear set side clearance",
        noun="gap",
        meaning="The gap between the faces of the inner and outer gear and the cover.",
        how="Lay the straight edge across the body face and slide the leaf under it over each "
        "gear.",
        default_instrument=InstrumentKind.FEELER,
        uses=(
            Use(_INTERNAL, Component.OUTER_GEAR, _GEAR_SET),
            Use(_GEROTOR, Component.OUTER_GEAR, _GEAR_SET),
        ),
        computed_terms=("body depth", "gear width"),
    ),
    Characteristic.OUTER_GEAR_TO_BODY: CharacteristicInfo(
        label="Outer gear to body",
        noun="gap",
        meaning="The gap between the outside of the outer gear and the body, on one side.",
        how="Push the outer gear to one side and try the leaf on the other side.",
        default_instrument=InstrumentKind.FEELER,
        uses=(
            Use(_INTERNAL, Component.OUTER_GEAR, _CLOCK),
            Use(_GEROTOR, Component.OUTER_GEAR, _CLOCK),
        ),
    ),
    Characteristic.ROTOR_TIP_CLEARANCE: CharacteristicInfo(
        label="Inner to outer gear tip clearance",
        noun="gap",
        meaning="The gap between a tooth tip of the inner gear and the outer gear or crescent.",
        how="Turn a tip of the inner gear opposite a tip of the outer gear and try the leaf "
        "between them.",
        default_instrument=InstrumentKind.FEELER,
        uses=(
            Use(_INTERNAL, Component.INNER_GEAR, _FOUR_PLACES),
            Use(_GEROTOR, Component.INNER_GEAR, _FOUR_PLACES),
        ),
    ),
    Characteristic.VANE_SLOT_GAP: CharacteristicInfo(
        label="Vane to slot gap",
        noun="gap",
        meaning="The play of a vane in its slot. Dry and clean, a vane drops by its own weight.",
        how="Put the vane dry in its slot and try the leaf beside it.",
        default_instrument=InstrumentKind.FEELER,
        uses=(Use(_VANE, Component.VANES, tuple(f"slot {number}" for number in range(1, 11))),),
    ),
    Characteristic.VANE_THICKNESS: CharacteristicInfo(
        label="Vane thickness",
        noun="thickness",
        meaning="The thickness of the vane where it runs in its slot.",
        how="Measure each vane at the middle of its length.",
        default_instrument=InstrumentKind.MICROMETER,
        uses=(Use(_VANE, Component.VANES, tuple(f"vane {number}" for number in range(1, 11))),),
    ),
    Characteristic.ROTOR_SIDE_CLEARANCE: CharacteristicInfo(
        label="Rotor side clearance",
        noun="clearance",
        meaning="Width of the ring less width of the rotor: the total for both side plates.",
        how="Measure the ring and the rotor face to face at the same places.",
        default_instrument=InstrumentKind.MICROMETER,
        uses=(Use(_VANE, Component.ROTOR, _FOUR_PLACES),),
        terms=("ring width", "rotor width"),
    ),
    Characteristic.RING_WEAR_STEP: CharacteristicInfo(
        label="Ring wear step",
        noun="step",
        meaning="The step that the vanes leave in the ring. Ripples count as well.",
        how="Run the dial gauge across the step, at the inlet and outlet ramps.",
        default_instrument=InstrumentKind.DIAL,
        uses=(
            Use(
                _VANE,
                Component.CAM_RING,
                ("inlet ramp 1", "inlet ramp 2", "outlet ramp 1", "outlet ramp 2"),
            ),
        ),
    ),
    Characteristic.SLIPPER_END_PLAY: CharacteristicInfo(
        label="Piston shoe end play",
        noun="play",
        meaning="How far the shoe lifts along its piston before the ball joint takes up.",
        how="Hold the piston, lift the shoe against the dial gauge.",
        default_instrument=InstrumentKind.DIAL,
        uses=(Use(_PISTON, Component.PISTONS_AND_SHOES, _NINE_PISTONS),),
    ),
    Characteristic.SHOE_THICKNESS_SPREAD: CharacteristicInfo(
        label="Shoe thickness spread",
        noun="difference",
        meaning="How far the shoe flanges differ over the set, thickest less thinnest.",
        how="Measure the flange of every shoe.",
        default_instrument=InstrumentKind.MICROMETER,
        uses=(Use(_PISTON, Component.PISTONS_AND_SHOES, _NINE_PISTONS),),
    ),
    Characteristic.PISTON_TO_BORE: CharacteristicInfo(
        label="Piston to bore",
        noun="clearance",
        meaning="Bore of the block less diameter of its piston: a difference of diameters.",
        how="Measure each bore and its own piston, and keep them together.",
        default_instrument=InstrumentKind.BORE_GAUGE,
        uses=(Use(_PISTON, Component.PISTONS_AND_SHOES, _NINE_PISTONS),),
        terms=("bore", "piston"),
    ),
    Characteristic.BLOCK_BORE_SPREAD: CharacteristicInfo(
        label="Block bore spread",
        noun="difference",
        meaning="Taper and out-of-round of one bore: its largest less its smallest diameter.",
        how="Measure the bore at four depths, the bottom among them.",
        default_instrument=InstrumentKind.BORE_GAUGE,
        uses=(Use(_PISTON, Component.CYLINDER_BLOCK, ("top", "upper", "lower", "bottom")),),
    ),
    Characteristic.VALVE_PLATE_FLATNESS: CharacteristicInfo(
        label="Valve plate flatness",
        noun="deviation",
        meaning="How far the sealing face departs from flat.",
        how="Set the plate on a surface plate and sweep its face with the dial gauge; a light "
        "band counts 0.3 µm where an optical flat is used.",
        default_instrument=InstrumentKind.DIAL,
        uses=(Use(_PISTON, Component.VALVE_PLATE, ("face",)),),
    ),
    Characteristic.HOLD_DOWN_PIN_SPREAD: CharacteristicInfo(
        label="Hold-down pin spread",
        noun="difference",
        meaning="How far the pins differ in length. One short pin replaces all.",
        how="Measure every pin end to end.",
        default_instrument=InstrumentKind.MICROMETER,
        uses=(Use(_PISTON, Component.HOLD_DOWN_PINS, ("pin 1", "pin 2", "pin 3")),),
    ),
    Characteristic.OWN: CharacteristicInfo(
        label="A check of your own",
        noun="reading",
        meaning="A check that the maker's book asks for and the usual list does not hold.",
        how="Measure it as the maker's book says.",
        default_instrument=InstrumentKind.MICROMETER,
        # On any component of any family: the line of the sheet says which.
        uses=(),
    ),
}


def taken_on(characteristic: Characteristic, family: PumpFamily) -> bool:
    """Whether a sheet of this family may have the check; one of the site's own stands on any."""
    return (
        characteristic is Characteristic.OWN
        or CHARACTERISTICS[characteristic].use_in(family) is not None
    )


def usual_checks(family: PumpFamily) -> tuple[Characteristic, ...]:
    """The checks that an inspection of this family usually has."""
    return tuple(c for c, info in CHARACTERISTICS.items() if info.use_in(family) is not None)
