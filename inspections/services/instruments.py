"""The measuring instruments a site owns."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from fleet.access import require
from fleet.faults import Fault, Faults
from fleet.models import Site, User
from fleet.roles import Capability
from fleet.units import LengthUnit
from fleet.vocabulary import InstrumentKind
from inspections.models import Instrument
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
    calibration_due_on: date | None = None,
) -> Instrument:
    """Register an instrument. A leaf set lists its leaves; any other states its resolution."""
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
        calibration_due_on=calibration_due_on,
    )


def _faults_of_leaves(leaves: Sequence[Decimal]) -> list[Fault]:
    if not leaves:
        return [Fault("List the leaves of the set.", field="leaves")]
    faults = []
    if len(set(leaves)) != len(leaves):
        faults.append(Fault("A leaf is listed twice. List each leaf once.", field="leaves"))
    if any(not 0 < leaf < 1000 for leaf in leaves):
        faults.append(Fault("A leaf has a thickness above zero and below 1000.", field="leaves"))
    return faults


def withdraw_instrument(*, actor: User, instrument: Instrument) -> Instrument:
    """Take an instrument out of use: no new readings with it; the old ones stay."""
    with transaction.atomic():
        row = (
            Instrument.objects.select_for_update(of=("self",))
            .select_related("site")
            .get(pk=instrument.pk)
        )
        require(actor, Capability.KEEP_INSTRUMENTS, row.site)
        if row.withdrawn_at is None:
            row.withdrawn_at = timezone.now()
            row.version += 1
            row.save(update_fields=["withdrawn_at", "version"])
        return row
