"""A seeded model of how pumps wear, and of how a gauge would find it. Invented: for the demo only.

Wear runs straight with hours from new towards the limit, each pump and check at its own pace. What
is read is never the true figure but what real leaves or an instrument's steps make of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal
from random import Random

from fleet.limits import JudgedBy
from fleet.models import SheetLine
from fleet.units import LengthUnit, convert
from inspections.rules.leaves import Feel, Try

_MICROMETRE = Decimal("0.001")
_BORE_MM = Decimal("20.000")
_WORST = 1.25


@dataclass
class Wear:
    """One pump: hours a day, its pace, and at how many hours each component was renewed."""

    hours_a_day: float
    life_h: float
    pace: dict[int, float] = field(default_factory=dict)
    renewed_at_h: dict[str, float] = field(default_factory=dict)

    def fraction(self, line: SheetLine, hours: float, dice: Random) -> float:
        """How much of the way from new to the limit is gone; above 1 it is out of limits."""
        if line.pk not in self.pace:
            # One check leads on each model, the others follow at their own pace.
            leading = line.order <= 1 or line.judged_by == JudgedBy.NOT_APPLICABLE.value
            self.pace[line.pk] = dice.uniform(0.85, 1.1) if leading else dice.uniform(0.3, 0.85)
        since = hours - self.renewed_at_h.get(line.component, 0.0)
        # A pump that far gone is noticed on its machine before anybody opens it.
        return min(0.08 + 0.92 * self.pace[line.pk] * since / self.life_h, _WORST)


def true_mm(line: SheetLine, fraction: float, dice: Random) -> Decimal:
    """The figure at one position, in mm, to the micrometre; positions differ a little."""
    unit = LengthUnit(line.unit)

    def mm(value: Decimal) -> float:
        return float(convert(value, unit, LengthUnit.MM))

    here = fraction * dice.uniform(0.94, 1.0)
    if line.limit_high is not None:
        limit = mm(line.limit_high)
        new = mm(line.new_low) if line.new_low is not None else 0.15 * limit
        if line.new_low is not None and line.new_high is not None:
            new = (mm(line.new_low) + mm(line.new_high)) / 2
        value = new + here * (limit - new)
    else:
        limit = mm(line.limit_low or Decimal(0))
        new = mm(line.new_high) if line.new_high is not None else limit * 1.01
        value = new - here * (new - limit)
    return Decimal(max(value, 0.0)).quantize(_MICROMETRE, ROUND_HALF_UP)


def leaves_for(gap_mm: Decimal, leaves: Sequence[Decimal], unit: LengthUnit) -> list[Try]:
    """The thickest leaf that enters and the thinnest that does not, with how the first felt."""
    inside = [leaf for leaf in leaves if convert(leaf, unit, LengthUnit.MM) <= gap_mm]
    outside = [leaf for leaf in leaves if leaf not in inside]
    tries = []
    if inside:
        room = gap_mm - convert(max(inside), unit, LengthUnit.MM)
        feel = Feel.DRAG if room < Decimal("0.01") else Feel.FREE
        tries.append(Try((max(inside),), feel))
    if outside:
        tries.append(Try((min(outside),), Feel.REFUSES))
    return tries


def try_stack(gap_mm: Decimal, leaves: Sequence[Decimal], unit: LengthUnit) -> Try:
    """Two leaves laid together, as they would go into this gap."""
    thickness = sum((convert(leaf, unit, LengthUnit.MM) for leaf in leaves), Decimal(0))
    return Try(tuple(leaves), Feel.DRAG if thickness <= gap_mm else Feel.REFUSES)


def figures_for(line: SheetLine, clearance_mm: Decimal) -> dict[str, Decimal]:
    """The figures of which the first less all others, and the allowance, is the clearance."""
    others = [_BORE_MM / (number + 1) for number in range(len(line.terms) - 1)]
    allowance = convert(line.allowance or Decimal(0), LengthUnit(line.unit), LengthUnit.MM)
    first = sum(others, clearance_mm - allowance)
    return dict(zip(line.terms, (first, *others), strict=True))


def spread_for(apart_mm: Decimal, place: int, of: int) -> Decimal:
    """Figures over `of` positions that lie `apart_mm` apart in all."""
    return _BORE_MM + (apart_mm if place == of - 1 else Decimal(0))
