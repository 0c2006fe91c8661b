"""Every pair of colours that is read together is far enough apart, in both themes.

Formula and thresholds: WCAG 2.2, "relative luminance", success criteria 1.4.3 (text, 4.5 : 1) and
1.4.11 (signs and the edges of controls, 3 : 1).
"""

import re
from pathlib import Path

import pytest

TOKENS = Path(__file__).parents[2] / "fleet/static/fleet/css/tokens.css"
ROLE = re.compile(r"--([a-z-]+):\s*(#[0-9A-Fa-f]{6});")

TEXT = [
    *[
        (ink, ground)
        for ink in ("ink", "second", "accent")
        for ground in ("paper", "raised", "wash")
    ],
    *[(word, ground) for word in ("within", "out", "undecided") for ground in ("paper", "raised")],
    *[(word, f"{word}-wash") for word in ("within", "out", "undecided", "accent")],
    *[("ink", f"{word}-wash") for word in ("within", "out", "undecided", "accent")],
    ("on-accent", "accent"),
    ("on-out", "out"),
    ("paper", "ink"),
]
SIGNS = [("edge", "paper"), ("edge", "raised"), ("accent", "paper"), ("out", "wash")]


def themes() -> dict[str, dict[str, str]]:
    light, dark = TOKENS.read_text().split("prefers-color-scheme: dark")
    return {"light": dict(ROLE.findall(light)), "dark": dict(ROLE.findall(dark))}


def luminance(colour: str) -> float:
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_the_formula_gives_the_known_ends_of_its_scale() -> None:
    # WCAG 2.2: black on white is 21 : 1, a colour on itself 1 : 1.
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21)
    assert contrast("#1D4F91", "#1D4F91") == pytest.approx(1)


def test_both_themes_name_the_same_roles() -> None:
    both = themes()
    assert both["light"].keys() == both["dark"].keys()
    assert len(both["light"]) >= 12


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize(
    ("ink", "ground", "least"),
    [(*pair, 4.5) for pair in TEXT] + [(*pair, 3.0) for pair in SIGNS],
)
def test_a_pair_is_far_enough_apart(theme: str, ink: str, ground: str, least: float) -> None:
    colours = themes()[theme]
    assert contrast(colours[ink], colours[ground]) >= least
