"""Likely causes of what was found: which signs point where, and what speaks against it.

Nothing here is a probability. Signs on one part count once, the strongest of them; a strong sign
counts like two others (common practice, no source). So a further sign can only bring its own
causes forward. Signs against a cause are told and do not count: they are for a person to weigh.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import groupby

from fleet.vocabulary import COMPONENTS, Characteristic, PumpFamily
from fleet.vocabulary import Component as C
from inspections.rules.cause_checks import ON_MACHINE, Confirmation, MachineCheck, confirmation_of
from inspections.rules.cause_signs import AGAINST, RULES, Look, Measured, Said, Sign, Strength
from inspections.rules.findings import Cause, Severity, Word
from inspections.rules.verdicts import Outcome


@dataclass(frozen=True, slots=True)
class Seen:
    """A finding; `cause` where the person who made it named one."""

    component: C
    word: Word
    severity: Severity
    cause: Cause | None = None
    named_by: str = ""


CheckOutcome = tuple[Characteristic, C, Outcome]


@dataclass(frozen=True, slots=True)
class Evidence:
    """One sign: what was found, why it points so, and where that is written.

    Signs of the same `part` are not independent of each other: they count once.
    """

    text: str
    because: str
    source: str
    strength: Strength
    part: str


@dataclass(frozen=True, slots=True)
class Contrary:
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class LikelyCause:
    """`would_confirm`: signs not there yet that would settle it."""

    cause: Cause
    evidence: tuple[Evidence, ...]
    against: tuple[Contrary, ...]
    would_confirm: tuple[Confirmation, ...]
    checks: tuple[MachineCheck, ...]

    @property
    def in_words(self) -> str:
        return ON_MACHINE[self.cause].in_words

    @property
    def _by_part(self) -> dict[str, Strength]:
        strongest: dict[str, Strength] = {}
        for one in self.evidence:
            strongest[one.part] = max(one.strength, strongest.get(one.part, one.strength))
        return strongest

    @property
    def signs(self) -> int:
        """How many independent signs point to it."""
        return len(self._by_part)

    @property
    def strong_signs(self) -> int:
        return sum(strength is Strength.STRONG for strength in self._by_part.values())

    @property
    def weight(self) -> int:
        return self.signs + self.strong_signs

    @property
    def is_faint(self) -> bool:
        """One sign only, which has other causes too."""
        return self.weight == 1

    @property
    def standing(self) -> str:
        """ "3 independent signs, 1 of them strong"."""
        many = f"{self.signs} independent signs" if self.signs > 1 else "1 sign"
        if not self.strong_signs:
            return f"{many}, not strong" if self.signs == 1 else f"{many}, none of them strong"
        return f"{many}, {'strong' if self.signs == 1 else f'{self.strong_signs} of them strong'}"


# The two plates of a pump run in the same oil at the same gears: they are one part here.
_SAME_PART = {C.WEAR_PLATE_REAR: C.WEAR_PLATE_FRONT, C.SIDE_PLATE_REAR: C.SIDE_PLATE_FRONT}
_COMPONENT_ORDER = tuple(C)
_CAUSE_ORDER = tuple(Cause)


def likely_causes(
    findings: Iterable[Seen],
    verdicts: Iterable[CheckOutcome],
    family: PumpFamily,
    *,
    complaint: str = "",
    rated_pressure_bar: Decimal | None = None,
) -> tuple[LikelyCause, ...]:
    """The causes that signs point to, the best supported first; empty when none does.

    `complaint` in the operator's words. Equally supported ones keep the order of Cause; the order
    of findings and verdicts does not matter.
    """
    seen = sorted(
        set(findings),
        key=lambda one: (_COMPONENT_ORDER.index(one.component), one.word, one.severity),
    )
    judged = sorted(set(verdicts), key=lambda one: (one[0], _COMPONENT_ORDER.index(one[1])))
    found: dict[Cause, list[Evidence]] = {}
    for rule in RULES:
        for text, part in _matches(rule.sign, seen, judged, complaint):
            found.setdefault(rule.cause, []).append(
                Evidence(text, rule.because, rule.source, rule.strength, part)
            )
    for cause, evidence in _named(seen):
        found.setdefault(cause, []).append(evidence)
    likely = [
        LikelyCause(
            cause=cause,
            evidence=tuple(sorted(found[cause], key=lambda one: -one.strength)),
            against=tuple(_against(cause, seen, judged)),
            would_confirm=(
                confirmation_of(cause, family=family, rated_pressure_bar=rated_pressure_bar),
                *_look_again(cause, seen, {one.part for one in found[cause]}, family),
            ),
            checks=ON_MACHINE[cause].checks,
        )
        for cause in _CAUSE_ORDER
        if cause in found
    ]
    return tuple(sorted(likely, key=lambda one: -one.weight))


def _matches(
    sign: Sign, seen: Sequence[Seen], judged: Sequence[CheckOutcome], complaint: str
) -> Iterator[tuple[str, str]]:
    """What was found of a sign, and the part that it counts for."""
    if isinstance(sign, Look):
        worst: dict[C, Severity] = {}
        for one in seen:
            if one.word is sign.word and one.component in sign.components:
                worst[one.component] = one.severity  # sorted: the worst comes last
        for component, severity in worst.items():
            if severity >= sign.least:
                yield _look_text(component, sign.word, severity), _part_of(component)
    elif isinstance(sign, Measured):
        for characteristic, component, outcome in judged:
            if (characteristic, outcome) == (sign.characteristic, sign.outcome):
                text = f"{characteristic.label}, {_lower(component)}: {outcome.label}."
                yield text, _part_of(component)
    else:
        word = _word_of(complaint, sign)
        if word:
            yield f"The complaint says '{word}'.", "complaint"


def _look_text(component: C, word: Word, severity: Severity) -> str:
    graded = f", {severity.label.lower()}" if severity else ""
    return f"{component.label}: {_first_lower(word.label)}{graded}."


def _part_of(component: C) -> str:
    return _SAME_PART.get(component, component).value


def _first_lower(text: str) -> str:
    return text[0].lower() + text[1:]


def _lower(component: C) -> str:
    return _first_lower(component.label)


def _word_of(complaint: str, said: Said) -> str:
    """The word that begins so, unless it is denied: "no foam" says nothing."""
    pattern = rf"(?<!\bno )(?<!\bnot )(?<!\bnever )(?<!\bwithout )\b{said.begins}\w*"
    match = re.search(pattern, complaint, re.IGNORECASE)
    return match[0] if match else ""


def _named(seen: Sequence[Seen]) -> Iterator[tuple[Cause, Evidence]]:
    """A cause that a person named, once for each person and cause, on whatever parts."""
    named: dict[tuple[Cause, str], list[C]] = {}
    for one in seen:
        if one.cause is not None and one.cause is not Cause.UNKNOWN:
            named.setdefault((one.cause, one.named_by), []).append(one.component)
    for (cause, person), components in sorted(named.items()):
        parts = "; ".join(_lower(component) for component in dict.fromkeys(components))
        yield (
            cause,
            Evidence(
                text=f"{person or 'The person who looked'} named it: {parts}.",
                because="Whoever had the part in hand may have seen more than the words say.",
                source="recorded with the finding",
                strength=Strength.STRONG,
                part=f"named by {person}",
            ),
        )


def _against(
    cause: Cause, seen: Sequence[Seen], judged: Sequence[CheckOutcome]
) -> Iterator[Contrary]:
    for rule in AGAINST:
        if rule.cause is cause:
            for text, _ in _matches(rule.sign, seen, judged, ""):
                yield Contrary(f"{text} {rule.because}", rule.source)


def _look_again(
    cause: Cause, seen: Sequence[Seen], counted: set[str], family: PumpFamily
) -> Iterator[Confirmation]:
    """One more sign to look for on this family: a strong one, on a part that shows none yet."""
    sound = {one.component for one in seen if one.word is Word.NO_DEFECT}
    for rule in RULES:
        look = rule.sign
        if rule.cause is not cause or rule.strength is Strength.SOME or not isinstance(look, Look):
            continue
        for component in COMPONENTS[family]:
            fresh = component not in sound and _part_of(component) not in counted
            if component in look.components and fresh:
                yield Confirmation(
                    f"'{look.word.label}' on the {_lower(component)} would be one more sign: look "
                    "again.",
                    rule.source,
                )
                return


def in_a_sentence(causes: Sequence[LikelyCause]) -> str:
    """What stands above the causes: the best supported first, equals side by side."""
    if not causes:
        return "Nothing found points to a cause."
    ranks: list[str] = []
    room = _NAMED_IN_SENTENCE
    for _, equals in groupby(causes, key=lambda one: one.weight):
        names = [one.in_words for one in equals]
        if room > 0:
            ranks.append(_listed(names, room))
            room -= len(names)
    first = f"{ranks[0]} first" if len(ranks) > 1 else ranks[0]
    sentence = ", then ".join(f"to {rank}" for rank in (first, *ranks[1:]))
    if all(one.signs == 1 for one in causes):
        return f"Single signs point {sentence}. One sign alone decides nothing."
    return f"The findings point {sentence}."


_NAMED_IN_SENTENCE = 3


def _listed(names: Sequence[str], room: int) -> str:
    """dirty oil, cavitation and overheating alike; at most `room` by name."""
    if len(names) == 1:
        return names[0]
    if len(names) > room:
        names = [*names[:room], f"{len(names) - room} more"]
    return f"{', '.join(names[:-1])} and {names[-1]} alike"
