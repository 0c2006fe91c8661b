"""How planning restocks stores, and how far they are from each other."""

from __future__ import annotations

from dataclasses import replace

import pytest

from parts.rules.distances import great_circle_km, transfer_days
from parts.rules.planning import after, plan
from parts.rules.supply import Level
from tests.pure.test_planning import (
    DOCK,
    FOREST,
    KIT,
    OLD,
    QUARRY,
    STORES,
    delivery,
    on,
    shelf,
    situation,
)

# --- Restocking ---------------------------------------------------------------------------------


def test_a_store_is_restocked_up_to_its_level_when_it_falls_to_its_point() -> None:
    for there, wanted in ((3, 0), (2, 3), (0, 5)):
        s = situation(
            shelves={(QUARRY, KIT): shelf(there)}, levels=[Level(QUARRY, KIT, 2, 5)], offers=DOCK
        )
        assert sum(want.for_stock for want in plan(s).wants) == wanted


def test_what_is_on_its_way_or_asked_for_counts_before_more_is_ordered() -> None:
    level = Level(QUARRY, KIT, 2, 5)
    coming = situation(levels=[level], inbounds=[delivery(70, 3, on(4))], offers=DOCK)
    assert plan(coming).wants == ()
    asked = situation(levels=[replace(level, asked_for=3)], offers=DOCK)
    assert plan(asked).wants == ()


def test_a_central_store_restocks_as_far_as_it_can_and_the_rest_is_ordered() -> None:
    stores = {**STORES, QUARRY: replace(STORES[QUARRY], supplied_by=FOREST)}
    for spare, sent, ordered in ((9, 5, 0), (3, 3, 0), (2, 2, 3), (0, 0, 5)):
        s = situation(
            stores=stores,
            shelves={(FOREST, KIT): shelf(spare + 1, keep_back=1)},
            levels=[Level(QUARRY, KIT, 2, 5)],
            offers=DOCK,
        )
        found = plan(s)
        assert [(t.giver, t.quantity) for t in found.transfers] == (
            [(FOREST, sent)] if sent else []
        )
        assert sum(want.for_stock for want in found.wants) == ordered
        # And what is planned stays planned.
        again = plan(after(s, found))
        assert again == found


def test_a_central_store_that_refused_is_not_asked_again() -> None:
    s = situation(
        stores={**STORES, QUARRY: replace(STORES[QUARRY], supplied_by=FOREST)},
        shelves={(FOREST, KIT): shelf(9)},
        levels=[Level(QUARRY, KIT, 2, 5)],
        offers=DOCK,
        refused_restocking=frozenset({(FOREST, QUARRY, KIT)}),
    )
    assert plan(s).transfers == ()
    assert plan(s).wants[0].for_stock == 5


def test_a_level_on_an_old_number_counts_its_stock_and_buys_the_newest() -> None:
    s = situation(shelves={(QUARRY, OLD): shelf(2)}, levels=[Level(QUARRY, KIT, 2, 5)], offers=DOCK)
    assert [(w.part, w.for_stock) for w in plan(s).wants] == [(KIT, 3)]


# --- How far ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("place", "other", "km"),
    [
        # A quarter of a meridian and half the equator of a sphere: pi R / 2 and pi R.
        ((0, 0), (90, 0), 10_007.557),
        ((0, -90), (0, 90), 20_015.115),
        # One degree of latitude: pi R / 180.
        ((51, 7), (52, 7), 111.195),
        # Half a degree of longitude at 60 degrees north, where the parallel is half as long; the
        # great circle is a trifle shorter.
        ((60, 10), (60, 10.5), 27.799),
        ((51, 7), (51, 7), 0.0),
    ],
)
def test_great_circle_distances(
    place: tuple[float, float], other: tuple[float, float], km: float
) -> None:
    assert great_circle_km(*place, *other) == pytest.approx(km, abs=0.001)
    assert great_circle_km(*other, *place) == pytest.approx(km, abs=0.001)


@pytest.mark.parametrize(
    ("km", "days"), [(0.0, 2), (41.0, 2), (400.0, 2), (400.1, 3), (1200.0, 4), (None, 4)]
)
def test_a_transfer_takes_a_day_to_pack_and_one_for_each_400_km_begun(
    km: float | None, days: int
) -> None:
    assert transfer_days(km) == days
