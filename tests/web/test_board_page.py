"""The board: sentences first, each number leading to its rows, the next step by role."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.utils import timezone

from fleet.models import Pump, PumpModel, Site, User
from fleet.roles import Role
from fleet.services import pumps
from fleet.vocabulary import Component
from inspections.rules.dispositions import Disposition
from inspections.services import dispositions, signing
from parts.models import Demand, Part, Store
from parts.services import pulling, stock
from tests.factories import (
    SIDE,
    TIP,
    complete_inspection,
    make_inspection,
    make_person,
    make_pump,
    make_signed_inspection,
    make_site,
    manager_of,
)
from tests.web.client import signed_in, text_of
from tests.web.stores import on_shelf, raised, signed

pytestmark = pytest.mark.django_db

RENEWED = ("seals", "wear_plate_front", "wear_plate_rear", "bushes", "gears")


@pytest.fixture
def outsider() -> User:
    return make_person(make_site("forest-mill", "Forest Mill"), Role.STORES_CLERK)


# --- The board --------------------------------------------------------------------------------


def reused_though_out(site: Site, model: PumpModel, kit: Part, store: Store) -> Pump:
    """Back in service with a tip clearance out of limits: overruled by a supervisor."""
    supervisor = make_person(site, Role.SUPERVISOR)
    clerk = make_person(site, Role.STORES_CLERK)
    on_shelf(store, clerk, kit, 1)
    pump = make_pump(site, model, tag="HY-002", machine="Log grab 2")
    inspection = complete_inspection(supervisor, make_inspection(supervisor, pump), out=(TIP,))
    for row in inspection.dispositions.exclude(component="seals").exclude(decided="reuse"):
        dispositions.overrule(
            actor=supervisor,
            inspection=inspection,
            component=Component(row.component),
            decided=Disposition.REUSE,
            reason="Half load until the shutdown",
        )
    inspection.refresh_from_db()
    raised(signing.sign(actor=supervisor, inspection=inspection))
    pulling.pull(actor=clerk, demand=Demand.objects.get(), scanned_number="SK-232", quantity=1)
    pump.refresh_from_db()
    return pumps.set_status(actor=supervisor, pump=pump, status="in_service", why="Rebuilt")


def test_the_board_opens_with_what_is_true(
    site: Site, model: PumpModel, kit: Part, store: Store
) -> None:
    reused_though_out(site, model, kit, store)
    quarry = make_site("quarry-north", "Quarry North")
    keeper = make_person(quarry, Role.STORES_CLERK)
    on_shelf(stock.open_store(actor=keeper, site=quarry), keeper, kit, 6)
    signed(site, model, tag="HY-003")
    trainee = make_person(site, trainee=True, full_name="Noor Fell")
    make_signed_inspection(trainee, make_pump(site, model, tag="HY-004"), out=(SIDE,))
    late = make_pump(site, model, tag="HY-005")
    due = timezone.now().date() - timedelta(days=30)
    pumps.change_pump(actor=manager_of(site), pump=late, next_inspection_on=due)
    make_pump(site, model, tag="HY-006")

    page = signed_in(make_person(site, Role.SUPERVISOR)).get("/")
    said = text_of(page).replace(" .", ".").replace(" ,", ",")
    assert "2 pumps are out of limits, 1 of them running. 1 pump is overdue for inspection." in said
    assert "1 waits for Seal kit, which Quarry North holds." in said
    assert "1 inspection awaits a countersignature." in said
    tags = [row.pump.tag for row in page.context["rows"]]
    # Running out of limits, overdue, awaiting a countersignature, short of parts; HY-006 is well.
    assert tags == ["HY-002", "HY-005", "HY-004", "HY-003"]
    body = page.content.decode()
    assert "verdict-plot--out" in body
    assert "running out of limits" in body
    assert f"Overdue since {due.day} {due:%b %Y}" in body
    assert "Signed by Noor Fell" in said


def test_each_number_leads_to_its_rows(
    site: Site, model: PumpModel, kit: Part, store: Store
) -> None:
    reused_though_out(site, model, kit, store)
    signed(site, model, tag="HY-003")
    client = signed_in(make_person(site, Role.AUDITOR))
    rows = {"running": ["HY-002"], "out": ["HY-002"], "waiting": ["HY-003"], "ready": []}
    for show, tags in rows.items():
        part = client.get(f"/?show={show}", headers={"HX-Request": "true"}).content.decode()
        assert re.findall(r'row-link"[^>]*>([^<]+)<', part) == tags, show
        assert "<html" not in part


def test_the_next_step_on_the_board_follows_the_role(
    site: Site, model: PumpModel, kit: Part, store: Store, clerk: User
) -> None:
    on_shelf(store, clerk, kit, 1)
    waiting = signed(site, model)
    trainee = make_person(site, trainee=True)
    awaiting = make_signed_inspection(trainee, make_pump(site, model))
    countersign = f"/inspections/{awaiting.pk}/countersign/"
    pull = f'href="/stores/lists/{waiting.pk}/">Pull the parts'
    pages = {
        role: signed_in(make_person(site, role)).get("/").content.decode()
        for role in (Role.COMPETENT_PERSON, Role.STORES_CLERK, Role.AUDITOR)
    }
    assert countersign in pages[Role.COMPETENT_PERSON]
    assert countersign not in pages[Role.STORES_CLERK]
    assert pull in pages[Role.STORES_CLERK]
    assert pull not in pages[Role.AUDITOR]


def test_an_empty_installation_says_how_to_begin(site: Site) -> None:
    page = text_of(signed_in(manager_of(site)).get("/"))
    assert "No pump is on the register yet." in page
    assert "Begin with a pump model and its limit sheet" in page


def test_an_outsider_has_an_empty_board(
    site: Site, model: PumpModel, kit: Part, outsider: User
) -> None:
    signed(site, model, tag="HY-003")
    page = signed_in(outsider).get("/")
    assert page.context["rows"] == []
    assert "HY-003" not in page.content.decode()


def test_the_pump_page_takes_in_what_was_found(
    site: Site, model: PumpModel, kit: Part, outsider: User
) -> None:
    inspection = signed(site, model, out=(SIDE,))
    client = signed_in(make_person(site, Role.AUDITOR))
    address = f"/stores/pumps/{inspection.pump_id}/"
    assert f'hx-get="{address}"' in client.get(f"/pumps/{inspection.pump_id}/").content.decode()
    part = client.get(address, headers={"HX-Request": "true"}).content.decode()
    assert "<html" not in part
    assert f"/inspections/{inspection.pk}/report/" in part
    assert "Side clearance" in part
    assert signed_in(outsider).get(address).status_code == 404
