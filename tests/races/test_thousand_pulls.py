"""1,000 pulls of the last 100 kits at once, over HTTP, with several server processes.

250 pumps wait for a kit each and 100 kits lie there, so 100 demands are reserved. Every demand is
pulled four times, by several clerks, all mixed: 100 pulls hand a kit out, 300 find theirs issued
by a rival a moment ago, and 600 find nothing reserved.
"""

from __future__ import annotations

import random
import time
import uuid
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from django.db import connection
from django.utils import timezone

from fleet.models import Pump, User
from fleet.roles import Role
from fleet.services import people
from inspections.models import ComponentDisposition, Inspection
from parts.models import Demand, DemandStep, Movement, Part, StockLevel
from parts.services import ledger, stock
from tests import factories
from tests.journeys.api import Answer, Client
from tests.parts.build import SEALS, Yard, level, make_part, make_yard
from tests.races.web_server import PROCESSES, THREADS, serving

pytestmark = pytest.mark.django_db(transaction=True)

KITS, PUMPS, TRIES, CLERKS = 100, 250, 4, 5
AT_ONCE = 2 * PROCESSES * THREADS  # client threads, so that those of the server are always busy
SECONDS_WHILE_BUSY = 120


def test_a_thousand_pulls_of_the_last_hundred_kits_issue_exactly_a_hundred(tmp_path: Path) -> None:
    yard = make_yard()
    kit = make_part(yard)
    waiting = demands_for(yard, kit)
    stock.receive(
        actor=yard.clerk,
        store=yard.store,
        part=kit,
        quantity=KITS,
        bin="A1",
        unit_cost=Decimal("12.50"),
    )
    assert level(yard, kit) == (KITS, KITS)
    tokens = [token_of(factories.make_person(yard.site, Role.STORES_CLERK)) for _ in range(CLERKS)]
    pulls = [(demand.pk, tokens[n % CLERKS]) for n in range(TRIES) for demand in waiting]
    random.Random(20261125).shuffle(pulls)
    assert len(pulls) == 1000
    deadlocks = deadlocks_so_far()
    began = time.monotonic()
    with serving(tmp_path / "web.log") as address, ThreadPoolExecutor(AT_ONCE) as pool:
        answers = list(pool.map(lambda pull: pulled(address, pull[0], pull[1], kit.number), pulls))
    took = time.monotonic() - began

    assert not [a.body for a in answers if a.status >= 500], (tmp_path / "web.log").read_text()
    assert Counter(answer.status for answer in answers) == {200: KITS, 409: 1000 - KITS}
    issued = [answer.body for answer in answers if answer.status == 200]
    assert {row["state"] for row in issued} == {"issued"}
    assert len({row["id"] for row in issued}) == KITS
    sentences = Counter(sentence_of(answer) for answer in answers if answer.status == 409)
    assert sentences == {
        "issued this on": KITS * (TRIES - 1),
        "Nothing is reserved for this demand": (PUMPS - KITS) * TRIES,
    }

    # What the answers said is what is on record, line by line and summed up.
    assert Movement.objects.filter(kind="issue").count() == KITS
    handed_out = Demand.objects.filter(state="issued")
    assert set(handed_out.values_list("pk", flat=True)) == {row["id"] for row in issued}
    assert Demand.objects.filter(state="short").count() == PUMPS - KITS
    assert Pump.objects.filter(status="ready_to_rebuild").count() == KITS
    assert level(yard, kit) == (0, 0)
    assert StockLevel.objects.get().value == 0
    assert ledger.check_ledger() == []
    assert deadlocks_so_far() == deadlocks
    print(f"1,000 pulls over HTTP in {took:.1f} s, {len(answers) / took:.0f} a second.")


def pulled(address: str, demand: int, token: str, number: str) -> Answer:
    """One pull as a program makes it: told that it is busy, or nothing, it sends it again."""
    client, key = Client(address, token), str(uuid.uuid4())
    body = {"scanned_number": number, "quantity": 1}
    until = time.monotonic() + SECONDS_WHILE_BUSY
    while True:
        pause = 1.0
        try:
            answer = client.send("POST", f"demands/{demand}/pull", body, key=key)
            if not (answer.status == 409 and answer.body["type"].endswith("/busy")):
                return answer
            pause = float(answer.headers["Retry-After"])
        except TimeoutError:
            if time.monotonic() > until:
                raise
        if time.monotonic() > until:
            return answer
        time.sleep(pause)


def sentence_of(answer: Answer) -> str:
    """Which of the two refusals it is; any other stands for itself and fails the count."""
    detail = answer.refused(409)["errors"][0]["detail"]
    for known in ("issued this on", "Nothing is reserved for this demand"):
        if known in detail:
            return known
    return str(detail)


def token_of(user: User) -> str:
    until = timezone.now() + timedelta(hours=1)
    return people.issue_own_token(actor=user, name="Scanner", expires_at=until)[1]


def deadlocks_so_far() -> int:
    with connection.cursor() as cursor:
        # What the server processes counted is there once their connections are closed; what this
        # connection has read before is not read again without the first statement.
        cursor.execute("SELECT pg_stat_clear_snapshot()")
        cursor.execute("SELECT deadlocks FROM pg_stat_database WHERE datname = current_database()")
        return int(cursor.fetchone()[0])


def demands_for(yard: Yard, kit: Part) -> Sequence[Demand]:
    """One waiting demand for each of PUMPS pumps. The bench work is not at stake: bare rows."""
    model = factories.make_model()
    sheet = factories.make_issued_sheet(model)
    now = timezone.now()
    pumps = Pump.objects.bulk_create(
        Pump(
            site=yard.site,
            model=model,
            tag=f"K-{n:03}",
            serial=f"S{n:04}",
            machine=f"Machine {n}",
            status="awaiting_parts",
            hours_read_at=now,
        )
        for n in range(PUMPS)
    )
    inspections = Inspection.objects.bulk_create(
        Inspection(
            site=yard.site,
            pump=pump,
            sheet=sheet,
            reason="planned",
            running_h=Decimal(100),
            opened_by=yard.technician,
            opened_at=now,
            needs_countersignature=False,
        )
        for pump in pumps
    )
    dispositions = ComponentDisposition.objects.bulk_create(
        ComponentDisposition(
            inspection=inspection,
            component=SEALS,
            proposed="replace",
            decided="replace",
            reasons=[],
            decided_by=yard.technician,
            decided_at=now,
        )
        for inspection in inspections
    )
    Inspection.objects.update(state="signed", signed_by=yard.technician, signed_at=now)
    demands = Demand.objects.bulk_create(
        Demand(
            site=yard.site,
            inspection=disposition.inspection,
            disposition=disposition,
            part=kit,
            quantity=1,
            state="short",
            why="Just raised.",
            raised_at=now,
        )
        for disposition in dispositions
    )
    DemandStep.objects.bulk_create(
        DemandStep(demand=demand, state="short", why="Just raised.", at=now) for demand in demands
    )
    return demands
