"""How every service of the fleet writes: one transaction, locked rows, refusals as faults."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Any, TypeVar

from django.core.exceptions import ValidationError
from django.db import IntegrityError, models, transaction

from fleet.faults import Fault, Faults, Stale
from fleet.plumbing.problems import fault_of

M = TypeVar("M", bound=models.Model)


@contextmanager
def one_transaction() -> Iterator[None]:
    """All of the block or nothing; a refusal of the database comes out as its fault."""
    try:
        with transaction.atomic():
            yield
    except IntegrityError as exc:
        fault = fault_of(exc)
        if fault is None:
            raise
        raise fault from exc


def locked(model: type[M], pk: Any, version: int | None = None) -> M:
    """The row, held until the transaction ends.

    version: what the sender had read; None takes the row as it is. Raises Stale on a mismatch.
    """
    row = model._default_manager.select_for_update().get(pk=pk)  # noqa: SLF001
    if version is not None and getattr(row, "version", version) != version:
        raise Stale(
            f"{row} was changed by somebody else since you read it. Look at it again, then make "
            "your change."
        )
    return row


def save_next(row: Any, *fields: str) -> None:
    """Saves the fields of a locked row and counts its version on by one."""
    row.version += 1
    row.save(update_fields=[*fields, "version"])


def column_faults(row: models.Model, *, exclude: Collection[str] = ()) -> list[Fault]:
    """What the columns themselves cannot take: empty, too long, not in the list, no number."""
    # Empty and allowed to be: only forms know `blank`, and nothing comes from a form here.
    empty = {
        column.name
        for column in row._meta.concrete_fields  # noqa: SLF001
        if column.null and getattr(row, column.attname) is None
    }
    try:
        row.clean_fields(exclude=empty | set(exclude))
    except ValidationError as exc:
        return [
            Fault(_sentence(row, name, error), field=name, code=error.code or "invalid")
            for name, errors in exc.error_dict.items()
            for error in errors
        ]
    return []


def refuse(faults: list[Fault]) -> None:
    """Raises what was found: one fault as it is, several as Faults."""
    if len(faults) == 1:
        raise faults[0]
    if faults:
        raise Faults(faults)


def _sentence(row: models.Model, name: str, error: ValidationError) -> str:
    column = row._meta.get_field(name)  # noqa: SLF001
    called = str(getattr(column, "verbose_name", name))
    value = getattr(row, name)
    if error.code in ("blank", "null"):
        return f"Enter the {called}."
    if error.code == "max_length":
        most = getattr(column, "max_length", None)
        return f"The {called} has {len(str(value))} characters; shorten it to {most}."
    if error.code == "invalid_choice":
        can = ", ".join(str(key) for key, _label in getattr(column, "flatchoices", ()))
        return f"'{str(value)[:40]}' is no {called} known here. Choose one of: {can}."
    return " ".join(error.messages)


def moment(at: datetime) -> str:
    """A time in a sentence: 14 Mar 2026 08:30 UTC."""
    return f"{at.day} {at:%b %Y %H:%M} UTC"
