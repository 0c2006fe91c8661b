"""Two people at the same gap: whether what each of them read can be the same length."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from fleet.units import IN_MM, LengthUnit
from inspections.rules.intervals import Interval

# How many of the last comparisons a running share looks back on.
LOOK_BACK = 10
# Two standard uncertainties: about 95 % of a normal distribution.
COVERAGE = 2


def meet(one: Interval, other: Interval, slack: Fraction = Fraction(0)) -> bool:
    """Whether some length lies in both, or the two are no further apart than `slack`.

    All in one unit. With a slack of nothing an end counts only where it belongs to both.
    """
    return _reaches(one, other, slack) and _reaches(other, one, slack)


def _reaches(lower: Interval, upper: Interval, slack: Fraction) -> bool:
    if upper.high is None:
        return True
    room = Fraction(upper.high) + slack - Fraction(lower.low)
    if room == 0 and slack == 0:
        return lower.low_closed and upper.high_closed
    return room >= 0


def agree(
    own: Interval,
    own_unit: LengthUnit,
    control: Interval,
    control_unit: LengthUnit,
    *,
    own_u: float | None = None,
    control_u: float | None = None,
) -> bool:
    """Whether a reading and the reading taken again to control it can be the same length.

    Each is widened by two of its standard uncertainties where that is known (each in the unit of
    its reading). Compared in exact fractions of a millimetre.
    """
    slack = sum(
        (
            COVERAGE * Fraction(u) * Fraction(IN_MM[unit])
            for u, unit in ((own_u, own_unit), (control_u, control_unit))
            if u is not None
        ),
        Fraction(0),
    )
    return meet(own.scaled(IN_MM[own_unit]), control.scaled(IN_MM[control_unit]), slack)


def running_share(hits: Sequence[bool], look_back: int = LOOK_BACK) -> list[float]:
    """After each comparison the share that agreed, of the last `look_back` up to there, 0 to 1."""
    shares = []
    for end in range(1, len(hits) + 1):
        window = hits[max(0, end - look_back) : end]
        shares.append(sum(window) / len(window))
    return shares
