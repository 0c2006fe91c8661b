"""A real relay and a real Celery worker beside a test, on the database of the test."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from django.db import connection, connections

from fleet.models import Delivery
from fleet.plumbing import relay, tasks

ROOT = Path(__file__).resolve().parents[2]


def queue() -> str:
    """A queue for this database alone: other tests queue deliveries of theirs at the same time."""
    return f"journeys-{connection.settings_dict['NAME']}"


@contextmanager
def relaying() -> Iterator[None]:
    name = queue()
    loop = relay.Relay(lambda pk: tasks.deliver.apply_async((pk,), queue=name, retry=False))

    def work() -> None:
        try:
            loop.run()
        finally:
            connections.close_all()

    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield
    finally:
        loop.stop()
        thread.join(timeout=15)
        assert not thread.is_alive()


class Worker:
    """A Celery worker with two pool processes that is started again whenever it was killed."""

    def __init__(self) -> None:
        # Its own database name: that of this test, not the one the servers were started for.
        url = urlsplit(os.environ["DATABASE_URL"])
        name = connection.settings_dict["NAME"]
        self.environment = {
            **os.environ,
            "DATABASE_URL": url._replace(path=f"/{name}").geturl(),
            "DJANGO_SETTINGS_MODULE": "config.settings_test",
            "WEARBOOK_LOG_LEVEL": "ERROR",
        }
        self.count = 0
        self.process = self.started()

    def started(self) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "celery", "-A", "config.celery", "worker"]
        return subprocess.Popen(
            [
                *command,
                "--queues",
                queue(),
                "--concurrency",
                "2",
                "--loglevel",
                "ERROR",
                "--without-gossip",
            ],
            cwd=ROOT,
            env=self.environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )

    def __call__(self, *, whole: bool) -> None:
        """Kill -9 the whole worker, or one of its pool processes in the middle of what it does."""
        self.count += 1
        children = self.children()
        if whole or not children:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
            self.process = self.started()
        else:
            os.kill(random.choice(children), signal.SIGKILL)

    def children(self) -> list[int]:
        listed = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children")
        return [int(pid) for pid in listed.read_text().split()] if listed.exists() else []

    def end(self) -> None:
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()


@contextmanager
def working() -> Iterator[Worker]:
    one = Worker()
    try:
        yield one
    finally:
        one.end()


def settle(seconds: float = 150) -> None:
    """Wait until every delivery is done; the last worker is left alone from here on."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if not Delivery.objects.filter(done_at__isnull=True).exists():
            return
        time.sleep(0.5)
    stuck = Delivery.objects.filter(done_at__isnull=True)
    pytest.fail(f"{stuck.count()} deliveries never got done, such as {stuck.values().first()}")
