"""Every page with what it is to others and what it takes.

A page that is not in this table fails tests/web/test_isolation.py.
"""

from __future__ import annotations

from datetime import timedelta

from django.utils import timezone

from inspections.models import Inspection
from tests import factories
from tests.inspections.http import isolation
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
    route,
)
from tests.isolation_routes import DRAFT_FILE, new_instrument, new_model, new_pump, new_study
from tests.isolation_world import World, csv_file, picture_file, pump_file
from tests.web.page_kinds import OPEN, do, form
from tests.web.stores_page_routes import STORES


def version(world: World, name: str) -> int:
    return Inspection.objects.get(pk=world.id_of(name)).version


LINE = {
    "characteristic": "backlash",
    "component": "gears",
    "judged_by": "each",
    "unit": "mm",
    "limit_high": "0.46",
    "positions": "mesh 0",
    "page": "14",
}
LEAK_BLOCK = {
    "shape": "slot",
    "count": "4",
    "gap_factor": "0.5",
    "width_mm": "30",
    "length_mm": "9",
}
MODEL = {"maker": "Ostermoor", "designation": "G2-other", "mass_kg": "14.1"}
INSPECT = [C.INSPECT]

_FLEET: tuple[Route, ...] = (
    route("get", "fleet:pumps", seen=LIST),
    route("get", "fleet:pumps-file", "csv", seen=LIST, needs=[C.EXPORT]),
    *form(
        "fleet:pump-add",
        needs=[C.KEEP_REGISTER],
        body=lambda w: {**new_pump(w), "meter_h": "0", "status": "in_service"},
        seen=BODY,
        foreign=SITE,
    ),
    route("get", "fleet:pump", "pump"),
    *form(
        "fleet:pump-edit",
        "pump",
        needs=[C.KEEP_REGISTER],
        body=lambda w: {"tag": "HP-new", "machine": "M 9"},
    ),
    *form("fleet:pump-hours", "pump", needs=[C.RECORD_HOURS], body=lambda w: {"meter_h": "1201.5"}),
    *form(
        "fleet:pump-move",
        "pump",
        needs=[C.MOVE_PUMPS],
        body=lambda w: {"to_site": w.second.pk, **WHY},
        foreign={"to_site": "second"},
    ),
    *form(
        "fleet:pump-status",
        "pump",
        needs=[C.KEEP_REGISTER],
        body=lambda w: {"status": "spare", **WHY},
    ),
    route("get", "fleet:models", seen=SHARED),
    route("get", "fleet:models-file", "csv", seen=SHARED, needs=[C.EXPORT]),
    *form("fleet:model-add", needs=[C.KEEP_REGISTER], body=lambda w: new_model(), seen=SHARED),
    route("get", "fleet:model", "model", seen=SHARED),
    *form(
        "fleet:model-edit",
        "model",
        needs=[C.KEEP_REGISTER],
        body=lambda w: {**new_model(), **MODEL},
        seen=SHARED,
    ),
    *form(
        "fleet:leak-paths",
        "model",
        needs=[C.KEEP_REGISTER],
        body=lambda w: {f"side_clearance_{name}": value for name, value in LEAK_BLOCK.items()},
        seen=SHARED,
    ),
    *form(
        "fleet:sheet-add",
        "model",
        needs=[C.DRAFT_LIMITS],
        body=lambda w: {"revision": "x", "document": "Sheet 7"},
        seen=SHARED,
    ),
    route("get", "fleet:sheets-file", "csv", seen=SHARED, needs=[C.EXPORT]),
    route("get", "fleet:sheet", "sheet", seen=SHARED),
    *form("fleet:sheet-issue", "draft_sheet", needs=[C.DRAFT_LIMITS, C.ISSUE_LIMITS], seen=SHARED),
    *form(
        "fleet:sheet-rule",
        "sheet",
        needs=[C.ISSUE_LIMITS],
        body=lambda w: {"kind": "probability", "why": "As agreed"},
        seen=SHARED,
    ),
    *form(
        "fleet:sheet-revise",
        "sheet",
        needs=[C.DRAFT_LIMITS],
        body=lambda w: {"revision": "y"},
        seen=SHARED,
    ),
    *form(
        "fleet:line-add", "draft_sheet", needs=[C.DRAFT_LIMITS], body=lambda w: LINE, seen=SHARED
    ),
    *form(
        "fleet:line-edit",
        "draft_sheet",
        "1",
        needs=[C.DRAFT_LIMITS],
        body=lambda w: LINE,
        seen=SHARED,
    ),
    *form("fleet:line-remove", "draft_sheet", "1", needs=[C.DRAFT_LIMITS], seen=SHARED),
    route("get", "fleet:people", seen=LIST),
    # The table of what a role may do: it names roles and nobody.
    route("get", "fleet:roles", seen=OPEN),
    *form(
        "fleet:site-add",
        needs=[C.KEEP_PEOPLE],
        body=lambda w: {"name": "Third", "code": "third"},
        seen=SHARED,
    ),
    *form(
        "fleet:person-add",
        "site",
        needs=[C.KEEP_PEOPLE],
        body=lambda w: {"full_name": "Ada Falk", "username": "ada", "roles": ["auditor"]},
    ),
    *form(
        "fleet:role-grant",
        "site",
        needs=[C.KEEP_PEOPLE],
        body=lambda w: {"username": w.technician.username, "role": "auditor"},
    ),
    *form("fleet:role-revoke", "membership", needs=[C.KEEP_PEOPLE]),
    route("get", "fleet:tokens", seen=LIST),
    route(
        "post",
        "fleet:tokens",
        seen=OWN,
        body=lambda w: {"name": "Gateway", "expires_on": "2099-01-01"},
    ),
    route("post", "fleet:token-revoke", "token", seen=OWN),
    route("get", "fleet:imports", seen=LIST),
    *(
        route(
            "post",
            "fleet:imports",
            seen=BODY,
            needs=[needs],
            body=body,
            foreign=SITE,
            files=True,
        )
        for needs, body in (
            (
                C.KEEP_REGISTER,
                lambda w: {
                    "site": w.site.pk,
                    "kind": "pumps",
                    "file": csv_file(pump_file(w.model, f"F-{factories.number()}")),
                },
            ),
            (
                C.DRAFT_LIMITS,
                lambda w: {
                    "site": w.site.pk,
                    "kind": "sheets",
                    "file": csv_file(DRAFT_FILE.format(model=w.model).encode()),
                },
            ),
        )
    ),
    *form("fleet:import-draft", "import_draft", needs=[C.KEEP_REGISTER]),
    # An empty file with the names of the columns.
    route("get", "fleet:import-template", "pumps", "csv", seen=OPEN),
)

_BENCH: tuple[Route, ...] = (
    route("get", "inspections:list", seen=LIST),
    route("get", "inspections:queue", seen=LIST),
    route("get", "inspections:instruments", seen=LIST),
    route("get", "inspections:instrument", "instrument"),
    do("inspections:instrument", [C.KEEP_INSTRUMENTS], "instrument", what="withdraw"),
    do("inspections:instrument", [C.KEEP_INSTRUMENTS], "withdrawn", what="bring_back"),
    do(
        "inspections:instrument",
        [C.KEEP_INSTRUMENTS],
        "instrument",
        what="calibrated",
        body=lambda w: {"due_on": "2099-01-31", "permissible_error": "0.004"},
    ),
    do(
        "inspections:instrument",
        [C.KEEP_INSTRUMENTS],
        "instrument",
        what="withdraw_leaf",
        body=lambda w: {"leaf": "0.10", "why": "Bent"},
    ),
    do(
        "inspections:instrument",
        [C.KEEP_INSTRUMENTS],
        "instrument",
        what="put_in_leaf",
        body=lambda w: {"leaf": "0.55"},
    ),
    # The form names one's own sites only.
    route("get", "inspections:instrument-add", seen=LIST),
    route(
        "post",
        "inspections:instrument-add",
        seen=BODY,
        needs=[C.KEEP_INSTRUMENTS],
        body=new_instrument,
        foreign=SITE,
    ),
    route("get", "inspections:judged-again", "rule", seen=SHARED),
    route("get", "inspections:studies", seen=LIST),
    # The form names the people of one's own sites only.
    route("get", "inspections:study-add", seen=LIST),
    route(
        "post",
        "inspections:study-add",
        seen=BODY,
        needs=[C.KEEP_INSTRUMENTS],
        body=lambda w: {**new_study(w), "parts": "HP-1\nHP-2"},
        foreign=SITE,
    ),
    route("get", "inspections:study", "study"),
    route("get", "inspections:study", "done_study"),
    do(
        "inspections:study",
        [C.KEEP_INSTRUMENTS],
        "study",
        what="readings",
        body=lambda w: {"instrument": w.instrument.pk, "low_0_1": "0.07", "high_0_1": "0.08"},
    ),
    do("inspections:study", [C.KEEP_INSTRUMENTS], "study", what="close"),
    route("get", "inspections:agreement", seen=LIST),
    route("get", "inspections:agreement-of", "trainee"),
    route("get", "inspections:again", "waiting", "line"),
    route(
        "post",
        "inspections:again",
        "waiting",
        "line",
        needs=[C.COUNTERSIGN],
        body=lambda w: {
            "place": w.waiting.readings.get(
                line=w.line, position=w.line.positions[0], replaced_at__isnull=True
            ).pk,
            "instrument": w.instrument.pk,
            "entered": "0.07",
            "feel": "drag",
            "refused": "0.08",
        },
    ),
    route("get", "inspections:photo", "photo"),
    route("get", "inspections:open", "pump"),
    route("post", "inspections:open", "pump", needs=INSPECT, body=lambda w: {"reason": "planned"}),
    *(
        route("get", f"inspections:{name}", "open")
        for name in (
            "bench",
            "isolation",
            "nameplate",
            "components",
            "dispositions",
            "sign",
            "abandon",
            "countersign",
            "report",
            "supersede",
        )
    ),
    do("inspections:isolation", INSPECT, "open", what="acknowledge"),
    route(
        "post",
        "inspections:isolation",
        "blank",
        needs=INSPECT,
        body=lambda w: {
            **isolation(),
            "isolated_at": f"{timezone.now() - timedelta(minutes=20):%Y-%m-%dT%H:%M}",
            "proved_zero_at": f"{timezone.now() - timedelta(minutes=10):%Y-%m-%dT%H:%M}",
        },
    ),
    route(
        "post", "inspections:nameplate", "open", needs=INSPECT, body=lambda w: {"serial": "OS-1"}
    ),
    route("get", "inspections:check", "open", "line"),
    do(
        "inspections:check",
        INSPECT,
        "open",
        "line",
        what="try",
        body=lambda w: {"instrument": w.instrument.pk, "leaf": "0.07", "feel": "free"},
        foreign=INSTRUMENT,
    ),
    do(
        "inspections:check",
        INSPECT,
        "open",
        "widths_line",
        what="value",
        body=lambda w: {"instrument": w.micrometer.pk, "unit": "mm", "value_0": "25.001"},
        foreign={"instrument": "micrometer"},
    ),
    do("inspections:check", INSPECT, "open", "line", what="take_back"),
    do("inspections:check", INSPECT, "open", "line", what="retake"),
    do(
        "inspections:check",
        [C.INSPECT, C.WAIVE],
        "open",
        "tip_line",
        what="waive",
        body=lambda w: {"reason": "The next leaf is away"},
    ),
    route("get", "inspections:leakage", "open"),
    route("get", "inspections:leakage-table", "open"),
    route("get", "inspections:leakage-drawing", "open", "side_clearance"),
    route("get", "inspections:component", "open", "gears"),
    do(
        "inspections:component",
        INSPECT,
        "open",
        "gears",
        what="finding",
        body=lambda w: {"word": "scored", "severity": "2"},
    ),
    do("inspections:component", INSPECT, "open", "gears", what="no_defect"),
    do(
        "inspections:component",
        INSPECT,
        "open",
        "gears",
        what="remove",
        body=lambda w: {"finding": w.finding.pk},
        foreign={"finding": "finding"},
    ),
    do(
        "inspections:component",
        INSPECT,
        "open",
        "gears",
        what="photo",
        body=lambda w: {"file": picture_file()},
        files=True,
    ),
    do(
        "inspections:component",
        INSPECT,
        "open",
        "gears",
        what="remove_photo",
        body=lambda w: {"photo": w.photo.pk},
        foreign={"photo": "photo"},
    ),
    do("inspections:dispositions", INSPECT, "unproposed", what="propose"),
    do(
        "inspections:dispositions",
        [C.INSPECT, C.OVERRULE],
        "open",
        what="overrule",
        body=lambda w: {"component": "gears", "decided": "replace", "reason": "Blue"},
    ),
    route(
        "post",
        "inspections:sign",
        "open",
        needs=INSPECT,
        body=lambda w: {"confirmed": "on", "version": version(w, "open")},
    ),
    route(
        "post",
        "inspections:abandon",
        "open",
        needs=INSPECT,
        body=lambda w: {**WHY, "version": version(w, "open")},
    ),
    *(
        do(
            f"inspections:{page}",
            [C.COUNTERSIGN],
            "unproposed",
            what="accept_overdue",
            body=lambda w: {"instrument": w.overdue_set.pk, "reason": "Checked again"},
            foreign={"instrument": "overdue_set"},
        )
        for page in ("sign", "countersign")
    ),
    do(
        "inspections:countersign",
        [C.COUNTERSIGN],
        "waiting",
        what="countersign",
        body=lambda w: {"version": version(w, "waiting")},
    ),
    do(
        "inspections:countersign",
        [C.COUNTERSIGN],
        "waiting",
        what="send_back",
        body=lambda w: {**WHY, "version": version(w, "waiting")},
    ),
    route("post", "inspections:supersede", "signed", needs=[C.SUPERSEDE], body=lambda w: WHY),
)

PAGES = (*_FLEET, *_BENCH, *STORES)
