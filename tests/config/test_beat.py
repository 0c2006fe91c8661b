"""Only the holder of the lock queues; one that lost its connection does not go on."""

import psycopg
import pytest
from django.db import connection
from django.db.utils import OperationalError

from config.management.commands import beat
from fleet.plumbing.locks import Lock

pytestmark = pytest.mark.django_db(transaction=True)


def rival():
    found = connection.get_connection_params()
    return psycopg.connect(
        host=found.get("host"),
        port=found.get("port"),
        user=found.get("user"),
        password=found.get("password"),
        dbname=found["dbname"],
        autocommit=True,
    )


def release():
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_unlock(%s, 0)", [int(Lock.BEAT)])


def test_one_waits_while_another_works():
    with rival() as other:
        other.execute("SELECT pg_advisory_lock(%s, 0)", [int(Lock.BEAT)])
        assert not beat._lock_taken()
        other.execute("SELECT pg_advisory_unlock(%s, 0)", [int(Lock.BEAT)])
        assert beat._lock_taken()
    release()


def test_a_lost_connection_ends_it_before_it_queues_again(monkeypatch):
    ticks = []

    class Scheduler:
        def __init__(self, app):
            pass

        def tick(self):
            ticks.append(1)
            return 0.0

        def close(self):
            ticks.append("closed")

    def cut(seconds):
        with rival() as other:
            other.execute(
                "SELECT pg_terminate_backend(%s)", [connection.connection.info.backend_pid]
            )

    monkeypatch.setattr(beat, "Scheduler", Scheduler)
    monkeypatch.setattr(beat.time, "sleep", cut)
    assert beat._lock_taken()
    with pytest.raises(OperationalError):
        beat.Command()._run()
    assert ticks == [1, 1, "closed"]
    # The server has ended that session, and with it the lock.
    connection.close()
