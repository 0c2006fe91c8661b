"""The drawing of loss against clearance: where things stand, not how they look."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from decimal import Decimal
from itertools import pairwise
from pathlib import Path as FilePath

import pytest

from fleet.vocabulary import LeakShape
from inspections.rules.leakage import Clearance, Conditions, MeasuredPath, Path, losses
from inspections.rules.leakage_plot import Axes, leak_curve_svg
from inspections.rules.viscosity import oil_of_grade

D = Decimal
PATH = Path(LeakShape.SLOT, count=4, gap_factor=D("0.5"), width_mm=D(30), length_mm=D(9))
ASKED = Conditions(100, 50, 1500, 37, oil_of_grade(46))
LEFT, RIGHT, TOP, FOOT = 58.0, 384.0, 30.0, 204.0


def measured(*ends, **more):
    more = {
        "as_new": (Clearance("", D("0.05"), D("0.08")),),
        "limits_mm": (D("0.20"),),
        **more,
    }
    gaps = tuple(
        Clearance(f"place {n}", D(low), None if high is None else D(high))
        for n, (low, high) in enumerate(ends)
    )
    return MeasuredPath("side", "Side", "plates", PATH, gaps, source="page 1", **more)


def loss_of(path):
    return losses([path], ASKED, draws=2000).paths[0]


def drawn(path, axes=None, **more):
    text = leak_curve_svg(loss_of(path), title="Side & tip", axes=axes, **more)
    return ET.fromstring(text)  # noqa: S314 (our own drawing)


def parts(root, css):
    return [one for one in root.iter() if one.get("class") == f"leak-plot__{css}"]


def one(root, css):
    (found,) = parts(root, css)
    return found


def words(root):
    return [t.text for t in root.iter() if t.tag.endswith("text")]


def test_the_frame_and_the_title():
    root = drawn(measured(("0.10", "0.15")))
    assert (root.get("viewBox"), root.get("role")) == ("0 0 400 250", "img")
    assert (root.get("width"), root.get("height")) == ("400", "250")
    assert root[0].text == "Side & tip"
    assert not any(e.tag.endswith("style") for e in root.iter())
    taken = drawn(measured(("0.10", "0.15")), standalone=True)
    style = next(e for e in taken.iter() if e.tag.endswith("style"))
    assert ".leak-plot__curve{" in style.text


def test_the_curve_is_a_cube_from_the_corner():
    root = drawn(measured(("0.10", "0.15")))
    numbers = [float(n) for n in re.findall(r"[0-9.]+", one(root, "curve").get("d"))]
    points = list(zip(numbers[::2], numbers[1::2], strict=True))
    assert len(points) == 49
    assert points[0] == (LEFT, FOOT)
    assert points[-1] == (RIGHT, TOP)
    # Half way along, an eighth of the height.
    assert points[24] == pytest.approx(
        (LEFT + (RIGHT - LEFT) / 2, FOOT - (FOOT - TOP) / 8), abs=0.01
    )


def x_of(clearance, widest=0.20 * 1.18):
    return LEFT + (RIGHT - LEFT) * clearance / widest


def test_limit_as_new_and_today_stand_where_they_are():
    root = drawn(measured(("0.10", "0.15")))
    limit = one(root, "limit")
    assert float(limit.get("x1")) == float(limit.get("x2")) == pytest.approx(x_of(0.2), abs=0.01)
    assert (float(limit.get("y1")), float(limit.get("y2"))) == (TOP - 6, FOOT)
    new = one(root, "new")
    assert float(new.get("x")) == pytest.approx(x_of(0.05), abs=0.01)
    assert float(new.get("width")) == pytest.approx(x_of(0.08) - x_of(0.05), abs=0.02)
    bar, dot = parts(root, "today")
    assert float(bar.get("x")) == pytest.approx(x_of(0.10), abs=0.01)
    assert float(bar.get("width")) == pytest.approx(x_of(0.15) - x_of(0.10), abs=0.02)
    loss = loss_of(measured(("0.10", "0.15")))
    most = loss.l_min_per_mm3 * (0.2 * 1.18) ** 3
    assert float(dot.get("cx")) == pytest.approx(x_of(loss.clearance_mm), abs=0.01)
    assert float(dot.get("cy")) == pytest.approx(FOOT - (FOOT - TOP) * loss.flow / most, abs=0.01)
    whisker = one(root, "whisker")
    ends = [FOOT - (FOOT - TOP) * flow / most for flow in (loss.low, loss.high)]
    assert [float(whisker.get(y)) for y in ("y1", "y2")] == pytest.approx(ends, abs=0.01)
    said = words(root)
    assert {"limit 0.2", "as new", "loss, L/min", "clearance, mm"} <= set(said)
    assert any(re.fullmatch(r"today [0-9.]+", word) for word in said)


def test_several_positions_span_from_the_lowest_to_the_highest():
    root = drawn(measured(("0.10", "0.12"), ("0.14", "0.15")))
    bar, _ = parts(root, "today")
    assert float(bar.get("x")) == pytest.approx(x_of(0.10), abs=0.01)
    assert float(bar.get("width")) == pytest.approx(x_of(0.15) - x_of(0.10), abs=0.02)


def test_beyond_the_limit_the_drawing_grows():
    root = drawn(measured(("0.40", "0.50")))
    limit = one(root, "limit")
    assert float(limit.get("x1")) == pytest.approx(x_of(0.2, widest=0.5 * 1.18), abs=0.01)


def test_a_value_is_seen_though_it_has_no_width():
    root = drawn(measured(("0.10", "0.10")))
    bar, _ = parts(root, "today")
    assert float(bar.get("width")) == pytest.approx(2, abs=0.01)
    assert float(bar.get("x")) == pytest.approx(x_of(0.10) - 1, abs=0.01)
    strip = one(root, "strip")
    assert strip.tag.endswith("rect")


def test_the_strip_lies_under_the_curve():
    root = drawn(measured(("0.10", "0.15")))
    numbers = [float(n) for n in re.findall(r"[0-9.]+", one(root, "strip").get("d"))]
    assert numbers[:2] == pytest.approx((x_of(0.10), FOOT), abs=0.01)
    assert numbers[-2:] == pytest.approx((x_of(0.15), FOOT), abs=0.01)


def test_without_a_reading_only_what_the_sheet_prints():
    for path in (measured(), measured(("0.10", None))):
        root = drawn(path)
        assert parts(root, "today") == parts(root, "strip") == parts(root, "whisker") == []
        assert len(parts(root, "limit")) == len(parts(root, "new")) == 1


def test_without_anything_no_drawing():
    bare = measured(as_new=(), limits_mm=())
    assert leak_curve_svg(loss_of(bare), title="") == ""
    closed = measured(("0", "0"), as_new=(), limits_mm=())
    assert leak_curve_svg(loss_of(closed), title="") == ""


def test_axes_in_the_readers_units():
    inch = Axes(1 / 25.4, "in", 0.264172, "US gpm")
    root = drawn(measured(("0.10", "0.15"), limits_mm=(D("0.1524"),)), axes=inch)
    said = words(root)
    assert {"limit 0.006", "loss, US gpm", "clearance, in"} <= set(said)
    loss = loss_of(measured(("0.10", "0.15")))
    today = next(word for word in said if word.startswith("today"))
    assert float(today.split()[1]) == pytest.approx(loss.flow * 0.264172, rel=0.06)


@pytest.mark.parametrize("limit", ["0.0123", "0.05", "0.1", "0.15", "0.2", "0.5", "0.9"])
def test_the_marks_are_round_few_and_begin_at_nothing(limit):
    root = drawn(measured(limits_mm=(D(limit),), as_new=()))
    along = [t.text for t in parts(root, "figure") if t.get("text-anchor") == "middle"]
    assert along[0] == "0"
    assert 3 <= len(along) <= 6
    assert all(len(text.lstrip("0.")) <= 2 for text in along)
    steps = [float(b) - float(a) for a, b in pairwise(along)]
    assert steps == pytest.approx([steps[0]] * len(steps))
    assert float(along[-1]) <= float(limit) * 1.18


def test_a_range_above_the_curve_still_fits():
    wide = replace(
        loss_of(measured(("0.10", "0.10"), limits_mm=(), as_new=())),
        high=1e6,
    )
    root = ET.fromstring(leak_curve_svg(wide, title=""))  # noqa: S314 (our own drawing)
    whisker = one(root, "whisker")
    assert float(whisker.get("y2")) == pytest.approx(TOP)


def test_words_stay_on_the_sheet_and_apart():
    for ends in (("0.01", "0.02"), ("0.05", "0.06"), ("0.19", "0.21"), ("0.4", "0.5")):
        root = drawn(measured(ends))
        for css in ("today-label", "new-label", "limit-label"):
            label = one(root, css)
            assert 0 <= float(label.get("x")) <= 400
            assert 12 <= float(label.get("y")) <= 250
        today, new = one(root, "today-label"), one(root, "new-label")
        assert float(new.get("y")) - float(today.get("y")) >= 14


GOLDEN = FilePath(__file__).parent / "golden" / "leak_curves.txt"
LOOKED_AT = (
    ({"low": 2.0, "high": 6.0, "flow": 4.0, "clearance_mm": 0.125}, ("0.10", "0.15")),
    ({"low": 0.2, "high": 0.9, "flow": 0.5, "clearance_mm": 0.063}, ("0.06", "0.06")),
    ({"low": 40.0, "high": 190.0, "flow": 90.0, "clearance_mm": 0.355}, ("0.30", "0.40")),
)


@pytest.mark.parametrize("number", range(len(LOOKED_AT)))
def test_the_whole_drawing_as_it_was_looked_at(number):
    """Made by this code and looked at in a browser: a change of it is looked at again."""
    figures, ends = LOOKED_AT[number]
    loss = replace(loss_of(measured(ends)), l_min_per_mm3=2000.0, **figures)
    svg = leak_curve_svg(loss, title="Side", standalone=number == 0)
    assert svg == GOLDEN.read_text("utf-8").splitlines()[number]
