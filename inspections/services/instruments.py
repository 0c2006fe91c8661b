"""The measuring instruments a site owns, from the day they are registered to their withdrawal."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault, Faults, Stale
from fleet.models import Site, User
from fleet.roles import Capability
from fleet.services.rows import refuse, save_next
from fleet.units import LengthUnit, show
from fleet.vocabulary import InstrumentKind
from inspections.models import Instrument, LeafWithdrawal
from inspections.services.rows import length_faults


def add_instrument(
    *,
    actor: User,
    site: Site,
    identity: str,
    name: str,
    kind: InstrumentKind,
    unit: LengthUnit,
    leaves: Sequence[Decimal] = (),
    resolution: Decimal | None = None,
    permissible_error: Decimal | None = None,
    calibration_due_on: date | None = None,
) -> Instrument:
    """Register an instrument. A leaf set lists its leaves; any other states its resolution.

    permissible_error: the largest error either way on its certificate, in `unit`; None where it is
    not known, and then no uncertainty can be stated for readings with it.
    """
    require(actor, Capability.KEEP_INSTRUMENTS, site)
    faults: list[Fault] = []
    if not identity.strip():
        faults.append(Fault("Enter the number engraved on the instrument.", field="identity"))
    if not name.strip():
        faults.append(Fault("Say what it is, such as 'Leaf set at bench 2'.", field="name"))
    faults += length_faults(Instrument, identity=identity.strip(), name=name.strip())
    if kind is InstrumentKind.FEELER:
        faults.extend(_faults_of_leaves(leaves))
    elif resolution is None or resolution <= 0:
        faults.append(Fault("Enter the resolution, above zero.", field="resolution"))
    if kind is not InstrumentKind.FEELER and leaves:
        faults.append(Fault("Only a feeler gauge has leaves.", field="leaves"))
    faults.extend(_faults_of_error(permissible_error, leaves, unit))
    if faults:
        raise Faults(faults)
    return Instrument.objects.create(
        site=site,
        identity=identity.strip(),
        name=name.strip(),
        kind=kind.value,
        unit=unit.value,
        leaves=sorted(leaves),
        resolution=None if kind is InstrumentKind.FEELER else resolution,
        permissible_error=permissible_error,
        calibration_due_on=calibration_due_on,
    )


def calibrated(
    *,
    actor: User,
    instrument: Instrument,
    due_on: date,
    permissible_error: Decimal | None,
    version: int | None = None,
) -> Instrument:
    """Keep what a new certificate says: until when it holds, and the largest error either way.

    Readings taken before keep the error and the overdue mark that they were taken with.
    """
    with transaction.atomic():
        row = _kept(actor, instrument, version)
        refuse(_faults_of_error(permissible_error, row.leaves, LengthUnit(row.unit)))
        row.calibration_due_on = due_on
        row.permissible_error = permissible_error
        save_next(row, "calibration_due_on", "permissible_error")
        return row


def withdraw_instrument(*, actor: User, instrument: Instrument) -> Instrument:
    """Take an instrument out of use: no new readings with it; the old ones stay."""
    with transaction.atomic():
        row = _kept(actor, instrument)
        if row.withdrawn_at is None:
            row.withdrawn_at = timezone.now()
            save_next(row, "withdrawn_at")
        return row


def bring_back_instrument(*, actor: User, instrument: Instrument) -> Instrument:
    """Put a withdrawn instrument to use again. One that is in use stays as it is."""
    with transaction.atomic():
        row = _kept(actor, instrument)
        if row.withdrawn_at is not None:
            row.withdrawn_at = None
            save_next(row, "withdrawn_at")
        return row


def withdraw_leaf(
    *,
    actor: User,
    instrument: Instrument,
    leaf: Decimal,
    why: str,
    now: datetime | None = None,
) -> LeafWithdrawal:
    """Take one leaf out of its set, bent or worn, by name and reason.

    Readings made with it stay; instrument_selectors.readings_with lists them. Raises Conflict for
    a leaf that is not in the set, and for the last one of it.
    """
    if not why.strip():
        raise Fault("Say what is wrong with the leaf: bent, torn, rusty, worn.", field="why")
    refuse(length_faults(LeafWithdrawal, why=why.strip()))
    with transaction.atomic():
        row = _kept(actor, instrument)
        unit = LengthUnit(row.unit)
        _require_leaf_set(row)
        # As it is marked: 0.1 and 0.10 name the same leaf.
        marked = next((one for one in row.leaves if one == leaf), None)
        if marked is None:
            raise Conflict(
                f"{row} has no leaf of {show(leaf, unit)} in use.",
                field="leaf",
                code="leaf_not_in_set",
            )
        if len(row.leaves) == 1:
            raise Conflict(
                f"{show(marked, unit)} is the last leaf of {row}. Withdraw the whole set.",
                field="leaf",
                code="last_leaf",
            )
        row.leaves = [one for one in row.leaves if one != marked]
        save_next(row, "leaves")
        return LeafWithdrawal.objects.create(
            instrument=row, leaf=marked, why=why.strip(), by=actor, at=now or timezone.now()
        )


def put_in_leaf(*, actor: User, instrument: Instrument, leaf: Decimal) -> Instrument:
    """Put a new leaf into a set, in place of a withdrawn one or besides those it has.

    Raises Conflict when one of that size is in use.
    """
    refuse(_faults_of_leaves([leaf], at="leaf"))
    with transaction.atomic():
        row = _kept(actor, instrument)
        _require_leaf_set(row)
        if leaf in row.leaves:
            raise Conflict(
                f"{row} has a leaf of {show(leaf, LengthUnit(row.unit))} in use. Withdraw that "
                "one first.",
                field="leaf",
                code="leaf_in_set",
            )
        refuse(_faults_of_error(row.permissible_error, [leaf], LengthUnit(row.unit), at="leaf"))
        row.leaves = sorted([*row.leaves, leaf])
        save_next(row, "leaves")
        return row


def _kept(actor: User, instrument: Instrument, version: int | None = None) -> Instrument:
    """The locked row, which `actor` may keep. Raises Stale when `version` is not its own."""
    row = (
        Instrument.objects.select_for_update(of=("self",))
        .select_related("site")
        .get(pk=instrument.pk)
    )
    require(actor, Capability.KEEP_INSTRUMENTS, row.site)
    if version is not None and row.version != version:
        raise Stale(
            f"{row} was changed since you read it. Look at it again, then make your change."
        )
    return row


def _require_leaf_set(instrument: Instrument) -> None:
    if instrument.kind != InstrumentKind.FEELER.value:
        raise Conflict(f"{instrument} has no leaves.", field="leaf", code="not_a_leaf_set")


def _faults_of_leaves(leaves: Sequence[Decimal], *, at: str = "leaves") -> list[Fault]:
    if not leaves:
        return [Fault("List the leaves of the set.", field=at)]
    faults = []
    if len(set(leaves)) != len(leaves):
        faults.append(Fault("A leaf is listed twice. List each leaf once.", field=at))
    if any(not 0 < leaf < 1000 for leaf in leaves):
        faults.append(Fault("A leaf has a thickness above zero and below 1000.", field=at))
    return faults


def _faults_of_error(
    error: Decimal | None,
    leaves: Sequence[Decimal],
    unit: LengthUnit,
    *,
    at: str = "permissible_error",
) -> list[Fault]:
    if error is None:
        return []
    if not 0 < error < 1000:
        return [
            Fault(
                "Enter the largest error either way as the certificate states it, above zero and "
                "below 1000, or leave it out where it is not known.",
                field=at,
            )
        ]
    if leaves and error >= min(leaves):
        # A slip of the unit: 3 µm typed as 3 mm.
        return [
            Fault(
                f"An error of {show(error, unit)} either way is as large as the leaf of "
                f"{show(min(leaves), unit)} itself. Enter it in {unit.label}.",
                field=at,
            )
        ]
    return []
