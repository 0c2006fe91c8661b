"""Money bound against the share of demands that wait, drawn.

Money runs across from zero, the share up from zero. What is held now, what is advised and what is
looked at are marked on it with their words beside them. Looks are left to classes in the style
sheets, except in a file that is taken away, which carries its own. Text is escaped here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise

from fleet import svg
from parts.rules.holding_curve import Point

WIDTH, HEIGHT = 560, 300
_LEFT, _RIGHT, _TOP, _FOOT = 52.0, 544.0, 36.0, 244.0
# Room that a letter and a line of words take, the larger letters of a phone among them.
_LETTER, _ROW = 10.0, 18.0
_TOPS = (0.05, 0.1, 0.2, 0.5, 1.0)

# For a file without our style sheets: ink on paper.
_OWN_LOOKS = (
    "text{font:13px sans-serif;fill:#1B1F24}"
    ".hold-plot__axis{stroke:#1B1F24;stroke-width:1}"
    ".hold-plot__grid{stroke:#DDD9CF;stroke-width:1}"
    ".hold-plot__curve{fill:none;stroke:#1D4F91;stroke-width:2}"
    ".hold-plot__choice{fill:#1D4F91}"
    ".hold-plot__looked{fill:#FFFFFF;stroke:#1D4F91;stroke-width:3}"
    ".hold-plot__guide{stroke:#1D4F91;stroke-width:1;stroke-dasharray:4 3}"
    ".hold-plot__advised{fill:none;stroke:#2C6E5B;stroke-width:2.5}"
    ".hold-plot__now{stroke:#8A5A00;stroke-width:2.5}"
    ".hold-plot__unit{fill:#565E68}"
    "[class$='-label']{paint-order:stroke;stroke:#FFFFFF;stroke-width:4px;font-weight:600}"
    ".hold-plot__looked-label{fill:#1D4F91}.hold-plot__advised-label{fill:#2C6E5B}"
    ".hold-plot__now-label{fill:#8A5A00}"
)


@dataclass(frozen=True, slots=True)
class Marked:
    """What is pointed out; None: there is nothing of the kind."""

    now: Point | None = None
    advised: Point | None = None
    looked: Point | None = None


@dataclass(frozen=True, slots=True)
class _Scale:
    most_money: float
    top: float

    def x(self, money: float) -> float:
        return _LEFT + (_RIGHT - _LEFT) * min(money / self.most_money, 1.0)

    def y(self, share: float) -> float:
        return _FOOT - (_FOOT - _TOP) * min(share / self.top, 1.0)


def holding_curve_svg(
    points: Sequence[Point],
    marked: Marked,
    *,
    title: str,
    currency: str,
    dots: bool = False,
    standalone: bool = False,
) -> str:
    """The drawing as safe SVG text, 560 x 300; "" where no point binds any money.

    points: with money rising. dots: each point is a choice of its own and is shown as one.
    standalone: with a style of its own, as a file.
    """
    scale = _scale(points, marked)
    if scale is None:
        return ""
    parts = [_grid(scale, currency), _curve(points, scale)]
    if dots:
        parts += [
            svg.circle("hold-plot__choice", scale.x(p.money), scale.y(p.waiting_share), 3)
            for p in points
            if p.waiting_share <= scale.top and p.money <= scale.most_money
        ]
    parts += _marks(marked, scale)
    style = f"<style>{_OWN_LOOKS}</style>" if standalone else ""
    return (
        '<svg class="hold-plot" xmlns="http://www.w3.org/2000/svg"'
        f' viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" role="img">'
        f"<title>{escape(title)}</title>{style}{''.join(parts)}</svg>"
    )


def _scale(points: Sequence[Point], marked: Marked) -> _Scale | None:
    shown = [p for p in (marked.now, marked.advised, marked.looked) if p is not None]
    highest = max((p.waiting_share for p in shown), default=1.0)
    top = next((t for t in _TOPS if highest <= t * 0.7), 1.0)
    # As far as the curve still falls to be seen, and as far as anything is marked.
    falls = [p.money for p in points if p.waiting_share > top / 200]
    most = max([*falls, *(p.money for p in shown)], default=0.0) * 1.1
    beyond = [p.money for p in points if p.money > most]
    most = most or (beyond[0] if beyond else 0.0)
    return _Scale(most, top) if most > 0 else None


def _grid(scale: _Scale, currency: str) -> str:
    parts = []
    for mark in _round_figures(scale.top * 100):
        y = scale.y(mark / 100)
        if mark:
            parts.append(svg.line("hold-plot__grid", _LEFT, y, _RIGHT, y))
        parts.append(svg.text("hold-plot__figure", _LEFT - 6, y + 4, svg.figure(mark), "end"))
    for mark in _round_figures(scale.most_money):
        x = scale.x(mark)
        parts.append(svg.line("hold-plot__axis", x, _FOOT, x, _FOOT + 4))
        parts.append(svg.text("hold-plot__figure", x, _FOOT + 22, f"{mark:,.10g}"))
    parts.append(svg.line("hold-plot__axis", _LEFT, _FOOT, _RIGHT, _FOOT))
    parts.append(svg.text("hold-plot__unit", 4, 18, "demands that wait, %", "start"))
    words = f"money bound on the shelf, {currency}"
    parts.append(svg.text("hold-plot__unit", _RIGHT, HEIGHT - 8, words, "end"))
    return "".join(parts)


def _round_figures(most: float) -> list[float]:
    """Round figures from 0 up to `most` > 0: three to six of them."""
    step = 10.0 ** math.floor(math.log10(most / 5))
    step *= next(times for times in (1, 2, 5, 10) if most <= 5 * step * times * (1 + 1e-9))
    return [step * count for count in range(int(most / step + 1e-9) + 1)]


def _curve(points: Sequence[Point], scale: _Scale) -> str:
    """The points joined, cut off where the line leaves the frame at its top or right."""
    inside: list[tuple[float, float]] = []
    for before, after in pairwise(points):
        if before.money >= scale.most_money:
            break
        if after.waiting_share >= scale.top:
            continue
        if not inside:
            inside.append(_entry(before, after, scale))
        inside.append((scale.x(after.money), scale.y(after.waiting_share)))
    if not inside:
        return ""
    path = "L".join(f"{svg.px(x)} {svg.px(y)}" for x, y in inside)
    return f'<path class="hold-plot__curve" d="M{path}"/>'


def _entry(before: Point, after: Point, scale: _Scale) -> tuple[float, float]:
    """Where the line from one point to the next comes in under the top of the frame."""
    if before.waiting_share <= scale.top:
        return scale.x(before.money), scale.y(before.waiting_share)
    fall = before.waiting_share - after.waiting_share
    along = (before.waiting_share - scale.top) / fall if fall > 0 else 1.0
    return scale.x(before.money + along * (after.money - before.money)), scale.y(scale.top)


def _marks(marked: Marked, scale: _Scale) -> list[str]:
    parts: list[str] = []
    labels: list[tuple[float, float, str, str]] = []
    if marked.looked is not None:
        x, y = scale.x(marked.looked.money), scale.y(marked.looked.waiting_share)
        parts.append(svg.line("hold-plot__guide", x, y, x, _FOOT))
        parts.append(svg.line("hold-plot__guide", _LEFT, y, x, y))
    if marked.advised is not None:
        x, y = scale.x(marked.advised.money), scale.y(marked.advised.waiting_share)
        parts.append(svg.rect("hold-plot__advised", x - 7, y - 7, 14, 14))
        labels.append((x, y, "advised", "hold-plot__advised-label"))
    if marked.looked is not None:
        x, y = scale.x(marked.looked.money), scale.y(marked.looked.waiting_share)
        parts.append(svg.circle("hold-plot__looked", x, y, 5))
        labels.append((x, y, "looked at", "hold-plot__looked-label"))
    if marked.now is not None:
        x, y = scale.x(marked.now.money), scale.y(marked.now.waiting_share)
        parts.append(
            '<path class="hold-plot__now" '
            f'd="M{svg.px(x - 6)} {svg.px(y - 6)}l12 12m0 -12l-12 12"/>'
        )
        labels.append((x, y, "now", "hold-plot__now-label"))
    return [*parts, *_labels(labels)]


def _labels(labels: Sequence[tuple[float, float, str, str]]) -> list[str]:
    """Each beside its mark, above the curve; words that would fall on others move away."""
    parts: list[str] = []
    taken: list[tuple[float, float, float]] = []
    for x, y, words, css in sorted(labels):
        width = _LETTER * len(words)
        left = min(x + 12, _RIGHT - width)
        height = max(y - 12, _TOP + 16)
        while any(
            left < end and begin < left + width and abs(h - height) < _ROW
            for begin, end, h in taken
        ):
            height -= _ROW
        if height < _TOP + 8:
            # No room above: under the mark, further and further.
            height = y + 22
            while any(
                left < end and begin < left + width and abs(h - height) < _ROW
                for begin, end, h in taken
            ):
                height += _ROW
        taken.append((left, left + width, height))
        parts.append(svg.text(css, left, height, words, "start"))
    return parts
