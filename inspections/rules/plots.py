"""Verdicts drawn as the measurement itself: the limit as a tick, the reading as a bar.

A bar runs from the thickest leaf that enters to the thinnest leaf that does not; an exact value is
a dot, with its uncertainty as whiskers. Colour only repeats what the positions say, so the drawing
survives a black-and-white printer. Every length handed to one call is in one unit, chosen by the
caller. Looks are left to classes in the style sheets; the text is escaped here.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from html import escape
from typing import Literal

# Where the ticks of the small drawing always stand, as parts of the width: rows of a table can then
# be compared at a glance.
_TICK_SINGLE = Decimal("0.5")
_TICKS_RANGE = (Decimal("0.3"), Decimal("0.7"))

# A reading that deviates from its only limit by less than this part of it (a plate thickness, a
# journal) would vanish on a scale that begins at zero.
_ZOOM_BELOW = Decimal("0.15")
_ZOOMED_DEVIATION = Decimal("0.3")

# Least distance in px between a tick and an end that is not equal to it.
_CLEAR_OF_TICK = Decimal(4)

_OUTCOME = re.compile(r"[a-z][a-z0-9_-]*")

Feel = Literal["enters", "drag", "refuses"]


@dataclass(frozen=True, slots=True)
class LeafMark:
    """A leaf (or a stack, by its sum) that was tried, and how it felt."""

    size: Decimal
    feel: Feel
    label: str = ""


def verdict_svg(
    *,
    low: Decimal | None,
    high: Decimal | None,
    exact: bool,
    limit_low: Decimal | None,
    limit_high: Decimal | None,
    outcome: str,
    title: str,
    width: int = 72,
    height: int = 16,
) -> str:
    """The sign of a verdict, about 72 x 16 px, as safe SVG text.

    low, high: the bracket, both in the unit of the limits. high None: the gap is open upwards (no
    leaf refused). low None: not measured, only the ticks are drawn. exact: low is a measured value,
    or low and high are the ends of its uncertainty. outcome: a word for the class name only, such
    as "within", "out", "undecided"; it never moves the drawing. Raises ValueError for an outcome
    that cannot be a class name and for ends that are the wrong way round.
    """
    name = _class_name(outcome)
    _check_order(low, high, limit_low, limit_high)
    scale = _small_scale(low, high, limit_low, limit_high, Decimal(width))
    middle = Decimal(height) / 2
    parts = [_baseline("verdict-plot", scale, middle, Decimal(width))]
    if low is not None:
        parts.append(_reading("verdict-plot", scale, low, high, exact, middle, Decimal(width), 4))
    parts += [
        _line("verdict-plot__tick", x, Decimal(1), x, Decimal(height - 1)) for x, _ in scale.ticks
    ]
    return _svg("verdict-plot", name, width, height, title, parts)


def bracket_svg(
    *,
    low: Decimal | None,
    high: Decimal | None,
    exact: bool,
    limit_low: Decimal | None,
    limit_high: Decimal | None,
    outcome: str,
    title: str,
    unit: str,
    leaves: Sequence[LeafMark] = (),
    width: int = 560,
    height: int = 96,
) -> str:
    """The running bracket at the bench: figures at the ticks and ends, a sign per leaf tried.

    Same meaning and errors as verdict_svg. A leaf that entered is a filled disc, one that dragged a
    diamond, one that refused a cross. unit: shown once, behind the axis.
    """
    name = _class_name(outcome)
    _check_order(low, high, limit_low, limit_high)
    limits = [x for x in (limit_low, limit_high) if x is not None]
    ends = [x for x in (low, high) if x is not None]
    scale = _wide_scale(limits, ends, [leaf.size for leaf in leaves], Decimal(width - 52))
    middle = Decimal(height) / 2
    right = Decimal(width - 52)
    parts = [_baseline("bracket-plot", scale, middle, right)]
    if scale.zero is not None:
        parts.append(_line("bracket-plot__zero", scale.zero, middle - 5, scale.zero, middle + 5))
        parts.append(_text("bracket-plot__figure", scale.zero, middle + 30, "0"))
    if low is not None:
        parts.append(_reading("bracket-plot", scale, low, high, exact, middle, right, 9))
    parts += [_line("bracket-plot__tick", x, middle - 20, x, middle + 14) for x, _ in scale.ticks]
    parts += [_leaf(mark, scale.at(mark.size), middle) for mark in leaves]
    words = {limit_low: "min", limit_high: "max"}
    limit_figures = [(x, f"{words[value]} {value}") for x, value in scale.ticks]
    parts += [
        _text("bracket-plot__limit", x, Decimal(18), text)
        for x, text in _spread(limit_figures, Decimal(122), right)
    ]
    end_figures = [(scale.at(x), str(x)) for x in sorted(set(ends))]
    if scale.zero is not None:
        end_figures = [(x, text) for x, text in end_figures if x > scale.zero]
    parts += [
        _text("bracket-plot__figure", x, middle + 30, text)
        for x, text in _spread(end_figures, Decimal(72), right)
    ]
    parts.append(
        f'<text class="bracket-plot__unit" x="{width - 2}" y="{_px(middle + 5)}"'
        f' text-anchor="end">{escape(unit)}</text>'
    )
    return _svg("bracket-plot", name, width, height, title, parts)


@dataclass(frozen=True, slots=True)
class _Scale:
    """Lengths to px. ticks: (px, limit), ascending."""

    origin: Decimal
    per_unit: Decimal
    offset: Decimal
    ticks: tuple[tuple[Decimal, Decimal], ...]
    allowed: tuple[Decimal | None, Decimal | None]
    zero: Decimal | None = None

    def at(self, length: Decimal) -> Decimal:
        """Position in px. An end never falls onto a tick unless it equals that limit."""
        x = self.offset + (length - self.origin) * self.per_unit
        for tick, limit in self.ticks:
            if length < limit:
                x = min(x, tick - _CLEAR_OF_TICK)
            elif length == limit:
                x = tick
            elif x < tick + _CLEAR_OF_TICK:
                x = tick + _CLEAR_OF_TICK
        return x


def _small_scale(
    low: Decimal | None,
    high: Decimal | None,
    limit_low: Decimal | None,
    limit_high: Decimal | None,
    width: Decimal,
) -> _Scale:
    ends = [x for x in (low, high) if x is not None]
    if limit_low is not None and limit_high is not None and limit_low < limit_high:
        left, right = (width * part for part in _TICKS_RANGE)
        per_unit = (right - left) / (limit_high - limit_low)
        ticks = ((left, limit_low), (right, limit_high))
        return _Scale(limit_low, per_unit, left, ticks, (left, right))
    limit = limit_high if limit_high is not None else limit_low
    if limit is None:
        top = max([abs(x) for x in ends], default=Decimal(0)) or Decimal(1)
        return _Scale(Decimal(0), width * _TICK_SINGLE / top, Decimal(0), (), (None, None))
    tick = width * _TICK_SINGLE
    deviation = max([abs(x - limit) for x in ends], default=Decimal(0))
    if limit > 0 and (deviation == 0 or deviation >= limit * _ZOOM_BELOW):
        per_unit = tick / limit
    else:
        per_unit = width * _ZOOMED_DEVIATION / (deviation or Decimal(1))
    allowed = (
        tick if limit_low is not None else None,
        tick if limit_high is not None else None,
    )
    return _Scale(limit, per_unit, tick, ((tick, limit),), allowed)


def _wide_scale(
    limits: list[Decimal], ends: list[Decimal], leaves: list[Decimal], width: Decimal
) -> _Scale:
    points = limits + ends + leaves
    top = max(points, default=Decimal(1))
    bottom = min(points, default=Decimal(0))
    from_zero = bottom >= 0 and (bottom <= top / 2 or bottom == top)
    start = Decimal(0) if from_zero else bottom
    span = (top - start) or abs(top) or Decimal(1)
    margin = Decimal(12) if from_zero else width / 6
    per_unit = (width - margin - width / 6) / span
    place = [(margin + (x - start) * per_unit, x) for x in sorted(set(limits))]
    return _Scale(
        start, per_unit, margin, tuple(place), (None, None), margin if from_zero else None
    )


def _baseline(block: str, scale: _Scale, middle: Decimal, width: Decimal) -> str:
    """Solid where the reading may lie, dotted where it may not."""
    left = scale.allowed[0] if scale.allowed[0] is not None else Decimal(0)
    right = scale.allowed[1] if scale.allowed[1] is not None else width
    parts = [_line(f"{block}__allowed", left, middle, right, middle)]
    if left > 0:
        parts.append(_line(f"{block}__refused", Decimal(0), middle, left, middle))
    if right < width:
        parts.append(_line(f"{block}__refused", right, middle, width, middle))
    return "".join(parts)


def _reading(
    block: str,
    scale: _Scale,
    low: Decimal,
    high: Decimal | None,
    exact: bool,
    middle: Decimal,
    width: Decimal,
    half: int,
) -> str:
    if exact:
        return _exact(block, scale, low, low if high is None else high, middle, width, half)
    left = min(max(scale.at(low), Decimal(0)), width - 2 * half)
    if high is None:
        body = _bar(block, left, max(left + 2, width - 2 * half), middle, half)
        tip = width - 1
        return body + (
            f'<path class="{block}__open" d="M{_px(tip - half - 2)} {_px(middle - half)}'
            f'L{_px(tip)} {_px(middle)}L{_px(tip - half - 2)} {_px(middle + half)}"/>'
        )
    right = scale.at(high)
    shown = min(max(right, Decimal(2)), width)
    left = min(left, shown - 2)
    body = _bar(block, left, shown, middle, half)
    if right > width:
        body += _cut(block, width - 3, middle, half)
    if scale.at(low) < 0:
        body += _cut(block, Decimal(3), middle, half)
    return body


def _exact(
    block: str,
    scale: _Scale,
    low: Decimal,
    high: Decimal,
    middle: Decimal,
    width: Decimal,
    half: int,
) -> str:
    radius = Decimal(half) - Decimal("0.5")
    dot = min(max(scale.at((low + high) / 2), radius), width - radius)
    body = ""
    if low != high:
        left, right = max(scale.at(low), Decimal(0)), min(scale.at(high), width)
        body = _line(f"{block}__whisker", left, middle, right, middle) + "".join(
            _line(f"{block}__whisker", x, middle - half, x, middle + half) for x in (left, right)
        )
    return body + f'<circle class="{block}__dot" cx="{_px(dot)}" cy="{_px(middle)}" r="{radius}"/>'


def _bar(block: str, left: Decimal, right: Decimal, middle: Decimal, half: int) -> str:
    return (
        f'<rect class="{block}__bar" x="{_px(left)}" y="{_px(middle - half)}"'
        f' width="{_px(right - left)}" height="{2 * half}"/>'
    )


def _cut(block: str, x: Decimal, middle: Decimal, half: int) -> str:
    """Two slanted strokes: the bar goes on beyond the drawing."""
    return "".join(
        f'<path class="{block}__cut" d="M{_px(x - 1 + shift)} {_px(middle + half + 1)}'
        f'L{_px(x + 2 + shift)} {_px(middle - half - 1)}"/>'
        for shift in (-3, 0)
    )


def _leaf(mark: LeafMark, x: Decimal, middle: Decimal) -> str:
    px, py = _px(x), _px(middle)
    if mark.feel == "enters":
        shape = f'<circle cx="{px}" cy="{py}" r="4.5"/>'
    elif mark.feel == "drag":
        shape = f'<path d="M{px} {_px(middle - 7)}l7 7l-7 7l-7 -7z"/>'
    else:
        shape = f'<path d="M{_px(x - 5)} {_px(middle - 5)}l10 10m0 -10l-10 10"/>'
    label = escape(f"{mark.label or mark.size} {mark.feel}")
    return f'<g class="leaf-mark leaf-mark--{mark.feel}"><title>{label}</title>{shape}</g>'


def _spread(
    figures: list[tuple[Decimal, str]], apart: Decimal, width: Decimal
) -> list[tuple[Decimal, str]]:
    """At most two figures, moved apart evenly until they no longer overlap, kept on the sheet."""
    if len(figures) == 2 and figures[1][0] - figures[0][0] < apart:
        centre = (figures[0][0] + figures[1][0]) / 2
        centre = max(centre, apart)
        figures = [(centre - apart / 2, figures[0][1]), (centre + apart / 2, figures[1][1])]
    return [(min(max(x, apart / 2), width), text) for x, text in figures]


def _class_name(outcome: str) -> str:
    if not _OUTCOME.fullmatch(outcome):
        raise ValueError(f"{outcome!r} cannot be a class name")
    return outcome.replace("_", "-")


def _check_order(
    low: Decimal | None,
    high: Decimal | None,
    limit_low: Decimal | None,
    limit_high: Decimal | None,
) -> None:
    if low is None and high is not None:
        raise ValueError("a bracket with an upper end needs a lower one, be it 0")
    if low is not None and high is not None and high < low:
        raise ValueError("the upper end lies below the lower end")
    if limit_low is not None and limit_high is not None and limit_high < limit_low:
        raise ValueError("the maximum lies below the minimum")


def _svg(block: str, name: str, width: int, height: int, title: str, parts: Sequence[str]) -> str:
    return (
        f'<svg class="{block} {block}--{name}" xmlns="http://www.w3.org/2000/svg"'
        f' viewBox="0 0 {width} {height}" width="{width}" height="{height}" role="img">'
        f"<title>{escape(title)}</title>{''.join(parts)}</svg>"
    )


def _line(css: str, x1: Decimal, y1: Decimal, x2: Decimal, y2: Decimal) -> str:
    return f'<line class="{css}" x1="{_px(x1)}" y1="{_px(y1)}" x2="{_px(x2)}" y2="{_px(y2)}"/>'


def _text(css: str, x: Decimal, y: Decimal, text: str) -> str:
    return (
        f'<text class="{css}" x="{_px(x)}" y="{_px(y)}" text-anchor="middle">{escape(text)}</text>'
    )


def _px(value: Decimal) -> str:
    return f"{value.quantize(Decimal('0.01')):f}"
