"""Celery's way in; beat sends it once a night."""

from __future__ import annotations

import logging

from celery import shared_task

from parts.services import stock

logger = logging.getLogger(__name__)


@shared_task(name="parts.check_ledger")
def check_ledger() -> int:
    """Compares all sums with the ledger; reads only. Returns how many differ, each one logged."""
    differences = stock.check_ledger()
    for difference in differences:
        logger.error("The stock sums are not those of the ledger: %s", difference)
    return len(differences)
