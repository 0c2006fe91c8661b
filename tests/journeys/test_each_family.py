"""One pump of each family at the bench: drawing, leaves by advice, values, causes, in a browser.

Limits are those of published manuals, each with its source beside it; pumps and people are
invented. The clearance that a pump really has is known to the hand that tries the leaves, so the
verdict that the page must come to is known beforehand.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import timedelta
from decimal import Decimal as D
from statistics import NormalDist
from typing import Any

import pytest
from django.utils import timezone

from fleet.decisions import RuleKind
from fleet.leaks import LeakPathDraft
from fleet.models import PumpModel
from fleet.roles import Role
from fleet.services import leak_paths, rules
from fleet.services.sheets import LineDraft
from fleet.vocabulary import Characteristic, Component, InstrumentKind, LeakShape, PumpFamily
from inspections.findings import Severity, Word
from inspections.leaves import STANDARD_SETS
from inspections.models import Inspection, Instrument, Reading
from tests import factories as make
from tests.journeys.pages import TABLET, Person, person_at

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASSWORD = "seven-lamps-on-a-hill"
# A glove's second tap within 600 ms counts as the first.
BETWEEN_TAPS_MS = 700
RULE_WORDS = {
    RuleKind.GUARDED: "rule: guarded acceptance, guard 1.645 standard uncertainties",
    RuleKind.PROBABILITY: "rule: within from a probability of conformity of 95 % on",
}
Ch, C, Kind = Characteristic, Component, InstrumentKind


@dataclass(frozen=True)
class Leaves:
    """A check by leaves: the gap as it is, and what must come of it."""

    characteristic: Characteristic
    gap_mm: D
    leaf_set: str
    verdict: str


@dataclass(frozen=True)
class Values:
    """A check by values: one figure a reading, in mm, and what must come of them."""

    characteristic: Characteristic
    figures: dict[str, str]
    said: str
    verdict: str
    # The difference and its limit, where the chance is compared with the normal distribution.
    difference_mm: D | None = None
    limit_mm: D | None = None
    repeats: dict[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class Case:
    family: PumpFamily
    tap: Component
    lines: tuple[LineDraft, ...]
    leaves: Leaves
    values: Values
    defect: tuple[Component, Word]
    cause: str
    rule: RuleKind = RuleKind.SIMPLE
    overdue: bool = False
    leaks: tuple[LeakPathDraft, ...] = ()


def line(
    characteristic: Characteristic, component: Component, kind: InstrumentKind, **fields: Any
) -> LineDraft:
    values: dict[str, Any] = {
        "judged_by": "difference" if "terms" in fields else "each",
        "unit": "mm",
        "page": "12",
        "instrument_kind": kind.value,
        **fields,
    }
    return LineDraft(characteristic.value, component.value, **values)


GEAR = Case(
    PumpFamily.EXTERNAL_GEAR,
    tap=C.GEARS,
    lines=(
        # 0.002 to 0.006 in, 0.05 to 0.15 mm: TM 5-3825-229-14&P p.5-33.
        line(
            Ch.SIDE_CLEARANCE,
            C.WEAR_PLATE_FRONT,
            Kind.FEELER,
            limit_low=D("0.05"),
            limit_high=D("0.15"),
            positions=("drive 12 o'clock", "idler 12 o'clock"),
        ),
        # No published limit: a figure that this test sets.
        line(
            Ch.SIDE_OUT_OF_PARALLEL,
            C.WEAR_PLATE_FRONT,
            Kind.FEELER,
            judged_by="spread",
            limit_high=D("0.03"),
            positions=("drive 12 o'clock", "idler 12 o'clock"),
            readings_from=Ch.SIDE_CLEARANCE.value,
        ),
        # 0.177 mm: TM 10-3930-653-14&P p.4-203.
        line(
            Ch.SHAFT_TO_BUSH,
            C.BUSHES,
            Kind.BORE_GAUGE,
            limit_high=D("0.177"),
            positions=("drive front",),
            terms=("bore", "journal"),
        ),
    ),
    leaves=Leaves(Ch.SIDE_CLEARANCE, D("0.143"), "metric_28", "within limits"),
    # 19.112 - 18.935 = 0.177, the shaft of the same page at its smallest: at the limit is within.
    values=Values(
        Ch.SHAFT_TO_BUSH,
        {"Bore": "19.112", "Journal": "18.935"},
        "bore 19.112 mm; journal 18.935 mm",
        "within limits",
        difference_mm=D("0.177"),
        limit_mm=D("0.177"),
    ),
    # Scored rings and a dull look: fine particles, TM 5-3805-262-34.
    defect=(C.WEAR_PLATE_FRONT, Word.ABRASIVE_WEAR),
    cause="Contamination",
    leaks=(
        LeakPathDraft(
            Ch.SIDE_CLEARANCE.value,
            LeakShape.SLOT.value,
            count=4,
            gap_factor=D("0.5"),
            width_mm=D(40),
            length_mm=D(9),
        ),
        LeakPathDraft(
            Ch.SHAFT_TO_BUSH.value,
            LeakShape.ANNULUS.value,
            count=4,
            gap_factor=D("0.5"),
            diameter_mm=D(19),
            length_mm=D(16),
            eccentricity=D(1),
        ),
    ),
)

CRESCENT = Case(
    PumpFamily.INTERNAL_GEAR,
    tap=C.CRESCENT,
    lines=(
        # New 0.10 to 0.18, at most 0.20 mm: maker's service page of an engine's oil pump.
        line(
            Ch.OUTER_GEAR_TO_BODY,
            C.OUTER_GEAR,
            Kind.FEELER,
            limit_high=D("0.20"),
            new_low=D("0.10"),
            new_high=D("0.18"),
            positions=("12 o'clock",),
        ),
        # New 0.03 to 0.09, at most 0.15 mm: the same page.
        line(
            Ch.GEAR_SET_SIDE_CLEARANCE,
            C.OUTER_GEAR,
            Kind.DEPTH_MICROMETER,
            limit_high=D("0.15"),
            new_low=D("0.03"),
            new_high=D("0.09"),
            positions=("outer place 1",),
            terms=("body depth", "gear width"),
        ),
    ),
    leaves=Leaves(Ch.OUTER_GEAR_TO_BODY, D("0.260"), "metric_26", "out of limits"),
    # 0.147 mm keeps the limit, but not with a guard of 1.645 u = 0.005 mm taken off (ISO 14253-1).
    values=Values(
        Ch.GEAR_SET_SIDE_CLEARANCE,
        {"Body depth": "25.147", "Gear width": "25.000"},
        "body depth 25.147 mm; gear width 25.000 mm",
        "undecided",
        difference_mm=D("0.147"),
        limit_mm=D("0.15"),
    ),
    defect=(C.CRESCENT, Word.CAVITATION_EROSION),
    cause="Cavitation",
    rule=RuleKind.GUARDED,
)

GEROTOR = Case(
    PumpFamily.GEROTOR,
    tap=C.INNER_GEAR,
    lines=(
        # 0.007 in, 0.178 mm: TM 10-3930-664-24 p.3-59.
        line(
            Ch.ROTOR_TIP_CLEARANCE,
            C.INNER_GEAR,
            Kind.FEELER,
            limit_high=D("0.178"),
            positions=("place 1",),
        ),
        # 0.005 in, 0.127 mm: the same page. The gasket holds the cover off the body, so that depth
        # less width alone comes out below nought: TM 5-2815-241-34&P p.2-296.
        line(
            Ch.GEAR_SET_SIDE_CLEARANCE,
            C.OUTER_GEAR,
            Kind.DEPTH_MICROMETER,
            limit_high=D("0.127"),
            positions=("outer place 1",),
            terms=("pocket depth", "gear width"),
            allowance=D("0.130"),
        ),
    ),
    leaves=Leaves(Ch.ROTOR_TIP_CLEARANCE, D("0.13"), "metric_20", "within limits"),
    # 19.000 - 19.009 + 0.130 = 0.121.
    values=Values(
        Ch.GEAR_SET_SIDE_CLEARANCE,
        {"Pocket depth": "19.000", "Gear width": "19.009"},
        "pocket depth 19.000 mm; gear width 19.009 mm",
        "within limits",
        difference_mm=D("0.121"),
        limit_mm=D("0.127"),
    ),
    defect=(C.SHAFT, Word.FRETTING),
    cause="Misalignment",
    rule=RuleKind.PROBABILITY,
)

VANE = Case(
    PumpFamily.VANE,
    tap=C.CAM_RING,
    lines=(
        # 0.03 mm: maker's service page of a steering pump.
        line(
            Ch.VANE_SLOT_GAP,
            C.VANES,
            Kind.FEELER,
            limit_high=D("0.03"),
            positions=("slot 1",),
        ),
        # 0.02 to 0.05 mm new, about 0.07 rejects: common practice, no source.
        line(
            Ch.ROTOR_SIDE_CLEARANCE,
            C.ROTOR,
            Kind.MICROMETER,
            limit_high=D("0.07"),
            new_low=D("0.02"),
            new_high=D("0.05"),
            positions=("place 1",),
            terms=("ring width", "rotor width"),
        ),
    ),
    leaves=Leaves(Ch.VANE_SLOT_GAP, D("0.045"), "metric_13_a", "out of limits"),
    values=Values(
        Ch.ROTOR_SIDE_CLEARANCE,
        {"Ring width": "20.045", "Rotor width": "20.000"},
        "ring width 20.045 mm; rotor width 20.000 mm",
        "within limits",
        difference_mm=D("0.045"),
        limit_mm=D("0.07"),
    ),
    # A washboard in the ring: over-pressure, thin oil, vane bounce or air (common practice).
    defect=(C.CAM_RING, Word.RIPPLED),
    cause="Over-pressure",
    overdue=True,
)

PISTON = Case(
    PumpFamily.AXIAL_PISTON,
    tap=C.VALVE_PLATE,
    lines=(
        # 0.005 in, 0.127 mm: TM 10-3930-660-34 p.16-133.
        line(
            Ch.SLIPPER_END_PLAY,
            C.PISTONS_AND_SHOES,
            Kind.FEELER,
            limit_high=D("0.127"),
            positions=("piston 1",),
        ),
        # 0.010 to 0.040 mm new, about 0.06 rejects: common practice, no source.
        line(
            Ch.PISTON_TO_BORE,
            C.PISTONS_AND_SHOES,
            Kind.BORE_GAUGE,
            limit_high=D("0.06"),
            new_low=D("0.010"),
            new_high=D("0.040"),
            positions=("piston 1",),
            terms=("bore", "piston"),
        ),
    ),
    leaves=Leaves(Ch.SLIPPER_END_PLAY, D("0.115"), "metric_28", "within limits"),
    values=Values(
        Ch.PISTON_TO_BORE,
        {"Bore": "17.052", "Piston": "17.000"},
        "bore 17.052 to 17.056 mm; piston 17.000 mm",
        "within limits",
        repeats={"Bore": ("17.056", "17.053")},
    ),
    defect=(C.PISTONS_AND_SHOES, Word.SHOE_ROLLED),
    cause="Cavitation",
)

CASES = (GEAR, CRESCENT, GEROTOR, VANE, PISTON)


@dataclass(frozen=True)
class Bench:
    """What was made ready by services before the browser opens."""

    inspection: Inspection
    leaf_set: Instrument
    gauge: Instrument


def made_ready(case: Case) -> Bench:
    site = make.make_site("quarry-north", "Quarry North")
    technician = make.make_person(site, username="technician", password=PASSWORD)
    model = make.make_model(family=case.family.value, designation="X-32")
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
    assert by_leaves.instrument_kind == Kind.FEELER.value
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
        tap_the_drawing(person, case, bench.inspection.pk)
        by_leaves(person, case, bench)
        by_values(person, case)
        if case is GEAR:
            out_of_parallel(person, case)
            what_the_clearances_cost(person, bench)
        causes(person, case, bench)


def tap_the_drawing(person: Person, case: Case, pk: int) -> None:
    part = person.page.locator(f'.drawing [data-component="{case.tap.value}"]')
    part.locator(".part__label").click()
    person.page.get_by_role("heading", level=1, name=case.tap.label).wait_for()
    person.sees("No defect" if case.tap is not case.defect[0] else case.defect[1].label)
    person.look(f"{case.family}-component")
    person.follow(f"Inspection {pk}")
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
    assert 1 <= tried
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
    label = Ch.SIDE_OUT_OF_PARALLEL.label
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
