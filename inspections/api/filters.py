"""By what lists can be narrowed. An id of another site finds nothing: they are scoped first."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters  # type: ignore[import-untyped]  # has no stubs

from fleet.models import choices
from fleet.vocabulary import Characteristic, InstrumentKind
from inspections import selectors
from inspections.rules.lifecycle import InspectionState, Reason


class InspectionFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    site = filters.NumberFilter(field_name="site_id")
    pump = filters.NumberFilter(field_name="pump_id")
    state = filters.ChoiceFilter(choices=choices(InspectionState))
    reason = filters.ChoiceFilter(choices=choices(Reason))
    awaiting = filters.BooleanFilter(
        method="only_awaiting",
        label="True: only those that wait for a countersignature which you may give.",
    )

    def only_awaiting(self, rows: QuerySet[Any], name: str, value: bool) -> QuerySet[Any]:
        if not value:
            return rows
        mine = selectors.countersign_queue(self.request.user)
        return rows.filter(pk__in=mine.order_by().values("pk"))


class InstrumentFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    site = filters.NumberFilter(field_name="site_id")
    kind = filters.ChoiceFilter(choices=choices(InstrumentKind))
    due_before = filters.DateFilter(
        field_name="calibration_due_on",
        lookup_expr="lt",
        label="Calibration due before this day: with today's, those that are overdue.",
    )
    in_use = filters.BooleanFilter(
        field_name="withdrawn_at", lookup_expr="isnull", label="False: only withdrawn ones."
    )


class StudyFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    site = filters.NumberFilter(field_name="site_id")
    characteristic = filters.ChoiceFilter(choices=choices(Characteristic))
    instrument_kind = filters.ChoiceFilter(choices=choices(InstrumentKind))
    open = filters.BooleanFilter(
        field_name="closed_at", lookup_expr="isnull", label="False: only closed ones."
    )
