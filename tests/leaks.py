"""Leak paths for tests, as the drawing of an invented gear pump of 32 cm³ might have them."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from fleet.leaks import LeakPathDraft
from fleet.models import PumpModel, User
from fleet.services.leak_paths import set_leak_paths

D = Decimal

SIDE_PATH = LeakPathDraft(
    "side_clearance", "slot", count=4, gap_factor=D("0.5"), width_mm=D(30), length_mm=D(9)
)
TIP_PATH = LeakPathDraft("tip_clearance", "slot", count=2, width_mm=D(25), length_mm=D(8))
BUSH_PATH = LeakPathDraft(
    "shaft_to_bush",
    "annulus",
    count=4,
    gap_factor=D("0.5"),
    diameter_mm=D(20),
    length_mm=D(20),
    eccentricity=D(1),
)


def give_leak_paths(actor: User, model: PumpModel, *paths: LeakPathDraft) -> PumpModel:
    return set_leak_paths(actor=actor, model=model, paths=paths or (SIDE_PATH, TIP_PATH, BUSH_PATH))


def as_sent(path: LeakPathDraft) -> dict[str, Any]:
    """The path as the API takes it."""
    sent = {name: getattr(path, name) for name in LeakPathDraft.__dataclass_fields__}
    return {name: str(v) if isinstance(v, Decimal) else v for name, v in sent.items()}
