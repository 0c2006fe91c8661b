"""Each database rule of the plumbing's tables, broken once by raw SQL."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction
from django.utils import timezone

from fleet.plumbing.models import ApiToken, Delivery, Event, IdempotencyKey
from tests.plumbing.conftest import make_user

pytestmark = pytest.mark.django_db

INSERTS = {
    Event: "INSERT INTO fleet_event (name, event_schema, payload, created_at) "
    "VALUES (%(name)s, %(schema)s, '{}', now())",
    Delivery: "INSERT INTO fleet_delivery "
    "(event_id, handler, next_try_at, attempts, done_at, parked_at, last_error) "
    "VALUES (%(event)s, %(handler)s, now(), 0, %(done)s, %(parked)s, '')",
    IdempotencyKey: "INSERT INTO fleet_idempotencykey "
    "(user_id, key, request_sha256, status, headers, body, created_at) "
    "VALUES (%(user)s, %(key)s, %(sha)s, %(status)s, '{}', '', now())",
    ApiToken: "INSERT INTO fleet_apitoken (user_id, name, prefix, sha256, created_at, expires_at) "
    "VALUES (%(user)s, %(name)s, 'wb_aaaaa', %(sha)s, now(), now() + %(life)s::interval)",
}
GOOD: dict[Any, dict[str, Any]] = {
    Event: {"name": "n", "schema": 1},
    Delivery: {"handler": "h", "done": None, "parked": None},
    IdempotencyKey: {"key": "k", "sha": "a" * 64, "status": 201},
    ApiToken: {"name": "n", "sha": "b" * 64, "life": "1 day"},
}
NOW = timezone.now()
BROKEN: dict[str, tuple[Any, dict[str, Any]]] = {
    "fleet_event_named": (Event, {"name": ""}),
    "fleet_event_schema_from_one": (Event, {"schema": 0}),
    "fleet_delivery_once_per_handler": (Delivery, {}),
    "fleet_delivery_handler_named": (Delivery, {"handler": ""}),
    "fleet_delivery_done_or_parked": (Delivery, {"handler": "i", "done": NOW, "parked": NOW}),
    "fleet_idempotencykey_once": (IdempotencyKey, {}),
    "fleet_idempotencykey_not_empty": (IdempotencyKey, {"key": ""}),
    "fleet_idempotencykey_sha256": (IdempotencyKey, {"key": "l", "sha": "A" * 64}),
    "fleet_idempotencykey_only_success": (IdempotencyKey, {"key": "l", "status": 404}),
    "fleet_apitoken_sha256_once": (ApiToken, {}),
    "fleet_apitoken_sha256": (ApiToken, {"sha": "b" * 63}),
    "fleet_apitoken_named": (ApiToken, {"sha": "c" * 64, "name": ""}),
    "fleet_apitoken_expires_after_created": (ApiToken, {"sha": "c" * 64, "life": "0"}),
}


def insert(model: Any, changed: dict[str, Any], owner: dict[str, int]) -> None:
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(INSERTS[model], {**GOOD[model], **owner, **changed})


@pytest.mark.parametrize("name", sorted(BROKEN))
def test_the_database_refuses_what_the_rule_forbids(name: str) -> None:
    model, changed = BROKEN[name]
    event = Event.objects.create(name="n", schema=1, payload={})
    owner = {"user": make_user("ada").pk, "event": event.pk}
    insert(model, {}, owner)  # the same row unbroken is taken
    with pytest.raises(IntegrityError) as caught:
        insert(model, changed, owner)
    cause: Any = caught.value.__cause__
    assert cause.diag.constraint_name == name


def test_no_rule_of_these_tables_is_left_out() -> None:
    declared = {c.name for model in INSERTS for c in model._meta.constraints}
    assert declared == set(BROKEN)
