"""Sites, people, pump models, limit sheets and pumps."""

from fleet.models.columns import LARGEST_HOURS, LARGEST_LENGTH, choices, one_of
from fleet.models.imports import ImportDraft, ImportDraftQuerySet
from fleet.models.makers import LeakPath, PumpModel
from fleet.models.people import Membership, MembershipQuerySet, Site, SiteQuerySet, User
from fleet.models.pumps import (
    HoursReading,
    HoursReadingQuerySet,
    Pump,
    PumpMove,
    PumpMoveQuerySet,
    PumpQuerySet,
    PumpScopedQuerySet,
    StatusChange,
    StatusChangeQuerySet,
)
from fleet.models.sheets import LimitSheet, SheetLine, SheetRule
from fleet.plumbing.models import ApiToken, Delivery, Event, IdempotencyKey

__all__ = [
    "LARGEST_HOURS",
    "LARGEST_LENGTH",
    "ApiToken",
    "Delivery",
    "Event",
    "HoursReading",
    "HoursReadingQuerySet",
    "IdempotencyKey",
    "ImportDraft",
    "ImportDraftQuerySet",
    "LeakPath",
    "LimitSheet",
    "Membership",
    "MembershipQuerySet",
    "Pump",
    "PumpModel",
    "PumpMove",
    "PumpMoveQuerySet",
    "PumpQuerySet",
    "PumpScopedQuerySet",
    "SheetLine",
    "SheetRule",
    "Site",
    "SiteQuerySet",
    "StatusChange",
    "StatusChangeQuerySet",
    "User",
    "choices",
    "one_of",
]
