"""Files taken over as a whole: tried first, with every bad row named, then applied once.

The trial runs the very code of the real thing inside a savepoint that is rolled back, so a file
that passes it can only be refused later for what somebody changed in between.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault, Faults
from fleet.models import ImportDraft, Site, User
from fleet.services.import_kinds import KINDS, Kind, Outcome
from fleet.services.rows import column_faults, locked, one_transaction, refuse
from fleet.tables import RowFault, Table, read_table


@dataclass(frozen=True)
class Preview:
    """What a file would do. rows_ok: rows without a fault; they are taken only all together."""

    rows_ok: int
    faults: tuple[RowFault, ...]


def try_import(
    *,
    actor: User,
    site: Site,
    kind: str,
    file_name: str,
    content: bytes,
    now: datetime | None = None,
) -> tuple[ImportDraft, Preview]:
    """Reads a file, tries it and keeps it as a draft, whatever was found in it.

    kind: a key of KINDS. Raises Fault for a file that cannot be read at all; nothing is kept then.
    """
    now = now or timezone.now()
    known = _kind(kind)
    require(actor, known.capability, site)
    table = read_table(file_name, content)
    draft = ImportDraft(
        site=site,
        kind=kind,
        file_name=file_name.strip()[-200:],
        content=content,
        sha256=hashlib.sha256(content).hexdigest(),
        by=actor,
        created_at=now,
    )
    refuse(column_faults(draft, exclude=["site", "by", "content"]))
    preview = _try(actor, site, known, table, now)
    draft.save(force_insert=True)
    return draft, preview


def preview_import(*, actor: User, draft: ImportDraft, now: datetime | None = None) -> Preview:
    """Tries a draft again, against what is on file today."""
    known = _kind(draft.kind)
    require(actor, known.capability, draft.site)
    table = read_table(draft.file_name, bytes(draft.content))
    return _try(actor, draft.site, known, table, now or timezone.now())


def apply_import(*, actor: User, draft: ImportDraft, now: datetime | None = None) -> int:
    """Takes all rows of a draft over, once; returns how many.

    Raises Conflict when it was applied already, Faults (fields like "rows.7.tag", the row as
    numbered in the file) when any row is refused. Locks the draft.
    """
    known = _kind(draft.kind)
    require(actor, known.capability, draft.site)
    now = now or timezone.now()
    with one_transaction():
        row = locked(ImportDraft, draft.pk)
        if row.applied_at is not None:
            raise Conflict(
                f"'{row.file_name}' was taken over already. Send a new file for further rows.",
                code="applied_already",
            )
        table = read_table(row.file_name, bytes(row.content))
        outcome = _take(actor, row.site, known, table, now)
        if outcome.faults:
            raise Faults(
                [
                    Fault(f"Row {f.row}: {f.detail}", field=f"rows.{f.row}.{f.field}".rstrip("."))
                    for f in outcome.faults
                ]
            )
        row.applied_at = now
        row.save(update_fields=["applied_at"])
    return outcome.rows_ok


def _kind(kind: str) -> Kind:
    if kind not in KINDS:
        raise Fault(
            f"'{kind[:40]}' cannot be imported. Choose one of: {', '.join(KINDS)}.",
            field="kind",
            code="invalid_choice",
        )
    return KINDS[kind]


def _try(actor: User, site: Site, kind: Kind, table: Table, now: datetime) -> Preview:
    with one_transaction():
        outcome = _take(actor, site, kind, table, now)
        transaction.set_rollback(True)
    return Preview(outcome.rows_ok, outcome.faults)


def _take(actor: User, site: Site, kind: Kind, table: Table, now: datetime) -> Outcome:
    columns = _column_faults(kind, table)
    if any(name not in table.columns for name in kind.required):
        # Each row would be reported for the same reason.
        return Outcome(0, columns)
    outcome = kind.take(actor, site, table.rows, now)
    faults = sorted((*columns, *table.faults, *outcome.faults), key=lambda f: (f.row, f.field))
    if not table.rows and not faults:
        faults = [RowFault(1, "", "The file has column names and no rows. Add the rows.")]
    return Outcome(outcome.rows_ok, tuple(faults))


def _column_faults(kind: Kind, table: Table) -> tuple[RowFault, ...]:
    missing = [
        RowFault(1, name, f"The column '{name}' is missing. Add it to the first row.")
        for name in kind.required
        if name not in table.columns
    ]
    unknown = [
        RowFault(
            1,
            name,
            f"The column '{name or '(no name)'}' is not known. Take it out, or name it as one of: "
            f"{', '.join(kind.columns)}.",
        )
        for name in table.columns
        if name not in kind.columns
    ]
    return (*missing, *unknown)
