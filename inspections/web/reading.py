"""What the pages show of an inspection, put together from what the selectors read."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db.models import QuerySet
from django.urls import reverse
from django.utils.http import urlencode
from django.utils.safestring import SafeString, mark_safe

from fleet.faults import Fault
from fleet.limits import JudgedBy
from fleet.models import SheetLine, Site, User
from fleet.roles import Capability, roles_that_may
from fleet.units import LengthUnit, convert, show
from fleet.vocabulary import COMPONENTS, Component, PumpFamily
from inspections import selectors
from inspections.instrument_selectors import OverdueUse, overdue_faults
from inspections.judging import source_of, tries_of
from inspections.models import Finding, Inspection, Instrument, Nameplate, Photo, Reading, Verdict
from inspections.rules.findings import WORDS, Mechanism, Severity, Word, words_for
from inspections.rules.intervals import Interval
from inspections.rules.leaves import repeats_disagree
from inspections.rules.plots import LeafMark, bracket_svg, verdict_svg
from inspections.rules.uncertainty import budget_from_json
from inspections.rules.verdict_words import percent
from inspections.rules.verdicts import Outcome
from inspections.selectors import Check
from inspections.web.leafwork import FEEL_SIGNS

# --- Figures and drawings ---------------------------------------------------------------------


def plain(value: Decimal) -> Decimal:
    """Without the zeros that a conversion leaves behind it: 0.10160 is 0.1016."""
    return Decimal(f"{value.normalize():f}")


def common_unit(unit: LengthUnit, other: LengthUnit) -> LengthUnit:
    # Millimetres take every unit exactly; inches would not take millimetres.
    return unit if unit is other else LengthUnit.MM


def in_unit(value: Decimal | None, unit: LengthUnit, to: LengthUnit) -> Decimal | None:
    if value is None or unit is to:
        return value
    return plain(convert(value, unit, to))


def verdict_drawing(row: Verdict, line: SheetLine) -> SafeString:
    """The small sign of a verdict: what met the limit, against it."""
    limit_unit = LengthUnit(line.unit)
    own = LengthUnit(row.unit) if row.unit else limit_unit
    unit = common_unit(own, limit_unit)
    low, high = in_unit(row.low, own, unit), in_unit(row.high, own, unit)
    return mark_safe(  # noqa: S308 (drawn by us, its text escaped)
        verdict_svg(
            low=low,
            high=high,
            exact=low is not None and low == high,
            limit_low=in_unit(line.limit_low, limit_unit, unit),
            limit_high=in_unit(line.limit_high, limit_unit, unit),
            outcome=row.outcome,
            title=row.sentence,
        )
    )


def bracket_drawing(check: Check, position: str) -> SafeString:
    """The reading at one position against the limit, with a sign for each leaf tried.

    Where only readings together meet the limit (a difference, a spread): what they come to.
    """
    line, judged = check.line, check.judged
    limit_unit = LengthUnit(line.unit)
    known: Interval | None = None
    own, outcome, title = limit_unit, Outcome.UNDECIDED.value, "Nothing is measured here yet."
    alone = next((p for p in judged.positions if p.position == position), None) if judged else None
    if judged and judged.decided_unit and JudgedBy(line.judged_by) is JudgedBy.SPREAD:
        known, own, outcome = judged.decided_interval, judged.decided_unit, judged.outcome.value
        title = judged.sentence
    elif alone is not None:
        known, own, outcome = alone.interval, alone.unit, alone.outcome.value
        title = f"{position}: {alone.outcome.label}"
    unit = common_unit(own, limit_unit)
    place = check.place(position) if not line.readings_from else None
    tries = tries_of(place.reading) if place is not None and place.reading is not None else []
    return mark_safe(  # noqa: S308 (drawn by us, its text escaped)
        bracket_svg(
            low=in_unit(known.low, own, unit) if known is not None else None,
            high=in_unit(known.high, own, unit) if known is not None else None,
            exact=known is not None and known.is_exact,
            limit_low=in_unit(line.limit_low, limit_unit, unit),
            limit_high=in_unit(line.limit_high, limit_unit, unit),
            outcome=outcome,
            title=title,
            unit=unit.label,
            leaves=[
                LeafMark(
                    in_unit(each.thickness, own, unit) or Decimal(0),
                    FEEL_SIGNS[each.feel],
                    " + ".join(f"{leaf:f}" for leaf in each.leaves),
                )
                for each in tries
            ],
        )
    )


def said_of(reading: Reading) -> str:
    """A reading in the words of the bench: "0.10 enters, 0.15 mm does not"."""
    unit = LengthUnit(reading.unit)
    if reading.is_value:
        value = show(reading.low, unit)
        if reading.high is not None and reading.high != reading.low:
            value = f"{reading.low:f} to {show(reading.high, unit)}"
        return f"{reading.term} {value}" if reading.term else value
    if reading.high is None:
        return f"{show(reading.low, unit)} enters; none refused yet"
    if reading.low == 0:
        return f"{show(reading.high, unit)} does not enter; none thinner entered yet"
    return f"{reading.low:f} enters, {show(reading.high, unit)} does not"


def uncertainty_said(reading: Reading) -> str:
    """The standard uncertainty of a reading and the sum that it comes from."""
    unit = LengthUnit(reading.unit).label
    budget = budget_from_json(reading.budget)
    unknown = [part.name for part in budget if part.u is None]
    if reading.standard_uncertainty is None:
        return f"uncertainty not known: {unknown[0]} of {reading.instrument.identity} is missing"
    parts = ", ".join(f"{part.name} {part.u:.2g}" for part in budget if part.u is not None)
    return f"standard uncertainty {reading.standard_uncertainty:.2g} {unit} ({parts})"


def repeats_said(reading: Reading) -> str:
    """What was read each time, and how far apart; "" where a position was measured once."""
    unit = LengthUnit(reading.unit)
    if reading.is_value and len(reading.repeats) > 1:
        figures = ", ".join(f"{value:f}" for value in reading.repeats)
        apart = show(max(reading.repeats) - min(reading.repeats), unit)
        return f"Read {len(reading.repeats)} times: {figures}. They lie {apart} apart."
    tries = tries_of(reading)
    count = len({one.repeat for one in tries})
    if count < 2:
        return ""
    if repeats_disagree(tries):
        return (
            f"The {count} series disagree: no gap fits all of them, so the reading is the whole "
            "from end to end. Clean the gap and the leaves, and repeat once more."
        )
    return f"The {count} series agree: the reading is what all of them leave."


def overdue_said(reading: Reading) -> str:
    """That the instrument was overdue when the reading was taken; "" where it was not."""
    due = reading.overdue_since
    if due is None:
        return ""
    return (
        f"{reading.instrument.identity}: calibration was due {due.day} {due:%b %Y}. The reading "
        "is kept and marked."
    )


def as_new(line: SheetLine) -> str:
    """The range of a new pump as the book prints it; "" where it prints none."""
    low, high, unit = line.new_low, line.new_high, LengthUnit(line.unit)
    if low is not None and high is not None:
        return f"{low:f} to {show(high, unit)}"
    if high is not None:
        return f"at most {show(high, unit)}"
    return "" if low is None else f"at least {show(low, unit)}"


def also_printed(line: SheetLine) -> str:
    """The limit in the second unit that the book prints; "" where it prints none."""
    if not line.also_unit:
        return ""
    ends = (line.also_limit_low, line.also_limit_high)
    return " to ".join(show(end, LengthUnit(line.also_unit)) for end in ends if end is not None)


def in_hand(line: SheetLine, instrument: Instrument) -> str:
    """The limit in the unit of the instrument in hand; "" where the book prints it in that.

    To look at only: the verdict falls in the unit of the limit.
    """
    unit, hand = LengthUnit(line.unit), LengthUnit(instrument.unit)
    if hand is unit or hand.value == line.also_unit:
        return ""
    ends = (line.limit_low, line.limit_high)
    return " to ".join(show(end, unit, hand) for end in ends if end is not None)


# --- The check in hand ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Dot:
    """One position of a check, all its terms together."""

    position: str
    # within, out, undecided, read (counts only together with others), or "".
    state: str

    @property
    def word(self) -> str:
        words = {o.value: o.label for o in Outcome} | {"read": "measured"}
        return words.get(self.state, "not measured")


def dots_of(check: Check) -> list[Dot]:
    dots: dict[str, str] = {}
    for place in check.places:
        state = "read" if place.reading is not None else ""
        if place.outcome is not None:
            state = place.outcome.value
        known = dots.get(place.position)
        # Half a difference is not measured yet.
        dots[place.position] = state if known is None or known == state else ""
    return [Dot(position, state) for position, state in dots.items()]


def source_check(check: Check, checks: Sequence[Check]) -> Check | None:
    """The check whose readings this one judges; None where it has its own."""
    source = source_of(check.line, [one.line for one in checks])
    return next((c for c in checks if source is not None and c.line.pk == source.pk), None)


def chance_at(check: Check, position: str) -> str:
    """The chance that the reading at one position meets the limit; "" where it is not known."""
    judged = check.judged
    each = next((p for p in judged.positions if p.position == position), None) if judged else None
    return "" if each is None or each.probability is None else percent(each.probability)


def position_in_hand(check: Check, asked: str) -> str:
    """The position asked for, else the first that is not measured, else the first."""
    if asked in check.line.positions:
        return asked
    dots = dots_of(check)
    return next((dot.position for dot in dots if not dot.state), dots[0].position)


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Where 'back' or 'next' leads."""

    url: str
    label: str


def neighbours(
    inspection: Inspection, checks: Sequence[Check], check: Check, position: str
) -> tuple[Neighbour, Neighbour]:
    """Back and next from one position: through the positions, then through the checks."""
    places = _stops(check)
    # A computed check has one stop, whichever position is asked for.
    here = places.index(position) if position in places else 0
    ahead = [c for c in checks if c.applies]
    at = next(i for i, c in enumerate(ahead) if c.line.pk == check.line.pk)

    def to(other: Check, place: str) -> str:
        url = reverse("inspections:check", args=[inspection.pk, other.line.pk])
        return f"{url}?{_query(place)}"

    if here > 0:
        back = Neighbour(to(check, places[here - 1]), "Back")
    elif at > 0:
        back = Neighbour(to(ahead[at - 1], _stops(ahead[at - 1])[-1]), "Back")
    else:
        back = Neighbour(reverse("inspections:bench", args=[inspection.pk]), "Bench")
    if here + 1 < len(places):
        return back, Neighbour(to(check, places[here + 1]), "Next position")
    if at + 1 < len(ahead):
        url = reverse("inspections:check", args=[inspection.pk, ahead[at + 1].line.pk])
        return back, Neighbour(url, "Next check")
    return back, Neighbour(
        reverse("inspections:dispositions", args=[inspection.pk]), "Dispositions"
    )


def _stops(check: Check) -> list[str]:
    """The positions at which something is read: for a computed check all are shown at one."""
    positions = list(check.line.positions)
    return positions[:1] if check.line.readings_from else positions


def _query(position: str) -> str:
    return urlencode({"position": position})


# --- Components -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ComponentRow:
    """One component with its findings and photos, and the state that the drawing shows."""

    component: Component
    findings: tuple[Finding, ...]
    photos: tuple[Photo, ...]
    # out, finding, undecided, within or "" (not looked at).
    state: str


def components_of(inspection: Inspection, checks: Iterable[Check]) -> list[ComponentRow]:
    """Every component of the pump's family, in strip-down order. Two queries."""
    findings: dict[str, list[Finding]] = defaultdict(list)
    for finding in inspection.findings.select_related("seen_by"):
        findings[finding.component].append(finding)
    photos: dict[str, list[Photo]] = defaultdict(list)
    for photo in inspection.photos.select_related("taken_by"):
        photos[photo.component].append(photo)
    outcomes: dict[str, set[Outcome]] = defaultdict(set)
    for check in checks:
        if check.outcome is not None:
            outcomes[check.line.component].add(check.outcome)
    return [
        ComponentRow(
            component,
            tuple(findings[component.value]),
            tuple(photos[component.value]),
            _state(findings[component.value], outcomes[component.value]),
        )
        for component in COMPONENTS[PumpFamily(inspection.pump.model.family)]
    ]


def _state(findings: Sequence[Finding], outcomes: set[Outcome]) -> str:
    if Outcome.OUT in outcomes:
        return "out"
    if any(f.severity >= Severity.LIGHT for f in findings):
        return "finding"
    if Outcome.UNDECIDED in outcomes:
        return "undecided"
    return "within" if findings or outcomes else ""


# Mechanisms that look alike on the bench stand together: a row of one word wastes the screen.
_GROUPS: tuple[tuple[str, frozenset[Mechanism]], ...] = (
    ("Worn", frozenset({Mechanism.WEAR, Mechanism.CLEARANCE})),
    ("Eaten away", frozenset({Mechanism.CAVITATION, Mechanism.EROSION, Mechanism.CORROSION})),
    (
        "Heat and dirt",
        frozenset({Mechanism.OVERHEATING, Mechanism.CONTAMINATION, Mechanism.BLOCKAGE}),
    ),
    (
        "Pressed, bent or loose",
        frozenset({Mechanism.DEFORMATION, Mechanism.LOOSENESS, Mechanism.LEAKAGE}),
    ),
    ("Flaked or broken", frozenset({Mechanism.FATIGUE, Mechanism.BREAKAGE})),
)


def words_in_groups(component: Component) -> list[tuple[str, list[Word]]]:
    """The words for a component by what kind of damage they show; 'no defect' is no such word."""
    words: list[Word] = [word for word in words_for(component) if word is not Word.NO_DEFECT]
    groups: list[tuple[str, list[Word]]] = [
        (label, [word for word in words if WORDS[word].mechanism in mechanisms])
        for label, mechanisms in _GROUPS
    ]
    placed = {word for _, found in groups for word in found}
    groups.append(("Other", [word for word in words if word not in placed]))
    return [(label, found) for label, found in groups if found]


# The states of the drawing in the words of the bench.
STATE_WORDS = {
    "out": "out of limits",
    "finding": "finding",
    "undecided": "undecided",
    "within": "in order",
    "": "not looked at",
}


def drawing_of(inspection: Inspection, rows: Iterable[ComponentRow]) -> dict[str, Any]:
    """The drawing of the pump's family, with the state and the link of each row."""
    rows = list(rows)
    return {
        "drawing": f"inspections/drawings/{inspection.pump.model.family}.svg",
        "states": {row.component.value: row.state for row in rows if row.state},
        "state_words": {row.component.value: STATE_WORDS[row.state] for row in rows},
        "links": {
            row.component.value: reverse(
                "inspections:component", args=[inspection.pk, row.component.value]
            )
            for row in rows
        },
    }


# --- The bench and what is left to do ---------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ToDo:
    """Something that blocks, with the page where it is done."""

    sentence: str
    url: str


def to_do(inspection: Inspection) -> list[ToDo]:
    """What is still to do before signing, with the page of each."""
    return [
        ToDo(fault.detail, where(inspection, fault)) for fault in selectors.blockers(inspection)
    ]


def to_accept(inspection: Inspection, uses: Iterable[OverdueUse]) -> list[ToDo]:
    """Overdue instruments whose readings nobody has accepted, with the page where that is done."""
    return [ToDo(fault.detail, where(inspection, fault)) for fault in overdue_faults(uses)]


def where(inspection: Inspection, fault: Fault) -> str:
    """The page on which a fault of the whole inspection is put right."""
    area, _, rest = fault.field.partition(".")
    if area == "checks":
        return reverse("inspections:check", args=[inspection.pk, rest])
    if area == "components":
        return reverse("inspections:component", args=[inspection.pk, rest])
    if area == "overdue":
        return f"{reverse('inspections:sign', args=[inspection.pk])}#overdue"
    page = area if area in {"isolation", "nameplate", "dispositions"} else "bench"
    return reverse(f"inspections:{page}", args=[inspection.pk])


def nameplate_of(inspection: Inspection) -> Nameplate | None:
    return Nameplate.objects.filter(inspection=inspection).select_related("read_by").first()


def bench_of(inspection: Inspection) -> dict[str, Any]:
    """Everything the front page of an inspection says."""
    checks = selectors.checks_of(inspection)
    rows = components_of(inspection, checks)
    applying = [c for c in checks if c.applies]
    decided = [c for c in applying if c.outcome in {Outcome.WITHIN, Outcome.OUT} or c.is_waived]
    unseen = [r.component for r in rows if not r.findings]
    dispositions = list(selectors.dispositions_of(inspection))
    plate = nameplate_of(inspection)
    current = "sign"
    if inspection.proved_zero_at is None:
        current = "isolation"
    elif plate is None:
        current = "nameplate"
    elif unseen:
        current = "components"
    elif any(not c.is_settled for c in applying):
        current = "checks"
    elif not dispositions or selectors.dispositions_outdated(inspection):
        current = "dispositions"
    return {
        "checks": checks,
        "rows": rows,
        "plate": plate,
        "applying": len(applying),
        "decided": len(decided),
        "out": [c for c in applying if c.outcome is Outcome.OUT],
        "unseen": unseen,
        "components_sentence": _unseen_sentence(unseen, len(rows)),
        "dispositions": dispositions,
        "outdated": selectors.dispositions_outdated(inspection),
        "current": current,
        "next_check": next((c for c in applying if not c.is_settled), None),
        **drawing_of(inspection, rows),
    }


def _unseen_sentence(unseen: Sequence[Component], total: int) -> str:
    if not unseen:
        return "every component is looked at"
    if len(unseen) == total:
        return "no component is looked at yet"
    names = [c.label[0].lower() + c.label[1:] for c in unseen[:2]]
    if len(unseen) == 1:
        return f"{names[0]} is not looked at yet"
    if len(unseen) == 2:
        return f"{names[0]} and {names[1]} are not looked at yet"
    return f"{names[0]} and {len(unseen) - 1} other components are not looked at yet"


def people_who_may(capability: Capability, site: Site, *, besides: int | None) -> QuerySet[User]:
    """Those who may do a thing at a site, one person left out."""
    people = User.objects.filter(
        is_active=True,
        memberships__site=site,
        memberships__role__in=[role.value for role in roles_that_may(capability)],
    )
    if besides is not None:
        people = people.exclude(pk=besides)
    return people.distinct().order_by("full_name")
