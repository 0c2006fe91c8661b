"""The drawing of a verdict says by positions alone what the verdict says in words."""

import re
import xml.etree.ElementTree as ET
from decimal import Decimal as D

import pytest

from inspections.rules.plots import LeafMark, bracket_svg, verdict_svg

SVG = "{http://www.w3.org/2000/svg}"


def draw(low, high, limit_low, limit_high, *, exact=False, outcome="within", title="t", **size):
    def number(text):
        return None if text is None else D(text)

    return ET.fromstring(  # noqa: S314 - our own text
        verdict_svg(
            low=number(low),
            high=number(high),
            exact=exact,
            limit_low=number(limit_low),
            limit_high=number(limit_high),
            outcome=outcome,
            title=title,
            **size,
        )
    )


def only(svg, name):
    return [e for e in svg.iter() if e.get("class") == f"verdict-plot__{name}"]


def ticks(svg):
    return [float(e.get("x1")) for e in only(svg, "tick")]


def bar(svg):
    (rect,) = only(svg, "bar")
    left = float(rect.get("x"))
    return left, round(left + float(rect.get("width")), 2)


# Verdicts of a bracket g <= gap < n against a maximum L, a minimum M or both: within when n <= L
# (g >= M), out when g > L (n <= M), else undecided. Common practice, no source.
class TestPositions:
    @pytest.mark.parametrize(
        ("low", "high", "limit"),
        [
            ("0.10", "0.15", "0.15"),  # ends at the limit: still within
            ("0", "0.05", "0.127"),
            ("0.12", "0.149", "0.15"),
            ("0", "0.0001", "0.15"),
            ("-0.03", "-0.02", "0"),
        ],
    )
    def test_a_bar_within_a_maximum_ends_short_of_its_tick(self, low, high, limit):
        svg = draw(low, high, None, limit)
        left, right = bar(svg)
        (tick,) = ticks(svg)
        assert left < right <= tick

    @pytest.mark.parametrize(
        ("low", "high", "limit"),
        [
            ("0.16", "0.20", "0.15"),
            ("0.1271", "0.15", "0.127"),
            ("0.40", "0.50", "0.127"),
            ("9", "10", "0.127"),
            ("0.01", "0.02", "0"),
        ],
    )
    def test_a_bar_out_of_a_maximum_begins_beyond_its_tick(self, low, high, limit):
        svg = draw(low, high, None, limit)
        left, right = bar(svg)
        (tick,) = ticks(svg)
        assert tick < left < right <= 72

    @pytest.mark.parametrize("limit", ["0.127", "0.1001", "0.1499"])
    def test_an_undecided_bar_lies_across_its_tick(self, limit):
        svg = draw("0.10", "0.15", None, limit)
        left, right = bar(svg)
        (tick,) = ticks(svg)
        assert left < tick < right

    @pytest.mark.parametrize(
        ("low", "high", "side"),
        [
            ("0.02", "0.04", "left"),
            ("0.02", "0.05", "left"),
            ("0.05", "0.15", "between"),
            ("0.0501", "0.0502", "between"),
            ("0.151", "0.20", "right"),
            ("3", "4", "right"),
        ],
    )
    def test_a_range_has_two_ticks_and_the_bar_keeps_to_its_side(self, low, high, side):
        svg = draw(low, high, "0.05", "0.15")
        left, right = bar(svg)
        first, second = ticks(svg)
        assert 0 < first < second < 72
        assert {
            "left": right <= first,
            "between": first <= left and right <= second,
            "right": second < left,
        }[side]

    def test_a_thickness_just_above_its_minimum_stands_clear_to_the_right(self):
        # Shaft diameter "< 18.935 mm: replace", TM 10-3930-653-14&P.
        svg = draw("18.940", "18.940", "18.935", None, exact=True)
        (dot,) = only(svg, "dot")
        (tick,) = ticks(svg)
        assert float(dot.get("cx")) > tick + 3

    def test_ticks_stand_in_the_same_place_whatever_was_read(self):
        readings = [("0.01", "0.02"), ("0.10", "0.15"), ("0.2", "0.25"), (None, None)]
        assert len({tuple(ticks(draw(*r, None, "0.15"))) for r in readings}) == 1
        assert len({tuple(ticks(draw(*r, "0.05", "0.15"))) for r in readings}) == 1

    @pytest.mark.parametrize("width", [40, 72, 200])
    @pytest.mark.parametrize("limits", [(None, "0.15"), ("0.05", None), ("0.05", "0.15")])
    @pytest.mark.parametrize(
        "reading", [("0", "0.001"), ("0.1", "0.2"), ("0.1", None), ("50", "60")]
    )
    def test_nothing_leaves_the_sheet(self, width, limits, reading):
        svg = draw(*reading, *limits, width=width)
        xs = [float(e.get(a)) for e in svg.iter() for a in ("x", "x1", "x2", "cx") if e.get(a)]
        left, right = bar(svg)
        assert min(xs) >= 0
        assert max([*xs, right]) <= width
        assert right - left >= 2


class TestKinds:
    def test_not_measured_shows_only_ticks(self):
        svg = draw(None, None, "0.05", "0.15", outcome="not_measured")
        assert len(ticks(svg)) == 2
        assert not only(svg, "bar")
        assert not only(svg, "dot")
        assert svg.get("class") == "verdict-plot verdict-plot--not-measured"

    def test_an_open_upper_end_is_an_arrow(self):
        svg = draw("0.10", None, None, "0.127", outcome="undecided")
        assert len(only(svg, "open")) == 1
        left, right = bar(svg)
        assert left < ticks(svg)[0] < right

    def test_a_closed_end_is_no_arrow(self):
        assert not only(draw("0.10", "0.15", None, "0.127"), "open")

    def test_a_bar_that_goes_on_beyond_the_sheet_is_cut(self):
        assert only(draw("0.40", "0.50", None, "0.127"), "cut")
        assert not only(draw("0.10", "0.15", None, "0.127"), "cut")

    def test_an_exact_value_is_a_dot_with_its_uncertainty_as_whiskers(self):
        plain = draw("0.12", "0.12", None, "0.15", exact=True)
        wide = draw("0.11", "0.13", None, "0.15", exact=True)
        assert len(only(plain, "dot")) == len(only(wide, "dot")) == 1
        assert not only(plain, "whisker")
        assert len(only(wide, "whisker")) == 3
        assert not only(wide, "bar")

    def test_an_exact_value_without_upper_end_is_its_own_upper_end(self):
        assert len(only(draw("0.12", None, None, "0.15", exact=True), "dot")) == 1

    def test_without_any_limit_the_reading_stands_alone(self):
        svg = draw("0.10", "0.15", None, None)
        assert not ticks(svg)
        assert bar(svg)


class TestSafety:
    def test_the_title_is_escaped_and_read_aloud(self):
        text = verdict_svg(
            low=None,
            high=None,
            exact=False,
            limit_low=None,
            limit_high=D("0.15"),
            outcome="within",
            title='<script>"&',
        )
        assert "<script>" not in text
        svg = ET.fromstring(text)  # noqa: S314 - our own text
        assert svg.get("role") == "img"
        assert svg.findtext(f"{SVG}title") == '<script>"&'

    def test_no_inline_style_passes_a_strict_content_security_policy(self):
        text = ET.tostring(draw("0.1", None, "0.05", "0.15"), encoding="unicode")
        assert not re.search(r"style=|<style|\son\w+=", text)

    @pytest.mark.parametrize("outcome", ["", 'x" onload="', "Within", "a b"])
    def test_an_outcome_that_is_no_class_name_is_refused(self, outcome):
        with pytest.raises(ValueError, match="class name"):
            draw("0.1", "0.2", None, "0.15", outcome=outcome)

    @pytest.mark.parametrize(
        "numbers",
        [("0.2", "0.1", None, "0.15"), (None, "0.1", None, "0.15"), ("0.1", "0.2", "0.3", "0.2")],
    )
    def test_ends_the_wrong_way_round_are_refused(self, numbers):
        with pytest.raises(ValueError, match=r"lower|minimum"):
            draw(*numbers)


class TestBracket:
    def draw(self, **changes):
        given = {
            "low": D("0.10"),
            "high": D("0.15"),
            "exact": False,
            "limit_low": None,
            "limit_high": D("0.127"),
            "outcome": "undecided",
            "title": "t",
            "unit": "mm",
            "leaves": (
                LeafMark(D("0.05"), "enters"),
                LeafMark(D("0.10"), "drag", "0.06 + 0.04"),
                LeafMark(D("0.15"), "refuses"),
            ),
        }
        return ET.fromstring(bracket_svg(**{**given, **changes}))  # noqa: S314 - our own text

    def figures(self, svg):
        return [(e.text, float(e.get("x"))) for e in svg.iter(f"{SVG}text")]

    def test_figures_stand_at_ticks_and_ends_as_they_were_given(self):
        words = [text for text, _ in self.figures(self.draw())]
        assert words == ["0", "max 0.127", "0.10", "0.15", "mm"]

    def test_each_feel_has_a_shape_of_its_own(self):
        groups = [
            e for e in self.draw().iter(f"{SVG}g") if e.get("class", "").startswith("leaf-mark")
        ]
        shapes = [ET.tostring(g[1], encoding="unicode").split(" ")[0] for g in groups]
        assert [g.get("class").split("--")[1] for g in groups] == ["enters", "drag", "refuses"]
        assert "circle" in shapes[0]
        assert "path" in shapes[1]
        assert groups[1][1].get("d")[-1] == "z"
        assert groups[2][1].get("d")[-1] != "z"
        assert groups[1].findtext(f"{SVG}title") == "0.06 + 0.04 drag"

    def test_close_figures_are_moved_apart(self):
        svg = self.draw(low=D("0.126"), high=D("0.128"), limit_low=D("0.125"))
        at = dict(self.figures(svg))
        assert at["0.128"] - at["0.126"] >= 70
        assert at["max 0.127"] - at["min 0.125"] >= 100
        assert min(at.values()) >= 0

    def test_a_large_offset_is_not_drawn_from_zero(self):
        svg = self.draw(
            low=D("18.938"), high=D("18.942"), limit_low=D("18.935"), limit_high=None, leaves=()
        )
        words = [text for text, _ in self.figures(svg)]
        assert "0" not in words
        assert "min 18.935" in words

    def test_not_measured_still_shows_the_limit(self):
        svg = self.draw(low=None, high=None, leaves=(), outcome="not_measured")
        assert [text for text, _ in self.figures(svg)] == ["0", "max 0.127", "mm"]
