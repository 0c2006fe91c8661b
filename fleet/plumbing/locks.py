"""Advisory lock numbers of the whole project, in one place. A number is never used again."""

from __future__ import annotations

from enum import IntEnum

from django.db import connection

_INT4 = 2**31


class Lock(IntEnum):
    """First half of an advisory lock; the second half says which row it is about."""

    BEAT = 1
    LEDGER = 2
    FORGET_KEYS = 3
    SUPERSESSION = 4


def xact_lock(number: Lock, key: int = 0) -> None:
    """Waits for the lock and holds it until the transaction ends.

    For rules over several rows that no constraint can hold. Two keys that are equal modulo 2**31
    share a lock: that costs a wait, never a wrong result.
    """
    _require_transaction()
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s, %s)", [int(number), key % _INT4])


def try_xact_lock(number: Lock, key: int = 0) -> bool:
    """The same without waiting: False when somebody else holds it."""
    _require_transaction()
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_xact_lock(%s, %s)", [int(number), key % _INT4])
        row = cursor.fetchone()
    return bool(row and row[0])


def _require_transaction() -> None:
    if not connection.in_atomic_block:
        # Outside a transaction the lock would be gone before the next statement.
        raise RuntimeError("An advisory lock needs a transaction around it.")
