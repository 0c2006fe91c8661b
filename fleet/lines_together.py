"""What can be wrong between the rows of one limits sheet."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.faults import Fault
from fleet.limits import JudgedBy, LimitRow
from fleet.vocabulary import Characteristic, Component


def check_together(rows: Sequence[LimitRow | None]) -> list[Fault]:
    """What is wrong between the rows of one sheet, with fields like "3.readings_from" (first: 0).

    None stands for a row that could not be read: nothing is said against it.
    """
    faults = []
    first_at: dict[tuple[Characteristic, Component, str], int] = {}
    for index, row in enumerate(rows):
        if row is None:
            continue
        first = first_at.setdefault(row.key, index)
        if first != index:
            faults.append(_twice(row, first).at(str(index)))
        if row.readings_from is not None and row.judged_by is JudgedBy.SPREAD:
            faults += [fault.at(str(index)) for fault in _source(row, rows)]
    return faults


def _twice(row: LimitRow, first: int) -> Fault:
    if row.characteristic is Characteristic.OWN:
        return Fault(
            f"Line {first + 1} is a check of the same name on the same component. Give this one "
            "another name.",
            field="name",
            code="taken",
        )
    return Fault(
        f"Line {first + 1} is of the same characteristic and component. Take one of the two out.",
        field="characteristic",
        code="taken",
    )


def _source(row: LimitRow, rows: Sequence[LimitRow | None]) -> list[Fault]:
    """What is wrong with the check whose readings a spread is over."""
    wanted = (row.readings_from, row.component)
    source = next((r for r in rows if r and (r.characteristic, r.component) == wanted), None)
    if row.readings_from is None or row.readings_from is row.characteristic:
        return []  # said by the row itself
    said, code = "", "source"
    if row.readings_from is Characteristic.OWN:
        said = (
            "a spread is over the readings of a listed check, since several checks of your own may "
            "stand on one component. Give this one readings of its own."
        )
    elif source is None and None in rows:
        return []  # it may be the one that could not be read
    elif source is None:
        said = (
            f"it is over the readings of {row.readings_from.label.lower()}, and the sheet has no "
            f"such line for {row.component.label.lower()}. Add that line first, or give this check "
            "readings of its own."
        )
        code = "source_missing"
    elif source.judged_by is JudgedBy.NOT_APPLICABLE:
        said = (
            f"it is over the readings of {source.label.lower()}, which does not apply to this "
            "design. Mark this check not applicable too, or give it readings of its own."
        )
    elif source.readings_from is not None:
        said = (
            f"{source.label.lower()} has no readings of its own. Name the check that is measured."
        )
    elif source.judged_by is JudgedBy.DIFFERENCE:
        said = (
            f"{source.label.lower()} is computed from several readings at each position. Name a "
            "check that takes one reading there."
        )
    else:
        unknown = [place for place in row.positions if place not in source.positions]
        if unknown:
            return [
                Fault(
                    f"{row.label}: {', '.join(unknown)} is no position of {source.label.lower()}, "
                    f"over whose readings it is. Choose among: {', '.join(source.positions)}.",
                    field="positions",
                    code="source_positions",
                )
            ]
    return [Fault(f"{row.label}: {said}", field="readings_from", code=code)] if said else []
