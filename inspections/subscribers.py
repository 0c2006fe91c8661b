"""What inspections wants to hear of the rest, and of itself later."""

from __future__ import annotations

from fleet.events import RuleChosen
from fleet.plumbing import outbox
from inspections.events import RejudgingGoesOn
from inspections.services import rejudging


def begin_rejudging(event: RuleChosen) -> None:
    rejudging.begin(event=event)


def go_on_rejudging(event: RejudgingGoesOn) -> None:
    rejudging.go_on(event=event)


def register() -> None:
    outbox.subscribe("inspections.begin_rejudging", RuleChosen, begin_rejudging)
    outbox.subscribe("inspections.go_on_rejudging", RejudgingGoesOn, go_on_rejudging)
