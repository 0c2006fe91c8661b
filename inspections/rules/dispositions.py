"""What becomes of each part: proposed from verdicts and findings, decided by a person.

Rules only ever raise a disposition, and run until nothing changes. So more faults can never turn
a replacement into reuse.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from fleet.vocabulary import COMPONENTS, Characteristic, PumpFamily
from fleet.vocabulary import Component as C
from inspections.rules.findings import WORDS, Severity, Word
from inspections.rules.verdicts import Outcome


class Disposition(StrEnum):
    """In rising order."""

    REUSE = "reuse"
    DRESS = "dress_and_reuse"
    REPLACE = "replace"
    REPLACE_SET = "replace_as_set"
    SCRAP = "scrap_pump"

    @property
    def label(self) -> str:
        return _LABELS[self]

    @property
    def renews(self) -> bool:
        """Whether a new part is needed for the pump to be rebuilt."""
        return self in {Disposition.REPLACE, Disposition.REPLACE_SET}

    @property
    def rank(self) -> int:
        return _ORDER.index(self)


_LABELS = {
    Disposition.REUSE: "Reuse",
    Disposition.DRESS: "Dress and reuse",
    Disposition.REPLACE: "Replace",
    Disposition.REPLACE_SET: "Replace as a set",
    Disposition.SCRAP: "Scrap the pump",
}
_ORDER = tuple(Disposition)
_RENEWED_FROM = _ORDER.index(Disposition.REPLACE)


@dataclass(frozen=True, slots=True)
class Reason:
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class Proposal:
    component: C
    disposition: Disposition
    reasons: tuple[Reason, ...]


@dataclass(slots=True)
class _Draft:
    disposition: Disposition = Disposition.REUSE
    reasons: list[Reason] = field(default_factory=list)

    def raise_to(self, disposition: Disposition, reason: Reason) -> bool:
        """True when something changed."""
        if reason in self.reasons and disposition.rank <= self.disposition.rank:
            return False
        if reason not in self.reasons:
            self.reasons.append(reason)
        if disposition.rank > self.disposition.rank:
            self.disposition = disposition
        return True


_TRADE = "common practice, no source"
_PAIR = "TM 5-3895-349-14&P; TM 10-3930-653-14&P; TM 5-3810-306-34"
_BUSHES_WITH_GEARS = "TM 5-3820-256-24-2 §7-1.4.5; TM 5-3810-306-34; TM 5-3810-307-24-1-2"
_PLATES = (
    (C.WEAR_PLATE_FRONT, C.WEAR_PLATE_REAR),
    (C.SIDE_PLATE_FRONT, C.SIDE_PLATE_REAR),
)
_EVERY_PLATE = (*_PLATES[0], *_PLATES[1], C.VALVE_PLATE)
_BODIES = (C.HOUSING_BORE, C.HOUSING)
_PORTS = (C.INLET_PORT, C.OUTLET_PORT)


@dataclass(frozen=True, slots=True)
class _Follows:
    """When a part of `when` is renewed, those of `then` are, as a set."""

    when: tuple[C, ...]
    then: tuple[C, ...]
    reason: Reason


_FOLLOWS = (
    _Follows(
        (C.GEARS,),
        (C.GEARS,),
        Reason("One gear replaced means both, as a matched set.", _PAIR),
    ),
    _Follows(
        (C.GEARS,),
        (C.BUSHES,),
        Reason("New gears get new bushes.", _BUSHES_WITH_GEARS),
    ),
    _Follows(
        (C.BUSHES,),
        (C.GEARS, C.BUSHES),
        Reason("A bush or gear hub with a defect goes with its gear.", "TM 10-3930-653-14&P"),
    ),
    *(
        _Follows(pair, pair, Reason("Both plates must match: replace the two alike.", _TRADE))
        for pair in _PLATES
    ),
    _Follows(
        (C.INNER_GEAR, C.OUTER_GEAR),
        (C.INNER_GEAR, C.OUTER_GEAR),
        Reason("Inner and outer gear run as a matched set.", _TRADE),
    ),
    _Follows(
        (C.VANES, C.ROTOR),
        (C.VANES, C.ROTOR),
        Reason("One vane damaged means the rotor kit, all vanes.", "TM 5-3820-241-34 p.3-18"),
    ),
    _Follows(
        (C.CAM_RING,),
        (C.CAM_RING, C.VANES),
        Reason("A new ring gets new vanes.", _TRADE),
    ),
    _Follows(
        (C.PISTONS_AND_SHOES, C.CYLINDER_BLOCK),
        (C.PISTONS_AND_SHOES, C.CYLINDER_BLOCK),
        Reason("Pistons, shoes and block are renewed as one rotating group.", _TRADE),
    ),
    _Follows(
        (C.HOLD_DOWN_PINS,),
        (C.HOLD_DOWN_PINS,),
        Reason("All hold-down pins must be of one length.", "TM 10-3930-660-34"),
    ),
)

# Parts that a check is about besides the one the sheet names for it.
_ALSO: dict[Characteristic, tuple[tuple[C, ...], str]] = {
    Characteristic.SIDE_CLEARANCE: ((C.WEAR_PLATE_FRONT, C.WEAR_PLATE_REAR), _TRADE),
    Characteristic.SIDE_OUT_OF_PARALLEL: ((C.WEAR_PLATE_FRONT, C.WEAR_PLATE_REAR), _TRADE),
    Characteristic.TIP_CLEARANCE: ((C.GEARS,), _TRADE),
    Characteristic.BACKLASH: ((C.GEARS, C.INNER_GEAR), _TRADE),
    Characteristic.SHAFT_TO_BUSH: ((C.BUSHES, C.BEARINGS), "TM 10-3930-653-14&P p.4-203"),
    Characteristic.GEAR_WIDTH_MATCH: ((C.GEARS,), "TM 5-3820-256-24-1 p.4-70"),
    Characteristic.CUT_IN_DEPTH: ((C.HOUSING_BORE,), "TM 5-3820-256-24-2 §7-1.4.1"),
    Characteristic.JOURNAL_SPREAD: ((C.GEARS,), "TM 5-3805-274-13&P"),
    Characteristic.PLATE_WEAR: ((), "TM 5-3820-256-24-2 §7-1.4.4"),
    Characteristic.SHAFT_DIAMETER: ((C.SHAFTS, C.SHAFT), "TM 10-3930-653-14&P"),
    Characteristic.OUTER_GEAR_TO_BODY: ((C.OUTER_GEAR,), _TRADE),
    Characteristic.RING_WEAR_STEP: ((C.CAM_RING,), _TRADE),
    Characteristic.SLIPPER_END_PLAY: ((C.PISTONS_AND_SHOES,), "TM 10-3930-660-34 p.16-133"),
}

# Damage of which the least is too much: on these parts (on any, where none are named), with source.
_NEVER_SLIGHT: dict[Word, tuple[tuple[C, ...], str]] = {
    Word.CRACKED: ((), _TRADE),
    Word.BROKEN: ((), _TRADE),
    Word.SEIZED: ((), _TRADE),
    Word.SEAL_TRACK_GROOVED: ((), _TRADE),
    Word.SHOE_ROLLED: ((), _TRADE),
    # No nail catches on a heat colour, yet the metal is no longer what it was.
    Word.HEAT_COLOUR: (
        (*_EVERY_PLATE, C.BUSHES, C.BEARINGS),
        f"TM 5-3820-256-24-2 ch. 7 for wear plates, page not confirmed; else {_TRADE}",
    ),
}
_TURN_OVER = Reason(
    "The cut-in is within its limit: if both ports are of one size, the body may be turned over "
    "and used once more. Record it, since it cannot be done twice.",
    "TM 5-3820-256-24-2 §7-1.4.1; TM 5-3895-349-14&P",
)
_BUSHES_DO_NOT_HELP = Reason(
    "New bushes alone may not bring the flow back: they hold the gears off the worn track.",
    "TM 5-3820-256-24-1 p.4-70",
)


def propose(
    *,
    family: PumpFamily,
    components: Collection[C] | None = None,
    verdicts: Iterable[tuple[Characteristic, C, Outcome]] = (),
    findings: Iterable[tuple[C, Word, int]] = (),
    body_replaceable: bool,
    printed_in: Mapping[tuple[Characteristic, C], str] | None = None,
) -> tuple[Proposal, ...]:
    """One proposal per component, in strip-down order, each with every reason and its source.

    `printed_in` says where the maker prints the limit of a check: the source of its verdict.
    `components` defaults to all of the family. Undecided checks raise nothing: ask
    undecided_checks what has to be settled or waived first.
    """
    wanted = COMPONENTS[family] if components is None else components
    drafts = {part: _Draft() for part in COMPONENTS[family] if part in wanted}
    for part in wanted:
        drafts.setdefault(part, _Draft())

    def to(part: C, disposition: Disposition, text: str, source: str) -> None:
        if part in drafts:
            drafts[part].raise_to(disposition, Reason(text, source))

    to(
        C.SEALS,
        Disposition.REPLACE,
        "A pump that was taken apart gets every seal new.",
        "TM 5-3820-256-24-2 §7-1.4.6; TM 5-3810-307-24-1-2",
    )
    verdicts, findings = tuple(verdicts), tuple(findings)
    for characteristic, part, outcome in verdicts:
        if outcome is Outcome.OUT:
            also, source = _ALSO.get(characteristic, ((), _TRADE))
            limit = (printed_in or {}).get((characteristic, part))
            if limit:
                source = limit if source == _TRADE else f"{limit}; {source}"
            for each in (part, *also):
                text = f"{characteristic.label} is out of limits."
                to(each, Disposition.REPLACE, text, source)
    for part, word, severity in findings:
        if word is Word.NO_DEFECT:
            continue  # says nothing for or against: the verdicts may still decide
        disposition, text, source = _from_finding(part, word, Severity(severity))
        if part in _PORTS and disposition.renews:
            # A port is no article that can be renewed: what it needs is another body.
            to(part, Disposition.REUSE, f"{text} The port is part of the body: see there.", source)
            for body in _BODIES:
                to(body, disposition, f"{part.label}: {text}", source)
        else:
            to(part, disposition, text, source)
    _follow_through(drafts, body_replaceable=body_replaceable)
    _note_on_the_body(drafts.get(C.HOUSING_BORE), verdicts, findings)
    return tuple(
        Proposal(part, draft.disposition, tuple(draft.reasons) or (_NOTHING_FOUND,))
        for part, draft in drafts.items()
    )


_NOTHING_FOUND = Reason("Nothing found against it.", _TRADE)


def _from_finding(part: C, word: Word, severity: Severity) -> tuple[Disposition, str, str]:
    seen = f"{word.label}, severity {severity.value}"
    if severity >= Severity.HEAVY:
        return Disposition.REPLACE, f"{seen}: replace.", _TRADE
    if word is Word.WRONG_WAY_ROUND:
        return (
            Disposition.REUSE,
            f"{seen}: fit it the right way; its wear is judged by itself.",
            WORDS[word].source,
        )
    if severity is Severity.LIGHT:
        if word is Word.SEAL_TRACK_GROOVED:
            return (
                Disposition.REPLACE,
                f"{seen}: never a new seal on a worn track.",
                WORDS[word].source,
            )
        if WORDS[word].dressable and part is not C.SEALS:
            return Disposition.DRESS, f"{seen}: can be dressed.", _TRADE
        return Disposition.REPLACE, f"{seen}: cannot be dressed away.", _TRADE
    parts, source = _NEVER_SLIGHT.get(word, ((), ""))
    if source and part in (parts or (part,)):
        return Disposition.REPLACE, f"{seen}: however slight, replace.", source
    return Disposition.REUSE, f"{seen}: may stay.", _TRADE


def _note_on_the_body(
    body: _Draft | None,
    verdicts: Iterable[tuple[Characteristic, C, Outcome]],
    findings: Iterable[tuple[C, Word, int]],
) -> None:
    """What the manuals say of a body whose track was measured; it decides nothing by itself."""
    if body is None:
        return
    cut_in = {
        outcome
        for characteristic, part, outcome in verdicts
        if (characteristic, part) == (Characteristic.CUT_IN_DEPTH, C.HOUSING_BORE)
    }
    marked = any(
        part is C.HOUSING_BORE and word is not Word.NO_DEFECT for part, word, _ in findings
    )
    if Outcome.OUT in cut_in:
        body.reasons.append(_BUSHES_DO_NOT_HELP)
    elif cut_in == {Outcome.WITHIN} and marked and body.disposition.rank < _RENEWED_FROM:
        body.reasons.append(_TURN_OVER)


def _follow_through(drafts: dict[C, _Draft], *, body_replaceable: bool) -> None:
    changed = True
    while changed:
        changed = False
        for rule in _FOLLOWS:
            if any(part in drafts and drafts[part].disposition.renews for part in rule.when):
                for part in rule.then:
                    if part in drafts:
                        changed |= drafts[part].raise_to(Disposition.REPLACE_SET, rule.reason)
        lost = [part for part in _BODIES if part in drafts and drafts[part].disposition.renews]
        if lost and not body_replaceable:
            reason = Reason(
                f"{lost[0].label} cannot be reused, and no body is to be had for this model.",
                _TRADE,
            )
            for draft in drafts.values():
                changed |= draft.raise_to(Disposition.SCRAP, reason)


def undecided_checks(
    verdicts: Iterable[tuple[Characteristic, C, Outcome]],
    waived: Collection[tuple[Characteristic, C]] = (),
) -> tuple[tuple[Characteristic, C], ...]:
    """The checks that hold up a decision: undecided, and not waived by name and reason."""
    return tuple(
        (characteristic, part)
        for characteristic, part, outcome in verdicts
        if outcome is Outcome.UNDECIDED and (characteristic, part) not in waived
    )
