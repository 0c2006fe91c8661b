"""Reads of inspections, each with a fixed number of queries. Querysets are scoped by the caller."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

from django.db.models import Exists, OuterRef, Prefetch, Q, QuerySet, Subquery

from fleet.faults import Fault
from fleet.lifecycle import PumpStatus
from fleet.limits import JudgedBy
from fleet.models import Pump, SheetLine, Site, User
from fleet.plumbing.scoping import SiteScopedQuerySet
from fleet.roles import Capability
from fleet.units import LengthUnit
from fleet.vocabulary import (
    COMPONENTS,
    Characteristic,
    Component,
    InstrumentKind,
    PumpFamily,
)
from inspections.checks import Check as Check  # given out from here too, beside checks_of
from inspections.checks import Place as Place
from inspections.checks import advice_for as advice_for
from inspections.checks import check_from, suited
from inspections.checks import set_gap_for as set_gap_for
from inspections.instrument_selectors import OverdueUse, overdue_faults, overdue_uses
from inspections.judging import decision_rule_of, readings_for, reference_of
from inspections.models import (
    ComponentDisposition,
    Finding,
    Inspection,
    InspectionQuerySet,
    Instrument,
    Nameplate,
    Photo,
    Reading,
    StateChange,
    Verdict,
)
from inspections.rules.dispositions import Disposition, Proposal, propose
from inspections.rules.findings import Severity, Word
from inspections.rules.lifecycle import UNDER_WORK, InspectionState
from inspections.rules.verdicts import Outcome
from inspections.study_selectors import study_u

# A pump in one of these is stripped, or waits to be built up again.
NOT_BACK = frozenset(
    {
        PumpStatus.ON_BENCH,
        PumpStatus.AWAITING_COUNTERSIGNATURE,
        PumpStatus.AWAITING_PARTS,
        PumpStatus.READY_TO_REBUILD,
    }
)


# --- Rows -------------------------------------------------------------------------------------


def inspections() -> InspectionQuerySet:
    """All inspections with what every list and page of them shows. One query."""
    return Inspection.objects.select_related(
        "site",
        "pump__model",
        "sheet__model",
        "rule",
        "opened_by",
        "isolated_by",
        "proved_zero_by",
        "cautions_read_by",
        "signed_by",
        "countersigned_by",
    )


def sites() -> SiteScopedQuerySet[Site]:
    """All sites, to be narrowed to the viewer's own."""
    return Site.objects.all()


def inspections_of(pump: Pump) -> InspectionQuerySet:
    """The inspections of a pump, newest first: narrow them to the viewer with visible_to."""
    return inspections().filter(pump=pump).order_by("-id")


def instruments() -> SiteScopedQuerySet[Instrument]:
    """All instruments with their site; withdrawn ones too."""
    return Instrument.objects.select_related("site")


def photos() -> SiteScopedQuerySet[Any]:
    return Photo.objects.select_related("inspection", "taken_by")


def findings() -> SiteScopedQuerySet[Any]:
    return Finding.objects.select_related("inspection", "seen_by")


def dispositions_of(inspection: Inspection) -> QuerySet[ComponentDisposition]:
    """What is proposed and decided, in strip-down order. One query."""
    return inspection.dispositions.select_related("decided_by").order_by("id")


def countersign_queue(user: User) -> QuerySet[Inspection]:
    """What waits for a countersignature that `user` may give, the oldest signature first.

    Their own work is left out: they could not countersign it. One query.
    """
    readings_of_theirs = Reading.objects.filter(
        inspection=OuterRef("pk"), taken_by=user, replaced_at__isnull=True
    )
    return (
        inspections()
        .awaiting_countersignature()
        .actable_by(user, Capability.COUNTERSIGN)
        .exclude(Q(signed_by=user) | Q(opened_by=user) | Exists(readings_of_theirs))
        .order_by("signed_at", "id")
    )


# --- Checks -----------------------------------------------------------------------------------


def checks_of(inspection: Inspection) -> list[Check]:
    """Every line of the inspection's sheet in order. Four queries, however many were read."""
    lines = list(
        SheetLine.objects.filter(sheet_id=inspection.sheet_id)
        .select_related("sheet")
        .order_by("order", "id")
    )
    in_force = Reading.objects.filter(
        inspection=inspection, replaced_at__isnull=True
    ).select_related("instrument", "taken_by")
    verdicts = {
        verdict.line_id: verdict
        for verdict in Verdict.objects.filter(inspection=inspection).select_related("waived_by")
    }
    at_hand = usable_instruments(inspection.site_id)
    readings = list(in_force)
    rule = decision_rule_of(inspection.rule)
    return [
        check_from(
            line,
            verdicts.get(line.pk),
            readings_for(line, lines, readings),
            at_hand,
            rule,
        )
        for line in lines
    ]


def check_of(inspection: Inspection, line_id: int) -> Check | None:
    """One line of the inspection's sheet; None when it is not on that sheet."""
    return next((check for check in checks_of(inspection) if check.line.pk == line_id), None)


def reading_at(
    inspection: Inspection, line: SheetLine, position: str, term: str = ""
) -> Reading | None:
    """The reading in force at a position; None while there is none."""
    return (
        Reading.objects.filter(
            inspection=inspection,
            line=line,
            position=position,
            term=term,
            replaced_at__isnull=True,
        )
        .select_related("instrument")
        .first()
    )


def sheet_line(inspection: Inspection, line_id: int) -> SheetLine | None:
    """A line of the sheet that judges this inspection; None for any other."""
    lines = SheetLine.objects.select_related("sheet")
    return lines.filter(pk=line_id, sheet_id=inspection.sheet_id).first()


# --- Instruments and leaves -------------------------------------------------------------------


def usable_instruments(site: Site | int) -> list[Instrument]:
    """The instruments of a site that are in use, by their number. One query."""
    return list(
        Instrument.objects.filter(site=site, withdrawn_at__isnull=True).order_by("identity")
    )


def suitable_instruments(line: SheetLine, site: Site | int) -> list[Instrument]:
    """Those of the site that can serve a line, the kind that the sheet names first."""
    return list(suited(line, usable_instruments(site)))


def study_u_for(line: SheetLine, instrument: Instrument) -> float | None:
    """What who measures adds to the uncertainty, in the instrument's unit; None without a study.

    That of the characteristic whose readings the line judges. One query.
    """
    return study_u(
        site_id=instrument.site_id,
        characteristic=Characteristic(line.readings_from or line.characteristic),
        instrument_kind=InstrumentKind(instrument.kind),
        unit=LengthUnit(instrument.unit),
    )


# --- What is left to do -----------------------------------------------------------------------


def components_without_record(inspection: Inspection) -> list[Component]:
    """Components nobody has looked at yet, in the order of the family's list."""
    seen = set(inspection.findings.values_list("component", flat=True))
    family = PumpFamily(inspection.pump.model.family)
    return [c for c in COMPONENTS[family] if c.value not in seen]


def blockers(inspection: Inspection) -> list[Fault]:
    """What is still to do before anything can be disposed of: one sentence each, none when ready.

    Isolation, the nameplate, required checks that are undecided and not waived, and components
    nobody has looked at.
    """
    blocked: list[Fault] = []
    if inspection.proved_zero_at is None:
        blocked.append(Fault("Isolation and proved zero are not confirmed.", field="isolation"))
    if not hasattr(inspection, "nameplate"):
        blocked.append(Fault("The nameplate is not read.", field="nameplate"))
    verdicts = {v.line_id: v for v in Verdict.objects.filter(inspection=inspection)}
    required = SheetLine.objects.filter(sheet_id=inspection.sheet_id, required=True).exclude(
        judged_by=JudgedBy.NOT_APPLICABLE.value
    )
    for line in required.order_by("order", "id"):
        verdict = verdicts.get(line.pk)
        component = Component(line.component).label
        name = f"{line.label}, {component[0].lower()}{component[1:]}"
        if verdict is None:
            blocked.append(Fault(f"{name}: not measured yet.", field=f"checks.{line.pk}"))
        elif verdict.outcome == Outcome.UNDECIDED.value and verdict.waived_by_id is None:
            missing = (
                f" Still to be measured: {', '.join(verdict.missing_positions)}."
                if verdict.missing_positions
                else " Try another leaf or instrument, or have it waived by name and reason."
            )
            blocked.append(Fault(f"{name}: undecided.{missing}", field=f"checks.{line.pk}"))
    blocked.extend(
        Fault(
            f"{component.label}: no record yet. Say what is seen, 'no defect' included.",
            field=f"components.{component.value}",
        )
        for component in components_without_record(inspection)
    )
    return blocked


def proposals_of(inspection: Inspection) -> tuple[Proposal, ...]:
    """What the rules propose for each component from today's verdicts and findings. Two queries."""
    model = inspection.pump.model
    family = PumpFamily(model.family)
    verdicts = list(Verdict.objects.filter(inspection=inspection).select_related("line__sheet"))
    seen = Finding.objects.filter(inspection=inspection)
    return propose(
        family=family,
        components=COMPONENTS[family],
        verdicts=[
            (Characteristic(v.line.characteristic), Component(v.line.component), Outcome(v.outcome))
            for v in verdicts
        ],
        findings=[(Component(f.component), Word(f.word), Severity(f.severity)) for f in seen],
        body_replaceable=model.body_replaceable,
        printed_in={
            (Characteristic(v.line.characteristic), Component(v.line.component)): str(
                reference_of(v.line)
            )
            for v in verdicts
        },
    )


def stays_overruled(row: ComponentDisposition, proposal: Proposal) -> bool:
    """A person's decision stands as long as the proposal that it overruled stays the same."""
    return row.decided != row.proposed and row.proposed == proposal.disposition.value


def dispositions_outdated(inspection: Inspection) -> bool:
    """Whether checks or findings changed so that something else would be decided now.

    False while nothing has been proposed. Three queries.
    """
    rows = {row.component: row for row in dispositions_of(inspection)}
    if not rows:
        return False
    proposed = {proposal.component.value: proposal for proposal in proposals_of(inspection)}
    if proposed.keys() != rows.keys():
        return True
    return any(
        row.decided != proposed[component].disposition.value
        and not stays_overruled(row, proposed[component])
        for component, row in rows.items()
    )


# --- One inspection in full -------------------------------------------------------------------


@dataclass(frozen=True)
class Record:
    """One inspection with all that counts in it now.

    overdue: instruments that were overdue when readings in force were taken. to_do: what keeps it
    from being disposed of and signed. outdated: see dispositions_outdated.
    """

    inspection: Inspection
    nameplate: Nameplate | None
    checks: tuple[Check, ...]
    findings: tuple[Finding, ...]
    photos: tuple[Photo, ...]
    dispositions: tuple[ComponentDisposition, ...]
    overdue: tuple[OverdueUse, ...]
    to_do: tuple[Fault, ...]
    dispositions_outdated: bool


@dataclass(frozen=True)
class Report(Record):
    """The same with what was replaced on the way, who did what, and what corrects it.

    readings: all, in the order in which they were first taken. corrected_by: the inspection that
    supersedes this one or is meant to, abandoned ones aside.
    """

    readings: tuple[Reading, ...]
    state_changes: tuple[StateChange, ...]
    corrected_by: int | None


def record_of(inspection: Inspection) -> Record:
    """What a client needs to go on with an inspection, in a fixed number of queries."""
    open_still = inspection.state == InspectionState.OPEN.value
    overdue = overdue_uses(inspection)
    # They hold up the countersignature, and the signature where it is the only one.
    before_signing = [] if inspection.needs_countersignature else overdue_faults(overdue)
    return Record(
        inspection=inspection,
        nameplate=Nameplate.objects.filter(inspection=inspection).select_related("read_by").first(),
        checks=tuple(checks_of(inspection)),
        findings=tuple(findings().filter(inspection=inspection).order_by("id")),
        photos=tuple(photos().filter(inspection=inspection).order_by("id")),
        dispositions=tuple(dispositions_of(inspection)),
        overdue=tuple(overdue),
        to_do=(*blockers(inspection), *before_signing) if open_still else (),
        dispositions_outdated=open_still and dispositions_outdated(inspection),
    )


def report_of(inspection: Inspection) -> Report:
    """The whole record of an inspection, in a fixed number of queries."""
    record = record_of(inspection)
    return Report(
        **{field.name: getattr(record, field.name) for field in fields(record)},
        readings=tuple(
            Reading.objects.filter(inspection=inspection)
            .select_related("instrument", "taken_by")
            .order_by("id")
        ),
        state_changes=tuple(
            StateChange.objects.filter(inspection=inspection).select_related("by").order_by("id")
        ),
        corrected_by=Inspection.objects.filter(supersedes=inspection)
        .exclude(state=InspectionState.ABANDONED.value)
        .values_list("pk", flat=True)
        .first(),
    )


# --- Across the fleet -------------------------------------------------------------------------


@dataclass(frozen=True)
class OutOfLimits:
    """A pump whose latest inspection found something out of limits that is not put right yet."""

    pump: Pump
    inspection: Inspection
    verdicts: tuple[Verdict, ...]


def out_of_limits_pumps(user: User) -> list[OutOfLimits]:
    """Such pumps of the person's sites, the latest inspection first. Two queries.

    A pump that moved while out of limits goes on warning where it is now, though its inspection
    stays with the site that made it.

    Put right is: the component was to be renewed, and the pump is back in service or a spare. A
    component that was reused although out of limits stays on the list with its pump.
    """
    counting = [state.value for state in (*UNDER_WORK, InspectionState.SIGNED)]
    latest = (
        Inspection.objects.filter(pump=OuterRef("pump"), state__in=counting)
        .order_by("-id")
        .values("pk")[:1]
    )
    renewed = ComponentDisposition.objects.filter(
        inspection=OuterRef("inspection"),
        component=OuterRef("line__component"),
        decided__in=[d.value for d in Disposition if d.renews],
    )
    not_put_right = (
        Verdict.objects.filter(outcome=Outcome.OUT.value)
        .exclude(inspection__pump__status=PumpStatus.SCRAPPED.value)
        .filter(
            Q(inspection__pump__status__in=[status.value for status in NOT_BACK]) | ~Exists(renewed)
        )
    )
    found = (
        inspections()
        .filter(pump__in=Pump.objects.visible_to(user).values("pk"), pk=Subquery(latest))
        .filter(Exists(not_put_right.filter(inspection=OuterRef("pk"))))
        .prefetch_related(
            Prefetch(
                "verdicts",
                not_put_right.select_related("line"),
                to_attr="out",
            )
        )
        .order_by("-id")
    )
    return [
        OutOfLimits(inspection.pump, inspection, tuple(inspection.out))  # type: ignore[attr-defined]
        for inspection in found
    ]
