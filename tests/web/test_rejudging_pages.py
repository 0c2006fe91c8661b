"""How far the judging again has come, what comes out otherwise, and who sees of it."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from fleet.decisions import RuleKind
from fleet.models import Delivery, SheetRule, User
from fleet.plumbing import outbox
from fleet.roles import Role
from fleet.services.rules import choose_rule
from inspections.models import Inspection, Rejudgement
from inspections.services import rejudging
from tests import factories as make
from tests.web.bench import signed_in, words

pytestmark = pytest.mark.django_db
HTMX = {"HX-Request": "true"}


class Yard:
    """Three signed inspections of one model at two sites. No instrument has its error on file, so
    under a rule that needs the uncertainty every check is undecided."""

    def __init__(self) -> None:
        self.here, there = make.make_site("quarry-north"), make.make_site("harbour-yard")
        self.model = make.make_model()
        self.sheet = make.make_issued_sheet(self.model)
        self.signed: list[Inspection] = []
        for site in (self.here, self.here, there):
            technician = make.make_person(site, Role.TECHNICIAN)
            pump = make.make_pump(site, self.model)
            self.signed.append(make.make_signed_inspection(technician, pump))
        self.auditor = make.make_person(self.here, Role.AUDITOR)
        self.elsewhere = make.make_person(there, Role.AUDITOR)
        self.supervisor = make.make_person(self.here, Role.SUPERVISOR)

    def choose(self, kind: RuleKind = RuleKind.GUARDED) -> SheetRule:
        return choose_rule(
            actor=self.supervisor, sheet=self.sheet, kind=kind, why="Quality manual, 4.2"
        )

    def step(self) -> None:
        """Delivers what is due of the judging again, one delivery each of it."""
        for pk in list(
            Delivery.objects.filter(
                done_at__isnull=True, handler__endswith="rejudging"
            ).values_list("pk", flat=True)
        ):
            assert outbox.deliver(pk) is outbox.Outcome.DONE


@pytest.fixture
def yard(monkeypatch: pytest.MonkeyPatch) -> Yard:
    monkeypatch.setattr(rejudging, "AT_ONCE", 2)
    return Yard()


def page(user: User, rule: SheetRule, **headers: str) -> Any:
    return signed_in(user).get(f"/inspections/rules/{rule.pk}/", headers=headers)


def test_the_page_keeps_up_while_it_goes_on_and_then_rests(yard: Yard) -> None:
    rule = yard.choose()
    begins = page(yard.auditor, rule)
    assert "It begins in a moment" in words(begins)
    assert 'hx-trigger="every 2s"' in begins.content.decode()
    yard.step()
    assert "0 of 3 inspections judged again, no check comes out otherwise so far." in words(
        page(yard.auditor, rule)
    )
    yard.step()
    under_way = page(yard.auditor, rule, **HTMX)
    # Each of the two has five checks that are required and one that is not.
    said = "2 of 3 inspections judged again, 12 checks come out otherwise so far."
    assert f"{said} All of them are at your sites." in words(under_way)
    assert 'hx-trigger="every 2s"' in under_way.content.decode()
    assert "<html" not in under_way.content.decode()
    yard.step()
    done = page(yard.auditor, rule)
    said = "3 of 3 inspections judged again, 18 checks come out otherwise."
    assert f"{said} 12 of them are at your sites." in words(done)
    assert "hx-trigger" not in done.content.decode()
    assert "Quality manual, 4.2" in words(done)


def test_the_rows_are_of_ones_own_sites(yard: Yard) -> None:
    rule = yard.choose()
    for _ in range(3):
        yard.step()
    mine, theirs = yard.signed[:2], yard.signed[2]
    here, there = page(yard.auditor, rule), page(yard.elsewhere, rule)
    for inspection in mine:
        assert f"/inspections/{inspection.pk}/report/" in here.content.decode()
        assert f"/inspections/{inspection.pk}/report/" not in there.content.decode()
        assert inspection.pump.tag not in words(there)
    assert theirs.pump.tag not in words(here)
    assert theirs.pump.tag in words(there)
    assert "6 of them are at your sites." in words(there)
    somebody = page(make.make_person(make.make_site(), Role.AUDITOR), rule)
    assert "None of them are at your sites." in words(somebody)
    assert "Nothing to look at again at your sites." in words(somebody)


def test_a_rule_by_which_nothing_is_judged_again_says_so(yard: Yard) -> None:
    draft = make.sheets.revise_sheet(actor=yard.supervisor, sheet=yard.sheet, revision="next")
    yard.sheet = draft
    rule = yard.choose()
    shown = page(yard.auditor, rule)
    assert "Nothing is judged again by this rule." in words(shown)
    assert "hx-trigger" not in shown.content.decode()
    sheet = signed_in(yard.auditor).get(f"/sheets/{draft.pk}/").content.decode()
    assert f"/inspections/rules/{rule.pk}/" not in sheet


def test_report_and_bench_say_what_a_check_comes_to_under_the_later_rule(yard: Yard) -> None:
    inspection = yard.signed[0]
    client: Client = signed_in(yard.auditor)
    addresses = [f"/inspections/{inspection.pk}/{page}" for page in ("report/", "")]
    for address in addresses:
        assert "Under the rule of" not in words(client.get(address))
    rule = yard.choose()
    for _ in range(3):
        yard.step()
    day = f"{rule.chosen_at.day} {rule.chosen_at:%b %Y}"
    for address in addresses:
        text = words(client.get(address))
        assert f"Under the rule of {day}" in text
        assert "6 of 6 checks come out otherwise under it." in text
        assert f"Side clearance , under the rule of {day}: undecided , signed as within" in text
    # Back to the old rule, every check comes out as it was signed.
    yard.choose(RuleKind.SIMPLE)
    for _ in range(3):
        yard.step()
    for address in addresses:
        assert "Every check comes out the same under it." in words(client.get(address))
    assert Rejudgement.objects.filter(finished_at__isnull=False).count() == 2


def test_the_list_goes_on_over_several_pages(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fleet.web.pages.ROWS_PER_PAGE", 5)
    rule = yard.choose()
    for _ in range(3):
        yard.step()
    client = signed_in(yard.auditor)
    seen = []
    for number in (1, 2, 3):
        answer = client.get(f"/inspections/rules/{rule.pk}/?page={number}")
        seen += [one.pk for one in answer.context["page"]]
    assert len(seen) == len(set(seen)) == 12


def test_a_rule_that_is_none_is_not_found(yard: Yard) -> None:
    assert signed_in(yard.auditor).get("/inspections/rules/999999/").status_code == 404
