"""Celery's way in. Only the relay and beat send these tasks; each is safe to run twice."""

from __future__ import annotations

from celery import shared_task

from fleet.plumbing import idempotency, outbox


@shared_task(name="fleet.deliver")
def deliver(delivery_id: int) -> str:
    return outbox.deliver(delivery_id).value


def send_delivery(delivery_id: int) -> None:
    """Queues one delivery. No retry inside: the row stays due, so the caller can simply go on."""
    deliver.apply_async(args=(delivery_id,), retry=False)


@shared_task(name="fleet.sweep_outbox")
def sweep_outbox() -> int:
    """Second way for what is due, should the relay be down."""
    return outbox.hand_over(send_delivery)


@shared_task(name="fleet.forget_old_keys")
def forget_old_keys() -> int:
    return idempotency.forget_old_keys()
