"""Lengths as printed and as judged: four units, decimal figures, exact comparison.

A figure keeps the digits it was printed with, because they say how far it was rounded: 0.15 mm
stands for 0.145 to 0.155 mm, 0.150 mm for 0.1495 to 0.1505 mm. Nothing here rounds a figure that
is compared with a limit; only what is shown to people may be shortened, and then it says so.
"""

from __future__ import annotations

import re
from decimal import Context, Decimal, Inexact, localcontext
from enum import StrEnum
from fractions import Fraction

from fleet.faults import Fault


class LengthUnit(StrEnum):
    """The units a workshop drawing, limits sheet or leaf is marked in. 1 in = 25.4 mm exactly."""

    MM = "mm"
    UM = "um"
    INCH = "in"
    THOU = "thou"

    @property
    def label(self) -> str:
        return "µm" if self is LengthUnit.UM else self.value


IN_MM: dict[LengthUnit, Decimal] = {
    LengthUnit.MM: Decimal(1),
    LengthUnit.UM: Decimal("0.001"),
    LengthUnit.INCH: Decimal("25.4"),
    LengthUnit.THOU: Decimal("0.0254"),
}

# Decimal places past which a converted figure is of no use on a bench; shown only.
_SHOWN_PLACES = {
    LengthUnit.MM: 4,
    LengthUnit.UM: 1,
    LengthUnit.INCH: 5,
    LengthUnit.THOU: 2,
}

# Product of three exact definitions: pound 0.45359237 kg, standard gravity 9.80665 m/s2, inch.
NM_PER_LBF_IN = Decimal("0.45359237") * Decimal("9.80665") * Decimal("0.0254")

_FIGURE = re.compile(r"([+-]?)([0-9]{0,6})(?:[.,]([0-9]{1,6}))?", re.ASCII)
_MINUS_SIGNS = str.maketrans({"−": "-", "–": "-"})


def parse_length(text: str, *, signed: bool = False) -> Decimal:
    """A typed or printed figure as a Decimal, with its printed digits kept.

    Point and comma both mark decimals ("0,127"). At most six figures each side of the mark.
    Raises Fault (code "not_a_length", "negative_length" or "empty") on anything else.
    """
    typed = text.strip().translate(_MINUS_SIGNS)
    if not typed:
        raise Fault("Enter a figure, such as 0.15.", code="empty")
    match = _FIGURE.fullmatch(typed)
    if match is None or not (match[2] or match[3]):
        raise Fault(
            f"'{text.strip()[:40]}' is not a length. Enter plain figures with at most one decimal "
            "mark, such as 0.15 or 0,15, and at most six figures each side of it.",
            code="not_a_length",
        )
    sign, whole, decimals = match.groups()
    if sign == "-" and not signed:
        raise Fault(
            f"{typed} is negative, and this cannot be. Enter the figure without its sign.",
            code="negative_length",
        )
    figure = f"{whole or '0'}.{decimals}" if decimals else whole
    return Decimal(f"-{figure}" if sign == "-" else figure)


def as_fraction_mm(value: Decimal, unit: LengthUnit) -> Fraction:
    """The length in millimetres as an exact fraction, for comparing across units."""
    return Fraction(value) * Fraction(IN_MM[unit])


def convert(value: Decimal, unit: LengthUnit, to: LengthUnit) -> Decimal:
    """The same length in another unit.

    Exact whenever the result ends, which it always does towards mm and µm. From metric to inches
    it may not end (1 mm = 5/127 in); it then carries 28 figures and is for showing only: judge
    with as_fraction_mm, which never rounds.
    """
    if unit is to:
        return value
    numerator, denominator = (as_fraction_mm(value, unit) / Fraction(IN_MM[to])).as_integer_ratio()
    with localcontext(Context(prec=60)) as context:
        quotient = Decimal(numerator) / Decimal(denominator)
        if not context.flags[Inexact]:
            return quotient
    with localcontext(Context(prec=28)):
        return Decimal(numerator) / Decimal(denominator)


def show(value: Decimal, unit: LengthUnit, in_unit: LengthUnit | None = None) -> str:
    """A length for people, with its unit: "0.15 mm", "0.005 in".

    Its own digits are kept in its own unit. In another unit a figure that had to be shortened
    starts with "about".
    """
    to = in_unit or unit
    if to is unit:
        return f"{value:f} {unit.label}"
    exact = convert(value, unit, to)
    shortened = round(exact, _SHOWN_PLACES[to])
    about = "" if shortened == exact else "about "
    digits = f"{shortened:f}".rstrip("0").rstrip(".")
    return f"{about}{digits} {to.label}"


def _rounding_range(value: Decimal, unit: LengthUnit) -> tuple[Fraction, Fraction]:
    exponent = value.as_tuple().exponent
    if not isinstance(exponent, int):
        raise Fault("Enter a figure, such as 0.15.", code="not_a_length")
    half_last_digit = Fraction(10) ** exponent / 2
    scale = Fraction(IN_MM[unit])
    middle = Fraction(value)
    return (middle - half_last_digit) * scale, (middle + half_last_digit) * scale


def cross_check(value: Decimal, unit: LengthUnit, also: Decimal, also_unit: LengthUnit) -> None:
    """Refuse two printed figures that cannot both be roundings of one length.

    Each stands for half a unit of its last printed digit either way; they agree when those
    ranges meet. Printed manuals do get this wrong ("0.007 in (0.018 mm)", TM 5-3810-307-24-1-2).
    Pass the figures with the digits they were printed with. Raises Fault "units_disagree".
    """
    low, high = _rounding_range(value, unit)
    also_low, also_high = _rounding_range(also, also_unit)
    if low <= also_high and also_low <= high:
        return
    raise Fault(
        f"{show(value, unit)} and {show(also, also_unit)} are not the same length: "
        f"{show(value, unit)} is {show(value, unit, also_unit)}, not {show(also, also_unit)}. "
        "Look at the printed page again, and enter only the figure that the maker governs by.",
        code="units_disagree",
    )


def newton_metres(lbf_in: Decimal) -> Decimal:
    """A torque in lbf·in as N·m, unrounded (1 lbf·in = 0.112985 N·m to six figures)."""
    return lbf_in * NM_PER_LBF_IN
