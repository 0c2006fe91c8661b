"""The main job over HTTP alone: from an issued sheet to a pump that is ready to rebuild.

The service runs as it does in use: a web server, the relay, and a Celery worker that raises the
demands. Nothing below the client touches the database.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from fleet.models import Site, User
from fleet.roles import Role
from fleet.services import people
from tests import factories
from tests.journeys.api import Client
from tests.journeys.background import relaying, working

pytestmark = pytest.mark.django_db(transaction=True)

COMPONENTS = [
    "seals",
    "wear_plate_front",
    "wear_plate_rear",
    "gears",
    "shafts",
    "bushes",
    "housing_bore",
    "inlet_port",
    "outlet_port",
]
METRIC_20 = [f"{n * 0.05:.2f}" for n in range(1, 21)]


@pytest.fixture
def background() -> Iterator[None]:
    with relaying(), working():
        yield


@pytest.fixture
def site() -> Site:
    return factories.make_site("quarry-north")


def client(address: str, user: User) -> Client:
    """Every person signs in once to get a token; here it is made for them."""
    expires = datetime.now(UTC) + timedelta(days=1)
    _token, plain = people.issue_own_token(actor=user, name="journey", expires_at=expires)
    return Client(address, plain)


def sheet_lines() -> list[dict[str, Any]]:
    """Limits as TM 5-3825-229-14&P p.5-33 and TM 5-3820-256-24-2 print them, on a made-up model."""
    return [
        {
            "characteristic": "side_clearance",
            "component": "wear_plate_front",
            "judged_by": "each",
            "unit": "mm",
            "limit_high": "0.15",
            "new_low": "0.05",
            "new_high": "0.15",
            "also_unit": "in",
            "also_limit_high": "0.006",
            "positions": ["drive 12 o'clock", "idler 12 o'clock"],
            "instrument_kind": "feeler",
            "page": "5-33",
        },
        {
            "characteristic": "cut_in_depth",
            "component": "housing_bore",
            "judged_by": "leaf_enters",
            "unit": "in",
            "limit_high": "0.005",
            "also_unit": "mm",
            "also_limit_high": "0.127",
            "positions": ["drive centre"],
            "instrument_kind": "feeler",
            "page": "7-4",
        },
        {
            "characteristic": "shaft_to_bush",
            "component": "bushes",
            "judged_by": "difference",
            "unit": "mm",
            "limit_high": "0.177",
            "positions": ["drive front"],
            "terms": ["bore", "journal"],
            "instrument_kind": "bore_gauge",
            "page": "4-203",
        },
        {
            "characteristic": "plate_flatness",
            "component": "wear_plate_rear",
            "judged_by": "not_applicable",
            "unit": "mm",
            "not_applicable_reason": "The plates are pressure-loaded.",
            "page": "5-34",
        },
    ]


@pytest.mark.usefixtures("background")
def test_from_an_issued_sheet_to_a_pump_that_is_ready_to_rebuild(
    live_server: Any, site: Site
) -> None:
    address = live_server.url
    trainee = client(address, factories.make_person(site, Role.TECHNICIAN, trainee=True))
    competent = client(address, factories.make_person(site, Role.COMPETENT_PERSON))
    supervisor = client(address, factories.make_person(site, Role.SUPERVISOR))
    clerk = client(address, factories.make_person(site, Role.STORES_CLERK))

    # The sheet: a misprint is refused with both readings, the right figures are issued.
    model = supervisor.post(
        "pump-models",
        {
            "maker": "Ostermoor",
            "designation": "G2-32",
            "family": "external_gear",
            "displacement_cm3": "32.0",
            "rated_pressure_bar": "210",
            "speed_min_rpm": 500,
            "speed_max_rpm": 2500,
            "rotation": "clockwise",
            "oil_grade_vg": 46,
        },
    )["id"]
    heading = {"model": model, "revision": "A", "document": "G2 workshop manual"}
    misprint = sheet_lines()
    # TM 5-3810-307 prints 0.007 in as 0.018 mm; true is 0.1778.
    misprint[1] |= {"limit_high": "0.007", "also_limit_high": "0.018"}
    fault = supervisor.send("POST", "limit-sheets", {**heading, "lines": misprint}).refused(422)
    assert fault["errors"][0]["pointer"].startswith("/lines/1/also_limit_high")
    assert "0.007 in" in fault["errors"][0]["detail"]
    assert "0.018 mm" in fault["errors"][0]["detail"]
    sheet = supervisor.post("limit-sheets", {**heading, "lines": sheet_lines()})["id"]
    etag = supervisor.etag_of(f"limit-sheets/{sheet}")
    assert supervisor.post(f"limit-sheets/{sheet}/issue", etag=etag)["state"] == "issued"

    # The pump and what the bench has.
    pump = supervisor.post(
        "pumps",
        {
            "site": site.pk,
            "model": model,
            "tag": "GP-01",
            "serial": "77121",
            "machine": "Loader 3",
            "meter_h": "4200",
        },
    )["id"]
    leaf_set = instrument(supervisor, site, "LS-1", "feeler", leaves=METRIC_20)
    inch_set = instrument(supervisor, site, "LS-2", "feeler", unit="in", leaves=["0.004", "0.005"])
    bore_gauge = instrument(supervisor, site, "BG-1", "bore_gauge", resolution="0.001")

    # Open; nothing is measured before zero is proved.
    inspection = trainee.post("inspections", {"pump": pump, "reason": "planned"})["id"]
    here = f"inspections/{inspection}"
    lines = {c["characteristic"]: c["line"] for c in trainee.get(here)["checks"]}
    side = {"line": lines["side_clearance"], "position": "drive 12 o'clock", "instrument": leaf_set}
    tries = [{"leaves": ["0.15"], "feel": "drag"}, {"leaves": ["0.20"], "feel": "refuses"}]
    early = trainee.send("POST", f"{here}/readings", {**side, "tries": tries}).refused(409)
    assert "proved zero" in early["detail"]
    trainee.post(f"{here}/cautions")
    now = datetime.now(UTC)
    trainee.post(
        f"{here}/isolation",
        {
            "lock_number": "L-12",
            "isolated_at": (now - timedelta(minutes=20)).isoformat(),
            "proved_zero_how": "Gauge at 0 bar, start tried",
            "proved_zero_at": (now - timedelta(minutes=10)).isoformat(),
        },
    )
    plate = trainee.send("PUT", f"{here}/nameplate", {"serial": "77127", "maker": "Ostermoor"})
    assert "77127" in plate.ok()["mismatches"][0]
    assert "77121" in plate.body["mismatches"][0]

    # Leaves: contradiction refused, bracket undecided, the next leaf named, then decided.
    wrong = [{"leaves": ["0.20"], "feel": "drag"}, {"leaves": ["0.15"], "feel": "refuses"}]
    pair = trainee.send("POST", f"{here}/readings", {**side, "tries": wrong}).refused(422)
    assert "0.20" in pair["errors"][0]["detail"]
    assert "0.15" in pair["errors"][0]["detail"]
    key = "bench-2-reading-1"
    taken = trainee.post(f"{here}/readings", {**side, "tries": tries}, key=key)
    assert (taken["reading"]["low"], taken["reading"]["high"]) == ("0.15", "0.20")
    assert taken["check"]["verdict"]["outcome"] == "undecided"
    again = trainee.send("POST", f"{here}/readings", {**side, "tries": tries}, key=key)
    assert again.headers["Idempotent-Replay"] == "true"
    assert again.body["reading"]["id"] == taken["reading"]["id"]
    advice = trainee.get(
        f"{here}/next-leaf?line={side['line']}&instrument={leaf_set}"
        "&position=drive%2012%20o%27clock"
    )
    # No leaf or pair of this set lies inside 0.15 to 0.20 mm: it says so instead of guessing.
    assert advice["kind"] == "cannot_decide"
    assert "0.15" in advice["sentence"]
    assert "0.20" in advice["sentence"]
    fine = instrument(supervisor, site, "LS-3", "feeler", leaves=["0.06", "0.10", "0.15", "0.20"])
    side["instrument"] = fine
    trainee.post(f"{here}/readings", {**side, "tries": tries})
    advice = trainee.get(
        f"{here}/next-leaf?line={side['line']}&instrument={fine}&position=drive%2012%20o%27clock"
    )
    assert (advice["kind"], sorted(advice["leaves"])) == ("try", ["0.06", "0.10"])
    tries.append({"leaves": ["0.10", "0.06"], "feel": "drag"})
    verdict = trainee.post(f"{here}/readings", {**side, "tries": tries})["check"]["verdict"]
    assert verdict["outcome"] == "out"
    assert "5-33" in verdict["sentence"]
    side["position"] = "idler 12 o'clock"
    trainee.post(
        f"{here}/readings",
        {**side, "tries": [{"leaves": ["0.10"], "feel": "free"}, *tries[1:2]]},
    )
    cut_in = {"line": lines["cut_in_depth"], "position": "drive centre", "instrument": inch_set}
    cut = [{"leaves": ["0.005"], "feel": "refuses"}]
    verdict = trainee.post(f"{here}/readings", {**cut_in, "tries": cut})["check"]["verdict"]
    assert verdict["outcome"] == "within"
    # 19.112 - 18.935 = 0.177, the figures of TM 10-3930-653-14&P p.4-203: just within.
    for term, value in (("bore", "19.112"), ("journal", "18.935")):
        verdict = trainee.post(
            f"{here}/readings",
            {
                "line": lines["shaft_to_bush"],
                "position": "drive front",
                "term": term,
                "instrument": bore_gauge,
                "value": value,
                "unit": "mm",
            },
        )["check"]["verdict"]
    assert verdict["outcome"] == "within"

    # What is seen; then what becomes of each component.
    blocked = trainee.send("POST", f"{here}/disposition-proposals").refused(422)
    assert len(blocked["errors"]) == len(COMPONENTS)
    for component in COMPONENTS:
        seen = {"component": component, "word": "no_defect", "severity": 0}
        if component == "wear_plate_front":
            seen |= {"word": "scored", "severity": 2, "cause": "contamination", "place": "inlet"}
        trainee.post(f"{here}/findings", seen)
    trainee.post(f"{here}/disposition-proposals")
    decided = {d["component"]: d for d in trainee.get(f"{here}/dispositions")["dispositions"]}
    assert decided["seals"]["decided"] == "replace"
    assert decided["wear_plate_rear"]["decided"] == "replace_as_set"
    assert decided["gears"]["decided"] == "reuse"
    assert all(d["reasons"][0]["source"] for d in decided.values())
    no_reason = trainee.send(
        "PATCH", f"{here}/dispositions/shafts", {"decided": "replace", "reason": ""}
    ).refused(422)
    assert no_reason["errors"][0]["pointer"] == "/reason"

    # Stores know the seal kit and the plate; one plate lies there, two are needed.
    store = clerk.post("stores", {"site": site.pk})["id"]
    kit = part(clerk, model, "G2-SEAL-KIT", "Seal kit", ["seals"])
    plate_part = part(clerk, model, "G2-PLATE", "Wear plate", COMPONENTS[1:3])
    for number, quantity in ((kit, 2), (plate_part, 1)):
        clerk.post("stock-receipts", {"store": store, "part": number, "quantity": quantity})

    # Signed by the trainee, countersigned by another account, locked.
    own = trainee.send("POST", f"{here}/signature", etag='"1-1"').refused(412)
    assert own["status"] == 412
    signed = trainee.post(f"{here}/signature", etag=trainee.etag_of(here))
    assert signed["state"] == "awaiting_countersignature"
    trainee.send("POST", f"{here}/countersignature", etag=trainee.etag_of(here)).refused(403)
    done = competent.post(f"{here}/countersignature", etag=competent.etag_of(here))
    assert done["state"] == "signed"
    trainee.send("POST", f"{here}/readings", {**cut_in, "tries": cut}).refused(409)

    # The worker raises one demand for each 'replace'; the second plate is short.
    demands = eventually(lambda: clerk.get(f"demands?inspection={inspection}")["results"], 3)
    assert sorted(d["state"] for d in demands) == ["reserved", "reserved", "short"]
    assert clerk.get(f"pumps/{pump}")["status"] == "awaiting_parts"
    pull = [d for d in demands if d["state"] == "reserved"]
    wrong_part = clerk.send(
        "POST", f"demands/{pull[0]['id']}/pull", {"scanned_number": "G9-PLATE", "quantity": 1}
    ).refused(422)
    assert "G9-PLATE" in wrong_part["errors"][0]["detail"]
    for demand in pull:
        clerk.post(
            f"demands/{demand['id']}/pull",
            {"scanned_number": demand["part_number"], "quantity": demand["quantity"]},
        )
    assert clerk.get(f"pumps/{pump}")["status"] == "awaiting_parts"
    clerk.post("stock-receipts", {"store": store, "part": plate_part, "quantity": 5})
    (last,) = (d for d in demands if d["state"] == "short")
    assert clerk.get(f"demands/{last['id']}")["state"] == "reserved"
    clerk.post(f"demands/{last['id']}/pull", {"scanned_number": "g2-plate", "quantity": 1})
    assert trainee.get(f"pumps/{pump}")["status"] == "ready_to_rebuild"
    report = trainee.get(f"{here}/report")
    assert [step["new"] for step in report["state_changes"]] == [
        "open",
        "awaiting_countersignature",
        "signed",
    ]


def instrument(
    by: Client, site: Site, identity: str, kind: str, *, unit: str = "mm", **more: Any
) -> int:
    body = {"site": site.pk, "identity": identity, "name": identity, "kind": kind, "unit": unit}
    return int(by.post("instruments", {**body, **more})["id"])


def part(by: Client, model: int, number: str, name: str, components: list[str]) -> int:
    made = int(by.post("parts", {"number": number, "name": name})["id"])
    for component in components:
        by.post("fits", {"model": model, "component": component, "part": made})
    return made


def eventually(read: Any, count: int, seconds: float = 60) -> list[dict[str, Any]]:
    """What `read` gives as soon as it gives `count` rows: the worker is another process."""
    end = time.monotonic() + seconds
    rows: list[dict[str, Any]] = []
    while time.monotonic() < end:
        rows = read()
        if len(rows) >= count:
            break
        time.sleep(0.2)
    assert len(rows) == count, rows
    return rows
