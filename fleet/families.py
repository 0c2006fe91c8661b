"""Pump families and the components that each is stripped into, in the order of stripping.

Terms are those of the trade and of open standards (ISO 4391, ISO 5598). A wear plate is also
called thrust, side or pressure plate; a bush is a plain bearing; a hub is a journal.
"""

from __future__ import annotations

from enum import StrEnum


class PumpFamily(StrEnum):
    EXTERNAL_GEAR = "external_gear"
    INTERNAL_GEAR = "internal_gear"
    GEROTOR = "gerotor"
    VANE = "vane"
    AXIAL_PISTON = "axial_piston"

    @property
    def label(self) -> str:
        return _FAMILY_LABELS[self]


_FAMILY_LABELS = {
    PumpFamily.EXTERNAL_GEAR: "External gear pump",
    PumpFamily.INTERNAL_GEAR: "Internal gear pump, with crescent",
    PumpFamily.GEROTOR: "Internal gear pump, gerotor",
    PumpFamily.VANE: "Vane pump",
    PumpFamily.AXIAL_PISTON: "Axial piston pump",
}


class Rotation(StrEnum):
    """Which way the shaft turns, stated looking at the shaft end (common practice)."""

    CLOCKWISE = "clockwise"
    ANTICLOCKWISE = "anticlockwise"
    EITHER = "either"

    @property
    def label(self) -> str:
        return _ROTATION_LABELS[self]


_ROTATION_LABELS = {
    Rotation.CLOCKWISE: "Clockwise, looking at the shaft end",
    Rotation.ANTICLOCKWISE: "Anticlockwise, looking at the shaft end",
    Rotation.EITHER: "Either way",
}


class Component(StrEnum):
    """What is looked at, judged and decided on as one. Gears count as their pair."""

    SEALS = "seals"
    WEAR_PLATE_FRONT = "wear_plate_front"
    WEAR_PLATE_REAR = "wear_plate_rear"
    GEARS = "gears"
    SHAFTS = "shafts"
    BUSHES = "bushes"
    HOUSING_BORE = "housing_bore"
    INLET_PORT = "inlet_port"
    OUTLET_PORT = "outlet_port"
    INNER_GEAR = "inner_gear"
    OUTER_GEAR = "outer_gear"
    CRESCENT = "crescent"
    SHAFT = "shaft"
    BEARINGS = "bearings"
    HOUSING = "housing"
    SIDE_PLATE_FRONT = "side_plate_front"
    SIDE_PLATE_REAR = "side_plate_rear"
    ROTOR = "rotor"
    VANES = "vanes"
    CAM_RING = "cam_ring"
    VALVE_PLATE = "valve_plate"
    CYLINDER_BLOCK = "cylinder_block"
    PISTONS_AND_SHOES = "pistons_and_shoes"
    HOLD_DOWN_PINS = "hold_down_pins"
    SWASH_PLATE = "swash_plate"

    @property
    def label(self) -> str:
        return _COMPONENT_LABELS.get(self, self.value.replace("_", " ").capitalize())


_COMPONENT_LABELS = {
    Component.WEAR_PLATE_FRONT: "Wear plate, front",
    Component.WEAR_PLATE_REAR: "Wear plate, rear",
    Component.GEARS: "Gears (pair)",
    Component.SIDE_PLATE_FRONT: "Side plate, front",
    Component.SIDE_PLATE_REAR: "Side plate, rear",
    Component.HOLD_DOWN_PINS: "Hold-down pins",
}

COMPONENTS: dict[PumpFamily, tuple[Component, ...]] = {
    PumpFamily.EXTERNAL_GEAR: (
        Component.SEALS, Component.WEAR_PLATE_FRONT, Component.WEAR_PLATE_REAR, Component.GEARS,
        Component.SHAFTS, Component.BUSHES, Component.HOUSING_BORE, Component.INLET_PORT,
        Component.OUTLET_PORT,
    ),
    PumpFamily.INTERNAL_GEAR: (
        Component.SEALS, Component.INNER_GEAR, Component.OUTER_GEAR, Component.CRESCENT,
        Component.SHAFT, Component.BUSHES, Component.HOUSING_BORE, Component.INLET_PORT,
        Component.OUTLET_PORT,
    ),
    PumpFamily.GEROTOR: (
        Component.SEALS, Component.INNER_GEAR, Component.OUTER_GEAR, Component.SHAFT,
        Component.BUSHES, Component.HOUSING_BORE, Component.INLET_PORT, Component.OUTLET_PORT,
    ),
    PumpFamily.VANE: (
        Component.SEALS, Component.SIDE_PLATE_FRONT, Component.SIDE_PLATE_REAR, Component.ROTOR,
        Component.VANES, Component.CAM_RING, Component.SHAFT, Component.BEARINGS,
        Component.HOUSING, Component.INLET_PORT, Component.OUTLET_PORT,
    ),
    PumpFamily.AXIAL_PISTON: (
        Component.SEALS, Component.VALVE_PLATE, Component.CYLINDER_BLOCK,
        Component.PISTONS_AND_SHOES, Component.HOLD_DOWN_PINS, Component.SWASH_PLATE,
        Component.SHAFT, Component.BEARINGS, Component.HOUSING, Component.INLET_PORT,
        Component.OUTLET_PORT,
    ),
}  # fmt: skip
