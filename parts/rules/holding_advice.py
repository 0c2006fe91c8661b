"""How many of a part a store should hold, from what is wanted and how it is restocked.

Beside the levels the advice keeps every figure that they rest on (`Advice.basis`), so that each can
be asked why.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from parts.rules import echelons
from parts.rules.demand_distributions import (
    NOTHING,
    Distribution,
    Family,
    Pattern,
    Sizes,
)
from parts.rules.holding_curve import PartCurve, Point, part_curve
from parts.rules.order_costs import economic_order_quantity
from parts.rules.stocking import (
    DAYS_A_MONTH,
    NOT_HELD,
    ON_DEMAND,
    Levels,
    levels,
    one,
    shelf_life_cap,
    tidy_quantity,
)

DAYS_A_YEAR = 365.25
KEEP_BACK_DAYS = 30
KEEP_BACK_CHANCE = 0.8
# No order is for more than this, however little a piece costs to keep.
_LONGEST_ORDER_DAYS = DAYS_A_YEAR
# A central stock that covers this share of the time: more is not worth looking at.
_ALMOST_ALL = 0.999

Basis = Mapping[str, str | int | float | bool | None]


@dataclass(frozen=True, slots=True, eq=False)
class Wanted:
    """What one store is asked for of one part: by its records, or by a forecast that replaces them.

    forecast: pieces within forecast_days; source: who made it.
    """

    pattern: Pattern
    forecast: Distribution | None = None
    forecast_days: int = 0
    source: str = ""

    def over(self, days: float) -> Distribution:
        if self.forecast is not None:
            return self.forecast.over(days / self.forecast_days)
        return self.pattern.over(days)

    @property
    def sizes(self) -> Sizes:
        return self.pattern.sizes

    @property
    def pieces_per_day(self) -> float:
        if self.forecast is not None:
            return self.forecast.mean / self.forecast_days
        return self.pattern.pieces_per_day

    @property
    def demands_per_day(self) -> float:
        return self.pieces_per_day / self.sizes.mean

    @property
    def family(self) -> Family:
        return Family.FORECAST if self.forecast is not None else self.pattern.family


@dataclass(frozen=True, slots=True)
class Charges:
    """What placing an order costs, and what keeping one unit of money on the shelf for a year."""

    per_order: float = 25.0
    holding_per_year: float = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class Situation:
    """All that the advice for one part in one store rests on.

    lead_days: from asking to having it, where `lead_from` says who says so; below: what the stores
    that are restocked from here want; owed: pieces that the central store owes this one, on top of
    what is wanted within lead_days; central: its name and stock, for the basis.
    """

    part: int
    wanted: Wanted
    lead_days: float
    lead_from: str
    target: float
    unit_cost: float | None = None
    pack_size: int = 1
    minimum: int = 1
    shelf_life_months: int | None = None
    below: tuple[Wanted, ...] = ()
    owed: Distribution = NOTHING
    central: str = ""
    central_stock: int = 0

    @property
    def all_wanted(self) -> tuple[Wanted, ...]:
        return (self.wanted, *self.below)

    @property
    def pieces_per_day(self) -> float:
        return sum(w.pieces_per_day for w in self.all_wanted)

    @property
    def demands_per_day(self) -> float:
        return sum(w.demands_per_day for w in self.all_wanted)

    @property
    def sizes(self) -> Sizes:
        return _mixed_sizes(self.all_wanted)

    def lead_time(self) -> Distribution:
        """Pieces that are on order or late at any time: what the stock must cover."""
        found = self.owed
        for wanted in self.all_wanted:
            found = found.plus(wanted.over(self.lead_days))
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Advice:
    """What to hold, what that brings, and why."""

    situation: Situation
    levels: Levels
    keep_back: int
    quantity: int
    most: int | None
    lead_time: Distribution
    charges: Charges
    point: Point
    on_hand: float

    @property
    def held(self) -> bool:
        return self.levels.reorder_point > ON_DEMAND

    @property
    def filled(self) -> float:
        return 1 - self.point.waiting_share

    def at(self, chosen: Levels | None) -> tuple[Point, float]:
        """(point, pieces on hand) of other levels; None: of not holding the part."""
        return _brings(self.situation, self.lead_time, chosen or NOT_HELD)

    def curve(self) -> PartCurve:
        """Every choice for this part; a part without a price costs nothing on it."""
        asked = self.situation
        return part_curve(
            asked.part,
            self.lead_time,
            demands_per_day=asked.demands_per_day,
            sizes=asked.sizes,
            quantity=self.quantity,
            unit_cost=asked.unit_cost or 0.0,
            most=self.most,
        )

    def basis(self, chosen: Levels | None = None) -> Basis:
        """The figures behind the advice, and what the levels that were chosen bring, as JSON."""
        asked, pattern = self.situation, self.situation.wanted.pattern
        point, on_hand = self.at(chosen or self.levels)
        return {
            "distribution": asked.wanted.family.value,
            "pieces_per_month": _round(asked.wanted.pieces_per_day * DAYS_A_MONTH),
            "pieces_per_month_below": _round(
                sum(w.pieces_per_day for w in asked.below) * DAYS_A_MONTH
            ),
            "pieces_at_once": _round(asked.sizes.mean),
            "periods": pattern.periods,
            "variance_to_mean": _round(pattern.observed_ratio),
            "dispersion_p": None if pattern.p_value is None else _round(pattern.p_value),
            "forecast_source": asked.wanted.source,
            "lead_days": _round(asked.lead_days),
            "lead_from": asked.lead_from,
            "central": asked.central,
            "central_stock": asked.central_stock,
            "owed_by_central": _round(asked.owed.mean),
            "lead_time_mean": _round(self.lead_time.mean),
            "lead_time_sd": _round(self.lead_time.variance**0.5),
            "target_service": asked.target,
            "order_quantity": (chosen or self.levels).order_quantity if self.held else 0,
            "order_cost": self.charges.per_order,
            "holding_per_year": self.charges.holding_per_year,
            "shelf_life_cap": self.most,
            "capped": self.levels.capped,
            "advised_reorder_point": self.levels.reorder_point,
            "advised_order_up_to": self.levels.order_up_to,
            "unit_cost": None if asked.unit_cost is None else _round(asked.unit_cost),
            "filled": _round(1 - point.waiting_share),
            "waiting_days": _round(point.waiting_days),
            "on_hand": _round(on_hand),
            "money": None if asked.unit_cost is None else _round(point.money),
        }


def advise(asked: Situation, charges: Charges) -> Advice:
    """The advice for one part in one store."""
    quantity, most, lead_time = _terms(asked, charges)
    return _advice(
        asked,
        levels(lead_time, asked.target, quantity, asked.sizes, most),
        quantity,
        most,
        lead_time,
        charges,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """A central store and those below it: what each should hold of one part, all together.

    spread: the stocks, found in tables; at: tables of other positions of the central store; sites,
    with lead_days from the central store: to compare other stocks with.
    """

    central: Advice
    spread: echelons.Spread
    tables: echelons.Tables
    at: Callable[[Sequence[echelons.Positions]], echelons.Tables]
    sites: tuple[echelons.Site, ...]
    lead_days: tuple[float, ...]


def advise_network(central: Situation, sites: Sequence[Situation], charges: Charges) -> Network:
    """The stocks that meet every store's target with the least on hand in all.

    central.below holds all that `sites` want; each of these has its own lead_days from the central
    store, and nothing owed.
    """
    quantity, most, lead_time = _terms(central, charges)
    own = central.wanted.pieces_per_day
    below = tuple(echelons.Site(s.pieces_per_day, s.lead_time(), s.sizes) for s in sites)
    # What the central store's own bench asks for takes its share of what is late, and has no
    # stock of its own beside the central one.
    asking = [*below, *([echelons.Site(own, NOTHING)] if own else [])]
    top, at_home = lead_time.quantile(_ALMOST_ALL) + 1, 0
    if own:
        needed = levels(lead_time, central.target, quantity, central.wanted.sizes, most)
        at_home, quantity = needed.reorder_point + 1, needed.order_quantity
    if most is not None:
        top = min(top, max(most - quantity + 1, 1))
    top = max(top, at_home)

    def found(positions: Sequence[echelons.Positions]) -> echelons.Tables:
        full = echelons.tables(asking, lead_time, positions)
        return replace(full, pipelines=full.pipelines[: len(below)])

    offered = found(echelons.positions_of(quantity, top))
    spread = echelons.least_for(offered, below, [s.target for s in sites], at_home)
    low, high = spread.central
    chosen = NOT_HELD if high == 0 else Levels(low - 1, high)
    return Network(
        _advice(central, chosen, quantity, most, lead_time, charges),
        spread,
        offered,
        found,
        below,
        tuple(s.lead_days for s in sites),
    )


def positions_of(held: Levels | None) -> echelons.Positions:
    """Where the position of a central store with these levels lies; None: it holds none."""
    return (0, 0) if held is None else (held.reorder_point + 1, held.order_up_to)


def owed_by_central(central: Situation, pieces_per_day: float, held: Levels | None) -> Distribution:
    """Pieces that a central store with these levels owes, at any time, a store that asks for so
    many a day."""
    others = central.pieces_per_day - pieces_per_day
    if pieces_per_day <= 0:
        return NOTHING
    found = echelons.tables(
        [echelons.Site(pieces_per_day, NOTHING), echelons.Site(max(others, 0.0), NOTHING)],
        central.lead_time(),
        [positions_of(held)],
    )
    return Distribution(found.pipelines[0][0])


def _terms(asked: Situation, charges: Charges) -> tuple[int, int | None, Distribution]:
    """(order quantity, most that may be held, lead-time demand)."""
    most = shelf_life_cap(asked.pieces_per_day, asked.shelf_life_months)
    return _quantity(asked, charges, most), most, asked.lead_time()


def _quantity(asked: Situation, charges: Charges, most: int | None) -> int:
    """The economic order quantity in packs; one at a time where the price is not known.

    What comes from a central store comes piece by piece: an errand is not an order.
    """
    yearly = asked.pieces_per_day * DAYS_A_YEAR
    wanted = 1.0
    if asked.central:
        return tidy_quantity(wanted, pack_size=1, minimum=1)
    if yearly > 0 and asked.unit_cost and charges.per_order > 0 and charges.holding_per_year > 0:
        wanted, _ = economic_order_quantity(
            charges.per_order, charges.holding_per_year * asked.unit_cost, yearly
        )
        wanted = min(wanted, asked.pieces_per_day * _LONGEST_ORDER_DAYS)
    if most is not None:
        wanted = min(wanted, most)
    return tidy_quantity(wanted, pack_size=asked.pack_size, minimum=asked.minimum)


def _advice(
    asked: Situation,
    chosen: Levels,
    quantity: int,
    most: int | None,
    lead_time: Distribution,
    charges: Charges,
) -> Advice:
    point, on_hand = _brings(asked, lead_time, chosen)
    if chosen != NOT_HELD:
        # Shelf life may have made it less.
        quantity = chosen.order_quantity
    next_days = asked.wanted.over(KEEP_BACK_DAYS)
    keep_back = min(next_days.quantile(KEEP_BACK_CHANCE), chosen.order_up_to)
    return Advice(asked, chosen, keep_back, quantity, most, lead_time, charges, point, on_hand)


def _brings(asked: Situation, lead_time: Distribution, chosen: Levels) -> tuple[Point, float]:
    rate = asked.pieces_per_day
    if chosen.reorder_point == ON_DEMAND and chosen.order_up_to == 0:
        days = lead_time.mean / rate if rate else asked.lead_days
        return Point(0.0, 1.0 if rate else 0.0, days if rate else 0.0), 0.0
    filled, _, waiting, on_hand = one(
        lead_time, chosen.reorder_point, chosen.order_quantity, asked.sizes
    )
    return (
        Point(
            on_hand * (asked.unit_cost or 0.0),
            1 - filled if rate else 0.0,
            waiting / rate if rate else 0.0,
        ),
        on_hand,
    )


def _mixed_sizes(wants: Sequence[Wanted]) -> Sizes:
    asking = [w for w in wants if w.demands_per_day > 0]
    if len(asking) < 2:
        return asking[0].sizes if asking else wants[0].sizes
    chances: dict[int, float] = {}
    total = sum(w.demands_per_day for w in asking)
    for wanted in asking:
        for size, chance in zip(wanted.sizes.sizes, wanted.sizes.chances, strict=True):
            chances[size] = chances.get(size, 0.0) + chance * wanted.demands_per_day / total
    sizes = sorted(chances)
    return Sizes(tuple(sizes), tuple(chances[size] for size in sizes))


def _round(value: float) -> float:
    """To six significant figures: what is shown, not what is computed with."""
    return float(np.format_float_positional(value, precision=6, fractional=False))
