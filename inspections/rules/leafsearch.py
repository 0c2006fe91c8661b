"""A leaf set against a limit: every bracket judged at once, and the search for the next leaf.

For one limit only two thicknesses can matter: the thickest that proves the gap within it by
refusing, and the thinnest that proves the contrary by entering, each clear of the guard that the
rule asks for. Anything thinner or thicker decides less often and leaves the same two questions.
The gap is taken as equally likely anywhere in the bracket, or as a wear trend expects it.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property, lru_cache
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from fleet.decisions import SIMPLE, DecisionRule, RuleKind
from fleet.faults import Fault
from fleet.limits import Limits
from fleet.units import LengthUnit
from inspections.rules.conformity import (
    NO_HIGH,
    NO_LOW,
    OUT,
    OUTCOMES,
    TICKS,
    WITHIN,
    Floats,
    Outcome,
    judge_many,
    ticks,
)
from inspections.rules.trendprior import NormalPrior
from inspections.rules.uncertainty import leaf_budget, standard_uncertainty


@dataclass(frozen=True, slots=True)
class LeafTask:
    """A leaf set, the limit to be decided with it, and how it is judged.

    `leaves` in `unit`; `permissible_error` of a leaf in `unit`, None where it is not known;
    `study_u`: standard uncertainty of who measures, in `unit`, None without a study.
    `strict_high`: a leaf of the limit size that enters rejects. `prior`: what to expect before
    measuring; None is any gap alike. Raises Fault "limit_missing" when there is no limit.
    """

    leaves: tuple[Decimal, ...]
    unit: LengthUnit
    limits: Limits
    strict_high: bool = False
    stacks: bool = True
    rule: DecisionRule = SIMPLE
    permissible_error: Decimal | None = None
    study_u: float | None = None
    prior: NormalPrior | None = None

    def __post_init__(self) -> None:
        if self.limits.low is None and self.limits.high is None:
            raise Fault(
                "There is no limit to judge by. Enter one on the sheet.", code="limit_missing"
            )

    def u(self, pieces: int) -> float | None:
        """Standard uncertainty of an end made by so many leaves together, in `unit`."""
        return standard_uncertainty(
            leaf_budget([pieces], self.permissible_error, self.unit, self.study_u)
        )

    @property
    def can_be_judged(self) -> bool:
        """Whether what the rule needs to know of the leaves is known."""
        return not self.rule.needs_uncertainty or self.u(1) is not None


class End(NamedTuple):
    """An end of a bracket and how many leaves made it."""

    at: Decimal
    pieces: int = 1


Bracket = tuple[End | None, End | None]


def candidates(leaves: Sequence[Decimal], *, stacks: bool) -> dict[Decimal, tuple[Decimal, ...]]:
    """Every thickness a set can make and the leaves that make it.

    A single leaf goes before a stack of the same thickness, and of two stacks the one whose
    thinner leaf is thicker: thin leaves bend.
    """
    made: dict[Decimal, tuple[Decimal, ...]] = {leaf: (leaf,) for leaf in sorted(leaves)}
    if stacks:
        for thin, thick in combinations(sorted(set(leaves)), 2):
            known = made.get(thin + thick)
            if known is None or (len(known) == 2 and known[0] < thin):
                made[thin + thick] = (thin, thick)
    return made


@dataclass(frozen=True, slots=True)
class Side:
    """One limit and the two thicknesses that decide most about it; None where the set has none.

    `useful`: every thickness that can decide it, whatever made the other end of the bracket.
    `room_below`, `room_above`: up to where a leaf that refuses, and from where on one that enters,
    decides, in ticks.
    """

    limit: Decimal
    refuses_below: Decimal | None
    enters_above: Decimal | None
    useful: frozenset[End]
    room_below: int
    room_above: int

    @property
    def is_guarded(self) -> bool:
        return self.room_below != self.room_above


class Best(NamedTuple):
    end: End
    expected_tries: float
    p_undecided: float


@dataclass
class Search:
    """Backward induction over the few thicknesses that can matter.

    All brackets that the ends in question can form are judged at once, by the rule that judges
    the reading in the end.
    """

    task: LeafTask
    more: tuple[End, ...] = ()
    _found: dict[Bracket, Best | None] = field(default_factory=dict)
    _in_ticks: dict[Decimal, int] = field(default_factory=dict)

    @cached_property
    def made(self) -> dict[Decimal, tuple[Decimal, ...]]:
        return candidates(self.task.leaves, stacks=self.task.stacks)

    @cached_property
    def singles(self) -> tuple[Decimal, ...]:
        return tuple(sorted(set(self.task.leaves)))

    @cached_property
    def stacks(self) -> tuple[Decimal, ...]:
        """What two leaves make and no single one does, thinnest first."""
        return tuple(sorted(size for size, leaves in self.made.items() if len(leaves) == 2))

    @cached_property
    def u(self) -> tuple[float, float, float]:
        """Of an end made by no, one and two leaves, in ticks; NaN where it is not known."""
        scale = TICKS[self.task.unit]
        known = (self.task.u(1), self.task.u(2))
        one, two = (float("nan") if u is None else u * scale for u in known)
        return 0.0, one, two

    @cached_property
    def sides(self) -> tuple[Side, ...]:
        limits = self.task.limits
        found = []
        if limits.low is not None:
            found.append(self._side(limits.low, is_low=True))
        if limits.high is not None:
            found.append(self._side(limits.high, is_low=False))
        return tuple(found)

    @cached_property
    def useful(self) -> tuple[End, ...]:
        """What can decide a limit, thinnest first."""
        return tuple(sorted({end for side in self.sides for end in side.useful}))

    @cached_property
    def bound(self) -> int:
        """Where the flat prior ends, in ticks, while no leaf has refused.

        Twice the thickest of the limits and of the leaves that can decide them: a stated choice,
        no knowledge. It moves only which of two useful leaves comes first.
        """
        unit = self.task.limits.unit
        lengths = [self._ticks(end.at) for end in self.useful]
        lengths += [ticks(side.limit, unit) for side in self.sides]
        return 2 * max(lengths)

    # --- what can matter

    def _rules(self, accept: bool) -> list[DecisionRule]:
        """Guards that guarantee a verdict, whatever the other end of the bracket is."""
        rule = self.task.rule
        if rule.kind is not RuleKind.PROBABILITY:
            return [rule]
        if not accept:
            wanted = [1 - float(rule.p_reject)]
        else:
            wanted = [float(rule.p_accept)]
            if len([x for x in (self.task.limits.low, self.task.limits.high) if x is not None]) > 1:
                # Half of what may go wrong on each side: together they keep the promise.
                wanted.append((1 + float(rule.p_accept)) / 2)
        return [DecisionRule(RuleKind.GUARDED, guard_z=Decimal(float(ndtri(p)))) for p in wanted]

    def _classes(self) -> list[tuple[Sequence[Decimal], int, int]]:
        """Thicknesses, by how many leaves make them, with those that the worse end may have."""
        if not self.task.rule.needs_uncertainty:
            return [(self.singles, 1, 1), (self.stacks, 2, 2)]
        return [(self.singles, 1, 1), (self.singles, 1, 2), (self.stacks, 2, 2)]

    def _side(self, limit: Decimal, *, is_low: bool) -> Side:
        below: set[End] = set()
        above: set[End] = set()
        # By rule: the nearest single leaf that proves it whatever made the other end.
        sure_below: dict[int, Decimal] = {}
        sure_above: dict[int, Decimal] = {}
        for sizes, pieces, worst in self._classes():
            if not sizes:
                continue
            for place, rule in enumerate(self._rules(accept=not is_low)):
                proving = self._proves(sizes, worst, limit, is_low, rule, enters=False)
                if proving.any():
                    size = sizes[int(np.flatnonzero(proving)[-1])]
                    # A stack farther off than a single leaf decides less, and is known worse.
                    if pieces == 1:
                        sure_below[place] = size
                    elif size <= sure_below.get(place, size - 1):
                        continue
                    below.add(End(size, pieces))
            for place, rule in enumerate(self._rules(accept=is_low)):
                proving = self._proves(sizes, worst, limit, is_low, rule, enters=True)
                if proving.any():
                    size = sizes[int(np.flatnonzero(proving)[0])]
                    if pieces == 1:
                        sure_above[place] = size
                    elif size >= sure_above.get(place, size + 1):
                        continue
                    above.add(End(size, pieces))
        at = ticks(limit, self.task.limits.unit)
        return Side(
            limit,
            max((end.at for end in below), default=None),
            min((end.at for end in above), default=None),
            frozenset(below | above),
            at - self._guard(accept=not is_low),
            at + self._guard(accept=is_low),
        )

    def _proves(
        self,
        sizes: Sequence[Decimal],
        pieces: int,
        limit: Decimal,
        is_low: bool,
        rule: DecisionRule,
        *,
        enters: bool,
    ) -> NDArray[np.bool_]:
        """Which sizes decide this limit alone by entering, or by refusing."""
        at = np.array([self._ticks(size) for size in sizes], dtype=np.int64)
        limit_at = ticks(limit, self.task.limits.unit)
        judged = judge_many(
            low=at if enters else 0,
            high=NO_HIGH if enters else at,
            low_closed=True,
            high_closed=False,
            u=self.u[pieces],
            limit_low=limit_at if is_low else NO_LOW,
            limit_high=NO_HIGH if is_low else limit_at,
            rule=rule,
            strict_high=self.task.strict_high,
        )
        return np.asarray(judged.codes == (WITHIN if enters is is_low else OUT))

    def _guard(self, *, accept: bool) -> int:
        """The guard round a limit for one more single leaf, in ticks."""
        rule = self._rules(accept)[-1]
        if rule.kind is RuleKind.SIMPLE or not self.task.can_be_judged:
            return 0
        return round(float(rule.guard_z) * self.u[1])

    # --- brackets

    def _ticks(self, size: Decimal) -> int:
        if size not in self._in_ticks:
            self._in_ticks[size] = ticks(size, self.task.unit)
        return self._in_ticks[size]

    @cached_property
    def ends(self) -> tuple[End, ...]:
        """Every end that the table of brackets knows, thinnest first."""
        singles = (End(leaf) for leaf in self.singles)
        return tuple(sorted({*singles, *self.useful, *self.more}))

    @cached_property
    def _judged(self) -> dict[Bracket, tuple[Outcome, float | None]]:
        limits = self.task.limits
        return self._judge(limits.low, limits.high)

    @cached_property
    def _by_side(self) -> dict[Side, dict[Bracket, tuple[Outcome, float | None]]]:
        if len(self.sides) == 1:
            return {self.sides[0]: self._judged}
        low, high = self.sides
        return {low: self._judge(low.limit, None), high: self._judge(None, high.limit)}

    @cached_property
    def _brackets(self) -> tuple[list[Bracket], NDArray[np.int64], NDArray[np.int64], Floats]:
        """Every bracket of the ends, with their lows and highs in ticks and their u."""
        lows: list[End | None] = [None, *self.ends]
        highs: list[End | None] = [*self.ends, None]
        at = np.array([self._ticks(end.at) for end in self.ends], dtype=np.int64)
        u = np.array([self.u[end.pieces] for end in self.ends])
        low, high = np.meshgrid([0, *at], [*at, NO_HIGH], indexing="ij")
        worst = np.maximum(np.array([0.0, *u])[:, None], np.array([*u, 0.0])[None, :])
        rows, columns = np.nonzero(low < high)
        pairs = [(lows[r], highs[c]) for r, c in zip(rows.tolist(), columns.tolist(), strict=True)]
        return pairs, low[rows, columns], high[rows, columns], worst[rows, columns]

    def _judge(
        self, limit_low: Decimal | None, limit_high: Decimal | None
    ) -> dict[Bracket, tuple[Outcome, float | None]]:
        """Outcome and probability of meeting the limits, of every bracket of the ends."""
        unit = self.task.limits.unit
        pairs, low, high, u = self._brackets
        judged = judge_many(
            low=low,
            high=high,
            low_closed=True,
            high_closed=False,
            u=u,
            limit_low=NO_LOW if limit_low is None else ticks(limit_low, unit),
            limit_high=NO_HIGH if limit_high is None else ticks(limit_high, unit),
            rule=self.task.rule,
            strict_high=self.task.strict_high,
        )
        known = zip(pairs, judged.codes.tolist(), judged.probability.tolist(), strict=True)
        return {
            pair: (OUTCOMES[code], None if math.isnan(chance) else chance)
            for pair, code, chance in known
        }

    def outcome(self, low: End | None, high: End | None) -> Outcome:
        return self._judged[low, high][0]

    def probability(self, low: End | None, high: End | None) -> float | None:
        return self._judged[low, high][1]

    def is_open(self, side: Side, low: End | None, high: End | None) -> bool:
        """Whether this limit, taken alone, is not decided yet."""
        return self._by_side[side][low, high][0] is Outcome.UNDECIDED

    def share_below(self, at: Decimal, low: End | None, high: End | None) -> float:
        """The chance that a gap in the bracket is smaller than `at`."""
        prior = self.task.prior
        if prior is not None:
            return prior.share_below(
                float(at),
                0.0 if low is None else float(low.at),
                float("inf") if high is None else float(high.at),
            )
        start, end = self._flat(low, high)
        return (self._ticks(at) - start) / (end - start)

    def _flat(self, low: End | None, high: End | None) -> tuple[int, int]:
        start = 0 if low is None else self._ticks(low.at)
        return start, max(self.bound, 2 * start) if high is None else self._ticks(high.at)

    def best(self, low: End | None, high: End | None) -> Best | None:
        """None when this bracket is decided, or when no leaf leads on to a decision."""
        if (low, high) not in self._found:
            self._found[low, high] = self._search(low, high)
        return self._found[low, high]

    def _search(self, low: End | None, high: End | None) -> Best | None:
        if self.outcome(low, high) is not Outcome.UNDECIDED:
            return None
        options = []
        for end in self._worth_trying(low, high):
            p_refuses = self.share_below(end.at, low, high)
            tries, undecided, decides = 1.0, 0.0, False
            for half, p in (((end, high), 1 - p_refuses), ((low, end), p_refuses)):
                follow = self.best(*half)
                if follow is not None:
                    tries += p * follow.expected_tries
                    undecided += p * follow.p_undecided
                    decides = True
                elif self.outcome(*half) is Outcome.UNDECIDED:
                    undecided += p
                else:
                    decides = True
            if decides:
                options.append(Best(end, tries, undecided))
        # Rounded, so that two ways that are equally good are taken as such.
        return min(
            options,
            key=lambda o: (round(o.p_undecided, 12), round(o.expected_tries, 12), o.end.pieces),
            default=None,
        )

    def _worth_trying(self, low: End | None, high: End | None) -> list[End]:
        """The useful leaves inside the bracket, less those that decide only what another does.

        Of leaves that bring one verdict by refusing, the thickest brings it most often; of those
        that bring it by entering, the thinnest.
        """
        found = []
        best: dict[tuple[bool, Outcome], End] = {}
        for end in self.useful:
            if (low and low.at >= end.at) or (high and high.at <= end.at):
                continue
            refused, entered = self.outcome(low, end), self.outcome(end, high)
            roles = [(False, refused), (True, entered)]
            roles = [role for role in roles if role[1] is not Outcome.UNDECIDED]
            for role in roles:
                # Thinnest first: a later one is thicker.
                best[role] = best.get(role, end) if role[0] else end
            found.append((end, roles))
        return [
            end for end, roles in found if not roles or any(best[role] == end for role in roles)
        ]

    def median(self, low: End | None, high: End | None) -> float:
        if self.task.prior is not None:
            return self.task.prior.median(
                0.0 if low is None else float(low.at),
                float("inf") if high is None else float(high.at),
            )
        start, end = self._flat(low, high)
        return (start + end) / 2 / TICKS[self.task.unit]


def between(sizes: Sequence[Decimal], low: End | None, high: End | None) -> Sequence[Decimal]:
    """Of sizes that rise, those that can still tell something: strictly between the ends."""
    return sizes[
        0 if low is None else bisect_right(sizes, low.at) : None
        if high is None
        else bisect_left(sizes, high.at)
    ]


@lru_cache(maxsize=64)
def search_for(task: LeafTask, more: tuple[End, ...] = ()) -> Search:
    """The search for a task, kept: its table serves every bracket. `more`: ends met besides."""
    return Search(task, more)
