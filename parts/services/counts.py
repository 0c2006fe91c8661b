"""Counts of the shelf: raised, counted blind, and the ledger corrected by the difference.

Locks: the stock levels (of the line, and of who waits for a transfer from it), planned transfers,
the count, demands. Two sheets never hold the same part: that is asked under the lock of its level.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from decimal import Decimal
from textwrap import shorten

from django.db import transaction
from django.utils import timezone

from fleet.access import require
from fleet.faults import Conflict, Fault, NotAllowed
from fleet.models import User
from fleet.roles import Capability
from parts import counting_selectors as reads
from parts.models import Batch, BatchLevel, Count, CountLine, Part, StockLevel, Store
from parts.rules.counting import PENDING, LineState, in_bins, needs_second_person
from parts.rules.lifecycle import CountState, require_count_move
from parts.services import batches, ledger, stock
from parts.services.count_corrections import Held, correct, hold, on_record, piece_value

LARGEST_SHEET = 500
USUAL_SHEET = 20
_LONGEST = 200


# --- A sheet ------------------------------------------------------------------------------------


@transaction.atomic
def raise_count(
    *,
    actor: User,
    store: Store,
    why: str,
    parts: Sequence[Part] = (),
    due: int | None = None,
    bins: tuple[str, str] | None = None,
    now: datetime | None = None,
) -> Count:
    """A sheet for some parts of a store: named ones, what is due, or a range of bins.

    Needs keep_stock at the store's site; locks the levels of the parts. due: at most so many
    lines; all batches of a part stay together. bins: first and last, both included. One line a
    part, and for a part that ages one a batch that lies there. Raises Conflict when nothing is
    found, or a named part is on another sheet.
    """
    require(actor, Capability.KEEP_STOCK, store.site)
    why = _tidy(why, "Say what the count is for.", field="why")
    if (bool(parts), due is not None, bins is not None).count(True) != 1:
        raise Fault(
            "Choose one: parts by name, what is due, or a range of bins.", code="one_selection"
        )
    if due is not None and not 1 <= due <= LARGEST_SHEET:
        raise Fault(f"Take from 1 to {LARGEST_SHEET} lines on a sheet.", field="due")
    at = now or timezone.now()
    wanted = _wanted(store, parts, due, bins, at.date())
    levels = ledger.lock_levels(store, wanted)
    busy = reads.on_a_sheet(store)
    if parts and (double := [p.number for p in parts if p.pk in busy]):
        raise Conflict(
            f"{', '.join(double[:5])} {'is' if len(double) == 1 else 'are'} on another count that "
            "is not finished. Finish that one first.",
            field="parts",
            code="on_another_sheet",
        )
    rows: list[tuple[int, int | None]] = []
    for part_id in dict.fromkeys(wanted):
        if part_id in busy:
            continue
        of_part = [(part_id, batch) for batch in _batches_there(levels[part_id])]
        if due is not None and rows and len(rows) + len(of_part) > due:
            break
        rows += of_part
    if not rows:
        raise Conflict(
            "All of these are on another count that is not finished. Finish that one first.",
            code="on_another_sheet",
        )
    if len(rows) > LARGEST_SHEET:
        raise Fault(
            f"That makes {len(rows)} lines; a sheet has at most {LARGEST_SHEET}. Take fewer.",
            code="too_many",
        )
    count = Count.objects.create(
        store=store, state=CountState.OPEN.value, why=why, raised_by=actor, raised_at=at
    )
    CountLine.objects.bulk_create(
        CountLine(count=count, part_id=part_id, batch_id=batch) for part_id, batch in rows
    )
    return count


def _wanted(
    store: Store,
    parts: Sequence[Part],
    due: int | None,
    bins: tuple[str, str] | None,
    today: date,
) -> list[int]:
    if parts:
        return [part.pk for part in parts]
    if due is not None:
        # Each part makes a line at least.
        found = [row.part for row in reads.due_in(store, today)][:due]
        if not found:
            raise Conflict("Nothing is due to be counted in this store.", code="nothing_due")
        return found
    first, last = (bins or ("", ""))[0].strip().upper(), (bins or ("", ""))[1].strip().upper()
    if not first:
        raise Fault("Name the first bin.", field="bin_from", code="required")
    levels = StockLevel.objects.filter(store=store).exclude(bin="").values_list("part_id", "bin")
    found = [part for part, bin in levels if in_bins(bin, first, last or first)]
    if not found:
        raise Conflict(
            f"No part of this store lies in the bins from {first} to {last or first}.",
            field="bin_from",
            code="no_bin",
        )
    return found


def _batches_there(level: StockLevel) -> list[int | None]:
    """The batches of a level that get a line each; None: what lies there without a batch."""
    rows = list(
        BatchLevel.objects.filter(store=level.store_id, batch__part=level.part_id)
        .exclude(on_hand=0)
        .order_by("batch__expires_on", "batch_id")
        .values_list("batch_id", flat=True)
    )
    loose = on_record(level, None)
    return [*rows, None] if loose or not rows else [*rows]


@transaction.atomic
def add_line(
    *,
    actor: User,
    count: Count,
    part: Part,
    batch_code: str = "",
    cured_on: date | None = None,
    expires_on: date | None = None,
    now: datetime | None = None,
) -> CountLine:
    """Puts what was found and is not on the sheet onto it, to be counted there.

    Needs keep_stock. batch_code: from the label, for a part that ages; with its cure date or
    expiry where the batch is new. Raises Conflict when it is on this sheet, or the part on another.
    """
    require(actor, Capability.KEEP_STOCK, count.store.site)
    at = now or timezone.now()
    ledger.lock_levels(count.store, [part.pk])
    count = _locked_count(count)
    _require_under_way(count)
    batch = _found_batch(part, batch_code, cured_on, expires_on, at.date())
    if CountLine.objects.filter(count=count, part=part, batch=batch).exists():
        what = f"Batch {batch.code} of {part.number}" if batch else part.number
        raise Conflict(f"{what} is on this sheet already.", field="part", code="taken")
    here = CountLine.objects.filter(count=count, part=part).exists()
    if not here and part.pk in reads.on_a_sheet(count.store):
        raise Conflict(
            f"{part.number} is on another count that is not finished. Finish that one first.",
            field="part",
            code="on_another_sheet",
        )
    line = CountLine.objects.create(count=count, part=part, batch=batch)
    _advance(count, at=at)
    return line


def _found_batch(
    part: Part, code: str, cured_on: date | None, expires_on: date | None, today: date
) -> Batch | None:
    code = batches.normalised_code(code)
    if not code:
        return None
    # Also one that has expired: what lies there is counted, whether or not it may be fitted.
    known = Batch.objects.filter(part=part, code=code).first()
    if known is not None:
        return known
    if not part.ages:
        raise Fault(
            f"{part.number} does not age and has no batches. Leave the batch empty.",
            field="batch_code",
        )
    return batches.batch_for(part, code=code, cured_on=cured_on, expires_on=expires_on, today=today)


@transaction.atomic
def cancel(*, actor: User, count: Count, why: str, now: datetime | None = None) -> Count:
    """Ends a count before all is counted; what was settled stays so. Needs keep_stock.

    Raises Conflict while a difference waits: it is settled or sent back first, not dropped.
    """
    require(actor, Capability.KEEP_STOCK, count.store.site)
    why = _tidy(why, "Say why it is not counted to the end.", field="why")
    count = _locked_count(count)
    _require_under_way(count)
    if any(reads.state_of(line) in PENDING for line in count.lines.all()):
        raise Conflict(
            "A difference on this sheet is not settled yet. Settle it or send it back first.",
            code="pending",
        )
    require_count_move(CountState(count.state), CountState.CANCELLED)
    count.state, count.settled_at = CountState.CANCELLED.value, now or timezone.now()
    count.why = shorten(f"{count.why} Cancelled by {actor}: {why}", _LONGEST, placeholder=" …")
    return _saved(count, "state", "settled_at", "why")


# --- A line -------------------------------------------------------------------------------------


@transaction.atomic
def enter(
    *, actor: User, line: CountLine, counted: int, reason: str = "", now: datetime | None = None
) -> CountLine:
    """What was counted of one line. Needs keep_stock; locks the level.

    The first figure stays on record, so that nobody can find what the ledger expects by trying.
    A line that was sent back takes a reason whatever it comes to, for the same sake.
    """
    require(actor, Capability.KEEP_STOCK, line.count.store.site)
    stock.require_quantity(counted, field="counted", least=0)
    reason = stock.tidy_reason(reason, needed=False)
    at = now or timezone.now()
    held = hold(line)
    _require_under_way(held.count)
    row = held.line
    if row.counted is not None:
        raise Conflict(
            f"{row.counted_by} has counted this already. If it is wrong, ask somebody else who may "
            "approve counts to send it back.",
            field="counted",
            code="counted_already",
        )
    if row.reason and not reason:
        raise Fault(
            "This line was sent back: say what you found this time.",
            field="reason",
            code="required",
        )
    row.counted, row.counted_by, row.counted_at = counted, actor, at
    row.expected = on_record(held.level, row.batch_id)
    row.unit_value = piece_value(held.level)
    before = f" Before: {row.reason}" if row.reason else ""
    row.reason = shorten(f"{reason}{before}", _LONGEST, placeholder=" …")
    row.save()
    if row.counted != row.expected and row.reason:
        _settle_if_small(held, by=actor, at=at)
    _advance(held.count, at=at)
    return row


@transaction.atomic
def explain(*, actor: User, line: CountLine, reason: str, now: datetime | None = None) -> CountLine:
    """Says why a line differs. Needs keep_stock. Within the limit the ledger follows at once."""
    require(actor, Capability.KEEP_STOCK, line.count.store.site)
    reason = stock.tidy_reason(reason, needed=True)
    at = now or timezone.now()
    held = hold(line)
    _require_under_way(held.count)
    if reads.state_of(held.line) is not LineState.UNEXPLAINED:
        raise Conflict("There is no difference left to explain.", code="not_unexplained")
    held.line.reason = reason
    held.line.save(update_fields=["reason"])
    _settle_if_small(held, by=actor, at=at)
    _advance(held.count, at=at)
    return held.line


def _settle_if_small(held: Held, *, by: User, at: datetime) -> None:
    difference = reads.difference_of(held.line) or 0
    limit = held.count.store.count_limit
    if not needs_second_person(difference, held.line.unit_value or Decimal(0), limit):
        correct(held, by=by, at=at)


@transaction.atomic
def approve(*, actor: User, line: CountLine, now: datetime | None = None) -> CountLine:
    """A second person takes a difference over the limit: the ledger is corrected by it.

    Needs approve_counts, and not the counter. What has moved since the count stays moved: the
    difference is applied, not the figure. Raises Conflict when it cannot be.
    """
    require(actor, Capability.APPROVE_COUNTS, line.count.store.site)
    at = now or timezone.now()
    held = hold(line)
    _require_under_way(held.count)
    _require_second_person(actor, held.line)
    state = reads.state_of(held.line)
    if state is LineState.UNEXPLAINED:
        raise Conflict("Nobody has said yet why it differs. Ask the counter.", code="unexplained")
    if state is not LineState.WAITING:
        raise Conflict("This line does not wait for a second person.", code="not_waiting")
    held.line.approved_by, held.line.approved_at = actor, at
    held.line.save(update_fields=["approved_by", "approved_at"])
    correct(held, by=actor, at=at)
    _advance(held.count, at=at)
    return held.line


@transaction.atomic
def send_back(*, actor: User, line: CountLine, why: str, now: datetime | None = None) -> CountLine:
    """A second person has a line counted again: its figures go, the record of them stays.

    Needs approve_counts, and not the counter. Only what is not settled yet can be sent back.
    """
    require(actor, Capability.APPROVE_COUNTS, line.count.store.site)
    why = _tidy(why, "Say what is to be looked at again.", field="why")
    at = now or timezone.now()
    held = hold(line)
    _require_under_way(held.count)
    row = held.line
    _require_second_person(actor, row)
    if reads.state_of(row) not in PENDING:
        raise Conflict(
            "Only a difference that is not settled can be sent back.", code="not_pending"
        )
    record = f"Sent back by {actor}: {why} ({row.counted} counted by {row.counted_by}"
    row.reason = shorten(
        f"{record}{': ' if row.reason else ''}{row.reason})", _LONGEST, placeholder=" …"
    )
    row.counted = row.counted_by = row.counted_at = row.expected = row.unit_value = None
    row.save()
    _advance(held.count, at=at)
    return row


def _require_second_person(actor: User, line: CountLine) -> None:
    if line.counted_by_id is not None and not reads.may_decide(line, actor):
        raise NotAllowed(
            "You counted this line yourself: somebody else who may approve counts decides.",
            code="own_count",
        )


# --- Of a sheet as a whole ----------------------------------------------------------------------


def _locked_count(count: Count) -> Count:
    return (
        Count.objects.select_for_update(of=("self",)).select_related("store__site").get(pk=count.pk)
    )


def _require_under_way(count: Count) -> None:
    if count.state not in reads.UNDER_WAY:
        raise Conflict(
            f"This count is {CountState(count.state).label}. Raise a new one.", code="not_open"
        )


def _advance(count: Count, *, at: datetime) -> None:
    """The state of a locked count by those of its lines."""
    states = {reads.state_of(line) for line in count.lines.all()}
    if LineState.TO_COUNT in states:
        state = CountState.OPEN
    elif states & PENDING:
        state = CountState.COUNTED
    else:
        state = CountState.SETTLED
    if state.value != count.state:
        require_count_move(CountState(count.state), state)
        count.state = state.value
    count.settled_at = at if state is CountState.SETTLED else None
    _saved(count, "state", "settled_at")


def _saved(count: Count, *fields: str) -> Count:
    count.version += 1
    count.save(update_fields=[*fields, "version"])
    return count


def _tidy(text: str, wanted: str, *, field: str) -> str:
    found = text.strip()
    if not found:
        raise Fault(wanted, field=field, code="required")
    if len(found) > _LONGEST:
        raise Fault(f"That has more than {_LONGEST} characters; shorten it.", field=field)
    return found


def parts_named(numbers: Iterable[str]) -> list[Part]:
    """The parts of these numbers. Raises Fault for one that the catalogue does not have."""
    wanted = list(dict.fromkeys(n.strip().upper() for n in numbers if n.strip()))
    found = {part.number: part for part in Part.objects.filter(number__in=wanted)}
    if missing := [number for number in wanted if number not in found]:
        raise Fault(
            f"The catalogue has no part {', '.join(missing[:5])}. Check the label.",
            field="parts",
            code="unknown",
        )
    return [found[number] for number in wanted]
