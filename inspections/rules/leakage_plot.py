"""Loss against clearance, drawn: the cube law, today's reading and the limit.

The clearance runs across, the loss up, both from zero. Today's bracket is a bar along the foot
with the strip of curve above it, its loss a dot with the 5 to 95 % range as whiskers; the limit is
a labelled line, the as-new range a bar at the foot. Looks are left to classes in the style sheets,
except in a file that is taken away, which carries its own. Text is escaped here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape

from fleet import svg
from inspections.rules.leakage import PathLoss
from inspections.rules.quantities import figure

WIDTH, HEIGHT = 400, 250
_LEFT, _RIGHT, _TOP, _FOOT = 58.0, 384.0, 30.0, 204.0
_POINTS = 48

# For a file without our style sheets: ink on paper.
_OWN_LOOKS = (
    "text{font:13px sans-serif;fill:#1B1F24}"
    ".leak-plot__axis{stroke:#1B1F24;stroke-width:1}"
    ".leak-plot__grid{stroke:#DDD9CF;stroke-width:1}"
    ".leak-plot__curve{fill:none;stroke:#1D4F91;stroke-width:2}"
    ".leak-plot__strip{fill:#1D4F91;fill-opacity:.18}"
    ".leak-plot__today{fill:#1D4F91}"
    ".leak-plot__whisker{stroke:#1D4F91;stroke-width:2}"
    ".leak-plot__new{fill:#2C6E5B}"
    ".leak-plot__limit{stroke:#B3261E;stroke-width:2}"
    ".leak-plot__limit-label{fill:#B3261E}"
    ".leak-plot__unit{fill:#565E68}"
    "[class$='-label']{paint-order:stroke;stroke:#FFFFFF;stroke-width:4px}"
)


@dataclass(frozen=True, slots=True)
class Axes:
    """What the axes are marked in: a factor from mm and from L/min, and the words for it."""

    length_per_mm: float = 1.0
    length_unit: str = "mm"
    flow_per_l_min: float = 1.0
    flow_unit: str = "L/min"


@dataclass(frozen=True, slots=True)
class _Scale:
    widest: float
    most: float

    def x(self, clearance_mm: float) -> float:
        return _LEFT + (_RIGHT - _LEFT) * clearance_mm / self.widest

    def y(self, flow: float) -> float:
        return _FOOT - (_FOOT - _TOP) * flow / self.most


def leak_curve_svg(
    loss: PathLoss, *, title: str, axes: Axes | None = None, standalone: bool = False
) -> str:
    """The drawing of one path as safe SVG text, 400 x 250.

    standalone: with a style of its own, as a file. A path without a figure shows the curve with
    limit and as-new range alone; a path with nothing at all on its sheet gives "".
    """
    axes = axes or Axes()
    today = _ends([c.bracket_mm for c in loss.measured.clearances]) if loss.flow else None
    new = _ends([c.bracket_mm for c in loss.measured.as_new])
    limits = sorted(float(limit) for limit in loss.measured.limits_mm)
    known = [end for ends in (today, new) if ends is not None for end in ends] + limits
    widest = max(known, default=0.0) * 1.18
    if widest <= 0:
        return ""
    most = max(loss.l_min_per_mm3 * widest**3, loss.high or 0.0)
    scale = _Scale(widest, most)
    parts = [_grid(scale, axes)]
    if today is not None:
        parts.append(_strip(scale, loss, *today))
    parts.append(_curve(scale, loss))
    if new is not None:
        parts.append(_foot_bar("leak-plot__new", scale, *new, lift=0))
    parts += [_limit(scale, limit, axes) for limit in limits[-1:]]
    if today is not None:
        parts.append(_today(scale, loss, axes, *today))
    if new is not None:
        parts.append(_new_label(scale.x(new[0])))
    style = f"<style>{_OWN_LOOKS}</style>" if standalone else ""
    return (
        '<svg class="leak-plot" xmlns="http://www.w3.org/2000/svg"'
        f' viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" role="img">'
        f"<title>{escape(title)}</title>{style}{''.join(parts)}</svg>"
    )


def _ends(brackets: list[tuple[float, float]]) -> tuple[float, float] | None:
    if not brackets:
        return None
    return min(low for low, _ in brackets), max(high for _, high in brackets)


def _grid(scale: _Scale, axes: Axes) -> str:
    parts = []
    for mark in _marks(scale.most * axes.flow_per_l_min):
        y = scale.y(mark / axes.flow_per_l_min)
        if mark:
            parts.append(svg.line("leak-plot__grid", _LEFT, y, _RIGHT, y))
        parts.append(svg.text("leak-plot__figure", _LEFT - 6, y + 4, svg.figure(mark), "end"))
    for mark in _marks(scale.widest * axes.length_per_mm):
        x = scale.x(mark / axes.length_per_mm)
        parts.append(svg.line("leak-plot__axis", x, _FOOT, x, _FOOT + 4))
        parts.append(svg.text("leak-plot__figure", x, _FOOT + 18, svg.figure(mark)))
    parts.append(svg.line("leak-plot__axis", _LEFT, _FOOT, _RIGHT, _FOOT))
    parts.append(svg.text("leak-plot__unit", _LEFT - 52, 14, f"loss, {axes.flow_unit}", "start"))
    parts.append(
        svg.text("leak-plot__unit", _RIGHT, HEIGHT - 8, f"clearance, {axes.length_unit}", "end")
    )
    return "".join(parts)


def _marks(most: float) -> list[float]:
    """Round figures from 0 up to `most`, which is above 0: three to six of them."""
    step = 10.0 ** math.floor(math.log10(most / 5))
    step *= next(times for times in (1, 2, 5, 10) if most <= 5 * step * times)
    return [step * count for count in range(int(most / step) + 1)]


def _curve(scale: _Scale, loss: PathLoss) -> str:
    return f'<path class="leak-plot__curve" d="M{_along(scale, loss, 0.0, scale.widest)}"/>'


def _strip(scale: _Scale, loss: PathLoss, low: float, high: float) -> str:
    """What lies under the curve over today's bracket; a hair's breadth for a value."""
    left, right = _at_least(scale.x(low), scale.x(high))
    if right - left <= 2:
        y = scale.y(loss.l_min_per_mm3 * ((low + high) / 2) ** 3)
        return svg.rect("leak-plot__strip", left, y, right - left, _FOOT - y)
    return (
        f'<path class="leak-plot__strip" d="M{svg.px(left)} {svg.px(_FOOT)}'
        f'L{_along(scale, loss, low, high)}L{svg.px(right)} {svg.px(_FOOT)}Z"/>'
    )


def _along(scale: _Scale, loss: PathLoss, low: float, high: float) -> str:
    steps = (low + (high - low) * n / _POINTS for n in range(_POINTS + 1))
    return "L".join(
        f"{svg.px(scale.x(h))} {svg.px(scale.y(loss.l_min_per_mm3 * h**3))}" for h in steps
    )


def _limit(scale: _Scale, limit: float, axes: Axes) -> str:
    x = scale.x(limit)
    said = f"limit {svg.figure(limit * axes.length_per_mm)}"
    return svg.line("leak-plot__limit", x, _TOP - 6, x, _FOOT) + svg.text(
        "leak-plot__limit-label", min(x, _RIGHT - 30), _TOP - 12, said
    )


def _today(scale: _Scale, loss: PathLoss, axes: Axes, low: float, high: float) -> str:
    flow, clearance = loss.flow or 0.0, loss.clearance_mm or 0.0
    x, y = scale.x(clearance), scale.y(flow)
    parts = [_foot_bar("leak-plot__today", scale, low, high, lift=6)]
    if loss.low is not None and loss.high is not None:
        parts.append(svg.line("leak-plot__whisker", x, scale.y(loss.low), x, scale.y(loss.high)))
    parts.append(f'<circle class="leak-plot__today" cx="{svg.px(x)}" cy="{svg.px(y)}" r="4.5"/>')
    said = f"today {figure(flow * axes.flow_per_l_min)}"
    # The room over a cube is on its left, above the words at the foot; where there is none, above
    # the dot.
    top = min(y, scale.y(loss.high or flow))
    if x - _LEFT > 110:
        height = max(min(y - 4, _FOOT - 30), _TOP + 12)
        parts.append(svg.text("leak-plot__today-label", x - 10, height, said, "end"))
    else:
        parts.append(
            svg.text("leak-plot__today-label", _LEFT + 8, max(top - 30, _TOP + 12), said, "start")
        )
    return "".join(parts)


def _new_label(bar_x: float) -> str:
    """Before its bar, where the curve lies flat; over the bar where that begins at the edge."""
    if bar_x - _LEFT > 56:
        return svg.text("leak-plot__new-label", bar_x - 5, _FOOT - 8, "as new", "end")
    return svg.text("leak-plot__new-label", _LEFT + 4, _FOOT - 14, "as new", "start")


def _foot_bar(css: str, scale: _Scale, low: float, high: float, *, lift: float) -> str:
    left, right = _at_least(scale.x(low), scale.x(high))
    return svg.rect(css, left, _FOOT - 5 - lift, right - left, 5)


def _at_least(left: float, right: float) -> tuple[float, float]:
    """Both ends, moved apart to two px so that a value can be seen."""
    if right - left >= 2:
        return left, right
    middle = (left + right) / 2
    return middle - 1, middle + 1
