"""500 countersignatures while the worker is killed at random: every demand once, none lost."""

from __future__ import annotations

import random
import time
from collections import Counter
from datetime import timedelta
from decimal import Decimal

import pytest
from django.db.models import F
from django.utils import timezone

from fleet.models import Delivery, Pump, PumpModel, Site, User
from fleet.plumbing import outbox
from fleet.roles import Role
from fleet.vocabulary import COMPONENTS, Component, PumpFamily
from inspections.models import ComponentDisposition, Inspection
from inspections.rules.dispositions import Disposition
from inspections.services import signing
from parts.models import Demand, Movement, Store
from parts.services import catalogue, ledger, stock
from tests import factories
from tests.journeys.background import relaying, settle, working

pytestmark = pytest.mark.django_db(transaction=True)

PUMPS = 500
RENEWED = (
    Component.SEALS,
    Component.WEAR_PLATE_FRONT,
    Component.WEAR_PLATE_REAR,
    Component.GEARS,
    Component.BUSHES,
)


def test_every_replace_becomes_one_demand_though_the_worker_is_killed_at_random(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # A message that died with its worker is sent again when the lease ends: 60 s in use.
    monkeypatch.setattr(outbox, "FIRST_LEASE", timedelta(seconds=4))
    site, technician, competent, clerk = people()
    model = factories.make_model()
    stocked(clerk, model, Store.objects.filter(site=site).first() or make_store(clerk, site))
    awaiting = awaiting_inspections(site, model, technician)
    dice = random.Random(20261125)
    with relaying(), working() as kill:
        for number, inspection in enumerate(awaiting, start=1):
            signing.countersign(actor=competent, inspection=inspection)
            if number % 20 == 0:
                time.sleep(dice.uniform(0.0, 0.25))
                kill(whole=dice.random() < 0.5)
        assert kill.count == PUMPS // 20
        settle()
    assert Delivery.objects.filter(done_at__isnull=True).count() == 0

    wanted = set(
        ComponentDisposition.objects.filter(
            decided__in=[d.value for d in Disposition if d.renews]
        ).values_list("pk", flat=True)
    )
    raised = Counter(Demand.objects.values_list("disposition_id", flat=True))
    assert len(wanted) == PUMPS * len(RENEWED)
    assert set(raised) == wanted  # none lost, none beside
    assert set(raised.values()) == {1}  # none twice
    # The stock was drawn on once a demand, and the sums are those of the ledger.
    reserved = Demand.objects.filter(state="reserved").count()
    assert Movement.objects.filter(kind="reservation").count() == reserved > 0
    assert Demand.objects.filter(state="short").count() == len(wanted) - reserved > 0
    assert ledger.check_ledger() == []
    assert set(Pump.objects.values_list("status", flat=True)) == {"awaiting_parts"}


def people() -> tuple[Site, User, User, User]:
    site = factories.make_site()
    return (
        site,
        factories.make_person(site, Role.TECHNICIAN, trainee=True),
        factories.make_person(site, Role.COMPETENT_PERSON),
        factories.make_person(site, Role.STORES_CLERK),
    )


def make_store(clerk: User, site: Site) -> Store:
    return stock.open_store(actor=clerk, site=site)


def stocked(clerk: User, model: PumpModel, store: Store) -> None:
    """A part for every component that is renewed, of each some hundred: not enough for all."""
    for number, component in enumerate(RENEWED):
        part = catalogue.add_part(actor=clerk, number=f"TEST-{number}", name=component.label)
        catalogue.set_fit(actor=clerk, model=model, component=component.value, part=part)
        stock.receive(actor=clerk, store=store, part=part, quantity=300 + 40 * number)


def awaiting_inspections(site: Site, model: PumpModel, technician: User) -> list[Inspection]:
    """Signed by a trainee. The bench work is not at stake here, so its rows are made bare."""
    sheet = factories.make_issued_sheet(model)
    now = timezone.now()
    pumps = Pump.objects.bulk_create(
        Pump(
            site=site,
            model=model,
            tag=f"K-{n:03}",
            serial=f"S{n:04}",
            machine=f"Machine {n}",
            status="on_bench",
            hours_read_at=now,
        )
        for n in range(PUMPS)
    )
    rows = Inspection.objects.bulk_create(
        Inspection(
            site=site,
            pump=pump,
            sheet=sheet,
            reason="planned",
            running_h=Decimal(100),
            opened_by=technician,
            opened_at=now,
            needs_countersignature=True,
        )
        for pump in pumps
    )
    ComponentDisposition.objects.bulk_create(
        ComponentDisposition(
            inspection=row,
            component=component.value,
            proposed=(decided := "replace" if component in RENEWED else "reuse"),
            decided=decided,
            reasons=[],
            decided_by=technician,
            decided_at=now,
        )
        for row in rows
        for component in COMPONENTS[PumpFamily.EXTERNAL_GEAR]
    )
    Inspection.objects.update(
        state="awaiting_countersignature",
        signed_by=technician,
        signed_at=now,
        version=F("version") + 1,
    )
    Pump.objects.update(status="awaiting_countersignature")
    return list(Inspection.objects.order_by("pk"))
