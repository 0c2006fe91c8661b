from __future__ import annotations

import threading

import pytest
from django.db import connection, transaction

from fleet.plumbing.locks import Lock, try_xact_lock, xact_lock

pytestmark = pytest.mark.django_db(transaction=True)


def rival_gets(number: Lock, key: int) -> bool:
    got: list[bool] = []

    def work() -> None:
        try:
            with transaction.atomic():
                got.append(try_xact_lock(number, key))
        finally:
            connection.close()

    thread = threading.Thread(target=work)
    thread.start()
    thread.join(timeout=10)
    return got[0]


def test_a_lock_shuts_out_the_same_number_and_key_only_until_the_transaction_ends() -> None:
    big = 2**40 + 5  # ids are 64 bits wide
    with transaction.atomic():
        xact_lock(Lock.LEDGER, big)
        assert rival_gets(Lock.LEDGER, big) is False
        assert rival_gets(Lock.LEDGER, 6) is True
        assert rival_gets(Lock.BEAT, big) is True
    assert rival_gets(Lock.LEDGER, big) is True


def test_a_lock_without_a_transaction_is_refused() -> None:
    with pytest.raises(RuntimeError, match="transaction"):
        xact_lock(Lock.LEDGER)


def test_no_number_is_used_twice() -> None:
    # IntEnum would quietly make a second name an alias of the first.
    assert len(Lock.__members__) == len({lock.value for lock in Lock})
