"""Every verdict keeps what it was computed from, and comes out of it again to the same bits."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.core.management import CommandError, call_command

from fleet.decisions import RuleKind
from fleet.services.rules import choose_rule
from fleet.units import LengthUnit
from fleet.vocabulary import InstrumentKind
from inspections.models import Verdict
from inspections.rules.leaves import Feel, Try
from inspections.rules.verdicts import Outcome
from inspections.services import instruments, readings
from inspections.verdict_selectors import Tally, verdict_differences
from tests import factories
from tests.inspections.conftest import Bench, sql

D = Decimal
pytestmark = pytest.mark.django_db


@pytest.fixture
def judged(bench: Bench) -> Verdict:
    """Side clearance at one position, judged by probability with leaves of a known error."""
    choose_rule(
        actor=factories.manager_of(bench.site),
        sheet=bench.pump.model.sheets.get(state="issued"),
        kind=RuleKind.PROBABILITY,
        why="The maker asks for it",
    )
    inspection = factories.make_inspection(bench.technician, bench.pump)
    leaf_set = instruments.add_instrument(
        actor=bench.competent,
        site=bench.site,
        identity="FG-error",
        name="Leaf set with a certificate",
        kind=InstrumentKind.FEELER,
        unit=LengthUnit.MM,
        leaves=factories.METRIC_20,
        permissible_error=D("0.004"),
    )
    line = inspection.sheet.lines.get(characteristic=factories.SIDE)
    readings.record_tries(
        actor=bench.technician,
        inspection=inspection,
        line=line.pk,
        position=line.positions[0],
        instrument=leaf_set,
        tries=[Try((D("0.10"),), Feel.DRAG), Try((D("0.15"),), Feel.REFUSES)],
    )
    return Verdict.objects.get(inspection=inspection, line=line)


def test_a_reading_carries_its_uncertainty_and_the_verdict_its_probability(judged: Verdict) -> None:
    reading = judged.inspection.readings.get()
    # JCGM 100, 4.3.7: 0.004 mm either way, equally likely, is 0.004 / sqrt 3.
    assert reading.standard_uncertainty == pytest.approx(0.0023094, abs=1e-7)
    assert [part["name"] for part in reading.budget] == ["leaf 1"]
    assert judged.probability is not None
    assert 0 < judged.probability < 1
    assert judged.outcome == Outcome.UNDECIDED.value  # the other positions are still to be read
    (kept,) = judged.computed_from["readings"]
    assert kept["u"] == reading.standard_uncertainty


def test_it_comes_out_the_same_to_the_last_bit(judged: Verdict) -> None:
    tally = Tally()
    assert list(verdict_differences(tally)) == []
    assert tally == Tally(same=Verdict.objects.count(), without_basis=0)
    call_command("check_verdicts")


def test_what_was_changed_past_the_rules_is_found(judged: Verdict) -> None:
    sql(f"UPDATE inspections_verdict SET outcome = 'within' WHERE id = {judged.pk}")  # noqa: S608
    (difference,) = verdict_differences(Tally())
    assert (difference.pk, difference.inspection_id) == (judged.pk, judged.inspection_id)
    assert "'within' on record, 'undecided' judged again" in str(difference)
    with pytest.raises(CommandError, match="1 come out otherwise"):
        call_command("check_verdicts")


def test_one_from_before_a_basis_was_kept_is_counted_apart(judged: Verdict) -> None:
    sql(f"UPDATE inspections_verdict SET computed_from = '{{}}' WHERE id = {judged.pk}")  # noqa: S608
    tally = Tally()
    assert list(verdict_differences(tally)) == []
    assert tally.without_basis == 1
