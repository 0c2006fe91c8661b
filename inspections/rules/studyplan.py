"""Who measures which part how often in a study, and what of it is still to be done."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from fleet.faults import Fault
from inspections.rules.intervals import Interval

# Fewer people, parts or repeats leave a spread that cannot be computed.
LEAST = 2
_NAMED_AT_MOST = 6


@dataclass(frozen=True, slots=True)
class Place:
    """One cell of the study: who, which part, which repeat (from 1)."""

    person: str
    part: str
    trial: int

    def __str__(self) -> str:
        return f"{self.person} at {self.part}, repeat {self.trial}"


@dataclass(frozen=True, slots=True)
class Measured:
    """What was read in one cell: a value or a feeler bracket."""

    place: Place
    interval: Interval


@dataclass(frozen=True, slots=True)
class Plan:
    persons: tuple[str, ...]
    parts: tuple[str, ...]
    trials: int

    def places(self) -> list[Place]:
        """Every cell, by person, part and repeat."""
        return [
            Place(person, part, trial)
            for person in self.persons
            for part in self.parts
            for trial in range(1, self.trials + 1)
        ]


def missing(plan: Plan, readings: Iterable[Measured]) -> list[Place]:
    """The cells nobody has measured yet, in the order of the plan."""
    taken = {reading.place for reading in readings}
    return [place for place in plan.places() if place not in taken]


def faults_of(plan: Plan, readings: Sequence[Measured]) -> list[Fault]:
    """Why a study cannot be computed: too small, unbalanced, or a bracket without an upper end."""
    faults = [
        Fault(
            f"This study has {_counted(count, name)}; it takes {LEAST} at the least. {remedy}",
            code="study_too_small",
        )
        for count, name, remedy in (
            (len(plan.persons), "person", "Have somebody else measure the same parts."),
            (len(plan.parts), "part", "Add another pump."),
            (plan.trials, "repeat", "Have everybody measure every part again."),
        )
        if count < LEAST
    ]
    absent = missing(plan, readings)
    if absent:
        faults.append(
            Fault(
                f"Everybody measures every part as often. Still to be measured: {_named(absent)}.",
                code="study_unbalanced",
            )
        )
    twice = _repeated(reading.place for reading in readings)
    if twice:
        faults.append(
            Fault(
                f"Measured more than once: {_named(twice)}. Keep one reading of each.",
                code="study_unbalanced",
            )
        )
    planned = set(plan.places())
    strange = [reading.place for reading in readings if reading.place not in planned]
    if strange:
        faults.append(
            Fault(f"Not in the plan of this study: {_named(strange)}.", code="study_unbalanced")
        )
    endless = [reading.place for reading in readings if reading.interval.high is None]
    if endless:
        faults.append(
            Fault(
                f"No leaf refused: {_named(endless)}. Measure again with a thicker leaf that does "
                "not enter.",
                code="no_upper_end",
            )
        )
    return faults


def _repeated(places: Iterable[Place]) -> list[Place]:
    seen: set[Place] = set()
    twice = []
    for place in places:
        if place in seen:
            twice.append(place)
        seen.add(place)
    return twice


def _named(places: Sequence[Place]) -> str:
    named = "; ".join(str(place) for place in places[:_NAMED_AT_MOST])
    more = len(places) - _NAMED_AT_MOST
    return f"{named}; and {more} more" if more > 0 else named


def _counted(count: int, name: str) -> str:
    return f"{count or 'no'} {name}{'' if count == 1 else 's'}"
