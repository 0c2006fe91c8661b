"""Many people at once: each in a thread with a database connection of its own."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import TypeVar

from django.db import connection

T = TypeVar("T")


def all_at_once(acts: Sequence[Callable[[], T]]) -> list[T | Exception]:
    """What each act returned or raised, in order. All start at the same moment."""
    start = Barrier(len(acts))

    def run(act: Callable[[], T]) -> T | Exception:
        try:
            connection.ensure_connection()
            start.wait(timeout=30)
            return act()
        except Exception as exc:  # noqa: BLE001  # the test looks at each
            return exc
        finally:
            connection.close()

    with ThreadPoolExecutor(max_workers=len(acts)) as pool:
        return list(pool.map(run, acts))
