"""Reads of instruments: which need calibration, what was taken with them, what is overdue."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from decimal import Decimal

from django.db.models import BooleanField, F, Func, OuterRef, Subquery

from fleet.faults import Fault
from fleet.plumbing.scoping import SiteScopedQuerySet
from inspections.models import (
    Inspection,
    Instrument,
    LeafWithdrawal,
    OverdueAcceptance,
    Reading,
    Verdict,
)
from inspections.rules.calibration import Standing, standing, standing_sentence

# --- Instruments ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Kept:
    """One instrument with how it stands to its calibration."""

    instrument: Instrument
    standing: Standing
    sentence: str


def by_calibration(instruments: Iterable[Instrument], today: date) -> list[Kept]:
    """What is overdue first, then what is due soon, each the earliest day first; the rest by site.

    No queries but for the site's name.
    """
    rows = [
        Kept(
            row,
            standing(row.calibration_due_on, today),
            standing_sentence(row.calibration_due_on, today),
        )
        for row in instruments
    ]

    def order(kept: Kept) -> tuple[int, date, str, str]:
        urgent = kept.standing in (Standing.OVERDUE, Standing.DUE_SOON)
        due_on = kept.instrument.calibration_due_on
        return (
            kept.standing.rank if urgent else Standing.NO_DATE.rank,
            due_on if urgent and due_on is not None else date.min,
            kept.instrument.site.name,
            kept.instrument.identity,
        )

    return sorted(rows, key=order)


def leaf_withdrawals() -> SiteScopedQuerySet[LeafWithdrawal]:
    """Every leaf that was taken out of a set, by whom and why."""
    return LeafWithdrawal.objects.select_related("by")


# --- What was taken with one ------------------------------------------------------------------


class _UsesLeaf(Func):
    """Whether one of the tries of a reading has a leaf of this thickness, however it was typed."""

    function = "jsonb_path_exists"
    # The leaf is digits and a point, no text from outside. double() keeps its twelve digits whole.
    template = (
        "%(function)s(%(expressions)s, "
        "'$[*].leaves[*] ? (@.double() == $leaf)'::jsonpath, "
        "jsonb_build_object('leaf', %(leaf)s::numeric))"
    )
    output_field = BooleanField()

    def __init__(self, leaf: Decimal) -> None:
        super().__init__(F("tries"), leaf=f"{leaf:f}")


def readings_with(
    instrument: Instrument, *, leaf: Decimal | None = None, since: date | None = None
) -> SiteScopedQuerySet[Reading]:
    """Every reading taken with an instrument, set aside ones too, to be looked at again.

    leaf: only those in which a leaf of that thickness was tried, alone or in a stack.
    since: only those of that day (UTC) and later. Each comes with `outcome`, the verdict of its
    check now. Order them; narrow them to the viewer with visible_to.
    """
    rows: SiteScopedQuerySet[Reading] = Reading.objects.filter(instrument=instrument)
    if leaf is not None:
        rows = rows.filter(_UsesLeaf(leaf))
    if since is not None:
        rows = rows.filter(taken_at__gte=datetime.combine(since, time.min, UTC))
    verdict = Verdict.objects.filter(inspection=OuterRef("inspection"), line=OuterRef("line"))
    rows = rows.select_related(
        "instrument", "taken_by", "line", "inspection__pump", "inspection__site"
    )
    # The stubs make a type of its own for each annotation.
    return rows.annotate(outcome=Subquery(verdict.values("outcome")[:1]))  # type: ignore[return-value]


# --- Overdue instruments ----------------------------------------------------------------------


@dataclass(frozen=True)
class OverdueUse:
    """An instrument that was overdue when readings of an inspection were taken with it.

    readings: those in force; an acceptance for others alone is no acceptance. acceptance: the
    latest, by name and reason. accepted: whether it was given for all of these readings.
    """

    instrument: Instrument
    readings: tuple[Reading, ...]
    acceptance: OverdueAcceptance | None

    @property
    def overdue_since(self) -> date:
        """The earliest day up to which it was calibrated when one of them was taken."""
        return min(r.overdue_since for r in self.readings if r.overdue_since is not None)

    @property
    def accepted(self) -> bool:
        given = self.acceptance
        return given is not None and all(r.taken_at <= given.accepted_at for r in self.readings)

    @property
    def checks(self) -> list[str]:
        """The names of the checks concerned, in the order of the sheet."""
        return list(dict.fromkeys(reading.line.label for reading in self.readings))

    @property
    def reading_ids(self) -> list[int]:
        return [reading.pk for reading in self.readings]

    @property
    def taken_by_ids(self) -> frozenset[int]:
        return frozenset(reading.taken_by_id for reading in self.readings)

    @property
    def sentence(self) -> str:
        """What it means for the inspection: "FG-1 was overdue since 3 Feb 2026 for 4 readings"."""
        day, count = self.overdue_since, len(self.readings)
        return (
            f"{self.instrument.identity} was overdue for calibration since "
            f"{day.day} {day:%b %Y} when {count} reading{'' if count == 1 else 's'} "
            f"{'was' if count == 1 else 'were'} taken with it"
        )


def overdue_uses(inspection: Inspection) -> list[OverdueUse]:
    """Each instrument that was overdue at a reading in force, by its number. Two queries."""
    taken: dict[int, list[Reading]] = {}
    for reading in (
        Reading.objects.filter(
            inspection=inspection, replaced_at__isnull=True, overdue_since__isnull=False
        )
        .select_related("instrument", "line", "taken_by")
        .order_by("instrument__identity", "line__order", "id")
    ):
        taken.setdefault(reading.instrument_id, []).append(reading)
    given = {
        acceptance.instrument_id: acceptance
        for acceptance in OverdueAcceptance.objects.filter(inspection=inspection).select_related(
            "accepted_by"
        )
    }
    return [
        OverdueUse(rows[0].instrument, tuple(rows), given.get(pk)) for pk, rows in taken.items()
    ]


def overdue_faults(uses: Iterable[OverdueUse]) -> list[Fault]:
    """One for each overdue instrument whose readings nobody has accepted yet."""
    return [
        Fault(
            f"{use.sentence}. A competent person who took none of these readings accepts them "
            "with a reason, or they are taken again with another instrument.",
            field=f"overdue.{use.instrument.pk}",
            code="overdue_instrument",
        )
        for use in uses
        if not use.accepted
    ]
