"""The outbox on real PostgreSQL: lost messages, rivals, failing handlers."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

import pytest
from django.db import connection, transaction
from django.utils import timezone

from fleet.models import Site
from fleet.plumbing import outbox, tasks
from fleet.plumbing.models import Delivery, Event
from tests.plumbing.conftest import make_site

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.usefixtures("no_subscriptions"),
]


@dataclass(frozen=True)
class SealWorn:
    name: ClassVar[str] = "tests.seal_worn"
    schema: ClassVar[int] = 1
    finding_id: int


def appended(finding_id: int = 7) -> Delivery:
    with transaction.atomic():
        event = outbox.append(SealWorn(finding_id), site=None)
    return Delivery.objects.get(event=event)


def make_overdue(delivery: Delivery) -> None:
    Delivery.objects.filter(pk=delivery.pk).update(
        next_try_at=timezone.now() - timedelta(seconds=1)
    )


def add_site(event: SealWorn) -> None:
    """A handler whose effect would show if it ran twice."""
    Site.objects.create(code=f"s{Site.objects.count()}", name=f"Site {Site.objects.count()}")


def test_one_delivery_for_each_subscriber_of_that_event_and_none_for_others() -> None:
    @dataclass(frozen=True)
    class Other:
        name: ClassVar[str] = "tests.other"
        schema: ClassVar[int] = 1

    outbox.subscribe("first", SealWorn, lambda event: None)
    outbox.subscribe("second", SealWorn, lambda event: None)
    outbox.subscribe("third", Other, lambda event: None)
    site = make_site()
    with transaction.atomic():
        event = outbox.append(SealWorn(7), site=site)
    assert sorted(event.deliveries.values_list("handler", flat=True)) == ["first", "second"]
    row = Event.objects.get()
    assert (row.name, row.schema, row.payload) == ("tests.seal_worn", 1, {"finding_id": 7})
    assert row.site_id == site.pk


def test_append_outside_a_transaction_is_refused() -> None:
    with pytest.raises(RuntimeError, match="in the transaction"):
        outbox.append(SealWorn(7), site=None)
    assert not Event.objects.exists()


def test_a_rollback_takes_the_event_with_it() -> None:
    outbox.subscribe("first", SealWorn, lambda event: None)
    with transaction.atomic():
        outbox.append(SealWorn(7), site=None)
        transaction.set_rollback(True)
    assert not Event.objects.exists()
    assert not Delivery.objects.exists()


def test_two_functions_under_one_name_are_refused() -> None:
    outbox.subscribe("first", SealWorn, add_site)
    outbox.subscribe("first", SealWorn, add_site)  # ready() may run twice
    with pytest.raises(ValueError, match="'first'"):
        outbox.subscribe("first", SealWorn, print)


def test_eight_threads_have_one_effect() -> None:
    def slow(event: SealWorn) -> None:
        time.sleep(0.3)  # so that all eight are inside at once, were they let in
        Site.objects.create(code=str(threading.get_ident())[-20:], name=str(threading.get_ident()))

    outbox.subscribe("first", SealWorn, slow)
    delivery = appended()
    start = threading.Barrier(8)
    outcomes: list[outbox.Outcome] = []

    def work() -> None:
        try:
            start.wait(timeout=10)
            outcomes.append(outbox.deliver(delivery.pk))
        finally:
            connection.close()

    threads = [threading.Thread(target=work) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=20)
    assert sorted(outcomes) == [outbox.Outcome.DONE] + [outbox.Outcome.SETTLED_BEFORE] * 7
    assert Site.objects.count() == 1
    delivery.refresh_from_db()
    assert delivery.done_at is not None


def test_the_task_run_twice_has_one_effect() -> None:
    outbox.subscribe("first", SealWorn, add_site)
    delivery = appended()
    assert [tasks.deliver(delivery.pk), tasks.deliver(delivery.pk)] == ["done", "settled before"]
    assert Site.objects.count() == 1


def test_a_failing_handler_undoes_its_work_and_leaves_the_row_due() -> None:
    def half_way(event: SealWorn) -> None:
        add_site(event)
        raise ValueError(f"no room for {event.finding_id}\x00")

    outbox.subscribe("first", SealWorn, half_way)
    delivery = appended()
    before = timezone.now()
    assert outbox.deliver(delivery.pk) == outbox.Outcome.FAILED
    assert not Site.objects.exists()
    delivery.refresh_from_db()
    assert delivery.last_error == "ValueError: no room for 7�"
    assert (delivery.attempts, delivery.done_at, delivery.parked_at) == (1, None, None)
    # 5 s doubled once, and a jitter of a fifth either way.
    wait = delivery.next_try_at - before
    assert timedelta(seconds=8) <= wait <= timedelta(seconds=13)
    assert outbox.take_due(timezone.now()) == []
    assert outbox.take_due(timezone.now() + timedelta(seconds=13)) == [delivery.pk]


def test_a_broken_transaction_inside_the_handler_is_recorded_too() -> None:
    def bad_sql(event: SealWorn) -> None:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1/0")

    outbox.subscribe("first", SealWorn, bad_sql)
    delivery = appended()
    assert outbox.deliver(delivery.pk) == outbox.Outcome.FAILED
    delivery.refresh_from_db()
    assert delivery.last_error == "DataError: division by zero"


def test_parked_after_ten_failures_and_tried_again_when_unparked() -> None:
    broken = True

    def handler(event: SealWorn) -> None:
        if broken:
            raise ValueError("still broken")
        add_site(event)

    outbox.subscribe("first", SealWorn, handler)
    delivery = appended()
    outcomes = [outbox.deliver(delivery.pk) for _ in range(11)]
    assert outcomes == [outbox.Outcome.FAILED] * 9 + [
        outbox.Outcome.PARKED,
        outbox.Outcome.SETTLED_BEFORE,
    ]
    make_overdue(delivery)
    assert outbox.take_due(timezone.now()) == []

    broken = False
    assert outbox.unpark(delivery.pk) is True
    assert outbox.unpark(delivery.pk) is False
    assert outbox.drain() == 1
    assert Site.objects.count() == 1


def test_a_handler_that_kills_its_worker_is_parked_in_the_end() -> None:
    outbox.subscribe("first", SealWorn, add_site)
    delivery = appended()
    # As ten killed workers leave it: counted, and nothing recorded.
    Delivery.objects.update(attempts=outbox.MAX_ATTEMPTS)
    assert outbox.deliver(delivery.pk) == outbox.Outcome.PARKED
    assert not Site.objects.exists()
    delivery.refresh_from_db()
    assert delivery.last_error == "The worker stopped each time before it could finish."


def test_an_event_of_another_schema_is_not_handed_to_the_handler() -> None:
    outbox.subscribe("first", SealWorn, add_site)
    delivery = appended()
    Event.objects.update(schema=2)
    assert outbox.deliver(delivery.pk) == outbox.Outcome.FAILED
    assert not Site.objects.exists()
    delivery.refresh_from_db()
    assert "reads tests.seal_worn schema 1, not tests.seal_worn schema 2" in delivery.last_error


def test_a_lease_hides_a_row_until_it_runs_out() -> None:
    outbox.subscribe("first", SealWorn, add_site)
    delivery = appended()
    now = timezone.now()
    assert outbox.take_due(now) == [delivery.pk]
    assert outbox.take_due(now) == []
    # 60 s and a jitter of a fifth either way.
    assert outbox.take_due(now + timedelta(seconds=47)) == []
    assert outbox.take_due(now + timedelta(seconds=73)) == [delivery.pk]


def test_a_second_relay_skips_what_the_first_is_taking() -> None:
    outbox.subscribe("first", SealWorn, add_site)
    held = appended(1)
    free = appended(2)
    taken: list[int] = []

    def rival() -> None:
        try:
            taken.extend(outbox.take_due(timezone.now()))
        finally:
            connection.close()

    with transaction.atomic():
        Delivery.objects.select_for_update().get(pk=held.pk)
        thread = threading.Thread(target=rival)
        thread.start()
        thread.join(timeout=10)
    assert taken == [free.pk]


def test_a_broker_that_fails_half_way_leaves_the_rest_due_soon() -> None:
    outbox.subscribe("first", SealWorn, add_site)
    rows = [appended(n) for n in range(3)]
    sent: list[int] = []

    def send(delivery_id: int) -> None:
        if sent:
            raise ConnectionError("broker down")
        sent.append(delivery_id)

    with pytest.raises(ConnectionError):
        outbox.hand_over(send)
    assert sent == [rows[0].pk]
    soon = timezone.now() + outbox.BROKER_PAUSE
    assert outbox.take_due(soon) == [rows[1].pk, rows[2].pk]


def test_drain_follows_events_that_handlers_append() -> None:
    def chain(event: SealWorn) -> None:
        if event.finding_id > 1:
            outbox.append(SealWorn(event.finding_id - 1), site=None)

    outbox.subscribe("first", SealWorn, chain)
    appended(3)
    assert outbox.drain() == 3
    assert Delivery.objects.filter(done_at__isnull=False).count() == 3


# --- Events that only say "look again" ----------------------------------------------------------


def told_once(finding_id: int = 7) -> None:
    with transaction.atomic():
        outbox.append_once(SealWorn(finding_id), site=None)


def test_the_same_event_is_not_told_twice_while_the_first_still_waits() -> None:
    outbox.subscribe("first", SealWorn, add_site)
    told_once()
    told_once()
    told_once(8)
    assert [event.payload["finding_id"] for event in Event.objects.order_by("pk")] == [7, 8]


def test_what_was_told_already_is_told_anew() -> None:
    outbox.subscribe("first", SealWorn, add_site)
    told_once()
    outbox.drain()
    told_once()
    outbox.drain()
    assert Site.objects.count() == 2


def test_a_handler_that_has_begun_does_not_count_as_waiting() -> None:
    outbox.subscribe("first", SealWorn, lambda event: told_once())
    told_once()
    outbox.deliver(Delivery.objects.get().pk)
    assert Event.objects.count() == 2
    assert Delivery.objects.filter(done_at__isnull=True).count() == 1


def test_a_handler_waits_for_whoever_joined_its_event_and_sees_the_change() -> None:
    seen: list[int] = []
    outbox.subscribe("first", SealWorn, lambda event: seen.append(Site.objects.count()))
    told_once()
    waiting = Delivery.objects.get()
    worker = threading.Thread(target=lambda: (outbox.deliver(waiting.pk), connection.close()))
    with transaction.atomic():
        outbox.append_once(SealWorn(7), site=None)
        worker.start()
        time.sleep(0.3)
        assert seen == []
        make_site()
    worker.join(timeout=10)
    assert seen == [1]
    assert Event.objects.count() == 1


def test_an_event_for_two_is_told_anew_unless_both_still_wait() -> None:
    outbox.subscribe("first", SealWorn, lambda event: None)
    outbox.subscribe("second", SealWorn, lambda event: None)
    told_once()
    outbox.deliver(Delivery.objects.get(handler="first").pk)
    told_once()
    assert Event.objects.count() == 2
