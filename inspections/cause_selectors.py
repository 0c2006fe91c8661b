"""Likely causes of what one inspection found, for its pages and the API."""

from __future__ import annotations

from dataclasses import dataclass

from fleet.vocabulary import Characteristic, Component, PumpFamily
from inspections.models import Finding, Inspection, Verdict
from inspections.rules.cause_signs import COMMON_PRACTICE
from inspections.rules.causes import LikelyCause, Seen, in_a_sentence, likely_causes
from inspections.rules.cautions import CLOSING
from inspections.rules.findings import Cause, Severity, Word
from inspections.rules.verdicts import Outcome


@dataclass(frozen=True)
class Causes:
    """The sentence, and each cause with its signs and what to check on the machine.

    `faint`: those with a single sign that has other causes too, unless there are no others.
    `common_practice`: the source of what stands in no book, which a page need not repeat.
    """

    sentence: str
    all: tuple[LikelyCause, ...]
    closing: str = CLOSING
    common_practice: str = COMMON_PRACTICE

    @property
    def likely(self) -> tuple[LikelyCause, ...]:
        return tuple(one for one in self.all if not one.is_faint) or self.all

    @property
    def faint(self) -> tuple[LikelyCause, ...]:
        return self.all[len(self.likely) :]


def causes_of(inspection: Inspection) -> Causes:
    """By today's rules, from the findings and verdicts as they stand. Two queries."""
    model = inspection.pump.model
    found = Finding.objects.filter(inspection=inspection).select_related("seen_by")
    verdicts = Verdict.objects.filter(inspection=inspection).select_related("line")
    causes = likely_causes(
        [
            Seen(
                Component(one.component),
                Word(one.word),
                Severity(one.severity),
                Cause(one.cause) if one.cause else None,
                str(one.seen_by) if one.cause else "",
            )
            for one in found
        ],
        [
            (Characteristic(v.line.characteristic), Component(v.line.component), Outcome(v.outcome))
            for v in verdicts
        ],
        PumpFamily(model.family),
        complaint=inspection.complaint,
        rated_pressure_bar=model.rated_pressure_bar,
    )
    return Causes(in_a_sentence(causes), causes)
