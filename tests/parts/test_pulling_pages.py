"""Pages and API of pulling beyond a plain scan: one walk, questions, short pulls, taking back."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from fleet.models import User
from fleet.services import people
from parts.models import Batch, Demand, Need
from parts.rules.labels import bag_text
from parts.services import demands, ledger, stock
from parts.web.forms_pulling import RETURN_REASONS, SHORT_REASONS, UNDO_REASONS
from tests import factories
from tests.parts.build import (
    SEALS,
    Yard,
    fit,
    level,
    make_part,
    make_signed,
    make_yard,
    put_on_shelf,
    raise_demand,
)
from tests.parts.test_api import Caller

pytestmark = pytest.mark.django_db


@pytest.fixture
def yard() -> Yard:
    return make_yard()


def as_user(user: User) -> Client:
    client = Client()
    client.force_login(user)
    return client


def list_of(demand: Demand) -> str:
    return reverse("parts:pull-list", args=[demand.inspection_id])


def walk(*wanted: Demand) -> str:
    query = "&".join(f"inspection={demand.inspection_id}" for demand in wanted)
    return f"{reverse('parts:walk')}?{query}"


def need(demand: Demand, days: int) -> None:
    Need.objects.create(
        inspection=demand.inspection,
        needed_on=timezone.now().date() + timedelta(days=days),
        set_at=timezone.now(),
    )


def said(response: Any) -> list[str]:
    return [str(message) for message in response.context["messages"]]


# --- One walk -----------------------------------------------------------------------------------


def test_a_scan_on_a_walk_issues_for_whoever_needs_it_soonest(yard: Yard) -> None:
    part = make_part(yard)
    put_on_shelf(yard, part, 3)
    later, soon, undated = (raise_demand(yard, part) for _ in range(3))
    need(later, 9)
    need(soon, 2)
    client = as_user(yard.clerk)
    bags = []
    for _ in range(3):
        after = client.post(
            walk(later, soon, undated), {"scanned_number": part.number}, follow=True
        )
        bags.append(said(after)[0].rpartition("bag of ")[2].rstrip("."))
    assert bags == [demand.inspection.pump.tag for demand in (soon, later, undated)]
    assert after.context["stops"] == []


def test_one_walk_stays_within_one_store(yard: Yard) -> None:
    other = make_yard()
    person = factories.make_person(yard.site, "stores_clerk")
    people.grant_role(
        actor=factories.manager_of(other.site), user=person, site=other.site, role="stores_clerk"
    )
    here, there = raise_demand(yard, make_part(yard)), raise_demand(other, make_part(other))
    answer = as_user(person).get(walk(here, there))
    assert answer.status_code == 422
    assert "choose lists of one site" in answer.content.decode()


def test_a_walk_with_a_list_that_is_hidden_is_no_walk(yard: Yard) -> None:
    other = make_yard()
    here, there = raise_demand(yard, make_part(yard)), raise_demand(other, make_part(other))
    assert as_user(yard.clerk).get(walk(here)).status_code == 200
    assert as_user(yard.clerk).get(walk(here, there)).status_code == 404


def test_a_bag_label_opens_its_list_and_no_hidden_one(yard: Yard) -> None:
    other = make_yard()
    here, there = raise_demand(yard, make_part(yard)), raise_demand(other, make_part(other))
    client = as_user(yard.clerk)
    lists = reverse("parts:pull-lists")
    assert client.get(lists, {"bag": bag_text(here.inspection_id)}).headers["Location"] == list_of(
        here
    )
    refused = client.get(lists, {"bag": bag_text(there.inspection_id)}, follow=True)
    assert "is not the label of a bag that you can see" in said(refused)[0]


# --- Questions ----------------------------------------------------------------------------------


def test_a_batch_is_asked_for_then_taken(yard: Yard) -> None:
    part = make_part(yard, shelf_life_months=60)
    for code, days in (("L-1", 10), ("L-2", 90)):
        stock.receive(
            actor=yard.clerk,
            store=yard.store,
            part=part,
            quantity=2,
            batch_code=code,
            expires_on=timezone.now().date() + timedelta(days=days),
        )
    demand = raise_demand(yard, part, 2)
    client = as_user(yard.clerk)
    sent: dict[str, Any] = {"scanned_number": part.number}
    counted = client.post(list_of(demand), sent)
    assert (counted.status_code, counted.context["asks"]) == (200, {"quantity"})
    sent |= {"at": demand.pk, "quantity": "2"}
    asked = client.post(list_of(demand), sent)
    assert [lot.code for lot in asked.context["lots"]] == ["L-1", "L-2"]
    turn = client.post(list_of(demand), {**sent, "batch_code": "l-2"})
    assert (turn.status_code, turn.context["confirm_code"]) == (200, "L-2")
    assert level(yard, part) == (4, 2)
    # Another label scanned where the batch was asked for is a scan of its own.
    other = client.post(list_of(demand), {**sent, "batch_code": f"{part.number}/L-1"})
    assert other.status_code == 302
    assert Batch.objects.get(code="L-1").levels.get().on_hand == 0


# --- What else is done to a line ----------------------------------------------------------------


def test_short_undone_and_returned_on_the_page(yard: Yard) -> None:
    part = make_part(yard)
    put_on_shelf(yard, part, 4)
    demand = raise_demand(yard, part, 2)
    client, address = as_user(yard.clerk), list_of(demand)

    def act(do: str, **fields: Any) -> list[str]:
        return said(client.post(address, {"do": do, "demand": demand.pk, **fields}, follow=True))

    pulled = client.post(address, {"scanned_number": part.number, "quantity": "2"})
    assert pulled.status_code == 302
    assert "it is reserved again" in act("undo", reason=UNDO_REASONS[0])[-1]
    (short,) = act("short", found="1", reason=SHORT_REASONS[0], note="torn bag")
    assert short.startswith("1 ")
    assert level(yard, part) == (0, 0)
    (back,) = act("return", reason=RETURN_REASONS[0], fit_for_stock="yes")
    assert "Put it back into bin A3." in back
    # The rest, which waited, gets what came back.
    assert Demand.objects.get(rest_of=demand).state == "reserved"
    assert ledger.check_ledger() == []


def test_a_refused_act_stands_over_the_list(yard: Yard) -> None:
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    demand = raise_demand(yard, part)
    client = as_user(yard.clerk)
    undo = {"do": "undo", "demand": demand.pk, "reason": UNDO_REASONS[0]}
    refused = client.post(list_of(demand), undo)
    assert refused.status_code == 422
    assert "there is no pull to undo" in refused.context["fault"]
    foreign = {**undo, "demand": raise_demand(yard, part).pk}
    assert client.post(list_of(demand), foreign).status_code == 404


def test_the_technician_confirms_on_the_inspections_page(yard: Yard) -> None:
    part = make_part(yard)
    put_on_shelf(yard, part, 1)
    pump = factories.make_pump(yard.site)
    fit(yard, pump, SEALS, part)
    (demand,) = demands.raise_for_signed(event=make_signed(yard, pump))
    as_user(yard.clerk).post(list_of(demand), {"scanned_number": part.number})
    address = reverse("parts:of-inspection", args=[demand.inspection_id])
    assert "I have them" not in as_user(yard.clerk).get(address).content.decode()
    technician = as_user(yard.technician)
    assert "I have them" in technician.get(address).content.decode()
    page = technician.post(address, follow=True).content.decode()
    assert f"{yard.technician} has 1 line in hand" in page
    demand.refresh_from_db()
    assert demand.confirmed_by == yard.technician


# --- API ----------------------------------------------------------------------------------------


def test_short_undo_confirm_and_return_by_api(yard: Yard) -> None:
    clerk, technician = Caller(yard.clerk), Caller(yard.technician)
    part = make_part(yard)
    put_on_shelf(yard, part, 2)
    demand = raise_demand(yard, part, 2)
    path = f"/demands/{demand.pk}"
    short = clerk.post(f"{path}/short", {"found": 1, "reason": "Box half empty"}).json()
    assert (short["state"], short["quantity"], short["rest_of"]) == ("issued", 1, None)
    undone = clerk.post(f"{path}/undo", {"why": "Wrong bag"}).json()
    assert (undone["state"], undone["why"]) == ("reserved", "Pull undone: Wrong bag")
    clerk.post(f"{path}/pull", {"scanned_number": part.number, "quantity": 1})
    assert clerk.post(f"{path}/confirm").status_code == 403
    confirmed = technician.post(f"{path}/confirm").json()
    assert confirmed["confirmed_at"] is not None
    assert clerk.post(f"{path}/undo", {"why": "Wrong bag"}).status_code == 409
    back = clerk.post(f"{path}/return", {"why": "Not needed", "fit_for_stock": False}).json()
    assert back["state"] == "returned"
    assert level(yard, part) == (0, 0)
    assert ledger.check_ledger() == []
