"""The leaves at hand for one position, with the table by which the bench goes on by itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from fleet.decisions import DecisionRule
from fleet.units import LengthUnit, convert
from inspections import selectors
from inspections.checks import advice_for, leaf_task, set_gap_for, tries_with
from inspections.models import Instrument
from inspections.rules.leafplan import key_of, plan
from inspections.rules.leafsearch import End, LeafTask
from inspections.rules.leaves import Feel, Try
from inspections.rules.nextleaf import Advice
from inspections.rules.plots import Feel as FeelSign
from inspections.rules.trendprior import Trend
from inspections.selectors import Check
from inspections.services.taking import MOST_REPEATS

FEEL_SIGNS: dict[Feel, FeelSign] = {
    Feel.FREE: "enters",
    Feel.DRAG: "drag",
    Feel.REFUSES: "refuses",
}


@dataclass(frozen=True, slots=True)
class LeafButton:
    value: str
    feel: str
    advised: bool


@dataclass(frozen=True, slots=True)
class Series:
    """One repeat at a position, with its leaves in the order in which they were tried."""

    repeat: int
    tries: tuple[tuple[Try, FeelSign], ...]


@dataclass(frozen=True, slots=True)
class Aim:
    """What the technician chose: the series in hand (None: the last), and what a leaf is for."""

    repeat: int | None = None
    narrow: bool = False
    expect_wear: bool = False


@dataclass(frozen=True, slots=True)
class LeafWork:
    """The leaves at hand for one position: buttons, tries so far, what to try next."""

    buttons: tuple[LeafButton, ...]
    series: tuple[Series, ...]
    repeat: int
    may_repeat: bool
    advice: Advice | None
    # What this set cannot decide, said before anything is tried.
    hole: str
    # Tried with another set: they are replaced as soon as this one is used.
    other_set: Instrument | None
    trend: Trend | None
    # For the script of the bench: JSON types.
    for_bench: dict[str, Any]

    @property
    def tries(self) -> bool:
        return any(one.tries for one in self.series)

    @property
    def advised(self) -> str:
        return key_of(self.advice.leaves) if self.advice is not None else ""

    @property
    def stack(self) -> str:
        """The advised stack as one button: "0.06 + 0.10"; "" for a single leaf."""
        return self.advised if " + " in self.advised else ""


def leaf_work(
    check: Check,
    leaf_set: Instrument,
    position: str,
    *,
    rule: DecisionRule,
    trend: Trend | None,
    aim: Aim,
) -> LeafWork:
    """The buttons of a set for one position, with what was tried with it there. One query."""
    place = check.place(position)
    reading = place.reading if place is not None else None
    tries = tries_with(reading, leaf_set)
    last = max((one.repeat for one in tries), default=1)
    in_hand = min(aim.repeat or last, last + 1, MOST_REPEATS) if tries else 1
    judged: dict[str, Any] = {
        "rule": rule,
        "study_u": selectors.study_u_for(check.line, leaf_set),
        "prior": trend.prior if trend is not None and aim.expect_wear else None,
    }
    advice = advice_for(
        check.line, position, reading, leaf_set, repeat=in_hand, narrow=aim.narrow, **judged
    )
    gap = set_gap_for(check.line, leaf_set, **judged)
    says_so_anyway = advice is not None and advice.kind != "try"
    here = [one for one in tries if one.repeat == in_hand]
    single = {one.leaves[0]: one.feel for one in here if len(one.leaves) == 1}
    advised = key_of(advice.leaves) if advice is not None else ""
    return LeafWork(
        buttons=tuple(
            LeafButton(
                value=f"{leaf:f}",
                feel=FEEL_SIGNS[single[leaf]] if leaf in single else "",
                advised=advised == f"{leaf:f}",
            )
            for leaf in leaf_set.leaves
        ),
        series=_series(tries, in_hand),
        repeat=in_hand,
        may_repeat=bool(here) and in_hand < MOST_REPEATS,
        advice=advice,
        hole=gap.sentence if gap is not None and gap.wide and not says_so_anyway else "",
        other_set=reading.instrument if reading is not None and not tries else None,
        trend=trend,
        for_bench=_for_bench(
            check,
            leaf_set,
            leaf_task(check.line, leaf_set, **judged),
            tries,
            {"position": position, "repeat": in_hand, "narrow": aim.narrow},
        ),
    )


def _series(tries: Sequence[Try], in_hand: int) -> tuple[Series, ...]:
    repeats = sorted({one.repeat for one in tries} | ({in_hand} if tries else set()))
    return tuple(
        Series(n, tuple((t, FEEL_SIGNS[t.feel]) for t in tries if t.repeat == n)) for n in repeats
    )


def _for_bench(
    check: Check,
    leaf_set: Instrument,
    task: LeafTask | None,
    tries: Sequence[Try],
    chosen: dict[str, Any],
) -> dict[str, Any]:
    """What the bench needs to go on without an answer for each leaf."""
    unit, limits = LengthUnit(leaf_set.unit), check.limits
    return {
        **chosen,
        "instrument": leaf_set.pk,
        "unit": unit.label,
        "tries": [[key_of(one.leaves), one.feel.value, one.repeat] for one in tries],
        # For drawing only.
        "limits": [
            None if figure is None else float(convert(figure, limits.unit, unit))
            for figure in (limits.low, limits.high)
        ],
        "most_repeats": MOST_REPEATS,
        "plan": None if task is None else plan(task, _met(tries)),
    }


def _met(tries: Sequence[Try]) -> tuple[tuple[End, str], ...]:
    """Stacks that were laid so far, whoever advised them."""
    stacks = [one for one in tries if len(one.leaves) > 1]
    return tuple(
        sorted({(End(one.thickness, len(one.leaves)), key_of(one.leaves)) for one in stacks})
    )
