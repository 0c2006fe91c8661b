"""`manage.py beat`: queues the periodic tasks. Run as many as you like: one works, others wait."""

from __future__ import annotations

import logging
import os
import signal
import time
from pathlib import Path
from typing import Any

from celery.beat import Scheduler
from django.core.management.base import BaseCommand
from django.db import connection

from config.celery import app
from fleet.plumbing.locks import Lock

logger = logging.getLogger(__name__)

_STANDBY_S = 5.0
_LONGEST_NAP_S = 5.0


class Command(BaseCommand):
    help = "Queue the periodic tasks (one process at a time, others wait as standby)."

    def handle(self, *args: Any, **options: Any) -> None:
        signal.signal(signal.SIGTERM, _leave)
        try:
            self._wait_for_lock()
            self._run()
        except KeyboardInterrupt:
            logger.info("Beat stops")

    def _wait_for_lock(self) -> None:
        said = False
        while not _lock_taken():
            if not said:
                logger.info("Another beat holds the lock; waiting as standby")
                said = True
            _touch_heartbeat()
            time.sleep(_STANDBY_S)
        logger.info("Beat runs with %d periodic tasks", len(app.conf.beat_schedule))

    def _run(self) -> None:
        # The base class keeps the schedule in memory: no file that could be stale or locked.
        scheduler = Scheduler(app=app)
        try:
            while True:
                nap_s = scheduler.tick()
                # The lock lives and dies with this connection: an error here ends the process
                # before it could queue beside a successor.
                with connection.cursor() as cursor:
                    cursor.execute("SELECT 1")
                _touch_heartbeat()
                # Late by more than its interval, tick answers with a negative time.
                time.sleep(min(max(nap_s, 0.0), _LONGEST_NAP_S))
        finally:
            scheduler.close()


def _lock_taken() -> bool:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_lock(%s, 0)", [int(Lock.BEAT)])
        row = cursor.fetchone()
    return bool(row and row[0])


def _touch_heartbeat() -> None:
    """For container health checks: the file's age tells that the loop turns."""
    if path := os.environ.get("WEARBOOK_HEARTBEAT_FILE"):
        Path(path).touch()


def _leave(number: int, frame: object) -> None:
    raise KeyboardInterrupt
