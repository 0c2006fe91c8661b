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
