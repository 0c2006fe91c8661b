"""The sentence of a verdict: what was read, the limit with its page, and why it falls so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from fleet.decisions import RuleKind
from fleet.limits import JudgedBy
from fleet.units import IN_MM, LengthUnit, show
from inspections.rules.conformity import Outcome
from inspections.rules.intervals import Interval
from inspections.rules.verdict_basis import Basis, PositionVerdict


def percent(probability: float) -> str:
    """A probability for people, never certain: "62 %", "94.9 %", "more than 99.9 %".

    Rounded towards a half, so that what is shown never says more than what was found; a decimal
    below 10 % and above 90 %.
    """
    if probability > 0.999:
        return "more than 99.9 %"
    if probability < 0.001:
        return "less than 0.1 %"
    hundredths = Decimal(repr(float(probability))) * 100
    step = Decimal(1) if 10 <= hundredths <= 90 else Decimal("0.1")
    towards_half = ROUND_FLOOR if probability > 0.5 else ROUND_CEILING
    return f"{hundredths.quantize(step, towards_half)} %"


@dataclass(frozen=True, slots=True)
class Words:
    """Puts into words what was judged on `basis`."""

    basis: Basis

    @property
    def rule(self) -> str:
        """The rule in at most 40 characters."""
        rule, judged_by = self.basis.rule, self.basis.judged_by.value
        if rule.kind is RuleKind.GUARDED:
            return f"{judged_by}, guard {_plain(rule.guard_z)} × u"
        if rule.kind is RuleKind.PROBABILITY:
            return f"{judged_by}, {_asked(rule.p_accept)} within, {_asked(rule.p_reject)} out"
        return f"{judged_by}, no guard band"

    def sentence(
        self,
        verdict: PositionVerdict,
        where: str,
        outcome: Outcome,
        missing: Sequence[str],
        *,
        capable: bool = True,
        near_limit: bool = False,
    ) -> str:
        """`outcome` is that of the check, `verdict` that of what decides it.

        `capable` False: no reading with this uncertainty could be accepted.
        """
        parts = [
            f"{self.basis.name}{where}: the {self.basis.noun} is "
            f"{self._reading(verdict.interval, verdict.unit)}; {self._limit()}."
        ]
        if verdict.warning:
            parts.append(verdict.warning)
        if missing:
            parts.append(f"Still to be measured: {', '.join(missing)}.")
        because = self._because(verdict, outcome, capable)
        # The chance is the reason where the rule asks for it, and beside the reason elsewhere.
        chance = self._chance(verdict)
        reasoned = self.basis.rule.kind is RuleKind.PROBABILITY
        parts += [chance, because] if reasoned else [because, chance]
        if near_limit:
            parts.append("It is near the limit: over 80 % of the way there from new is used up.")
        return " ".join(part for part in parts if part)

    def nothing_measured(self, missing: Sequence[str]) -> str:
        return (
            f"{self.basis.name}: nothing is measured that decides; {self._limit()}. "
            f"Still to be measured: {', '.join(missing)}. Until then this is undecided."
        )

    def negative(self) -> str:
        terms = self.basis.terms
        if len(terms) > 2:
            return (
                f"Warning: {' and '.join(terms[1:])} together come out larger than {terms[0]}, at "
                "least in part. Check that no two are swapped, and measure all again."
            )
        first, second = terms if len(terms) == 2 else ("first", "second")
        return (
            f"Warning: {second} comes out larger than {first}, at least in part. Check that the "
            "two are not swapped, and measure both again."
        )

    def _limit(self) -> str:
        limits, source = self.basis.limits, self.basis.source
        if self.basis.judged_by is JudgedBy.LEAF_ENTERS and limits.high is not None:
            return f"a leaf of {show(limits.high, limits.unit)} must not enter ({source})"
        return f"the limit is {limits.sentence()} ({source})"

    def _reading(self, interval: Interval, unit: LengthUnit) -> str:
        low = self._length(interval, unit, upper=False)
        if interval.is_exact:
            return low
        from_low = f"{low} or more" if interval.low_closed else f"more than {low}"
        if interval.high is None:
            return f"{from_low}, with no upper end"
        high = self._length(interval, unit, upper=True)
        to_high = f"at most {high}" if interval.high_closed else f"less than {high}"
        return to_high if interval.low == 0 and interval.low_closed else f"{from_low} and {to_high}"

    def _length(self, interval: Interval, unit: LengthUnit, *, upper: bool) -> str:
        value = interval.high if upper and interval.high is not None else interval.low
        own = show(value, unit)
        if unit is self.basis.limits.unit:
            return own
        return f"{own} ({show(value, unit, self.basis.limits.unit)})"

    def _because(self, verdict: PositionVerdict, outcome: Outcome, capable: bool) -> str:
        if outcome is Outcome.UNDECIDED:
            return self._why_undecided(verdict, capable)
        rule, what = self.basis.rule, _what(verdict)
        is_out = outcome is Outcome.OUT
        so = f"so this is {outcome.label}."
        if rule.kind is RuleKind.PROBABILITY:
            if is_out:
                return f"The rule rejects at {_asked(rule.p_reject)} or less, {so}"
            return f"The rule asks for {_asked(rule.p_accept)} or more, {so}"
        if rule.kind is RuleKind.GUARDED:
            how = (
                "lies past the limit by more than"
                if is_out
                else "stays inside the limit by at least"
            )
            return f"All of the {what} {how} {self._guard(verdict)}, {so}"
        if outcome is Outcome.WITHIN:
            return f"All of the {what} meets the limit, so this is within limits."
        if self.basis.judged_by is JudgedBy.LEAF_ENTERS:
            verb = "would enter" if verdict.interval.is_exact else "enters"
            return f"A leaf of that size {verb}, so this is out of limits."
        return f"No part of the {what} meets the limit, so this is out of limits."

    def _why_undecided(self, verdict: PositionVerdict, capable: bool) -> str:
        rule = self.basis.rule
        if verdict.warning:
            return "A negative figure proves nothing here, so this is undecided."
        if rule.needs_uncertainty and verdict.u is None:
            return (
                "The rule needs the uncertainty of the reading, and it is not known: enter the "
                "permissible error of the instrument. Until then this is undecided."
            )
        if not capable:
            return (
                "The instrument is not capable: the limits are so close that, with this "
                "uncertainty, no reading could be accepted. Use one with a smaller uncertainty. "
                "This is undecided."
            )
        if verdict.outcome is Outcome.WITHIN or verdict.interval.high is None:
            return "What is known so far does not decide, so this is undecided."
        if rule.kind is RuleKind.PROBABILITY:
            return (
                f"The rule accepts from {_asked(rule.p_accept)} on and rejects at "
                f"{_asked(rule.p_reject)} or less, so this is undecided."
            )
        what = _what(verdict)
        if rule.kind is RuleKind.GUARDED:
            return (
                f"The {what} is proven neither way: that takes {self._guard(verdict)} between it "
                "and the limit, so this is undecided."
            )
        return f"The limit lies inside the {what}, so this is undecided."

    def _chance(self, verdict: PositionVerdict) -> str:
        if verdict.u is None or verdict.probability is None:
            return ""
        shown = percent(verdict.probability)
        if verdict.interval.high is None and shown[0].isdigit():
            shown = f"{'at least' if self.basis.limits.high is None else 'at most'} {shown}"
        return f"The chance that it meets the limit is {shown}."

    def _guard(self, verdict: PositionVerdict) -> str:
        """The guard in the unit of the limits, to two figures."""
        z, unit = self.basis.rule.guard_z, self.basis.limits.unit
        wide = float(z) * (verdict.u or 0.0) * float(IN_MM[verdict.unit] / IN_MM[unit])
        return (
            f"the guard of {Decimal(f'{wide:.1e}'):f} {unit.label} ({_plain(z)} × its uncertainty)"
        )


def _what(verdict: PositionVerdict) -> str:
    return "reading" if verdict.interval.is_exact else "bracket"


def _plain(value: Decimal) -> str:
    return f"{value.normalize():f}"


def _asked(probability: Decimal) -> str:
    return f"{_plain(probability * 100)} %"
