"""What was seen on each component."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.utils import timezone

from fleet.faults import Conflict, Fault
from fleet.models import User
from fleet.services.rows import refuse
from fleet.vocabulary import COMPONENTS, Component, PumpFamily
from inspections.models import Finding, Inspection
from inspections.rules.findings import Cause, Severity, Word, check_finding
from inspections.services.rows import length_faults, open_for_work


def require_component(inspection: Inspection, component: str) -> Component:
    """The component, when this pump's family has it. Raises Fault naming those it has."""
    has = COMPONENTS[PumpFamily(inspection.pump.model.family)]
    if component not in {c.value for c in has}:
        raise Fault(
            f"This pump has no such component. It has: {', '.join(c.label.lower() for c in has)}.",
            field="component",
            code="unknown_component",
        )
    return Component(component)


def record_finding(
    *,
    actor: User,
    inspection: Inspection,
    component: str,
    word: Word,
    severity: Severity,
    place: str = "",
    note: str = "",
    cause: Cause | None = None,
    now: datetime | None = None,
) -> Finding:
    """Keep one finding, or that there is none. What is seen and what caused it stay apart.

    Needs INSPECT and an open inspection. The same word at the same place is replaced. 'No defect'
    and a defect of one component exclude each other: raises Conflict.
    """
    with transaction.atomic():
        row = open_for_work(actor, inspection)
        part = require_component(row, component)
        refuse(
            check_finding(part, word, severity)
            + length_faults(Finding, place=place.strip(), note=note.strip())
        )
        others = Finding.objects.filter(inspection=row, component=part.value)
        if word is Word.NO_DEFECT:
            if others.exclude(word=Word.NO_DEFECT.value).exists():
                raise Conflict(
                    f"A defect is on record for {part.label.lower()}. Remove it before recording "
                    "that there is none.",
                    field="word",
                    code="defect_on_record",
                )
        else:
            others.filter(word=Word.NO_DEFECT.value).delete()
        finding, _ = Finding.objects.update_or_create(
            inspection=row,
            component=part.value,
            word=word.value,
            place=place.strip(),
            defaults={
                "severity": severity.value,
                "note": note.strip(),
                "cause": cause.value if cause is not None else "",
                "seen_by": actor,
                "seen_at": now or timezone.now(),
            },
        )
        return finding


def remove_finding(*, actor: User, finding: Finding) -> None:
    """Take a finding back while the inspection is open."""
    with transaction.atomic():
        row = open_for_work(actor, finding.inspection)
        Finding.objects.filter(inspection=row, pk=finding.pk).delete()
