"""Filters of the lists. An id of another site finds nothing: the list is scoped before."""

from __future__ import annotations

from django_filters import rest_framework as filters  # type: ignore[import-untyped]  # has no stubs

from fleet.lifecycle import PumpStatus, SheetState
from fleet.models import choices
from fleet.vocabulary import PumpFamily


class PumpFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    site = filters.NumberFilter(field_name="site_id")
    model = filters.NumberFilter(field_name="model_id")
    family = filters.ChoiceFilter(field_name="model__family", choices=choices(PumpFamily))
    status = filters.ChoiceFilter(choices=choices(PumpStatus))
    tag = filters.CharFilter(lookup_expr="icontains", help_text="Part of the tag.")
    machine = filters.CharFilter(lookup_expr="icontains", help_text="Part of the name.")


class PumpModelFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    family = filters.ChoiceFilter(choices=choices(PumpFamily))
    maker = filters.CharFilter(lookup_expr="icontains", help_text="Part of the name.")
    designation = filters.CharFilter(lookup_expr="icontains", help_text="Part of it.")


class LimitSheetFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    model = filters.NumberFilter(field_name="model_id")
    state = filters.ChoiceFilter(choices=choices(SheetState))


class MembershipFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    site = filters.NumberFilter(field_name="site_id")
    role = filters.CharFilter()
    username = filters.CharFilter(field_name="user__username")
