"""Exchange rates, and hours at the bench."""

from __future__ import annotations

import re
from datetime import date, datetime
from decimal import Decimal
from textwrap import shorten

from django.db import transaction
from django.utils import timezone

from fleet.access import require, require_anywhere
from fleet.faults import Conflict, Fault
from fleet.models import User
from fleet.roles import Capability
from inspections.models import Inspection
from inspections.rules.lifecycle import InspectionState
from parts.models import ExchangeRate, Labour, Store
from parts.money_selectors import TAKES_BACK, taken_back

_CURRENCY = re.compile(r"[A-Z]{3}")
_RATE_PLACES = Decimal("0.00000001")
_LARGEST_RATE = Decimal(10) ** 8
_LARGEST_HOURS = Decimal(1000)


@transaction.atomic
def set_rate(
    *, actor: User, base: str, quote: str, rate: Decimal, valid_from: date
) -> ExchangeRate:
    """What one unit of `base` is worth in `quote` from a day on.

    Needs set_holdings at any site: rates are the same for all. A rate is never edited, so that a
    figure of last year can be worked out again; a new one is set from a later day. Raises Conflict
    when the pair has one for that day already, either way round.
    """
    require_anywhere(actor, Capability.SET_HOLDINGS)
    base, quote = currency(base, field="base"), currency(quote, field="quote")
    if base == quote:
        raise Fault("Choose two currencies: one is worth one of itself.", field="quote")
    if not rate.is_finite() or not 0 < rate < _LARGEST_RATE:
        raise Fault(f"Give a rate above 0 and below {_LARGEST_RATE:,}.", field="rate")
    rate = rate.quantize(_RATE_PLACES)
    if rate == 0:
        raise Fault("The rate is too small to keep. Set it the other way round.", field="rate")
    if ExchangeRate.objects.filter(
        base__in=(base, quote), quote__in=(base, quote), valid_from=valid_from
    ).exists():
        raise Conflict(
            f"A rate of {base} and {quote} is set for {valid_from.day} {valid_from:%b %Y} already. "
            "Set the new one from the day after.",
            field="valid_from",
            code="taken",
        )
    return ExchangeRate.objects.create(
        base=base, quote=quote, rate=rate, valid_from=valid_from, set_by=actor
    )


def currency(code: str, *, field: str) -> str:
    """An ISO 4217 code as it is stored. Raises Fault for what cannot be one."""
    found = code.strip().upper()
    if not _CURRENCY.fullmatch(found):
        raise Fault("Give the three letters of the currency, such as EUR.", field=field)
    return found


@transaction.atomic
def record_labour(
    *, actor: User, inspection: Inspection, hours: Decimal, what: str, now: datetime | None = None
) -> Labour:
    """Hours that a repair took, at the rate that the site's store has now.

    Needs record_labour at the inspection's site. hours: above 0, to two places. Where the store
    has no rate the hours are kept without one, and cost nothing.
    """
    require(actor, Capability.RECORD_LABOUR, inspection.site)
    if not hours.is_finite() or not 0 < hours <= _LARGEST_HOURS:
        raise Fault(f"Give hours above 0, at most {_LARGEST_HOURS:,} at once.", field="hours")
    hours = hours.quantize(Decimal("0.01"))
    if hours == 0:
        raise Fault("That is less than a hundredth of an hour.", field="hours")
    what = _tidy(what, "Say what was done in these hours.", field="what")
    row = Inspection.objects.select_for_update(of=("self",)).get(pk=inspection.pk)
    if row.state == InspectionState.ABANDONED.value:
        raise Conflict("This inspection was abandoned: it has no repair.", code="abandoned")
    rate = Store.objects.filter(site=inspection.site_id).values_list("labour_rate", flat=True)
    return Labour.objects.create(
        inspection=row,
        hours=hours,
        rate=rate.first(),
        what=what,
        by=actor,
        at=now or timezone.now(),
    )


@transaction.atomic
def take_back_labour(
    *, actor: User, labour: Labour, reason: str, now: datetime | None = None
) -> Labour:
    """Takes hours back by a row of as many hours below 0, at the same rate.

    Needs record_labour at the site. Raises Conflict when they were taken back already.
    """
    require(actor, Capability.RECORD_LABOUR, labour.inspection.site)
    reason = _tidy(reason, "Say why the hours are taken back.", field="reason")
    # Two at once queue here, and the second finds the row of the first.
    Inspection.objects.select_for_update(of=("self",)).get(pk=labour.inspection_id)
    if labour.hours < 0:
        raise Conflict("This row takes hours back itself. Record hours anew.", code="taken_back")
    if labour.pk in taken_back(Labour.objects.filter(inspection=labour.inspection_id)):
        raise Conflict("These hours were taken back already.", code="taken_back")
    return Labour.objects.create(
        inspection_id=labour.inspection_id,
        hours=-labour.hours,
        rate=labour.rate,
        what=shorten(f"{TAKES_BACK.format(labour.pk)} {reason}", 200, placeholder=" …"),
        by=actor,
        at=now or timezone.now(),
    )


def _tidy(text: str, wanted: str, *, field: str) -> str:
    found = text.strip()
    if not found:
        raise Fault(wanted, field=field, code="required")
    if len(found) > 200:
        raise Fault("That has more than 200 characters; shorten it.", field=field)
    return found
