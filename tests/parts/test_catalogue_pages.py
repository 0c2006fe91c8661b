"""Pages of old numbers, stand-ins, serial ranges, kits and batches."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from parts.models import Alternative, Batch, BatchLevel, Fit, KitOpening, Part, StockLevel
from parts.services import ageing, catalogue, standins, stock
from tests import factories
from tests.parts.build import SEALS, Yard, level, make_part, make_yard, put_on_shelf
from tests.web.client import queries_of, signed_in, text_of

pytestmark = pytest.mark.django_db

TODAY = timezone.now().date()


@pytest.fixture
def yard() -> Yard:
    return make_yard("Quarry North")


def receive(yard: Yard, part: Part, code: str, days: int, quantity: int = 2) -> BatchLevel:
    """Some of a batch that expires in so many days; before today too."""
    ends = TODAY + timedelta(days=days)
    stock.receive(
        actor=yard.clerk,
        store=yard.store,
        part=part,
        quantity=quantity,
        batch_code=code,
        expires_on=max(ends, TODAY),
    )
    Batch.objects.filter(part=part, code=code).update(expires_on=ends)
    return BatchLevel.objects.select_related("batch").get(batch__part=part, batch__code=code)


def make_seal(yard: Yard, **fields: Any) -> Part:
    return make_part(yard, is_kit=False, shelf_life_months=48, **fields)


def test_an_old_number_leads_to_the_newest_and_back(yard: Yard) -> None:
    first, second, third = (make_part(yard, number=f"N-{n}") for n in (1, 2, 3))
    client = signed_in(yard.clerk)
    for old, new in ((first, second), (second, third)):
        done = client.post(f"/stores/parts/{old.pk}/supersede/", {"by": new.number.lower()})
        assert done.status_code == 302
    page = text_of(client.get(f"/stores/parts/{first.pk}/"))
    assert f"Superseded by {second} , and that in turn by {third} : use N-3." in page
    assert "It supersedes N-1 , N-2 ." in text_of(client.get(f"/stores/parts/{third.pk}/"))
    assert "superseded: use N-3" in text_of(client.get("/stores/parts/?q=n-1"))
    loop = client.post(f"/stores/parts/{third.pk}/supersede/", {"by": "N-1"})
    assert loop.status_code == 422
    assert "leads back" in loop.context["form"].errors["by"][0]
    client.post(f"/stores/parts/{first.pk}/supersede/back/")
    assert Part.objects.get(pk=first.pk).superseded_by is None


def test_an_alternative_is_shown_both_ways_round(yard: Yard) -> None:
    part, other = make_part(yard, number="A-1"), make_part(yard, number="B-1", own_number="900")
    client = signed_in(yard.clerk)
    sent = {"other": "900", "why": "Bulletin 7"}
    assert client.post(f"/stores/parts/{part.pk}/alternatives/add/", sent).status_code == 302
    shown = text_of(client.get(f"/stores/parts/{part.pk}/"))
    assert f"may be handed out in its place: B-1 {other.name}: Bulletin 7" in shown
    shown = text_of(client.get(f"/stores/parts/{other.pk}/"))
    assert f"It may itself stand in for: A-1 {part.name}: Bulletin 7" in shown
    row = Alternative.objects.get()
    assert client.post(f"/stores/alternatives/{row.pk}/remove/").status_code == 302
    assert not Alternative.objects.exists()


def test_ranges_stand_on_the_page_of_the_part_and_of_the_model(yard: Yard) -> None:
    model = factories.make_model()
    old, new = make_part(yard, number="A-1"), make_part(yard, number="B-1")
    client = signed_in(yard.clerk)
    sent = {"model": model.pk, "component": SEALS, "quantity": "2"}
    add = f"/stores/parts/{old.pk}/fits/add/"
    assert client.post(add, {**sent, "serial_to": "499"}).status_code == 302
    add = f"/stores/parts/{new.pk}/fits/add/"
    refused = client.post(add, {**sent, "serial_from": "499"})
    assert "serials up to 499, is A-1 already" in refused.context["form"].errors["serial_from"][0]
    done = client.post(add, {**sent, "serial_from": "500", "alternatives_allowed": "on"})
    assert done.status_code == 302
    assert Fit.objects.get(part=new).alternatives_allowed
    assert "serials up to 499: 2 pieces." in text_of(client.get(f"/stores/parts/{old.pk}/"))
    shown = text_of(client.get(f"/stores/models/{model.pk}/"))
    assert f"Seals serials up to 499 A-1 {old.name} 2 not allowed" in shown
    assert f"Seals serial 500 and up B-1 {new.name} 2 may stand in" in shown
    assert f"/stores/models/{model.pk}/" in client.get(f"/models/{model.pk}/").content.decode()


def test_batches_stand_by_the_day_they_expire_with_what_to_do(yard: Yard) -> None:
    seal = make_seal(yard, number="LS-1")
    gone = receive(yard, seal, "B-0", -3)
    soon = receive(yard, seal, "B-1", 30)
    for code, days in (("B-2", 90), ("B-3", 180), ("B-4", 181)):
        receive(yard, seal, code, days)
    page = signed_in(yard.clerk).get("/stores/batches/")
    groups = {g.heading: [row.batch.code for row in g.rows] for g in page.context["groups"]}
    assert groups == {
        "Expired": ["B-0"],
        "Within 30 days": ["B-1"],
        "Within 90 days": ["B-2"],
        "Within 180 days": ["B-3"],
        "Later": ["B-4"],
    }
    assert "2 pieces of 1 batch have expired" in text_of(page)
    scrap = (
        f"/stores/stock/scrap/?store={yard.store.pk}&amp;part=LS-1"
        "&amp;batch_code=B-0&amp;quantity=2"
    )
    body = page.content.decode()
    assert scrap in body
    # The clerk scraps; it takes another to let a batch live longer.
    assert "/extend/" not in body
    assert f"/stores/batches/{gone.pk}/extend/" in (
        signed_in(yard.supervisor).get("/stores/batches/").content.decode()
    )
    form = signed_in(yard.clerk).get(scrap.replace("&amp;", "&")).context["form"]
    sent = {name: form[name].value() for name in ("store", "part", "batch_code", "quantity")}
    client = signed_in(yard.clerk)
    done = client.post("/stores/stock/scrap/", {**sent, "reason": "Expired"})
    assert done.status_code == 302
    assert BatchLevel.objects.get(pk=gone.pk).on_hand == 0
    assert BatchLevel.objects.get(pk=soon.pk).on_hand == 2


def test_a_batch_is_extended_and_the_page_says_why(yard: Yard) -> None:
    row = receive(yard, make_seal(yard), "B-1", -3)
    client = signed_in(yard.supervisor)
    address = f"/stores/batches/{row.pk}/extend/"
    early = client.post(address, {"expires_on": TODAY.isoformat(), "why": "Looked at"})
    assert list(early.context["form"].errors) == ["expires_on"]
    sent = {"expires_on": "2099-01-31", "why": "Hardness checked", "version": "1"}
    assert client.post(address, sent).status_code == 302
    assert "Extended: Hardness checked" in text_of(client.get("/stores/batches/"))
    assert client.post(address, {**sent, "expires_on": "2099-02-01"}).status_code == 422


def test_a_receipt_asks_for_a_batch_only_where_the_part_ages(yard: Yard) -> None:
    seal, plate = make_seal(yard), make_part(yard, is_kit=False)
    client = signed_in(yard.clerk)
    lot = {"batch_code", "cured_on", "expires_on"}

    def fields(part: str) -> set[str]:
        form = client.get("/stores/stock/receive/", {"part": part}).context["form"]
        return lot & set(form.fields)

    assert fields(seal.number) == lot
    assert fields("") == lot
    assert fields(plate.number) == set()
    sent = {"store": yard.store.pk, "part": seal.number, "quantity": "4", "unit_cost": "0,25"}
    refused = client.post("/stores/stock/receive/", sent)
    assert list(refused.context["form"].errors) == ["batch_code"]
    sent |= {"batch_code": "b-1", "cured_on": TODAY.isoformat()}
    assert client.post("/stores/stock/receive/", sent).status_code == 302
    assert Batch.objects.get().code == "B-1"
    assert StockLevel.objects.get().value == 1


def test_what_goes_of_an_unknown_batch_is_told_beside_the_field(yard: Yard) -> None:
    seal = make_seal(yard)
    receive(yard, seal, "B-1", 9)
    client = signed_in(yard.clerk)
    base = {"store": yard.store.pk, "part": seal.number, "reason": "Torn"}
    for name, count in (("scrap", {"quantity": "1"}), ("correct", {"counted": "5"})):
        address = f"/stores/stock/{name}/"
        odd = client.post(address, {**base, **count, "batch_code": "B-9"})
        assert list(odd.context["form"].errors) == ["batch_code"], name
        assert client.post(address, {**base, **count}).status_code == 422
        done = client.post(address, {**base, **count, "batch_code": "b-1"})
        assert done.status_code == 302, name
    assert level(yard, seal) == (5, 0)


def test_a_kit_is_opened_on_its_page(yard: Yard) -> None:
    kit, ring = make_part(yard), make_part(yard, number="OR-1", is_kit=False)
    client = signed_in(yard.clerk)
    assert f"/stores/parts/{kit.pk}/open/" not in (
        client.get(f"/stores/parts/{kit.pk}/").content.decode()
    )
    catalogue.set_kit_contents(actor=yard.clerk, kit=kit, version=None, contents=[(ring, 4)])
    put_on_shelf(yard, kit, 1)
    address = f"/stores/parts/{kit.pk}/open/"
    assert "4 OR-1" in text_of(client.get(address))
    sent = {"store": yard.store.pk, "why": "A ring for HP-9"}
    answer = client.post(address, sent, follow=True)
    assert answer.redirect_chain
    assert "A ring for HP-9" in text_of(answer)
    assert KitOpening.objects.get().opened_by == yard.clerk
    assert (level(yard, kit), level(yard, ring)) == ((0, 0), (4, 0))
    refused = client.post(address, sent)
    assert refused.status_code == 422
    assert "0 on hand" in text_of(refused)
    assert client.get(f"/stores/parts/{ring.pk}/open/").status_code == 404
    assert signed_in(yard.supervisor).get(address).status_code == 403


def test_a_part_that_lies_there_gets_its_shelf_life_and_what_came_back_its_batch(
    yard: Yard,
) -> None:
    part = make_part(yard, is_kit=False)
    put_on_shelf(yard, part, 3)
    client = signed_in(yard.clerk)
    address = f"/stores/parts/{part.pk}/ageing/"
    assert address in client.get(f"/stores/parts/{part.pk}/").content.decode()
    sent = {"shelf_life_months": "48", "cured_on": "2026-01-01", "batch_code": "STOCK-1"}
    assert client.post(address, sent).status_code == 302
    assert BatchLevel.objects.get().on_hand == 3
    StockLevel.objects.update(on_hand=5)
    page = client.get("/stores/batches/")
    assert [(row.part, row.loose) for row in page.context["loose"]] == [(part, 2)]
    put = f"/stores/stock/{StockLevel.objects.get().pk}/batch/"
    assert put in page.content.decode()
    done = client.post(put, {"batch_code": "B-2", "cured_on": "2025-01-01"})
    assert done.status_code == 302
    assert ageing.loose_of(StockLevel.objects.get()) == 0


def test_pages_ask_as_many_queries_for_many_rows_as_for_one(yard: Yard) -> None:
    kit, model = make_part(yard, shelf_life_months=48), factories.make_model()

    def more(n: int) -> None:
        seal = make_seal(yard)
        receive(yard, seal, "B-1", 9)
        receive(yard, kit, f"B-{n}", 9 + n)
        standins.supersede(actor=yard.clerk, part=make_part(yard), by=kit, version=None)
        standins.add_alternative(actor=yard.clerk, part=kit, other=make_part(yard), why="Same")
        catalogue.set_fit(
            actor=yard.clerk,
            model=model,
            component=SEALS,
            part=kit,
            serial_from=n,
            serial_to=n,
        )

    more(1)
    client = signed_in(yard.clerk)
    addresses = (
        "/stores/parts/",
        f"/stores/parts/{kit.pk}/",
        "/stores/batches/",
        f"/stores/models/{model.pk}/",
    )
    one = {address: queries_of(client, address) for address in addresses}
    for n in range(2, 7):
        more(n)
    assert {address: queries_of(client, address) for address in addresses} == one
