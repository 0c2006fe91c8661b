"""One case for each rule of planning, and the sentence that it is told by."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

from parts.rules.planning import changed, plan
from parts.rules.planning_words import Words
from parts.rules.substitutes import families, numbers_for
from parts.rules.supply import (
    Article,
    Decision,
    Inbound,
    Line,
    Offer,
    Plan,
    PlannedTransfer,
    Shelf,
    Situation,
    Source,
    SourceKind,
    StorePlace,
)

TODAY = date(2026, 11, 26)
QUARRY, HARBOUR, FOREST = 1, 2, 3
STORES = {
    QUARRY: StorePlace(QUARRY, "Quarry North", 51.0, 7.0),
    HARBOUR: StorePlace(HARBOUR, "Harbour Yard", 51.3, 7.2),
    FOREST: StorePlace(FOREST, "Forest Mill", 54.0, 12.0),
}
OLD, KIT, OTHER = 10, 11, 12
ARTICLES = {
    OLD: Article(OLD, "SK-9", (OLD, KIT), (OTHER,)),
    KIT: Article(KIT, "SK-10", (KIT,), (OTHER,)),
    OTHER: Article(OTHER, "SK-77", (OTHER,)),
}
DOCK = {KIT: Offer(5, "Dock Seals", 14)}


def on(days: int) -> date:
    return TODAY + timedelta(days=days)


def line(
    number: int = 1,
    quantity: int = 1,
    *,
    store: int = QUARRY,
    part: int = KIT,
    needed: date | None = None,
    alternatives: bool = False,
    source: Source | None = None,
) -> Line:
    """The lower its number, the longer it has waited."""
    raised = datetime(2026, 11, 1, tzinfo=UTC) + timedelta(hours=number)
    return Line(
        id=number,
        store=store,
        part=part,
        quantity=quantity,
        urgency=(needed or date.max, raised, number),
        needed_on=needed,
        alternatives_allowed=alternatives,
        source=source or Source(SourceKind.NONE, part),
        name=f"HP-{number}",
    )


def shelf(usable: int, **more: Any) -> Shelf:
    return Shelf(**{"on_hand": usable, "usable": usable, **more})


def situation(*lines: Line, **more: Any) -> Situation:
    return Situation(
        **{
            "today": TODAY,
            "stores": STORES,
            "articles": ARTICLES,
            "shelves": {},
            "lines": lines,
            **more,
        }
    )


def decided(s: Situation) -> dict[int, Decision]:
    return {decision.line: decision for decision in plan(s).decisions}


def only(s: Situation) -> Decision:
    (decision,) = plan(s).decisions
    return decision


def said(s: Situation, number: int = 1) -> str:
    found = plan(s)
    return Words(s, found).of(next(d for d in found.decisions if d.line == number))


RESERVED = Source(SourceKind.SHELF, KIT)


# --- The own shelf ------------------------------------------------------------------------------


def test_the_own_shelf_comes_first_and_whole() -> None:
    s = situation(
        line(quantity=2),
        shelves={(QUARRY, KIT): shelf(2, bin="A3"), (HARBOUR, KIT): shelf(9)},
        offers=DOCK,
    )
    assert only(s) == Decision(1, RESERVED, 2, 0)
    assert said(s) == "2 reserved at Quarry North, bin A3."
    assert plan(s).transfers == plan(s).wants == ()


def test_a_less_urgent_line_never_takes_what_is_kept_for_one_that_needs_more() -> None:
    s = situation(line(1, 4), line(2, 1), shelves={(QUARRY, KIT): shelf(3)}, offers=DOCK)
    found = decided(s)
    assert (found[1].source.kind, found[1].own, found[1].missing) == (SourceKind.ORDER, 3, 1)
    assert (found[2].source.kind, found[2].own) == (SourceKind.ORDER, 0)


def test_needed_soonest_first_then_who_has_waited_longest() -> None:
    lines = (line(1), line(2, needed=on(9)), line(3, needed=on(4)), line(4))
    order = [d.line for d in plan(situation(*lines)).decisions]
    assert order == [3, 2, 1, 4]


def test_a_reservation_moves_to_the_pump_that_is_needed_sooner_and_says_which() -> None:
    s = situation(
        line(1, source=RESERVED),
        line(2, needed=on(5)),
        shelves={(QUARRY, KIT): shelf(1)},
        offers=DOCK,
    )
    found = decided(s)
    assert found[2].source == RESERVED
    assert found[1].source == Source(SourceKind.ORDER, KIT, None, on(14))
    assert said(s).startswith(
        "HP-2 is needed on 1 Dec 2026 and takes what was reserved here. 1 needed, 0 free of 1"
    )


def test_a_reservation_stays_where_it_would_not_serve_the_sooner_pump_whole() -> None:
    s = situation(
        line(1, source=RESERVED),
        line(2, 2, needed=on(5)),
        shelves={(QUARRY, KIT): shelf(1)},
    )
    found = decided(s)
    assert found[1].source == RESERVED
    assert found[2].source.kind is SourceKind.NONE


def test_a_reservation_stays_where_what_comes_for_the_sooner_pump_comes_in_time() -> None:
    coming = Source(SourceKind.DELIVERY, KIT, 70, on(3))
    s = situation(
        line(1, source=RESERVED),
        line(2, needed=on(5), source=coming),
        shelves={(QUARRY, KIT): shelf(1)},
        inbounds=[Inbound(SourceKind.DELIVERY, 70, QUARRY, KIT, 1, on(3), "order 7 to Dock Seals")],
    )
    assert {d.source for d in decided(s).values()} == {RESERVED, coming}


def test_what_has_expired_is_let_go_and_told() -> None:
    s = situation(
        line(1, source=RESERVED),
        line(2, source=RESERVED),
        shelves={(QUARRY, KIT): shelf(1, on_hand=2, expired=1)},
    )
    found = decided(s)
    assert found[1].source == RESERVED
    assert found[2].source.kind is SourceKind.NONE
    assert said(s, 2).startswith(
        "What was reserved for it is no longer there. 1 needed, 0 free of 2 on hand, 1 of them "
        "expired at Quarry North."
    )


# --- Numbers ------------------------------------------------------------------------------------


def test_the_old_number_is_used_up_before_the_newer_and_alternatives_come_last() -> None:
    full = {(QUARRY, OLD): shelf(1), (QUARRY, KIT): shelf(1), (QUARRY, OTHER): shelf(1)}
    lines = [line(n, part=OLD, alternatives=True) for n in (1, 2, 3)]
    found = decided(situation(*lines, shelves=full))
    assert [found[n].source.part for n in (1, 2, 3)] == [OLD, KIT, OTHER]
    s = situation(lines[0], shelves={(QUARRY, KIT): shelf(1)})
    assert said(s) == "1 reserved at Quarry North. SK-10 stands in for SK-9."


def test_an_alternative_is_never_given_where_the_line_does_not_allow_it() -> None:
    shelves = {(QUARRY, OTHER): shelf(5), (HARBOUR, OTHER): shelf(5)}
    assert only(situation(line(), shelves=shelves)).source.kind is SourceKind.NONE
    allowed = only(situation(line(alternatives=True), shelves=shelves))
    assert allowed.source == Source(SourceKind.SHELF, OTHER)


def test_an_old_number_does_not_stand_in_for_the_newer() -> None:
    assert only(situation(line(), shelves={(QUARRY, OLD): shelf(5)})).missing == 1


def test_two_numbers_are_never_mixed_in_one_line() -> None:
    s = situation(
        line(quantity=2, part=OLD),
        shelves={(QUARRY, OLD): shelf(1), (QUARRY, KIT): shelf(1)},
        offers=DOCK,
    )
    assert only(s) == Decision(1, Source(SourceKind.ORDER, KIT, None, on(14)), 1, 1)


def test_numbers_follow_supersession_and_alternatives_their_own() -> None:
    assert numbers_for(1, {1: 2, 2: 3, 7: 8}, {2: [7], 1: [3]}) == ((1, 2, 3), (7, 8))


def test_families_are_joined_by_any_link_and_sorted() -> None:
    assert families([5, 1, 9], [(5, 2), (3, 2), (8, 9)]) == [(1,), (2, 3, 5), (8, 9)]


# --- Under way ----------------------------------------------------------------------------------


def delivery(ref: int, quantity: int, expected: date | None, **more: Any) -> Inbound:
    return replace(
        Inbound(SourceKind.DELIVERY, ref, QUARRY, KIT, quantity, expected, "order 7 to Dock Seals"),
        **more,
    )


def test_what_comes_in_time_and_nobody_waits_for_is_taken_before_another_store_gives() -> None:
    s = situation(
        line(1, 2, needed=on(6)),
        line(2, 2, needed=on(7)),
        shelves={(HARBOUR, KIT): shelf(9)},
        inbounds=[delivery(70, 3, on(6))],
    )
    found = decided(s)
    assert found[1].source == Source(SourceKind.DELIVERY, KIT, 70, on(6))
    assert found[2].source.kind is SourceKind.TRANSFER
    assert said(s) == (
        "2 needed, 0 free of 0 on hand at Quarry North. 2 of order 7 to Dock Seals are for it. "
        "Expected 2 Dec 2026."
    )


def test_what_comes_too_late_or_is_overdue_gives_way_to_a_transfer() -> None:
    for expected in (on(9), on(-1), None):
        s = situation(
            line(needed=on(3)),
            shelves={(HARBOUR, KIT): shelf(9)},
            inbounds=[delivery(70, 3, expected)],
        )
        assert only(s).source.kind is SourceKind.TRANSFER


def test_what_is_late_is_still_taken_when_it_comes_no_later_than_a_new_order() -> None:
    for days, kind in ((14, SourceKind.DELIVERY), (15, SourceKind.ORDER)):
        s = situation(line(needed=on(3)), inbounds=[delivery(70, 3, on(days))], offers=DOCK)
        assert only(s).source.kind is kind


def test_of_what_is_overdue_a_new_line_orders_its_own_and_who_waits_for_it_goes_on() -> None:
    overdue = delivery(70, 1, on(-1))
    assert only(situation(line(), inbounds=[overdue], offers=DOCK)).source.kind is SourceKind.ORDER
    waits = Source(SourceKind.DELIVERY, KIT, 70, on(-1))
    s = situation(line(source=waits), inbounds=[overdue], offers=DOCK)
    assert only(s).source == waits
    assert said(s).endswith("Expected 25 Nov 2026, so it is late.")
    assert only(situation(line(), inbounds=[overdue])).source == waits


def test_the_sooner_pump_takes_over_what_is_under_way_for_a_later_one() -> None:
    coming = Source(SourceKind.DELIVERY, KIT, 70, on(4))
    s = situation(
        line(1, needed=on(30), source=coming),
        line(2, needed=on(5)),
        inbounds=[delivery(70, 1, on(4))],
        offers=DOCK,
    )
    found = decided(s)
    assert found[2].source == coming
    assert found[1].source.kind is SourceKind.ORDER


# --- From another store -------------------------------------------------------------------------


def test_the_nearest_store_that_can_spare_the_whole_rest_gives_it() -> None:
    s = situation(
        line(quantity=3),
        shelves={
            (QUARRY, KIT): shelf(1, on_hand=3),
            (HARBOUR, KIT): shelf(3, keep_back=1),
            (FOREST, KIT): shelf(2),
        },
    )
    (transfer,) = plan(s).transfers
    assert (transfer.giver, transfer.quantity, transfer.expected_on) == (HARBOUR, 2, on(2))
    assert said(s) == (
        "3 needed, 1 free of 3 on hand at Quarry North. Harbour Yard, 36 km away, sends 2: it "
        "keeps back 1 for its own next weeks. Expected 28 Nov 2026."
    )


def test_no_store_gives_what_it_needs_itself_or_keeps_back() -> None:
    own = line(9, store=HARBOUR)
    for harbour, forest in ((shelf(1), 2), (shelf(2, keep_back=1), 2), (shelf(2), None)):
        s = situation(line(), own, shelves={(HARBOUR, KIT): harbour, (FOREST, KIT): shelf(1)})
        (transfer,) = plan(s).transfers
        assert transfer.giver == (FOREST if forest else HARBOUR)
        assert decided(s)[9].source.kind is SourceKind.SHELF


def test_two_stores_do_not_share_one_rest() -> None:
    s = situation(line(quantity=2), shelves={(HARBOUR, KIT): shelf(1), (FOREST, KIT): shelf(1)})
    assert only(s).source.kind is SourceKind.NONE
    assert said(s) == (
        "2 needed, 0 free of 0 on hand at Quarry North. No other site can spare 2. Nobody is "
        "named to order SK-10 from: name its preferred supplier."
    )


def test_a_store_that_refused_is_not_asked_again_for_this_line() -> None:
    s = situation(
        line(),
        line(2),
        shelves={(HARBOUR, KIT): shelf(2)},
        refused=frozenset({(1, HARBOUR)}),
        offers=DOCK,
    )
    found = decided(s)
    assert found[1].source.kind is SourceKind.ORDER
    assert found[2].source.kind is SourceKind.TRANSFER
    assert "No other site can spare 1. Harbour Yard refused." in said(s)


def test_stores_whose_place_is_not_known_are_asked_last_by_name() -> None:
    stores = {
        **STORES,
        4: StorePlace(4, "Lime Pit"),
        5: StorePlace(5, "Alder Works"),
    }
    for there, giver in (({4, 5, FOREST}, FOREST), ({4, 5}, 5)):
        s = situation(line(), stores=stores, shelves={(store, KIT): shelf(1) for store in there})
        (transfer,) = plan(s).transfers
        assert transfer.giver == giver


PLANNED = PlannedTransfer(50, FOREST, QUARRY, KIT, 1, 1, on(3))
COMING = Source(SourceKind.TRANSFER, KIT, 50, on(3))


def test_a_transfer_that_is_planned_stays_though_a_nearer_store_could_give_now() -> None:
    s = situation(
        line(source=COMING),
        shelves={(FOREST, KIT): shelf(1), (HARBOUR, KIT): shelf(1)},
        transfers=[PLANNED],
    )
    assert changed(s, plan(s)) == []
    assert plan(s).transfers == (PLANNED,)


def test_a_planned_transfer_is_called_off_when_the_own_shelf_has_it() -> None:
    s = situation(
        line(source=COMING),
        shelves={(FOREST, KIT): shelf(1), (QUARRY, KIT): shelf(1)},
        transfers=[PLANNED],
    )
    found = plan(s)
    assert found.transfers == ()
    assert found.decisions[0].source == RESERVED
    assert Words(s, found).why_called_off(PLANNED) == (
        "Quarry North serves the demand from its own shelf."
    )


def test_a_promise_is_broken_for_a_more_urgent_line_of_the_giver_only() -> None:
    for needed, stays in ((None, True), (on(2), False)):
        s = situation(
            line(1, source=COMING),
            line(2, store=FOREST, needed=needed),
            shelves={(FOREST, KIT): shelf(1)},
            transfers=[PLANNED],
            offers=DOCK,
        )
        assert (plan(s).transfers == (PLANNED,)) is stays
        assert (decided(s)[2].source == RESERVED) is not stays


def test_a_promise_goes_to_another_store_that_needs_it_sooner() -> None:
    s = situation(
        line(1, source=COMING),
        line(2, store=HARBOUR, needed=on(4)),
        shelves={(FOREST, KIT): shelf(1)},
        transfers=[PLANNED],
        offers=DOCK,
    )
    (transfer,) = plan(s).transfers
    assert (transfer.giver, transfer.store, transfer.line) == (FOREST, HARBOUR, 2)
    assert said(s).startswith("What Forest Mill had promised is needed sooner. 1 needed,")
    assert Words(s, plan(s)).why_called_off(PLANNED) == (
        "What Forest Mill had free is needed sooner."
    )


# --- Orders -------------------------------------------------------------------------------------


def test_what_nobody_has_is_ordered_of_the_newest_number_for_all_lines_together() -> None:
    s = situation(line(1, 2, part=OLD), line(2, 3), offers=DOCK)
    (want,) = plan(s).wants
    assert (want.store, want.part, want.for_lines, want.for_stock) == (QUARRY, KIT, 5, 0)
    assert said(s) == (
        "2 needed, 0 free of 0 on hand at Quarry North. No other site can spare 2. 2 to be "
        "ordered from Dock Seals, who promises 14 days. Expected 10 Dec 2026. SK-10 stands in "
        "for SK-9."
    )


def test_an_alternative_is_ordered_where_it_is_allowed_and_the_part_cannot_be_had() -> None:
    offers = {OTHER: Offer(5, "Dock Seals", 14)}
    assert only(situation(line(), offers=offers)).source.kind is SourceKind.NONE
    allowed = only(situation(line(alternatives=True), offers=offers))
    assert allowed.source == Source(SourceKind.ORDER, OTHER, None, on(14))


def test_the_day_of_a_draft_slips_without_a_word_for_less_than_a_week() -> None:
    for told, expected in ((on(9), on(9)), (on(8), on(9)), (on(7), on(14))):
        s = situation(line(source=Source(SourceKind.ORDER, KIT, None, told)), offers=DOCK)
        assert only(s).source.expected_on == (told if expected != on(14) else on(14))


def test_an_empty_situation_needs_nothing() -> None:
    assert plan(situation()) == Plan((), (), ())
