"""Lines of limit sheets for the tests of the fleet."""

from __future__ import annotations

from decimal import Decimal

from fleet.services.sheets import LineDraft

D = Decimal


def line(**fields: object) -> LineDraft:
    values: dict[str, object] = {
        "characteristic": "side_clearance",
        "component": "wear_plate_front",
        "judged_by": "each",
        "unit": "in",
        "page": "4-70",
        "limit_high": D("0.007"),
        "positions": ("drive 12 o'clock",),
        **fields,
    }
    return LineDraft(**values)  # type: ignore[arg-type]


def own_lines() -> list[LineDraft]:
    """A sheet with what no list holds: an own check twice, a sum of four, a borrowed spread."""
    return [
        line(unit="mm", limit_high=D("0.15"), positions=("drive 12", "drive 6", "idler 12")),
        line(
            characteristic="side_out_of_parallel",
            judged_by="spread",
            unit="mm",
            limit_high=D("0.03"),
            positions=("drive 12", "idler 12"),
            readings_from="side_clearance",
        ),
        line(
            characteristic="own",
            name="Side clearance, computed",
            component="gears",
            judged_by="difference",
            unit="mm",
            limit_low=D("-0.02"),
            limit_high=D("0.150"),
            positions=("drive", "idler"),
            terms=("housing depth", "gear width", "wear plate front", "wear plate rear"),
            allowance=D("0.250"),
        ),
        line(characteristic="own", name="Cover bow", component="housing_bore"),
        line(characteristic="own", name="Dowel wear", component="housing_bore"),
    ]
