"""The decision rule of a limit sheet: chosen by name and reason, appended, never edited.

The limits of a sheet are the maker's; how readings are judged by them is the owner's to say.
"""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from django.utils import timezone

from fleet.access import require_anywhere
from fleet.decisions import (
    DEFAULT_GUARD_Z,
    DEFAULT_P_ACCEPT,
    DEFAULT_P_REJECT,
    DecisionRule,
    RuleKind,
    check_rule,
)
from fleet.events import RuleChosen
from fleet.faults import Conflict
from fleet.lifecycle import SheetState
from fleet.models import LimitSheet, SheetRule, User
from fleet.plumbing import outbox
from fleet.roles import Capability
from fleet.selectors import decision_rule_of, rule_in_force, sheet_in_force
from fleet.services.rows import column_faults, locked, one_transaction, refuse


def choose_rule(
    *,
    actor: User,
    sheet: LimitSheet,
    kind: RuleKind,
    guard_z: Decimal = DEFAULT_GUARD_Z,
    p_accept: Decimal = DEFAULT_P_ACCEPT,
    p_reject: Decimal = DEFAULT_P_REJECT,
    why: str,
    now: datetime | None = None,
) -> SheetRule:
    """Puts another decision rule in force for a sheet; figures of another kind do not count.

    Needs ISSUE_LIMITS at one site. Inspections that are open keep the rule they began with; those
    that are signed are judged again by it, beside their verdicts, where the sheet is issued.
    Raises Conflict for the rule that is in force already and for a superseded sheet.
    """
    require_anywhere(actor, Capability.ISSUE_LIMITS)
    rule = _only_what_counts(kind, guard_z, p_accept, p_reject)
    row = SheetRule(
        sheet=sheet,
        kind=kind.value,
        guard_z=rule.guard_z,
        p_accept=rule.p_accept,
        p_reject=rule.p_reject,
        why=why.strip(),
        chosen_by=actor,
        chosen_at=now or timezone.now(),
    )
    refuse(column_faults(row, exclude=["sheet"]) or check_rule(rule))
    with one_transaction():
        on_file = locked(LimitSheet, sheet.pk)
        if on_file.state == SheetState.SUPERSEDED.value:
            raise Conflict(
                f"Sheet {on_file.revision} is superseded, and nothing is judged by it any more. "
                "Choose the rule on the sheet in force.",
                code="sheet_superseded",
            )
        if rule_that_counts(on_file) == rule:
            raise Conflict(
                f"Readings are judged so already: {rule.sentence()}. Choose another rule, or "
                "leave it.",
                field="kind",
                code="same_rule",
            )
        row.save()
        if on_file.state == SheetState.ISSUED.value:
            tell(row, on_file)
    return row


def tell(rule: SheetRule, sheet: LimitSheet) -> None:
    """Puts on record that another rule is in force for the sheet's model, for whoever judges."""
    outbox.append(
        RuleChosen(rule_id=rule.pk, sheet_id=sheet.pk, model_id=sheet.model_id), site=None
    )


def carry_over(*, old: LimitSheet, new: LimitSheet) -> SheetRule | None:
    """The rule in force for one sheet put in force for the next, in the caller's transaction.

    It stays the choice of whoever made it, at that time and for that reason. Returns the new row;
    None where no rule was ever chosen.
    """
    chosen = rule_in_force(old)
    if chosen is None:
        return None
    return SheetRule.objects.create(
        sheet=new,
        kind=chosen.kind,
        guard_z=chosen.guard_z,
        p_accept=chosen.p_accept,
        p_reject=chosen.p_reject,
        why=chosen.why,
        chosen_by=chosen.chosen_by,
        chosen_at=chosen.chosen_at,
    )


def rule_that_counts(sheet: LimitSheet) -> DecisionRule:
    """The rule of a sheet; of a draft the one that it would have if it were issued now.

    A draft takes over the rule of the sheet that it supersedes, unless another was chosen for it
    since.
    """
    chosen = rule_in_force(sheet)
    if sheet.state == SheetState.DRAFT.value and (old := sheet_in_force(sheet.model)) is not None:
        return decision_rule_of(latest(rule_in_force(old), chosen))
    return decision_rule_of(chosen)


def latest(before: SheetRule | None, chosen: SheetRule | None) -> SheetRule | None:
    """Which of two choices counts: the later one, and `chosen` of two at the same time."""
    if before is None or (chosen is not None and chosen.chosen_at >= before.chosen_at):
        return chosen
    return before


def _only_what_counts(
    kind: RuleKind, guard_z: Decimal, p_accept: Decimal, p_reject: Decimal
) -> DecisionRule:
    # Two rules are the same when what counts of them is: the rest stands at its usual figure.
    if kind is RuleKind.GUARDED:
        return DecisionRule(kind, guard_z=guard_z)
    if kind is RuleKind.PROBABILITY:
        return DecisionRule(kind, p_accept=p_accept, p_reject=p_reject)
    return DecisionRule(kind)
