"""What parts wants to hear of the rest."""

from __future__ import annotations

from fleet.plumbing import outbox
from inspections.events import InspectionSigned
from parts.services import demands


def raise_demands(event: InspectionSigned) -> None:
    demands.raise_for_signed(event=event)


def register() -> None:
    outbox.subscribe("parts.raise_demands", InspectionSigned, raise_demands)
