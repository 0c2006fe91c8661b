"""The bench without a network: one position measured to its verdict, narrowed and repeated.

What the tablet says by its table is compared, leaf by leaf, with what the rules say; and what was
tapped arrives once when the network is back.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal as D
from typing import Any
from urllib.parse import quote

import pytest

from fleet.decisions import DecisionRule, RuleKind
from fleet.limits import Limits
from fleet.plumbing.models import IdempotencyKey
from fleet.roles import Role
from fleet.services import rules
from fleet.units import LengthUnit
from inspections.models import Reading
from inspections.rules.leafplan import chance_of, key_of
from inspections.rules.leafsearch import End, LeafTask
from inspections.rules.leaves import STANDARD_SETS
from inspections.rules.nextleaf import Advice, narrowing_leaf, next_leaf
from tests import factories as make
from tests.journeys.pages import TABLET, Person, person_at

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASSWORD = "seven-lamps-on-a-hill"
# A glove's second tap within 600 ms counts as the first.
BETWEEN_TAPS_MS = 700
METRIC_28 = STANDARD_SETS["metric_28"].leaves
WORDS = {"free": "enters freely", "drag": "enters with light drag", "refuses": "does not enter"}


@dataclass
class Hand:
    """The technician's hand in a gap of a known size, and what the rules say to it."""

    person: Person
    task: LeafTask
    gap: D
    low: End | None = None
    high: End | None = None
    tried: list[list[Any]] = field(default_factory=list)
    repeat: int = 1

    def advice(self, *, narrow: bool = False) -> Advice:
        ask = narrowing_leaf if narrow else next_leaf
        return ask(self.task, self.low, self.high)

    def tap(self, leaves: str, feel: str | None = None) -> None:
        """Lay the leaves that are advised in the gap, and tell how they felt."""
        pieces = [D(leaf) for leaf in leaves.split(" + ")]
        enters = sum(pieces) <= self.gap
        feel = feel or ("drag" if enters else "refuses")
        page = self.person.page
        page.wait_for_timeout(BETWEEN_TAPS_MS)
        page.locator(f'label.leaf:has(input[name="leaf"][value="{leaves}"])').first.click()
        page.click(f"#feel-{feel}")
        self.note(leaves, feel)

    def note(self, leaves: str, feel: str) -> None:
        pieces = leaves.split(" + ")
        end = End(sum(map(D, pieces)), len(pieces))
        if feel == "refuses":
            self.high = end if self.high is None or end.at < self.high.at else self.high
        else:
            self.low = end if self.low is None or end.at > self.low.at else self.low
        self.tried.append([pieces, feel, self.repeat])

    def agrees(self, *, narrow: bool = False) -> Advice:
        """The page says what the rules say of this bracket."""
        advice = self.advice(narrow=narrow)
        of = f"Series {self.repeat}: " if self.repeat > 1 else ""
        self.person.sees(of + advice.sentence)
        here = self.person.page.locator("[data-verdict-here]").inner_text()
        if self.low is None and self.high is None:
            assert here.strip() == ""
        else:
            assert advice.outcome.label in here
            if advice.probability is not None:
                assert f"{chance_of(advice)} chance of meeting the limit" in here
        advised = self.person.page.locator(
            '.leaf--advised:visible input[name="leaf"]'
        ).evaluate_all("all => all.map((one) => one.value)")
        assert advised == ([key_of(advice.leaves)] if advice.leaves else [])
        return advice


def stored() -> list[list[Any]]:
    reading = Reading.objects.filter(replaced_at__isnull=True).first()
    if reading is None:
        return []
    return [[t["leaves"], t["feel"], t.get("repeat", 1)] for t in reading.tries]


def test_a_whole_position_is_measured_without_a_network(live_server: Any, browser: Any) -> None:
    site = make.make_site("quarry-north", "Quarry North")
    technician = make.make_person(site, Role.TECHNICIAN, username="technician", password=PASSWORD)
    pump = make.make_pump(site)
    rule = DecisionRule(RuleKind.PROBABILITY)
    rules.choose_rule(
        actor=make.manager_of(site),
        sheet=pump.model.sheets.get(),
        kind=rule.kind,
        why="Proved out, not argued",
    )
    inspection = make.make_inspection(technician, pump)
    leaf_set = make.make_leaf_set(site, METRIC_28, permissible_error=D("0.004"))
    line = make.line_named(inspection, make.SIDE)
    task = LeafTask(
        METRIC_28,
        LengthUnit.MM,
        Limits(None, D("0.15"), LengthUnit.MM),
        rule=rule,
        permissible_error=D("0.004"),
    )
    with person_at(browser, live_server.url, TABLET) as person:
        person.sign_in("technician", PASSWORD)
        address = f"/inspections/{inspection.pk}/checks/{line.pk}/"
        person.go(f"{address}?position={quote(line.positions[0])}&instrument={leaf_set.pk}")
        first = next_leaf(task)
        person.sees(first.prospect)
        hand = Hand(person, task, gap=D("0.147"))
        hand.agrees()
        person.look("leaves-before")

        network = person.page.context
        network.set_offline(True)
        # A leaf by own choice first, then what is advised, until nothing more is.
        hand.tap("0.10")
        for _ in range(4):
            advice = hand.agrees()
            if advice.kind != "try":
                break
            hand.tap(key_of(advice.leaves))
        assert hand.agrees().kind == "cannot_decide"
        assert len(hand.tried) <= 3

        # The same bracket, narrowed for the trend: to its last leaf.
        person.follow("Narrow it for the trend")
        for _ in range(8):
            advice = hand.agrees(narrow=True)
            if advice.kind != "try":
                break
            hand.tap(key_of(advice.leaves))
        assert hand.agrees(narrow=True).kind == "narrowed"
        person.follow("Go on to the verdict")

        # A slip is seen at once and does not count; the last true leaf is taken back and told anew.
        person.page.wait_for_timeout(BETWEEN_TAPS_MS)
        person.press("Take back the last try")
        pieces, feel, _ = hand.tried.pop()
        remaining, hand.tried, hand.low, hand.high = hand.tried, [], None, None
        for leaves, felt, _ in remaining:
            hand.note(" + ".join(leaves), felt)
        hand.agrees()
        hand.tap(" + ".join(pieces), feel)
        hand.agrees()

        # Measured again: a series of its own.
        first_series = list(hand.tried)
        person.follow("Repeat this position")
        hand.low = hand.high = None
        hand.repeat, hand.tried = 2, []
        hand.agrees()
        hand.tap("0.12")
        hand.agrees()
        hand.tap("0.15")
        hand.agrees()

        taps = len(first_series) + len(hand.tried) + 2
        person.sees(f"{taps} readings wait for the network.")
        for leaves, felt, _ in first_series + hand.tried:
            told = f"{WORDS[felt]}, waits"
            row = person.page.locator(".tried__one", has_text=leaves[0]).filter(has_text=told)
            assert row.count() >= 1
        assert stored() == []
        assert IdempotencyKey.objects.count() == 0

        # The first answer gets lost on its way back: the server has acted, the tablet cannot know.
        lost: list[int] = []

        def lose_one(route: Any) -> None:
            if route.request.method == "POST" and not lost:
                lost.append(route.fetch(max_redirects=0).status)
                route.abort()
            else:
                route.continue_()

        person.page.route("**/checks/**", lose_one)
        network.set_offline(False)
        person.page.locator("[data-waiting]").wait_for(state="hidden", timeout=30_000)
        assert lost == [302]
        person.sees("The 2 series agree")
        assert stored() == first_series + hand.tried
        assert Reading.objects.filter(replaced_at__isnull=True).count() == 1
        assert IdempotencyKey.objects.count() == taps
        person.complaints = [c for c in person.complaints if "ERR_INTERNET" not in c]
        person.look("leaves-arrived")


def test_a_leaf_taken_up_while_the_answer_is_on_its_way_stays_in_the_hand(
    live_server: Any, browser: Any
) -> None:
    site = make.make_site("quarry-north", "Quarry North")
    technician = make.make_person(site, Role.TECHNICIAN, username="technician", password=PASSWORD)
    inspection = make.make_inspection(technician, make.make_pump(site))
    leaf_set = make.make_leaf_set(site, METRIC_28)
    line = make.line_named(inspection, make.SIDE)
    with person_at(browser, live_server.url, TABLET) as person:
        person.sign_in("technician", PASSWORD)
        address = f"/inspections/{inspection.pk}/checks/{line.pk}/"
        person.go(f"{address}?position={quote(line.positions[0])}&instrument={leaf_set.pk}")
        held: list[Any] = []
        person.page.route(
            "**/checks/**",
            lambda route: (
                held.append(route) if route.request.method == "POST" else route.continue_()
            ),
        )

        def lay(leaf: str) -> None:
            person.page.locator(f'label.leaf:has(input[name="leaf"][value="{leaf}"])').click()

        lay("0.10")
        person.page.click("#feel-free")
        # At once, while the server has not even been asked.
        person.sees("0.10 mm enters; none refused yet")
        assert Reading.objects.count() == 0
        lay("0.14")
        person.page.wait_for_timeout(BETWEEN_TAPS_MS)
        assert len(held) == 1
        held[0].continue_()
        # The server's card has come: no leaf is on its way any more.
        person.page.locator(".tried__one:not(.tried__one--sent)").wait_for()
        person.sees("In hand: 0.14 mm")
        person.page.unroute("**/checks/**")
        person.page.click("#feel-drag")
        person.sees("0.14 mm enters; none refused yet")
        person.page.locator(".tried__one--sent").first.wait_for(state="detached")
        assert [row[0] for row in stored()] == [["0.10"], ["0.14"]]
