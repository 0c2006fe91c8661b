"""One row of a limits sheet, and everything that can be wrong with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from fleet.faults import Fault
from fleet.units import LengthUnit, cross_check, show
from fleet.vocabulary import CHARACTERISTICS, Characteristic, Component

# Depth of a pocket less a gear and two plates takes four; more than six is a slip of the pen.
MOST_TERMS = 6


class JudgedBy(StrEnum):
    """How readings meet a limit."""

    EACH = "each"
    SPREAD = "spread"
    DIFFERENCE = "difference"
    LEAF_ENTERS = "leaf_enters"
    NOT_APPLICABLE = "not_applicable"

    @property
    def label(self) -> str:
        return _JUDGED_BY_LABELS[self]


_JUDGED_BY_LABELS = {
    JudgedBy.EACH: "Each position alone; the worst decides",
    JudgedBy.SPREAD: "Largest reading less smallest",
    JudgedBy.DIFFERENCE: "Computed: first reading less the others, at each position",
    JudgedBy.LEAF_ENTERS: "A leaf of the limit size that enters rejects",
    JudgedBy.NOT_APPLICABLE: "Not applicable to this design",
}


_USUAL_SPREADS = frozenset(
    {
        Characteristic.SIDE_OUT_OF_PARALLEL,
        Characteristic.GEAR_WIDTH_MATCH,
        Characteristic.JOURNAL_SPREAD,
        Characteristic.SHOE_THICKNESS_SPREAD,
        Characteristic.BLOCK_BORE_SPREAD,
        Characteristic.HOLD_DOWN_PIN_SPREAD,
    }
)


def usually_judged_by(characteristic: Characteristic) -> JudgedBy:
    """How the readings of a check usually meet its limit; a sheet may say otherwise.

    The leaf of the limit size that rejects a body: TM 5-3820-256-24-1 p.4-69.
    """
    if CHARACTERISTICS[characteristic].terms:
        return JudgedBy.DIFFERENCE
    if characteristic in _USUAL_SPREADS:
        return JudgedBy.SPREAD
    if characteristic is Characteristic.CUT_IN_DEPTH:
        return JudgedBy.LEAF_ENTERS
    return JudgedBy.EACH


@dataclass(frozen=True, slots=True)
class Limits:
    """The service limit in its governing unit. None means no limit on that side."""

    low: Decimal | None
    high: Decimal | None
    unit: LengthUnit

    def sentence(self, *, strict_high: bool = False) -> str:
        """The limit in words, such as "at most 0.15 mm" or "0.05 mm to 0.15 mm"."""
        if self.low is not None and self.high is not None:
            return f"{show(self.low, self.unit)} to {show(self.high, self.unit)}"
        if self.high is not None:
            return f"{'less than' if strict_high else 'at most'} {show(self.high, self.unit)}"
        if self.low is not None:
            return f"at least {show(self.low, self.unit)}"
        return "not set"


@dataclass(frozen=True, slots=True)
class LimitRow:
    """A row as typed from the maker's sheet.

    `new_low` and `new_high` are the as-new range, in the governing unit of `limits`. The `also_*`
    figures are what the sheet prints beside them in a second unit: checked, never judged by.
    `name` is that of a check of the site's own. `terms` names the readings of a difference, all
    others taken from the first, and `allowance`, in the governing unit, is added to it.
    `readings_from` is the check of the same component whose readings a spread is over.
    """

    characteristic: Characteristic
    component: Component
    judged_by: JudgedBy
    limits: Limits
    positions: tuple[str, ...] = ()
    new_low: Decimal | None = None
    new_high: Decimal | None = None
    also_unit: LengthUnit | None = None
    also_low: Decimal | None = None
    also_high: Decimal | None = None
    also_new_low: Decimal | None = None
    also_new_high: Decimal | None = None
    terms: tuple[str, ...] = ()
    not_applicable_reason: str = ""
    name: str = ""
    allowance: Decimal | None = None
    readings_from: Characteristic | None = None

    @property
    def label(self) -> str:
        return self.name or self.characteristic.label

    @property
    def key(self) -> tuple[Characteristic, Component, str]:
        """What stands once on a sheet."""
        return (self.characteristic, self.component, self.name.strip().casefold())


def formula(label: str, terms: Sequence[str], allowance: Decimal | None, unit: LengthUnit) -> str:
    """How a computed check comes about: "Side clearance = housing depth − gear width + 0.10 mm".

    allowance: in `unit`; None or nothing adds nothing. "" without `terms`.
    """
    if not terms:
        return ""
    sum_of = " − ".join(terms)
    if allowance:
        sign = "+" if allowance > 0 else "−"
        sum_of += f" {sign} {show(abs(allowance), unit)} allowance"
    return f"{label} = {sum_of}"


def check_row(row: LimitRow) -> list[Fault]:
    """Every fault of the row, with dotted field names as in LimitRow; empty when it can stand."""
    if row.judged_by is JudgedBy.NOT_APPLICABLE:
        return [*_name(row), *_not_applicable(row)]
    return [
        *_name(row),
        *_service_limit(row),
        *_as_new(row),
        *_positions(row),
        *_by_rule(row),
        *_second_unit(row),
    ]


def _name(row: LimitRow) -> list[Fault]:
    if row.characteristic is Characteristic.OWN and not row.name.strip():
        return [
            Fault(
                "Name this check as the maker's book does: it is none of the listed ones.",
                field="name",
                code="name_missing",
            )
        ]
    if row.characteristic is not Characteristic.OWN and row.name:
        return [
            Fault(
                f"{row.characteristic.label} has its name already. Leave the name empty, or choose "
                f"'{Characteristic.OWN.label}'.",
                field="name",
                code="name_not_own",
            )
        ]
    return []


def _not_applicable(row: LimitRow) -> list[Fault]:
    faults = []
    figures = (
        row.limits.low,
        row.limits.high,
        row.new_low,
        row.new_high,
        row.also_low,
        row.also_high,
        row.also_new_low,
        row.also_new_high,
    )
    if any(figure is not None for figure in figures):
        faults.append(
            Fault(
                f"{row.label} is marked not applicable but has figures. Take the "
                "figures out, or choose how it is judged.",
                field="judged_by",
                code="limit_not_applicable",
            )
        )
    for field, left in (
        ("terms", row.terms),
        ("allowance", row.allowance is not None),
        ("readings_from", row.readings_from),
    ):
        if left:
            faults.append(
                Fault(
                    f"{row.label} is marked not applicable, so nothing is computed for it. Leave "
                    "this empty.",
                    field=field,
                    code="limit_not_applicable",
                )
            )
    if not row.not_applicable_reason.strip():
        faults.append(
            Fault(
                f"Say why {row.label.lower()} does not apply to this design.",
                field="not_applicable_reason",
                code="reason_missing",
            )
        )
    return faults


def _service_limit(row: LimitRow) -> list[Fault]:
    low, high, unit = row.limits.low, row.limits.high, row.limits.unit
    name = row.label
    if low is None and high is None:
        return [
            Fault(
                f"{name} has no limit. Enter a lowest or a highest figure, or mark the check not "
                "applicable with a reason.",
                field="limits",
                code="limit_missing",
            )
        ]
    faults = []
    # A difference can be negative by design: a press fit, or a gear prouder than its pocket.
    if row.judged_by is not JudgedBy.DIFFERENCE:
        faults += [
            Fault(
                f"{name}: a limit of {show(figure, unit)} is negative, and only a difference of "
                "two readings can be. Enter it without its sign.",
                field=f"limits.{end}",
                code="limit_negative",
            )
            for end, figure in (("low", low), ("high", high))
            if figure is not None and figure < 0
        ]
    if low is not None and high is not None and low > high:
        faults.append(
            Fault(
                f"{name}: the lowest figure {show(low, unit)} is above the highest "
                f"{show(high, unit)}. Check both against the sheet.",
                field="limits",
                code="limit_contradictory",
            )
        )
    return faults


def _as_new(row: LimitRow) -> list[Fault]:
    unit, name = row.limits.unit, row.label
    faults = []
    if row.new_low is not None and row.new_high is not None and row.new_low > row.new_high:
        faults.append(
            Fault(
                f"{name}: the as-new range runs from {show(row.new_low, unit)} down to "
                f"{show(row.new_high, unit)}. Check both against the sheet.",
                field="new_low",
                code="as_new_contradictory",
            )
        )
    for end, figure in (("new_low", row.new_low), ("new_high", row.new_high)):
        if figure is None:
            continue
        if figure < 0 and row.judged_by is not JudgedBy.DIFFERENCE:
            faults.append(
                Fault(
                    f"{name}: the as-new figure {show(figure, unit)} is negative. Enter it "
                    "without its sign.",
                    field=end,
                    code="as_new_negative",
                )
            )
        below = row.limits.low is not None and figure < row.limits.low
        above = row.limits.high is not None and figure > row.limits.high
        if below or above:
            faults.append(
                Fault(
                    f"{name}: as new it may be {show(figure, unit)}, but the service limit is "
                    f"{row.limits.sentence()}. A new part would fail: check both figures.",
                    field=end,
                    code="as_new_outside_limit",
                )
            )
    return faults


def _positions(row: LimitRow) -> list[Fault]:
    name = row.label
    faults = []
    if not row.positions:
        faults.append(
            Fault(
                f"{name}: say where it is measured, with at least one position.",
                field="positions",
                code="positions_missing",
            )
        )
    repeated = sorted({place for place in row.positions if row.positions.count(place) > 1})
    if repeated:
        faults.append(
            Fault(
                f"{name}: {', '.join(repeated)} is named more than once. Name each position once.",
                field="positions",
                code="positions_repeated",
            )
        )
    if any(not place.strip() for place in row.positions):
        faults.append(
            Fault(
                f"{name}: a position has no name. Name it or take it out.",
                field="positions",
                code="position_unnamed",
            )
        )
    return faults


def _by_rule(row: LimitRow) -> list[Fault]:
    name, limits = row.label, row.limits
    faults = []
    if row.judged_by is JudgedBy.LEAF_ENTERS and (
        limits.low is not None or limits.high is None or limits.high <= 0
    ):
        faults.append(
            Fault(
                f"{name}: a leaf that rejects when it enters needs its one size. Enter it as the "
                "highest figure, above nothing, and leave the lowest empty.",
                field="limits",
                code="leaf_limit",
            )
        )
    if row.judged_by is JudgedBy.DIFFERENCE:
        faults += _computed(row)
    elif row.terms:
        faults.append(
            Fault(
                f"{name}: only a computed check has named readings. Take the names out, or judge "
                "it as computed.",
                field="terms",
                code="terms",
            )
        )
    if row.allowance is not None and row.judged_by is not JudgedBy.DIFFERENCE:
        faults.append(
            Fault(
                f"{name}: only a computed check has an allowance. Take it out.",
                field="allowance",
                code="allowance",
            )
        )
    if row.readings_from is not None and row.judged_by is not JudgedBy.SPREAD:
        faults.append(
            Fault(
                f"{name}: only a spread is taken over the readings of another check. Leave this "
                "empty, or judge it as the largest reading less the smallest.",
                field="readings_from",
                code="source",
            )
        )
    elif row.readings_from is row.characteristic:
        faults.append(
            Fault(
                f"{name}: it cannot be over its own readings. Leave this empty: then they are "
                "measured for it.",
                field="readings_from",
                code="source",
            )
        )
    if row.judged_by is JudgedBy.SPREAD:
        if limits.low is not None:
            faults.append(
                Fault(
                    f"{name}: a spread cannot be too small. Leave the lowest figure empty.",
                    field="limits.low",
                    code="spread_low",
                )
            )
        if len(set(row.positions)) == 1:
            faults.append(
                Fault(
                    f"{name}: a spread needs at least two positions.",
                    field="positions",
                    code="spread_positions",
                )
            )
    return faults


def _computed(row: LimitRow) -> list[Fault]:
    names = [term.strip().casefold() for term in row.terms]
    if not 2 <= len(names) <= MOST_TERMS or len(set(names)) < len(names) or not all(names):
        return [
            Fault(
                f"{row.label}: a computed check needs 2 to {MOST_TERMS} readings with different "
                "names, such as bore and journal.",
                field="terms",
                code="terms",
            )
        ]
    return []


def _second_unit(row: LimitRow) -> list[Fault]:
    pairs = (
        ("also_low", row.limits.low, row.also_low),
        ("also_high", row.limits.high, row.also_high),
        ("also_new_low", row.new_low, row.also_new_low),
        ("also_new_high", row.new_high, row.also_new_high),
    )
    if all(also is None for _, _, also in pairs):
        return []
    if row.also_unit is None or row.also_unit is row.limits.unit:
        return [
            Fault(
                f"{row.label}: say which other unit the second figures are printed in.",
                field="also_unit",
                code="second_unit",
            )
        ]
    faults = []
    for name, figure, also in pairs:
        if also is None:
            continue
        if figure is None:
            faults.append(
                Fault(
                    f"{row.label}: {show(also, row.also_unit)} has no figure "
                    f"beside it, in {row.limits.unit.label}. Enter that one, since it governs.",
                    field=name,
                    code="second_unit_alone",
                )
            )
            continue
        try:
            cross_check(figure, row.limits.unit, also, row.also_unit)
        except Fault as fault:
            faults.append(fault.at(name))
    return faults
