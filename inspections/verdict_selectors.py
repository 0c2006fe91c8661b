"""Whether every verdict on record still follows from what it was computed from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from inspections.models import RejudgedVerdict, Verdict
from inspections.rules.verdict_basis import RULES_VERSION
from inspections.rules.verdicts import CheckVerdict, recompute

_AT_ONCE = 500


@dataclass(frozen=True, slots=True)
class Difference:
    """A verdict that comes out otherwise today, in words."""

    table: str
    pk: int
    inspection_id: int
    said: str

    def __str__(self) -> str:
        return f"{self.table} {self.pk} of inspection {self.inspection_id}: {self.said}"


@dataclass(slots=True)
class Tally:
    """same: to the same bits. without_basis: made before a basis was kept, or by older rules."""

    same: int = 0
    without_basis: int = 0


def verdict_differences(tally: Tally) -> Iterator[Difference]:
    """Judges every stored verdict again from its basis; counts in `tally` as it goes."""
    tables = (
        ("Verdict", Verdict.objects.order_by("pk"), "rule"),
        ("Verdict judged again", RejudgedVerdict.objects.order_by("pk"), "rule_text"),
    )
    for table, rows, rule_field in tables:
        for row in rows.iterator(chunk_size=_AT_ONCE):
            if row.computed_from.get("versions", {}).get("rules") != RULES_VERSION:
                tally.without_basis += 1
                continue
            said = _difference(row, recompute(row.computed_from), getattr(row, rule_field))
            if said:
                yield Difference(table, row.pk, row.inspection_id, said)
            else:
                tally.same += 1


def _difference(row: Verdict | RejudgedVerdict, again: CheckVerdict, rule: str) -> str:
    pairs = {
        "outcome": (row.outcome, again.outcome.value),
        "probability": (row.probability, again.probability),
        "near the limit": (row.near_limit, again.near_limit),
        "rule": (rule, again.rule),
        "sentence": (row.sentence, again.sentence),
    }
    return "; ".join(
        f"{name} {stored!r} on record, {now!r} judged again"
        for name, (stored, now) in pairs.items()
        if stored != now
    )
