"""Transfers in both directions at once, and both ends acting on the same one."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pytest

from fleet.faults import Conflict
from parts.models import Movement, StockLevel, Transfer
from parts.services import ledger, stock, transfers
from tests.parts.build import Yard, level, make_part, make_yard, put_on_shelf, raise_demand
from tests.races.crowd import all_at_once

pytestmark = pytest.mark.django_db(transaction=True)


def asked(giver: Yard, asker: Yard, part: object, quantity: int = 1) -> Transfer:
    return transfers.ask_transfer(
        actor=asker.clerk,
        from_store=giver.store,
        to_store=asker.store,
        part=part,  # type: ignore[arg-type]
        quantity=quantity,
        why="To restock",
    )


def test_the_last_pieces_are_promised_once_and_stores_that_exchange_do_not_lock_up() -> None:
    north, south = make_yard(), make_yard()
    part = make_part(north)
    put_on_shelf(north, part, 4)
    put_on_shelf(south, part, 4)
    acts = [partial(asked, north, south, part), partial(asked, south, north, part)] * 8
    results = all_at_once(acts)
    refused = [r for r in results if isinstance(r, Exception)]
    assert {type(r) for r in refused} == {Conflict}
    assert len(results) - len(refused) == 8
    assert level(north, part) == level(south, part) == (4, 4)
    # All are sent and taken in at once, each way.
    clerk_of = {yard.store.pk: yard.clerk for yard in (north, south)}
    sends = [
        partial(
            transfers.send,
            actor=clerk_of[row.from_store_id],
            transfer=row,
            scanned_number=part.number,
        )
        for row in Transfer.objects.all()
    ]
    assert not [r for r in all_at_once(sends) if isinstance(r, Exception)]
    receipts = [
        partial(transfers.receive, actor=clerk_of[row.to_store_id], transfer=row)
        for row in Transfer.objects.all()
    ]
    # Each twice, as two people at one counter would: the second is told that it is done.
    results = all_at_once(receipts * 2)
    assert len([r for r in results if isinstance(r, Transfer)]) == 8
    assert len([r for r in results if isinstance(r, Conflict)]) == 8
    assert level(north, part) == level(south, part) == (4, 0)
    assert Movement.objects.filter(kind="transfer_in").count() == 8
    assert ledger.check_ledger() == []


def test_one_transfer_is_sent_refused_or_cancelled_but_never_two_of_it() -> None:
    giver, asker = make_yard(), make_yard()
    part = make_part(giver)
    put_on_shelf(giver, part, 2)
    row = asked(giver, asker, part, 2)
    waiting = raise_demand(giver, part, 2)
    acts: list[Callable[[], object]] = [
        partial(transfers.send, actor=giver.clerk, transfer=row, scanned_number=part.number),
        partial(transfers.refuse, actor=giver.clerk, transfer=row, why="Needed here"),
        partial(transfers.cancel, actor=asker.clerk, transfer=row, why="Found one"),
        partial(
            stock.scrap,
            actor=giver.clerk,
            store=giver.store,
            part=part,
            quantity=1,
            reason="Torn",
        ),
    ]
    done = [r for r in all_at_once(acts * 4) if not isinstance(r, Exception)]
    assert len([r for r in done if isinstance(r, Transfer)]) == 1
    waiting.refresh_from_db()
    row.refresh_from_db()
    there = StockLevel.objects.get(store=giver.store, part=part)
    if row.state == "sent":
        assert there.on_hand == 0
    else:
        # Set free, it went to the demand that waited at the giver before anybody could scrap it.
        assert (there.on_hand, there.reserved, waiting.state) == (2, 2, "reserved")
    assert ledger.check_ledger() == []
