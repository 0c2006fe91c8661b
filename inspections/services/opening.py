"""Opening an inspection: the pump on the bench, proved dead, and known for what it is."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from fleet.access import is_trainee_at, require
from fleet.faults import Conflict, Fault, Faults
from fleet.lifecycle import PumpStatus, SheetState
from fleet.models import LimitSheet, Pump, PumpModel, User
from fleet.roles import Capability
from fleet.services.pumps import advance_status
from fleet.services.rows import refuse
from fleet.vocabulary import Rotation
from inspections.models import Inspection, Nameplate, StateChange
from inspections.rules.lifecycle import InspectionState, Reason, require_move
from inspections.services.rows import length_faults, locked, open_for_work, require_why_fits

# A pump may lie stripped for weeks; a date before that is a slip of the pen.
LONGEST_SINCE_ISOLATION = timedelta(days=90)
NOT_YET_BACK = frozenset(
    {PumpStatus.AWAITING_PARTS, PumpStatus.READY_TO_REBUILD, PumpStatus.SCRAPPED}
)


def open_inspection(
    *,
    actor: User,
    pump: Pump,
    reason: Reason,
    complaint: str = "",
    now: datetime | None = None,
) -> Inspection:
    """Put a pump on the bench. It is judged by the sheet in force now, whatever comes later.

    Needs INSPECT at the pump's site. Locks the pump; moves it to on_bench. Raises Conflict when
    the pump is already under inspection or its model has no issued limit sheet.
    """
    now = now or timezone.now()
    refuse(length_faults(Inspection, complaint=complaint.strip()))
    with transaction.atomic():
        pump = (
            Pump.objects.select_for_update(of=("self",))
            .select_related("site", "model")
            .get(pk=pump.pk)
        )
        require(actor, Capability.INSPECT, pump.site)
        under_work = Inspection.objects.filter(
            pump=pump,
            state__in=[
                InspectionState.OPEN.value,
                InspectionState.AWAITING_COUNTERSIGNATURE.value,
            ],
        ).first()
        if under_work is not None:
            raise Conflict(
                f"{pump.tag} is under inspection already (inspection {under_work.pk}, "
                f"{InspectionState(under_work.state).label}). Go on with that one.",
                field="pump",
                code="already_under_inspection",
            )
        if PumpStatus(pump.status) is PumpStatus.SCRAPPED:
            raise Conflict(
                f"{pump.tag} is scrapped. If it was scrapped by mistake, correct its last "
                "inspection instead of opening it anew.",
                field="pump",
                code="scrapped",
            )
        sheet = LimitSheet.objects.filter(model=pump.model, state=SheetState.ISSUED.value).first()
        if sheet is None:
            raise Conflict(
                f"{pump.model} has no issued limit sheet, so nothing could be judged. "
                "Issue one first.",
                field="pump",
                code="no_sheet_in_force",
            )
        return _start(
            actor=actor,
            pump=pump,
            sheet=sheet,
            reason=reason,
            complaint=complaint,
            why=f"Opened: {reason.label}",
            supersedes=None,
            now=now,
        )


def _start(
    *,
    actor: User,
    pump: Pump,
    sheet: LimitSheet,
    reason: Reason,
    complaint: str,
    why: str,
    supersedes: Inspection | None,
    now: datetime,
) -> Inspection:
    inspection = Inspection.objects.create(
        site=pump.site if supersedes is None else supersedes.site,
        pump=pump,
        sheet=sheet,
        # Frozen here: a rule chosen later judges again beside, it changes no inspection under work.
        rule=sheet.rules.last() if supersedes is None else supersedes.rule,
        reason=reason.value,
        complaint=complaint.strip(),
        state=InspectionState.OPEN.value,
        running_h=pump.running_h if supersedes is None else supersedes.running_h,
        opened_by=actor,
        opened_at=now,
        needs_countersignature=is_trainee_at(
            actor, pump.site if supersedes is None else supersedes.site
        )
        or (supersedes is not None and supersedes.needs_countersignature),
        supersedes=supersedes,
    )
    StateChange.objects.create(
        inspection=inspection, old="", new=InspectionState.OPEN.value, by=actor, at=now, why=why
    )
    # A paper correction of a pump that is back on its machine, or at another site by now, does
    # not move the pump.
    here = pump.site_id == inspection.site_id
    if supersedes is None or (here and PumpStatus(pump.status) in NOT_YET_BACK):
        advance_status(
            actor=actor,
            pump_id=pump.pk,
            new=PumpStatus.ON_BENCH,
            why=f"Inspection {inspection.pk}: {why[0].lower()}{why[1:]}",
            now=now,
        )
    return inspection


def open_correction(*, actor: User, inspection: Inspection, why: str, now: datetime) -> Inspection:
    """The new sheet that will supersede `inspection`. Called by signing.supersede, which copies."""
    return _start(
        actor=actor,
        pump=inspection.pump,
        sheet=inspection.sheet,
        reason=Reason(inspection.reason),
        complaint=inspection.complaint,
        why=f"Corrects inspection {inspection.pk}: {why}",
        supersedes=inspection,
        now=now,
    )


def acknowledge_cautions(
    *, actor: User, inspection: Inspection, now: datetime | None = None
) -> Inspection:
    """Record who read the cautions, and when. The first to do so stays on record."""
    with transaction.atomic():
        row = open_for_work(actor, inspection)
        if row.cautions_read_by_id is None:
            row.cautions_read_by = actor
            row.cautions_read_at = now or timezone.now()
            row.save(update_fields=["cautions_read_by", "cautions_read_at"])
        return row


def confirm_isolation(
    *,
    actor: User,
    inspection: Inspection,
    lock_number: str,
    isolated_at: datetime,
    proved_zero_how: str,
    proved_zero_at: datetime,
    now: datetime | None = None,
) -> Inspection:
    """Confirm by name and time that the machine is isolated and was proved at zero.

    `proved_zero_how` says what was read and tried ("gauge P3 at 0 bar, start button tried").
    The name is the actor's own: nobody confirms for somebody else. It cannot be taken back.
    """
    now = now or timezone.now()
    faults: list[Fault] = []
    if not lock_number.strip():
        faults.append(Fault("Enter the number of your own lock.", field="lock_number"))
    if not proved_zero_how.strip():
        faults.append(
            Fault(
                "Say how zero was proved: which gauge was read, and that a start was tried.",
                field="proved_zero_how",
            )
        )
    faults += length_faults(
        Inspection, lock_number=lock_number.strip(), proved_zero_how=proved_zero_how.strip()
    )
    # A tablet's clock may run a little ahead of ours.
    soon = now + timedelta(minutes=2)
    if isolated_at > soon:
        faults.append(Fault("The time of isolation lies in the future.", field="isolated_at"))
    if proved_zero_at > soon:
        faults.append(Fault("The time of proving zero lies in the future.", field="proved_zero_at"))
    if isolated_at < now - LONGEST_SINCE_ISOLATION:
        faults.append(
            Fault(
                f"The time of isolation lies more than {LONGEST_SINCE_ISOLATION.days} days back. "
                "Check the date, or isolate and prove zero anew.",
                field="isolated_at",
                code="too_long_ago",
            )
        )
    if proved_zero_at < isolated_at:
        faults.append(
            Fault(
                "Zero is proved after isolation, not before. Check both times.",
                field="proved_zero_at",
            )
        )
    if faults:
        raise Faults(faults)
    with transaction.atomic():
        row = open_for_work(actor, inspection)
        if row.cautions_read_by_id is None:
            raise Conflict(
                "Read and acknowledge the cautions first.", field="cautions", code="cautions_first"
            )
        if row.proved_zero_at is not None:
            raise Conflict(
                f"{row.proved_zero_by} confirmed this already.", code="already_confirmed"
            )
        row.isolated_by = row.proved_zero_by = actor
        row.isolated_at = isolated_at
        row.lock_number = lock_number.strip()
        row.proved_zero_at = proved_zero_at
        row.proved_zero_how = proved_zero_how.strip()
        row.save(
            update_fields=[
                "isolated_by",
                "isolated_at",
                "lock_number",
                "proved_zero_by",
                "proved_zero_at",
                "proved_zero_how",
            ]
        )
        return row


def nameplate_mismatches(
    model: PumpModel,
    registered_serial: str,
    *,
    maker: str,
    designation: str,
    serial: str,
    displacement_cm3: Decimal | None,
    rotation: str,
) -> list[str]:
    """Sentences for every figure that was read and differs from the register; letter case aside."""
    pairs = [
        ("maker", maker, model.maker),
        ("designation", designation, model.designation),
        ("serial", serial, registered_serial),
    ]
    found = [
        f"The plate says {name} {read}; the register says {known}."
        for name, read, known in pairs
        if read and read.casefold() != known.casefold()
    ]
    if displacement_cm3 is not None and displacement_cm3 != model.displacement_cm3:
        found.append(
            f"The plate says {displacement_cm3.normalize():f} cm³/rev; the register says "
            f"{model.displacement_cm3.normalize():f} cm³/rev."
        )
    turns_either_way = Rotation(model.rotation) is Rotation.EITHER
    if rotation and rotation != model.rotation and not turns_either_way:
        found.append(
            f"The plate says rotation {Rotation(rotation).label.lower()}; the register says "
            f"{Rotation(model.rotation).label.lower()}."
        )
    return found


def record_nameplate(
    *,
    actor: User,
    inspection: Inspection,
    maker: str = "",
    designation: str = "",
    serial: str = "",
    displacement_cm3: Decimal | None = None,
    rotation: str = "",
    illegible_reason: str = "",
    now: datetime | None = None,
) -> Nameplate:
    """Keep what the plate says. A mismatch with the register is recorded, never typed over.

    The serial, or the reason why it cannot be read, is needed; the rest as far as legible.
    """
    read = {
        "maker": maker.strip(),
        "designation": designation.strip(),
        "serial": serial.strip(),
        "rotation": rotation,
    }
    if not read["serial"] and not illegible_reason.strip():
        raise Fault(
            "Enter the serial from the plate, or say why it cannot be read.", field="serial"
        )
    if rotation and rotation not in {r.value for r in Rotation}:
        raise Fault("Choose one of the rotations.", field="rotation")
    refuse(length_faults(Nameplate, **read, illegible_reason=illegible_reason.strip()))
    with transaction.atomic():
        row = open_for_work(actor, inspection)
        plate, _ = Nameplate.objects.update_or_create(
            inspection=row,
            defaults={
                **read,
                "displacement_cm3": displacement_cm3,
                "illegible_reason": illegible_reason.strip(),
                "mismatches": nameplate_mismatches(
                    row.pump.model, row.pump.serial, displacement_cm3=displacement_cm3, **read
                ),
                "read_by": actor,
                "read_at": now or timezone.now(),
            },
        )
        return plate


def abandon(
    *, actor: User, inspection: Inspection, version: int | None = None, why: str
) -> Inspection:
    """Give up an open inspection; the pump goes back to where it stood before.

    Needs INSPECT. The readings stay on record. Writes no verdict and emits no event.
    """
    if not why.strip():
        raise Fault("Say why the inspection is abandoned.", field="why")
    require_why_fits(why.strip())
    now = timezone.now()
    with transaction.atomic():
        row = locked(inspection, version=version)
        require(actor, Capability.INSPECT, row.site)
        old = InspectionState(row.state)
        require_move(old, InspectionState.ABANDONED)
        row.state = InspectionState.ABANDONED.value
        row.version += 1
        row.save(update_fields=["state", "version"])
        StateChange.objects.create(
            inspection=row, old=old.value, new=row.state, by=actor, at=now, why=why.strip()
        )
        if row.pump.status == PumpStatus.ON_BENCH.value:
            advance_status(
                actor=actor,
                pump_id=row.pump_id,
                new=_status_before(row),
                why=f"Inspection {row.pk} abandoned: {why.strip()}",
                now=now,
            )
        return row


def _status_before(inspection: Inspection) -> PumpStatus:
    came = (
        inspection.pump.status_changes.filter(
            new=PumpStatus.ON_BENCH.value, at__gte=inspection.opened_at
        )
        .order_by("id")
        .first()
    )
    return PumpStatus(came.old) if came is not None and came.old else PumpStatus.SPARE
