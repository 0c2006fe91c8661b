"""Limit sheets: drafted line by line, checked as a whole, issued once and never changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from decimal import Decimal

from django.utils import timezone

from fleet.access import require_anywhere
from fleet.faults import Conflict, Fault
from fleet.lifecycle import SheetState
from fleet.limits import JudgedBy, LimitRow, Limits, check_row
from fleet.lines_together import check_together
from fleet.models import LARGEST_LENGTH, LimitSheet, PumpModel, SheetLine, User
from fleet.roles import Capability
from fleet.selectors import decision_rule_of, rule_in_force, sheet_in_force
from fleet.services import rules
from fleet.services.rows import column_faults, locked, one_transaction, refuse, save_next
from fleet.tables import LIST_MARK
from fleet.units import LengthUnit
from fleet.vocabulary import COMPONENTS, Characteristic, Component, PumpFamily, taken_on

_LENGTHS = (
    "limit_low",
    "limit_high",
    "new_low",
    "new_high",
    "also_limit_low",
    "also_limit_high",
    "also_new_low",
    "also_new_high",
    "allowance",
)
# Field of a rule's fault -> column of the line. A fault of both ends stands at the upper one.
_COLUMN_OF = {
    "limits": "limit_high",
    "limits.low": "limit_low",
    "limits.high": "limit_high",
    "limits.unit": "unit",
    "also_low": "also_limit_low",
    "also_high": "also_limit_high",
}


@dataclass(frozen=True)
class LineDraft:
    """One line as typed from the maker's book: the fields of SheetLine, lengths in `unit`.

    The also_ figures are in `also_unit`: what the book prints beside, checked and never judged by.
    A computed check names its readings in `terms`, all others taken from the first, with the
    `allowance` added. `readings_from`: the check whose readings a spread is over.
    """

    characteristic: str
    component: str
    judged_by: str
    unit: str
    page: str = ""
    required: bool = True
    instrument_kind: str = ""
    limit_low: Decimal | None = None
    limit_high: Decimal | None = None
    new_low: Decimal | None = None
    new_high: Decimal | None = None
    also_unit: str = ""
    also_limit_low: Decimal | None = None
    also_limit_high: Decimal | None = None
    also_new_low: Decimal | None = None
    also_new_high: Decimal | None = None
    positions: tuple[str, ...] = ()
    terms: tuple[str, ...] = ()
    method: str = ""
    not_applicable_reason: str = ""
    name: str = ""
    allowance: Decimal | None = None
    readings_from: str = ""


LINE_FIELDS = tuple(f.name for f in fields(LineDraft))


def check_line(draft: LineDraft, family: PumpFamily) -> list[Fault]:
    """Every fault of one line; the fields are those of LineDraft."""
    unread = _unread(draft)
    if unread:
        return unread
    faults = _of_family(Characteristic(draft.characteristic), Component(draft.component), family)
    for fault in check_row(_rule_row(draft)):
        fault.field = _COLUMN_OF.get(fault.field, fault.field)
        faults.append(fault)
    return faults


def check_lines(lines: Sequence[LineDraft], family: PumpFamily) -> list[Fault]:
    """Every fault of every line, with fields like "lines.3.limit_high" (first line 0)."""
    found = [check_line(draft, family) for draft in lines]
    for fault in check_together([_row_if_readable(draft) for draft in lines]):
        place, fault.field = fault.field.split(".", 1)
        found[int(place)].append(fault)
    return [fault.at(f"lines.{index}") for index, of_one in enumerate(found) for fault in of_one]


def _unread(draft: LineDraft) -> list[Fault]:
    """Faults of the columns themselves: with one of these no rule can look at the line."""
    # A line that does not apply has no page to point to.
    not_applicable = draft.judged_by == JudgedBy.NOT_APPLICABLE
    faults = column_faults(
        _row_of(draft), exclude=["sheet", "page"] if not_applicable else ["sheet"]
    )
    faults += _too_large(draft)
    for name in ("positions", "terms"):
        if any(LIST_MARK in entry for entry in getattr(draft, name)):
            faults.append(
                Fault(
                    f"Leave the '{LIST_MARK}' out of {name}: it separates them in files.",
                    field=name,
                )
            )
    return faults


def check_heading(sheet: LimitSheet) -> list[Fault]:
    """Every fault of revision and document."""
    return column_faults(sheet, exclude=["model", "drafted_by", "drafted_at"])


def draft_sheet(
    *,
    actor: User,
    model: PumpModel,
    revision: str,
    document: str,
    lines: Sequence[LineDraft],
    now: datetime | None = None,
) -> LimitSheet:
    """A new draft for a model; lines may be few or none until it is issued."""
    require_anywhere(actor, Capability.DRAFT_LIMITS)
    sheet = LimitSheet(
        model=model,
        revision=revision.strip(),
        document=document.strip(),
        drafted_by=actor,
        drafted_at=now or timezone.now(),
    )
    refuse(check_heading(sheet) + check_lines(lines, PumpFamily(model.family)))
    with one_transaction():
        write_drafts([(sheet, lines)])
    return sheet


def write_drafts(drafts: Sequence[tuple[LimitSheet, Sequence[LineDraft]]]) -> None:
    """Inserts checked sheets with their lines, in the caller's transaction.

    Whether somebody may is asked by the caller.
    """
    LimitSheet.objects.bulk_create([sheet for sheet, _lines in drafts], batch_size=1000)
    rows = [row for sheet, lines in drafts for row in _rows_of(sheet, lines)]
    SheetLine.objects.bulk_create(rows, batch_size=1000)


def replace_lines(
    *, actor: User, sheet: LimitSheet, version: int | None = None, lines: Sequence[LineDraft]
) -> LimitSheet:
    """The whole list of lines of a draft, anew."""
    require_anywhere(actor, Capability.DRAFT_LIMITS)
    with one_transaction():
        row = locked(LimitSheet, sheet.pk, version)
        _require_draft(row)
        refuse(check_lines(lines, PumpFamily(row.model.family)))
        row.lines.all().delete()
        SheetLine.objects.bulk_create(_rows_of(row, lines))
        save_next(row)
    return row


def issue_sheet(
    *, actor: User, sheet: LimitSheet, version: int | None = None, now: datetime | None = None
) -> LimitSheet:
    """Puts a draft in force for its model and supersedes the one that was.

    Locks the model, then the sheet. Inspections that are open keep the sheet they began with. The
    decision rule stays as it was, unless another was chosen for the draft since.
    """
    require_anywhere(actor, Capability.ISSUE_LIMITS)
    now = now or timezone.now()
    with one_transaction():
        model = locked(PumpModel, sheet.model_id)
        row = locked(LimitSheet, sheet.pk, version)
        _require_draft(row)
        lines = [draft_of(line) for line in row.lines.order_by("order", "id")]
        faults = check_lines(lines, PumpFamily(model.family))
        if all(line.judged_by == JudgedBy.NOT_APPLICABLE for line in lines):
            faults.append(
                Fault(
                    "A sheet needs at least one line that applies, or no pump could be judged by "
                    "it. Add one.",
                    field="lines",
                    code="no_line_applies",
                )
            )
        refuse(faults)
        # The old one first: only one may be in force at any moment.
        for old in LimitSheet.objects.select_for_update().filter(
            model=model, state=SheetState.ISSUED.value
        ):
            old.state, old.superseded_at = SheetState.SUPERSEDED.value, now
            save_next(old, "state", "superseded_at")
            _settle_rule(old, row)
        row.state, row.issued_by, row.issued_at = SheetState.ISSUED.value, actor, now
        save_next(row, "state", "issued_by", "issued_at")
    return row


def revise_sheet(
    *,
    actor: User,
    sheet: LimitSheet,
    revision: str,
    document: str = "",
    now: datetime | None = None,
) -> LimitSheet:
    """A new draft with the lines of another sheet of the model, and the rule that is in force.

    document: the edition that the new figures stand in; empty: the same as before.
    """
    with one_transaction():
        row = draft_sheet(
            actor=actor,
            model=sheet.model,
            revision=revision,
            document=document.strip() or sheet.document,
            lines=[draft_of(line) for line in sheet.lines.order_by("order", "id")],
            now=now,
        )
        # The rule is the owner's: it goes on from now, not from an old sheet.
        rules.carry_over(old=sheet_in_force(sheet.model) or sheet, new=row)
    return row


def _settle_rule(old: LimitSheet, new: LimitSheet) -> None:
    """Puts the latest choice in force; a rule that is new to the model is told to who judges."""
    before, chosen = rule_in_force(old), rule_in_force(new)
    counts = rules.latest(before, chosen)
    if counts is not None and counts is before:
        rules.carry_over(old=old, new=new)
    elif chosen is not None and decision_rule_of(chosen) != decision_rule_of(before):
        rules.tell(chosen, new)


def draft_of(line: SheetLine) -> LineDraft:
    """A stored line as it was typed."""
    values = {name: getattr(line, name) for name in LINE_FIELDS}
    return LineDraft(**{**values, "positions": tuple(line.positions), "terms": tuple(line.terms)})


def _require_draft(sheet: LimitSheet) -> None:
    if sheet.state != SheetState.DRAFT.value:
        raise Conflict(
            f"Sheet {sheet.revision} is {SheetState(sheet.state).label} and never changes. Draft "
            "a new revision of it.",
            code="sheet_fixed",
        )


def _row_of(draft: LineDraft) -> SheetLine:
    values = {name: getattr(draft, name) for name in LINE_FIELDS}
    lists = {"positions": list(draft.positions), "terms": list(draft.terms)}
    return SheetLine(**{**values, **lists, "order": 1})


def _rows_of(sheet: LimitSheet, lines: Sequence[LineDraft]) -> list[SheetLine]:
    rows = [_row_of(draft) for draft in lines]
    for order, row in enumerate(rows, start=1):
        row.sheet, row.order = sheet, order
    return rows


def _rule_row(draft: LineDraft) -> LimitRow:
    return LimitRow(
        characteristic=Characteristic(draft.characteristic),
        component=Component(draft.component),
        judged_by=JudgedBy(draft.judged_by),
        limits=Limits(low=draft.limit_low, high=draft.limit_high, unit=LengthUnit(draft.unit)),
        positions=draft.positions,
        new_low=draft.new_low,
        new_high=draft.new_high,
        also_unit=LengthUnit(draft.also_unit) if draft.also_unit else None,
        also_low=draft.also_limit_low,
        also_high=draft.also_limit_high,
        also_new_low=draft.also_new_low,
        also_new_high=draft.also_new_high,
        terms=draft.terms,
        not_applicable_reason=draft.not_applicable_reason,
        name=draft.name,
        allowance=draft.allowance,
        readings_from=Characteristic(draft.readings_from) if draft.readings_from else None,
    )


def _row_if_readable(draft: LineDraft) -> LimitRow | None:
    """The line as the rules take it; None where a word of it is in no list."""
    try:
        return _rule_row(draft)
    except ValueError:
        return None


def _too_large(draft: LineDraft) -> list[Fault]:
    faults = []
    for name in _LENGTHS:
        figure = getattr(draft, name)
        if figure is not None and figure.is_finite() and abs(figure) >= LARGEST_LENGTH:
            faults.append(
                Fault(
                    f"{figure:f} is too large for a length here: it must be below "
                    f"{LARGEST_LENGTH}. Check the figure and its unit.",
                    field=name,
                    code="out_of_range",
                )
            )
    return faults


def _of_family(
    characteristic: Characteristic, component: Component, family: PumpFamily
) -> list[Fault]:
    faults = []
    if not taken_on(characteristic, family):
        faults.append(
            Fault(
                f"{characteristic.label} is not taken on this family ({family.label}). Choose "
                "another characteristic.",
                field="characteristic",
                code="not_of_family",
            )
        )
    if component not in COMPONENTS[family]:
        can = ", ".join(c.label for c in COMPONENTS[family])
        faults.append(
            Fault(
                f"{component.label} is no component of this family ({family.label}). Choose one "
                f"of: {can}.",
                field="component",
                code="not_of_family",
            )
        )
    return faults
