"""Celery's way in; beat sends it once a night."""

from __future__ import annotations

import logging

from celery import shared_task

from parts.services import ledger, planning

logger = logging.getLogger(__name__)


@shared_task(name="parts.check_ledger")
def check_ledger() -> int:
    """Compares all sums with the ledger; reads only. Returns how many differ, each one logged."""
    differences = ledger.check_ledger()
    for difference in differences:
        logger.error("The stock sums are not those of the ledger: %s", difference)
    return len(differences)


@shared_task(name="parts.plan_all")
def plan_all() -> int:
    """Asks for the supply of all parts to be planned again, a slice an event; returns how many."""
    return planning.ask_for_all()
