"""The loop that hands due deliveries to the workers, woken by PostgreSQL at commit."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable

import psycopg
from django.db import connection, reset_queries
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.utils import Error as DatabaseError

from fleet.plumbing import outbox

logger = logging.getLogger(__name__)

POLL_S = 1.0
BATCH = 100
LONGEST_BACKOFF_S = 30.0


class Relay:
    """Runs until stop(); outlives a broker or a database that goes away and comes back."""

    def __init__(self, send: Callable[[int], object]) -> None:
        self._send = send
        self._stopping = False
        self._broker_was_down = False

    def stop(self) -> None:
        """Asks the loop to end; it does within POLL_S. Safe to call from a signal handler."""
        self._stopping = True

    def run(self) -> None:
        backoff_s = 0.5
        while not self._stopping:
            listener = connection.copy()
            try:
                with listener.cursor() as cursor:
                    cursor.execute(f"LISTEN {outbox.CHANNEL}")
                # A pass before the backoff is forgotten: a database that lets us listen may still
                # be one whose tables are being made.
                self._pass()
                backoff_s = 0.5
                self._work(listener)
            except (DatabaseError, psycopg.Error) as exc:
                logger.warning("Database away (%s); next try in %.1f s.", exc, backoff_s)
                connection.close()
                self._sleep(backoff_s)
                backoff_s = min(backoff_s * 2, LONGEST_BACKOFF_S)
            finally:
                listener.close()

    def _work(self, listener: BaseDatabaseWrapper) -> None:
        while not self._stopping:
            reset_queries()
            if self._pass() == BATCH:
                continue  # more may be due already
            # The poll finds what became due without a notice: a lease that ran out, or a notice
            # that was sent while nobody listened.
            for _ in listener.connection.notifies(timeout=POLL_S, stop_after=1):
                pass

    def _pass(self) -> int:
        try:
            count = outbox.hand_over(self._send, limit=BATCH)
        except (DatabaseError, psycopg.Error):
            raise
        except Exception as exc:
            # The broker's client has many kinds of errors, and none of them may end the relay:
            # the rows are due again in a moment.
            if not self._broker_was_down:
                logger.warning(
                    "Broker away (%s); deliveries wait in the database.", exc, exc_info=True
                )
            self._broker_was_down = True
            return 0
        if count and self._broker_was_down:
            logger.warning("Broker is back.")
            self._broker_was_down = False
        return count

    def _sleep(self, seconds: float) -> None:
        # In short steps: a signal handler cannot wake a sleep, and stopping must take under 2 s.
        end = time.monotonic() + seconds
        while not self._stopping and (left := end - time.monotonic()) > 0:
            time.sleep(min(left, 0.5))
