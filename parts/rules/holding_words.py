"""What the figures of an advice and the points of a curve say, in sentences."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from parts.rules.demand_distributions import FEWEST_PERIODS, Family
from parts.rules.holding_curve import Point
from parts.rules.stocking import NOT_HELD, Levels


def levels_words(levels: Levels | None) -> str:
    if levels is None or levels == NOT_HELD:
        return "ordered on demand"
    return f"ordered at {levels.reorder_point}, up to {levels.order_up_to}"


def levels_figures(levels: Levels | None) -> str:
    """For a column whose head says what the two figures are."""
    if levels is None or levels == NOT_HELD:
        return "on demand"
    return f"{levels.reorder_point}, up to {levels.order_up_to}"


def money(amount: float, currency: str) -> str:
    """Whole units from a hundred up, else cents: 1,240 EUR, 12.40 EUR."""
    return f"{amount:,.0f} {currency}" if amount >= 100 else f"{amount:,.2f} {currency}"


def percent(share: float) -> str:
    """With as many digits as say something: 43 %, 4.9 %, 0.32 %."""
    value = share * 100
    if value >= 9.95:
        return f"{value:.0f} %"
    if value >= 0.95:
        return f"{value:.1f} %"
    return f"{value:.2f} %" if value >= 0.005 else "0 %" if value <= 0 else "under 0.01 %"


def days(value: float) -> str:
    """A mean wait in the unit that people would say it in."""
    if value >= 9.95:
        return f"{value:.0f} days"
    if value >= 1.05:
        return f"{value:.1f} days"
    if value >= 0.95:
        return "1 day"
    hours = value * 24
    if hours >= 0.95:
        return f"{hours:.0f} h"
    return "under an hour" if value > 0 else "no time"


def missed_words(pieces: float) -> str:
    """Pieces that are missed on average at any time."""
    return "fewer than 0.001" if pieces < 0.001 else f"{pieces:.2g}"


def point_words(point: Point, currency: str) -> str:
    """One point of a curve as a sentence."""
    return (
        f"{money(point.money, currency)} bound; {percent(point.waiting_share)} of demands wait, "
        f"and the mean wait over all is {days(point.waiting_days)}."
    )


def step_words(
    name: str,
    to: Levels | None,
    here: Point,
    there: Point,
    *,
    demands_per_year: float,
    currency: str,
) -> str:
    """What happens one step away from `here`: the part `name` goes to the levels `to`."""
    more = there.money >= here.money
    change = "binds" if more else "frees"
    amount = money(abs(there.money - here.money), currency)
    waits = abs(there.waiting_share - here.waiting_share) * demands_per_year
    fewer = "fewer" if there.waiting_share <= here.waiting_share else "more"
    held = f"{name}, {levels_words(to)}," if name else f"{levels_words(to).capitalize()}:"
    return f"{held} {change} {amount}; {_waits(waits, fewer)}."


def _waits(per_year: float, fewer: str) -> str:
    """How many demands a year wait more or fewer, or every how many years one."""
    if per_year >= 9.95:
        return f"about {per_year:.0f} {fewer} demands a year wait"
    if per_year >= 1.05:
        return f"about {per_year:.1f} {fewer} demands a year wait"
    if per_year >= 0.95:
        return f"about one demand {fewer} a year waits"
    if per_year >= 0.01:
        return f"one demand {fewer} in {1 / per_year:.2g} years waits"
    return "hardly any demand waits for it"


def reasons(basis: Mapping[str, Any], currency: str) -> list[tuple[str, str]]:
    """(name, sentence) of each figure that the advice rests on, in the order of the sum."""
    rows = [("Demand", _demand(basis)), ("Distribution", _distribution(basis))]
    if basis["pieces_per_month_below"]:
        rows.append(
            (
                "Stores restocked from here",
                f"They want {basis['pieces_per_month_below']:.3g} pieces a month on top.",
            )
        )
    rows.append(
        ("Lead time", f"{basis['lead_days']:.3g} days, {basis['lead_from']}. {_central(basis)}")
    )
    rows.append(
        (
            "Wanted meanwhile",
            f"{basis['lead_time_mean']:.3g} pieces on average, standard deviation "
            f"{basis['lead_time_sd']:.3g}.",
        )
    )
    rows.append(
        (
            "Target",
            f"{percent(basis['target_service'])} of demands met whole from the shelf. These levels "
            f"meet {met(basis['filled'])}; the mean wait over all is "
            f"{days(basis['waiting_days'])}.{_cap(basis)}",
        )
    )
    rows.append(("Order", _order(basis, currency)))
    rows.append(("Money bound", _money(basis, currency)))
    return [(name, sentence.strip()) for name, sentence in rows]


def _demand(basis: Mapping[str, Any]) -> str:
    rate = f"{basis['pieces_per_month']:.3g} pieces a month"
    if basis["distribution"] == Family.FORECAST.value:
        return f"{rate}, by a forecast: {basis['forecast_source']}."
    if basis["distribution"] == Family.NONE.value:
        return f"None in {_periods(basis)} on record."
    at_once = basis["pieces_at_once"]
    each = "" if at_once == 1 else f", {at_once:.3g} at once on average"
    return f"{rate} in {_periods(basis)} on record{each}."


def _periods(basis: Mapping[str, Any]) -> str:
    number = basis["periods"]
    return "1 period of 30 days" if number == 1 else f"{number} periods of 30 days"


def _distribution(basis: Mapping[str, Any]) -> str:
    family = Family(basis["distribution"])
    if family is Family.NONE:
        return "Nothing to spread."
    if family is Family.FORECAST:
        return (
            "As the forecast gives it for its window; for a shorter time each piece counts by the "
            "share of the window, for a longer one windows like it follow each other."
        )
    if basis["dispersion_p"] is None:
        return f"Poisson: fewer than {FEWEST_PERIODS} periods are too few to test for more."
    seen = (
        f"variance to mean {basis['variance_to_mean']:.3g}, chi-square p "
        f"{_p_value(basis['dispersion_p'])}"
    )
    if family is Family.NEGATIVE_BINOMIAL:
        return f"Negative binomial: demands come in bunches, {seen}."
    return f"Poisson: demands vary no more than chance would have it, {seen}."


def _p_value(value: float) -> str:
    return "below 0.0001" if value < 0.0001 else f"{value:.2g}"


def met(filled: float) -> str:
    """A share of demands that is met, with digits that tell it from all of them."""
    return f"{filled * 100:.1f} %" if filled < 0.9995 else f"{filled * 100:.3f} %"


def _central(basis: Mapping[str, Any]) -> str:
    if not basis["central"]:
        return ""
    if not basis["central_stock"]:
        return f"{basis['central']} holds none, so its own lead time comes on top."
    return (
        f"{basis['central']} holds up to {basis['central_stock']} and owes this store "
        f"{basis['owed_by_central']:.2g} pieces on average."
    )


def _cap(basis: Mapping[str, Any]) -> str:
    if basis["shelf_life_cap"] is None:
        return ""
    cap = (
        f" Within its shelf life {basis['shelf_life_cap']} are expected to be wanted: no more are "
        "advised."
    )
    return cap + (" That is too few for the target." if basis["capped"] else "")


def _order(basis: Mapping[str, Any], currency: str) -> str:
    number = basis["order_quantity"]
    if not number:
        return "One is ordered when it is asked for."
    if basis["central"]:
        return "One for one from the central store."
    if basis["unit_cost"] is None:
        return f"{number} at once. No price is known, so only packs and the minimum count."
    return (
        f"{number} at once. By cost: an order {money(basis['order_cost'], currency)}, keeping "
        f"{percent(basis['holding_per_year'])} of {money(basis['unit_cost'], currency)} a piece "
        "and year; then whole packs and the minimum."
    )


def _money(basis: Mapping[str, Any], currency: str) -> str:
    if basis["money"] is None:
        return (
            f"{basis['on_hand']:.3g} pieces on hand on average. No price is known: enter an offer, "
            "or receive one at its cost."
        )
    return (
        f"{basis['on_hand']:.3g} pieces on hand on average at "
        f"{money(basis['unit_cost'], currency)} each: {money(basis['money'], currency)}."
    )
