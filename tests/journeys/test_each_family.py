"""One pump of each family at the bench: drawing, leaves by advice, values, causes, in a browser.

The clearance that a pump really has is known to the hand that tries the leaves, so the
verdict that the page must come to is known beforehand.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal as D
from statistics import NormalDist
from typing import Any

import pytest
from django.utils import timezone

from fleet.decisions import RuleKind
from fleet.models import PumpModel
from fleet.services import leak_paths, rules
from fleet.vocabulary import Characteristic, InstrumentKind
from inspections.models import Inspection, Instrument, Reading
from inspections.rules.findings import Severity
from inspections.rules.leaves import STANDARD_SETS
from tests import factories as make
from tests.journeys.families import CASES, GEAR, Case, Leaves, Values
from tests.journeys.pages import TABLET, Person, person_at

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASSWORD = "seven-lamps-on-a-hill"
# A glove's second tap within 600 ms counts as the first.
BETWEEN_TAPS_MS = 700
RULE_WORDS = {
    RuleKind.GUARDED: "rule: guarded acceptance, guard 1.645 standard uncertainties",
    RuleKind.PROBABILITY: "rule: within from a probability of conformity of 95 % on",
}


@dataclass(frozen=True)
class Bench:
    """What was made ready by services before the browser opens."""

    inspection: Inspection
    leaf_set: Instrument
    gauge: Instrument


def made_ready(case: Case) -> Bench:
    site = make.make_site("quarry-north", "Quarry North")
    technician = make.make_person(site, username="technician", password=PASSWORD)
    # At the pressure of an engine's oil pump the limits of such pumps cost what they can afford.
    model = make.make_model(family=case.family.value, designation="X-32", rated_pressure_bar=D(25))
    sheet = make.make_issued_sheet(model, case.lines, revision="A", document="X-32 manual")
    if case.rule is not RuleKind.SIMPLE:
        rules.choose_rule(
            actor=make.manager_of(site), sheet=sheet, kind=case.rule, why="House rule"
        )
    if case.leaks:
        leak_paths.set_leak_paths(
            actor=make.manager_of(site),
            model=PumpModel.objects.get(pk=model.pk),
            paths=case.leaks,
        )
    inspection = make.make_inspection(technician, make.make_pump(site, model, tag="XP-01"))
    component, word = case.defect
    make.look_at_all(technician, inspection, defects={component.value: (word, Severity.LIGHT)})
    by_leaves, by_values = (
        make.line_named(inspection, check.characteristic.value)
        for check in (case.leaves, case.values)
    )
    assert by_leaves.instrument_kind == InstrumentKind.FEELER.value
    leaves = STANDARD_SETS[case.leaves.leaf_set].leaves
    gone_by = timezone.localdate() - timedelta(days=30)
    return Bench(
        inspection,
        make.make_leaf_set(site, leaves, permissible_error=D("0.004")),
        make.make_micrometer(
            site,
            kind=InstrumentKind(by_values.instrument_kind),
            permissible_error=D("0.004"),
            calibration_due_on=gone_by if case.overdue else None,
        ),
    )


@pytest.mark.parametrize("case", CASES, ids=[case.family.value for case in CASES])
def test_one_pump_of_the_family_at_the_bench(case: Case, live_server: Any, browser: Any) -> None:
    bench = made_ready(case)
    with person_at(browser, live_server.url, TABLET) as person:
        person.sign_in("technician", PASSWORD)
        person.go(f"/inspections/{bench.inspection.pk}/")
        person.look(f"{case.family}-bench")
        tap_the_drawing(person, case)
        by_leaves(person, case, bench)
        by_values(person, case)
        if case is GEAR:
            out_of_parallel(person, case)
            what_the_clearances_cost(person, bench)
        causes(person, case, bench)


def tap_the_drawing(person: Person, case: Case) -> None:
    part = person.page.locator(f'.drawing [data-component="{case.tap.value}"]')
    part.locator(".part__label").click()
    person.page.get_by_role("heading", level=1, name=case.tap.label).wait_for()
    person.sees("No defect" if case.tap is not case.defect[0] else case.defect[1].label)
    if case is GEAR:
        person.look(f"{case.family}-component")
    person.follow("back to the bench")
    person.sees("XP-01 on the bench")


# --- Leaves ---------------------------------------------------------------------------------------


def open_check(person: Person, bench: Bench, characteristic: Characteristic) -> None:
    line = make.line_named(bench.inspection, characteristic.value)
    person.page.locator(f'.check-list a[href$="/checks/{line.pk}/"]').click()
    person.page.get_by_role("heading", level=1, name=characteristic.label).wait_for()
    # The view closes in on the gap that is measured, and marks it.
    drawing = person.page.locator(f'.drawing[data-highlight="{characteristic.value}"]')
    assert drawing.locator(".check-mark").count() == 1


def by_leaves(person: Person, case: Case, bench: Bench) -> None:
    check = case.leaves
    open_check(person, bench, check.characteristic)
    tried = follow_the_advice(person, check)
    assert tried >= 1
    assert verdict_here(person) == check.verdict
    person.sees("chance of meeting the limit")
    if case.rule is not RuleKind.SIMPLE:
        person.sees(RULE_WORDS[case.rule])
    person.look(f"{case.family}-leaves")
    # What was sent is what is kept, and the gap lies in it.
    kept = Reading.objects.get(line__characteristic=check.characteristic.value)
    assert kept.low is not None
    assert kept.low <= check.gap_mm
    assert kept.high is None or check.gap_mm < kept.high
    for position in kept.line.positions[1:]:
        # What is judged from these readings asks for more than the verdict here does.
        narrow_it(person, check)
        person.follow("Next position")
        person.sees(f"Nothing is measured at {position} yet.")
        follow_the_advice(person, check)
        assert verdict_here(person) == check.verdict
        narrow_it(person, check)


def follow_the_advice(person: Person, check: Leaves) -> int:
    """Lay in the gap what is advised until nothing more is; the number of tries."""
    page = person.page
    for tried in range(6):
        advised = page.locator('.leaf--advised:visible input[name="leaf"]')
        if not advised.count():
            return tried
        leaves = str(advised.get_attribute("value"))
        enters = sum(D(leaf) for leaf in leaves.split(" + ")) <= check.gap_mm
        page.wait_for_timeout(BETWEEN_TAPS_MS)
        page.locator(f'label.leaf:has(input[name="leaf"][value="{leaves}"])').first.click()
        person.press("Enters with light drag" if enters else "Does not enter")
        kept = page.locator(".tried__one:not(.tried__one--sent)")
        # Two laid together are told with their sum: "0.06 + 0.15 = 0.21".
        kept.get_by_text(re.compile(rf"^{re.escape(leaves)}( =|$)")).wait_for()
    pytest.fail(f"The advice does not come to an end at {page.url}.")


def narrow_it(person: Person, check: Leaves) -> None:
    person.follow("Narrow it for the trend")
    person.sees("Go on to the verdict")
    follow_the_advice(person, check)
    assert verdict_here(person) == check.verdict


def verdict_here(person: Person) -> str:
    return str(person.page.locator(".bracket figcaption .verdict").inner_text())


# --- Values ---------------------------------------------------------------------------------------


def by_values(person: Person, case: Case) -> None:
    check = case.values
    person.follow("XP-01")
    line = next(one for one in case.lines if one.characteristic == check.characteristic.value)
    person.page.locator(".check-list a").filter(has_text=check.characteristic.label).first.click()
    for label, figure in check.figures.items():
        person.page.get_by_label(label, exact=True).fill(figure)
    if line.allowance is not None:
        person.sees(f"with {line.allowance} mm added")
    person.page.wait_for_timeout(BETWEEN_TAPS_MS)
    person.press("Keep both")
    for label, figures in check.repeats.items():
        for figure in figures:
            person.page.locator("details.again > summary").click()
            person.page.get_by_label(f"{label} again", exact=True).fill(figure)
            person.page.wait_for_timeout(BETWEEN_TAPS_MS)
            person.press("Keep the repeat")
            person.sees(figure)
    person.sees(check.said)
    assert verdict_here(person) == check.verdict
    if check.difference_mm is not None and check.limit_mm is not None:
        assert abs(chance_shown(person) - chance_of(check)) < 0.011
    for label, figures in check.repeats.items():
        person.sees(f"{label}: Read {len(figures) + 1} times: ")
    if case.overdue:
        person.sees("calibration was due")
        person.sees("The reading is kept and marked.")
    person.look(f"{case.family}-values")


def chance_of(check: Values) -> float:
    """JCGM 106:2012 7.2.2: normal, u of two readings with error 0.004 mm and step 0.001 mm.

    Both rectangular (JCGM 100:2008 4.3.7): u of one is sqrt(0.004^2 / 3 + 0.001^2 / 12).
    """
    assert check.difference_mm is not None
    assert check.limit_mm is not None
    u_of_one = (0.004**2 / 3 + 0.001**2 / 12) ** 0.5
    u = (2 * u_of_one**2) ** 0.5
    return NormalDist(0, u).cdf(float(check.limit_mm - check.difference_mm))


def chance_shown(person: Person) -> float:
    words = person.page.locator(".verdict-here .chance").inner_text()
    return float(words.removeprefix("more than ").split(" %")[0]) / 100


# --- What follows from them -----------------------------------------------------------------------


def out_of_parallel(person: Person, case: Case) -> None:
    person.follow("XP-01")
    label = Characteristic.SIDE_OUT_OF_PARALLEL.label
    person.page.locator(".check-list a").filter(has_text=label).click()
    person.page.get_by_role("heading", level=1, name=label).wait_for()
    person.sees("computed from the readings of")
    assert person.page.locator(".feel").count() == 0
    # Both positions stand in the same bracket of one leaf: they differ by less than its width.
    rows = person.page.locator(".read-there tr").all_inner_texts()
    assert [row.split("\t")[0] for row in rows] == list(case.lines[1].positions)
    assert "within limits" in person.page.locator(".check-verdict").inner_text()
    person.look(f"{case.family}-out-of-parallel")


def what_the_clearances_cost(person: Person, bench: Bench) -> None:
    person.go(f"/inspections/{bench.inspection.pk}/")
    person.follow("What the clearances cost")
    person.page.get_by_role("heading", name="Loss against clearance").wait_for()
    rows = person.page.locator(".leak-table tbody tr")
    assert rows.count() == 2
    person.sees("The clearance shaft to bush makes")
    assert person.page.locator(".leak-curve figure svg").count() == 2
    person.look("external_gear-cost")


def causes(person: Person, case: Case, bench: Bench) -> None:
    person.go(f"/inspections/{bench.inspection.pk}/dispositions/")
    if case.rule is RuleKind.GUARDED:
        person.sees("1 thing is still to do before anything can be decided.")
    else:
        person.press("Propose")
        person.sees("need a new part")
    likely = person.page.get_by_role("region", name="Likely causes")
    assert case.cause in likely.inner_text()
    assert "check on the machine" in likely.inner_text()
    person.look(f"{case.family}-dispositions")
