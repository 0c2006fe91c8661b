"""What a verdict was computed from, and judging it again to the same bits."""

import json
from decimal import Decimal as D

import numpy as np
import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from fleet.decisions import DecisionRule, RuleKind
from fleet.faults import Fault
from fleet.limits import JudgedBy, Limits
from fleet.units import LengthUnit
from fleet.vocabulary import Characteristic as Ch
from inspections.rules.intervals import Interval
from inspections.rules.verdicts import (
    PositionReading,
    SheetReference,
    judge_check,
    recompute,
)
from tests.pure.verdict_samples import (
    BORE,
    INCH,
    MM,
    SOURCE,
    WITHIN,
    at_most,
    check,
    value,
)


def test_a_check_of_the_sites_own_has_its_own_name():
    verdict = check(
        [value("a", "0.1")], limits=at_most("0.15"), name="Cover step", noun="step", what=Ch.OWN
    )
    assert verdict.sentence.startswith("Cover step, a: the step is 0.1 mm;")
    nothing = check([], limits=at_most("0.15"), name="Cover step", positions=["a"], what=Ch.OWN)
    assert nothing.sentence.startswith("Cover step: nothing is measured")
    for by, code in (
        (JudgedBy.NOT_APPLICABLE, "not_applicable"),
        (JudgedBy.EACH, "positions_missing"),
    ):
        with pytest.raises(Fault, match="Cover step") as refused:
            judge_check(
                characteristic=Ch.OWN, judged_by=by, limits=at_most("1"), readings=[],
                positions=[], source=SOURCE, name="Cover step",
            )  # fmt: skip
        assert refused.value.code == code


def test_all_that_a_verdict_was_computed_from():
    rule = DecisionRule(RuleKind.GUARDED, guard_z=D("2.00"))
    verdict = check(
        [PositionReading("a", Interval(D("5.0"), D("5.10"), False, True), MM, "bore", 0.01),
         value("a", "4.90", None, INCH, "journal")],
        limits=Limits(D("0.050"), D("0.15"), MM), rule=rule, allowance=D("0.10"),
        as_new=(None, D("0.06")), **BORE,
    )  # fmt: skip
    assert verdict.computed_from == {
        "characteristic": "shaft_to_bush",
        "name": "Shaft to bush",
        "noun": "clearance",
        "judged_by": "difference",
        "limits": {"low": "0.050", "high": "0.15", "unit": "mm"},
        "rule": {"kind": "guarded", "guard_z": "2.00", "p_accept": "0.95", "p_reject": "0.05"},
        "readings": [
            {
                "position": "a", "term": "bore", "low": "5.0", "high": "5.10",
                "low_closed": False, "high_closed": True, "unit": "mm", "u": 0.01,
            },
            {
                "position": "a", "term": "journal", "low": "4.90", "high": "4.90",
                "low_closed": True, "high_closed": True, "unit": "in", "u": None,
            },
        ],
        "positions": ["a"],
        "terms": ["bore", "journal"],
        "allowance": "0.10",
        "as_new": {"low": None, "high": "0.06"},
        "source": {"document": "GP-40 service manual", "page": "14", "sheet": "Sheet B"},
        "versions": {"rules": 1, "numpy": np.__version__, "scipy": scipy.__version__},
    }  # fmt: skip
    assert recompute(verdict.computed_from) == verdict


def test_a_basis_of_other_rules_is_refused():
    stored = check([value("a", "0.1")], limits=at_most("1")).computed_from
    other = {**stored, "versions": {**stored["versions"], "rules": 0}}
    with pytest.raises(Fault) as refused:
        recompute(other)
    assert str(refused.value) == (
        "This verdict was made by version 0 of the rules, and these are version 1. "
        "Judge the inspection again instead."
    )
    assert refused.value.code == "rules_version"


def test_a_source_is_named_without_what_it_lacks():
    assert str(SOURCE) == "Sheet B, GP-40 service manual, page 14"
    assert str(SheetReference(document="Manual", page="", sheet="B")) == "B, Manual"
    assert str(SheetReference(document="", page="3", sheet="B")) == "B, page 3"


fine = st.decimals(0, 2, places=6, allow_nan=False)


@st.composite
def whole_checks(draw):
    by = draw(st.sampled_from([
        JudgedBy.EACH, JudgedBy.SPREAD, JudgedBy.DIFFERENCE, JudgedBy.LEAF_ENTERS,
    ]))  # fmt: skip
    terms = ("",)
    if by is JudgedBy.DIFFERENCE:
        terms = tuple("abcdef"[: draw(st.integers(2, 6))])
    positions = ["p", "q", "r"][: draw(st.integers(1, 3))]
    readings = []
    for place in positions:
        for term in terms:
            if draw(st.integers(0, 9)) == 0:
                continue
            low, width = draw(fine), draw(st.just(D(0)) | fine)
            interval = Interval(low, low + width, True, width == 0)
            unit = draw(st.sampled_from(LengthUnit))
            u = draw(st.none() | st.floats(0, 0.5))
            readings.append(PositionReading(place, interval, unit, term, u))
    low = None if by in (JudgedBy.SPREAD, JudgedBy.LEAF_ENTERS) else draw(st.none() | fine)
    high = (low or D(0)) + draw(fine)
    limits = Limits(low, high, draw(st.sampled_from(LengthUnit)))
    rule = draw(st.sampled_from(RuleKind)), draw(st.decimals("0.1", 3, places=3))
    return {
        "characteristic": Ch.OWN, "judged_by": by, "limits": limits,
        "readings": readings, "positions": positions, "source": SOURCE,
        "terms": terms if by is JudgedBy.DIFFERENCE else (),
        "rule": DecisionRule(rule[0], guard_z=rule[1]),
        "allowance": draw(st.just(D(0)) | fine), "as_new": (draw(st.none() | fine), None),
        "name": "Own", "noun": draw(st.sampled_from(["gap", ""])),
    }  # fmt: skip


@given(whole_checks())
def test_a_verdict_is_recomputed_to_the_same_bits(arguments):
    verdict = judge_check(**arguments)
    again = recompute(json.loads(json.dumps(verdict.computed_from)))
    assert again == verdict
    assert repr(again) == repr(verdict)
    if verdict.probability is not None:
        assert verdict.probability.hex() == again.probability.hex()
    assert verdict.near_limit <= (verdict.outcome is WITHIN)
    assert "100 %" not in verdict.sentence
    assert "is 0 %" not in verdict.sentence
