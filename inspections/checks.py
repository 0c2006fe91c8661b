"""One check of a sheet with what was read for it, and the leaf to try next. No queries here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from fleet.decisions import SIMPLE, DecisionRule
from fleet.faults import Fault
from fleet.limits import JudgedBy, Limits
from fleet.models import SheetLine
from fleet.units import LengthUnit
from fleet.vocabulary import CHARACTERISTICS, Characteristic, Component, InstrumentKind
from inspections.judging import judge, limits_of, tries_of
from inspections.models import Instrument, Reading, Verdict
from inspections.rules.leafsearch import Bracket, End, LeafTask
from inspections.rules.leaves import Try, ends
from inspections.rules.nextleaf import Advice, Gap, narrowing_leaf, next_leaf, set_gap
from inspections.rules.trendprior import NormalPrior
from inspections.rules.verdicts import CheckVerdict, Outcome


@dataclass(frozen=True)
class Place:
    """One reading that a check asks for, taken or not.

    outcome: of the position alone; None while it is not read or where only all together count.
    warning: a sentence where the figures look swapped, else "".
    """

    position: str
    term: str
    reading: Reading | None
    outcome: Outcome | None
    warning: str = ""


@dataclass(frozen=True)
class Check:
    """One line of the sheet with what was read for it and what came of it.

    missing: positions (with the term, where there is one) still to be measured.
    instruments: those of the site that serve, the kind that the sheet names first.
    """

    line: SheetLine
    verdict: Verdict | None
    judged: CheckVerdict | None
    places: tuple[Place, ...]
    missing: tuple[str, ...]
    instruments: tuple[Instrument, ...]

    @property
    def applies(self) -> bool:
        return JudgedBy(self.line.judged_by) is not JudgedBy.NOT_APPLICABLE

    @property
    def label(self) -> str:
        return self.line.label

    @property
    def component(self) -> Component:
        return Component(self.line.component)

    @property
    def limits(self) -> Limits:
        return limits_of(self.line)

    @property
    def limit_sentence(self) -> str:
        """The limit as printed: "at most 0.15 mm"; "" where the check does not apply."""
        if not self.applies:
            return ""
        strict = JudgedBy(self.line.judged_by) is JudgedBy.LEAF_ENTERS
        return self.limits.sentence(strict_high=strict)

    @property
    def outcome(self) -> Outcome | None:
        """None until something is measured, and where the check does not apply."""
        return Outcome(self.verdict.outcome) if self.verdict is not None else None

    @property
    def instrument_ids(self) -> tuple[int, ...]:
        return tuple(instrument.pk for instrument in self.instruments)

    @property
    def is_waived(self) -> bool:
        return self.verdict is not None and self.verdict.waived_by_id is not None

    @property
    def is_settled(self) -> bool:
        """Nothing is left to do here before signing."""
        if not self.applies or self.is_waived:
            return True
        if self.outcome is None:
            return not self.line.required
        return self.outcome is not Outcome.UNDECIDED or not self.line.required

    def place(self, position: str, term: str = "") -> Place | None:
        wanted = (position, term)
        return next((p for p in self.places if (p.position, p.term) == wanted), None)


def check_from(
    line: SheetLine,
    verdict: Verdict | None,
    readings: list[Reading],
    at_hand: Iterable[Instrument],
    rule: DecisionRule,
) -> Check:
    """The line with the readings that it judges. at_hand: instruments of the site in use."""
    if JudgedBy(line.judged_by) is JudgedBy.NOT_APPLICABLE:
        return Check(line, None, None, (), (), ())
    judged = judge(line, readings, rule)
    alone = {each.position: each for each in judged.positions}
    read = {(reading.position, reading.term): reading for reading in readings}
    places = tuple(
        Place(
            position,
            term,
            read.get((position, term)),
            alone[position].outcome if position in alone else None,
            alone[position].warning if position in alone else "",
        )
        for position in line.positions
        for term in (tuple(line.terms) or ("",))
    )
    return Check(line, verdict, judged, places, judged.missing, suited(line, at_hand))


def suited(line: SheetLine, at_hand: Iterable[Instrument]) -> tuple[Instrument, ...]:
    """Those at hand that can serve a line, the kind that the sheet names first.

    A leaf that must not enter takes a leaf set; a difference takes instruments that show a
    figure; anything else takes both.
    """
    named = (
        line.instrument_kind
        or CHARACTERISTICS[Characteristic(line.characteristic)].default_instrument.value
    )
    serving = [i for i in at_hand if _serves(line, InstrumentKind(i.kind))]
    return tuple(sorted(serving, key=lambda i: (i.kind != named, i.identity)))


def _serves(line: SheetLine, kind: InstrumentKind) -> bool:
    judged_by = JudgedBy(line.judged_by)
    if judged_by is JudgedBy.NOT_APPLICABLE or line.readings_from:
        return False
    if kind is InstrumentKind.FEELER:
        return not line.terms
    return judged_by is not JudgedBy.LEAF_ENTERS


def leaves_decide(line: SheetLine, instrument: Instrument) -> bool:
    """Whether one bracket of this instrument meets the limit by itself, so that advice is possible.

    Not where the limit is on a difference of two readings or on a spread over several.
    """
    return instrument.kind == InstrumentKind.FEELER.value and JudgedBy(line.judged_by) in (
        JudgedBy.EACH,
        JudgedBy.LEAF_ENTERS,
    )


def leaf_task(
    line: SheetLine,
    instrument: Instrument,
    *,
    rule: DecisionRule = SIMPLE,
    study_u: float | None = None,
    prior: NormalPrior | None = None,
) -> LeafTask | None:
    """What a leaf set has to decide for a line; None where leaves do not decide.

    rule: that of the inspection. study_u: of who measures, in the unit of the set. prior: what to
    expect before measuring, in that unit.
    """
    if not leaves_decide(line, instrument):
        return None
    return LeafTask(
        leaves=tuple(instrument.leaves),
        unit=LengthUnit(instrument.unit),
        limits=limits_of(line),
        strict_high=JudgedBy(line.judged_by) is JudgedBy.LEAF_ENTERS,
        rule=rule,
        permissible_error=instrument.permissible_error,
        study_u=study_u,
        prior=prior,
    )


def tries_with(reading: Reading | None, instrument: Instrument) -> list[Try]:
    """The leaves tried so far with this set; what another set said does not count."""
    if reading is None or reading.is_value or reading.instrument_id != instrument.pk:
        return []
    return tries_of(reading)


def bracket_ends(tries: Sequence[Try]) -> Bracket:
    """The ends of a bracket with the leaves that made each; None for an end not made yet."""
    low, high = ends(tries) if tries else (None, None)
    return (
        None if low is None else End(low.thickness, len(low.leaves)),
        None if high is None else End(high.thickness, len(high.leaves)),
    )


def advice_for(
    line: SheetLine,
    position: str,
    reading: Reading | None,
    instrument: Instrument,
    *,
    rule: DecisionRule = SIMPLE,
    study_u: float | None = None,
    prior: NormalPrior | None = None,
    repeat: int | None = None,
    narrow: bool = False,
) -> Advice | None:
    """Which leaf to try next at a position; None where leaves do not decide.

    reading: the one in force at the position, or None. What another set said does not count: the
    position starts anew with this one. repeat: the series in hand, None for the last one taken.
    narrow: for the trend, whatever the limit says. Else as in leaf_task. Raises Fault for a
    position that the line has not.
    """
    if position not in line.positions:
        raise Fault(
            f"The sheet has no position '{position}' for this check. It has: "
            f"{', '.join(line.positions)}.",
            field="position",
            code="unknown_position",
        )
    task = leaf_task(line, instrument, rule=rule, study_u=study_u, prior=prior)
    if task is None:
        return None
    tries = tries_with(reading, instrument)
    in_hand = repeat or max((one.repeat for one in tries), default=1)
    low, high = bracket_ends([one for one in tries if one.repeat == in_hand])
    return narrowing_leaf(task, low, high) if narrow else next_leaf(task, low, high)


def set_gap_for(
    line: SheetLine,
    instrument: Instrument,
    *,
    rule: DecisionRule = SIMPLE,
    study_u: float | None = None,
    prior: NormalPrior | None = None,
) -> Gap | None:
    """What this leaf set cannot decide against the line's limit, said before measuring."""
    task = leaf_task(line, instrument, rule=rule, study_u=study_u, prior=prior)
    return None if task is None else set_gap(task)
