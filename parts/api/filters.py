"""Filters of the lists. An id of another site finds nothing: the list is scoped before."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters  # type: ignore[import-untyped]  # has no stubs

from parts import selectors
from parts.rules.lifecycle import DemandState, MovementKind


class PartFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    q = filters.CharFilter(
        method="search", label="Words of the maker's, own or a supplier's number, or the name."
    )

    def search(self, rows: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        return selectors.matching(rows, value)


class FitFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    model = filters.NumberFilter(field_name="model_id")
    part = filters.NumberFilter(field_name="part_id")


class AlternativeFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    part = filters.NumberFilter(field_name="part_id")
    other = filters.NumberFilter(field_name="other_id")


class KitOpeningFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    store = filters.NumberFilter(field_name="store_id")
    kit = filters.NumberFilter(field_name="kit_id")


class BatchFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    store = filters.NumberFilter(field_name="store_id")
    part = filters.NumberFilter(field_name="batch__part_id")
    expires_by = filters.DateFilter(
        field_name="batch__expires_on", lookup_expr="lte", label="Good until this day at most."
    )


class StockFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    store = filters.NumberFilter(field_name="store_id")
    part = filters.NumberFilter(field_name="part_id")
    short = filters.BooleanFilter(method="only_short", label="Whether demands wait for the part.")

    def only_short(self, rows: QuerySet[Any], name: str, value: bool) -> QuerySet[Any]:
        return rows.filter(missing__gt=0) if value else rows.filter(missing=0)


class MovementFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    store = filters.NumberFilter(field_name="store_id")
    part = filters.NumberFilter(field_name="part_id")
    demand = filters.NumberFilter(field_name="demand_id")
    kind = filters.ChoiceFilter(choices=[(k.value, k.label) for k in MovementKind])


class DemandFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    site = filters.NumberFilter(field_name="site_id")
    inspection = filters.NumberFilter(field_name="inspection_id")
    state = filters.ChoiceFilter(choices=[(s.value, s.label) for s in DemandState])
