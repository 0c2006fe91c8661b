"""How far the readings of a person agree with those of whoever countersigned them, over time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Q, QuerySet

from fleet.models import Site, User
from fleet.plumbing.scoping import Person, memberships_of
from fleet.roles import Role
from fleet.units import LengthUnit
from inspections.judging import decision_rule_of, interval_of, judge
from inspections.models import ControlReading, Inspection, Reading, StateChange
from inspections.rules.agreement import agree, running_share
from inspections.rules.lifecycle import InspectionState
from inspections.rules.verdicts import Outcome

# Whose business the work of others is; everybody sees his own.
_SEE_ALL = (
    Role.COMPETENT_PERSON,
    Role.SUPERVISOR,
    Role.MAINTENANCE_MANAGER,
    Role.AUDITOR,
)


@dataclass(frozen=True, slots=True)
class Comparison:
    """One position measured by two people.

    again: the control as a reading of its own, never saved, to be said and judged like the first.
    meets: both can be the same length. own_outcome, control_outcome: of the position, or of the
    whole check where it is judged as a whole.
    """

    control: ControlReading
    own: Reading
    again: Reading
    meets: bool
    own_outcome: Outcome
    control_outcome: Outcome

    @property
    def same_verdict(self) -> bool:
        return self.own_outcome is self.control_outcome


@dataclass(frozen=True, slots=True)
class Agreement:
    """One person: comparisons by time, the running share of those that meet beside each.

    first_go: inspections of theirs countersigned without having been sent back. sent_back: those
    that were sent back once or more.
    """

    person: User
    comparisons: tuple[Comparison, ...]
    running: tuple[float, ...]
    first_go: int
    sent_back: int

    @property
    def compared(self) -> int:
        return len(self.comparisons)

    @property
    def meeting(self) -> int:
        return sum(one.meets for one in self.comparisons)

    @property
    def same_verdicts(self) -> int:
        return sum(one.same_verdict for one in self.comparisons)


def agreements(viewer: Person) -> list[Agreement]:
    """Everybody whose work the viewer may see and somebody has judged, by name.

    A fixed number of queries. One's own work is seen everywhere one has a role, that of others
    where one is competent person, supervisor, maintenance manager or auditor.
    """
    sites = memberships_of(viewer).values("site_id")
    see_all = set(
        memberships_of(viewer)
        .filter(role__in=[role.value for role in _SEE_ALL])
        .values_list("site_id", flat=True)
    )
    comparisons: defaultdict[int, list[Comparison]] = defaultdict(list)
    people: dict[int, User] = {}
    for one in comparisons_at(Site.objects.filter(pk__in=sites)):
        if one.own.taken_by_id == viewer.pk or one.control.inspection.site_id in see_all:
            comparisons[one.own.taken_by_id].append(one)
            people[one.own.taken_by_id] = one.own.taken_by
    first_go: defaultdict[int, int] = defaultdict(int)
    sent_back: defaultdict[int, int] = defaultdict(int)
    for signed in _first_answers(Site.objects.filter(pk__in=sites)):
        if signed.by.pk == viewer.pk or signed.site_id in see_all:
            people[signed.by.pk] = signed.by
            (sent_back if signed.sent_back else first_go)[signed.by.pk] += 1
    return [
        Agreement(
            person=person,
            comparisons=tuple(comparisons[pk]),
            running=tuple(running_share([one.meets for one in comparisons[pk]])),
            first_go=first_go[pk],
            sent_back=sent_back[pk],
        )
        for pk, person in sorted(people.items(), key=lambda item: (item[1].full_name, item[0]))
    ]


def agreement_of(viewer: Person, person_id: int) -> Agreement | None:
    """That of one person; None where there is none that the viewer may see."""
    return next((one for one in agreements(viewer) if one.person.pk == person_id), None)


def comparisons_at(sites: QuerySet[Site]) -> list[Comparison]:
    """Every control reading of these sites beside the reading it controls, by time. Two queries."""
    return _compared(ControlReading.objects.filter(inspection__site__in=sites))


def comparisons_of(inspection: Inspection) -> dict[int, list[Comparison]]:
    """What was measured again of an inspection, by line of its sheet. Two queries."""
    by_line: dict[int, list[Comparison]] = {}
    for one in _compared(ControlReading.objects.filter(inspection=inspection)):
        by_line.setdefault(one.control.line_id, []).append(one)
    return by_line


def _compared(rows: QuerySet[ControlReading]) -> list[Comparison]:
    # Compared with is the reading which was in force when the control was taken.
    controls = list(
        rows.select_related(
            "inspection__site",
            "inspection__pump",
            "inspection__rule",
            "line__sheet",
            "instrument",
            "taken_by",
        ).order_by("taken_at", "id")
    )
    taken: defaultdict[tuple[int, int], list[Reading]] = defaultdict(list)
    for reading in (
        Reading.objects.filter(
            inspection__in={one.inspection_id for one in controls},
            line__in={one.line_id for one in controls},
        )
        .select_related("taken_by", "instrument")
        .order_by("id")
    ):
        taken[reading.inspection_id, reading.line_id].append(reading)
    compared = []
    for control in controls:
        then = _in_force_at(taken[control.inspection_id, control.line_id], control.taken_at)
        own = next((one for one in then if _place(one) == _place(control)), None)
        if own is not None:
            compared.append(_compare(control, own, then))
    return compared


def controls_of(inspection: Inspection) -> list[ControlReading]:
    """The control readings of an inspection, in the order of the sheet. One query."""
    return list(
        ControlReading.objects.filter(inspection=inspection)
        .select_related("instrument", "taken_by")
        .order_by("line__order", "id")
    )


def _place(reading: Reading | ControlReading) -> tuple[str, str]:
    return reading.position, reading.term


def _in_force_at(readings: Iterable[Reading], at: datetime) -> list[Reading]:
    """The first of each place that had not been set aside by then."""
    found: dict[tuple[str, str], Reading] = {}
    for reading in readings:
        if reading.replaced_at is None or reading.replaced_at > at:
            found.setdefault(_place(reading), reading)
    return list(found.values())


def _compare(control: ControlReading, own: Reading, then: Sequence[Reading]) -> Comparison:
    line, rule = control.line, decision_rule_of(control.inspection.rule)
    again = Reading(
        line=line,
        position=control.position,
        term=control.term,
        unit=control.unit,
        low=control.low,
        high=control.high,
        is_value=control.is_value,
        standard_uncertainty=control.standard_uncertainty,
    )
    others = [one for one in then if one is not own]

    def outcome(counting: Reading) -> Outcome:
        judged = judge(line, [counting, *others], rule)
        at = (one.outcome for one in judged.positions if one.position == control.position)
        return next(at, judged.outcome)

    return Comparison(
        control=control,
        own=own,
        again=again,
        meets=agree(
            interval_of(own),
            LengthUnit(own.unit),
            interval_of(again),
            LengthUnit(control.unit),
            own_u=own.standard_uncertainty,
            control_u=control.standard_uncertainty,
        ),
        own_outcome=outcome(own),
        control_outcome=outcome(again),
    )


@dataclass(frozen=True, slots=True)
class _FirstAnswer:
    by: User
    site_id: int
    sent_back: bool


def _first_answers(sites: QuerySet[Site]) -> list[_FirstAnswer]:
    """Who signed each inspection that was answered, and how it was answered at first. One query."""
    waiting = InspectionState.AWAITING_COUNTERSIGNATURE.value
    answers: dict[int, _FirstAnswer] = {}
    signed: dict[int, StateChange] = {}
    for change in (
        StateChange.objects.filter(Q(old=waiting) | Q(new=waiting), inspection__site__in=sites)
        .select_related("by", "inspection")
        .order_by("id")
    ):
        if change.new == waiting:
            signed.setdefault(change.inspection_id, change)
        elif change.old == waiting and change.inspection_id not in answers:
            by = signed[change.inspection_id].by
            answers[change.inspection_id] = _FirstAnswer(
                by, change.inspection.site_id, change.new == InspectionState.OPEN.value
            )
    return list(answers.values())
