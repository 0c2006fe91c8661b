"""Every address of the API, with what it is to others and what it takes.

An address that is not in this table fails tests/api/test_isolation.py.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from enum import Enum, auto
from typing import Any

from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone

from fleet.roles import Capability
from tests import factories
from tests.inspections.http import isolation, leaves
from tests.isolation_world import World, csv_file, picture_file, pump_file

C = Capability

# --- Routes -------------------------------------------------------------------------------------


class Seen(Enum):
    """What an address is to somebody of another site."""

    HIDDEN = auto()  # the row in its path: 404
    LIST = auto()  # 200 with their own sites' rows only
    BODY = auto()  # the ids in its body: refused like ids that do not exist
    SHARED = auto()  # of all sites by design: models, limit sheets, the catalogue
    OWN = auto()  # one's own account
    OPEN = auto()  # says the same to everybody


Body = Callable[[World], Mapping[str, Any]]


@dataclass(frozen=True)
class Route:
    """One method of one address. path: names of World for its parameters.

    needs: capabilities that it takes, all of them; none: any role at the site will do.
    foreign: fields of the body with an id of a site's row, and its name in World.
    """

    name: str
    method: str
    path: tuple[str, ...]
    seen: Seen
    needs: frozenset[Capability]
    body: Body | None
    foreign: Mapping[str, str]
    files: bool

    def __str__(self) -> str:
        return f"{self.method.upper()} {self.name}"

    def url(self, world: World) -> str:
        return reverse(self.name, args=[world.id_of(name) for name in self.path])

    def sent(self, world: World) -> dict[str, Any]:
        return dict(self.body(world)) if self.body is not None else {}


def route(
    method: str,
    name: str,
    *path: str,
    seen: Seen = Seen.HIDDEN,
    needs: Iterable[Capability] = (),
    body: Body | None = None,
    foreign: Mapping[str, str] | None = None,
    files: bool = False,
) -> Route:
    return Route(name, method, path, seen, frozenset(needs), body, foreign or {}, files)


def in_a_month() -> str:
    return (timezone.now().date() + timedelta(days=30)).isoformat()


def routes_below(prefix: str) -> Iterator[tuple[str, str, Any]]:
    """(name, path, callback) of each address in the resolver whose path begins so."""
    for path, name, callback in _walk(get_resolver().url_patterns):
        if path.startswith(prefix):
            yield name, path, callback


def _walk(patterns: Any, before: str = "", space: str = "") -> Iterator[tuple[str, str, Any]]:
    for pattern in patterns:
        path = before + str(pattern.pattern).removeprefix("^")
        if isinstance(pattern, URLResolver):
            inside = f"{space}{pattern.namespace}:" if pattern.namespace else space
            yield from _walk(pattern.url_patterns, path, inside)
        elif isinstance(pattern, URLPattern):
            yield path, f"{space}{pattern.name}", pattern.callback


def class_of(callback: Any) -> Any:
    """The class of the view; None for a plain function."""
    return getattr(callback, "cls", None) or getattr(callback, "view_class", None)


def methods_of(callback: Any) -> frozenset[str]:
    """What the address answers, but HEAD and OPTIONS; "any" for a plain function."""
    view = class_of(callback)
    if view is None:
        return frozenset({"any"})
    actions = getattr(callback, "actions", None)
    names = actions or {m for m in view.http_method_names if hasattr(view, m)}
    return frozenset(names) - {"head", "options"}


# --- The API ------------------------------------------------------------------------------------

HIDDEN, LIST, BODY, SHARED, OWN = Seen.HIDDEN, Seen.LIST, Seen.BODY, Seen.SHARED, Seen.OWN


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


def on_shelf(world: World, **more: Any) -> dict[str, Any]:
    return {"store": world.store.pk, "part": world.single.pk, **more}


WHY = {"why": "Because it must be"}
KEEP = [C.KEEP_CATALOGUE]
INSTRUMENT, SITE, STORE = {"instrument": "instrument"}, {"site": "site"}, {"store": "store"}

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

_PARTS = (
    route("get", "part-list", seen=SHARED),
    route(
        "post",
        "part-list",
        seen=SHARED,
        needs=[C.KEEP_CATALOGUE],
        body=lambda w: {"number": f"NEW-{factories.number()}", "name": "Ring"},
    ),
    route("get", "part-detail", "part", seen=SHARED),
    route(
        "patch",
        "part-detail",
        "part",
        seen=SHARED,
        needs=[C.KEEP_CATALOGUE],
        body=lambda w: {"name": "Other"},
    ),
    route(
        "put",
        "part-contents",
        "part",
        seen=SHARED,
        needs=[C.KEEP_CATALOGUE],
        body=lambda w: {"contents": [{"part": w.single.pk, "quantity": 2}]},
    ),
    route(
        "put",
        "part-supersession",
        "single",
        seen=SHARED,
        needs=[C.KEEP_CATALOGUE],
        body=lambda w: {"by": w.ring.pk},
    ),
    route("delete", "part-supersession", "old_part", seen=SHARED, needs=[C.KEEP_CATALOGUE]),
    route(
        "put",
        "part-shelf-life",
        "single",
        seen=SHARED,
        needs=[C.KEEP_CATALOGUE],
        body=lambda w: {
            "shelf_life_months": 48,
            "cured_on": "2026-01-31",
            "batch_code": "STOCK-1",
        },
    ),
    route("get", "alternative-list", seen=SHARED),
    route(
        "post",
        "alternative-list",
        seen=SHARED,
        needs=[C.KEEP_CATALOGUE],
        body=lambda w: {"part": w.single.pk, "other": w.seal.pk, **WHY},
    ),
    route("delete", "alternative-detail", "alternative", seen=SHARED, needs=[C.KEEP_CATALOGUE]),
    route("get", "kit-opening-list", seen=LIST),
    route(
        "post",
        "kit-opening-list",
        seen=BODY,
        needs=[C.KEEP_STOCK],
        body=lambda w: {"store": w.store.pk, "kit": w.part.pk, **WHY},
        foreign=STORE,
    ),
    route("get", "batch-list", seen=LIST),
    route("get", "batch-detail", "batch_level"),
    route(
        "post",
        "batch-list",
        seen=BODY,
        needs=[C.KEEP_STOCK],
        body=lambda w: {
            "store": w.store.pk,
            "part": w.loose_seal.pk,
            "batch_code": "B-2",
            "cured_on": "2026-01-31",
        },
        foreign=STORE,
    ),
    route(
        "post",
        "batch-extension",
        "batch_level",
        needs=[C.EXTEND_BATCHES],
        body=lambda w: {"expires_on": "2099-01-31", **WHY},
    ),
    # The one look over the fence: the name of a site and how many it has free, nothing else.
    route("get", "part-holders", "part", seen=SHARED),
    route("get", "fit-list", seen=SHARED),
    route(
        "post",
        "fit-list",
        seen=SHARED,
        needs=[C.KEEP_CATALOGUE],
        body=lambda w: {"model": w.model.pk, "component": "seals", "part": w.single.pk},
    ),
    route("delete", "fit-detail", "fit", seen=SHARED, needs=[C.KEEP_CATALOGUE]),
    route("get", "store-list", seen=LIST),
    route(
        "post",
        "store-list",
        seen=BODY,
        needs=[C.KEEP_STOCK],
        body=lambda w: {"site": w.storeless.pk},
        foreign={"site": "storeless"},
    ),
    route("get", "store-detail", "store"),
    route("patch", "store-detail", "store", needs=[C.KEEP_STOCK], body=lambda w: {"name": "East"}),
    route(
        "patch",
        "store-detail",
        "store",
        needs=[C.SET_HOLDINGS],
        body=lambda w: {"labour_rate": "41.50", "supplied_by": w.to_send.to_store_id},
        foreign={"supplied_by": "store"},
    ),
    route("get", "transfer-list", seen=LIST),
    route(
        "post",
        "transfer-list",
        seen=BODY,
        needs=[C.KEEP_STOCK],
        body=lambda w: {
            "to_store": w.store.pk,
            "from_site_name": w.second.name,
            "part": w.moved.pk,
            "quantity": 1,
            **WHY,
        },
        foreign={"to_store": "store"},
    ),
    route("get", "transfer-detail", "to_send"),
    route(
        "post",
        "transfer-send",
        "to_send",
        needs=[C.KEEP_STOCK],
        body=lambda w: {"scanned_number": w.moved.number},
    ),
    route("post", "transfer-refusal", "to_send", needs=[C.KEEP_STOCK], body=lambda w: WHY),
    route(
        "post",
        "transfer-receive",
        "to_receive",
        needs=[C.KEEP_STOCK],
        body=lambda w: {"received": [{"quantity": 1}], "reason": "Torn"},
    ),
    route("post", "transfer-cancellation", "asked", needs=[C.KEEP_STOCK], body=lambda w: WHY),
    route("get", "stock-list", seen=LIST),
    route("get", "movement-list", seen=LIST),
    *(
        route(
            "post",
            f"stock-{what}-list",
            seen=BODY,
            needs=[C.KEEP_STOCK],
            body=body,
            foreign=STORE,
        )
        for what, body in (
            ("receipt", lambda w: on_shelf(w, quantity=3, reason="Delivery 4")),
            ("correction", lambda w: on_shelf(w, counted=2, reason="Counted")),
            ("scrapping", lambda w: on_shelf(w, quantity=1, reason="Torn")),
        )
    ),
    route("get", "supplier-list", seen=SHARED),
    route(
        "post",
        "supplier-list",
        seen=SHARED,
        needs=KEEP,
        body=lambda w: {"name": f"New works {factories.number()}"},
    ),
    route("get", "supplier-detail", "supplier", seen=SHARED),
    route(
        "patch",
        "supplier-detail",
        "supplier",
        seen=SHARED,
        needs=KEEP,
        body=lambda w: {"email": "in@example.com"},
    ),
    route(
        "put",
        "supplier-webhook",
        "supplier",
        seen=SHARED,
        needs=KEEP,
        body=lambda w: {"webhook_url": "https://orders.example.com/other"},
    ),
    route("get", "offer-list", seen=SHARED),
    route(
        "post",
        "offer-list",
        seen=SHARED,
        needs=KEEP,
        body=lambda w: {
            "supplier": w.supplier.pk,
            "part": w.single.pk,
            "price": "7.5",
            "lead_days": 9,
        },
    ),
    route("delete", "offer-detail", "other_offer", seen=SHARED, needs=KEEP),
    route("post", "offer-preference", "other_offer", seen=SHARED, needs=KEEP),
    route("get", "approval-limits-detail", "store"),
    route(
        "put",
        "approval-limits-detail",
        "store",
        needs=[C.KEEP_PEOPLE],
        body=lambda w: {"supervisor": "900"},
    ),
    route("get", "order-list", seen=LIST),
    route(
        "post",
        "order-list",
        seen=BODY,
        needs=[C.BUY],
        body=lambda w: {"store": w.store.pk, "supplier": w.other_offer.supplier_id},
        foreign=STORE,
    ),
    *(route("get", f"order-{what}", "order_sent") for what in ("detail", "put-away", "pdf", "csv")),
    route(
        "patch", "order-detail", "order_draft", needs=[C.BUY], body=lambda w: {"note": "Ring first"}
    ),
    route(
        "put",
        "order-lines",
        "order_draft",
        needs=[C.BUY],
        body=lambda w: {"part": w.single.pk, "manual_quantity": 3},
    ),
    route("post", "order-submission", "order_draft", needs=[C.BUY]),
    route("post", "order-approval", "order_submitted", needs=[C.APPROVE_ORDERS]),
    route(
        "post",
        "order-send-back",
        "order_submitted",
        needs=[C.APPROVE_ORDERS],
        body=lambda w: WHY,
    ),
    route("post", "order-dispatch-order", "order_approved", needs=[C.BUY], body=lambda w: {}),
    route("post", "order-repetition", "order_sent", needs=[C.BUY]),
    route("post", "order-cancellation", "order_sent", needs=[C.BUY], body=lambda w: WHY),
    route("get", "order-line-list", seen=LIST),
    route("get", "order-line-detail", "line_sent"),
    route(
        "post",
        "order-line-receipts",
        "line_sent",
        needs=[C.KEEP_STOCK],
        body=lambda w: {"quantity": 2},
    ),
    route(
        "post",
        "order-line-promise",
        "line_sent",
        needs=[C.BUY],
        body=lambda w: {"promised_on": "2099-01-31"},
    ),
    route("post", "order-line-give-up", "line_sent", needs=[C.BUY], body=lambda w: WHY),
    route("get", "demand-list", seen=LIST),
    route("get", "demand-detail", "reserved"),
    route(
        "post",
        "demand-pull",
        "reserved",
        needs=[C.PULL_PARTS],
        body=lambda w: {"scanned_number": w.part.number, "quantity": 1},
    ),
    route(
        "post",
        "demand-short",
        "reserved",
        needs=[C.PULL_PARTS],
        body=lambda w: {"found": 0, "reason": "Empty"},
    ),
    route("post", "demand-undo", "issued", needs=[C.PULL_PARTS], body=lambda w: WHY),
    route(
        "post",
        "demand-return",
        "issued",
        needs=[C.PULL_PARTS],
        body=lambda w: {"fit_for_stock": True, **WHY},
    ),
    route("post", "demand-confirm", "issued", needs=[C.INSPECT]),
    route("post", "demand-retry", "unmatched", needs=[C.KEEP_CATALOGUE]),
    route("get", "demand-steps", "reserved"),
    route("post", "demand-cancel", "reserved", needs=[C.SET_NEEDS], body=lambda w: WHY),
    route("get", "need-detail", "signed"),
    route(
        "put",
        "need-detail",
        "signed",
        needs=[C.SET_NEEDS],
        body=lambda w: {"needed_on": in_a_month(), "bench": "B2"},
    ),
    route("get", "pull-list-list", seen=LIST),
    route("get", "pull-list-detail", "signed"),
)

_KEEP = [C.KEEP_STOCK]
_COUNTING = (
    route("get", "count-list", seen=LIST),
    route(
        "post",
        "count-list",
        seen=BODY,
        needs=_KEEP,
        body=lambda w: {"store": w.store.pk, "parts": [w.single.pk], "why": "Monday"},
        foreign=STORE,
    ),
    route("get", "count-detail", "count"),
    route("post", "count-lines", "count", needs=_KEEP, body=lambda w: {"part": w.single.pk}),
    route("post", "count-cancellation", "spare_count", needs=_KEEP, body=lambda w: WHY),
    route("get", "count-line-list", seen=LIST),
    route("get", "count-line-detail", "count_line"),
    route("post", "count-line-figure", "count_line", needs=_KEEP, body=lambda w: {"counted": 3}),
    route(
        "post",
        "count-line-reason",
        "unexplained_line",
        needs=_KEEP,
        body=lambda w: {"reason": "Fell behind the rack"},
    ),
    route("post", "count-line-approval", "waiting_line", needs=[C.APPROVE_COUNTS]),
    route(
        "post",
        "count-line-recount",
        "waiting_line",
        needs=[C.APPROVE_COUNTS],
        body=lambda w: WHY,
    ),
    route("get", "store-value-list", seen=LIST),
    route("get", "store-value-detail", "store"),
    route("get", "repair-cost-list", seen=LIST),
    route("get", "repair-cost-detail", "signed"),
    route("get", "labour-list", seen=LIST),
    route(
        "post",
        "labour-list",
        seen=BODY,
        needs=[C.RECORD_LABOUR],
        body=lambda w: {"inspection": w.signed.pk, "hours": "1.5", "what": "Fitted"},
        foreign={"inspection": "signed"},
    ),
    route(
        "post",
        "labour-taking-back",
        "labour",
        needs=[C.RECORD_LABOUR],
        body=lambda w: {"reason": "Other pump"},
    ),
    route("get", "exchange-rate-list", seen=SHARED),
    route(
        "post",
        "exchange-rate-list",
        seen=SHARED,
        needs=[C.SET_HOLDINGS],
        body=lambda w: {"base": "GBP", "quote": "EUR", "rate": "1.2", "valid_from": "2026-11-01"},
    ),
    route("get", "export-stock-value", seen=LIST, needs=[C.EXPORT]),
    route("get", "export-repair-costs", seen=LIST, needs=[C.EXPORT]),
)

_HOLDING = (
    route("get", "holding-list", seen=LIST),
    route(
        "post",
        "holding-list",
        seen=BODY,
        needs=[C.SET_HOLDINGS],
        body=lambda w: on_shelf(w, reorder_point=1, order_up_to=3),
        foreign=STORE,
    ),
    route("get", "holding-detail", "holding"),
    route("delete", "holding-detail", "holding", needs=[C.SET_HOLDINGS]),
    route("get", "holding-advice-detail", "store"),
    route("get", "holding-curve-detail", "store"),
    route(
        "post",
        "holding-choice-list",
        seen=BODY,
        needs=[C.SET_HOLDINGS],
        body=lambda w: {"store": w.store.pk, "waiting_percent": 5},
        foreign=STORE,
    ),
    route("get", "forecast-list", seen=LIST),
    route("get", "forecast-detail", "forecast"),
    route(
        "post",
        "forecast-list",
        seen=BODY,
        needs=[C.SET_HOLDINGS],
        body=lambda w: on_shelf(
            w, window_days=90, probabilities=[0.6, 0.3, 0.1], source="Wear of 4 pumps"
        ),
        foreign=STORE,
    ),
)

API: tuple[Route, ...] = (*_HOLDING, *_FLEET, *_INSPECTIONS, *_PARTS, *_COUNTING)
