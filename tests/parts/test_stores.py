"""What a store is told about itself, by whom, and what that may not break."""

from __future__ import annotations

from decimal import Decimal
from functools import partial
from typing import Any

import pytest

from fleet.faults import Conflict, Fault, NotAllowed, Stale
from fleet.models import User
from parts.models import Store
from parts.services import stock, stores
from tests import factories
from tests.parts.build import Yard, make_part, make_yard
from tests.races.crowd import all_at_once


def manager(yard: Yard) -> User:
    return factories.manager_of(yard.site)


def change(yard: Yard, actor: User | None = None, **fields: Any) -> Store:
    return stores.change_store(
        actor=actor or manager(yard), store=yard.store, version=None, **fields
    )


@pytest.mark.django_db
def test_the_clerk_says_where_it_stands_and_the_manager_what_it_costs() -> None:
    yard, central = make_yard(), make_yard()
    change(
        yard,
        yard.clerk,
        name=" East store ",
        latitude_deg=Decimal("53.55"),
        longitude_deg=Decimal("-9.99"),
    )
    row = change(
        yard,
        currency="usd",
        supplied_by=central.store,
        count_limit=Decimal(50),
        target_service=Decimal("0.9"),
        labour_rate=Decimal("41.5"),
    )
    row.refresh_from_db()
    assert (row.name, row.latitude_deg) == ("East store", Decimal("53.55"))
    assert (row.currency, row.supplied_by, row.labour_rate) == (
        "USD",
        central.store,
        Decimal("41.5"),
    )
    assert row.version == 3


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("who", "fields"),
    [
        ("clerk", {"labour_rate": Decimal(1)}),
        ("clerk", {"currency": "USD"}),
        ("clerk", {"name": "East", "count_limit": Decimal(9)}),
        ("manager", {"name": "East"}),
        ("manager", {"latitude_deg": Decimal(1), "longitude_deg": Decimal(1)}),
        ("technician", {}),
    ],
)
def test_each_changes_what_is_his(who: str, fields: dict[str, Any]) -> None:
    yard = make_yard()
    actor = manager(yard) if who == "manager" else getattr(yard, who)
    before = Store.objects.values().get()
    with pytest.raises(NotAllowed):
        change(yard, actor, **fields)
    assert Store.objects.values().get() == before


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"currency": "E1R"}, "currency"),
        ({"target_service": Decimal(1)}, "target_service"),
        ({"target_service": Decimal("0.4999")}, "target_service"),
        ({"count_limit": Decimal(-1)}, "count_limit"),
        ({"labour_rate": Decimal("NaN")}, "labour_rate"),
    ],
)
def test_what_cannot_be_is_refused_beside_its_field(fields: dict[str, Any], field: str) -> None:
    yard = make_yard()
    with pytest.raises(Fault) as refused:
        change(yard, **fields)
    assert refused.value.field == field


@pytest.mark.django_db
@pytest.mark.parametrize(
    "fields",
    [
        {"latitude_deg": Decimal(50)},
        {"latitude_deg": Decimal(91), "longitude_deg": Decimal(0)},
        {"latitude_deg": Decimal(0), "longitude_deg": Decimal(181)},
    ],
)
def test_a_position_is_whole_and_on_the_globe(fields: dict[str, Any]) -> None:
    yard = make_yard()
    with pytest.raises(Fault) as refused:
        change(yard, yard.clerk, **fields)
    assert refused.value.field == "latitude_deg"


@pytest.mark.django_db
def test_the_currency_stays_while_something_of_value_lies_there() -> None:
    yard = make_yard()
    part = make_part(yard)
    receive = partial(stock.receive, actor=yard.clerk, store=yard.store, part=part)
    receive(quantity=2, unit_cost=Decimal(3))
    with pytest.raises(Conflict) as refused:
        change(yard, currency="USD")
    assert refused.value.code == "has_value"
    assert "6.00" in refused.value.detail
    stock.scrap(actor=yard.clerk, store=yard.store, part=part, quantity=2, reason="Torn")
    assert change(yard, currency="USD").currency == "USD"


@pytest.mark.django_db
def test_no_store_is_restocked_by_itself_in_the_end() -> None:
    a, b, c = make_yard(), make_yard(), make_yard()
    change(a, supplied_by=b.store)
    change(b, supplied_by=c.store)
    for above in (a, c):
        with pytest.raises(Fault) as refused:
            change(c, supplied_by=above.store)
        assert refused.value.code == "loop"
    assert change(b, supplied_by=None).supplied_by is None


@pytest.mark.django_db
def test_a_change_on_an_old_reading_is_refused() -> None:
    yard = make_yard()
    change(yard, labour_rate=Decimal(40))
    with pytest.raises(Stale):
        stores.change_store(
            actor=manager(yard), store=yard.store, version=1, labour_rate=Decimal(41)
        )


@pytest.mark.django_db(transaction=True)
def test_two_stores_put_under_each_other_at_once_make_no_loop() -> None:
    a, b = make_yard(), make_yard()
    acts = [
        partial(change, a, manager(a), supplied_by=b.store),
        partial(change, b, manager(b), supplied_by=a.store),
    ]
    refused = [r for r in all_at_once(acts) if isinstance(r, Exception)]
    assert [type(r) for r in refused] == [Fault]
    assert Store.objects.filter(supplied_by__isnull=False).count() == 1
