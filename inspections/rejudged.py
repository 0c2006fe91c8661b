"""Reads of what earlier inspections come to under a later rule, each in a fixed number of queries.

Querysets are scoped by the caller.
"""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import F, OuterRef, QuerySet, Subquery

from fleet.models import SheetRule
from fleet.selectors import decision_rule_of
from inspections.models import (
    Inspection,
    RejudgedVerdict,
    RejudgedVerdictQuerySet,
    Rejudgement,
    Verdict,
)


def rejudgements() -> QuerySet[Rejudgement]:
    """Every judging again with its rule, sheet and model: they belong to all sites. One query."""
    return Rejudgement.objects.select_related("rule__sheet__model", "rule__chosen_by")


def rejudged_verdicts() -> RejudgedVerdictQuerySet:
    """What checks come to under a later rule, with their inspection, pump and line. One query."""
    return RejudgedVerdict.objects.select_related(
        "inspection__site", "inspection__pump", "line", "rejudgement__rule"
    )


def differing(rejudgement: Rejudgement) -> RejudgedVerdictQuerySet:
    """Those that come out otherwise than they were signed, by pump and check."""
    return (
        rejudged_verdicts()
        .filter(rejudgement=rejudgement)
        .exclude(outcome=F("before"))
        .order_by("inspection__site__name", "inspection__pump__tag", "inspection_id", "line__order")
    )


@dataclass(frozen=True)
class LaterRule:
    """What an inspection comes to under a rule that was chosen after it was opened."""

    rule: SheetRule
    checks: tuple[RejudgedVerdict, ...]

    @property
    def sentence(self) -> str:
        return decision_rule_of(self.rule).sentence()

    @property
    def otherwise(self) -> tuple[RejudgedVerdict, ...]:
        return tuple(check for check in self.checks if check.outcome != check.before)


def under_later_rule(inspection: Inspection) -> LaterRule | None:
    """What the checks of an inspection come to under the newest rule, by line. One query.

    Not those that were judged anew since: what was made of the old readings counts no more. None
    where nothing is left, or no other rule was ever chosen.
    """
    newest = (
        RejudgedVerdict.objects.filter(inspection=inspection)
        # By the rule: a later one may have been begun first.
        .order_by("-rejudgement__rule_id")
        .values("rejudgement_id")[:1]
    )
    judged_at = Verdict.objects.filter(
        inspection=OuterRef("inspection"), line=OuterRef("line")
    ).values("judged_at")[:1]
    found = tuple(
        rejudged_verdicts()
        .filter(inspection=inspection, rejudgement=Subquery(newest))
        .filter(judged_at__gte=Subquery(judged_at))
        .order_by("line__order", "line_id")
    )
    return LaterRule(found[0].rejudgement.rule, found) if found else None
