"""Pump models, and pumps with their hours, places and states."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from django.utils import timezone

from fleet.access import require, require_anywhere, roles_at
from fleet.faults import Conflict, Fault
from fleet.lifecycle import BY_HAND, PumpStatus, require_move
from fleet.models import (
    LARGEST_HOURS,
    HoursReading,
    Pump,
    PumpModel,
    PumpMove,
    Site,
    StatusChange,
    User,
)
from fleet.roles import Capability
from fleet.services.rows import column_faults, locked, moment, one_transaction, refuse, save_next
from fleet.tables import MODEL_COLUMNS

# A pump with an inspection or a demand for parts under way is led by those, not by hand.
FREE_STATES = (PumpStatus.IN_SERVICE, PumpStatus.SPARE, PumpStatus.READY_TO_REBUILD)
_ONE_PLACE = Decimal("0.1")


# --- Models -----------------------------------------------------------------------------------


def check_model(model: PumpModel) -> list[Fault]:
    """Every fault of a model's nameplate figures."""
    faults = column_faults(model)
    found = {fault.field for fault in faults}

    def outside(field: str, low: int, high: int, unit: str) -> None:
        figure = getattr(model, field)
        if field not in found and figure is not None and not low < figure < high:
            faults.append(
                Fault(
                    f"{figure} {unit} is out of range: it must be above {low} and below {high} "
                    f"{unit}. Check the nameplate.",
                    field=field,
                    code="out_of_range",
                )
            )

    outside("displacement_cm3", 0, 100_000, "cm³")
    outside("rated_pressure_bar", 0, 2_000, "bar")
    outside("speed_max_rpm", 0, 50_000, "rpm")
    outside("mass_kg", 0, 100_000, "kg")
    if (
        not found & {"speed_min_rpm", "speed_max_rpm"}
        and model.speed_min_rpm >= model.speed_max_rpm
    ):
        faults.append(
            Fault(
                f"The lowest speed {model.speed_min_rpm} rpm is not below the highest, "
                f"{model.speed_max_rpm} rpm. Check both on the nameplate.",
                field="speed_min_rpm",
                code="out_of_range",
            )
        )
    return faults


def add_model(*, actor: User, **fields: Any) -> PumpModel:
    """A pump model for all sites. fields: those of MODEL_COLUMNS."""
    require_anywhere(actor, Capability.KEEP_REGISTER)
    model = PumpModel(**_stripped(_known(fields, MODEL_COLUMNS)))
    refuse(check_model(model))
    with one_transaction():
        model.save(force_insert=True)
    return model


def change_model(
    *, actor: User, model: PumpModel, version: int | None = None, **fields: Any
) -> PumpModel:
    """Corrects nameplate figures. The family stays once a limit sheet was drafted for it."""
    require_anywhere(actor, Capability.KEEP_REGISTER)
    with one_transaction():
        row = locked(PumpModel, model.pk, version)
        changed = _stripped(_known(fields, MODEL_COLUMNS))
        if changed.get("family", row.family) != row.family and row.sheets.exists():
            raise Conflict(
                f"{row} has limit sheets, and their lines belong to its family. Add another model "
                "instead.",
                field="family",
                code="family_in_use",
            )
        for name, value in changed.items():
            setattr(row, name, value)
        refuse(check_model(row))
        save_next(row, *changed)
    return row


# --- The register -----------------------------------------------------------------------------


@dataclass(frozen=True)
class NewPump:
    """A pump as it comes onto the register.

    meter_h: what its hour meter shows at `read_at` (None: now). running_h: hours of its life so
    far; None where the meter was never changed, so that both are the same.
    """

    model: PumpModel
    tag: str
    serial: str
    machine: str
    position: str = ""
    meter_h: Decimal = Decimal(0)
    running_h: Decimal | None = None
    read_at: datetime | None = None
    status: str = PumpStatus.IN_SERVICE
    next_inspection_on: date | None = None


def check_new_pump(new: NewPump, site: Site, now: datetime) -> tuple[Pump, list[Fault]]:
    """The row that would be added, and everything about it that is refused."""
    pump = Pump(
        site=site,
        model=new.model,
        tag=new.tag.strip(),
        serial=new.serial.strip(),
        machine=new.machine.strip(),
        position=new.position.strip(),
        status=str(new.status),
        meter_h=new.meter_h,
        running_h=new.meter_h if new.running_h is None else new.running_h,
        hours_read_at=new.read_at or now,
        next_inspection_on=new.next_inspection_on,
    )
    faults = column_faults(pump, exclude=["site", "model", "meter_h", "running_h"])
    faults += _hours_faults(pump.meter_h, "meter_h") + _hours_faults(pump.running_h, "running_h")
    faults += _future_faults(pump.hours_read_at, now)
    if new.status not in BY_HAND and not any(f.field == "status" for f in faults):
        faults.append(
            Fault(
                f"A pump comes onto the register {_either(BY_HAND)}. It becomes "
                f"{PumpStatus(new.status).label} through an inspection.",
                field="status",
                code="first_state",
            )
        )
    return pump, faults


def register(*, actor: User, pumps: Sequence[Pump], now: datetime) -> None:
    """Inserts checked pumps with their first hours reading and state, in the caller's transaction.

    Whether `actor` may is asked by the caller.
    """
    Pump.objects.bulk_create(pumps, batch_size=1000)
    HoursReading.objects.bulk_create(
        (
            HoursReading(
                pump=pump,
                meter_h=pump.meter_h,
                running_h=pump.running_h,
                read_at=pump.hours_read_at,
                by=actor,
                note="First reading.",
            )
            for pump in pumps
        ),
        batch_size=1000,
    )
    StatusChange.objects.bulk_create(
        (
            StatusChange(
                pump=pump, old="", new=pump.status, by=actor, at=now, why="Added to the register."
            )
            for pump in pumps
        ),
        batch_size=1000,
    )


def add_pump(
    *,
    actor: User,
    site: Site,
    model: PumpModel,
    tag: str,
    serial: str,
    machine: str,
    position: str = "",
    meter_h: Decimal | int = 0,
    running_h: Decimal | int | None = None,
    read_at: datetime | None = None,
    status: str = PumpStatus.IN_SERVICE,
    next_inspection_on: date | None = None,
    now: datetime | None = None,
) -> Pump:
    """A pump on the register of a site, with its first hours reading."""
    require(actor, Capability.KEEP_REGISTER, site)
    now = now or timezone.now()
    new = NewPump(
        model=model,
        tag=tag,
        serial=serial,
        machine=machine,
        position=position,
        meter_h=Decimal(meter_h),
        running_h=None if running_h is None else Decimal(running_h),
        read_at=read_at,
        status=status,
        next_inspection_on=next_inspection_on,
    )
    pump, faults = check_new_pump(new, site, now)
    refuse(faults)
    with one_transaction():
        register(actor=actor, pumps=[pump], now=now)
    return pump


def change_pump(*, actor: User, pump: Pump, version: int | None = None, **fields: Any) -> Pump:
    """Corrects tag, machine, position or the day of the next inspection; nothing else."""
    with one_transaction():
        row = locked(Pump, pump.pk, version)
        require(actor, Capability.KEEP_REGISTER, row.site)
        changed = _stripped(_known(fields, ("tag", "machine", "position", "next_inspection_on")))
        for name, value in changed.items():
            setattr(row, name, value)
        others = {f.name for f in Pump._meta.fields} - set(changed)  # noqa: SLF001
        refuse(column_faults(row, exclude=others))
        save_next(row, *changed)
    return row


# --- Hours ------------------------------------------------------------------------------------


def record_hours(
    *,
    actor: User,
    pump: Pump,
    meter_h: Decimal | int,
    read_at: datetime | None = None,
    meter_changed: bool = False,
    note: str = "",
    now: datetime | None = None,
) -> Pump:
    """Puts a reading of the hour meter on record and counts the running hours on.

    At a change of meter the running hours stay and the new meter's value becomes the base.
    Refuses a reading that falls without a change of meter, that is no later than the last one, or
    that is in the future. Locks the pump.
    """
    now = now or timezone.now()
    read_at = read_at or now
    meter = Decimal(meter_h)
    with one_transaction():
        row = locked(Pump, pump.pk)
        require(actor, Capability.RECORD_HOURS, row.site)
        faults = _hours_faults(meter, "meter_h") + _future_faults(read_at, now)
        if not faults:
            faults = _order_faults(row, meter, read_at, meter_changed=meter_changed)
        reading = HoursReading(
            pump=row,
            meter_h=meter,
            read_at=read_at,
            meter_changed=meter_changed,
            by=actor,
            note=note.strip(),
        )
        faults += column_faults(reading, exclude=["pump", "by", "meter_h", "running_h"])
        refuse(faults)
        if not meter_changed:
            row.running_h += meter - row.meter_h
        refuse(_hours_faults(row.running_h, "meter_h"))
        row.meter_h, row.hours_read_at = meter, read_at
        reading.running_h = row.running_h
        reading.save(force_insert=True)
        save_next(row, "meter_h", "running_h", "hours_read_at")
    return row


def _order_faults(
    pump: Pump, meter_h: Decimal, read_at: datetime, *, meter_changed: bool
) -> list[Fault]:
    last = f"{pump.meter_h:f} h at {moment(pump.hours_read_at)}"
    this = f"{meter_h:f} h at {moment(read_at)}"
    if read_at <= pump.hours_read_at:
        return [
            Fault(
                f"This reading, {this}, is no later than the last one, {last}. Check its time; an "
                "older reading cannot be added behind a newer one.",
                field="read_at",
                code="reading_not_later",
            )
        ]
    if meter_h < pump.meter_h and not meter_changed:
        return [
            Fault(
                f"The meter showed {last}, and a meter does not run back to {this}. Read it "
                "again; if the meter was changed, say so with the reading.",
                field="meter_h",
                code="meter_falls",
            )
        ]
    return []


def _hours_faults(hours: Decimal, field: str) -> list[Fault]:
    if not hours.is_finite() or not 0 <= hours < LARGEST_HOURS:
        return [
            Fault(
                f"{hours} h cannot be: hours are at least 0 and below {LARGEST_HOURS}. Read the "
                "meter again.",
                field=field,
                code="out_of_range",
            )
        ]
    if hours != hours.quantize(_ONE_PLACE):
        return [
            Fault(
                f"{hours} h has more than one decimal place. Give hours to a tenth.",
                field=field,
                code="too_fine",
            )
        ]
    return []


def _future_faults(read_at: datetime, now: datetime) -> list[Fault]:
    if read_at.tzinfo is None:
        return [Fault("Give the time of the reading with its time zone.", field="read_at")]
    if read_at > now:
        return [
            Fault(
                f"The reading is of {moment(read_at)}, and it is only {moment(now)} now. Check "
                "the time of the reading.",
                field="read_at",
                code="in_future",
            )
        ]
    return []


# --- Place and state --------------------------------------------------------------------------


def move_pump(
    *,
    actor: User,
    pump: Pump,
    version: int | None = None,
    to_site: Site,
    why: str,
    now: datetime | None = None,
) -> Pump:
    """Sends a pump to another site where `actor` has a role too.

    Refused while an inspection or a demand for parts is under way: those belong to the site where
    they were begun.
    """
    with one_transaction():
        row = locked(Pump, pump.pk, version)
        require(actor, Capability.MOVE_PUMPS, row.site)
        move = PumpMove(
            pump=row,
            from_site=row.site,
            to_site=to_site,
            by=actor,
            at=now or timezone.now(),
            why=why.strip(),
        )
        faults = column_faults(move, exclude=["pump", "from_site", "to_site", "by"])
        if to_site.pk == row.site_id:
            faults.append(
                Fault(
                    f"The pump is at {to_site} already. Choose another site.",
                    field="to_site",
                    code="same_site",
                )
            )
        elif not roles_at(actor, to_site):
            faults.append(
                Fault(
                    f"You hold no role at {to_site}. Ask somebody there who may move pumps.",
                    field="to_site",
                    code="no_role_there",
                )
            )
        elif Pump.objects.filter(site=to_site, tag__iexact=row.tag).exists():
            faults.append(
                Conflict(
                    f"{to_site} has a pump with the tag {row.tag} already. Change the tag of one "
                    "of the two first.",
                    field="to_site",
                    code="tag_taken_there",
                )
            )
        refuse(faults)
        if PumpStatus(row.status) not in (*FREE_STATES, PumpStatus.SCRAPPED):
            raise Conflict(
                f"A pump that is {PumpStatus(row.status).label} cannot move: its inspection and "
                f"parts are at {row.site}. Finish them first.",
                field="to_site",
                code="busy_here",
            )
        row.site = to_site
        save_next(row, "site")
        move.save(force_insert=True)
    return row


def set_status(
    *,
    actor: User,
    pump: Pump,
    version: int | None = None,
    status: str,
    why: str,
    now: datetime | None = None,
) -> Pump:
    """Sets by hand whether a pump is in service, spare or scrapped."""
    with one_transaction():
        row = locked(Pump, pump.pk, version)
        require(actor, Capability.KEEP_REGISTER, row.site)
        if status not in BY_HAND:
            raise Fault(
                f"By hand a pump can be put {_either(BY_HAND)}. The other states follow from "
                "inspections and parts.",
                field="status",
                code="not_by_hand",
            )
        old = PumpStatus(row.status)
        if old not in FREE_STATES and old is not PumpStatus.SCRAPPED:
            raise Conflict(
                f"The pump is {old.label}, and its inspection decides what comes next. Finish it, "
                "abandon it or supersede it first.",
                field="status",
                code="led_by_inspection",
            )
        _change_status(row, PumpStatus(status), actor, why, now or timezone.now())
    return row


def advance_status(
    *,
    actor: User | None,
    pump_id: int,
    new: PumpStatus,
    why: str,
    now: datetime | None = None,
) -> Pump:
    """A state that follows from an inspection or from parts; nothing happens if it holds already.

    actor: None where no person did it. Who may is asked by the caller. Locks the pump.
    """
    with one_transaction():
        row = locked(Pump, pump_id)
        if PumpStatus(row.status) is not new:
            _change_status(row, new, actor, why, now or timezone.now())
    return row


def _change_status(row: Pump, new: PumpStatus, actor: User | None, why: str, now: datetime) -> None:
    old = PumpStatus(row.status)
    require_move(old, new)
    change = StatusChange(pump=row, old=old.value, new=new.value, by=actor, at=now, why=why.strip())
    refuse(column_faults(change, exclude=["pump", "by", "new"]))
    row.status = new.value
    save_next(row, "status")
    change.save(force_insert=True)


def _known(fields: dict[str, Any], names: Iterable[str]) -> dict[str, Any]:
    unknown = set(fields) - set(names)
    if unknown:
        raise TypeError(f"Not among the fields that can be set here: {sorted(unknown)}")
    return fields


def _stripped(fields: dict[str, Any]) -> dict[str, Any]:
    return {k: v.strip() if isinstance(v, str) else v for k, v in fields.items()}


def _either(states: Iterable[PumpStatus]) -> str:
    *first, last = sorted(state.label for state in states)
    return f"{', '.join(first)} or {last}"
