"""What the fleet tells the rest: a published contract. Ids and plain values only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True, slots=True)
class RuleChosen:
    """Another decision rule is in force for the limit sheet of a model."""

    name: ClassVar[str] = "fleet.rule_chosen"
    schema: ClassVar[int] = 1

    rule_id: int
    sheet_id: int
    model_id: int
