"""Suppliers, offers, the one preferred, and what drafts do when an offer changes."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone

from fleet.faults import Conflict, Fault, NotAllowed, Stale
from fleet.plumbing.models import Event
from fleet.roles import Role
from parts import buying_selectors
from parts.models import Supplier, SupplierPart
from parts.rules.lead_times import Observed
from parts.services import put_away, suppliers
from tests import factories
from tests.parts.build import make_yard
from tests.parts.buying import draft_of, line_of, make_supplier, make_trade, offer, sent

pytestmark = pytest.mark.django_db
D = Decimal


def preferred_of(part: Any) -> list[int]:
    return list(
        SupplierPart.objects.filter(part=part, preferred=True).values_list("supplier", flat=True)
    )


@pytest.mark.parametrize("role", list(Role))
def test_who_keeps_the_catalogue_or_buys_keeps_suppliers(role: Role) -> None:
    person = factories.make_person(make_yard().site, role)
    if role in (Role.STORES_CLERK, Role.MAINTENANCE_MANAGER):
        assert make_supplier(person).pk
    else:
        with pytest.raises(NotAllowed):
            make_supplier(person)


def test_a_supplier_is_kept_as_it_was_typed_and_its_name_is_taken_once() -> None:
    clerk = make_yard().clerk
    supplier = suppliers.add_supplier(actor=clerk, name=" Björk & Søn ", currency="sek")
    assert (supplier.name, supplier.currency) == ("Björk & Søn", "SEK")
    with pytest.raises(Conflict) as taken:
        suppliers.add_supplier(actor=clerk, name="Björk & Søn")
    assert taken.value.field == "name"


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"name": " "}, "name"),
        ({"currency": "EURO"}, "currency"),
        ({"currency": "E1R"}, "currency"),
        ({"currency": "ÄÖÜ"}, "currency"),
        ({"email": "nobody"}, "email"),
        ({"minimum_order_value": D(-1)}, "minimum_order_value"),
    ],
)
def test_what_cannot_be_stored_is_refused_by_its_field(fields: dict[str, Any], field: str) -> None:
    with pytest.raises(Fault) as refused:
        make_supplier(make_yard().clerk, **fields)
    assert refused.value.field == field
    assert not Supplier.objects.exists()


def test_a_change_on_an_old_version_is_refused() -> None:
    clerk = make_yard().clerk
    supplier = make_supplier(clerk)
    suppliers.change_supplier(actor=clerk, supplier=supplier, version=1, email="in@example.com")
    with pytest.raises(Stale):
        suppliers.change_supplier(actor=clerk, supplier=supplier, version=1, email="")


def test_the_currency_stays_while_there_are_prices_in_it() -> None:
    trade = make_trade()
    with pytest.raises(Conflict) as refused:
        suppliers.change_supplier(
            actor=trade.yard.clerk, supplier=trade.supplier, version=None, currency="SEK"
        )
    assert refused.value.code == "has_offers"


def test_the_first_offer_is_preferred_and_the_mark_moves_with_the_choice() -> None:
    trade = make_trade()
    clerk, part = trade.yard.clerk, trade.part
    assert preferred_of(part) == [trade.supplier.pk]
    second = offer(clerk, make_supplier(clerk), part)
    assert preferred_of(part) == [trade.supplier.pk]
    suppliers.prefer(actor=clerk, offer=second)
    assert preferred_of(part) == [second.supplier_id]
    third = offer(clerk, make_supplier(clerk), part, preferred=True)
    assert preferred_of(part) == [third.supplier_id]


def test_the_preferred_offer_goes_last() -> None:
    trade = make_trade()
    clerk = trade.yard.clerk
    second = offer(clerk, make_supplier(clerk), trade.part)
    with pytest.raises(Conflict):
        suppliers.remove_offer(actor=clerk, offer=trade.offer)
    suppliers.remove_offer(actor=clerk, offer=second)
    suppliers.remove_offer(actor=clerk, offer=trade.offer)
    assert not SupplierPart.objects.exists()


@pytest.mark.parametrize(
    ("field", "figure"),
    [
        ("pack_size", 0),
        ("pack_size", 10_001),
        ("minimum_quantity", 0),
        ("lead_days", -1),
        ("lead_days", 1001),
        ("price", D("-0.01")),
        ("price", D("NaN")),
    ],
)
def test_figures_out_of_range_are_refused(field: str, figure: Any) -> None:
    trade = make_trade()
    with pytest.raises(Fault) as refused:
        offer(trade.yard.clerk, trade.supplier, trade.part, **{field: figure})
    assert refused.value.field == field


def test_a_draft_follows_the_offer_and_an_order_that_went_out_does_not() -> None:
    trade = make_trade()
    gone = sent(trade)
    draft = draft_of(trade, 3)
    assert line_of(draft).quantity == 5
    offer(trade.yard.clerk, trade.supplier, trade.part, price=D(20), pack_size=4)
    line = line_of(draft)
    assert (line.unit_price, line.quantity, line.manual_quantity) == (20, 4, 3)
    assert line_of(gone).unit_price == D("12.50")


def test_what_is_offered_asks_for_planning() -> None:
    trade = make_trade()
    clerk, part = trade.yard.clerk, trade.part
    second = offer(clerk, make_supplier(clerk), part)

    def asked(work: Any) -> bool:
        Event.objects.all().delete()
        work()
        return [e.payload["part_ids"] for e in Event.objects.all()] == [[part.pk]]

    assert asked(lambda: offer(clerk, trade.supplier, part, price=D(1)))
    assert asked(lambda: suppliers.prefer(actor=clerk, offer=second))
    assert asked(lambda: suppliers.remove_offer(actor=clerk, offer=trade.offer))
    assert asked(
        lambda: suppliers.change_supplier(
            actor=clerk, supplier=second.supplier, version=None, active=False
        )
    )


def test_a_new_address_brings_a_new_secret_and_none_takes_both_away() -> None:
    clerk = make_yard().clerk
    supplier = make_supplier(clerk)

    def to(url: str) -> str:
        return suppliers.set_webhook(actor=clerk, supplier=supplier, version=None, url=url)

    first, second = to("https://orders.example.com/in"), to("https://orders.example.com/in")
    assert len(first) >= 40
    assert first != second
    supplier.refresh_from_db()
    assert supplier.webhook_secret == second
    assert to(" ") == ""
    supplier.refresh_from_db()
    assert (supplier.webhook_url, supplier.webhook_secret) == ("", "")
    with pytest.raises(Fault) as refused:
        to("http://orders.example.com/in")
    assert refused.value.field == "webhook_url"


def test_lead_times_are_seen_from_sending_to_the_first_receipt() -> None:
    trade = make_trade()
    begin = timezone.now().replace(hour=12) - timedelta(days=200)
    assert buying_selectors.observed_of([trade.supplier.pk], [trade.part.pk]) == {}
    for days in (9, 21, 12):
        order = sent(trade, now=begin)
        for later in (days, days + 30):
            put_away.receive_line(
                actor=trade.yard.clerk,
                line=line_of(order),
                quantity=5,
                now=begin + timedelta(days=later),
            )
    (shown,) = buying_selectors.with_observed(buying_selectors.offers())
    assert shown.observed == Observed(3, 12.0, 9, 21)  # type: ignore[attr-defined]
