"""Whether what was taken off the shelf is what a demand asks for: part, count and batch."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from fleet.faults import Conflict, Fault
from parts.models import Batch, Demand, StockLevel
from parts.pulling_selectors import LotHere, Scan, lots_here, meant_by, usable_lots
from parts.rules.batches import is_expired

BATCH_NEEDED = "batch_needed"
# Asked once: the clerk may go on, and says so.
CONFIRM_BATCH = "confirm_batch"


def scan_faults(demand: Demand, level: StockLevel, scan: Scan, quantity: int) -> list[Fault]:
    """What is wrong with the part and the count in the hand, both at once."""
    faults: list[Fault] = []
    asked = level.part
    if asked.pk not in meant_by(scan, level.store_id):
        where = f"bin {level.bin}" if level.bin else f"{level.store} (no bin on record)"
        faults.append(
            Fault(
                f"You scanned {what_it_is(scan)}. This demand asks for {asked.number} "
                f"({asked.name}) from {where}. Put that one back and scan this one.",
                field="scanned_number",
                code="wrong_part",
            )
        )
    if quantity != demand.quantity:
        less = ", or record a short pull if no more lie there" if quantity < demand.quantity else ""
        faults.append(
            Fault(
                f"You entered {quantity}, but the demand asks for {demand.quantity}. Pull "
                f"exactly {demand.quantity}{less}.",
                field="quantity",
                code="wrong_quantity",
            )
        )
    return faults


def what_it_is(scan: Scan) -> str:
    """A scanned label in a sentence: `SK-200 (Seal kit)`."""
    if not scan.number:
        return "nothing"
    if scan.part is None:
        return f"'{scan.number[:40]}', which is not in the catalogue"
    called = f"{scan.part.number} ({scan.part.name})"
    return called if scan.number == scan.part.number else f"{scan.number}, which is {called}"


def batch_to_take(
    level: StockLevel, *, code: str, quantity: int, confirmed: bool, today: date
) -> Batch | None:
    """The batch from which `quantity` pieces are taken; None: those that expire first.

    code: from the label; "-" for pieces without one. confirmed: the clerk was asked and goes on.
    Raises Fault when the part ages and no batch is named, or a batch that does not lie there;
    Conflict for one that has expired or has too few; and, until confirmed, for one that is not
    the next to expire and for a count that takes more than one batch.
    """
    lots = lots_here(level)
    named = next((lot for lot in lots if lot.code == (code if code != "-" else "")), None)
    if not level.part.ages:
        # It does not age, so the batch is kept only where the shelf is kept by batch.
        return named.batch if named and named.quantity >= quantity else None
    usable = usable_lots(level, today)
    if sum(lot.quantity for lot in usable) < quantity:
        raise Conflict(_too_few(level, lots, usable, quantity, today), field="batch_code")
    if not code:
        raise Fault(
            f"{level.part.number} ages. Scan or enter the batch on its label. Take "
            f"{_in_words(_taken(usable, quantity))} first.",
            field="batch_code",
            code=BATCH_NEEDED,
        )
    if named is None:
        raise Fault(
            f"By the ledger no batch {code[:40]} of {level.part.number} lies here, but "
            f"{_in_words(usable)}. Compare the label.",
            field="batch_code",
            code="unknown_batch",
        )
    if is_expired(named.expires_on, today):
        raise Conflict(
            f"Batch {named.code} of {level.part.number} expired on {_day(named.expires_on)}. It "
            "is not handed out: set it aside, and scrap it on the page of the stock. Take "
            f"{_in_words(_taken(usable, quantity))}.",
            field="batch_code",
            code="expired",
        )
    first = usable[0]
    if named.expires_on == first.expires_on and named.quantity < quantity:
        if not confirmed:
            raise Conflict(
                f"{_at_the_start(named)} alone is too little. Take "
                f"{_in_words(_taken(usable, quantity))}.",
                field="batch_code",
                code=CONFIRM_BATCH,
            )
        return None
    if named.quantity < quantity:
        raise Conflict(
            f"Only {named.quantity} of {_batch(named)} lie here, and {quantity} are asked for. "
            f"Take {_in_words(_taken(usable, quantity))}.",
            field="batch_code",
            code="not_enough_of_batch",
        )
    if named.expires_on != first.expires_on and named.batch is None:
        raise Conflict(
            f"What has no batch goes last. Take {_in_words(_taken(usable, quantity))}.",
            field="batch_code",
            code="no_batch_last",
        )
    if named.expires_on != first.expires_on and not confirmed:
        raise Conflict(
            f"{_at_the_start(named)} expires on {_day(named.expires_on)}, but "
            f"{_batch(first)} (expires {_day(first.expires_on)}) lies here too and expires sooner. "
            "Take that first, or say that this one goes all the same.",
            field="batch_code",
            code=CONFIRM_BATCH,
        )
    return named.batch


def _too_few(
    level: StockLevel,
    lots: Sequence[LotHere],
    usable: Sequence[LotHere],
    quantity: int,
    today: date,
) -> str:
    gone = [lot for lot in lots if is_expired(lot.expires_on, today)]
    left = f"{sum(lot.quantity for lot in usable)} of {level.part.number} may be handed out"
    return (
        f"{quantity} are asked for, and {left}: {_in_words(gone)} expired. Record a short pull, "
        "and scrap what has expired on the page of the stock."
    )


def _taken(usable: Sequence[LotHere], quantity: int) -> list[LotHere]:
    """How many of which lot are taken, those that expire first first."""
    taken: list[LotHere] = []
    for lot in usable:
        if quantity <= 0:
            break
        taken.append(LotHere(lot.batch, min(quantity, lot.quantity)))
        quantity -= lot.quantity
    return taken


def _in_words(lots: Sequence[LotHere]) -> str:
    return " and ".join(
        f"{lot.quantity} of {_batch(lot)}"
        + (f" (expires {_day(lot.expires_on)})" if lot.expires_on else "")
        for lot in lots
    )


def _batch(lot: LotHere) -> str:
    return f"batch {lot.code}" if lot.batch else "no batch"


def _at_the_start(lot: LotHere) -> str:
    return f"Batch {lot.code}" if lot.batch else "What has no batch"


def _day(day: date | None) -> str:
    return f"{day.day} {day:%b %Y}" if day else ""
