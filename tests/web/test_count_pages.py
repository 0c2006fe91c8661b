"""The pages of counts, values, repair costs and rates."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import pytest
from django.urls import reverse

from fleet.models import User
from fleet.roles import Role
from fleet.services import people
from parts.models import Count, CountLine, ExchangeRate, Labour, Store
from parts.services import counts, pulling, stock
from tests import factories
from tests.parts import build
from tests.parts.build import Yard, make_yard
from tests.parts.counting import valued
from tests.web.client import queries_of, signed_in, text_of

pytestmark = pytest.mark.django_db

ON_RECORD = 47113
# However it might be written.
EXPECTED = re.compile(r"(?<!\d)47[,.\s\u202f]?113(?!\d)")


def a_count(yard: Yard, *quantities: int, cost: str = "10") -> tuple[Count, list[CountLine]]:
    parts = [valued(yard, quantity, cost) for quantity in quantities]
    count = counts.raise_count(actor=yard.clerk, store=yard.store, parts=parts, why="Cycle count")
    return count, [count.lines.get(part=part) for part in parts]


def second(yard: Yard) -> User:
    return factories.make_person(yard.site, Role.STORES_CLERK)


def page(name: str, *args: Any) -> str:
    return reverse(f"parts:{name}", args=args)


def post(person: User, line: CountLine, do: str, **fields: Any) -> Any:
    return signed_in(person).post(page("count-line", line.pk), {"do": do, **fields})


def test_what_the_ledger_expects_is_on_no_page_while_a_line_is_to_be_counted() -> None:
    yard = make_yard()
    count, (line,) = a_count(yard, ON_RECORD)
    people = [
        yard.clerk,
        factories.manager_of(yard.site),
        factories.make_person(yard.site, Role.AUDITOR),
    ]
    looked = [
        page("counts"),
        page("count", count.pk),
        page("count-sheet", count.pk),
        page("count-line", line.pk),
    ]
    for person in people:
        for address in looked:
            answer = signed_in(person).get(address)
            assert answer.status_code == 200
            assert line.part.number in text_of(answer) or address == page("counts")
            assert not EXPECTED.search(answer.content.decode()), (person, address)
    for wrong in ("", "-1", "many", "47112.5", "99999999"):
        answer = post(yard.clerk, line, "enter", counted=wrong)
        assert answer.status_code == 422
        assert not EXPECTED.search(answer.content.decode()), wrong
    # Once it is counted it is no secret any more, or the above could pass for another reason.
    answer = post(yard.clerk, line, "enter", counted="3")
    assert answer.status_code == 302
    for address in (page("count", count.pk), page("count-line", line.pk)):
        assert EXPECTED.search(signed_in(yard.clerk).get(address).content.decode())
    # And sent back it is one again.
    assert post(second(yard), line, "send_back", why="Look again").status_code == 302
    for address in looked:
        assert not EXPECTED.search(signed_in(yard.clerk).get(address).content.decode()), address


def test_a_clerk_counts_line_after_line() -> None:
    yard = make_yard()
    count, lines = a_count(yard, 5, 6, 7)
    client = signed_in(yard.clerk)
    first = page("count-line", lines[0].pk)
    assert f'href="{first}"' in client.get(page("count", count.pk)).content.decode()
    answer = client.post(first, {"do": "enter", "counted": "5"})
    assert answer.headers["Location"] == page("count-line", lines[1].pk)
    # One that differs stays in the hand until it is explained.
    answer = client.post(answer.headers["Location"], {"do": "enter", "counted": "5"}, follow=True)
    assert "differs. Look once more, then say why" in text_of(answer)
    assert answer.redirect_chain[-1][0] == page("count-line", lines[1].pk)
    answer = client.post(
        page("count-line", lines[1].pk), {"do": "explain", "reason": "One lay elsewhere"}
    )
    assert answer.headers["Location"] == page("count-line", lines[2].pk)
    answer = client.post(answer.headers["Location"], {"do": "enter", "counted": "7"}, follow=True)
    assert answer.redirect_chain[-1][0] == page("count", count.pk)
    shown = text_of(answer)
    assert "All 3 lines are settled. 2 of 3 were as on record, 66.7 %." in shown
    assert "Found fewer 10.00 EUR" in shown


def test_over_the_limit_only_somebody_else_is_offered_the_decision() -> None:
    yard = make_yard()
    _count, (line,) = a_count(yard, 20)
    post(yard.clerk, line, "enter", counted="1")
    post(yard.clerk, line, "explain", reason="Not in the bin")
    own = text_of(signed_in(yard.clerk).get(page("count-line", line.pk)))
    assert "You counted it: somebody else decides." in own
    assert "Approve the difference" not in own
    assert post(yard.clerk, line, "approve").status_code == 403
    other = second(yard)
    assert line.part.number in text_of(signed_in(other).get(page("counts")))
    assert post(other, line, "approve").status_code == 302
    assert build.level(yard, line.part) == (1, 0)
    assert post(other, line, "approve").status_code == 422


def test_a_refused_approval_says_why_beside_the_button() -> None:
    yard = make_yard()
    _count, (line,) = a_count(yard, 20)
    counts.enter(actor=yard.clerk, line=line, counted=1, reason="Gone")
    stock.scrap(actor=yard.clerk, store=yard.store, part=line.part, quantity=5, reason="Rust")
    answer = post(second(yard), line, "approve")
    assert answer.status_code == 422
    assert "19 fewer" in text_of(answer)


@pytest.mark.parametrize(
    ("typed", "lines"),
    [
        ({"what": "due", "at_most": "2"}, 2),
        ({"what": "bins", "bin_from": "c", "bin_to": ""}, None),
        ({"what": "bins", "bin_from": "C-1", "bin_to": ""}, 3),
    ],
)
def test_a_count_is_raised_from_the_form(typed: dict[str, str], lines: int | None) -> None:
    yard = make_yard()
    for cost in ("100", "10", "1"):
        valued(yard, 5, cost)
    sent = {"store": yard.store.pk, "why": "Monday", **typed}
    answer = signed_in(yard.clerk).post(page("count-raise"), sent)
    if lines is None:
        assert answer.status_code == 302, "C stands for all bins that begin like it"
        lines = 3
    assert answer.status_code == 302
    assert Count.objects.get().lines.count() == lines


def test_an_unknown_number_or_bin_is_refused_on_the_form() -> None:
    yard = make_yard()
    valued(yard, 5)
    client = signed_in(yard.clerk)
    sent = {"store": yard.store.pk, "why": "Monday"}
    answer = client.post(page("count-raise"), {**sent, "what": "parts", "parts": "NO-SUCH"})
    assert (answer.status_code, "NO-SUCH" in text_of(answer)) == (422, True)
    answer = client.post(page("count-raise"), {**sent, "what": "bins", "bin_from": "Z"})
    assert (answer.status_code, "No part of this store lies" in text_of(answer)) == (422, True)
    assert not Count.objects.exists()


def test_the_pages_of_a_count_take_no_more_queries_for_more_lines() -> None:
    yard = make_yard()
    few, _lines = a_count(yard, 5)
    many, _lines = a_count(yard, *(5 for _ in range(6)))
    client = signed_in(yard.clerk)
    assert queries_of(client, page("count", many.pk)) == queries_of(client, page("count", few.pk))


# --- Value, costs and rates ---------------------------------------------------------------------


def two_currencies() -> tuple[Yard, Yard, User]:
    here, there = make_yard("Quarry North"), make_yard("Forest Mill")
    Store.objects.filter(pk=there.store.pk).update(currency="GBP")
    valued(here, 3)
    valued(there, 2)
    person = factories.make_person(here.site, Role.MAINTENANCE_MANAGER)
    people.grant_role(
        actor=factories.manager_of(there.site), user=person, site=there.site, role="auditor"
    )
    return here, there, person


def test_currencies_stand_beside_each_other_until_a_rate_is_set() -> None:
    here, _there, person = two_currencies()
    client = signed_in(person)
    shown = text_of(client.get(page("value"), {"in": "EUR"}))
    assert "The shelves hold 30.00 EUR and 20.00 GBP. No rate on record turns GBP into EUR" in shown
    sent = {"base": "gbp", "quote": "eur", "rate": "1,25", "valid_from": "2026-11-01"}
    assert client.post(page("rate-add"), sent).status_code == 302
    assert ExchangeRate.objects.get().rate == Decimal("1.25")
    assert "that is 55.00 EUR in all" in text_of(client.get(page("value"), {"in": "EUR"}))
    assert "that is 44.00 GBP in all" in text_of(client.get(page("value"), {"in": "GBP"}))
    answer = client.post(page("rate-add"), sent)
    assert (answer.status_code, "is set for 1 Nov 2026 already" in text_of(answer)) == (422, True)
    assert signed_in(here.clerk).get(page("rate-add")).status_code == 403


def test_the_page_of_a_repair_leads_from_its_sum_to_each_line() -> None:
    yard = make_yard()
    Store.objects.filter(pk=yard.store.pk).update(labour_rate="40")
    part = valued(yard, 2, "12.50")
    demand = build.raise_demand(yard, part)
    pulling.pull(actor=yard.clerk, demand=demand, scanned_number=part.number, quantity=1)
    address = page("cost", demand.inspection_id)
    client = signed_in(yard.technician)
    sent = {"do": "record", "hours": "1,5", "what": "Stripped"}
    assert client.post(address, sent).status_code == 302
    shown = text_of(client.get(address))
    assert "72.50 EUR in all: parts 12.50, labour 60.00 for 1.5 h." in shown
    assert part.number in shown
    # Other pages fetch the sum alone.
    alone = client.get(address, headers={"HX-Request": "true"})
    assert "72.50 EUR in all" in text_of(alone)
    assert "<html" not in alone.content.decode()
    labour = Labour.objects.get()
    sent = {"do": "take_back", "labour": str(labour.pk), "reason": "Other pump"}
    assert client.post(address, sent).status_code == 302
    assert "12.50 EUR in all" in text_of(client.get(address))
    assert client.post(address, sent).status_code == 422, "it is on offer once"
    assert "12.50 EUR" in text_of(client.get(page("costs")))


def test_a_repair_that_took_nothing_says_so() -> None:
    yard = make_yard()
    event = build.make_signed(yard, factories.make_pump(yard.site))
    shown = text_of(signed_in(yard.clerk).get(page("cost", event.inspection_id)))
    assert "No part was issued and no hour recorded for this repair yet." in shown


def test_a_period_that_ends_before_it_begins_is_said_and_narrows_nothing() -> None:
    yard = make_yard()
    part = valued(yard, 2)
    demand = build.raise_demand(yard, part)
    pulling.pull(actor=yard.clerk, demand=demand, scanned_number=part.number, quantity=1)
    client = signed_in(yard.clerk)
    shown = text_of(client.get(page("costs"), {"since": "2026-02-01", "until": "2026-01-01"}))
    assert "It ends before it begins." in shown
    shown = text_of(client.get(page("costs"), {"until": "2020-01-01"}))
    assert "No repair took anything then." in shown
