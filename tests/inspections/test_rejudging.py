"""Signed inspections judged again by a changed rule: in chunks, once, beside what was signed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

import pytest
from django.db import DatabaseError, transaction
from django.forms import model_to_dict

from fleet.decisions import RuleKind
from fleet.events import RuleChosen
from fleet.models import Delivery, Event, LimitSheet, Pump, PumpModel, SheetRule, User
from fleet.plumbing import outbox
from fleet.services.rules import choose_rule
from fleet.services.sheets import LineDraft
from fleet.units import LengthUnit
from fleet.vocabulary import InstrumentKind
from inspections import rejudged
from inspections.events import RejudgingGoesOn
from inspections.models import (
    Inspection,
    Instrument,
    Reading,
    RejudgedVerdict,
    Rejudgement,
    Verdict,
)
from inspections.rules.verdicts import recompute
from inspections.services import opening, readings, rejudging, signing
from tests import factories
from tests.inspections.conftest import Bench, Client, sql

D = Decimal
BOW, BOTH = "Cover bow", ("front", "rear")

# Limit 0.150 mm. The dial's permissible error of 0.005 mm makes a standard uncertainty of
# 0.005/sqrt(3) = 0.0029 mm and, with its resolution of 0.001, hardly more: a guard of 1.645 times
# that is 0.0048 mm. So 0.148 is within by simple acceptance and undecided by guarded, and 0.140 is
# within by both (ISO 14253-1: the guard is taken off the limit).
NEAR, CLEAR, OUT = "0.148", "0.140", "0.190"


def lines() -> list[LineDraft]:
    own = LineDraft(
        characteristic="own",
        name=BOW,
        component="housing_bore",
        judged_by="each",
        unit="mm",
        page="14",
        limit_high=D("0.150"),
        positions=BOTH,
    )
    side = replace(own, characteristic="side_clearance", name="", component="wear_plate_front")
    askew = replace(
        side,
        characteristic="side_out_of_parallel",
        judged_by="spread",
        limit_high=D("0.030"),
        readings_from="side_clearance",
    )
    return [own, side, askew]


@dataclass
class Shop:
    bench: Bench
    model: PumpModel
    sheet: LimitSheet
    dial: Instrument

    def measured(self, bow: str, side: tuple[str, str] = (CLEAR, CLEAR)) -> Inspection:
        """An open inspection with everything read."""
        pump = factories.make_pump(self.bench.site, self.model)
        inspection = factories.make_inspection(self.bench.technician, pump)
        for line in self.sheet.lines.all():
            figures = {"own": (bow, CLEAR), "side_clearance": side}.get(line.characteristic, ())
            for position, figure in zip(BOTH, figures, strict=False):
                self.read(inspection, line.pk, position, figure)
        return inspection

    def read(self, inspection: Inspection, line: int, position: str, figure: str) -> None:
        readings.record_value(
            actor=self.bench.technician,
            inspection=inspection,
            line=line,
            position=position,
            instrument=self.dial,
            value=D(figure),
            unit=LengthUnit.MM,
        )

    def signed(self, bow: str, *, by: User | None = None, **more: Any) -> Inspection:
        """Signed by the technician for good; by the trainee it waits for the countersignature."""
        inspection = self.measured(bow, **more)
        factories.look_at_all(self.bench.technician, inspection)
        factories.dispositions.propose_all(actor=self.bench.technician, inspection=inspection)
        return signing.sign(actor=by or self.bench.technician, inspection=inspection)

    def choose(self, kind: RuleKind = RuleKind.GUARDED, **more: Any) -> SheetRule:
        return choose_rule(
            actor=self.bench.supervisor, sheet=self.sheet, kind=kind, why="Quality manual", **more
        )


@pytest.fixture
def shop(bench: Bench) -> Shop:
    model = factories.make_model()
    sheet = factories.make_issued_sheet(model, lines())
    dial = factories.make_micrometer(
        bench.site, kind=InstrumentKind.DIAL, permissible_error=D("0.005")
    )
    return Shop(bench, model, sheet, dial)


def copies(shop: Shop, of: Inspection, count: int) -> None:
    """As many signed inspections more, each of a pump of its own, with the same readings."""
    pump = Pump.objects.get(pk=of.pump_id)
    pumps = Pump.objects.bulk_create(
        Pump(
            site=pump.site,
            model=pump.model,
            tag=f"{pump.tag}-{n}",
            serial=f"{pump.serial}-{n}",
            machine=pump.machine,
            hours_read_at=pump.hours_read_at,
        )
        for n in range(count)
    )
    # Open first: what hangs below a closed one is fixed, for tests too.
    made = Inspection.objects.bulk_create(
        Inspection(
            site=of.site,
            pump=one,
            sheet=of.sheet,
            reason=of.reason,
            running_h=0,
            opened_by=of.opened_by,
            opened_at=of.opened_at,
            needs_countersignature=False,
            isolated_by=of.isolated_by,
            isolated_at=of.isolated_at,
            proved_zero_by=of.proved_zero_by,
            proved_zero_at=of.proved_zero_at,
            proved_zero_how=of.proved_zero_how,
            cautions_read_by=of.cautions_read_by,
            cautions_read_at=of.cautions_read_at,
        )
        for one in pumps
    )
    for row_class in (Reading, Verdict):
        rows = list(row_class.objects.filter(inspection=of).values())
        for row in rows:
            del row["id"], row["inspection_id"]
        row_class.objects.bulk_create(
            row_class(inspection=inspection, **row) for inspection in made for row in rows
        )
    Inspection.objects.filter(pk__in=[i.pk for i in made]).update(
        state="signed", signed_by=of.signed_by, signed_at=of.signed_at
    )


def due(event: type[Any]) -> list[int]:
    return list(
        Delivery.objects.filter(event__name=event.name, done_at__isnull=True).values_list(
            "pk", flat=True
        )
    )


def deliver_next() -> outbox.Outcome:
    return outbox.deliver(*due(RejudgingGoesOn))


def begun(shop: Shop, **rule: Any) -> Rejudgement:
    shop.choose(**rule)
    (delivery,) = due(RuleChosen)
    assert outbox.deliver(delivery) is outbox.Outcome.DONE
    return Rejudgement.objects.latest("pk")


def finished(shop: Shop, **rule: Any) -> Rejudgement:
    row = begun(shop, **rule)
    while due(RejudgingGoesOn):
        assert deliver_next() is outbox.Outcome.DONE
    row.refresh_from_db()
    assert row.finished_at is not None
    return row


def counts(row: Rejudgement) -> tuple[int, int, int, bool]:
    row.refresh_from_db()
    return row.done, row.total, row.differing, row.finished_at is not None


# --- What comes of it -----------------------------------------------------------------------------


def test_a_verdict_near_the_limit_comes_out_otherwise_and_stands_beside(shop: Shop) -> None:
    near, clear = shop.signed(NEAR), shop.signed(CLEAR)
    before = list(Verdict.objects.order_by("pk").values())
    assert {v["outcome"] for v in before} == {"within"}
    row = finished(shop)
    assert counts(row) == (2, 2, 1, True)
    assert list(Verdict.objects.order_by("pk").values()) == before
    found = {(v.inspection_id, v.line.label): v for v in row.verdicts.select_related("line")}
    assert len(found) == 6
    bow = found[near.pk, BOW]
    assert (bow.before, bow.outcome) == ("within", "undecided")
    assert "guard" in bow.rule_text
    assert bow.probability is not None
    assert 0.5 < bow.probability < 0.95
    assert [v.outcome for key, v in found.items() if key != (near.pk, BOW)] == ["within"] * 5
    assert found[clear.pk, BOW].outcome == "within"
    (only,) = rejudged.differing(row)
    assert only == bow


def test_a_rejudged_verdict_can_be_computed_again_from_what_it_keeps(shop: Shop) -> None:
    shop.signed(NEAR)
    for verdict in finished(shop).verdicts.all():
        again = recompute(verdict.computed_from)
        assert again.outcome.value == verdict.outcome
        assert again.sentence == verdict.sentence
        assert again.probability == verdict.probability
        assert again.computed_from == verdict.computed_from


def test_what_borrows_the_readings_of_another_check_is_judged_by_them(shop: Shop) -> None:
    # Front and rear differ by 0.029: within 0.030 as read, and undecided with a guard.
    shop.signed(CLEAR, side=("0.140", "0.111"))
    finished(shop)
    askew = RejudgedVerdict.objects.get(line__characteristic="side_out_of_parallel")
    assert (askew.before, askew.outcome) == ("within", "undecided")


def test_a_reading_whose_uncertainty_is_not_known_is_undecided(shop: Shop) -> None:
    shop.dial = factories.make_micrometer(shop.bench.site, kind=InstrumentKind.DIAL)
    shop.signed(CLEAR)
    row = finished(shop)
    assert {v.outcome for v in row.verdicts.all()} == {"undecided"}
    assert row.differing == 3


def test_only_what_is_signed_or_waits_for_a_countersignature_is_judged_again(
    shop: Shop, bench: Bench
) -> None:
    signed, corrected = shop.signed(NEAR), shop.signed(NEAR)
    correction = signing.supersede(actor=bench.competent, inspection=corrected, why="Wrong pump")
    sql("UPDATE inspections_inspection SET state = 'superseded' WHERE id = %s", corrected.pk)
    waiting = shop.signed(NEAR, by=bench.trainee)
    assert waiting.state == "awaiting_countersignature"
    still_open = shop.measured(NEAR)
    abandoned = shop.measured(NEAR)
    opening.abandon(actor=bench.technician, inspection=abandoned, why="Pump scrapped")
    other = factories.make_signed_inspection(bench.technician, factories.make_pump(bench.site))
    row = finished(shop)
    assert counts(row) == (3, 3, 3, True)
    judged = set(row.verdicts.values_list("inspection_id", flat=True))
    assert judged == {signed.pk, corrected.pk, waiting.pk}
    assert not judged & {still_open.pk, abandoned.pk, other.pk, correction.pk}


def test_an_open_inspection_keeps_the_rule_it_was_opened_with(shop: Shop) -> None:
    before = shop.measured(NEAR)
    finished(shop)
    after = shop.measured(NEAR)
    line = shop.sheet.lines.get(name=BOW)
    shop.read(before, line.pk, "front", "0.149")
    assert Verdict.objects.get(inspection=before, line=line).outcome == "within"
    assert Verdict.objects.get(inspection=after, line=line).outcome == "undecided"


def test_inspections_keep_the_limits_of_their_own_sheet(shop: Shop) -> None:
    old = shop.signed(NEAR)
    wider = [replace(line, limit_high=D("0.300")) for line in lines()]
    shop.sheet = factories.make_issued_sheet(shop.model, wider)
    row = finished(shop)
    assert (row.total, row.differing) == (1, 1)
    bow = row.verdicts.get(line__name=BOW)
    assert bow.line.sheet_id == old.sheet_id
    assert "0.150 mm" in bow.sentence


def test_a_model_without_inspections_is_finished_at_once(shop: Shop) -> None:
    assert counts(finished(shop)) == (0, 0, 0, True)


# --- In chunks, once ------------------------------------------------------------------------------


def test_250_inspections_in_three_chunks(shop: Shop) -> None:
    first = shop.signed(NEAR)
    copies(shop, first, 249)
    kept = {
        row_class: list(row_class.objects.order_by("pk").values())
        for row_class in (Inspection, Verdict, Reading)
    }
    row = begun(shop)
    assert counts(row) == (0, 250, 0, False)
    progress = []
    while due(RejudgingGoesOn):
        assert deliver_next() is outbox.Outcome.DONE
        progress.append(counts(row))
    half_way = [(100, 250, 100, False), (200, 250, 200, False)]
    assert progress == [*half_way, (250, 250, 250, True)]
    assert row.verdicts.count() == 750
    for row_class, before in kept.items():
        assert list(row_class.objects.order_by("pk").values()) == before, row_class


@pytest.fixture
def two_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rejudging, "AT_ONCE", 2)


@pytest.mark.usefixtures("two_at_once")
def test_the_number_of_queries_does_not_grow_with_the_chunk(
    shop: Shop, django_assert_num_queries: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    copies(shop, shop.signed(NEAR), 9)
    row = begun(shop)
    # Row, rule, chunk, sheets' lines, readings, verdicts, insert, count, save, next event with its
    # delivery and notice; the savepoint round them is two more.
    with django_assert_num_queries(14):
        rejudging.go_on(event=RejudgingGoesOn(row.pk, 0))
    row.refresh_from_db()
    monkeypatch.setattr(rejudging, "AT_ONCE", 7)
    with django_assert_num_queries(14):
        rejudging.go_on(event=RejudgingGoesOn(row.pk, row.last_inspection_id))
    assert counts(row) == (9, 10, 9, False)


@pytest.mark.usefixtures("two_at_once")
def test_every_event_handled_twice_has_one_effect(shop: Shop) -> None:
    copies(shop, shop.signed(NEAR), 4)
    rule = shop.choose()
    event = RuleChosen(rule.pk, shop.sheet.pk, shop.model.pk)
    row = rejudging.begin(event=event)
    assert rejudging.begin(event=event) == row
    assert len(due(RejudgingGoesOn)) == 1
    after, done = 0, []
    while row.finished_at is None:
        for _ in range(2):
            row = rejudging.go_on(event=RejudgingGoesOn(row.pk, after))
        done.append(row.done)
        after = row.last_inspection_id
    assert done == [2, 4, 5]
    assert counts(row) == (5, 5, 5, True)
    assert row.verdicts.count() == 15
    # One event for each chunk, however often the one before it was handled.
    assert Event.objects.filter(name=RejudgingGoesOn.name).count() == 3


@pytest.mark.usefixtures("two_at_once")
def test_late_early_and_strayed_events_do_nothing(shop: Shop) -> None:
    copies(shop, shop.signed(NEAR), 4)
    row = begun(shop)
    ids = list(Inspection.objects.order_by("pk").values_list("pk", flat=True))
    early = RejudgingGoesOn(row.pk, ids[1])
    rejudging.go_on(event=early)
    assert counts(row)[0] == 0
    while due(RejudgingGoesOn):
        deliver_next()
    at_the_end = model_to_dict(Rejudgement.objects.get())
    rows = list(RejudgedVerdict.objects.order_by("pk").values())
    for after in (0, ids[1], ids[-1]):
        rejudging.go_on(event=RejudgingGoesOn(row.pk, after))
    assert model_to_dict(Rejudgement.objects.get()) == at_the_end
    assert list(RejudgedVerdict.objects.order_by("pk").values()) == rows


@pytest.mark.usefixtures("two_at_once")
def test_a_crash_in_the_middle_of_a_chunk_undoes_the_chunk_and_it_goes_on(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    copies(shop, shop.signed(NEAR), 4)
    row = begun(shop)
    assert deliver_next() is outbox.Outcome.DONE
    assert counts(row) == (2, 5, 2, False)
    judge, judged = rejudging.judge, []

    def falls_over(*args: Any) -> Any:
        judged.append(args)
        if len(judged) == 5:
            raise RuntimeError("The worker ran out of memory.")
        return judge(*args)

    monkeypatch.setattr(rejudging, "judge", falls_over)
    assert deliver_next() is outbox.Outcome.FAILED
    assert counts(row) == (2, 5, 2, False)
    assert row.verdicts.count() == 6
    monkeypatch.setattr(rejudging, "judge", judge)
    assert deliver_next() is outbox.Outcome.DONE
    assert deliver_next() is outbox.Outcome.DONE
    assert counts(row) == (5, 5, 5, True)
    assert row.verdicts.count() == 15


@pytest.mark.usefixtures("two_at_once")
def test_what_is_signed_and_sent_back_meanwhile_is_counted_as_it_is(
    shop: Shop, bench: Bench
) -> None:
    copies(shop, shop.signed(NEAR), 2)
    waiting = shop.signed(NEAR, by=bench.trainee)
    row = begun(shop)
    deliver_next()
    assert counts(row) == (2, 4, 2, False)
    signing.send_back(actor=bench.competent, inspection=waiting, why="Measure the rear again")
    deliver_next()
    assert counts(row) == (3, 3, 3, True)


def test_a_second_rule_has_rows_of_its_own(shop: Shop) -> None:
    inspection = shop.signed(NEAR)
    first = finished(shop)
    second = finished(shop, kind=RuleKind.PROBABILITY, p_accept=D("0.6"))
    assert first.verdicts.count() == second.verdicts.count() == 3
    assert counts(second) == (1, 1, 0, True)
    later = rejudged.under_later_rule(inspection)
    assert later is not None
    assert (later.rule, later.otherwise) == (second.rule, ())


def test_the_newest_rule_counts_whichever_was_begun_first(shop: Shop) -> None:
    inspection = shop.signed(NEAR)
    older, newer = shop.choose(RuleKind.PROBABILITY, p_accept=D("0.6")), shop.choose()
    for rule in (newer, older):
        row = rejudging.begin(event=RuleChosen(rule.pk, shop.sheet.pk, shop.model.pk))
        rejudging.go_on(event=RejudgingGoesOn(row.pk, 0))
    later = rejudged.under_later_rule(inspection)
    assert later is not None
    assert later.rule == newer
    assert [check.line.label for check in later.otherwise] == [BOW]


def test_what_was_opened_under_the_rule_is_not_judged_again_by_it(shop: Shop) -> None:
    before = shop.signed(NEAR)
    rule = shop.choose()
    after = shop.signed(CLEAR)
    assert after.rule == rule
    row = rejudging.begin(event=RuleChosen(rule.pk, shop.sheet.pk, shop.model.pk))
    rejudging.go_on(event=RejudgingGoesOn(row.pk, 0))
    assert counts(row) == (1, 1, 1, True)
    assert set(row.verdicts.values_list("inspection_id", flat=True)) == {before.pk}


def test_a_rejudged_verdict_is_never_edited(shop: Shop) -> None:
    shop.signed(NEAR)
    finished(shop)
    for statement in (
        "UPDATE inspections_rejudgedverdict SET outcome = 'within'",
        "DELETE FROM inspections_rejudgedverdict",
    ):
        with pytest.raises(DatabaseError, match="append_only"), transaction.atomic():
            sql(statement)


# --- Reading it -----------------------------------------------------------------------------------


def test_what_is_judged_anew_at_the_bench_has_no_later_rule(shop: Shop, bench: Bench) -> None:
    inspection = shop.signed(NEAR, by=bench.trainee)
    assert rejudged.under_later_rule(inspection) is None
    finished(shop)
    later = rejudged.under_later_rule(inspection)
    assert later is not None
    assert [check.line.label for check in later.otherwise] == [BOW]
    assert len(later.checks) == 3
    signing.send_back(actor=bench.competent, inspection=inspection, why="Measure the bow again")
    shop.read(inspection, shop.sheet.lines.get(name=BOW).pk, "front", CLEAR)
    later = rejudged.under_later_rule(inspection)
    assert later is not None
    assert (len(later.checks), later.otherwise) == (2, ())


def test_over_the_api(shop: Shop, bench: Bench, as_: Callable[[Any], Client]) -> None:
    inspection = shop.signed(NEAR)
    row = finished(shop)
    client = as_(bench.auditor)
    shown = client.get(f"rejudgements/{row.pk}").json()
    assert (shown["done"], shown["total"], shown["differing"]) == (1, 1, 1)
    assert shown["model"] == shop.model.pk
    assert shown["rule_sentence"] == "guarded acceptance, guard 1.645 standard uncertainties"
    (only,) = client.get("rejudgements", model=shop.model.pk, finished="true").json()["results"]
    assert only == shown
    assert client.get("rejudgements", finished="false").json()["results"] == []
    every = client.get("rejudged-verdicts", rejudgement=row.pk).json()["results"]
    assert len(every) == 3
    (otherwise,) = client.get("rejudged-verdicts", differs="true").json()["results"]
    assert (otherwise["inspection"], otherwise["check"]) == (inspection.pk, BOW)
    assert (otherwise["before"], otherwise["outcome"]) == ("within", "undecided")
    assert len(client.get("rejudged-verdicts", differs="false").json()["results"]) == 2
    outside = as_(bench.outsider)
    assert outside.get(f"rejudgements/{row.pk}").json() == shown
    assert outside.get("rejudged-verdicts").json()["results"] == []
