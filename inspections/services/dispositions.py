"""What becomes of each component: proposed by rule, overruled by a person with a reason."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault, Faults
from fleet.models import User
from fleet.roles import Capability
from fleet.services.rows import refuse
from fleet.vocabulary import Component
from inspections.models import ComponentDisposition, Inspection
from inspections.rules.dispositions import Disposition
from inspections.selectors import blockers, proposals_of, stays_overruled
from inspections.services.findings import require_component
from inspections.services.rows import length_faults, open_for_work


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
        blocked = blockers(row)
        if blocked:
            raise Faults(blocked)
        before = {d.component: d for d in row.dispositions.all()}
        rows = []
        for proposal in proposals_of(row):
            old = before.get(proposal.component.value)
            values: dict[str, object] = {
                "proposed": proposal.disposition.value,
                "reasons": [asdict(reason) for reason in proposal.reasons],
            }
            if old is None or not stays_overruled(old, proposal):
                values |= {
                    "decided": proposal.disposition.value,
                    "decided_by": actor,
                    "decided_at": now,
                    "overrule_reason": "",
                }
            if old is not None and all(
                getattr(old, name) == values[name] for name in ("proposed", "reasons")
            ):
                rows.append(old)
                continue
            kept, _ = ComponentDisposition.objects.update_or_create(
                inspection=row, component=proposal.component.value, defaults=values
            )
            rows.append(kept)
        return rows


def overrule(
    *,
    actor: User,
    inspection: Inspection,
    component: str,
    decided: Disposition,
    reason: str,
    now: datetime | None = None,
) -> ComponentDisposition:
    """Decide otherwise than proposed, by name and written reason. Needs OVERRULE.

    Deciding as proposed takes an overruling back. Raises Conflict before anything is proposed.
    """
    refuse(length_faults(ComponentDisposition, at="reason", overrule_reason=reason.strip()))
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
        disposition.decided_at = now or timezone.now()
        disposition.overrule_reason = "" if as_proposed else reason.strip()
        disposition.save(update_fields=["decided", "decided_by", "decided_at", "overrule_reason"])
        return disposition
