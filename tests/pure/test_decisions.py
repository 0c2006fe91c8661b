"""Decision rules: what they are called, what they say, and which figures they take."""

from decimal import Decimal as D

import pytest

from fleet.decisions import SIMPLE, DecisionRule, RuleKind, check_rule

GUARDED, PROBABILITY = RuleKind.GUARDED, RuleKind.PROBABILITY


def test_the_kinds_are_stored_and_said():
    assert {kind.value: kind.label for kind in RuleKind} == {
        "simple": "Simple acceptance: the reading as it stands",
        "guarded": "Guarded acceptance: the limit narrowed by the uncertainty",
        "probability": "A required probability of conformity",
    }


def test_what_stands_where_nothing_is_chosen():
    # One-sided 95 % of a normal distribution is 1.645 standard uncertainties.
    assert DecisionRule() == SIMPLE
    assert DecisionRule(RuleKind.SIMPLE, D("1.645"), D("0.95"), D("0.05")) == SIMPLE


def test_a_rule_says_what_it_does():
    assert SIMPLE.sentence() == "simple acceptance, no guard"
    assert DecisionRule(GUARDED, guard_z=D("2.00")).sentence() == (
        "guarded acceptance, guard 2 standard uncertainties"
    )
    assert DecisionRule(PROBABILITY, p_accept=D("0.975"), p_reject=D("0.10")).sentence() == (
        "within from a probability of conformity of 97.5 % on, out at 10 % and below"
    )


def test_only_simple_acceptance_does_without_the_uncertainty():
    needing = {kind: DecisionRule(kind).needs_uncertainty for kind in RuleKind}
    assert needing == {RuleKind.SIMPLE: False, GUARDED: True, PROBABILITY: True}


Z = "Enter the guard as a number of standard uncertainties, above 0 and at most 5, such as 1.645."
ACCEPT = "Enter the probability that accepts between 0.5 and 1, such as 0.95."
REJECT = "Enter the probability that rejects between 0 and 0.5, such as 0.05."


@pytest.mark.parametrize(
    ("rule", "faults"),
    [
        (SIMPLE, []),
        (DecisionRule(GUARDED, guard_z=D("0.001")), []),
        (DecisionRule(GUARDED, guard_z=D(5)), []),
        (DecisionRule(GUARDED, guard_z=D(0)), [("guard_z", Z)]),
        (DecisionRule(GUARDED, guard_z=D("5.001")), [("guard_z", Z)]),
        (DecisionRule(PROBABILITY, p_accept=D("0.501"), p_reject=D("0.499")), []),
        (DecisionRule(PROBABILITY, p_accept=D("0.999"), p_reject=D("0.001")), []),
        (DecisionRule(PROBABILITY, p_accept=D("0.5")), [("p_accept", ACCEPT)]),
        (DecisionRule(PROBABILITY, p_accept=D(1)), [("p_accept", ACCEPT)]),
        (DecisionRule(PROBABILITY, p_reject=D("0.5")), [("p_reject", REJECT)]),
        (DecisionRule(PROBABILITY, p_reject=D(0)), [("p_reject", REJECT)]),
        (
            DecisionRule(PROBABILITY, p_accept=D(0), p_reject=D(1)),
            [("p_accept", ACCEPT), ("p_reject", REJECT)],
        ),
        # Figures of another kind do not count.
        (DecisionRule(RuleKind.SIMPLE, D(9), D(9), D(9)), []),
        (DecisionRule(GUARDED, D(2), D(9), D(9)), []),
        (DecisionRule(PROBABILITY, D(9)), []),
    ],
)
def test_the_figures_of_a_rule(rule, faults):
    found = check_rule(rule)
    assert [(fault.field, fault.detail) for fault in found] == faults
    assert all(fault.code == "out_of_range" for fault in found)
