"""Facts that must reach another part of Wearbook, carried by rows and not by the broker.

A service appends an event in its own transaction. Each subscriber gets a delivery row, which is
due until the subscriber's work and the mark "done" have been committed together. The broker only
hurries things up: whatever it loses is found due again when the lease of the row runs out.

Delivery is at least once and may be out of order; the effect happens once, because the handler
runs in the transaction that marks the row. Handlers compare versions or read the current state.
"""

from __future__ import annotations

import logging
import random
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Any, ClassVar, Protocol, TypeVar

from django.db import connection, transaction
from django.db.models import F
from django.utils import timezone

from fleet.plumbing.models import Delivery, Event
from fleet.plumbing.payloads import decode, encode

if TYPE_CHECKING:
    from fleet.models import Site

logger = logging.getLogger(__name__)

CHANNEL = "wearbook_outbox"
MAX_ATTEMPTS = 10
FIRST_LEASE = timedelta(seconds=60)
FIRST_BACKOFF = timedelta(seconds=5)
LONGEST_WAIT = timedelta(hours=1)
BROKER_PAUSE = timedelta(seconds=3)

_dice = random.SystemRandom()


class DomainEvent(Protocol):
    """A frozen dataclass of ids and values, with its published name and schema number."""

    __dataclass_fields__: ClassVar[dict[str, Any]]
    name: ClassVar[str]
    schema: ClassVar[int]


E = TypeVar("E", bound=DomainEvent)


@dataclass(frozen=True)
class Subscription:
    """One handler of one kind of event."""

    handler: str
    event_class: type[Any]
    function: Callable[[Any], object]


_subscriptions: dict[str, Subscription] = {}


def subscribe(handler: str, event_class: type[E], function: Callable[[E], object]) -> None:
    """Registers a handler; call it in AppConfig.ready().

    handler: a name that stays the same for ever, for it is stored with every delivery.
    function: takes the event; runs in the transaction that marks the delivery done.
    Raises ValueError when the name is already taken by another function.
    """
    new = Subscription(handler, event_class, function)
    known = _subscriptions.setdefault(handler, new)
    if known != new:
        raise ValueError(f"Two handlers are called {handler!r}; give one of them another name.")


def append(event: DomainEvent, *, site: Site | None) -> Event:
    """Puts an event on record with one delivery per subscriber, in the caller's transaction.

    Raises RuntimeError outside a transaction: the fact and its record must stand or fall together.
    """
    if not connection.in_atomic_block:
        raise RuntimeError("An event is appended in the transaction of the fact it tells.")
    row = Event.objects.create(
        name=event.name, schema=event.schema, payload=encode(event), site=site
    )
    handlers = [s.handler for s in _subscriptions.values() if s.event_class is type(event)]
    Delivery.objects.bulk_create(Delivery(event=row, handler=handler) for handler in handlers)
    if handlers:
        with connection.cursor() as cursor:
            # PostgreSQL sends it at commit, and not at all on rollback.
            cursor.execute(f"NOTIFY {CHANNEL}")
    return row


def append_once(event: DomainEvent, *, site: Site | None) -> None:
    """`append`, unless the very same event is still to be told to every subscriber.

    For facts that only say "look again": ten receipts then lead to one look. What waits is held
    until the caller commits, so its handler starts after that and sees the caller's change; what
    a handler has begun is not waited for, and a new event follows it.
    """
    handlers = {s.handler for s in _subscriptions.values() if s.event_class is type(event)}
    waiting = Delivery.objects.select_for_update(skip_locked=True, of=("self",)).filter(
        event__name=event.name,
        event__schema=event.schema,
        event__payload=encode(event),
        done_at__isnull=True,
        parked_at__isnull=True,
        attempts=0,
    )
    if not handlers or handlers - {row.handler for row in waiting}:
        append(event, site=site)


def take_due(now: datetime, limit: int = 100) -> list[int]:
    """Leases at most `limit` due deliveries, oldest first, and returns their ids.

    Several relays may do this at once: each skips the rows that another is taking.
    """
    with transaction.atomic():
        rows = list(
            Delivery.objects.select_for_update(skip_locked=True)
            .filter(done_at__isnull=True, parked_at__isnull=True, next_try_at__lte=now)
            .order_by("next_try_at")[:limit]
        )
        for row in rows:
            row.next_try_at = now + _growing(FIRST_LEASE, row.attempts)
        Delivery.objects.bulk_update(rows, ["next_try_at"])
    return [row.pk for row in rows]


def hand_over(send: Callable[[int], object], *, limit: int = 100) -> int:
    """Takes due deliveries and gives each id to `send`; returns how many.

    When `send` fails (broker down), what was not sent is due again shortly and the error goes on.
    """
    ids = take_due(timezone.now(), limit)
    for done, delivery_id in enumerate(ids):
        try:
            send(delivery_id)
        except Exception:
            Delivery.objects.filter(pk__in=ids[done:], done_at__isnull=True).update(
                next_try_at=timezone.now() + BROKER_PAUSE
            )
            raise
    return len(ids)


class Outcome(StrEnum):
    DONE = "done"
    SETTLED_BEFORE = "settled before"
    FAILED = "failed"
    PARKED = "parked"


def deliver(delivery_id: int) -> Outcome:
    """Runs the handler of one delivery and marks it done, both or neither.

    Safe to call any number of times, also at once: a rival waits for the row and then finds it
    done. A failure is recorded and tried again later; after MAX_ATTEMPTS the row is parked.
    """
    # Counted before the work and committed, so that a handler that kills its worker counts too.
    started = Delivery.objects.filter(
        pk=delivery_id, done_at__isnull=True, parked_at__isnull=True
    ).update(attempts=F("attempts") + 1)
    if not started:
        return Outcome.SETTLED_BEFORE
    try:
        with transaction.atomic():
            return _deliver_locked(delivery_id)
    except Exception as exc:
        logger.warning("Delivery %s failed.", delivery_id, exc_info=True)
        return _record_failure(delivery_id, exc)


def _deliver_locked(delivery_id: int) -> Outcome:
    row = (
        Delivery.objects.select_for_update(of=("self",)).select_related("event").get(pk=delivery_id)
    )
    if row.done_at is not None or row.parked_at is not None:
        return Outcome.SETTLED_BEFORE
    if row.attempts > MAX_ATTEMPTS:
        row.parked_at = timezone.now()
        row.last_error = row.last_error or "The worker stopped each time before it could finish."
        row.save(update_fields=["parked_at", "last_error"])
        return Outcome.PARKED
    subscription = _subscriptions.get(row.handler)
    if subscription is None:
        raise LookupError(f"No handler is called {row.handler!r} any more.")
    wanted = subscription.event_class
    if (row.event.name, row.event.schema) != (wanted.name, wanted.schema):
        raise LookupError(
            f"{row.handler} reads {wanted.name} schema {wanted.schema}, "
            f"not {row.event.name} schema {row.event.schema}."
        )
    subscription.function(decode(wanted, row.event.payload))
    row.done_at = timezone.now()
    row.save(update_fields=["done_at"])
    return Outcome.DONE


def _record_failure(delivery_id: int, exc: Exception) -> Outcome:
    now = timezone.now()
    with transaction.atomic():
        row = Delivery.objects.select_for_update().get(pk=delivery_id)
        if row.done_at is not None or row.parked_at is not None:
            return Outcome.SETTLED_BEFORE
        # PostgreSQL's text holds no NUL.
        row.last_error = f"{type(exc).__name__}: {exc}".replace("\x00", "�")[:2000]
        row.next_try_at = now + _growing(FIRST_BACKOFF, row.attempts)
        row.parked_at = now if row.attempts >= MAX_ATTEMPTS else None
        row.save(update_fields=["last_error", "next_try_at", "parked_at"])
    return Outcome.PARKED if row.parked_at else Outcome.FAILED


def unpark(delivery_id: int) -> bool:
    """Makes a parked delivery due again with a clean count; False when it is not parked."""
    changed = Delivery.objects.filter(pk=delivery_id, parked_at__isnull=False).update(
        parked_at=None, attempts=0, next_try_at=timezone.now()
    )
    return changed == 1


def drain(limit: int = 1000) -> int:
    """Delivers what is due in this process, without relay, broker or worker; returns how many.

    Handlers may append events themselves, so it goes on until nothing is due or `limit` is met.
    """
    done = 0
    while done < limit and (ids := take_due(timezone.now(), min(100, limit - done))):
        for delivery_id in ids:
            deliver(delivery_id)
        done += len(ids)
    return done


def _growing(first: timedelta, attempts: int) -> timedelta:
    # Jitter, so that rows that failed together do not come back together.
    doubled: timedelta = first * 2 ** min(attempts, 12)
    return min(doubled, LONGEST_WAIT) * _dice.uniform(0.8, 1.2)
