"""Checks, readings and rules that the tests of verdicts are written with."""

import math
from decimal import Decimal as D

from fleet.decisions import SIMPLE, DecisionRule, RuleKind
from fleet.limits import JudgedBy, Limits
from fleet.units import LengthUnit
from fleet.vocabulary import Characteristic as Ch
from inspections.rules.conformity import judge_many
from inspections.rules.intervals import Interval, exact
from inspections.rules.verdicts import Outcome, PositionReading, SheetReference, judge_check

MM, UM, INCH, THOU = LengthUnit.MM, LengthUnit.UM, LengthUnit.INCH, LengthUnit.THOU
WITHIN, OUT, UNDECIDED = Outcome.WITHIN, Outcome.OUT, Outcome.UNDECIDED
SOURCE = SheetReference(document="GP-40 service manual", page="14", sheet="Sheet B")
GUARDED = DecisionRule(RuleKind.GUARDED)
LIKELY = DecisionRule(RuleKind.PROBABILITY)
RULES = (SIMPLE, GUARDED, LIKELY)
BORE = {"by": JudgedBy.DIFFERENCE, "what": Ch.SHAFT_TO_BUSH, "terms": ("bore", "journal")}


def check(
    readings, *, limits, rule=SIMPLE, by=JudgedBy.EACH, positions=None, what=Ch.SIDE_CLEARANCE,
    terms=(), **more,
):  # fmt: skip
    return judge_check(
        characteristic=what,
        judged_by=by,
        limits=limits,
        readings=readings,
        positions=positions or list(dict.fromkeys(r.position for r in readings)),
        source=SOURCE,
        terms=terms,
        rule=rule,
        **more,
    )


def at_most(high, unit=MM):
    return Limits(None, D(high), unit)


def feeler(position, low, high, u=None, unit=MM):
    return PositionReading(position, Interval(D(low), None if high is None else D(high)), unit, u=u)


def value(position, text, u=None, unit=MM, term=""):
    return PositionReading(position, exact(D(text)), unit, term, u)


def judged(
    low, high, limit_low, limit_high, rule, u=math.nan, low_closed=True, high_closed=None, **more
):
    """Outcome and probability of one interval; the ends of a figure belong to it."""
    result = judge_many(
        low=low, high=high, low_closed=low_closed,
        high_closed=low == high if high_closed is None else high_closed,
        u=u, limit_low=limit_low, limit_high=limit_high, rule=rule, **more,
    )  # fmt: skip
    return int(result.codes), float(result.probability)
