"""The relay loop in its own thread with its own connections, and once as a process."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from urllib.parse import quote

import pytest
from django.db import connection, transaction
from django.utils import timezone

from fleet.plumbing import outbox, relay
from fleet.plumbing.models import Delivery
from tests.plumbing.test_outbox import SealWorn, add_site, appended, make_overdue

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.usefixtures("no_subscriptions"),
]


@pytest.fixture(autouse=True)
def _one_subscriber(no_subscriptions: None) -> None:
    outbox.subscribe("first", SealWorn, add_site)


@contextmanager
def running(send: Callable[[int], object]) -> Iterator[relay.Relay]:
    loop = relay.Relay(send)

    def work() -> None:
        try:
            loop.run()
        finally:
            connection.close()

    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield loop
    finally:
        loop.stop()
        with connection.cursor() as cursor:
            cursor.execute(f"NOTIFY {outbox.CHANNEL}")
        thread.join(timeout=10)
        assert not thread.is_alive()


def wait_for(condition: Callable[[], bool], seconds: float = 8.0) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.02)
    return False


def listeners() -> list[int]:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT pid FROM pg_stat_activity WHERE datname = current_database() "
            "AND query = %s AND state = 'idle'",
            [f"LISTEN {outbox.CHANNEL}"],
        )
        return [pid for (pid,) in cursor.fetchall()]


def test_a_commit_wakes_the_relay_long_before_its_poll(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(relay, "POLL_S", 60.0)
    sent: list[int] = []
    with running(sent.append):
        assert wait_for(lambda: len(listeners()) == 1)
        time.sleep(0.2)  # its first pass is over; only the notice can wake it now
        with transaction.atomic():
            event = outbox.append(SealWorn(7), site=None)
            time.sleep(0.2)
            assert sent == []  # nothing leaves before the commit
        delivery = Delivery.objects.get(event=event)
        assert wait_for(lambda: sent == [delivery.pk])


def test_what_a_lost_message_left_behind_is_sent_again() -> None:
    delivery = appended()
    assert outbox.take_due(timezone.now()) == [delivery.pk]  # sent, and then lost by the broker
    sent: list[int] = []
    with running(sent.append):
        assert wait_for(lambda: len(listeners()) == 1)
        assert sent == []
        make_overdue(delivery)  # the lease runs out
        assert wait_for(lambda: sent == [delivery.pk])


def test_the_relay_outlives_a_broker_that_is_down(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outbox, "BROKER_PAUSE", timedelta(0))
    monkeypatch.setattr(relay, "POLL_S", 0.05)
    delivery = appended()
    tries: list[int] = []

    def send(delivery_id: int) -> None:
        tries.append(delivery_id)
        if len(tries) < 3:
            raise ConnectionError("broker down")

    with running(send):
        assert wait_for(lambda: len(tries) == 3)
        time.sleep(0.3)
    assert tries == [delivery.pk] * 3
    delivery.refresh_from_db()
    assert delivery.attempts == 0  # the handler was never tried: nothing counts against it


def test_the_relay_outlives_its_database_connection() -> None:
    sent: list[int] = []
    with running(sent.append):
        assert wait_for(lambda: len(listeners()) == 1)
        first = listeners()
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_terminate_backend(%s)", first)
        assert wait_for(lambda: len(listeners()) == 1 and listeners() != first)
        delivery = appended()
        assert wait_for(lambda: sent == [delivery.pk])


def test_more_than_one_batch_is_sent_without_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(relay, "BATCH", 2)
    monkeypatch.setattr(relay, "POLL_S", 60.0)
    rows = [appended(n).pk for n in range(5)]
    sent: list[int] = []
    with running(sent.append):
        assert wait_for(lambda: sorted(sent) == rows)


def database_address() -> str:
    db = connection.settings_dict
    host, name = str(db["HOST"]), str(db["NAME"])
    login = quote(str(db["USER"])) + (f":{quote(str(db['PASSWORD']))}" if db["PASSWORD"] else "")
    if host.startswith("/"):  # a folder of unix sockets
        return f"postgresql://{login}@/{name}?host={quote(host, safe='')}&port={db['PORT']}"
    return f"postgresql://{login}@{host}:{db['PORT']}/{name}"


@contextmanager
def relay_process(**environment: str) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [sys.executable, "manage.py", "relay"],
        cwd=Path(__file__).resolve().parents[2],
        env={
            **os.environ,
            "DATABASE_URL": database_address(),
            **environment,
        },
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "Relay runs.\n"
        yield process
    finally:
        if process.poll() is None:
            process.kill()
            process.communicate()


def stop(process: subprocess.Popen[str]) -> str:
    """Its error output; it must end by itself and well."""
    process.send_signal(signal.SIGTERM)
    _, errors = process.communicate(timeout=30)
    assert process.returncode == 0
    return errors


def test_sigterm_ends_the_process() -> None:
    with relay_process() as process:
        assert wait_for(lambda: len(listeners()) == 1)
        assert stop(process) == ""


def test_also_while_the_broker_is_down_and_what_was_due_stays_due() -> None:
    delivery = appended()
    # Port 1 is never a Redis: the connection is refused.
    with relay_process(REDIS_URL="redis://127.0.0.1:1/0") as process:
        assert wait_for(lambda: Delivery.objects.get().next_try_at > delivery.next_try_at)
        time.sleep(0.5)
        assert "Broker away" in stop(process)
    soon = timezone.now() + outbox.BROKER_PAUSE
    assert outbox.take_due(soon) == [delivery.pk]
