"""The decision rule of a sheet: chosen by name and reason, told to whoever judges, carried on."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import DatabaseError, connection, transaction
from django.utils import timezone

from fleet.decisions import SIMPLE, DecisionRule, RuleKind
from fleet.events import RuleChosen
from fleet.faults import Conflict, Fault, NotAllowed
from fleet.models import Event, LimitSheet, SheetRule
from fleet.selectors import decision_rule_of, rule_in_force, rules_told
from fleet.services import sheets
from fleet.services.rules import choose_rule, rule_that_counts
from tests import factories
from tests.fleet.calls import MakeApi, refused
from tests.fleet.conftest import People

D = Decimal
GUARDED, PROBABILITY = RuleKind.GUARDED, RuleKind.PROBABILITY


def choose(people: People, sheet: LimitSheet, kind: RuleKind = GUARDED, **more: Any) -> SheetRule:
    values = {"actor": people.supervisor, "why": "Our quality manual, section 4", **more}
    return choose_rule(sheet=sheet, kind=kind, **values)


def told() -> list[dict[str, int]]:
    return list(Event.objects.filter(name=RuleChosen.name).values_list("payload", flat=True))


@pytest.fixture
def issued(people: People) -> LimitSheet:
    return factories.make_issued_sheet(factories.make_model(), revision="A")


def test_none_chosen_is_simple_acceptance(issued: LimitSheet) -> None:
    assert rule_in_force(issued) is None
    assert decision_rule_of(None) == SIMPLE


def test_a_rule_is_put_in_force_with_name_time_and_reason(
    people: People, issued: LimitSheet
) -> None:
    at = datetime(2026, 3, 14, 9, 30, tzinfo=UTC)
    row = choose(people, issued, guard_z=D("2"), why="  Agreed with the owner ", now=at)
    assert rule_in_force(issued) == row
    assert (row.chosen_by, row.chosen_at, row.why) == (
        people.supervisor,
        at,
        "Agreed with the owner",
    )
    assert decision_rule_of(row) == DecisionRule(GUARDED, guard_z=D("2"))
    later = choose(people, issued, PROBABILITY, p_accept=D("0.9"), p_reject=D("0.1"))
    assert rule_in_force(issued) == later
    assert [r.pk for r in issued.rules.all()] == [row.pk, later.pk]


def test_figures_that_do_not_count_stay_at_the_usual_ones(
    people: People, issued: LimitSheet
) -> None:
    row = choose(people, issued, guard_z=D("2"), p_accept=D("3"), p_reject=D("-1"))
    assert (row.p_accept, row.p_reject) == (D("0.95"), D("0.05"))
    with pytest.raises(Conflict):
        choose(people, issued, guard_z=D("2.000"), p_accept=D("0.8"))


@pytest.mark.parametrize(
    ("kind", "figures", "field"),
    [
        (GUARDED, {"guard_z": D(0)}, "guard_z"),
        (GUARDED, {"guard_z": D("5.001")}, "guard_z"),
        (GUARDED, {"guard_z": D("1.6449")}, "guard_z"),
        (GUARDED, {"guard_z": D("NaN")}, "guard_z"),
        (PROBABILITY, {"p_accept": D("0.5")}, "p_accept"),
        (PROBABILITY, {"p_accept": D("1")}, "p_accept"),
        (PROBABILITY, {"p_reject": D("0")}, "p_reject"),
        (PROBABILITY, {"p_reject": D("0.5")}, "p_reject"),
        (GUARDED, {"why": "  "}, "why"),
        (GUARDED, {"why": "x" * 301}, "why"),
    ],
)
def test_what_cannot_be_is_refused_at_its_field(
    people: People, issued: LimitSheet, kind: RuleKind, figures: dict[str, Any], field: str
) -> None:
    with pytest.raises(Fault) as caught:
        choose(people, issued, kind, **figures)
    assert [fault.field for fault in caught.value.each()] == [field]
    assert not SheetRule.objects.exists()
    assert told() == []


def test_the_rule_that_is_in_force_is_not_chosen_again(people: People, issued: LimitSheet) -> None:
    with pytest.raises(Conflict) as caught:
        choose(people, issued, RuleKind.SIMPLE)
    assert (caught.value.field, caught.value.code) == ("kind", "same_rule")
    choose(people, issued)
    with pytest.raises(Conflict):
        choose(people, issued)
    # Back to the simple one is a choice like any other.
    choose(people, issued, RuleKind.SIMPLE)
    assert decision_rule_of(rule_in_force(issued)) == SIMPLE
    assert SheetRule.objects.count() == 2


def test_who_may_not_issue_limits_chooses_no_rule(people: People, issued: LimitSheet) -> None:
    competent = factories.make_person(people.north, "competent_person")
    for actor in (people.technician, people.auditor, competent):
        with pytest.raises(NotAllowed):
            choose(people, issued, actor=actor)
    assert not SheetRule.objects.exists()
    # Models belong to all sites, so a role at any of them will do, as for issuing.
    choose(people, issued, actor=people.outsider)


def test_a_superseded_sheet_takes_no_rule(people: People, issued: LimitSheet) -> None:
    draft = sheets.revise_sheet(actor=people.supervisor, sheet=issued, revision="B")
    sheets.issue_sheet(actor=people.supervisor, sheet=draft)
    with pytest.raises(Conflict) as caught:
        choose(people, issued)
    assert caught.value.code == "sheet_superseded"


def test_a_rule_is_appended_and_never_edited(people: People, issued: LimitSheet) -> None:
    choose(people, issued)
    for statement in ("UPDATE fleet_sheetrule SET why = 'other'", "DELETE FROM fleet_sheetrule"):
        with (
            pytest.raises(DatabaseError, match="append_only"),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute(statement)


# --- Who is told ------------------------------------------------------------------------------


def test_a_rule_of_the_sheet_in_force_is_told_and_one_of_a_draft_is_not(
    people: People, issued: LimitSheet
) -> None:
    draft = sheets.revise_sheet(actor=people.supervisor, sheet=issued, revision="B")
    choose(people, draft)
    assert told() == []
    row = choose(people, issued, guard_z=D("2"))
    assert told() == [
        {"rule_id": row.pk, "sheet_id": issued.pk, "model_id": issued.model_id},
    ]
    assert rules_told(issued) == {row.pk}
    assert rules_told(draft) == frozenset()


def test_what_is_not_written_is_not_told(people: People, issued: LimitSheet) -> None:
    def chosen_and_undone() -> None:
        with transaction.atomic():
            choose(people, issued)
            transaction.set_rollback(True)

    chosen_and_undone()
    assert (told(), SheetRule.objects.count()) == ([], 0)


# --- From one sheet to the next -----------------------------------------------------------------


def test_a_revision_goes_on_with_the_rule_as_it_was_chosen(
    people: People, issued: LimitSheet
) -> None:
    chosen = choose(people, issued)
    competent = factories.make_person(people.north, "competent_person")
    draft = sheets.revise_sheet(actor=competent, sheet=issued, revision="B")
    carried = rule_in_force(draft)
    assert carried is not None
    assert carried.pk != chosen.pk
    for name in ("kind", "guard_z", "p_accept", "p_reject", "why", "chosen_by", "chosen_at"):
        assert getattr(carried, name) == getattr(chosen, name), name
    before = len(told())
    sheets.issue_sheet(actor=people.supervisor, sheet=draft)
    # The same rule goes on: nothing has to be judged again.
    assert len(told()) == before


def test_a_sheet_drafted_anew_takes_the_rule_over_when_it_is_issued(
    people: People, issued: LimitSheet
) -> None:
    choose(people, issued)
    before = len(told())
    draft = sheets.draft_sheet(
        actor=people.supervisor, model=issued.model, revision="D", document="OG", lines=[]
    )
    assert rule_in_force(draft) is None
    assert rule_that_counts(draft) == DecisionRule(GUARDED)
    with pytest.raises(Conflict):
        choose(people, draft)
    choose(people, draft, RuleKind.SIMPLE)
    assert rule_that_counts(draft) == SIMPLE
    new = factories.make_issued_sheet(issued.model, revision="B")
    assert decision_rule_of(rule_in_force(new)) == DecisionRule(GUARDED)
    assert len(told()) == before


def test_a_rule_chosen_for_a_draft_counts_and_is_told_when_it_is_issued(
    people: People, issued: LimitSheet
) -> None:
    draft = sheets.revise_sheet(actor=people.supervisor, sheet=issued, revision="B")
    row = choose(people, draft)
    sheets.issue_sheet(actor=people.supervisor, sheet=draft)
    assert told() == [{"rule_id": row.pk, "sheet_id": draft.pk, "model_id": draft.model_id}]


def test_a_later_choice_on_the_sheet_in_force_outlives_an_older_draft(
    people: People, issued: LimitSheet
) -> None:
    now = timezone.now()
    draft = sheets.revise_sheet(actor=people.supervisor, sheet=issued, revision="B")
    choose(people, draft, guard_z=D("3"), now=now - timedelta(days=2))
    later = choose(people, issued, PROBABILITY, now=now - timedelta(days=1))
    assert rule_that_counts(draft) == DecisionRule(PROBABILITY)
    new = sheets.issue_sheet(actor=people.supervisor, sheet=draft)
    in_force = rule_in_force(new)
    assert decision_rule_of(in_force) == DecisionRule(PROBABILITY)
    assert in_force is not None
    assert in_force.chosen_at == later.chosen_at
    assert [payload["rule_id"] for payload in told()] == [later.pk]


def test_the_first_sheet_of_a_model_tells_nobody(people: People) -> None:
    model = factories.make_model()
    draft = sheets.draft_sheet(
        actor=people.supervisor,
        model=model,
        revision="A",
        document="OG",
        lines=factories.gear_lines(),
    )
    choose(people, draft)
    sheets.issue_sheet(actor=people.supervisor, sheet=draft)
    assert told() == []
    assert decision_rule_of(rule_in_force(draft)).kind is GUARDED


# --- The API ------------------------------------------------------------------------------------


def test_rules_over_the_api(people: People, issued: LimitSheet, api: MakeApi) -> None:
    path = f"limit-sheets/{issued.pk}/rules"
    client = api(people.supervisor)
    assert client.get(path).json() == []
    sent = {"kind": "guarded", "guard_z": "1.96", "why": "Quality manual"}
    made = client.post(path, sent)
    assert made.status_code == 201
    assert made.json()["sentence"] == "guarded acceptance, guard 1.96 standard uncertainties"
    client.post(path, {"kind": "probability", "why": "Agreed"})
    found = client.get(path).json()
    assert [(r["kind"], r["chosen_by"]) for r in found] == [
        ("probability", people.supervisor.full_name),
        ("guarded", people.supervisor.full_name),
    ]
    assert refused(client.post(path, {"kind": "probability", "why": "Again"}), 409, "conflict")
    assert refused(
        client.post(path, {"kind": "guarded", "guard_z": "9", "why": "x"}), 422, "invalid"
    ) == [("/guard_z", "out_of_range")]
    assert api(people.technician).post(path, sent).status_code == 403
    assert SheetRule.objects.count() == 2


def test_own_lines_over_the_api(people: People, api: MakeApi) -> None:
    model = factories.make_model()
    line = {
        "characteristic": "own",
        "name": "Side clearance, computed",
        "component": "gears",
        "judged_by": "difference",
        "unit": "mm",
        "limit_high": "0.150",
        "positions": ["drive"],
        "terms": ["housing depth", "gear width", "wear plates"],
        "allowance": "0.250",
        "page": "14",
    }
    body = {"model": model.pk, "revision": "A", "document": "OG", "lines": [line]}
    made = api(people.supervisor).post("limit-sheets", body)
    assert made.status_code == 201, made.json()
    (shown,) = made.json()["lines"]
    assert {name: shown[name] for name in line} == line
    assert shown["label"] == "Side clearance, computed"
    assert shown["formula"] == (
        "Side clearance, computed = housing depth − gear width − wear plates + 0.250 mm allowance"
    )
    # What is read can be sent back as it is.
    again = api(people.supervisor).put(
        f"limit-sheets/{made.json()['id']}/lines", {"lines": [shown]}, **{"If-Match": "*"}
    )
    assert again.status_code == 200, again.json()
    assert again.json()["lines"] == [shown]
