"""Studies and agreement drawn: readings as strips of one scale, shares as bars and as a line.

The words and figures stand in the table around each drawing; looks are left to classes in the style
sheets. Every length handed to one call is in one unit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from html import escape

# Inner size of the drawings; the pages stretch strips and bars to the width of their column.
_WIDE = 400
_HIGH_OF_REPEAT = 4
_LEAST_WIDTH = 2.0


@dataclass(frozen=True, slots=True)
class Scale:
    """What a strip shows from its left edge to its right one."""

    low: Decimal
    high: Decimal

    def at(self, length: Decimal) -> float:
        """In px from the left."""
        span = self.high - self.low
        return float((length - self.low) / span) * _WIDE


def scale_of(ends: Sequence[tuple[Decimal, Decimal]]) -> Scale:
    """From the lowest end to the highest, out to round figures, not below nothing.

    Raises ValueError where there is nothing to show.
    """
    low, high = min(e[0] for e in ends), max(e[1] for e in ends)
    span = high - low or high or Decimal(1)
    step = Decimal(10) ** (span.adjusted() - 1)
    return Scale(max((low // step - 1) * step, Decimal(0)), (high // step + 2) * step)


def strip_svg(ends: Sequence[tuple[Decimal, Decimal]], scale: Scale, title: str) -> str:
    """The repeats of one person at one part, one below the other: a bar for a bracket, a tick for
    a value."""
    height = _HIGH_OF_REPEAT * max(len(ends), 1) + 4
    parts = []
    for number, (low, high) in enumerate(ends):
        y = 2 + number * _HIGH_OF_REPEAT
        left, right = scale.at(low), scale.at(high)
        if low == high:
            parts.append(
                f'<rect class="strip__value" x="{left - 1.5:.1f}" y="{y}" width="3" height="3"/>'
            )
        else:
            wide = max(right - left, _LEAST_WIDTH)
            parts.append(
                f'<rect class="strip__bracket" x="{left:.1f}" y="{y}" width="{wide:.1f}" '
                'height="3"/>'
            )
    return _svg("strip", _WIDE, height, title, parts, stretched=True)


def share_svg(share: float, title: str) -> str:
    """A bar of `share` percent of the width."""
    wide = max(0.0, min(share, 100.0)) / 100 * _WIDE
    return _svg(
        "share",
        _WIDE,
        12,
        title,
        [
            f'<rect class="share__whole" x="0" y="0" width="{_WIDE}" height="12"/>',
            f'<rect class="share__part" x="0" y="0" width="{wide:.1f}" height="12"/>',
        ],
        stretched=True,
    )


def running_svg(hits: Sequence[bool], running: Sequence[float], title: str) -> str:
    """Comparisons from left to right: a mark above for each that agrees, below for each that does
    not, and between them the running share as a line from 0 (bottom) to 1 (top)."""
    top, bottom, left, right = 18.0, 102.0, 8.0, _WIDE - 8.0
    step = (right - left) / max(len(hits) - 1, 1)
    xs = [left + step * number for number in range(len(hits))]
    points = [(x, bottom - share * (bottom - top)) for x, share in zip(xs, running, strict=True)]
    parts = [
        f'<line class="running__whole" x1="0" y1="{y:.0f}" x2="{_WIDE}" y2="{y:.0f}"/>'
        for y in (top, bottom)
    ]
    if len(points) > 1:
        line = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        parts.append(f'<polyline class="running__line" points="{line}"/>')
    else:
        parts += [
            f'<circle class="running__point" cx="{x:.1f}" cy="{y:.1f}" r="3"/>' for x, y in points
        ]
    for x, hit in zip(xs, hits, strict=True):
        if hit:
            parts.append(f'<circle class="running__hit" cx="{x:.1f}" cy="8" r="3.5"/>')
        else:
            parts.append(f'<path class="running__miss" d="M{x - 3.5:.1f} 108.5l7 7m0 -7l-7 7"/>')
    return _svg("running", _WIDE, 120, title, parts)


def _svg(
    block: str,
    width: int,
    height: int,
    title: str,
    parts: Sequence[str],
    *,
    stretched: bool = False,
) -> str:
    fit = ' preserveAspectRatio="none"' if stretched else ""
    return (
        f'<svg class="{block}" viewBox="0 0 {width} {height}" role="img"{fit}>'
        f"<title>{escape(title)}</title>{''.join(parts)}</svg>"
    )
