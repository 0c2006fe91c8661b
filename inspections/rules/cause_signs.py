"""What points to which cause: a table of signs, each with its reason and its source.

Strength is a matter of words, not of figures: a strong sign is a look that hardly another cause
leaves; any other sign has several causes, or stands on common practice for a part that its source
does not name. "Page not confirmed" says that the manual states it on a page not at hand.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum

from fleet.vocabulary import Characteristic
from fleet.vocabulary import Component as C
from inspections.rules.findings import WORDS, Cause, Severity, Word
from inspections.rules.verdicts import Outcome


class Strength(IntEnum):
    SOME = 1
    STRONG = 2

    @property
    def label(self) -> str:
        return "strong sign" if self is Strength.STRONG else "sign with other causes too"


@dataclass(frozen=True, slots=True)
class Look:
    """A word on one of these components, from this severity on."""

    components: frozenset[C]
    word: Word
    least: Severity = Severity.LIGHT


@dataclass(frozen=True, slots=True)
class Measured:
    """A check, on whatever component the sheet names for it."""

    characteristic: Characteristic
    outcome: Outcome = Outcome.OUT


@dataclass(frozen=True, slots=True)
class Said:
    """A word of the complaint that begins so."""

    begins: str


Sign = Look | Measured | Said


@dataclass(frozen=True, slots=True)
class Rule:
    sign: Sign
    cause: Cause
    strength: Strength
    because: str
    source: str


@dataclass(frozen=True, slots=True)
class Against:
    """A sign that speaks against a cause, or explains its signs without it."""

    sign: Sign
    cause: Cause
    because: str
    source: str


COMMON_PRACTICE = "common practice, no source"
_WEAR_PLATES = frozenset({C.WEAR_PLATE_FRONT, C.WEAR_PLATE_REAR})
_PLATES = _WEAR_PLATES | {C.SIDE_PLATE_FRONT, C.SIDE_PLATE_REAR, C.VALVE_PLATE}
_TOOTHED = frozenset({C.GEARS, C.INNER_GEAR, C.OUTER_GEAR})
_SHAFTS = frozenset({C.SHAFTS, C.SHAFT})
_BUSHES = frozenset({C.BUSHES, C.BEARINGS})
_JOURNALS = _SHAFTS | _BUSHES
_BORE = frozenset({C.HOUSING_BORE})
_BODIES = frozenset({C.HOUSING_BORE, C.HOUSING})
_RING = frozenset({C.CAM_RING})
_SHOES = frozenset({C.PISTONS_AND_SHOES})
_SLIDING = frozenset(
    {C.CRESCENT, C.ROTOR, C.VANES, C.CAM_RING, C.CYLINDER_BLOCK, C.SWASH_PLATE} | _SHOES
)
_SEALS = frozenset({C.SEALS})
_INLET = frozenset({C.INLET_PORT})
_PORTS = frozenset({C.INLET_PORT, C.OUTLET_PORT})

_CUT_IN = "TM 5-3820-256-24-2 §7-1.4.1"
_PLATE = f"TM 5-3820-256-24-2 ch. 7 for wear plates, page not confirmed; else {COMMON_PRACTICE}"
_PARTICLES = f"TM 5-3805-262-34 p.4-264 ff. for wear plates and body; else {COMMON_PRACTICE}"
_GEAR_PARTICLES = f"TM 5-3805-262-34 for external gears, page not confirmed; else {COMMON_PRACTICE}"
_SEAL_GUIDE = f"common seal-failure terms; {COMMON_PRACTICE}"
_SOME, _STRONG = Strength.SOME, Strength.STRONG
_Point = tuple[Cause, Strength, str]


def _everywhere(word: Word) -> frozenset[C]:
    return WORDS[word].components


def _rules(signs: Iterable[Sign], source: str, *points: _Point) -> tuple[Rule, ...]:
    return tuple(
        Rule(sign, cause, strength, because, source)
        for sign in signs
        for cause, strength, because in points
    )


_BODY_RULES = (
    # "In a short time" is the manual's: a light track is normal and has no cause to look for.
    *_rules(
        (Look(_BORE, Word.DEEP_CUT_IN), Measured(Characteristic.CUT_IN_DEPTH)),
        _CUT_IN,
        (Cause.OVER_PRESSURE, _SOME, "High or shock pressure pushes the gears into the body."),
        (Cause.CONTAMINATION, _SOME, "Dirt in the oil deepens the track fast."),
    ),
    *_rules(
        (Look(_BODIES, Word.CRACKED, Severity.POLISH),),
        COMMON_PRACTICE,
        (Cause.OVER_PRESSURE, _STRONG, "A spike of pressure cracks a body."),
    ),
    *_rules(
        (Look(_INLET, Word.CAVITATION_EROSION, Severity.POLISH),),
        COMMON_PRACTICE,
        (Cause.CAVITATION, _STRONG, "A starved inlet pits what lies nearest to it."),
    ),
    *_rules(
        (Look(_INLET, Word.BLOCKED, Severity.POLISH),),
        COMMON_PRACTICE,
        (Cause.CAVITATION, _STRONG, "A blocked inlet starves the pump."),
    ),
    *_rules(
        (Look(frozenset({C.HOUSING}), Word.BLOCKED, Severity.POLISH),),
        COMMON_PRACTICE,
        (Cause.CASE_PRESSURE, _SOME, "A blocked drain lets the pressure in the case rise."),
    ),
    *_rules(
        (Look(_PORTS | _BODIES, Word.THREAD_DAMAGED), Look(_PORTS | _BODIES, Word.FACE_DAMAGED)),
        COMMON_PRACTICE,
        (Cause.FITTING_DAMAGE, _SOME, "Threads and faces are hurt when fittings go in or out."),
    ),
)

_PLATE_AND_GEAR_RULES = (
    *_rules(
        (Look(_PLATES, Word.CAVITATION_EROSION, Severity.POLISH),),
        _PLATE,
        (Cause.CAVITATION, _SOME, "Bubbles from a starved inlet collapse on the plates."),
        (Cause.AERATION, _SOME, "Air that the pump draws in pits the plates as well."),
    ),
    *_rules(
        (
            Look(
                _everywhere(Word.CAVITATION_EROSION) - _PLATES - _INLET,
                Word.CAVITATION_EROSION,
                Severity.POLISH,
            ),
        ),
        COMMON_PRACTICE,
        (Cause.CAVITATION, _SOME, "Pits near the inlet and the mesh come from a starved inlet."),
        (Cause.AERATION, _SOME, "Air in the oil pits parts as well."),
    ),
    *_rules(
        (Look(_PLATES, Word.FLUID_EROSION),),
        _PLATE,
        (Cause.CONTAMINATION, _STRONG, "Dirt in the stream eats the plate where the teeth mesh."),
    ),
    *_rules(
        (Look(_PLATES, Word.HEAT_COLOUR, Severity.POLISH),),
        _PLATE,
        (Cause.OVERHEATING, _SOME, "Hot oil turns plates blue or brown."),
        (Cause.DRY_START, _SOME, "So does too little oil."),
    ),
    *_rules(
        (Look(_PLATES | _BORE, Word.SCORED),),
        _PARTICLES,
        (Cause.CONTAMINATION, _STRONG, "Fine particles score rings and a band round the bore."),
    ),
    *_rules(
        (Look(_PLATES | _BORE, Word.ABRASIVE_WEAR, Severity.POLISH),),
        _PARTICLES,
        (Cause.CONTAMINATION, _STRONG, "Fine particles leave a face dull like sandpaper."),
    ),
    *_rules(
        (Measured(Characteristic.PLATE_WEAR),),
        COMMON_PRACTICE,
        (Cause.CONTAMINATION, _SOME, "Plates wear away fast in dirty oil."),
    ),
    *_rules(
        (
            Look(_TOOTHED, Word.SCORED),
            Look(_TOOTHED, Word.ABRASIVE_WEAR, Severity.POLISH),
        ),
        _GEAR_PARTICLES,
        (Cause.CONTAMINATION, _STRONG, "Particles score the tips and dull the tooth ends."),
    ),
    *_rules(
        (Look(_TOOTHED, Word.BURRED),),
        _GEAR_PARTICLES,
        (Cause.CONTAMINATION, _SOME, "Particles burr the tips."),
        (Cause.FITTING_DAMAGE, _SOME, "So does a knock when the gear is handled."),
    ),
    *_rules(
        (Look(_TOOTHED, Word.BROKEN, Severity.POLISH),),
        COMMON_PRACTICE,
        (Cause.CONTAMINATION, _SOME, "A foreign body breaks a tooth."),
        (Cause.OVER_PRESSURE, _SOME, "A shock breaks a tooth."),
    ),
)

_SHAFT_AND_BEARING_RULES = (
    *_rules(
        (Look(_JOURNALS, Word.ONE_SIDED_WEAR, Severity.POLISH),),
        COMMON_PRACTICE,
        (Cause.MISALIGNMENT, _STRONG, "A drive out of line, or a belt, loads one side."),
    ),
    *_rules(
        (Measured(Characteristic.JOURNAL_SPREAD),),
        COMMON_PRACTICE,
        (Cause.MISALIGNMENT, _SOME, "A journal that runs askew wears to a taper."),
    ),
    *_rules(
        (
            Look(_everywhere(Word.SPLINE_OR_KEY_WORN), Word.SPLINE_OR_KEY_WORN),
            Look(_SHAFTS | {C.ROTOR, C.CYLINDER_BLOCK}, Word.FRETTING),
        ),
        COMMON_PRACTICE,
        (Cause.MISALIGNMENT, _STRONG, "A coupling out of line or loose frets what it drives."),
    ),
    *_rules(
        (
            Look(_JOURNALS, Word.SCUFFED, Severity.POLISH),
            Look(_JOURNALS, Word.SMEARED, Severity.POLISH),
            Look(_JOURNALS, Word.HEAT_COLOUR, Severity.POLISH),
        ),
        COMMON_PRACTICE,
        (Cause.DRY_START, _SOME, "Bearings rub dry until the oil comes."),
        (Cause.WRONG_VISCOSITY, _SOME, "Oil too thin does not carry the shaft."),
        (Cause.OVERHEATING, _SOME, "Hot oil is thin oil."),
    ),
    *_rules(
        (Look(_SHAFTS, Word.SEAL_TRACK_GROOVED, Severity.POLISH),),
        "TM 5-3895-353-14&P; TM 5-3895-359-14&P",
        (Cause.CONTAMINATION, _STRONG, "Dirt under the lip grinds a groove."),
    ),
    *_rules(
        (Look(_SHAFTS, Word.BENT, Severity.POLISH),),
        COMMON_PRACTICE,
        (Cause.OVER_PRESSURE, _SOME, "Overload bends a shaft."),
    ),
    *_rules(
        (Measured(Characteristic.SHAFT_RUN_OUT),),
        COMMON_PRACTICE,
        (Cause.OVER_PRESSURE, _SOME, "Overload bends a shaft."),
        (Cause.MISALIGNMENT, _SOME, "A drive out of line bends it turn by turn."),
    ),
    *_rules(
        (
            Look(frozenset({C.BEARINGS}), Word.PITTED),
            Look(_BUSHES, Word.FLAKED),
        ),
        COMMON_PRACTICE,
        (Cause.WATER_IN_OIL, _SOME, "Water in the oil shortens the life of bearings."),
    ),
    *_rules(
        (Look(_BUSHES, Word.INDENTED),),
        "ISO 15243:2017 5.5",
        (Cause.CONTAMINATION, _SOME, "Particles rolled over leave dents."),
        (Cause.OVER_PRESSURE, _SOME, "Overload leaves dents."),
    ),
    *_rules(
        (Look(_everywhere(Word.ELECTRIC_EROSION), Word.ELECTRIC_EROSION, Severity.POLISH),),
        "ISO 15243:2017 5.4",
        (Cause.STRAY_CURRENT, _STRONG, "Only current that passes through leaves such marks."),
    ),
    *_rules(
        (Look(_everywhere(Word.MICROPITTED), Word.MICROPITTED, Severity.POLISH),),
        "ISO 15243:2017 5.1, surface-initiated fatigue; from memory",
        (Cause.WRONG_VISCOSITY, _SOME, "A film of oil too thin lets the faces touch."),
    ),
)

_OTHER_FAMILY_RULES = (
    *_rules(
        (Look(_RING, Word.RIPPLED), Measured(Characteristic.RING_WEAR_STEP)),
        COMMON_PRACTICE,
        (Cause.OVER_PRESSURE, _SOME, "High pressure ripples the ring."),
        (Cause.WRONG_VISCOSITY, _SOME, "Oil too thin lets the vanes chatter."),
        (Cause.AERATION, _SOME, "Air lets the vanes bounce."),
    ),
    *_rules(
        (Look(_everywhere(Word.VANE_STICKS), Word.VANE_STICKS),),
        COMMON_PRACTICE,
        (Cause.CONTAMINATION, _SOME, "Dirt wedges a vane in its slot."),
        (Cause.OVERHEATING, _SOME, "Varnish from hot oil sticks a vane."),
    ),
    *_rules(
        (Look(_SHOES, Word.SHOE_ROLLED, Severity.POLISH),),
        COMMON_PRACTICE,
        (Cause.OVER_SPEED, _SOME, "Too fast, and the shoes are thrown off the plate."),
        (Cause.CAVITATION, _SOME, "Vacuum at the inlet lifts the shoes."),
        (Cause.CONTAMINATION, _SOME, "Dirt under a shoe tips it."),
    ),
    *_rules(
        (Look(_SHOES, Word.SHOE_LOOSE), Measured(Characteristic.SLIPPER_END_PLAY)),
        COMMON_PRACTICE,
        (Cause.OVER_SPEED, _SOME, "Too fast, and the shoes are pulled off their balls."),
        (Cause.CAVITATION, _SOME, "Vacuum at the inlet pulls at the shoes."),
    ),
    *_rules(
        (
            Measured(Characteristic.PISTON_TO_BORE),
            Measured(Characteristic.VANE_SLOT_GAP),
            Look(_SLIDING | _JOURNALS, Word.SCORED),
        ),
        COMMON_PRACTICE,
        (Cause.CONTAMINATION, _SOME, "Dirt opens close fits and scores what slides."),
    ),
    *_rules(
        (Look(_SLIDING | _JOURNALS, Word.ABRASIVE_WEAR, Severity.POLISH),),
        COMMON_PRACTICE,
        (Cause.CONTAMINATION, _STRONG, "Faces as if sandblasted are the work of fine dirt."),
    ),
    *_rules(
        (Look(_SHOES | _PLATES, Word.BLOCKED, Severity.POLISH),),
        COMMON_PRACTICE,
        (Cause.CONTAMINATION, _SOME, "Dirt blocks small holes."),
    ),
    *_rules(
        (Look(_SLIDING | _TOOTHED | _PLATES, Word.SCUFFED),),
        COMMON_PRACTICE,
        (Cause.WRONG_VISCOSITY, _SOME, "Oil too thin lets the faces scuff."),
    ),
    *_rules(
        (Look(_SLIDING | _PLATES, Word.SMEARED),),
        COMMON_PRACTICE,
        (Cause.DRY_START, _SOME, "Faces that run dry smear within minutes."),
    ),
)

_ANYWHERE_RULES = (
    *_rules(
        (Look(_everywhere(Word.EMBEDDED_GRIT), Word.EMBEDDED_GRIT, Severity.POLISH),),
        COMMON_PRACTICE,
        (Cause.CONTAMINATION, _STRONG, "The dirt itself is there."),
    ),
    *_rules(
        (Look(_everywhere(Word.CORROSION), Word.CORROSION, Severity.POLISH),),
        f"ISO 15243:2017 5.3 for bearings; else {COMMON_PRACTICE}",
        (Cause.WATER_IN_OIL, _STRONG, "Water rusts and etches."),
    ),
    *_rules(
        (Look(_everywhere(Word.VARNISH), Word.VARNISH, Severity.POLISH),),
        COMMON_PRACTICE,
        (Cause.OVERHEATING, _STRONG, "Oil that was too hot leaves a brown film."),
    ),
    *_rules(
        (Look(_everywhere(Word.SEIZED), Word.SEIZED, Severity.POLISH),),
        COMMON_PRACTICE,
        (Cause.DRY_START, _SOME, "A pump without oil seizes within the first minutes."),
    ),
    *_rules(
        (Look(_everywhere(Word.WRONG_WAY_ROUND), Word.WRONG_WAY_ROUND, Severity.POLISH),),
        WORDS[Word.WRONG_WAY_ROUND].source,
        (Cause.FITTING_DAMAGE, _STRONG, "Somebody fitted it so."),
    ),
)


def _seal(word: Word, *points: _Point) -> tuple[Rule, ...]:
    return _rules((Look(_SEALS, word, Severity.POLISH),), _SEAL_GUIDE, *points)


_SEAL_RULES = (
    *_seal(
        Word.COMPRESSION_SET,
        (Cause.OVERHEATING, _SOME, "Heat takes the spring out of a seal."),
        (Cause.WRONG_FLUID, _SOME, "So does a fluid that swells it."),
    ),
    *_seal(
        Word.EXTRUDED,
        (Cause.OVER_PRESSURE, _SOME, "Too much pressure pushes the seal into the gap."),
        (Cause.FITTING_DAMAGE, _SOME, "So it goes where a back-up ring was left out."),
    ),
    *_seal(Word.SPIRAL_CUTS, (Cause.FITTING_DAMAGE, _SOME, "A ring fitted twisted or dry.")),
    *_seal(
        Word.HARDENED,
        (Cause.OVERHEATING, _SOME, "Hot oil bakes a seal; an old one looks the same."),
    ),
    *_seal(
        Word.CHEMICAL_ATTACK,
        (Cause.WRONG_FLUID, _STRONG, "The fluid or a solvent does not suit the compound."),
    ),
    *_seal(
        Word.DECOMPRESSION_BLISTERS,
        (Cause.AERATION, _SOME, "Gas in the oil expands when the pressure drops."),
    ),
    *_seal(
        Word.NICKED,
        (Cause.FITTING_DAMAGE, _STRONG, "No tape, a sharp edge or no oil when it was fitted."),
    ),
    *_seal(
        Word.ABRADED,
        (Cause.CONTAMINATION, _SOME, "Dirty oil grinds the face; a rough shaft does it too."),
    ),
    *_seal(
        Word.LIP_TURNED,
        (Cause.FITTING_DAMAGE, _SOME, "A seal fitted the wrong way round."),
        (Cause.CASE_PRESSURE, _SOME, "A blocked drain presses the lip over."),
        (Cause.WRONG_ROTATION, _SOME, "Turned the wrong way, the seal takes the pressure."),
    ),
    *_seal(
        Word.LEAKED,
        (Cause.MISALIGNMENT, _SOME, "A shaft out of line wears its seal."),
        (Cause.CASE_PRESSURE, _SOME, "Pressure in the case pushes oil past the lip."),
    ),
)

_COMPLAINT_RULES = (
    *_rules(
        (Said("rattl"),),
        COMMON_PRACTICE,
        (Cause.CAVITATION, _SOME, "A starved pump sounds as if gravel ran through it."),
    ),
    *_rules((Said("foam"),), COMMON_PRACTICE, (Cause.AERATION, _STRONG, "Foam is air in the oil.")),
    *_rules(
        (Said("whin"), Said("spong")),
        COMMON_PRACTICE,
        (Cause.AERATION, _SOME, "Air whines as the pressure changes and makes motion spongy."),
    ),
    *_rules(
        (Said("milk"),), COMMON_PRACTICE, (Cause.WATER_IN_OIL, _STRONG, "Water makes oil milky.")
    ),
    *_rules(
        (Said("hot"), Said("overheat")),
        COMMON_PRACTICE,
        (Cause.OVERHEATING, _SOME, "The operator says so."),
        (Cause.WRONG_VISCOSITY, _SOME, "Oil too thin runs hot."),
    ),
)

RULES: tuple[Rule, ...] = (
    *_BODY_RULES,
    *_PLATE_AND_GEAR_RULES,
    *_SHAFT_AND_BEARING_RULES,
    *_OTHER_FAMILY_RULES,
    *_ANYWHERE_RULES,
    *_SEAL_RULES,
    *_COMPLAINT_RULES,
)


def _sound(components: frozenset[C]) -> Look:
    return Look(components, Word.NO_DEFECT, Severity.NONE)


AGAINST: tuple[Against, ...] = (
    Against(_sound(_PLATES), Cause.CONTAMINATION, "Dirty oil marks plates first.", COMMON_PRACTICE),
    Against(
        Measured(Characteristic.CUT_IN_DEPTH, Outcome.WITHIN),
        Cause.CONTAMINATION,
        "Dirty oil deepens the track.",
        _CUT_IN,
    ),
    Against(
        Look(_TOOTHED, Word.SHARP_EDGE, Severity.POLISH),
        Cause.CONTAMINATION,
        "A sharp face edge mills the plates without any dirt.",
        COMMON_PRACTICE,
    ),
    Against(_sound(_INLET), Cause.CAVITATION, "A starved inlet pits it.", COMMON_PRACTICE),
    Against(
        Measured(Characteristic.CUT_IN_DEPTH, Outcome.WITHIN),
        Cause.OVER_PRESSURE,
        "Too much pressure deepens the track.",
        _CUT_IN,
    ),
    Against(
        Measured(Characteristic.RING_WEAR_STEP, Outcome.WITHIN),
        Cause.OVER_PRESSURE,
        "Too much pressure ripples the ring.",
        COMMON_PRACTICE,
    ),
    Against(
        _sound(_BUSHES),
        Cause.MISALIGNMENT,
        "A drive out of line wears them on one side.",
        COMMON_PRACTICE,
    ),
    Against(_sound(_BUSHES), Cause.DRY_START, "A dry start smears them.", COMMON_PRACTICE),
    Against(_sound(_BUSHES), Cause.WATER_IN_OIL, "Water etches them first.", COMMON_PRACTICE),
    Against(_sound(_PLATES), Cause.OVERHEATING, "Heat colours the plates.", COMMON_PRACTICE),
)
