"""Reads of the fleet, each with a fixed number of queries. Scoping to a person happens here too."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Prefetch, QuerySet

from fleet.decisions import SIMPLE, DecisionRule, RuleKind
from fleet.events import RuleChosen
from fleet.lifecycle import PumpStatus, SheetState
from fleet.models import (
    ApiToken,
    Event,
    HoursReading,
    ImportDraft,
    LimitSheet,
    Membership,
    Pump,
    PumpModel,
    PumpMove,
    SheetLine,
    SheetRule,
    Site,
    StatusChange,
    User,
)
from fleet.plumbing.scoping import SiteScopedQuerySet

REGISTER_FILTERS: Mapping[str, str] = {
    "site": "site",
    "family": "model__family",
    "model": "model",
    "status": "status",
    "tag": "tag__icontains",
    "serial": "serial__icontains",
    "machine": "machine__icontains",
}


def pumps_with_model() -> SiteScopedQuerySet[Pump]:
    """All pumps with model and site: to be narrowed to a person by the caller."""
    return Pump.objects.select_related("model", "site")


def pump_register(user: User, filters: Mapping[str, Any] | None = None) -> QuerySet[Pump]:
    """The pumps a person may see, by site and tag. One query.

    filters: keys of REGISTER_FILTERS; empty values narrow nothing.
    """
    lookups = {REGISTER_FILTERS[name]: value for name, value in (filters or {}).items() if value}
    return pumps_with_model().visible_to(user).filter(**lookups).order_by("site__name", "tag")


@dataclass(frozen=True)
class Happening:
    """One line in the history of a pump. what: "status", "move" or "hours"."""

    at: datetime
    what: str
    by: str
    summary: str
    why: str


def pump_history(
    pump: Pump, *, before: datetime | None = None, limit: int = 200
) -> list[Happening]:
    """Changes of state, moves and hours readings of a pump, newest first. Three queries.

    before: only what came earlier than this. limit: at most so many lines.
    """
    changes = pump.status_changes.select_related("by").order_by("-at", "-id")
    moves = pump.moves.select_related("by", "from_site", "to_site").order_by("-at", "-id")
    readings = pump.hours_readings.select_related("by").order_by("-read_at", "-id")
    if before is not None:
        changes, moves = changes.filter(at__lt=before), moves.filter(at__lt=before)
        readings = readings.filter(read_at__lt=before)
    lines = [
        *(_of_change(change) for change in changes[:limit]),
        *(_of_move(move) for move in moves[:limit]),
        *(_of_reading(reading) for reading in readings[:limit]),
    ]
    return sorted(lines, key=lambda line: line.at, reverse=True)[:limit]


def _of_change(change: StatusChange) -> Happening:
    new = PumpStatus(change.new).label
    summary = f"{PumpStatus(change.old).label} to {new}" if change.old else f"Registered, {new}"
    # Nobody's name: it followed from an inspection or from parts.
    return Happening(change.at, "status", str(change.by or "Wearbook"), summary, change.why)


def _of_move(move: PumpMove) -> Happening:
    summary = f"From {move.from_site} to {move.to_site}"
    return Happening(move.at, "move", str(move.by), summary, move.why)


def _of_reading(reading: HoursReading) -> Happening:
    changed = ", meter changed" if reading.meter_changed else ""
    summary = f"Meter {reading.meter_h} h, running {reading.running_h} h{changed}"
    return Happening(reading.read_at, "hours", str(reading.by), summary, reading.note)


def pump_models() -> QuerySet[PumpModel]:
    """All pump models: they belong to no site."""
    return PumpModel.objects.all()


def limit_sheets() -> QuerySet[LimitSheet]:
    """All limit sheets with model, people and lines in order. Two queries."""
    return LimitSheet.objects.select_related("model", "drafted_by", "issued_by").prefetch_related(
        Prefetch("lines", SheetLine.objects.order_by("order", "id"))
    )


def sheet_in_force(model: PumpModel) -> LimitSheet | None:
    """The one issued sheet of a model, with its lines; None while there is none."""
    return limit_sheets().filter(model=model, state=SheetState.ISSUED.value).first()


def rules_of(sheet: LimitSheet) -> QuerySet[SheetRule]:
    """Every rule chosen for a sheet, the one in force first. One query."""
    return SheetRule.objects.filter(sheet=sheet).select_related("chosen_by").order_by("-id")


def rule_in_force(sheet: LimitSheet) -> SheetRule | None:
    """The rule by which readings meet the limits of a sheet; None is simple acceptance."""
    return rules_of(sheet).first()


def decision_rule_of(row: SheetRule | None) -> DecisionRule:
    """The rule of a row as the pure rules take it; none is simple acceptance."""
    if row is None:
        return SIMPLE
    return DecisionRule(RuleKind(row.kind), row.guard_z, row.p_accept, row.p_reject)


def rules_told(sheet: LimitSheet) -> frozenset[int]:
    """Ids of those rules of a sheet by which signed inspections are judged again. One query."""
    told = Event.objects.filter(name=RuleChosen.name, payload__sheet_id=sheet.pk)
    return frozenset(told.values_list("payload__rule_id", flat=True))


def people_at(site: Site) -> QuerySet[Membership]:
    """Who holds which role at a site, by name. One query."""
    return (
        Membership.objects.filter(site=site)
        .select_related("user", "site")
        .order_by("user__full_name", "role")
    )


def sites_of(user: User) -> QuerySet[Site]:
    """The sites where a person has any role, by name."""
    return Site.objects.visible_to(user).order_by("name")


def memberships() -> SiteScopedQuerySet[Membership]:
    """Who holds which role where: to be narrowed to a person by the caller."""
    return Membership.objects.select_related("user", "site")


def tokens_of(user: User) -> QuerySet[ApiToken]:
    """A person's own API tokens, those that ended or were withdrawn included."""
    return ApiToken.objects.filter(user=user)


def import_drafts() -> SiteScopedQuerySet[ImportDraft]:
    """Import drafts without their content: to be narrowed to a person by the caller."""
    return ImportDraft.objects.select_related("site", "by").defer("content")
