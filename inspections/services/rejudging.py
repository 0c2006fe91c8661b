"""Judging signed inspections again by a changed rule: new verdicts beside the old, in chunks.

For the outbox, nobody's act. A verdict that somebody signed is never touched: what it comes to
under the later rule is a row of its own.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from fleet.decisions import DecisionRule
from fleet.events import RuleChosen
from fleet.models import SheetLine, SheetRule
from fleet.plumbing import outbox
from fleet.selectors import decision_rule_of
from inspections.events import RejudgingGoesOn
from inspections.judging import judge, readings_for
from inspections.models import (
    Inspection,
    InspectionQuerySet,
    Reading,
    RejudgedVerdict,
    Rejudgement,
    Verdict,
)
from inspections.rules.lifecycle import InspectionState

# In one transaction: a worker that is stopped in the middle loses no more than this.
AT_ONCE = 100
_JUDGED_AGAIN = (
    InspectionState.SIGNED.value,
    InspectionState.SUPERSEDED.value,
    InspectionState.AWAITING_COUNTERSIGNATURE.value,
)


def begin(*, event: RuleChosen, now: datetime | None = None) -> Rejudgement:
    """Puts on record that the inspections of a model are to be judged again, and starts it.

    May run any number of times: a rule is begun once. An open inspection keeps the rule that it
    was opened with, and an abandoned one counts for nothing.
    """
    rule = SheetRule.objects.select_related("sheet").get(pk=event.rule_id)
    with transaction.atomic():
        row, is_new = Rejudgement.objects.get_or_create(
            rule=rule,
            defaults={
                "asked_at": now or timezone.now(),
                "total": _to_judge(rule).count(),
            },
        )
        if is_new:
            _go_on(row)
    return row


def go_on(*, event: RejudgingGoesOn, now: datetime | None = None) -> Rejudgement:
    """Judges the next inspections again, at most AT_ONCE, and asks for those after them.

    May run any number of times, late, at once with itself and out of order: only the event that
    takes up where the row stands has an effect.
    """
    with transaction.atomic():
        row = Rejudgement.objects.select_for_update(of=("self",)).get(pk=event.rejudgement_id)
        # Before anything is read: whatever is judged anew at the bench from now on is later.
        at = now or timezone.now()
        if row.finished_at is not None or row.last_inspection_id != event.after_id:
            return row
        rule = SheetRule.objects.select_related("sheet").get(pk=row.rule_id)
        left = _to_judge(rule).filter(pk__gt=row.last_inspection_id).order_by("pk")
        chunk = list(left[:AT_ONCE])
        made = _judged_again(row, decision_rule_of(rule), chunk, at)
        RejudgedVerdict.objects.bulk_create(made, batch_size=500)
        row.done += len(chunk)
        row.differing += sum(verdict.outcome != verdict.before for verdict in made)
        if chunk:
            row.last_inspection_id = chunk[-1].pk
        # Counted anew: one may have been sent back to the bench since, and another signed.
        after = left.filter(pk__gt=row.last_inspection_id).count()
        row.total = row.done + after
        if not after:
            row.finished_at = at
        row.save()
        if after:
            _go_on(row)
    return row


def _go_on(row: Rejudgement) -> None:
    outbox.append(
        RejudgingGoesOn(rejudgement_id=row.pk, after_id=row.last_inspection_id), site=None
    )


def _to_judge(rule: SheetRule) -> InspectionQuerySet:
    """All inspections of the model whatever sheet they were judged by: it is the rule that changed.

    Each keeps the limits of its own sheet. Those that were opened under this rule have it already.
    """
    return Inspection.objects.filter(
        sheet__model_id=rule.sheet.model_id, state__in=_JUDGED_AGAIN
    ).exclude(rule_id__gte=rule.pk)


def _judged_again(
    row: Rejudgement, rule: DecisionRule, chunk: Sequence[Inspection], at: datetime
) -> list[RejudgedVerdict]:
    """A new verdict for each old one of these inspections, not saved. Three queries."""
    lines: dict[int, list[SheetLine]] = defaultdict(list)
    for line in SheetLine.objects.filter(sheet__in={i.sheet_id for i in chunk}).select_related(
        "sheet"
    ):
        lines[line.sheet_id].append(line)
    readings: dict[int, list[Reading]] = defaultdict(list)
    for reading in Reading.objects.filter(inspection__in=chunk, replaced_at__isnull=True):
        readings[reading.inspection_id].append(reading)
    verdicts: dict[int, list[Verdict]] = defaultdict(list)
    for verdict in Verdict.objects.filter(inspection__in=chunk):
        verdicts[verdict.inspection_id].append(verdict)
    made = []
    for inspection in chunk:
        of_sheet = lines[inspection.sheet_id]
        by_id = {line.pk: line for line in of_sheet}
        for before in verdicts[inspection.pk]:
            line = by_id[before.line_id]
            judged = judge(line, readings_for(line, of_sheet, readings[inspection.pk]), rule)
            made.append(
                RejudgedVerdict(
                    rejudgement=row,
                    inspection=inspection,
                    line=line,
                    before=before.outcome,
                    outcome=judged.outcome.value,
                    probability=judged.probability,
                    near_limit=judged.near_limit,
                    sentence=judged.sentence,
                    rule_text=judged.rule,
                    computed_from=judged.computed_from,
                    judged_at=at,
                )
            )
    return made
