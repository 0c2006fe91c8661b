"""Strips, bars and lines stand where their figures say."""

import xml.etree.ElementTree as ET
from decimal import Decimal as D

import pytest

from inspections.rules.study_plots import Scale, running_svg, scale_of, share_svg, strip_svg


def parsed(svg):
    """The drawing with its words; well formed, or this fails."""
    return ET.fromstring(svg)  # noqa: S314  (made by the function under test)


def of_class(svg, name):
    return [one for one in parsed(svg).iter() if one.get("class") == name]


@pytest.mark.parametrize(
    ("ends", "low", "high"),
    [
        # A span of 0.13 is told in hundredths, one step out each way.
        ([("0.03", "0.04"), ("0.15", "0.16")], "0.02", "0.18"),
        ([("0.001", "0.002")], "0.0009", "0.0022"),
        ([("0", "0.03")], "0", "0.032"),
        ([("25.000", "25.000")], "24", "27"),
        ([("0", "0")], "0", "0.2"),
    ],
)
def test_a_scale_holds_all_and_ends_on_round_figures(ends, low, high):
    scale = scale_of([(D(a), D(b)) for a, b in ends])
    assert (scale.low, scale.high) == (D(low), D(high))
    assert scale.at(scale.low) == 0
    assert scale.at(scale.high) == 400
    assert scale.low <= min(D(a) for a, _b in ends)
    assert scale.high > max(D(b) for _a, b in ends)


def test_a_bracket_is_a_bar_and_a_value_a_tick_one_below_the_other():
    scale = Scale(D("0.00"), D("0.40"))
    drawn = strip_svg([(D("0.10"), D("0.15")), (D("0.20"), D("0.20"))], scale, "Ann <at> HP-1")
    (bar,) = of_class(drawn, "strip__bracket")
    (tick,) = of_class(drawn, "strip__value")
    assert (float(bar.get("x")), float(bar.get("width")), bar.get("y")) == (100, 50, "2")
    assert (float(tick.get("x")) + float(tick.get("width")) / 2, tick.get("y")) == (200, "6")
    assert parsed(drawn).get("viewBox") == "0 0 400 12"
    assert parsed(drawn).get("preserveAspectRatio") == "none"
    assert parsed(drawn)[0].text == "Ann <at> HP-1"


def test_a_narrow_bracket_can_still_be_seen():
    drawn = strip_svg([(D("10.00"), D("10.01"))], Scale(D(0), D(100)), "Ann")
    (bar,) = of_class(drawn, "strip__bracket")
    assert float(bar.get("width")) == 2


def test_a_strip_without_readings_is_empty_but_there():
    assert parsed(strip_svg([], Scale(D(0), D(1)), "Ann")).get("viewBox") == "0 0 400 8"


@pytest.mark.parametrize(("share", "width"), [(0, 0), (25, 100), (100, 400), (130, 400), (-1, 0)])
def test_a_share_is_a_part_of_the_whole_bar(share, width):
    drawn = share_svg(share, "GRR")
    (part,) = of_class(drawn, "share__part")
    (whole,) = of_class(drawn, "share__whole")
    assert (float(part.get("width")), float(whole.get("width"))) == (width, 400)


def test_comparisons_run_from_left_to_right_with_their_share_between():
    drawn = running_svg([True, False, True], [1.0, 0.5, 2 / 3], "Ann")
    hits, misses = of_class(drawn, "running__hit"), of_class(drawn, "running__miss")
    assert [float(one.get("cx")) for one in hits] == [8, 392]
    assert [one.get("d").split()[0] for one in misses] == ["M196.5"]
    (line,) = of_class(drawn, "running__line")
    points = [tuple(map(float, point.split(","))) for point in line.get("points").split()]
    assert points == [(8, 18), (200, 60), (392, 46)]
    assert [one.get("y1") for one in of_class(drawn, "running__whole")] == ["18", "102"]
    assert parsed(drawn).get("preserveAspectRatio") is None


def test_a_single_comparison_is_a_point():
    drawn = running_svg([False], [0.0], "Ann")
    (point,) = of_class(drawn, "running__point")
    assert (float(point.get("cx")), float(point.get("cy"))) == (8, 102)
    assert of_class(drawn, "running__line") == []
