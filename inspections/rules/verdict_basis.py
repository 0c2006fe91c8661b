"""What a verdict is computed from, and the verdict itself: plain values, and their stored form."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

import numpy as np
import scipy

from fleet.decisions import DecisionRule, RuleKind
from fleet.faults import Fault
from fleet.limits import JudgedBy, Limits
from fleet.units import LengthUnit
from fleet.vocabulary import Characteristic
from inspections.rules.conformity import Outcome
from inspections.rules.intervals import Interval

# Raised when the rules change so that an old basis would be judged otherwise.
RULES_VERSION = 1


@dataclass(frozen=True, slots=True)
class PositionReading:
    """What was read at one position; `term` names it where several readings make a difference.

    `u`: its standard uncertainty in `unit`, None where it is not known.
    """

    position: str
    interval: Interval
    unit: LengthUnit
    term: str = ""
    u: float | None = None


@dataclass(frozen=True, slots=True)
class SheetReference:
    """Where the limit is printed: the maker's document and page, and our sheet revision."""

    document: str
    page: str
    sheet: str

    def __str__(self) -> str:
        page = f"page {self.page}" if self.page else ""
        return ", ".join(part for part in (self.sheet, self.document, page) if part)


@dataclass(frozen=True, slots=True)
class PositionVerdict:
    """`u` in `unit` and `probability` of meeting the limit: None where not known."""

    position: str
    outcome: Outcome
    interval: Interval
    unit: LengthUnit
    warning: str = ""
    u: float | None = None
    probability: float | None = None


@dataclass(frozen=True, slots=True)
class CheckVerdict:
    """The verdict of one check and what it rests on.

    `decided_interval` in `decided_unit` is what met the limit: the worst position's reading, its
    difference, or the spread; None while nothing is measured. `worst_position` is "" then.
    `probability` of meeting the limit is that of the worst position, None where not known; with
    no upper end it is a bound. `near_limit`: within, but most of the way from new is used up.
    `computed_from` is plain JSON, from which `recompute` gives the same verdict to the same bits.
    """

    outcome: Outcome
    sentence: str
    rule: str
    worst_position: str
    positions: tuple[PositionVerdict, ...]
    missing: tuple[str, ...]
    decided_interval: Interval | None
    decided_unit: LengthUnit | None
    warning: str = ""
    probability: float | None = None
    near_limit: bool = False
    computed_from: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Basis:
    """All that a verdict depends on; `allowance` and `as_new` are in the unit of the limits."""

    characteristic: Characteristic
    name: str
    noun: str
    judged_by: JudgedBy
    limits: Limits
    rule: DecisionRule
    readings: tuple[PositionReading, ...]
    positions: tuple[str, ...]
    terms: tuple[str, ...]
    allowance: Decimal
    as_new: tuple[Decimal | None, Decimal | None]
    source: SheetReference


def basis_as_json(basis: Basis) -> dict[str, Any]:
    """For storing: decimals as text with their digits, uncertainties as floats."""
    limits, rule, source = basis.limits, basis.rule, basis.source
    return {
        "characteristic": basis.characteristic.value,
        "name": basis.name,
        "noun": basis.noun,
        "judged_by": basis.judged_by.value,
        "limits": {
            "low": _text(limits.low),
            "high": _text(limits.high),
            "unit": limits.unit.value,
        },
        "rule": {
            "kind": rule.kind.value,
            "guard_z": str(rule.guard_z),
            "p_accept": str(rule.p_accept),
            "p_reject": str(rule.p_reject),
        },
        "readings": [_reading_as_json(reading) for reading in basis.readings],
        "positions": list(basis.positions),
        "terms": list(basis.terms),
        "allowance": str(basis.allowance),
        "as_new": {"low": _text(basis.as_new[0]), "high": _text(basis.as_new[1])},
        "source": {"document": source.document, "page": source.page, "sheet": source.sheet},
        "versions": {
            "rules": RULES_VERSION,
            "numpy": np.__version__,
            "scipy": scipy.__version__,
        },
    }


def basis_from_json(stored: Mapping[str, Any]) -> Basis:
    """The inverse of basis_as_json.

    Raises Fault "rules_version" for a basis that other rules made.
    """
    version = stored["versions"]["rules"]
    if version != RULES_VERSION:
        raise Fault(
            f"This verdict was made by version {version} of the rules, and these are version "
            f"{RULES_VERSION}. Judge the inspection again instead.",
            code="rules_version",
        )
    limits, rule = stored["limits"], stored["rule"]
    return Basis(
        characteristic=Characteristic(stored["characteristic"]),
        name=stored["name"],
        noun=stored["noun"],
        judged_by=JudgedBy(stored["judged_by"]),
        limits=Limits(_figure(limits["low"]), _figure(limits["high"]), LengthUnit(limits["unit"])),
        rule=DecisionRule(
            RuleKind(rule["kind"]),
            Decimal(rule["guard_z"]),
            Decimal(rule["p_accept"]),
            Decimal(rule["p_reject"]),
        ),
        readings=tuple(_reading_from_json(each) for each in stored["readings"]),
        positions=tuple(stored["positions"]),
        terms=tuple(stored["terms"]),
        allowance=Decimal(stored["allowance"]),
        as_new=(_figure(stored["as_new"]["low"]), _figure(stored["as_new"]["high"])),
        source=SheetReference(**stored["source"]),
    )


def _reading_as_json(reading: PositionReading) -> dict[str, Any]:
    interval = reading.interval
    return {
        "position": reading.position,
        "term": reading.term,
        "low": _text(interval.low),
        "high": _text(interval.high),
        "low_closed": interval.low_closed,
        "high_closed": interval.high_closed,
        "unit": reading.unit.value,
        "u": reading.u,
    }


def _reading_from_json(stored: Mapping[str, Any]) -> PositionReading:
    interval = Interval(
        Decimal(stored["low"]), _figure(stored["high"]), stored["low_closed"], stored["high_closed"]
    )
    return PositionReading(
        stored["position"], interval, LengthUnit(stored["unit"]), stored["term"], stored["u"]
    )


def _text(figure: Decimal | None) -> str | None:
    return None if figure is None else str(figure)


def _figure(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)
