"""Every invariant of parts is kept by the database too: raw SQL is refused by name.

A new constraint without a case here fails the first test.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.apps import apps
from django.db import IntegrityError, connection, transaction
from django.db.utils import ProgrammingError
from django.utils import timezone

from fleet.roles import Role
from inspections.models import Inspection
from parts.constraints import PARTS_CONSTRAINTS
from parts.models import Batch, Demand, KitOpening, Movement, Need, Part, Transfer
from parts.rules.lifecycle import MovementKind
from parts.services import (
    approvals,
    catalogue,
    counts,
    demands,
    money,
    orders,
    standins,
    stock,
    transfers,
)
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
from tests.parts.buying import make_supplier, offer

pytestmark = pytest.mark.django_db

# What a row needs beside what the case is about. The database knows no defaults of Django's.
_STORE = "currency, count_limit, target_service, version"
_STORE_IS = "'EUR', 100, 0.95, 1"
_LEVEL = "bin, on_hand, reserved, in_transit, value"
_MOVED = "INSERT INTO parts_movement (store_id, part_id, kind, on_hand_change, reserved_change, in_transit_change, value_change, demand_id, transfer_id, reason, issue_no, at) VALUES ({store}, {kit}, "  # noqa: E501
_WHEN = ", 1, now())"
_WORKED = "INSERT INTO parts_labour (inspection_id, by_id, at, hours, rate, what) VALUES ({inspection}, {clerk}, now(), "  # noqa: E501
_RATED = "INSERT INTO parts_exchangerate (valid_from, set_by_id, base, quote, rate) VALUES (now(), {clerk}, "  # noqa: E501
_COUNTED = "UPDATE parts_countline SET counted = 1, counted_by_id = {clerk}, counted_at = now(), expected = 1"  # noqa: E501

# Constraint -> a statement that breaks it and nothing else, with {ids} of the rows of `ids`.
# One block for each group of tables.
STORES = {
    "parts_store_site_id_key": f"INSERT INTO parts_store (site_id, name, {_STORE}) VALUES ({{site}}, 'Two', {_STORE_IS})",  # noqa: E501, S608
    "parts_store_currency": "UPDATE parts_store SET currency = 'eur'",
    "parts_store_place": "UPDATE parts_store SET latitude_deg = 90.1, longitude_deg = 0",
    "parts_store_not_by_itself": "UPDATE parts_store SET supplied_by_id = id",
    "parts_store_service": "UPDATE parts_store SET target_service = 1",
    "parts_store_amounts": "UPDATE parts_store SET count_limit = -1",
    "parts_stocklevel_once": f"INSERT INTO parts_stocklevel (store_id, part_id, {_LEVEL}) VALUES ({{store}}, {{kit}}, '', 0, 0, 0, 0)",  # noqa: E501, S608
    "parts_stocklevel_never_below_zero": "UPDATE parts_stocklevel SET on_hand = 10000001",
    "parts_stocklevel_reserved_is_there": "UPDATE parts_stocklevel SET reserved = on_hand + 1",
    "parts_stocklevel_in_transit": "UPDATE parts_stocklevel SET in_transit = -1",
    "parts_stocklevel_value": "UPDATE parts_stocklevel SET value = -0.0001",
    "parts_batchlevel_once": "INSERT INTO parts_batchlevel (store_id, batch_id, on_hand) VALUES ({store}, {batch}, 0)",  # noqa: E501
    "parts_batchlevel_never_below_zero": "UPDATE parts_batchlevel SET on_hand = -1",
}
LEDGER = {
    "parts_movement_kind": _MOVED + "'loan', 1, 0, 0, 0, NULL, NULL, ''" + _WHEN,
    "parts_movement_signs": _MOVED + "'receipt', -1, 0, 0, 0, NULL, NULL, ''" + _WHEN,
    "parts_movement_value": _MOVED + "'receipt', 1, 0, 0, -1, NULL, NULL, ''" + _WHEN,
    "parts_movement_correction_has_reason": _MOVED
    + "'correction', 1, 0, 0, 0, NULL, NULL, ''"
    + _WHEN,
    "parts_movement_for_a_demand": _MOVED + "'return', 1, 0, 0, 0, NULL, NULL, ''" + _WHEN,
    "parts_movement_promised_to_whom": _MOVED + "'release', 0, -1, 0, 0, NULL, NULL, ''" + _WHEN,
    "parts_movement_of_a_transfer": _MOVED + "'transfer_due', 0, 0, 1, 0, NULL, NULL, ''" + _WHEN,
    "parts_movement_of_an_opening": _MOVED + "'out_of_kit', 1, 0, 0, 0, NULL, NULL, ''" + _WHEN,
    "parts_movement_issued_once": (_MOVED + "'issue', -1, -1, 0, 0, {reserved}, NULL, ''" + _WHEN)
    + ", ({store}, {kit}, 'issue', -1, -1, 0, 0, {reserved}, NULL, '', 1, now())",
}
DEMANDS = {
    "parts_need_inspection_id_key": "INSERT INTO parts_need (inspection_id, bench, set_at, version) SELECT inspection_id, '', now(), 1 FROM parts_need",  # noqa: E501
    "parts_demand_disposition_once": "UPDATE parts_demand SET disposition_id = (SELECT min(disposition_id) FROM parts_demand)",  # noqa: E501
    "parts_demand_state": "UPDATE parts_demand SET state = 'lost' WHERE id = {reserved}",
    "parts_demand_quantity": "UPDATE parts_demand SET quantity = 0",
    "parts_demand_part_unless_unmatched": "UPDATE parts_demand SET part_id = NULL WHERE id = {reserved}",  # noqa: E501
    "parts_demand_issued_by_whom": "UPDATE parts_demand SET state = 'issued', issued_at = now() WHERE id = {reserved}",  # noqa: E501
    "parts_demand_confirmed": "UPDATE parts_demand SET confirmed_at = now() WHERE id = {reserved}",
    "parts_demand_coming_with": "UPDATE parts_demand SET state = 'coming' WHERE id = {reserved}",
    "parts_demand_ordered_with": "UPDATE parts_demand SET state = 'ordered' WHERE id = {reserved}",
    "parts_demandstep_state": "INSERT INTO parts_demandstep (demand_id, state, why, at) VALUES ({reserved}, 'lost', 'x', now())",  # noqa: E501
    "parts_demandstep_why": "INSERT INTO parts_demandstep (demand_id, state, why, at) VALUES ({reserved}, 'short', '', now())",  # noqa: E501
    # No other state has stamps that fit, so the check of the stamps would refuse it first.
    "parts_transfer_state": "SET CONSTRAINTS ALL IMMEDIATE; ALTER TABLE parts_transfer DROP CONSTRAINT parts_transfer_stamps; UPDATE parts_transfer SET state = 'lost'",  # noqa: E501
    "parts_transfer_quantity": "UPDATE parts_transfer SET quantity = 0",
    "parts_transfer_elsewhere": "UPDATE parts_transfer SET to_store_id = from_store_id",
    "parts_transfer_why": "UPDATE parts_transfer SET why = ''",
    "parts_transfer_stamps": "UPDATE parts_transfer SET state = 'sent'",
}
CATALOGUE = {
    "parts_part_number_key": "UPDATE parts_part SET number = (SELECT number FROM parts_part WHERE id = {ring}) WHERE id = {kit}",  # noqa: E501
    "parts_part_number": "UPDATE parts_part SET number = 'sk 1' WHERE id = {kit}",
    "parts_part_own_number": "UPDATE parts_part SET own_number = 'W-1'",
    "parts_part_pack": "UPDATE parts_part SET pack_size = 0 WHERE id = {kit}",
    "parts_part_shelf_life": "UPDATE parts_part SET shelf_life_months = 601 WHERE id = {kit}",
    "parts_part_not_by_itself": "UPDATE parts_part SET superseded_by_id = id WHERE id = {kit}",
    "parts_alternative_once": "INSERT INTO parts_alternative (part_id, other_id, why, added_by_id, added_at) SELECT part_id, other_id, why, added_by_id, now() FROM parts_alternative",  # noqa: E501
    "parts_alternative_not_itself": "UPDATE parts_alternative SET other_id = part_id",
    "parts_alternative_why": "UPDATE parts_alternative SET why = ''",
    "parts_batch_once": "INSERT INTO parts_batch (part_id, code, expires_on, extended_why, version) SELECT part_id, code, expires_on, '', 1 FROM parts_batch",  # noqa: E501
    "parts_batch_code": "UPDATE parts_batch SET code = 'b 1'",
    "parts_batch_dates": "UPDATE parts_batch SET cured_on = expires_on",
    "parts_kitopening_why": "INSERT INTO parts_kitopening (store_id, kit_id, why, opened_by_id, opened_at) VALUES ({store}, {kit}, '', {clerk}, now())",  # noqa: E501
    "parts_part_named": "UPDATE parts_part SET name = '' WHERE id = {kit}",
    "parts_kitcontent_once": "INSERT INTO parts_kitcontent (kit_id, part_id, quantity) VALUES ({kit}, {ring}, 2)",  # noqa: E501
    "parts_kitcontent_quantity": "UPDATE parts_kitcontent SET quantity = 0",
    "parts_kitcontent_not_itself": "UPDATE parts_kitcontent SET part_id = kit_id",
    "parts_fit_once": "INSERT INTO parts_fit (model_id, component, part_id, quantity, alternatives_allowed) VALUES ({model}, 'seals', {ring}, 1, false)",  # noqa: E501
    "parts_fit_serials": "UPDATE parts_fit SET serial_from = 9, serial_to = 8",
    "parts_fit_component": "UPDATE parts_fit SET component = 'lid'",
    "parts_fit_quantity": "UPDATE parts_fit SET quantity = 1001",
}
COUNTING = {
    "parts_count_state": "UPDATE parts_count SET state = 'lost'",
    "parts_count_why": "UPDATE parts_count SET why = ''",
    "parts_countline_once": "INSERT INTO parts_countline (count_id, part_id, reason) SELECT count_id, part_id, '' FROM parts_countline",  # noqa: E501
    "parts_countline_counted_by_whom": "UPDATE parts_countline SET counted = 1",
    "parts_countline_second_person": "UPDATE parts_countline SET approved_at = now()",
    "parts_countline_reason": "UPDATE parts_countline SET movement_id = (SELECT min(id) FROM parts_movement)",  # noqa: E501
    "parts_countline_movement_id_key": "INSERT INTO parts_countline (count_id, part_id, batch_id, reason, movement_id) SELECT {count}, {ring}, b.id, 'x', (SELECT min(id) FROM parts_movement) FROM (VALUES (NULL), ({batch})) AS b (id)",  # noqa: E501
    "parts_exchangerate_once": "INSERT INTO parts_exchangerate (base, quote, rate, valid_from, set_by_id) SELECT base, quote, 2, valid_from, set_by_id FROM parts_exchangerate",  # noqa: E501
    "parts_exchangerate_figures": "INSERT INTO parts_exchangerate (base, quote, rate, valid_from, set_by_id) VALUES ('EUR', 'EUR', 1, now(), {clerk})",  # noqa: E501
    "parts_labour_hours": _WORKED + "0, NULL, 'x')",
    "parts_labour_what": _WORKED + "1, NULL, '')",
    "parts_labour_rate": _WORKED + "1, -1, 'x')",
}
BUYING = {
    "parts_supplier_name_key": "INSERT INTO parts_supplier (name, currency, email, webhook_url, webhook_secret, minimum_order_value, active, version) SELECT name, 'EUR', '', '', '', 0, true, 1 FROM parts_supplier",  # noqa: E501
    "parts_supplier_named": "UPDATE parts_supplier SET name = ''",
    "parts_supplier_currency": "UPDATE parts_supplier SET currency = 'eur'",
    "parts_supplier_secret": "UPDATE parts_supplier SET webhook_url = 'https://a.example.com'",
    "parts_supplier_minimum": "UPDATE parts_supplier SET minimum_order_value = -0.0001",
    "parts_supplierpart_once": "INSERT INTO parts_supplierpart (supplier_id, part_id, supplier_number, price, pack_size, minimum_quantity, lead_days, preferred, version) SELECT supplier_id, part_id, '', 1, 1, 1, 1, false, 1 FROM parts_supplierpart",  # noqa: E501
    "parts_supplierpart_preferred": "INSERT INTO parts_supplier (name, currency, email, webhook_url, webhook_secret, minimum_order_value, active, version) VALUES ('Other', 'EUR', '', '', '', 0, true, 1); INSERT INTO parts_supplierpart (supplier_id, part_id, supplier_number, price, pack_size, minimum_quantity, lead_days, preferred, version) SELECT (SELECT max(id) FROM parts_supplier), part_id, '', 1, 1, 1, 1, true, 1 FROM parts_supplierpart",  # noqa: E501
    "parts_supplierpart_figures": "UPDATE parts_supplierpart SET pack_size = 0",
    "parts_order_state": "UPDATE parts_order SET state = 'lost'",
    "parts_order_one_draft": "INSERT INTO parts_order (store_id, supplier_id, currency, state, note, raised_at, closed_why, version) SELECT store_id, supplier_id, 'EUR', 'draft', '', now(), '', 1 FROM parts_order",  # noqa: E501
    "parts_order_approved_by_whom": "UPDATE parts_order SET state = 'approved', approved_at = now()",  # noqa: E501
    "parts_order_sent_by_whom": "UPDATE parts_order SET state = 'sent', approved_at = now(), approved_by_id = {clerk}, sent_at = now()",  # noqa: E501
    "parts_orderline_once": "INSERT INTO parts_orderline (order_id, part_id, quantity, planned_quantity, manual_quantity, unit_price, received_quantity, given_up) SELECT order_id, part_id, 1, 0, 1, 1, 0, false FROM parts_orderline",  # noqa: E501
    "parts_orderline_figures": "UPDATE parts_orderline SET quantity = 0",
    "parts_orderstep_state": "INSERT INTO parts_orderstep (order_id, state, what, at) SELECT id, 'lost', 'x', now() FROM parts_order",  # noqa: E501
    "parts_orderstep_what": "INSERT INTO parts_orderstep (order_id, state, what, at) SELECT id, 'draft', '', now() FROM parts_order",  # noqa: E501
    "parts_approvallimit_once": "INSERT INTO parts_approvallimit (store_id, role) SELECT store_id, role FROM parts_approvallimit",  # noqa: E501
    "parts_approvallimit_role": "UPDATE parts_approvallimit SET role = 'owner'",
    "parts_approvallimit_amount": "UPDATE parts_approvallimit SET amount = -1",
}
_HELD = "INSERT INTO parts_holding (store_id, part_id, reorder_point, order_up_to, keep_back, basis, chosen_at, version) VALUES "  # noqa: E501
_EXPECTED = "INSERT INTO parts_forecast (store_id, part_id, window_days, probabilities, source, made_at) VALUES ({store}, {kit}, "  # noqa: E501
HOLDING = {
    "parts_holding_once": _HELD
    + "({store}, {kit}, 1, 2, 0, '{{}}', now(), 1), ({store}, {kit}, 2, 3, 0, '{{}}', now(), 1)",
    "parts_holding_levels": _HELD + "({store}, {kit}, 2, 2, 0, '{{}}', now(), 1)",
    "parts_holding_keep_back": _HELD + "({store}, {kit}, 1, 2, 3, '{{}}', now(), 1)",
    "parts_forecast_window": _EXPECTED + "0, '[1]', 'Wear', now())",
    "parts_forecast_source": _EXPECTED + "90, '[1]', '', now())",
}
BREAKS: dict[str, str] = {
    **HOLDING,
    **BUYING,
    **STORES,
    **LEDGER,
    **DEMANDS,
    **CATALOGUE,
    **COUNTING,
}

# All ways in which a movement of a kind would change the sums the wrong way: on hand, reserved,
# in transit.
WRONG_SIGNS = [
    ("receipt", 0, 0, 0),
    ("receipt", 1, 1, 0),
    ("receipt", 1, 0, 1),
    ("reservation", 0, -1, 0),
    ("reservation", 1, 1, 0),
    ("reservation", 0, 1, 1),
    ("release", 0, 1, 0),
    ("release", -1, -1, 0),
    ("release", 0, -1, 1),
    ("issue", 1, 1, 0),
    ("issue", -1, 0, 0),
    ("issue", -2, -1, 0),
    ("issue", -1, -1, 1),
    ("return", -1, 0, 0),
    ("return", 1, 1, 0),
    ("transfer_out", 1, 1, 0),
    ("transfer_out", -1, 0, 0),
    ("transfer_out", -1, -1, 1),
    ("transfer_due", 0, 0, -1),
    ("transfer_due", 1, 0, 1),
    ("transfer_due", 0, 1, 1),
    ("transfer_in", -1, 0, 1),
    ("transfer_in", 2, 0, -1),
    ("transfer_in", 1, 0, 0),
    ("transfer_loss", 0, 0, 1),
    ("transfer_loss", -1, 0, -1),
    ("correction", 0, 0, 0),
    ("correction", 1, 1, 0),
    ("correction", 1, 0, 1),
    ("scrap", 1, 0, 0),
    ("scrap", -1, -1, 0),
    ("kit_opened", 1, 0, 0),
    ("kit_opened", -1, -1, 0),
    ("out_of_kit", -1, 0, 0),
    ("out_of_kit", 1, 0, -1),
]


@pytest.fixture
def ids() -> dict[str, int]:
    yard, other = make_yard(), make_yard()
    pump = factories.make_pump(yard.site)
    kit, ring = make_part(yard), make_part(yard, is_kit=False)
    seal = make_part(yard, is_kit=False)
    Part.objects.filter(pk=seal.pk).update(shelf_life_months=48)
    catalogue.set_kit_contents(actor=yard.clerk, kit=kit, version=None, contents=[(ring, 4)])
    standins.add_alternative(actor=yard.clerk, part=ring, other=seal, why="Same size")
    fit(yard, pump, SEALS, kit)
    put_on_shelf(yard, kit, 3)
    stock.receive(
        actor=yard.clerk,
        store=yard.store,
        part=seal,
        quantity=3,
        batch_code="B-1",
        cured_on=timezone.now().date(),
        unit_cost=Decimal(2),
    )
    demands.raise_for_signed(event=make_signed(yard, pump, [SEALS, GEARS]))
    Need.objects.create(inspection=Inspection.objects.get(), set_at=timezone.now())
    transfers.ask_transfer(
        actor=other.clerk,
        from_store=yard.store,
        to_store=other.store,
        part=kit,
        quantity=1,
        why="A pump waits",
    )
    opening = KitOpening.objects.create(
        store=yard.store, kit=kit, why="One ring", opened_by=yard.clerk, opened_at=timezone.now()
    )
    count = counts.raise_count(actor=yard.clerk, store=yard.store, parts=[kit], why="Monday")
    money.set_rate(
        actor=factories.manager_of(yard.site),
        base="GBP",
        quote="EUR",
        rate=Decimal("1.2"),
        valid_from=timezone.now().date(),
    )
    money.record_labour(
        actor=yard.technician, inspection=Inspection.objects.get(), hours=Decimal(1), what="Cleaned"
    )
    supplier = make_supplier(yard.clerk)
    offer(yard.clerk, supplier, ring)
    order = orders.open_draft(actor=yard.clerk, store=yard.store, supplier=supplier)
    orders.set_line(actor=yard.clerk, order=order, part=ring, manual_quantity=4)
    approvals.set_limits(
        actor=factories.manager_of(yard.site),
        store=yard.store,
        limits={Role.STORES_CLERK: Decimal(50)},
    )
    return {
        "count": count.pk,
        "inspection": Inspection.objects.get().pk,
        "site": yard.site.pk,
        "store": yard.store.pk,
        "model": pump.model_id,
        "kit": kit.pk,
        "ring": ring.pk,
        "batch": Batch.objects.get().pk,
        "reserved": Demand.objects.get(state="reserved").pk,
        "transfer": Transfer.objects.get().pk,
        "opening": opening.pk,
        "clerk": yard.clerk.pk,
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


@pytest.mark.parametrize(("kind", "on_hand", "reserved", "in_transit"), WRONG_SIGNS)
def test_a_movement_with_wrong_signs_is_refused(
    kind: str, on_hand: int, reserved: int, in_transit: int, ids: dict[str, int]
) -> None:
    # With a demand, a transfer or an opening where its kind asks for one.
    demand = "{reserved}" if kind in ("reservation", "release", "issue", "return") else "NULL"
    transfer = "{transfer}" if kind.startswith("transfer") else "NULL"
    values = f"'{kind}', {on_hand}, {reserved}, {in_transit}, 0, {demand}, {transfer}, 'x', 1"
    opening = "{opening}" if kind in ("kit_opened", "out_of_kit") else "NULL"
    into = _MOVED.replace("issue_no, at)", "issue_no, at, opening_id)")
    assert broken_by(f"{into}{values}, now(), {opening})".format(**ids)) == "parts_movement_signs"


def test_the_cases_of_signs_name_every_kind() -> None:
    assert {kind for kind, *_changes in WRONG_SIGNS} == {kind.value for kind in MovementKind}


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
        (
            "parts_fit_once",
            "UPDATE parts_fit SET serial_to = 200; INSERT INTO parts_fit (model_id, component, part_id, quantity, alternatives_allowed, serial_from) VALUES ({model}, 'seals', {ring}, 1, false, 200)",  # noqa: E501
        ),
        ("parts_fit_serials", "UPDATE parts_fit SET serial_from = -1"),
        ("parts_fit_serials", "UPDATE parts_fit SET serial_to = 1000000000000000000"),
        ("parts_part_shelf_life", "UPDATE parts_part SET shelf_life_months = 0"),
        ("parts_part_pack", "UPDATE parts_part SET pack_size = 10001"),
        ("parts_store_place", "UPDATE parts_store SET latitude_deg = 50"),
        ("parts_store_place", "UPDATE parts_store SET latitude_deg = 50, longitude_deg = 181"),
        ("parts_store_service", "UPDATE parts_store SET target_service = 0.49"),
        ("parts_store_amounts", "UPDATE parts_store SET labour_rate = -1"),
        (
            "parts_stocklevel_value",
            "UPDATE parts_stocklevel SET on_hand = 0, reserved = 0, value = 1",
        ),
        ("parts_movement_value", _MOVED + "'scrap', -1, 0, 0, 1, NULL, NULL, 'x'" + _WHEN),
        (
            "parts_movement_value",
            _MOVED + "'transfer_due', 0, 0, 1, 1, NULL, {transfer}, ''" + _WHEN,
        ),
        (
            "parts_movement_correction_has_reason",
            _MOVED + "'transfer_loss', 0, 0, -1, 0, NULL, {transfer}, ''" + _WHEN,
        ),
        (
            "parts_movement_promised_to_whom",
            _MOVED + "'reservation', 0, 1, 0, 0, {reserved}, {transfer}, ''" + _WHEN,
        ),
        (
            "parts_demand_confirmed",
            "UPDATE parts_demand SET confirmed_at = now(), confirmed_by_id = {clerk}",
        ),
        ("parts_transfer_quantity", "UPDATE parts_transfer SET quantity = 1000001"),
        (
            "parts_transfer_stamps",
            "UPDATE parts_transfer SET state = 'received', sent_at = now(), received_at = now(), "
            "received_quantity = quantity + 1",
        ),
        ("parts_transfer_stamps", "UPDATE parts_transfer SET sent_at = now()"),
        ("parts_countline_counted_by_whom", _COUNTED.replace("counted = 1", "counted = 1000001")),
        ("parts_countline_counted_by_whom", "UPDATE parts_countline SET expected = 1"),
        (
            "parts_countline_second_person",
            _COUNTED + ", approved_by_id = {clerk}, approved_at = now()",
        ),
        ("parts_exchangerate_figures", _RATED + "'EUR', 'usd', 1)"),
        ("parts_exchangerate_figures", _RATED + "'EUR', 'USD', 0)"),
        ("parts_labour_hours", _WORKED + "1000.01, NULL, 'x')"),
        ("parts_labour_hours", _WORKED + "-1000.01, NULL, 'x')"),
    ],
)
def test_the_other_side_of_a_check_is_refused_too(
    name: str, statement: str, ids: dict[str, int]
) -> None:
    assert broken_by(statement.format(**ids)) == name


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE parts_movement SET reason = 'other'",
        "DELETE FROM parts_movement",
        "UPDATE parts_demandstep SET why = 'other'",
        "DELETE FROM parts_demandstep",
        "UPDATE parts_kitopening SET why = 'other'",
        "DELETE FROM parts_kitopening",
        "UPDATE parts_exchangerate SET rate = 2",
        "DELETE FROM parts_exchangerate",
        "UPDATE parts_labour SET hours = 2",
        "DELETE FROM parts_labour",
        "UPDATE parts_orderstep SET what = 'other'",
    ],
)
def test_what_is_on_record_is_never_edited(statement: str, ids: dict[str, int]) -> None:
    before = list(Movement.objects.values())
    with pytest.raises(ProgrammingError, match="Cannot update"), transaction.atomic():
        run(statement)
    assert list(Movement.objects.values()) == before
