"""Every page with what it is to others and what it takes.

A page that is not in this table fails tests/web/test_isolation.py.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.utils import timezone

from inspections.models import Inspection
from parts.web.forms_pulling import RETURN_REASONS, SHORT_REASONS, UNDO_REASONS
from tests import factories
from tests.inspections.http import isolation
from tests.isolation_routes import (
    BODY,
    DRAFT_FILE,
    HIDDEN,
    INSTRUMENT,
    KEEP,
    LIST,
    OWN,
    SHARED,
    SITE,
    STORE,
    WHY,
    Body,
    C,
    Route,
    Seen,
    in_a_month,
    new_instrument,
    new_model,
    new_pump,
    new_study,
    route,
)
from tests.isolation_world import World, csv_file, picture_file, pump_file

OPEN = Seen.OPEN


def form(name: str, *path: str, needs: Any = (), body: Body | None = None, **more: Any) -> Any:
    """A page with a form of its own: to open it takes what it takes to send it."""
    reads = more.get("seen", HIDDEN)
    return (
        route("get", name, *path, needs=needs, seen=SHARED if reads is BODY else reads),
        route("post", name, *path, needs=needs, body=body, **more),
    )


def do(name: str, needs: Any, *path: str, what: str, **more: Any) -> Route:
    """One of the things that can be sent to a page which everybody of the site may open."""
    body, foreign = more.pop("body", None), more.pop("foreign", None)
    return route(
        "post",
        name,
        *path,
        needs=needs,
        body=lambda w: {"do": what, **(body(w) if body else {})},
        foreign=foreign,
        **more,
    )


def version(world: World, name: str) -> int:
    return Inspection.objects.get(pk=world.id_of(name)).version


def on_shelf(world: World, **more: Any) -> dict[str, Any]:
    return {"store": world.store.pk, "part": world.single.number, **more}


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
SUPPLIER = {"name": "New works", "currency": "EUR"}
OFFER = {"price": "7.5", "pack_size": "1", "minimum_quantity": "1", "lead_days": "9"}

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

_STORES: tuple[Route, ...] = (
    route("get", "parts:board", seen=LIST),
    route("get", "parts:pull-lists", seen=LIST),
    route("get", "parts:pull-list", "signed"),
    route(
        "post",
        "parts:pull-list",
        "signed",
        needs=[C.PULL_PARTS],
        body=lambda w: {"scanned_number": w.part.number},
    ),
    do(
        "parts:pull-list",
        [C.PULL_PARTS],
        "signed",
        what="short",
        body=lambda w: {"demand": w.reserved.pk, "found": "0", "reason": SHORT_REASONS[0]},
    ),
    do(
        "parts:pull-list",
        [C.PULL_PARTS],
        "issued_list",
        what="undo",
        body=lambda w: {"demand": w.issued.pk, "reason": UNDO_REASONS[0]},
    ),
    do(
        "parts:pull-list",
        [C.PULL_PARTS],
        "issued_list",
        what="return",
        body=lambda w: {
            "demand": w.issued.pk,
            "reason": RETURN_REASONS[0],
            "fit_for_stock": "yes",
        },
    ),
    do("parts:pull-list", [C.INSPECT], "issued_list", what="confirm"),
    route("get", "parts:walk", body=lambda w: {"inspection": w.signed.pk}),
    route(
        "post",
        "parts:walk",
        needs=[C.PULL_PARTS],
        body=lambda w: {"inspection": w.signed.pk, "scanned_number": w.part.number},
    ),
    route("get", "parts:labels", body=lambda w: {"inspection": w.signed.pk}),
    route("get", "parts:of-inspection", "signed"),
    route("get", "parts:demand", "reserved"),
    route("post", "parts:demand", "reserved", needs=[C.SET_NEEDS], body=lambda w: WHY),
    *form(
        "parts:need",
        "signed",
        needs=[C.SET_NEEDS],
        body=lambda w: {"needed_on": in_a_month(), "bench": "B2"},
    ),
    route("post", "parts:of-inspection", "issued_list", needs=[C.INSPECT]),
    route("get", "parts:of-pump", "pump"),
    route("get", "parts:unmatched", seen=LIST),
    route("post", "parts:unmatched-retry", "unmatched", needs=KEEP),
    route("get", "parts:catalogue", seen=SHARED),
    *form(
        "parts:part-add",
        needs=KEEP,
        body=lambda w: {"number": "NEW-1", "name": "Ring", "unit": "piece", "pack_size": "1"},
        seen=SHARED,
    ),
    route("get", "parts:part", "part", seen=SHARED),
    *form(
        "parts:part-edit",
        "single",
        needs=KEEP,
        body=lambda w: {"number": "NEW-2", "name": "Other", "unit": "piece", "pack_size": "1"},
        seen=SHARED,
    ),
    *form(
        "parts:kit-contents",
        "part",
        needs=KEEP,
        body=lambda w: {
            "form-TOTAL_FORMS": "1",
            "form-INITIAL_FORMS": "0",
            "form-0-part": w.single.number,
            "form-0-quantity": "2",
        },
        seen=SHARED,
    ),
    *form(
        "parts:fit-add",
        "single",
        needs=KEEP,
        body=lambda w: {"model": w.model.pk, "component": "seals", "quantity": "1"},
        seen=SHARED,
    ),
    *form("parts:fit-remove", "fit", needs=KEEP, seen=SHARED),
    route("get", "parts:of-model", "model", seen=SHARED),
    *form(
        "parts:part-supersede",
        "single",
        needs=KEEP,
        body=lambda w: {"by": w.ring.number},
        seen=SHARED,
    ),
    *form("parts:part-supersede-back", "old_part", needs=KEEP, seen=SHARED),
    *form(
        "parts:alternative-add",
        "single",
        needs=KEEP,
        body=lambda w: {"other": w.seal.number, **WHY},
        seen=SHARED,
    ),
    *form("parts:alternative-remove", "alternative", needs=KEEP, seen=SHARED),
    *form(
        "parts:part-ageing",
        "single",
        needs=KEEP,
        body=lambda w: {
            "shelf_life_months": "48",
            "cured_on": "2026-01-31",
            "batch_code": "STOCK-1",
        },
        seen=SHARED,
    ),
    *form(
        "parts:kit-open",
        "part",
        needs=[C.KEEP_STOCK],
        body=lambda w: {"store": w.store.pk, **WHY},
        seen=BODY,
        foreign=STORE,
    ),
    route("get", "parts:batches", seen=LIST),
    *form(
        "parts:batch-extend",
        "batch_level",
        needs=[C.EXTEND_BATCHES],
        body=lambda w: {"expires_on": "2099-01-31", **WHY},
    ),
    *form(
        "parts:put-in-batch",
        "loose_level",
        needs=[C.KEEP_STOCK],
        body=lambda w: {"batch_code": "B-2", "cured_on": "2026-01-31"},
    ),
    route("get", "parts:suppliers", seen=SHARED),
    *form("parts:supplier-add", needs=KEEP, body=lambda w: {**SUPPLIER}, seen=SHARED),
    route("get", "parts:supplier", "supplier", seen=SHARED),
    *form(
        "parts:supplier-edit",
        "supplier",
        needs=KEEP,
        body=lambda w: {**SUPPLIER, "active": "on"},
        seen=SHARED,
    ),
    # With an address the answer is no redirect: it holds the secret.
    *form(
        "parts:supplier-webhook",
        "supplier",
        needs=KEEP,
        body=lambda w: {"webhook_url": ""},
        seen=SHARED,
    ),
    *form(
        "parts:offer-add",
        "supplier",
        needs=KEEP,
        body=lambda w: {**OFFER, "part": w.single.number},
        seen=SHARED,
    ),
    *form("parts:offer-edit", "offer", needs=KEEP, body=lambda w: OFFER, seen=SHARED),
    *form("parts:offer-prefer", "other_offer", needs=KEEP, seen=SHARED),
    *form("parts:offer-remove", "other_offer", needs=KEEP, seen=SHARED),
    *form(
        "parts:approval-limits",
        "store",
        needs=[C.KEEP_PEOPLE],
        body=lambda w: {"supervisor": "900", "stores_clerk": "50"},
    ),
    route("get", "parts:orders", seen=LIST),
    *form(
        "parts:order-add",
        needs=[C.BUY],
        body=lambda w: {"store": w.store.pk, "supplier": w.other_offer.supplier_id},
        seen=BODY,
        foreign=STORE,
    ),
    *(
        route("get", f"parts:{name}", "order_sent")
        for name in ("order", "order-put-away", "order-pdf", "order-csv")
    ),
    do("parts:order", [C.BUY], "order_draft", what="submit"),
    do("parts:order", [C.APPROVE_ORDERS], "order_submitted", what="approve"),
    do("parts:order", [C.BUY], "order_sent", what="send_again"),
    *form(
        "parts:order-line-add",
        "order_draft",
        needs=[C.BUY],
        body=lambda w: {"part": w.single.pk, "manual_quantity": "3"},
    ),
    *form("parts:order-note", "order_draft", needs=[C.BUY], body=lambda w: {"note": "Ring"}),
    *form(
        "parts:order-send-back",
        "order_submitted",
        needs=[C.APPROVE_ORDERS],
        body=lambda w: WHY,
    ),
    *form(
        "parts:order-send",
        "order_approved",
        needs=[C.BUY],
        body=lambda w: {f"line_{line.pk}": "2099-01-31" for line in w.order_approved.lines.all()},
    ),
    *form("parts:order-cancel", "order_sent", needs=[C.BUY], body=lambda w: WHY),
    *form("parts:order-line", "line_draft", needs=[C.BUY], body=lambda w: {"manual_quantity": "4"}),
    *form(
        "parts:order-receive", "line_sent", needs=[C.KEEP_STOCK], body=lambda w: {"quantity": "2"}
    ),
    *form(
        "parts:order-promise",
        "line_sent",
        needs=[C.BUY],
        body=lambda w: {"promised_on": "2099-01-31"},
    ),
    *form("parts:order-give-up", "line_sent", needs=[C.BUY], body=lambda w: WHY),
    route("get", "parts:stock", seen=LIST),
    route("get", "parts:store-settings", "store"),
    do(
        "parts:store-settings",
        [C.KEEP_STOCK],
        "store",
        what="place",
        body=lambda w: {"name": "East store", "latitude_deg": "53.5", "longitude_deg": "9.9"},
    ),
    do(
        "parts:store-settings",
        [C.SET_HOLDINGS],
        "store",
        what="money",
        body=lambda w: {
            "currency": "EUR",
            "supplied_by": w.to_send.to_store_id,
            "count_limit": "50",
            "target_service": "0.9",
            "labour_rate": "41.50",
        },
    ),
    route("get", "parts:transfers", seen=LIST),
    *form(
        "parts:transfer-ask",
        needs=[C.KEEP_STOCK],
        body=lambda w: {
            "to_store": w.store.pk,
            "part": w.moved.number,
            "from_site_name": w.second.name,
            "quantity": "1",
            **WHY,
        },
        seen=BODY,
        foreign={"to_store": "store"},
    ),
    route("get", "parts:transfer", "to_send"),
    route("get", "parts:transfer", "to_receive"),
    do(
        "parts:transfer",
        [C.KEEP_STOCK],
        "to_send",
        what="send",
        body=lambda w: {"scanned_number": w.moved.number},
    ),
    do("parts:transfer", [C.KEEP_STOCK], "to_send", what="refuse", body=lambda w: WHY),
    do(
        "parts:transfer",
        [C.KEEP_STOCK],
        "to_receive",
        what="receive",
        body=lambda w: {"lot_0": "1", "reason": "Torn"},
    ),
    do("parts:transfer", [C.KEEP_STOCK], "asked", what="cancel", body=lambda w: WHY),
    route("post", "parts:store-open", "storeless", needs=[C.KEEP_STOCK]),
    *form(
        "parts:receive",
        needs=[C.KEEP_STOCK],
        body=lambda w: on_shelf(w, quantity="3"),
        seen=BODY,
        foreign=STORE,
    ),
    *form(
        "parts:correct",
        needs=[C.KEEP_STOCK],
        body=lambda w: on_shelf(w, counted="2", reason="Counted"),
        seen=BODY,
        foreign=STORE,
    ),
    *form(
        "parts:scrap",
        needs=[C.KEEP_STOCK],
        body=lambda w: on_shelf(w, quantity="1", reason="Torn"),
        seen=BODY,
        foreign=STORE,
    ),
)
_COUNTING: tuple[Route, ...] = (
    route("get", "parts:counts", seen=LIST),
    *form(
        "parts:count-raise",
        needs=[C.KEEP_STOCK],
        body=lambda w: {
            "store": w.store.pk,
            "what": "parts",
            "parts": w.single.number,
            "why": "Monday",
        },
        seen=BODY,
        foreign=STORE,
    ),
    route("get", "parts:count", "count"),
    route("get", "parts:count-sheet", "count"),
    *form(
        "parts:count-line-add",
        "count",
        needs=[C.KEEP_STOCK],
        body=lambda w: {"part": w.single.number},
    ),
    *form("parts:count-cancel", "spare_count", needs=[C.KEEP_STOCK], body=lambda w: WHY),
    route("get", "parts:count-line", "count_line"),
    do(
        "parts:count-line",
        [C.KEEP_STOCK],
        "count_line",
        what="enter",
        body=lambda w: {"counted": "3"},
    ),
    do(
        "parts:count-line",
        [C.KEEP_STOCK],
        "unexplained_line",
        what="explain",
        body=lambda w: {"reason": "Fell behind the rack"},
    ),
    do("parts:count-line", [C.APPROVE_COUNTS], "waiting_line", what="approve"),
    do(
        "parts:count-line",
        [C.APPROVE_COUNTS],
        "waiting_line",
        what="send_back",
        body=lambda w: WHY,
    ),
    route("get", "parts:value", seen=LIST),
    route("get", "parts:value-file", "csv", seen=LIST, needs=[C.EXPORT]),
    route("get", "parts:costs", seen=LIST),
    route("get", "parts:costs-file", "csv", seen=LIST, needs=[C.EXPORT]),
    route("get", "parts:cost", "signed"),
    do(
        "parts:cost",
        [C.RECORD_LABOUR],
        "signed",
        what="record",
        body=lambda w: {"hours": "1.5", "what": "Fitted"},
    ),
    do(
        "parts:cost",
        [C.RECORD_LABOUR],
        "signed",
        what="take_back",
        body=lambda w: {"labour": w.labour.pk, "reason": "Other pump"},
        foreign={"labour": "labour"},
    ),
    route("get", "parts:rates", seen=SHARED),
    *form(
        "parts:rate-add",
        needs=[C.SET_HOLDINGS],
        body=lambda w: {"base": "GBP", "quote": "EUR", "rate": "1,2", "valid_from": "2026-11-01"},
        seen=SHARED,
    ),
)
_HOLDING: tuple[Route, ...] = (
    route("get", "parts:holdings", seen=LIST),
    route("get", "parts:holdings-file", "store", "csv"),
    do("parts:holdings-choose", [C.SET_HOLDINGS], "store", what="point"),
    do("parts:holdings-choose", [C.SET_HOLDINGS], "store", what="advice"),
    route("get", "parts:holding", "store", "part"),
    route("get", "parts:holding-file", "store", "part", "csv"),
    do(
        "parts:holding",
        [C.SET_HOLDINGS],
        "store",
        "part",
        what="set",
        body=lambda w: {"reorder_point": "1", "order_up_to": "3", "keep_back": "1"},
    ),
    do("parts:holding", [C.SET_HOLDINGS], "store", "part", what="remove"),
)
PAGES = (*_HOLDING, *_FLEET, *_BENCH, *_STORES, *_COUNTING)
