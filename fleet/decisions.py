"""How a reading with its uncertainty is judged: the decision rule that a limit sheet carries.

Simple acceptance takes no account of the uncertainty. Guarded acceptance (ISO 14253-1) keeps a
guard of z standard uncertainties on both sides of each limit: proving within and proving out both
cost it. A required probability of conformity (JCGM 106:2012, clause 7) asks how likely the true
length meets the limits.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from fleet.faults import Fault


class RuleKind(StrEnum):
    SIMPLE = "simple"
    GUARDED = "guarded"
    PROBABILITY = "probability"

    @property
    def label(self) -> str:
        return _LABELS[self]


_LABELS = {
    RuleKind.SIMPLE: "Simple acceptance: the reading as it stands",
    RuleKind.GUARDED: "Guarded acceptance: the limit narrowed by the uncertainty",
    RuleKind.PROBABILITY: "A required probability of conformity",
}

# One-sided 95 % of a normal distribution: ISO 14253-1:2017 works from a 95 % probability of
# conformity, earlier editions from the expanded uncertainty, k = 2 (both from memory).
DEFAULT_GUARD_Z = Decimal("1.645")
DEFAULT_P_ACCEPT = Decimal("0.95")
DEFAULT_P_REJECT = Decimal("0.05")


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """`guard_z`: guard in standard uncertainties. `p_accept`, `p_reject`: probabilities of
    conformity from which on, and down to which, a verdict falls. Only those of its kind count."""

    kind: RuleKind = RuleKind.SIMPLE
    guard_z: Decimal = DEFAULT_GUARD_Z
    p_accept: Decimal = DEFAULT_P_ACCEPT
    p_reject: Decimal = DEFAULT_P_REJECT

    @property
    def needs_uncertainty(self) -> bool:
        return self.kind is not RuleKind.SIMPLE

    def sentence(self) -> str:
        if self.kind is RuleKind.GUARDED:
            return f"guarded acceptance, guard {_plain(self.guard_z)} standard uncertainties"
        if self.kind is RuleKind.PROBABILITY:
            return (
                f"within from a probability of conformity of {_percent(self.p_accept)} on, out at "
                f"{_percent(self.p_reject)} and below"
            )
        return "simple acceptance, no guard"


SIMPLE = DecisionRule()


def check_rule(rule: DecisionRule) -> list[Fault]:
    """Every fault of the rule's parameters, with their field names; empty when it can stand."""
    faults = []
    if rule.kind is RuleKind.GUARDED and not Decimal(0) < rule.guard_z <= 5:
        faults.append(
            Fault(
                "Enter the guard as a number of standard uncertainties, above 0 and at most 5, "
                f"such as {_plain(DEFAULT_GUARD_Z)}.",
                field="guard_z",
                code="out_of_range",
            )
        )
    if rule.kind is RuleKind.PROBABILITY:
        half = Decimal("0.5")
        if not half < rule.p_accept < 1:
            faults.append(
                Fault(
                    "Enter the probability that accepts between 0.5 and 1, such as 0.95.",
                    field="p_accept",
                    code="out_of_range",
                )
            )
        if not Decimal(0) < rule.p_reject < half:
            faults.append(
                Fault(
                    "Enter the probability that rejects between 0 and 0.5, such as 0.05.",
                    field="p_reject",
                    code="out_of_range",
                )
            )
    return faults


def _plain(value: Decimal) -> str:
    return f"{value.normalize():f}"


def _percent(value: Decimal) -> str:
    return f"{_plain(value * 100)} %"
