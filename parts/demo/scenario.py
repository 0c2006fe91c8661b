"""The invented scenario: three sites, their people, six pump models, sheets, parts and stock.

Every maker, person, place, number and limit here is made up; the limits lie in the ranges that
such pumps usually have and belong to no real pump.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal as D
from typing import Any

from fleet.leaks import LeakPathDraft
from fleet.limits import JudgedBy
from fleet.roles import Role
from fleet.services.sheets import LineDraft
from fleet.units import LengthUnit
from fleet.vocabulary import (
    CHARACTERISTICS,
    COMPONENTS,
    Characteristic,
    Component,
    InstrumentKind,
    LeakShape,
    PumpFamily,
    Rotation,
)

PASSWORD = "straight-edge-20"  # noqa: S105 (the demo's, printed at its start)

SITES = (
    ("quarry-north", "Quarry North"),
    ("harbour-yard", "Harbour Yard"),
    ("forest-mill", "Forest Mill"),
)


@dataclass(frozen=True)
class Person:
    username: str
    full_name: str
    # Site, role there, and whether as a trainee.
    places: tuple[tuple[str, Role, bool], ...]


def _at(role: Role, *sites: str, trainee: bool = False) -> tuple[tuple[str, Role, bool], ...]:
    return tuple((site, role, trainee) for site in sites)


_ALL = tuple(code for code, _ in SITES)

PEOPLE = (
    Person("manager", "Mara Holt", _at(Role.MAINTENANCE_MANAGER, *_ALL)),
    Person("trainee", "Jon Pell", _at(Role.TECHNICIAN, "quarry-north", trainee=True)),
    Person("technician", "Lena Marsh", _at(Role.TECHNICIAN, "quarry-north")),
    Person("competent", "Ines Farrow", _at(Role.COMPETENT_PERSON, "quarry-north", "harbour-yard")),
    Person("supervisor", "Tom Brandt", _at(Role.SUPERVISOR, *_ALL)),
    Person("clerk", "Oskar Reed", _at(Role.STORES_CLERK, "quarry-north")),
    Person("harbour-technician", "Emil Strand", _at(Role.TECHNICIAN, "harbour-yard")),
    Person("harbour-clerk", "Bo Tarn", _at(Role.STORES_CLERK, "harbour-yard")),
    Person("mill-trainee", "Iris Kemp", _at(Role.TECHNICIAN, "forest-mill", trainee=True)),
    Person("mill-competent", "Hugo Lind", _at(Role.COMPETENT_PERSON, "forest-mill")),
    Person("mill-clerk", "Vera Stone", _at(Role.STORES_CLERK, "forest-mill")),
    Person("gateway", "Reading gateway", _at(Role.INTEGRATOR, *_ALL)),
    Person("auditor", "Ruth Calder", _at(Role.AUDITOR, *_ALL)),
)


@dataclass(frozen=True)
class Bench:
    """Who works, countersigns and hands out parts at a site."""

    technicians: tuple[str, ...]
    competent: str
    clerk: str


BENCHES = {
    "quarry-north": Bench(("trainee", "technician"), "competent", "clerk"),
    "harbour-yard": Bench(("harbour-technician",), "competent", "harbour-clerk"),
    "forest-mill": Bench(("mill-trainee",), "mill-competent", "mill-clerk"),
}

_MM, _INCH = LengthUnit.MM, LengthUnit.INCH


@dataclass(frozen=True)
class Model:
    """A pump model, its sheets (oldest first, the last in force), and how many pumps it has."""

    key: str
    fields: dict[str, Any]
    sheets: tuple[tuple[str, str, tuple[LineDraft, ...]], ...]
    pumps: int
    tag: str
    machines: tuple[str, ...]
    # Hours from new to a service limit, for the check that gets there first.
    life_h: int


def _line(
    characteristic: Characteristic,
    component: Component,
    page: str,
    *,
    low: str | None = None,
    high: str | None = None,
    new: tuple[str | None, str | None] = (None, None),
    positions: tuple[str, ...],
    judged_by: JudgedBy = JudgedBy.EACH,
    instrument: InstrumentKind = InstrumentKind.FEELER,
    unit: LengthUnit = _MM,
    also: tuple[LengthUnit, str | None, str | None] | None = None,
    required: bool = True,
    terms: tuple[str, ...] | None = None,
    allowance: str | None = None,
    readings_from: Characteristic | None = None,
    name: str = "",
) -> LineDraft:
    usual = CHARACTERISTICS[characteristic].terms if terms is None else terms
    return LineDraft(
        characteristic=characteristic.value,
        component=component.value,
        judged_by=judged_by.value,
        unit=unit.value,
        page=page,
        required=required,
        instrument_kind=instrument.value,
        limit_low=D(low) if low else None,
        limit_high=D(high) if high else None,
        new_low=D(new[0]) if new[0] else None,
        new_high=D(new[1]) if new[1] else None,
        also_unit=also[0].value if also else "",
        also_limit_low=D(also[1]) if also and also[1] else None,
        also_limit_high=D(also[2]) if also and also[2] else None,
        positions=positions,
        terms=usual if judged_by is JudgedBy.DIFFERENCE else (),
        allowance=D(allowance) if allowance else None,
        readings_from=readings_from.value if readings_from else "",
        name=name,
    )


def _not_applicable(
    characteristic: Characteristic, component: Component, page: str, reason: str
) -> LineDraft:
    return LineDraft(
        characteristic=characteristic.value,
        component=component.value,
        judged_by=JudgedBy.NOT_APPLICABLE.value,
        unit=_MM.value,
        page=page,
        required=False,
        not_applicable_reason=reason,
    )


_Ch, _Co, _By, _In = Characteristic, Component, JudgedBy, InstrumentKind
_GEARS_ROUND = ("drive 12 o'clock", "drive 6 o'clock", "idler 12 o'clock", "idler 6 o'clock")
_SECTORS = ("drive middle", "drive outlet", "idler middle", "idler outlet")


def _small_gear(side_limit: str, also: str) -> tuple[LineDraft, ...]:
    return (
        _line(_Ch.SIDE_CLEARANCE, _Co.WEAR_PLATE_FRONT, "14", high=side_limit,
              new=("0.04", "0.08"), positions=_GEARS_ROUND, also=(_INCH, None, also)),
        _line(_Ch.SIDE_OUT_OF_PARALLEL, _Co.WEAR_PLATE_FRONT, "14", high="0.10",
              positions=_GEARS_ROUND, judged_by=_By.SPREAD,
              readings_from=_Ch.SIDE_CLEARANCE, required=False),
        _line(_Ch.TIP_CLEARANCE, _Co.GEARS, "14", high="0.18", new=("0.08", "0.12"),
              positions=_SECTORS, also=(_INCH, None, "0.007")),
        _line(_Ch.BACKLASH, _Co.GEARS, "15", low="0.08", high="0.46", new=("0.10", "0.20"),
              positions=("mesh 0°", "mesh 180°"), also=(_INCH, "0.003", "0.018")),
        _line(_Ch.SHAFT_TO_BUSH, _Co.BUSHES, "16", high="0.110", new=("0.030", "0.060"),
              positions=("drive front", "drive rear", "idler front", "idler rear"),
              judged_by=_By.DIFFERENCE, instrument=_In.BORE_GAUGE),
        _line(_Ch.GEAR_WIDTH_MATCH, _Co.GEARS, "16", high="0.005", positions=("drive", "idler"),
              judged_by=_By.SPREAD, instrument=_In.MICROMETER, also=(_INCH, None, "0.0002")),
        _line(_Ch.CUT_IN_DEPTH, _Co.HOUSING_BORE, "17", high="0.127",
              positions=("drive centre", "idler centre"), judged_by=_By.LEAF_ENTERS,
              also=(_INCH, None, "0.005")),
        _line(_Ch.PLATE_THICKNESS, _Co.WEAR_PLATE_FRONT, "18", low="7.949",
              new=("7.990", "8.010"), positions=("place 1", "place 3"), instrument=_In.MICROMETER),
        _line(_Ch.PLATE_THICKNESS, _Co.WEAR_PLATE_REAR, "18", low="7.949",
              new=("7.990", "8.010"), positions=("place 1", "place 3"), instrument=_In.MICROMETER),
        _line(_Ch.SHAFT_RUN_OUT, _Co.SHAFTS, "19", high="0.06", new=(None, "0.03"),
              positions=("seal track",), instrument=_In.DIAL),
    )  # fmt: skip


_LARGE_GEAR = (
    _not_applicable(_Ch.SIDE_CLEARANCE, _Co.WEAR_PLATE_FRONT, "3-7",
                    "The plates are pressure-loaded: the gap at rest is not the running gap. "
                    "Judge the plates by their wear."),
    _line(_Ch.PLATE_WEAR, _Co.WEAR_PLATE_FRONT, "3-8", high="0.002", unit=_INCH,
          positions=("front", "rear"), judged_by=_By.DIFFERENCE, instrument=_In.MICROMETER,
          also=(_MM, None, "0.051")),
    _line(_Ch.TIP_CLEARANCE, _Co.GEARS, "3-8", high="0.007", new=("0.004", "0.005"), unit=_INCH,
          positions=_SECTORS, also=(_MM, None, "0.18")),
    _line(_Ch.BACKLASH, _Co.GEARS, "3-9", low="0.003", high="0.018", new=("0.004", "0.008"),
          unit=_INCH, positions=("mesh 0°", "mesh 180°"), also=(_MM, "0.08", "0.46")),
    _line(_Ch.CUT_IN_DEPTH, _Co.HOUSING_BORE, "3-9", high="0.007", unit=_INCH,
          positions=("drive centre", "idler centre"), judged_by=_By.LEAF_ENTERS,
          also=(_MM, None, "0.178")),
    _line(_Ch.JOURNAL_SPREAD, _Co.SHAFTS, "3-10", high="0.001", unit=_INCH,
          positions=("near gear 0°", "far end 0°"), judged_by=_By.SPREAD,
          instrument=_In.MICROMETER),
)  # fmt: skip

_INTERNAL = (
    _line(_Ch.GEAR_SET_SIDE_CLEARANCE, _Co.INNER_GEAR, "9", high="0.15", new=("0.03", "0.09"),
          positions=("inner gear", "outer gear")),
    _line(_Ch.OUTER_GEAR_TO_BODY, _Co.OUTER_GEAR, "9", high="0.25", new=("0.10", "0.18"),
          positions=("inlet side", "outlet side")),
    _line(_Ch.SHAFT_TO_BUSH, _Co.BUSHES, "10", high="0.120", new=("0.030", "0.070"),
          positions=("front", "rear"), judged_by=_By.DIFFERENCE, instrument=_In.BORE_GAUGE),
    _line(_Ch.SHAFT_RUN_OUT, _Co.SHAFT, "10", high="0.06", new=(None, "0.03"),
          positions=("seal track",), instrument=_In.DIAL),
)  # fmt: skip

# The side clearance is computed: what the pocket leaves over the gear, and what the gasket adds.
_GEROTOR = (
    _line(_Ch.GEAR_SET_SIDE_CLEARANCE, _Co.OUTER_GEAR, "6", high="0.127", new=("0.030", "0.080"),
          positions=("inner gear", "outer gear"), judged_by=_By.DIFFERENCE,
          instrument=_In.DEPTH_MICROMETER, terms=("pocket depth", "gear width"),
          allowance="0.05", also=(_INCH, None, "0.005")),
    _line(_Ch.ROTOR_TIP_CLEARANCE, _Co.INNER_GEAR, "6", high="0.178", new=("0.05", "0.10"),
          positions=("place 1", "place 3"), also=(_INCH, None, "0.007")),
    _line(_Ch.OUTER_GEAR_TO_BODY, _Co.OUTER_GEAR, "7", high="0.38", new=("0.10", "0.20"),
          positions=("12 o'clock", "6 o'clock"), also=(_INCH, None, "0.015")),
    _line(_Ch.SHAFT_TO_BUSH, _Co.BUSHES, "7", high="0.100", new=("0.030", "0.060"),
          positions=("front", "rear"), judged_by=_By.DIFFERENCE, instrument=_In.BORE_GAUGE),
)  # fmt: skip

_VANE = (
    _line(_Ch.VANE_SLOT_GAP, _Co.VANES, "22", high="0.05", new=("0.010", "0.025"),
          positions=("slot 1", "slot 4", "slot 7"), required=False),
    _line(_Ch.ROTOR_SIDE_CLEARANCE, _Co.ROTOR, "22", high="0.070", new=("0.020", "0.050"),
          positions=("place 1", "place 3"), judged_by=_By.DIFFERENCE, instrument=_In.MICROMETER),
    _line(_Ch.RING_WEAR_STEP, _Co.CAM_RING, "23", high="0.02",
          positions=("inlet ramp 1", "inlet ramp 2"), instrument=_In.DIAL),
    _line(_Ch.SHAFT_TO_BUSH, _Co.BEARINGS, "23", high="0.070", new=("0.030", "0.050"),
          positions=("front", "rear"), judged_by=_By.DIFFERENCE, instrument=_In.BORE_GAUGE),
)  # fmt: skip

_PISTON = (
    _line(_Ch.SLIPPER_END_PLAY, _Co.PISTONS_AND_SHOES, "41", high="0.127",
          positions=("piston 1", "piston 4", "piston 7"), instrument=_In.DIAL,
          also=(_INCH, None, "0.005")),
    _line(_Ch.PISTON_TO_BORE, _Co.PISTONS_AND_SHOES, "42", high="0.060", new=("0.010", "0.040"),
          positions=("piston 1", "piston 4", "piston 7"), judged_by=_By.DIFFERENCE,
          instrument=_In.BORE_GAUGE),
    _line(_Ch.VALVE_PLATE_FLATNESS, _Co.VALVE_PLATE, "43", high="0.005", positions=("face",),
          instrument=_In.DIAL, required=False),
    _line(_Ch.SHOE_THICKNESS_SPREAD, _Co.PISTONS_AND_SHOES, "43", high="0.025",
          positions=("piston 1", "piston 4", "piston 7"), judged_by=_By.SPREAD,
          instrument=_In.MICROMETER),
    _line(_Ch.OWN, _Co.CYLINDER_BLOCK, "44", low="41.50", new=(None, "42.00"),
          positions=("spring",), instrument=_In.MICROMETER, required=False,
          name="Free length of the block spring"),
)  # fmt: skip


def _fields(maker: str, designation: str, family: PumpFamily, **more: Any) -> dict[str, Any]:
    return {
        "maker": maker,
        "designation": designation,
        "family": family.value,
        "rotation": Rotation.CLOCKWISE.value,
        "oil_grade_vg": 46,
        **more,
    }


MODELS = (
    Model("G2", _fields("Ostermoor", "G2-32", PumpFamily.EXTERNAL_GEAR, displacement_cm3=D("32.0"),
                        rated_pressure_bar=D(20), speed_min_rpm=500, speed_max_rpm=2500,
                        mass_kg=D("12.5")),
          (("A", "G2 workshop manual, edition 3", _small_gear("0.16", "0.006")),
           ("B", "G2 workshop manual, edition 4", _small_gear("0.15", "0.006"))),
          26, "GP", ("Crusher", "Conveyor lift", "Gate", "Mill gearbox"), 9000),
    Model("G3", _fields("Ostermoor", "G3-63", PumpFamily.EXTERNAL_GEAR, displacement_cm3=D("63.4"),
                        rated_pressure_bar=D(175), speed_min_rpm=400, speed_max_rpm=2000,
                        mass_kg=D("24.0"), body_replaceable=True,
                        rotation=Rotation.ANTICLOCKWISE.value),
          (("1", "G3 service book, issue 1", _LARGE_GEAR),),
          14, "GL", ("Press", "Winch", "Excavator", "Crane"), 11000),
    Model("R4", _fields("Brackfen", "R4-40", PumpFamily.INTERNAL_GEAR, displacement_cm3=D("40.2"),
                        rated_pressure_bar=D(120), speed_min_rpm=300, speed_max_rpm=3000,
                        mass_kg=D("9.8"), oil_grade_vg=68),
          (("2", "R4 instructions 1184", _INTERNAL),),
          8, "IG", ("Lubrication unit", "Saw line", "Debarker"), 14000),
    Model("T6", _fields("Brackfen", "T6-16", PumpFamily.GEROTOR, displacement_cm3=D("16.1"),
                        rated_pressure_bar=D(70), speed_min_rpm=300, speed_max_rpm=3000,
                        mass_kg=D("5.4"), oil_grade_vg=68),
          (("1", "T6 service sheet", _GEROTOR),),
          5, "GR", ("Gearbox lubrication", "Steering aid"), 12000),
    Model("V8", _fields("Tellerby", "V8-82", PumpFamily.VANE, displacement_cm3=D("82.6"),
                        rated_pressure_bar=D(160), speed_min_rpm=600, speed_max_rpm=1800,
                        mass_kg=D("21.0")),
          (("C", "V8 repair guide, part C", _VANE),),
          7, "VP", ("Clamp", "Steering gear", "Log turner"), 12000),
    Model("K7", _fields("Quenlow", "K7-71", PumpFamily.AXIAL_PISTON, displacement_cm3=D("71.0"),
                        rated_pressure_bar=D(350), speed_min_rpm=500, speed_max_rpm=2600,
                        mass_kg=D("38.0"), oil_grade_vg=32),
          (("A", "K7 overhaul manual", _PISTON),),
          5, "AP", ("Drill rig", "Main hoist"), 13000),
)  # fmt: skip

# Where the clearances of a model leak, in mm: shape, and what it takes.
LEAK_PATHS: dict[str, tuple[LeakPathDraft, ...]] = {
    "G2": (
        LeakPathDraft(_Ch.SIDE_CLEARANCE.value, LeakShape.SLOT.value, count=2,
                      width_mm=D(34), length_mm=D(12)),
        LeakPathDraft(_Ch.TIP_CLEARANCE.value, LeakShape.SLOT.value, count=2,
                      width_mm=D(21), length_mm=D(14)),
        LeakPathDraft(_Ch.SHAFT_TO_BUSH.value, LeakShape.ANNULUS.value, count=4,
                      gap_factor=D("0.5"), diameter_mm=D(20), length_mm=D(22),
                      eccentricity=D("0.6")),
    ),
    "V8": (
        LeakPathDraft(_Ch.ROTOR_SIDE_CLEARANCE.value, LeakShape.DISC.value, count=2,
                      gap_factor=D("0.5"), diameter_mm=D(64), inner_diameter_mm=D(36)),
    ),
    "K7": (
        LeakPathDraft(_Ch.PISTON_TO_BORE.value, LeakShape.ANNULUS.value, count=9,
                      gap_factor=D("0.5"), diameter_mm=D(20), length_mm=D(30),
                      eccentricity=D(1)),
    ),
}  # fmt: skip

# Seals are a kit; the kit's contents are parts of the catalogue as well.
KIT_CONTENTS = (
    ("SHAFT-SEAL", "shaft seal", 1),
    ("O-RING", "O-ring", 4),
    ("BACK-UP", "back-up ring", 2),
)

_NAMES = {
    Component.WEAR_PLATE_FRONT: ("PLATE", "wear plate", 1),
    Component.WEAR_PLATE_REAR: ("PLATE", "wear plate", 1),
    Component.SIDE_PLATE_FRONT: ("PLATE", "side plate", 1),
    Component.SIDE_PLATE_REAR: ("PLATE", "side plate", 1),
    Component.GEARS: ("GEARS", "gear pair", 1),
    Component.INNER_GEAR: ("GEARS", "inner and outer gear", 1),
    Component.SHAFTS: ("SHAFT", "shaft", 1),
    Component.SHAFT: ("SHAFT", "shaft", 1),
    Component.BUSHES: ("BUSH", "bush", 4),
    Component.BEARINGS: ("BEARING", "bearing", 2),
    Component.ROTOR: ("ROTOR", "rotor", 1),
    Component.VANES: ("VANES", "vane set", 1),
    Component.CAM_RING: ("RING", "cam ring", 1),
    Component.VALVE_PLATE: ("VALVE-PLATE", "valve plate", 1),
    Component.CYLINDER_BLOCK: ("BLOCK", "cylinder block", 1),
    Component.PISTONS_AND_SHOES: ("PISTONS", "pistons with shoes, set", 1),
    Component.HOLD_DOWN_PINS: ("PINS", "hold-down pins, set", 1),
    Component.SWASH_PLATE: ("SWASH", "swash plate", 1),
}

# Months from cure to expiry of what is rubber; the rest does not age.
SEAL_SHELF_LIFE_MONTHS = 60

# The maker's newer number for an old one.
SUPERSEDED = {"G2-BUSH": "G2-BUSH-2"}


@dataclass(frozen=True)
class StorePlace:
    """Where a store stands, what it counts in, and what an hour at its bench costs."""

    latitude_deg: D
    longitude_deg: D
    currency: str
    labour_rate: D


STORES = {
    "quarry-north": StorePlace(D("61.20"), D("14.60"), "EUR", D(58)),
    "harbour-yard": StorePlace(D("60.65"), D("17.10"), "EUR", D(54)),
    "forest-mill": StorePlace(D("62.40"), D("16.90"), "SEK", D(610)),
}


# What a euro is worth where it is counted in something else.
WORTH = {"EUR": D(1), "SEK": D("11.20")}


@dataclass(frozen=True)
class Seller:
    """A supplier: what he sells, how dear, how soon."""

    name: str
    email: str
    prefix: str
    lead_days: int
    price_factor: D
    preferred: bool
    minimum_order_value: D
    suffixes: tuple[str, ...] = ()

    def sells(self, number: str) -> bool:
        return number not in SUPERSEDED and (not self.suffixes or number.endswith(self.suffixes))

    def pack_of(self, number: str) -> int:
        return 10 if number.endswith("O-RING") else 2 if number.endswith(("BUSH", "PLATE")) else 1


SUPPLIERS = (
    Seller("Pumpwright Spares", "orders@pumpwright.example", "PW", 21, D(1), preferred=True,
           minimum_order_value=D(150)),
    Seller("Lowfield Seals", "desk@lowfield.example", "LS-", 9, D("1.15"), preferred=False,
           minimum_order_value=D(40), suffixes=("SEAL-KIT", "SHAFT-SEAL", "O-RING", "BACK-UP")),
)  # fmt: skip

_PRICES = {
    "SEAL-KIT": "64", "SHAFT-SEAL": "22", "O-RING": "1.40", "BACK-UP": "2.10", "PLATE": "88",
    "GEARS": "410", "SHAFT": "260", "BUSH": "31", "BUSH-2": "34", "BEARING": "47", "ROTOR": "380",
    "VANES": "190", "RING": "340", "VALVE-PLATE": "420", "BLOCK": "1450", "PISTONS": "980",
    "PINS": "75", "SWASH": "690", "BODY": "720",
}  # fmt: skip


def price_of(number: str) -> D:
    """What a piece costs, in euros; dearer for the larger models."""
    model, _, suffix = number.partition("-")
    dearer = {"G3": D("1.6"), "V8": D("1.3"), "K7": D("2.2")}.get(model, D(1))
    return (D(_PRICES[suffix]) * dearer).quantize(D("0.01"))


def parts_of(model: Model) -> dict[Component, tuple[str, str, int]]:
    """Number, name and quantity of the part that renews each component; some have none on file."""
    family = PumpFamily(model.fields["family"])
    found = {Component.SEALS: (f"{model.key}-SEAL-KIT", f"{model.key} seal kit", 1)}
    for component in COMPONENTS[family]:
        if component in _NAMES:
            suffix, name, quantity = _NAMES[component]
            found[component] = (f"{model.key}-{suffix}", f"{model.key} {name}", quantity)
    if model.fields.get("body_replaceable"):
        found[Component.HOUSING_BORE] = (f"{model.key}-BODY", f"{model.key} body", 1)
    return found
