"""Money against waiting: the curve of a part, that of a store, the drawing and the words."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from itertools import pairwise, product

import numpy as np
import pytest

from parts.rules.demand_distributions import ONE_AT_A_TIME, Sizes, poisson
from parts.rules.holding_curve import PartCurve, Point, part_curve, store_curve, sum_of
from parts.rules.holding_plot import Marked, holding_curve_svg
from parts.rules.holding_words import days, met, money, percent, point_words, step_words
from parts.rules.stocking import NOT_HELD, Levels


def curve(
    part: int = 1, *, mean: float = 1.2, quantity: int = 2, cost: float = 10.0, **more: object
) -> PartCurve:
    return part_curve(
        part,
        poisson(mean),
        demands_per_day=mean / 20,
        sizes=ONE_AT_A_TIME,
        quantity=quantity,
        unit_cost=cost,
        **more,  # type: ignore[arg-type]
    )


THREE = [
    curve(1, mean=0.4, quantity=1, cost=300),
    curve(2, mean=2.5, quantity=4, cost=7),
    curve(3, mean=0.9, quantity=1, cost=40),
]


def test_the_first_choice_is_not_to_hold_and_waits_the_whole_lead_time() -> None:
    found = curve()
    assert found.levels[:3] == (NOT_HELD, Levels(0, 2), Levels(1, 3))
    start = found.point(0)
    assert (start.money, start.waiting_share) == (0, 1)
    assert start.waiting_days == pytest.approx(20, rel=1e-8)
    assert found.place_of(Levels(1, 3)) == 2
    assert found.place_of(Levels(1, 4)) is None


def test_each_choice_costs_more_and_lets_fewer_wait() -> None:
    found = curve(mean=3.3, quantity=5)
    points = [found.point(n) for n in range(len(found.levels))]
    for before, after in pairwise(points):
        assert after.money > before.money
        assert after.waiting_share < before.waiting_share
        assert after.waiting_days < before.waiting_days
    assert points[-1].waiting_share < 1e-4


def test_no_choice_goes_above_what_ages() -> None:
    found = curve(quantity=3, most=5)
    assert [levels.order_up_to for levels in found.levels] == [0, 3, 4, 5]
    # The least choice is kept all the same.
    assert len(curve(quantity=3, most=1).levels) == 2


def test_pairs_wait_more_than_single_pieces() -> None:
    pairs = part_curve(
        1,
        poisson(1.2),
        demands_per_day=0.03,
        sizes=Sizes((2,), (1.0,)),
        quantity=2,
        unit_cost=10,
    )
    assert pairs.share[2] > curve().share[2]


def combined(curves: list[PartCurve]) -> list[tuple[float, float]]:
    """(money, pieces waiting) of every combination of choices."""
    return [
        (
            sum(float(c.money[n]) for c, n in zip(curves, places, strict=True)),
            sum(float(c.waiting[n]) for c, n in zip(curves, places, strict=True)),
        )
        for places in product(*(range(len(c.levels)) for c in curves))
    ]


def test_no_combination_is_better_than_a_point_of_the_store_curve() -> None:
    """Own: against all combinations of three parts."""
    found = store_curve(THREE)
    everything = combined(THREE)
    pieces = sum(c.pieces_per_day for c in THREE)
    for point in found.points:
        best = min(waiting for money_, waiting in everything if money_ <= point.money + 1e-9)
        assert point.waiting_days * pieces == pytest.approx(best, abs=1e-9)


def test_the_points_are_the_sums_of_the_choices_on_the_way() -> None:
    found = store_curve(THREE)
    by_part = {c.part: c for c in THREE}
    for place, point in enumerate(found.points):
        chosen = found.chosen(place)
        parts = []
        for part, each in by_part.items():
            at = each.place_of(chosen.get(part, NOT_HELD))
            assert at is not None
            parts.append((each.point(at), each.demands_per_day, each.pieces_per_day))
        total = sum_of(parts)
        assert (total.money, total.waiting_share, total.waiting_days) == pytest.approx(
            (point.money, point.waiting_share, point.waiting_days), abs=1e-9
        )


def test_each_step_gains_less_for_its_money_than_the_one_before() -> None:
    points = store_curve(THREE).points
    gains = [(a.waiting_days - b.waiting_days) / (b.money - a.money) for a, b in pairwise(points)]
    assert all(later <= earlier + 1e-12 for earlier, later in pairwise(gains))


def test_a_point_is_found_by_share_and_by_money() -> None:
    found = store_curve(THREE)
    place = found.at_most_waiting(0.05)
    assert found.points[place].waiting_share <= 0.05 < found.points[place - 1].waiting_share
    assert found.for_money(found.points[7].money) == 7
    assert found.for_money(found.points[7].money - 0.001) == 6
    assert (found.for_money(0), found.at_most_waiting(0)) == (0, len(found.points) - 1)


def test_a_store_without_parts_is_one_point() -> None:
    found = store_curve([])
    assert found.points == (Point(0, 0, 0),)
    assert (found.at_most_waiting(0.1), found.for_money(100), dict(found.chosen(0))) == (0, 0, {})


# --- The drawing --------------------------------------------------------------------------------


def drawn(marked: Marked, **more: bool) -> ET.Element:
    points = store_curve(THREE).points
    text = holding_curve_svg(points, marked, title="A & B", currency="EUR", **more)
    return ET.fromstring(text)  # noqa: S314 (our own drawing)


def parts_of(root: ET.Element, css: str) -> list[ET.Element]:
    return [one for one in root.iter() if one.get("class") == f"hold-plot__{css}"]


def words_of(root: ET.Element) -> list[str]:
    return [one.text or "" for one in root.iter() if one.tag.endswith("text")]


def test_the_marks_stand_where_their_figures_say() -> None:
    root = drawn(Marked(now=Point(0, 1, 9), looked=Point(400, 0.5, 2)))
    (looked,) = parts_of(root, "looked")
    assert float(looked.get("cy", "")) == pytest.approx((36 + 244) / 2)
    assert {"now", "looked at"} <= set(words_of(root))
    assert "advised" not in words_of(root)
    assert {"money bound on the shelf, EUR", "demands that wait, %"} <= set(words_of(root))
    assert root.get("role") == "img"
    assert root[0].text == "A & B"


def test_small_shares_get_a_scale_of_their_own() -> None:
    wide = drawn(Marked(now=Point(0, 1, 9)))
    close = drawn(Marked(now=Point(900, 0.02, 1), looked=Point(800, 0.03, 1)))
    assert "100" in words_of(wide)
    assert "5" in words_of(close)
    assert "100" not in words_of(close)


def test_no_point_of_the_line_leaves_the_frame() -> None:
    for marked in (Marked(), Marked(now=Point(900, 0.02, 1)), Marked(looked=Point(0, 1, 3))):
        (line,) = parts_of(drawn(marked), "curve")
        pairs = line.get("d", "")[1:].split("L")
        for x, y in (map(float, pair.split()) for pair in pairs):
            assert 52 - 0.01 <= x <= 544.01
            assert 36 - 0.01 <= y <= 244.01


def test_words_do_not_lie_on_each_other() -> None:
    same = Point(700, 0.04, 1)
    root = drawn(Marked(now=same, advised=same, looked=same))
    heights = [
        float(one.get("y", ""))
        for css in ("now-label", "advised-label", "looked-label")
        for one in parts_of(root, css)
    ]
    assert len(heights) == 3
    assert min(abs(a - b) for a, b in pairwise(sorted(heights))) >= 18


def test_a_file_carries_its_own_looks_and_nothing_is_drawn_of_nothing() -> None:
    assert any(one.tag.endswith("style") for one in drawn(Marked(), standalone=True))
    assert not any(one.tag.endswith("style") for one in drawn(Marked()))
    nothing = [Point(0, 1, 3)]
    assert holding_curve_svg(nothing, Marked(), title="", currency="EUR") == ""


def test_choices_are_dots_where_there_are_few() -> None:
    assert not parts_of(drawn(Marked()), "choice")
    assert len(parts_of(drawn(Marked(), dots=True), "choice")) > 3


# --- Words --------------------------------------------------------------------------------------


def test_figures_in_words() -> None:
    assert [percent(x) for x in (1, 0.43, 0.0491, 0.0032, 0.00001, 0)] == [
        "100 %",
        "43 %",
        "4.9 %",
        "0.32 %",
        "under 0.01 %",
        "0 %",
    ]
    assert [days(x) for x in (30, 2.34, 1.0, 0.3, 0.001, 0)] == [
        "30 days",
        "2.3 days",
        "1 day",
        "7 h",
        "under an hour",
        "no time",
    ]
    assert (money(1240.4, "EUR"), money(12.4, "NOK")) == ("1,240 EUR", "12.40 NOK")
    assert (met(0.951), met(0.99996)) == ("95.1 %", "99.996 %")
    assert point_words(Point(99, 0.05, 0), "EUR") == (
        "99.00 EUR bound; 5.0 % of demands wait, and the mean wait over all is no time."
    )


def test_a_step_in_words() -> None:
    here, dearer = Point(100, 0.10, 2), Point(138, 0.05, 1)
    said = step_words("WP-1", Levels(2, 5), here, dearer, demands_per_year=40, currency="EUR")
    assert said == (
        "WP-1, ordered at 2, up to 5, binds 38.00 EUR; about 2.0 fewer demands a year wait."
    )
    back = step_words("", None, dearer, here, demands_per_year=4, currency="EUR")
    assert back == "Ordered on demand: frees 38.00 EUR; one demand more in 5 years waits."


def test_many_parts_at_once_take_no_time() -> None:
    dice = np.random.default_rng(3)
    many = [
        curve(n, mean=float(dice.uniform(0.1, 5)), cost=float(dice.uniform(1, 300)))
        for n in range(500)
    ]
    found = store_curve(many)
    assert len(found.points) > 2000
    assert found.points[-1].waiting_share < 1e-4
