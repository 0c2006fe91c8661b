"""Signing, countersigning, sending back, and correcting by a sheet that supersedes."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.utils import timezone

from fleet.access import is_trainee_at, require
from fleet.faults import Conflict, Fault, Faults, NotAllowed
from fleet.lifecycle import PumpStatus
from fleet.models import Pump, User
from fleet.plumbing import outbox
from fleet.roles import Capability
from fleet.services.pumps import advance_status
from inspections.events import InspectionSigned
from inspections.instrument_selectors import overdue_faults, overdue_uses
from inspections.models import Inspection, Nameplate, StateChange, Verdict
from inspections.rules.lifecycle import InspectionState, require_move
from inspections.selectors import blockers
from inspections.services.dispositions import propose_all
from inspections.services.opening import open_correction
from inspections.services.rows import locked, require_why_fits


def sign(
    *,
    actor: User,
    inspection: Inspection,
    version: int | None = None,
    now: datetime | None = None,
) -> Inspection:
    """Put one's name under the inspection. It must be complete.

    A qualified person's signature locks it and emits InspectionSigned; a trainee's puts it in the
    queue for a competent person. Needs INSPECT. Raises Faults with all that is still to do
    (overdue instruments, too, where no countersignature follows), Conflict when the findings
    changed since the dispositions were decided.
    """
    now = now or timezone.now()
    with transaction.atomic():
        row = locked(inspection, version=version)
        require(actor, Capability.INSPECT, row.site)
        old = InspectionState(row.state)
        # Whoever opened it: a trainee's signature alone never locks an inspection.
        if is_trainee_at(actor, row.site):
            row.needs_countersignature = True
        new = (
            InspectionState.AWAITING_COUNTERSIGNATURE
            if row.needs_countersignature
            else InspectionState.SIGNED
        )
        require_move(old, new)
        blocked = blockers(row)
        if new is InspectionState.SIGNED:
            blocked += overdue_faults(overdue_uses(row))
        if blocked:
            raise Faults(blocked)
        _require_dispositions_up_to_date(actor, row, now)
        row.signed_by = actor
        row.signed_at = now
        _move(
            row,
            actor,
            old,
            new,
            "Signed",
            now,
            ["signed_by", "signed_at", "needs_countersignature"],
        )
        if new is InspectionState.SIGNED:
            _closed_for_good(row, actor, now)
        elif PumpStatus(_pump(row).status) is PumpStatus.ON_BENCH:
            advance_status(
                actor=actor,
                pump_id=row.pump_id,
                new=PumpStatus.AWAITING_COUNTERSIGNATURE,
                why=f"Inspection {row.pk} signed by {actor}",
                now=now,
            )
        return row


def countersign(
    *,
    actor: User,
    inspection: Inspection,
    version: int | None = None,
    why: str = "",
    now: datetime | None = None,
) -> Inspection:
    """Confirm another person's inspection; it is locked from then on. Emits InspectionSigned.

    Needs COUNTERSIGN at the site and another account than the one that signed. Raises Faults while
    readings with an overdue instrument are not accepted.
    """
    require_why_fits(why.strip())
    now = now or timezone.now()
    with transaction.atomic():
        row = locked(inspection, version=version)
        require(actor, Capability.COUNTERSIGN, row.site)
        old = InspectionState(row.state)
        if old is not InspectionState.AWAITING_COUNTERSIGNATURE:
            raise Conflict(
                f"This inspection is {old.label}; only one that awaits its countersignature can "
                "be countersigned.",
                code="not_awaiting",
            )
        _require_other_person(actor, row)
        not_accepted = overdue_faults(overdue_uses(row))
        if not_accepted:
            raise Faults(not_accepted)
        row.countersigned_by = actor
        row.countersigned_at = now
        _move(
            row,
            actor,
            old,
            InspectionState.SIGNED,
            why.strip() or "Countersigned",
            now,
            ["countersigned_by", "countersigned_at"],
        )
        _closed_for_good(row, actor, now)
        return row


def send_back(
    *, actor: User, inspection: Inspection, version: int | None = None, why: str
) -> Inspection:
    """Give an inspection back to its technician, saying what to do again. Needs COUNTERSIGN."""
    if not why.strip():
        raise Fault("Say what is to be done again.", field="why")
    require_why_fits(why.strip())
    now = timezone.now()
    with transaction.atomic():
        row = locked(inspection, version=version)
        require(actor, Capability.COUNTERSIGN, row.site)
        old = InspectionState(row.state)
        if old is not InspectionState.AWAITING_COUNTERSIGNATURE:
            raise Conflict(f"This inspection is {old.label}, so it cannot be sent back.")
        row.signed_by = None
        row.signed_at = None
        _move(
            row,
            actor,
            old,
            InspectionState.OPEN,
            f"Sent back: {why.strip()}",
            now,
            ["signed_by", "signed_at"],
        )
        if PumpStatus(_pump(row).status) is PumpStatus.AWAITING_COUNTERSIGNATURE:
            advance_status(
                actor=actor,
                pump_id=row.pump_id,
                new=PumpStatus.ON_BENCH,
                why=f"Inspection {row.pk} sent back: {why.strip()}",
                now=now,
            )
        return row


def supersede(
    *, actor: User, inspection: Inspection, why: str, now: datetime | None = None
) -> Inspection:
    """Begin a correction of a signed inspection: a new open one with all its records copied.

    Needs SUPERSEDE. The old one stays as it is, in force until the new one is signed. Raises
    Conflict when it is not signed, is superseded already, or another inspection of the pump is
    under work.
    """
    if not why.strip():
        raise Fault("Say what the correction is for.", field="why")
    require_why_fits(why.strip())
    now = now or timezone.now()
    with transaction.atomic():
        old = locked(inspection)
        require(actor, Capability.SUPERSEDE, old.site)
        if InspectionState(old.state) is not InspectionState.SIGNED:
            raise Conflict(
                f"Only a signed inspection is corrected by a new one; this one is "
                f"{InspectionState(old.state).label}.",
                code="not_signed",
            )
        under_way = (
            Inspection.objects.filter(supersedes=old)
            .exclude(state=InspectionState.ABANDONED.value)
            .first()
        )
        if under_way is not None:
            raise Conflict(
                f"Inspection {under_way.pk} corrects this one already.", code="already_superseded"
            )
        if Inspection.objects.filter(
            pump_id=old.pump_id,
            state__in=[
                InspectionState.OPEN.value,
                InspectionState.AWAITING_COUNTERSIGNATURE.value,
            ],
        ).exists():
            raise Conflict(
                f"{old.pump.tag} is under inspection. Finish or abandon that one first.",
                code="already_under_inspection",
            )
        new = open_correction(actor=actor, inspection=old, why=why.strip(), now=now)
        _copy_records(old, new)
        return new


def _copy_records(old: Inspection, new: Inspection) -> None:
    """What was confirmed, read, seen and judged, as the correction's starting point."""
    for field in (
        "isolated_by_id",
        "isolated_at",
        "lock_number",
        "proved_zero_by_id",
        "proved_zero_at",
        "proved_zero_how",
        "cautions_read_by_id",
        "cautions_read_at",
    ):
        setattr(new, field, getattr(old, field))
    new.save()
    plate = Nameplate.objects.filter(inspection=old).first()
    children = [
        *([plate] if plate else []),
        *old.readings.filter(replaced_at__isnull=True).order_by("id"),
        *Verdict.objects.filter(inspection=old).order_by("id"),
        *old.findings.order_by("id"),
        *old.photos.order_by("id"),
        *old.dispositions.order_by("id"),
    ]
    for child in children:
        child.pk = None
        child._state.adding = True  # noqa: SLF001 (Django's documented way to copy a row)
        child.inspection = new
        child.save()


def _require_other_person(actor: User, inspection: Inspection) -> None:
    """Nobody countersigns an entry of their own: not the signature, not a single reading."""
    if actor.pk in (inspection.signed_by_id, inspection.opened_by_id):
        raise NotAllowed(
            "A countersignature takes another person than the one who did the work.",
            code="own_work",
        )
    took_part = (
        inspection.readings.filter(taken_by=actor, replaced_at__isnull=True).exists()
        or inspection.findings.filter(seen_by=actor).exists()
    )
    if took_part:
        raise NotAllowed(
            "You took readings or recorded findings of this inspection yourself; it takes "
            "another person to countersign it.",
            code="own_work",
        )


def _require_dispositions_up_to_date(actor: User, row: Inspection, now: datetime) -> None:
    before = {(d.component, d.decided) for d in row.dispositions.all()}
    after = {(d.component, d.decided) for d in propose_all(actor=actor, inspection=row, now=now)}
    if before and before != after:
        raise Conflict(
            "Checks or findings changed since the dispositions were decided. Look at the new "
            "proposals, then sign.",
            field="dispositions",
            code="dispositions_outdated",
        )
    if not before:
        raise Conflict(
            "Look at the proposed dispositions before you sign.",
            field="dispositions",
            code="dispositions_missing",
        )


def _closed_for_good(row: Inspection, actor: User, now: datetime) -> None:
    if row.supersedes is not None:
        corrected = locked(row.supersedes)
        _move(
            corrected,
            actor,
            InspectionState(corrected.state),
            InspectionState.SUPERSEDED,
            f"Superseded by inspection {row.pk}",
            now,
            [],
        )
    outbox.append(
        InspectionSigned(
            inspection_id=row.pk,
            pump_id=row.pump_id,
            site_id=row.site_id,
            supersedes_id=row.supersedes_id,
        ),
        site=row.site,
    )


def _move(
    row: Inspection,
    actor: User,
    old: InspectionState,
    new: InspectionState,
    why: str,
    now: datetime,
    fields: list[str],
) -> None:
    require_move(old, new)
    row.state = new.value
    row.version += 1
    row.save(update_fields=["state", "version", *fields])
    StateChange.objects.create(
        inspection=row, old=old.value, new=new.value, by=actor, at=now, why=why
    )


def _pump(row: Inspection) -> Pump:
    return Pump.objects.get(pk=row.pump_id)
