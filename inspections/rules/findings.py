"""What is seen on a part, in standard words, and apart from it what may have caused it.

Appearance only: one look can have several causes (so ISO 10825-1:2022), so the two are separate
lists. Gear words follow the headings of ISO 10825, bearing words the families of ISO 15243:2017;
seal and metal words are common trade terms. Mechanism codes are those of ISO 14224 table B.2.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum

from fleet.faults import Fault
from fleet.vocabulary import Component as C


class Severity(IntEnum):
    """Common practice, no source. A nail catches on about 0.02 mm and more."""

    NONE = 0
    POLISH = 1
    LIGHT = 2
    HEAVY = 3
    FAILED = 4

    @property
    def label(self) -> str:
        return _SEVERITY_LABELS[self]

    @property
    def meaning(self) -> str:
        return _SEVERITY_MEANINGS[self]


_SEVERITY_LABELS = {
    Severity.NONE: "None",
    Severity.POLISH: "Polish",
    Severity.LIGHT: "Light",
    Severity.HEAVY: "Heavy",
    Severity.FAILED: "Failed",
}
_SEVERITY_MEANINGS = {
    Severity.NONE: "Nothing to see.",
    Severity.POLISH: "Seen, but a nail does not catch on it.",
    Severity.LIGHT: "A nail just catches on it; it can be dressed where dressing is allowed.",
    Severity.HEAVY: "Deep or wide: replace it.",
    Severity.FAILED: "Broken, cracked, seized or worn through.",
}


class Mechanism(StrEnum):
    """ISO 14224 table B.2, as far as pump parts need it (1.x and 2.x; 5.1 and 5.2 from memory)."""

    LEAKAGE = "1.1"
    CLEARANCE = "1.3"
    DEFORMATION = "1.4"
    LOOSENESS = "1.5"
    CAVITATION = "2.1"
    CORROSION = "2.2"
    EROSION = "2.3"
    WEAR = "2.4"
    BREAKAGE = "2.5"
    FATIGUE = "2.6"
    OVERHEATING = "2.7"
    BLOCKAGE = "5.1"
    CONTAMINATION = "5.2"

    @property
    def label(self) -> str:
        return _MECHANISM_LABELS.get(self, self.name.capitalize())


_MECHANISM_LABELS = {Mechanism.CLEARANCE: "Clearance or alignment failure"}


class Word(StrEnum):
    NO_DEFECT = "no_defect"
    POLISHED = "polished"
    SCORED = "scored"
    ABRASIVE_WEAR = "abrasive_wear"
    EXCESSIVE_WEAR = "excessive_wear"
    INTERFERENCE_WEAR = "interference_wear"
    ONE_SIDED_WEAR = "one_sided_wear"
    SCUFFED = "scuffed"
    SMEARED = "smeared"
    CAVITATION_EROSION = "cavitation_erosion"
    FLUID_EROSION = "fluid_erosion"
    ELECTRIC_EROSION = "electric_erosion"
    CORROSION = "corrosion"
    FRETTING = "fretting"
    HEAT_COLOUR = "heat_colour"
    VARNISH = "varnish"
    EMBEDDED_GRIT = "embedded_grit"
    INDENTED = "indented"
    PLASTIC_FLOW = "plastic_flow"
    RIPPLED = "rippled"
    BURRED = "burred"
    SHARP_EDGE = "sharp_edge"
    PITTED = "pitted"
    FLAKED = "flaked"
    CRACKED = "cracked"
    BROKEN = "broken"
    SEIZED = "seized"
    BENT = "bent"
    DEEP_CUT_IN = "deep_cut_in"
    SEAL_TRACK_GROOVED = "seal_track_grooved"
    SPLINE_OR_KEY_WORN = "spline_or_key_worn"
    SHOE_LOOSE = "shoe_loose"
    SHOE_ROLLED = "shoe_rolled"
    VANE_STICKS = "vane_sticks"
    THREAD_DAMAGED = "thread_damaged"
    FACE_DAMAGED = "face_damaged"
    BLOCKED = "blocked"
    COMPRESSION_SET = "compression_set"
    EXTRUDED = "extruded"
    SPIRAL_CUTS = "spiral_cuts"
    HARDENED = "hardened"
    CHEMICAL_ATTACK = "chemical_attack"
    DECOMPRESSION_BLISTERS = "decompression_blisters"
    NICKED = "nicked"
    ABRADED = "abraded"
    LIP_TURNED = "lip_turned"
    LEAKED = "leaked"
    MICROPITTED = "micropitted"
    WORN_STEP = "worn_step"
    WRONG_WAY_ROUND = "wrong_way_round"

    @property
    def label(self) -> str:
        return WORDS[self].label


@dataclass(frozen=True, slots=True)
class WordInfo:
    """`dressable`: stoning, polishing or cleaning can put a light case right."""

    label: str
    components: frozenset[C]
    source: str
    mechanism: Mechanism | None
    dressable: bool = False


_SEALS = frozenset({C.SEALS})
_TOOTHED = frozenset({C.GEARS, C.INNER_GEAR, C.OUTER_GEAR})
_CRESCENT = frozenset({C.CRESCENT})
_GEARS = _TOOTHED | _CRESCENT
_PLATES = frozenset(
    {C.WEAR_PLATE_FRONT, C.WEAR_PLATE_REAR, C.SIDE_PLATE_FRONT, C.SIDE_PLATE_REAR, C.VALVE_PLATE}
)
_SHAFTS = frozenset({C.SHAFTS, C.SHAFT})
_BEARINGS = frozenset({C.BUSHES, C.BEARINGS})
_ROLLING = frozenset({C.BEARINGS})
_BODY = frozenset({C.HOUSING_BORE, C.HOUSING})
_PORTS = frozenset({C.INLET_PORT, C.OUTLET_PORT})
_VANE_PARTS = frozenset({C.ROTOR, C.VANES, C.CAM_RING})
_RING = frozenset({C.CAM_RING})
_SHOES = frozenset({C.PISTONS_AND_SHOES})
_BLOCK = frozenset({C.CYLINDER_BLOCK})
_SWASH = frozenset({C.SWASH_PLATE})
_PINS = frozenset({C.HOLD_DOWN_PINS})
_PISTON_PARTS = _SHOES | _BLOCK | _SWASH | _PINS
# What carries the shaft's turning: splines, keys and keyways.
_DRIVEN = _SHAFTS | frozenset({C.INNER_GEAR, C.ROTOR, C.CYLINDER_BLOCK})
_RUNNING = _GEARS | _PLATES | _SHAFTS | _BEARINGS | _VANE_PARTS | _PISTON_PARTS
_METAL = _RUNNING | _BODY | _PORTS
# Pins only press: no stream, film or dirt runs over them.
_IN_THE_STREAM = _RUNNING - _PINS

_TRADE = "common practice, no source"
_GEAR_TERM = "ISO 10825 heading"
_SEAL_TERM = "common seal-failure terms"
_M = Mechanism

WORDS: dict[Word, WordInfo] = {
    Word.NO_DEFECT: WordInfo("No defect", _METAL | _SEALS, _TRADE, None),
    Word.POLISHED: WordInfo("Polished", _METAL, f"{_GEAR_TERM}, sliding wear", _M.WEAR, True),
    Word.SCORED: WordInfo(
        "Scored or scratched", _METAL, f"{_GEAR_TERM}, scratching", _M.WEAR, True
    ),
    Word.ABRASIVE_WEAR: WordInfo(
        "Dull, as if sandblasted",
        _RUNNING | _BODY,
        f"{_GEAR_TERM}, abrasive wear; TM 5-3805-262-34",
        _M.WEAR,
    ),
    Word.EXCESSIVE_WEAR: WordInfo(
        "Worn away", _RUNNING | _BODY, f"{_GEAR_TERM}, excessive wear", _M.WEAR
    ),
    Word.INTERFERENCE_WEAR: WordInfo(
        "Interference wear", _TOOTHED, f"{_GEAR_TERM}, interference", _M.WEAR
    ),
    Word.ONE_SIDED_WEAR: WordInfo("Worn on one side", _RUNNING, _TRADE, _M.CLEARANCE),
    Word.SCUFFED: WordInfo("Scuffed", _RUNNING | _BODY, f"{_GEAR_TERM}, scuffing", _M.WEAR),
    Word.SMEARED: WordInfo("Smeared", _RUNNING, "ISO 15243:2017 5.2, adhesive wear", _M.WEAR),
    Word.CAVITATION_EROSION: WordInfo(
        "Pitted by cavitation or air",
        _IN_THE_STREAM | _BODY | _PORTS,
        f"{_GEAR_TERM}, cavitation erosion",
        _M.CAVITATION,
    ),
    Word.FLUID_EROSION: WordInfo(
        "Eroded by the stream",
        _IN_THE_STREAM | _BODY | _PORTS,
        f"{_GEAR_TERM}, hydraulic erosion; TM 5-3820-256-24-2",
        _M.EROSION,
    ),
    Word.ELECTRIC_EROSION: WordInfo(
        "Marked by electric current",
        _TOOTHED | _BEARINGS | _SHAFTS,
        f"{_GEAR_TERM}, electric erosion; ISO 15243:2017 5.4",
        _M.EROSION,
    ),
    Word.CORROSION: WordInfo(
        "Rusted or etched",
        _METAL,
        f"{_GEAR_TERM}, corrosion; ISO 15243:2017 5.3",
        _M.CORROSION,
        True,
    ),
    Word.FRETTING: WordInfo(
        "Fretted, red dust",
        _GEARS | _DRIVEN | _BEARINGS | _BODY,
        f"{_GEAR_TERM}, fretting corrosion; ISO 15243:2017 5.3",
        _M.WEAR,
    ),
    Word.HEAT_COLOUR: WordInfo(
        "Blue or brown from heat", _RUNNING | _BODY, f"{_GEAR_TERM}, overheating", _M.OVERHEATING
    ),
    Word.VARNISH: WordInfo("Varnish, brown film", _METAL, _TRADE, _M.CONTAMINATION, True),
    Word.EMBEDDED_GRIT: WordInfo(
        "Grit embedded",
        _PLATES | _BEARINGS | _SHOES | _BLOCK | _CRESCENT | _SEALS,
        _TRADE,
        _M.CONTAMINATION,
    ),
    Word.INDENTED: WordInfo(
        "Indented", _RUNNING, f"{_GEAR_TERM}, indentation; ISO 15243:2017 5.5", _M.DEFORMATION
    ),
    Word.PLASTIC_FLOW: WordInfo(
        "Metal pushed or rolled",
        _GEARS | _BEARINGS | _PLATES,
        f"{_GEAR_TERM}, plastic deformation",
        _M.DEFORMATION,
    ),
    Word.RIPPLED: WordInfo("Rippled", _TOOTHED | _RING, f"{_GEAR_TERM}, rippling", _M.WEAR),
    Word.BURRED: WordInfo("Burred", _METAL, f"{_GEAR_TERM}, burrs", _M.DEFORMATION, True),
    Word.SHARP_EDGE: WordInfo("Sharp edge", _TOOTHED | _VANE_PARTS, _TRADE, _M.WEAR, True),
    Word.PITTED: WordInfo(
        "Pitted by fatigue",
        _TOOTHED | _ROLLING | _SHAFTS,
        f"{_GEAR_TERM}, pitting; ISO 15243:2017 5.1",
        _M.FATIGUE,
    ),
    Word.FLAKED: WordInfo(
        "Flaked or spalled",
        _TOOTHED | _BEARINGS | _SHAFTS,
        f"{_GEAR_TERM}, spalling; ISO 15243:2017 5.1",
        _M.FATIGUE,
    ),
    Word.CRACKED: WordInfo(
        "Cracked", _METAL, f"{_GEAR_TERM}, cracks; ISO 15243:2017 5.6", _M.BREAKAGE
    ),
    Word.BROKEN: WordInfo(
        "Broken", _METAL | _SEALS, f"{_GEAR_TERM}, breakage; ISO 15243:2017 5.6", _M.BREAKAGE
    ),
    Word.SEIZED: WordInfo("Seized", _RUNNING, _TRADE, _M.OVERHEATING),
    Word.BENT: WordInfo("Bent", _SHAFTS | _SHOES | _PINS, _TRADE, _M.DEFORMATION),
    Word.DEEP_CUT_IN: WordInfo(
        "Deep cut-in on the inlet side", frozenset({C.HOUSING_BORE}), "TM 5-3820-256-24-2", _M.WEAR
    ),
    Word.SEAL_TRACK_GROOVED: WordInfo(
        "Seal track grooved", _SHAFTS, "TM 5-3895-353-14&P; TM 5-3895-359-14&P", _M.WEAR
    ),
    Word.SPLINE_OR_KEY_WORN: WordInfo("Spline or key worn", _DRIVEN, _TRADE, _M.WEAR),
    Word.SHOE_LOOSE: WordInfo("Shoe loose on its ball", _SHOES, _TRADE, _M.LOOSENESS),
    Word.SHOE_ROLLED: WordInfo("Shoe rolled or lifted", _SHOES, _TRADE, _M.DEFORMATION),
    Word.VANE_STICKS: WordInfo(
        "Vane sticks in its slot", frozenset({C.ROTOR, C.VANES}), "TM 5-3895-353-14&P", None, True
    ),
    Word.THREAD_DAMAGED: WordInfo(
        "Thread damaged", _PORTS | _BODY | _SHAFTS, _TRADE, _M.DEFORMATION, True
    ),
    Word.FACE_DAMAGED: WordInfo("Sealing face damaged", _PORTS | _BODY, _TRADE, _M.LEAKAGE, True),
    Word.BLOCKED: WordInfo("Blocked", _PORTS | _BODY | _PLATES | _SHOES, _TRADE, _M.BLOCKAGE, True),
    Word.COMPRESSION_SET: WordInfo("Compression set", _SEALS, _SEAL_TERM, _M.DEFORMATION),
    Word.EXTRUDED: WordInfo("Extruded or nibbled", _SEALS, _SEAL_TERM, _M.DEFORMATION),
    Word.SPIRAL_CUTS: WordInfo("Spiral cuts", _SEALS, _SEAL_TERM, _M.BREAKAGE),
    Word.HARDENED: WordInfo("Hard, shiny, cracked", _SEALS, _SEAL_TERM, _M.OVERHEATING),
    Word.CHEMICAL_ATTACK: WordInfo(
        "Swollen, soft or discoloured", _SEALS, _SEAL_TERM, _M.CORROSION
    ),
    Word.DECOMPRESSION_BLISTERS: WordInfo(
        "Blisters from fast release", _SEALS, _SEAL_TERM, _M.BREAKAGE
    ),
    Word.NICKED: WordInfo("Nick or slice", _SEALS, _SEAL_TERM, _M.BREAKAGE),
    Word.ABRADED: WordInfo("Flat worn face", _SEALS, _SEAL_TERM, _M.WEAR),
    Word.LIP_TURNED: WordInfo("Lip split or turned", _SEALS, _SEAL_TERM, _M.LEAKAGE),
    Word.LEAKED: WordInfo("Leaked in service", _SEALS, _TRADE, _M.LEAKAGE),
    Word.MICROPITTED: WordInfo(
        "Grey, frosted",
        _TOOTHED | _ROLLING,
        f"{_GEAR_TERM}, micropitting; ISO 15243:2017 5.1",
        _M.FATIGUE,
    ),
    Word.WORN_STEP: WordInfo("Worn to a step", _RING | _SWASH | _CRESCENT, _TRADE, _M.WEAR),
    Word.WRONG_WAY_ROUND: WordInfo(
        "Fitted the wrong way round",
        _PLATES | _SEALS | frozenset({C.VANES, C.CAM_RING}),
        "TM 5-3810-306-34; TM 5-3895-359-14&P; TM 10-3930-653-14&P p.4-203",
        None,
    ),
}


class Cause(StrEnum):
    """What may lie behind findings; several parts together point to it, hardly ever one."""

    CONTAMINATION = "contamination"
    CAVITATION = "cavitation"
    AERATION = "aeration"
    WATER_IN_OIL = "water_in_oil"
    OVER_PRESSURE = "over_pressure"
    MISALIGNMENT = "misalignment"
    DRY_START = "dry_start"
    WRONG_VISCOSITY = "wrong_viscosity"
    OVERHEATING = "overheating"
    OVER_SPEED = "over_speed"
    WRONG_ROTATION = "wrong_rotation"
    CASE_PRESSURE = "case_pressure"
    WRONG_FLUID = "wrong_fluid"
    STRAY_CURRENT = "stray_current"
    FITTING_DAMAGE = "fitting_damage"
    UNKNOWN = "unknown"

    @property
    def label(self) -> str:
        hyphened = self in {Cause.OVER_PRESSURE, Cause.OVER_SPEED}
        return self.value.replace("_", "-" if hyphened else " ").capitalize()

    @property
    def signs(self) -> str:
        """What to look for on the other parts (common practice, no source)."""
        return _SIGNS[self]


_SIGNS = {
    Cause.CONTAMINATION: "Rings on plates, dull faces, grit in lips and plates, a fast cut-in.",
    Cause.CAVITATION: "Pits near the inlet and the mesh, a rattle, high vacuum at the inlet.",
    Cause.AERATION: "Pits, foam, a whine that follows the pressure, a spongy feel.",
    Cause.WATER_IN_OIL: "Rust, etching, short bearing life, milky oil.",
    Cause.OVER_PRESSURE: "Cut-in, extruded seals, a cracked body, a bent shaft.",
    Cause.MISALIGNMENT: "Bushes worn on one side, a leaking seal, a fretted spline.",
    Cause.DRY_START: "Smeared bushes, blue plates, seizing within minutes.",
    Cause.WRONG_VISCOSITY: "Too thin: scuffing and heat. Too thick: cavitation when cold.",
    Cause.OVERHEATING: "Hard seals, varnish, blue or brown faces.",
    Cause.OVER_SPEED: "Shoes rolled or lifted, a drive that runs away downhill.",
    Cause.WRONG_ROTATION: "A shaft seal blown or turned soon after fitting, no delivery.",
    Cause.CASE_PRESSURE: "A seal lip turned, a seal that weeps at once, a blocked drain.",
    Cause.WRONG_FLUID: "Seals swollen, soft or discoloured soon after a change of oil.",
    Cause.STRAY_CURRENT: "Craters or grey bands on rollers and teeth; welding on the machine.",
    Cause.FITTING_DAMAGE: "Nicked seals, burrs, marks of tools, a part the wrong way round.",
    Cause.UNKNOWN: "Nothing points one way. Say so, and keep the parts.",
}


def words_for(component: C) -> tuple[Word, ...]:
    """The words that fit a component, 'no defect' first."""
    return tuple(word for word, info in WORDS.items() if component in info.components)


def check_finding(component: C, word: Word, severity: int) -> list[Fault]:
    """Every fault of one finding: a word that does not fit, a severity that contradicts it."""
    faults = []
    if component not in WORDS[word].components:
        faults.append(
            Fault(
                f"'{word.label}' is not a word for {component.label.lower()}. Choose one from "
                "its list.",
                field="word",
                code="word_does_not_fit",
            )
        )
    if severity not in tuple(Severity):
        faults.append(
            Fault("Severity runs from 0 to 4. Choose one of them.", field="severity", code="range")
        )
    elif (word is Word.NO_DEFECT) != (severity == Severity.NONE):
        faults.append(
            Fault(
                "'No defect' has severity 0."
                if word is Word.NO_DEFECT
                else f"'{word.label}' needs a severity from 1 to 4, or choose 'No defect'.",
                field="severity",
                code="severity_contradicts_word",
            )
        )
    return faults
