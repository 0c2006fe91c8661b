"""Every address of the API, with what it is to others and what it takes.

An address that is not in this table fails tests/api/test_isolation.py.
"""

from __future__ import annotations

from typing import Any

from tests import factories
from tests.inspections.http import isolation, leaves
from tests.isolation_kinds import (
    BODY,
    INSTRUMENT,
    LIST,
    OWN,
    SHARED,
    SITE,
    WHY,
    C,
    Route,
    Seen,
    route,
)
from tests.isolation_stores import STORES
from tests.isolation_world import World, csv_file, picture_file, pump_file


def new_model() -> dict[str, Any]:
    return {
        "maker": "Ostermoor",
        "designation": f"G3-{factories.number()}",
        "family": "external_gear",
        "displacement_cm3": "16",
        "rated_pressure_bar": "180",
        "speed_min_rpm": 500,
        "speed_max_rpm": 2500,
        "rotation": "clockwise",
        "oil_grade_vg": 46,
    }


SHEET_LINE = {
    "characteristic": "backlash",
    "component": "gears",
    "judged_by": "each",
    "unit": "mm",
    "limit_high": "0.46",
    "positions": ["mesh 0"],
    "page": "14",
}
LEAK_PATH = {
    "characteristic": "side_clearance",
    "shape": "slot",
    "count": 4,
    "gap_factor": "0.5",
    "width_mm": "30",
    "length_mm": "9",
}
DRAFT_FILE = (
    "maker,designation,revision,document,characteristic,component,judged_by,unit,limit_low,"
    "limit_high,positions,terms,page,not_applicable_reason\n"
    "{model.maker},{model.designation},file,Sheet 9,backlash,gears,each,mm,,0.46,mesh 0,,3,\n"
)


def new_pump(world: World) -> dict[str, Any]:
    n = factories.number()
    return {
        "site": world.site.pk,
        "model": world.model.pk,
        "tag": f"New-{n}",
        "serial": f"New-{n}",
        "machine": "Dumper 3",
    }


def new_instrument(world: World) -> dict[str, Any]:
    return {
        "site": world.site.pk,
        "identity": f"MC-new-{factories.number()}",
        "name": "Micrometer",
        "kind": "micrometer",
        "unit": "mm",
        "resolution": "0.001",
    }


def new_study(world: World) -> dict[str, Any]:
    return {
        "site": world.site.pk,
        "characteristic": "backlash",
        "instrument_kind": "feeler",
        "unit": "mm",
        "people": [world.technician.pk, world.trainee.pk],
        "parts": ["HP-1", "HP-2"],
        "trials": 2,
    }


def study_reading(world: World) -> dict[str, Any]:
    place = {"person": world.technician.pk, "part": world.study.parts[0], "trial": 1}
    return {
        "instrument": world.instrument.pk,
        "entries": [{**place, "low": "0.07", "high": "0.08"}],
    }


def at_line(world: World) -> dict[str, Any]:
    return {"line": world.line.pk, "position": world.line.positions[0]}


def with_set(world: World) -> dict[str, Any]:
    return {**at_line(world), "instrument": world.instrument.pk}


def one_leaf(world: World) -> dict[str, Any]:
    tried: dict[str, Any] = leaves(world.line.pk, world.instrument.pk, ("0.10", "drag"))
    return tried


def diameter(world: World) -> dict[str, Any]:
    return {
        "line": world.widths_line.pk,
        "position": world.widths_line.positions[0],
        "instrument": world.micrometer.pk,
        "value": "25.001",
        "unit": "mm",
    }


_FLEET = (
    route("get", "export-pumps", seen=LIST, needs=[C.EXPORT]),
    route("get", "export-pump-models", seen=SHARED, needs=[C.EXPORT]),
    route("get", "export-limit-sheets", seen=SHARED, needs=[C.EXPORT]),
    route("get", "site-list", seen=LIST),
    # The new site is the sender's own; it takes the capability at any site.
    route(
        "post",
        "site-list",
        seen=SHARED,
        needs=[C.KEEP_PEOPLE],
        body=lambda w: {"code": f"new-{(n := factories.number())}", "name": f"New yard {n}"},
    ),
    route("get", "site-detail", "site"),
    route(
        "post",
        "person-list",
        seen=BODY,
        needs=[C.KEEP_PEOPLE],
        body=lambda w: {
            "site": w.site.pk,
            "username": f"new-{(n := factories.number())}",
            "full_name": f"New person {n}",
            "roles": ["technician"],
        },
        foreign=SITE,
    ),
    route("get", "membership-list", seen=LIST),
    route(
        "post",
        "membership-list",
        seen=BODY,
        needs=[C.KEEP_PEOPLE],
        body=lambda w: {"site": w.site.pk, "username": w.technician.username, "role": "auditor"},
        foreign=SITE,
    ),
    route("get", "membership-detail", "membership"),
    route("delete", "membership-detail", "membership", needs=[C.KEEP_PEOPLE]),
    route("get", "token-list", seen=LIST),
    route(
        "post",
        "token-list",
        seen=OWN,
        body=lambda w: {"name": "Gateway", "expires_at": "2099-01-01T00:00:00Z"},
    ),
    # A token is its owner's alone: colleagues of the same site do not see it either.
    route("get", "token-detail", "token", seen=OWN),
    route("delete", "token-detail", "token", seen=OWN),
    route("get", "pump-model-list", seen=SHARED),
    route(
        "post",
        "pump-model-list",
        seen=SHARED,
        needs=[C.KEEP_REGISTER],
        body=lambda w: new_model(),
    ),
    route("get", "pump-model-detail", "model", seen=SHARED),
    route(
        "patch",
        "pump-model-detail",
        "model",
        seen=SHARED,
        needs=[C.KEEP_REGISTER],
        body=lambda w: {"mass_kg": "14.1"},
    ),
    route("get", "pump-model-leak-paths", "model", seen=SHARED),
    route(
        "put",
        "pump-model-leak-paths",
        "model",
        seen=SHARED,
        needs=[C.KEEP_REGISTER],
        body=lambda w: {"paths": [LEAK_PATH]},
    ),
    route("get", "limit-sheet-list", seen=SHARED),
    route(
        "post",
        "limit-sheet-list",
        seen=SHARED,
        needs=[C.DRAFT_LIMITS],
        body=lambda w: {"model": w.model.pk, "revision": "x", "document": "Sheet 7"},
    ),
    route("get", "limit-sheet-detail", "sheet", seen=SHARED),
    route("post", "limit-sheet-issue", "draft_sheet", seen=SHARED, needs=[C.ISSUE_LIMITS]),
    route(
        "put",
        "limit-sheet-lines",
        "draft_sheet",
        seen=SHARED,
        needs=[C.DRAFT_LIMITS],
        body=lambda w: {"lines": [SHEET_LINE]},
    ),
    route(
        "post",
        "limit-sheet-revision",
        "sheet",
        seen=SHARED,
        needs=[C.DRAFT_LIMITS],
        body=lambda w: {"revision": "y"},
    ),
    route("get", "limit-sheet-rules", "sheet", seen=SHARED),
    route(
        "post",
        "limit-sheet-rules",
        "sheet",
        seen=SHARED,
        needs=[C.ISSUE_LIMITS],
        body=lambda w: {"kind": "probability", "why": "As agreed"},
    ),
    route("get", "pump-list", seen=LIST),
    route("post", "pump-list", seen=BODY, needs=[C.KEEP_REGISTER], body=new_pump, foreign=SITE),
    route("get", "pump-detail", "pump"),
    route(
        "patch", "pump-detail", "pump", needs=[C.KEEP_REGISTER], body=lambda w: {"machine": "M 9"}
    ),
    route("get", "pump-history", "pump"),
    route(
        "post", "pump-hours", "pump", needs=[C.RECORD_HOURS], body=lambda w: {"meter_h": "1201.5"}
    ),
    route(
        "post",
        "pump-moves",
        "pump",
        needs=[C.MOVE_PUMPS],
        body=lambda w: {"to_site": w.second.pk, **WHY},
        foreign={"to_site": "second"},
    ),
    route(
        "post",
        "pump-set-status",
        "pump",
        needs=[C.KEEP_REGISTER],
        body=lambda w: {"status": "spare", **WHY},
    ),
    route("get", "import-list", seen=LIST),
    route(
        "post",
        "import-list",
        seen=BODY,
        needs=[C.KEEP_REGISTER],
        body=lambda w: {
            "site": w.site.pk,
            "kind": "pumps",
            "file": csv_file(pump_file(w.model, f"F-{factories.number()}")),
        },
        foreign=SITE,
        files=True,
    ),
    route(
        "post",
        "import-list",
        seen=BODY,
        needs=[C.DRAFT_LIMITS],
        body=lambda w: {
            "site": w.site.pk,
            "kind": "sheets",
            "file": csv_file(DRAFT_FILE.format(model=w.model).encode()),
        },
        foreign=SITE,
        files=True,
    ),
    # Reading a draft tries it again, which takes what taking it over takes.
    route("get", "import-detail", "import_draft", needs=[C.KEEP_REGISTER]),
    route("post", "import-application", "import_draft", needs=[C.KEEP_REGISTER], files=True),
)

_INSPECTIONS = (
    # The standard's usual lists of leaves: nobody's data.
    route("get", "leaf-sets", seen=Seen.OPEN),
    route("get", "instrument-list", seen=LIST),
    route(
        "post",
        "instrument-list",
        seen=BODY,
        needs=[C.KEEP_INSTRUMENTS],
        body=new_instrument,
        foreign=SITE,
    ),
    route("get", "instrument-detail", "instrument"),
    route("post", "instrument-withdrawal", "instrument", needs=[C.KEEP_INSTRUMENTS]),
    route("post", "instrument-reinstatement", "withdrawn", needs=[C.KEEP_INSTRUMENTS]),
    route(
        "post",
        "instrument-calibration",
        "instrument",
        needs=[C.KEEP_INSTRUMENTS],
        body=lambda w: {"due_on": "2099-01-31", "permissible_error": "0.004"},
    ),
    route(
        "post",
        "instrument-leaves",
        "instrument",
        needs=[C.KEEP_INSTRUMENTS],
        body=lambda w: {"leaf": "0.55"},
    ),
    route("get", "instrument-leaf-withdrawals", "instrument"),
    route(
        "post",
        "instrument-leaf-withdrawals",
        "instrument",
        needs=[C.KEEP_INSTRUMENTS],
        body=lambda w: {"leaf": "0.10", "why": "Bent"},
    ),
    route("get", "instrument-readings", "instrument"),
    route("get", "rejudgement-list", seen=SHARED),
    route("get", "rejudgement-detail", "rejudgement", seen=SHARED),
    route("get", "rejudged-verdict-list", seen=LIST),
    route("get", "inspection-list", seen=LIST),
    route(
        "post",
        "inspection-list",
        seen=BODY,
        needs=[C.INSPECT],
        body=lambda w: {"pump": w.pump.pk, "reason": "planned"},
        foreign={"pump": "pump"},
    ),
    *(
        route("get", f"inspection-{step}", "open")
        for step in ("detail", "cautions", "causes", "leakage", "dispositions", "report")
    ),
    route("post", "inspection-cautions", "open", needs=[C.INSPECT]),
    route("post", "inspection-isolation", "blank", needs=[C.INSPECT], body=lambda w: isolation()),
    route(
        "put",
        "inspection-nameplate",
        "open",
        needs=[C.INSPECT],
        body=lambda w: {"serial": "OS-1"},
    ),
    route(
        "post",
        "inspection-readings",
        "open",
        needs=[C.INSPECT],
        body=one_leaf,
        foreign=INSTRUMENT,
    ),
    route(
        "post",
        "inspection-readings",
        "open",
        needs=[C.INSPECT],
        body=diameter,
        foreign={"instrument": "micrometer"},
    ),
    route("post", "inspection-retakes", "open", needs=[C.INSPECT], body=at_line),
    route("get", "inspection-next-leaf", "open", body=with_set, foreign=INSTRUMENT),
    route(
        "post",
        "inspection-waivers",
        "open",
        needs=[C.INSPECT, C.WAIVE],
        body=lambda w: {"line": w.tip_line.pk, "reason": "The next leaf is out for calibration"},
    ),
    route(
        "post",
        "inspection-findings",
        "open",
        needs=[C.INSPECT],
        body=lambda w: {"component": "gears", "word": "scored", "severity": 2},
    ),
    route("delete", "inspection-finding", "open", "finding", needs=[C.INSPECT]),
    route(
        "post",
        "inspection-photos",
        "open",
        needs=[C.INSPECT],
        body=lambda w: {"component": "gears", "file": picture_file()},
        files=True,
    ),
    route("get", "inspection-photo", "open", "photo"),
    route("delete", "inspection-photo", "open", "photo", needs=[C.INSPECT]),
    route("post", "inspection-disposition-proposals", "unproposed", needs=[C.INSPECT]),
    route(
        "patch",
        "inspection-disposition",
        "open",
        "gears",
        needs=[C.INSPECT, C.OVERRULE],
        body=lambda w: {"decided": "replace", "reason": "Blue at the tips"},
    ),
    route("get", "inspection-controls", "waiting"),
    route(
        "post",
        "inspection-controls",
        "waiting",
        needs=[C.COUNTERSIGN],
        body=one_leaf,
        foreign=INSTRUMENT,
    ),
    route("get", "agreement", seen=LIST),
    # Other people's is shown to who answers for it; to anybody else it is not there.
    route("get", "agreement-of", "trainee"),
    route("get", "study-list", seen=LIST),
    route(
        "post",
        "study-list",
        seen=BODY,
        needs=[C.KEEP_INSTRUMENTS],
        body=new_study,
        foreign=SITE,
    ),
    route("get", "study-detail", "study"),
    route(
        "post",
        "study-readings",
        "study",
        needs=[C.KEEP_INSTRUMENTS],
        body=study_reading,
        foreign=INSTRUMENT,
    ),
    route("post", "study-closure", "study", needs=[C.KEEP_INSTRUMENTS]),
    route("post", "inspection-signature", "open", needs=[C.INSPECT]),
    route(
        "post",
        "inspection-overdue-acceptances",
        "unproposed",
        needs=[C.COUNTERSIGN],
        body=lambda w: {"instrument": w.overdue_set.pk, "reason": "Checked again"},
        foreign={"instrument": "overdue_set"},
    ),
    route("post", "inspection-countersignature", "waiting", needs=[C.COUNTERSIGN]),
    route("post", "inspection-return", "waiting", needs=[C.COUNTERSIGN], body=lambda w: WHY),
    route("post", "inspection-supersession", "signed", needs=[C.SUPERSEDE], body=lambda w: WHY),
    route("post", "inspection-abandonment", "open", needs=[C.INSPECT], body=lambda w: WHY),
)

API: tuple[Route, ...] = (*_FLEET, *_INSPECTIONS, *STORES)
