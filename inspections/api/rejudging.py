"""REST API of what earlier inspections come to under a later rule: read only."""

from __future__ import annotations

from typing import Any

from django.db.models import F, QuerySet
from django_filters import rest_framework as filters  # type: ignore[import-untyped]  # has no stubs
from rest_framework import mixins, serializers
from rest_framework.viewsets import GenericViewSet

from fleet.models import choices
from fleet.plumbing.scoping import SharedViewSet, SiteScopedViewSet
from fleet.selectors import decision_rule_of
from inspections import rejudged
from inspections.api.inputs import values
from inspections.models import Rejudgement
from inspections.rules.verdicts import Outcome


class RejudgementOutput(serializers.Serializer[Any]):
    """How far the judging again by a changed rule has come, over all sites."""

    id = serializers.IntegerField()
    rule = serializers.IntegerField(source="rule_id")
    sheet = serializers.IntegerField(source="rule.sheet_id")
    model = serializers.IntegerField(source="rule.sheet.model_id")
    rule_sentence = serializers.SerializerMethodField()
    asked_at = serializers.DateTimeField()
    total = serializers.IntegerField(help_text="Inspections to be judged again.")
    done = serializers.IntegerField()
    differing = serializers.IntegerField(help_text="Checks that come out otherwise, so far.")
    finished_at = serializers.DateTimeField(allow_null=True)

    def get_rule_sentence(self, row: Rejudgement) -> str:
        return decision_rule_of(row.rule).sentence()


class RejudgedVerdictOutput(serializers.Serializer[Any]):
    """One check under the later rule. What was signed stays as it was."""

    id = serializers.IntegerField()
    rejudgement = serializers.IntegerField(source="rejudgement_id")
    inspection = serializers.IntegerField(source="inspection_id")
    site = serializers.IntegerField(source="inspection.site_id")
    pump = serializers.IntegerField(source="inspection.pump_id")
    pump_tag = serializers.CharField(source="inspection.pump.tag")
    line = serializers.IntegerField(source="line_id")
    check = serializers.CharField(source="line.label")
    before = serializers.ChoiceField(choices=values(Outcome))
    outcome = serializers.ChoiceField(choices=values(Outcome))
    probability = serializers.FloatField(
        allow_null=True, help_text="That the true length meets the limit; null: not known."
    )
    near_limit = serializers.BooleanField()
    sentence = serializers.CharField()
    rule = serializers.CharField(source="rule_text")
    judged_at = serializers.DateTimeField()


class RejudgementFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    model = filters.NumberFilter(field_name="rule__sheet__model_id")
    sheet = filters.NumberFilter(field_name="rule__sheet_id")
    finished = filters.BooleanFilter(
        field_name="finished_at", lookup_expr="isnull", exclude=True, label="True: those done."
    )


class RejudgedVerdictFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    rejudgement = filters.NumberFilter(field_name="rejudgement_id")
    inspection = filters.NumberFilter(field_name="inspection_id")
    outcome = filters.ChoiceFilter(choices=choices(Outcome))
    differs = filters.BooleanFilter(
        method="only_differing", label="True: only those that come out otherwise."
    )

    def only_differing(self, rows: QuerySet[Any], name: str, value: bool) -> QuerySet[Any]:
        same = {"outcome": F("before")}
        return rows.exclude(**same) if value else rows.filter(**same)


class RejudgementViewSet(
    SharedViewSet, mixins.ListModelMixin, mixins.RetrieveModelMixin, GenericViewSet[Any]
):
    """Changed rules by which the signed inspections of a model are judged again."""

    queryset = rejudged.rejudgements().order_by()
    serializer_class = RejudgementOutput
    filterset_class = RejudgementFilter


class RejudgedVerdictViewSet(SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]):
    """What the checks at your sites come to under later rules."""

    scoped_queryset = rejudged.rejudged_verdicts().order_by()
    serializer_class = RejudgedVerdictOutput
    filterset_class = RejudgedVerdictFilter
