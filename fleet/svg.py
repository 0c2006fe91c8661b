"""What drawings are made of: SVG elements with a class, placed in pixels."""

from __future__ import annotations

from html import escape


def circle(css: str, x: float, y: float, radius: float) -> str:
    return f'<circle class="{css}" cx="{px(x)}" cy="{px(y)}" r="{radius:g}"/>'


def rect(css: str, x: float, y: float, width: float, height: float) -> str:
    place = f'x="{px(x)}" y="{px(y)}" width="{px(width)}" height="{px(height)}"'
    return f'<rect class="{css}" {place}/>'


def line(css: str, x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<line class="{css}" x1="{px(x1)}" y1="{px(y1)}" x2="{px(x2)}" y2="{px(y2)}"/>'


def text(css: str, x: float, y: float, words: str, anchor: str = "middle") -> str:
    """anchor: which part of the words stands at x: start, middle or end."""
    place = f'x="{px(x)}" y="{px(y)}" text-anchor="{anchor}"'
    return f'<text class="{css}" {place}>{escape(words)}</text>'


def px(value: float) -> str:
    return f"{value:.2f}"


def figure(value: float) -> str:
    """A figure at an axis: up to six decimals, none that say nothing."""
    return f"{value:.6f}".rstrip("0").rstrip(".")
