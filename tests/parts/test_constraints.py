"""Every invariant of parts is kept by the database too: raw SQL is refused by name.

A new constraint without a case here fails the first test.
"""

from __future__ import annotations

import pytest
from django.apps import apps
from django.db import IntegrityError, connection, transaction
from django.db.utils import ProgrammingError

from parts.constraints import PARTS_CONSTRAINTS
from parts.models import Demand, Movement
from parts.services import catalogue, demands
from tests import factories
from tests.parts.build import (
    GEARS,
    SEALS,
    fit,
    make_part,
    make_signed,
    make_yard,
    put_on_shelf,
)

pytestmark = pytest.mark.django_db

_MOVED = "INSERT INTO parts_movement (store_id, part_id, kind, on_hand_change, reserved_change, demand_id, reason, at) "  # noqa: E501

# Constraint -> a statement that breaks it and nothing else, with {ids} of the rows of `_rows`.
BREAKS: dict[str, str] = {
    "parts_part_number_key": "UPDATE parts_part SET number = (SELECT number FROM parts_part WHERE id = {ring}) WHERE id = {kit}",  # noqa: E501
    "parts_part_number": "UPDATE parts_part SET number = 'sk 1' WHERE id = {kit}",
    "parts_part_named": "UPDATE parts_part SET name = '' WHERE id = {kit}",
    "parts_kitcontent_once": "INSERT INTO parts_kitcontent (kit_id, part_id, quantity) VALUES ({kit}, {ring}, 2)",  # noqa: E501
    "parts_kitcontent_quantity": "UPDATE parts_kitcontent SET quantity = 0",
    "parts_kitcontent_not_itself": "UPDATE parts_kitcontent SET part_id = kit_id",
    "parts_fit_once": "INSERT INTO parts_fit (model_id, component, part_id, quantity) VALUES ({model}, 'seals', {ring}, 1)",  # noqa: E501
    "parts_fit_component": "UPDATE parts_fit SET component = 'lid'",
    "parts_fit_quantity": "UPDATE parts_fit SET quantity = 1001",
    "parts_store_site_id_key": "INSERT INTO parts_store (site_id, name) VALUES ({site}, 'Two')",
    "parts_stocklevel_once": "INSERT INTO parts_stocklevel (store_id, part_id, bin, on_hand, reserved) VALUES ({store}, {kit}, '', 0, 0)",  # noqa: E501
    "parts_stocklevel_never_below_zero": "UPDATE parts_stocklevel SET on_hand = 10000001",
    "parts_stocklevel_reserved_is_there": "UPDATE parts_stocklevel SET reserved = on_hand + 1",
    "parts_demand_disposition_id_key": "UPDATE parts_demand SET disposition_id = (SELECT min(disposition_id) FROM parts_demand)",  # noqa: E501
    "parts_demand_state": "UPDATE parts_demand SET state = 'lost' WHERE id = {reserved}",
    "parts_demand_quantity": "UPDATE parts_demand SET quantity = 0",
    "parts_demand_part_unless_unmatched": "UPDATE parts_demand SET part_id = NULL WHERE id = {reserved}",  # noqa: E501
    "parts_demand_issued_by_whom": "UPDATE parts_demand SET state = 'issued', issued_at = now() WHERE id = {reserved}",  # noqa: E501
    "parts_movement_kind": _MOVED + "VALUES ({store}, {kit}, 'loan', 1, 0, NULL, '', now())",
    "parts_movement_signs": _MOVED + "VALUES ({store}, {kit}, 'receipt', -1, 0, NULL, '', now())",
    "parts_movement_correction_has_reason": _MOVED
    + "VALUES ({store}, {kit}, 'correction', 1, 0, NULL, '', now())",
    "parts_movement_for_a_demand": _MOVED
    + "VALUES ({store}, {kit}, 'release', 0, -1, NULL, '', now())",
    "parts_movement_issued_once": _MOVED  # noqa: S608  # ids of our own rows
    + "SELECT {store}, {kit}, 'issue', -1, -1, {reserved}, '', now() FROM generate_series(1, 2)",
}

# All ways in which a movement of a kind would change the sums the wrong way.
WRONG_SIGNS = [
    ("receipt", 0, 0),
    ("receipt", 1, 1),
    ("reservation", 0, -1),
    ("reservation", 1, 1),
    ("release", 0, 1),
    ("release", -1, -1),
    ("issue", 1, 1),
    ("issue", -1, 0),
    ("issue", -2, -1),
    ("correction", 0, 0),
    ("correction", 1, 1),
    ("scrap", 1, 0),
    ("scrap", -1, -1),
]


@pytest.fixture
def ids() -> dict[str, int]:
    yard = make_yard()
    pump = factories.make_pump(yard.site)
    kit, ring = make_part(yard), make_part(yard, is_kit=False)
    catalogue.set_kit_contents(actor=yard.clerk, kit=kit, version=None, contents=[(ring, 4)])
    fit(yard, pump, SEALS, kit)
    put_on_shelf(yard, kit, 3)
    demands.raise_for_signed(event=make_signed(yard, pump, [SEALS, GEARS]))
    return {
        "site": yard.site.pk,
        "store": yard.store.pk,
        "model": pump.model_id,
        "kit": kit.pk,
        "ring": ring.pk,
        "reserved": Demand.objects.get(state="reserved").pk,
    }


def run(statement: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(statement)


def broken_by(statement: str) -> str | None:
    with pytest.raises(IntegrityError) as refused, transaction.atomic():
        run(statement)
    name: str | None = refused.value.__cause__.diag.constraint_name  # type: ignore[union-attr]
    return name


def names_of_constraints() -> set[str]:
    names = set()
    for model in apps.get_app_config("parts").get_models():
        names |= {constraint.name for constraint in model._meta.constraints}
        names |= {
            f"{model._meta.db_table}_{field.column}_key"
            for field in model._meta.concrete_fields
            if field.unique and not field.primary_key
        }
    return names


def test_each_constraint_has_a_case_and_a_sentence() -> None:
    assert set(BREAKS) == names_of_constraints()
    assert set(PARTS_CONSTRAINTS) == names_of_constraints()


@pytest.mark.parametrize("name", BREAKS)
def test_raw_sql_is_refused_by(name: str, ids: dict[str, int]) -> None:
    assert broken_by(BREAKS[name].format(**ids)) == name


@pytest.mark.parametrize(("kind", "on_hand", "reserved"), WRONG_SIGNS)
def test_a_movement_with_wrong_signs_is_refused(
    kind: str, on_hand: int, reserved: int, ids: dict[str, int]
) -> None:
    values = (
        f"VALUES ({{store}}, {{kit}}, '{kind}', {on_hand}, {reserved}, {{reserved}}, 'x', now())"
    )
    assert broken_by((_MOVED + values).format(**ids)) == "parts_movement_signs"


@pytest.mark.parametrize(
    ("name", "statement"),
    [
        ("parts_stocklevel_never_below_zero", "UPDATE parts_stocklevel SET on_hand = -1"),
        ("parts_stocklevel_reserved_is_there", "UPDATE parts_stocklevel SET reserved = -1"),
        (
            "parts_demand_part_unless_unmatched",
            "UPDATE parts_demand SET state = 'unmatched' WHERE id = {reserved}",
        ),
        ("parts_demand_issued_by_whom", "UPDATE parts_demand SET issued_at = now()"),
    ],
)
def test_the_other_side_of_a_check_is_refused_too(
    name: str, statement: str, ids: dict[str, int]
) -> None:
    assert broken_by(statement.format(**ids)) == name


@pytest.mark.parametrize(
    "statement",
    ["UPDATE parts_movement SET reason = 'other'", "DELETE FROM parts_movement"],
)
def test_the_ledger_is_never_edited(statement: str, ids: dict[str, int]) -> None:
    before = list(Movement.objects.values())
    with pytest.raises(ProgrammingError, match="Cannot update or delete"), transaction.atomic():
        run(statement)
    assert list(Movement.objects.values()) == before
