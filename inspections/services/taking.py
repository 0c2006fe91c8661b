"""What a reading may be, whoever takes it: the instrument, the leaves tried, the value shown."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from fleet.faults import Conflict, Fault
from fleet.limits import JudgedBy
from fleet.models import SheetLine
from fleet.units import LengthUnit
from fleet.vocabulary import InstrumentKind
from inspections.models import Instrument
from inspections.rules.intervals import Interval
from inspections.rules.leaves import Try, bracket, check_try

# Common practice, no source: three repeats settle most doubts, ten are a study of their own.
MOST_REPEATS = 10


def require_usable(instrument: Instrument, site_id: int) -> None:
    """Raises Fault for an instrument of another site, Conflict for one withdrawn from use."""
    if instrument.site_id != site_id:
        raise Fault(
            f"{instrument} belongs to another site. Choose one of this site's.",
            field="instrument",
            code="other_site",
        )
    if instrument.withdrawn_at is not None:
        raise Conflict(
            f"{instrument} was withdrawn from use. Choose another.",
            field="instrument",
            code="withdrawn",
        )


def bracket_of(line: SheetLine, leaf_set: Instrument, tries: Sequence[Try]) -> Interval:
    """The bracket that leaves of a set imply for a check, in the unit of the set.

    Raises Fault for an instrument without leaves, a check of values, a leaf that is not in the set,
    a stack of more than two, or tries that contradict each other (the pair is named).
    """
    if leaf_set.kind != InstrumentKind.FEELER.value:
        raise Fault(
            f"{leaf_set} has no leaves. Enter the value it shows, or choose a leaf set.",
            field="instrument",
            code="not_a_leaf_set",
        )
    if line.terms:
        raise Fault(
            f"{' and '.join(line.terms).capitalize()} are measured as values here. "
            "Choose an instrument that shows a value.",
            field="instrument",
            code="value_needed",
        )
    if any(not 1 <= one.repeat <= MOST_REPEATS for one in tries):
        raise Fault(f"Count the repeats of a position from 1 to {MOST_REPEATS}.", field="tries")
    for index, one in enumerate(tries):
        try:
            check_try(one, leaf_set.leaves, LengthUnit(leaf_set.unit))
        except Fault as fault:
            raise fault.at(f"tries.{index}") from None
    try:
        return bracket(tries)
    except Fault as fault:
        raise fault.at("tries") from None


def require_value(line: SheetLine, used: Instrument, value: Decimal, field: str = "value") -> None:
    """Raises Fault for leaves, for a check that is made with a leaf, and for what is no figure."""
    if used.kind == InstrumentKind.FEELER.value:
        raise Fault(
            "A leaf set shows no value. Enter the leaves you tried and how each felt.",
            field="instrument",
            code="leaves_needed",
        )
    if JudgedBy(line.judged_by) is JudgedBy.LEAF_ENTERS:
        raise Fault(
            "This check is made with a leaf of the limit size: choose a leaf set.",
            field="instrument",
            code="leaves_needed",
        )
    if not value.is_finite() or not 0 <= value < 100_000:
        raise Fault(
            "Enter the value as the instrument shows it, from 0 up to 100 000.", field=field
        )
