"""Batches of parts that age: made when the first of one comes in."""

from __future__ import annotations

import re
from datetime import date

from django.db import connection

from fleet.faults import Conflict, Fault
from parts.models import Batch, Part
from parts.rules.batches import expiry, is_expired

_CODE = re.compile(r"[A-Z0-9][A-Z0-9.-]{0,39}")


def normalised_code(code: str) -> str:
    """A batch code as it is stored, from what was typed or scanned."""
    return code.strip().upper()


def batch_for(
    part: Part,
    *,
    code: str,
    cured_on: date | None = None,
    expires_on: date | None = None,
    today: date,
    on_the_shelf: bool = False,
) -> Batch | None:
    """The batch of this code, made when it is new; None for a part that does not age.

    Called in a transaction with the part's stock level locked. A new batch needs its cure date,
    from which the shelf life runs, or the expiry on its label. on_the_shelf: it lies there
    already, so it may have expired.
    Raises Fault for a missing or odd code or date, Conflict when the batch is on record with
    another date, or is too old to go onto a shelf.
    """
    months = _shelf_life_now(part)
    if months is None:
        return None
    code = normalised_code(code)
    if not _CODE.fullmatch(code):
        raise Fault(
            f"{part.number} ages: enter the batch from its label, in letters, figures, dots and "
            "hyphens.",
            field="batch_code",
            code="required",
        )
    if cured_on is not None and cured_on > today:
        raise Fault("The cure date lies in the future.", field="cured_on")
    known = Batch.objects.filter(part=part, code=code).first()
    ends = expires_on
    if ends is None and cured_on is not None and (known is None or cured_on != known.cured_on):
        ends = expiry(cured_on, months)
    if known is not None:
        if ends is not None and ends != known.expires_on and not known.extended_why:
            raise Conflict(
                f"Batch {code} of {part.number} is on record as expiring on "
                f"{shown_day(known.expires_on)}. Compare the label.",
                field="expires_on" if expires_on else "cured_on",
                code="other_date",
            )
        batch = known
    elif ends is None:
        raise Fault(
            f"Batch {code} is new: enter its cure date, or the expiry on the label.",
            field="cured_on",
            code="required",
        )
    else:
        if cured_on is not None and cured_on >= ends:
            raise Fault("It expires before it was cured. Compare the label.", field="expires_on")
        batch = Batch(part=part, code=code, cured_on=cured_on, expires_on=ends)
    if is_expired(batch.expires_on, today) and not on_the_shelf:
        raise Conflict(
            f"Batch {code} expired on {shown_day(batch.expires_on)}. It does not go onto a shelf: "
            "send it back or scrap it.",
            field="batch_code",
            code="expired",
        )
    if batch.pk is None:
        batch, _created = Batch.objects.get_or_create(
            part=part, code=code, defaults={"cured_on": cured_on, "expires_on": ends}
        )
    return batch


def _shelf_life_now(part: Part) -> int | None:
    """The months as they are now: held, since nothing may come in without a batch meanwhile."""
    with connection.cursor() as cursor:
        # Shared, so that two stores that receive the same parts do not wait for each other.
        cursor.execute(
            "SELECT shelf_life_months FROM parts_part WHERE id = %s FOR SHARE", [part.pk]
        )
        found = cursor.fetchone()
    months: int | None = found[0]
    return months


def shown_day(day: date) -> str:
    """A date in a sentence: 14 Mar 2026."""
    return f"{day.day} {day:%b %Y}"
