"""What inspections tells the rest: a published contract. Ids and plain values only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True, slots=True)
class InspectionSigned:
    """An inspection was signed for good: its dispositions now count."""

    name: ClassVar[str] = "inspections.signed"
    schema: ClassVar[int] = 1

    inspection_id: int
    pump_id: int
    site_id: int
    supersedes_id: int | None = None


@dataclass(frozen=True, slots=True)
class RejudgingGoesOn:
    """More inspections are still to be judged again by a changed rule.

    after_id: all up to this inspection are done.
    """

    name: ClassVar[str] = "inspections.rejudging_goes_on"
    schema: ClassVar[int] = 1

    rejudgement_id: int
    after_id: int
