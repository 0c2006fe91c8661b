"""The leak paths of a pump model: where its clearances leak, for what they cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

from fleet.access import require_anywhere
from fleet.leaks import LeakPathDraft, check_paths
from fleet.models import LeakPath, PumpModel, User
from fleet.roles import Capability
from fleet.services.rows import column_faults, locked, one_transaction, refuse, save_next
from fleet.vocabulary import PumpFamily


def set_leak_paths(
    *,
    actor: User,
    model: PumpModel,
    paths: Sequence[LeakPathDraft],
    version: int | None = None,
) -> PumpModel:
    """Replaces all leak paths of a model; none given leaves it without.

    version: that of the model, which this counts on. Raises Fault with fields like
    "paths.0.width_mm" (first path 0), NotAllowed and Stale.
    """
    require_anywhere(actor, Capability.KEEP_REGISTER)
    with one_transaction():
        row = locked(PumpModel, model.pk, version)
        refuse(check_paths(paths, PumpFamily(row.family)))
        drafted = [LeakPath(model=row, **asdict(path)) for path in paths]
        refuse(
            [
                fault.at(f"paths.{number}")
                for number, path in enumerate(drafted)
                for fault in column_faults(path, exclude=["model"])
            ]
        )
        row.leak_paths.all().delete()
        LeakPath.objects.bulk_create(drafted)
        save_next(row)
    return row


def draft_of(path: LeakPath) -> LeakPathDraft:
    """A stored path as it would be sent."""
    return LeakPathDraft(
        characteristic=path.characteristic,
        shape=path.shape,
        count=path.count,
        gap_factor=path.gap_factor,
        width_mm=path.width_mm,
        length_mm=path.length_mm,
        diameter_mm=path.diameter_mm,
        inner_diameter_mm=path.inner_diameter_mm,
        eccentricity=path.eccentricity,
    )
