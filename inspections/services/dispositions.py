"""What becomes of each component: proposed by rule, overruled by a person with a reason."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault, Faults
from fleet.limits import JudgedBy
from fleet.models import SheetLine, User
from fleet.roles import Capability
from fleet.vocabulary import COMPONENTS, Characteristic, Component, PumpFamily
from inspections.dispositions import Disposition, propose
from inspections.findings import Severity, Word
from inspections.models import ComponentDisposition, Inspection, Verdict
from inspections.services.findings import components_without_record, require_component
from inspections.services.rows import open_for_work
from inspections.verdicts import Outcome


def what_blocks(inspection: Inspection) -> list[Fault]:
    """What is still to do before anything can be disposed of: one sentence each, none when ready.

    Required checks that are undecided and not waived, and components nobody has looked at.
    """
    blocked: list[Fault] = []
    if inspection.proved_zero_at is None:
        blocked.append(Fault("Isolation and proved zero are not confirmed.", field="isolation"))
    if not hasattr(inspection, "nameplate"):
        blocked.append(Fault("The nameplate is not read.", field="nameplate"))
    verdicts = {v.line_id: v for v in inspection.verdicts.all()}
    for line in SheetLine.objects.filter(sheet_id=inspection.sheet_id, required=True):
        if JudgedBy(line.judged_by) is JudgedBy.NOT_APPLICABLE:
            continue
        verdict = verdicts.get(line.pk)
        name = f"{Characteristic(line.characteristic).label} ({Component(line.component).label})"
        if verdict is None:
            blocked.append(Fault(f"{name} is not measured.", field=f"checks.{line.pk}"))
        elif verdict.outcome == Outcome.UNDECIDED.value and verdict.waived_by_id is None:
            missing = (
                f" Still to be measured: {', '.join(verdict.missing_positions)}."
                if verdict.missing_positions
                else " Try another leaf or instrument, or have it waived by name and reason."
            )
            blocked.append(Fault(f"{name} is undecided.{missing}", field=f"checks.{line.pk}"))
    blocked.extend(
        Fault(
            f"{component.label} has no record. Say what is seen, 'no defect' included.",
            field=f"components.{component.value}",
        )
        for component in components_without_record(inspection)
    )
    return blocked


def propose_all(
    *, actor: User, inspection: Inspection, now: datetime | None = None
) -> list[ComponentDisposition]:
    """Propose a disposition for every component from verdicts and findings, and keep the rows.

    Needs INSPECT and an open inspection. Raises Faults with all that is still to do. A person's
    overruling stays as long as the proposal it overruled stays the same.
    """
    now = now or timezone.now()
    with transaction.atomic():
        row = open_for_work(actor, inspection)
        blocked = what_blocks(row)
        if blocked:
            raise Faults(blocked)
        family = PumpFamily(row.pump.model.family)
        proposals = propose(
            family=family,
            components=COMPONENTS[family],
            verdicts=[
                (
                    Characteristic(v.line.characteristic),
                    Component(v.line.component),
                    Outcome(v.outcome),
                )
                for v in Verdict.objects.filter(inspection=row).select_related("line")
            ],
            findings=[
                (Component(f.component), Word(f.word), Severity(f.severity))
                for f in row.findings.all()
            ],
            body_replaceable=row.pump.model.body_replaceable,
        )
        before = {d.component: d for d in row.dispositions.all()}
        rows = []
        for proposal in proposals:
            old = before.get(proposal.component.value)
            keep_overruling = (
                old is not None
                and old.decided != old.proposed
                and old.proposed == proposal.disposition.value
            )
            values: dict[str, object] = {
                "proposed": proposal.disposition.value,
                "reasons": [asdict(reason) for reason in proposal.reasons],
            }
            if not keep_overruling:
                values |= {
                    "decided": proposal.disposition.value,
                    "decided_by": actor,
                    "decided_at": now,
                    "overrule_reason": "",
                }
            kept, _ = ComponentDisposition.objects.update_or_create(
                inspection=row, component=proposal.component.value, defaults=values
            )
            rows.append(kept)
        return rows


def overrule(
    *, actor: User, inspection: Inspection, component: str, decided: Disposition, reason: str
) -> ComponentDisposition:
    """Decide otherwise than proposed, by name and written reason. Needs OVERRULE.

    Deciding as proposed takes an overruling back. Raises Conflict before anything is proposed.
    """
    with transaction.atomic():
        row = open_for_work(actor, inspection)
        require(actor, Capability.OVERRULE, row.site)
        part = require_component(row, component)
        disposition = ComponentDisposition.objects.filter(
            inspection=row, component=part.value
        ).first()
        if disposition is None:
            raise Conflict(
                "Nothing is proposed yet: finish the checks and findings first.",
                field="component",
                code="nothing_proposed",
            )
        as_proposed = decided.value == disposition.proposed
        if not as_proposed and not reason.strip():
            raise Fault("Write down why you decide otherwise.", field="reason")
        if part is Component.SEALS and decided in (Disposition.REUSE, Disposition.DRESS):
            raise Conflict(
                "Seals that were taken apart are never used again: the pump was dismantled.",
                field="decided",
                code="seals_always_renewed",
            )
        disposition.decided = decided.value
        disposition.decided_by = actor
        disposition.decided_at = timezone.now()
        disposition.overrule_reason = "" if as_proposed else reason.strip()
        disposition.save(update_fields=["decided", "decided_by", "decided_at", "overrule_reason"])
        return disposition
