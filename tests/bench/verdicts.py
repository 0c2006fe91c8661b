"""Verdicts for 100,000 checks at once, against one by one: `python -m tests.bench.verdicts`.

The slow way judges each check on its own with scipy.stats.norm, written apart from the product.
Both must give the same outcomes, and probabilities to 1e-9. The last line is how many times
faster the product is, all three rules taken together.
"""

from __future__ import annotations

import math
import sys
import time
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from scipy.stats import norm

from fleet.decisions import SIMPLE, DecisionRule, RuleKind
from inspections.rules.conformity import NO_HIGH, NO_LOW, OUT, UNDECIDED, WITHIN, judge_many

CHECKS = 100_000
SEED = 20_240
MM = 10**10
RULES = (
    SIMPLE,
    DecisionRule(RuleKind.GUARDED, guard_z=Decimal("1.645")),
    DecisionRule(RuleKind.PROBABILITY),
)


@dataclass(frozen=True)
class Checks:
    """Random checks in ticks: feeler brackets and figures, against one limit or two."""

    rule: np.ndarray
    low: np.ndarray
    high: np.ndarray
    low_closed: np.ndarray
    high_closed: np.ndarray
    u: np.ndarray
    limit_low: np.ndarray
    limit_high: np.ndarray
    strict_high: np.ndarray


def random_checks(count: int, seed: int) -> Checks:
    random = np.random.default_rng(seed)
    step = MM // 100
    low = random.integers(5, 60, count) * step
    width = np.where(random.random(count) < 0.5, 0, random.choice([1, 2, 5], count) * step)
    high = low + width
    open_up = (width > 0) & (random.random(count) < 0.05)
    sides = random.integers(0, 3, count)
    middle = low + random.integers(-10, 11, count) * step
    room = random.integers(1, 12, count) * step
    u = random.uniform(0.001, 0.012, count) * MM
    return Checks(
        rule=random.integers(0, len(RULES), count),
        low=low,
        high=np.where(open_up, NO_HIGH, high),
        low_closed=np.ones(count, dtype=bool),
        high_closed=width == 0,
        u=np.where(random.random(count) < 0.05, np.nan, u),
        limit_low=np.where(sides == 0, NO_LOW, middle - room),
        limit_high=np.where(sides == 1, NO_HIGH, middle + room),
        strict_high=(sides == 0) & (random.random(count) < 0.2),
    )


def at_once(checks: Checks) -> tuple[np.ndarray, np.ndarray]:
    codes = np.empty(len(checks.low), dtype=np.int8)
    chances = np.empty(len(checks.low))
    for number, rule in enumerate(RULES):
        which = checks.rule == number
        codes[which], chances[which] = judge_many(
            low=checks.low[which],
            high=checks.high[which],
            low_closed=checks.low_closed[which],
            high_closed=checks.high_closed[which],
            u=checks.u[which],
            limit_low=checks.limit_low[which],
            limit_high=checks.limit_high[which],
            rule=rule,
            strict_high=checks.strict_high[which],
        )
    return codes, chances


def one_by_one(checks: Checks) -> tuple[np.ndarray, np.ndarray]:
    columns = (
        checks.rule, checks.low, checks.high, checks.low_closed, checks.high_closed, checks.u,
        checks.limit_low, checks.limit_high, checks.strict_high,
    )  # fmt: skip
    judged = [judge_one(*row) for row in zip(*(each.tolist() for each in columns), strict=True)]
    codes, chances = zip(*judged, strict=True)
    return np.array(codes, dtype=np.int8), np.array(chances)


def judge_one(
    rule_number: int,
    low: int,
    high: int,
    low_closed: bool,
    high_closed: bool,
    u: float,
    limit_low: int,
    limit_high: int,
    strict: bool,
) -> tuple[int, float]:
    rule = RULES[rule_number]
    is_open = high == NO_HIGH
    code = UNDECIDED
    chance = math.nan if is_open else chance_of(low, high, u, limit_low, limit_high)
    bound = math.nan
    if is_open:
        has_high = limit_high != NO_HIGH
        bound = chance_of(low, low, u, NO_LOW if has_high else limit_low, limit_high)
    if rule.needs_uncertainty and math.isnan(u):
        return UNDECIDED, chance
    if rule.kind is RuleKind.PROBABILITY:
        if is_open:
            if limit_high == NO_HIGH:
                code = WITHIN if bound >= float(rule.p_accept) else UNDECIDED
            else:
                code = OUT if bound <= float(rule.p_reject) else UNDECIDED
        elif chance >= float(rule.p_accept):
            code = WITHIN
        elif chance <= float(rule.p_reject):
            code = OUT
    else:
        guard = round(float(rule.guard_z) * u) if rule.kind is RuleKind.GUARDED else 0
        code = by_ends(low, high, low_closed, high_closed, guard, limit_low, limit_high, strict)
    return code, bound if is_open and code != UNDECIDED else chance


def by_ends(
    low: int,
    high: int,
    low_closed: bool,
    high_closed: bool,
    guard: int,
    limit_low: int,
    limit_high: int,
    strict: bool,
) -> int:
    worst = WITHIN
    if limit_high != NO_HIGH:
        accept, reject = limit_high - guard, limit_high + guard
        if low > reject or (low == reject and (strict or not low_closed)):
            return OUT
        fits = high < accept or (high == accept and not (strict and high_closed))
        if high == NO_HIGH or not fits:
            worst = UNDECIDED
    if limit_low != NO_LOW:
        accept, reject = limit_low + guard, limit_low - guard
        if high != NO_HIGH and (high < reject or (high == reject and not high_closed)):
            return OUT
        if low < accept:
            worst = UNDECIDED
    return worst


def chance_of(low: int, high: int, u: float, limit_low: int, limit_high: int) -> float:
    """The probability of conformity by the book; a bracket is cut off at 0."""
    has_low, has_high = limit_low != NO_LOW, limit_high != NO_HIGH
    if low == high:
        if math.isnan(u):
            return math.nan
        below = norm.cdf((limit_high - low) / u) if has_high else 1.0
        return float(below - (norm.cdf((limit_low - low) / u) if has_low else 0.0))

    def at_most(limit: int) -> float:
        if math.isnan(u):
            return min(max((limit - low) / (high - low), 0.0), 1.0)
        from_low, from_high = (limit - low) / u, (limit - high) / u
        return float(
            u
            / (high - low)
            * (
                from_low * norm.cdf(from_low)
                + norm.pdf(from_low)
                - from_high * norm.cdf(from_high)
                - norm.pdf(from_high)
            )
        )

    negative = at_most(0)
    below = at_most(limit_high) if has_high else 1.0
    part = below - (at_most(max(limit_low, 0)) if has_low else negative)
    return max(part, 0.0) / (1.0 - negative)


def main() -> None:
    checks = random_checks(CHECKS, SEED)
    at_once(random_checks(1_000, SEED + 1))
    started = time.perf_counter()
    codes, chances = at_once(checks)
    fast = time.perf_counter() - started
    started = time.perf_counter()
    slow_codes, slow_chances = one_by_one(checks)
    slow = time.perf_counter() - started

    differing = int(np.count_nonzero(codes != slow_codes))
    unknown_differs = int(np.count_nonzero(np.isnan(chances) != np.isnan(slow_chances)))
    apart = float(np.nanmax(np.abs(chances - slow_chances)))
    print(f"{CHECKS} checks, seed {SEED}")
    print(f"{'rule':<12} {'within':>8} {'undecided':>10} {'out':>8} {'chance known':>13}")
    for number, rule in enumerate(RULES):
        mine = codes[checks.rule == number]
        counts = np.bincount(mine, minlength=3)
        known = int(np.count_nonzero(~np.isnan(chances[checks.rule == number])))
        print(
            f"{rule.kind.value:<12} {counts[WITHIN]:>8} {counts[UNDECIDED]:>10} {counts[OUT]:>8}"
            f" {known:>13}"
        )
    print(f"{'one by one':<12} {slow:>10.3f} s {slow / CHECKS * 1e6:>9.2f} us a check")
    print(f"{'at once':<12} {fast:>10.3f} s {fast / CHECKS * 1e6:>9.2f} us a check")
    print(f"outcomes that differ: {differing}; probabilities at most {apart:.1e} apart")
    if differing or unknown_differs or apart > 1e-9:
        sys.exit("The two ways disagree, so the times say nothing.")
    print(f"ratio: {slow / fast:.1f}")


if __name__ == "__main__":
    main()
