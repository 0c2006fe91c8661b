"""REST API of what the clearances of an inspection cost."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.plumbing.etags import with_etag
from fleet.vocabulary import OIL_GRADES
from inspections.api.base import OfInspection
from inspections.losses import conditions_of, cost_of
from inspections.rules import leakage_words as words
from inspections.rules.leakage import Losses, PathLoss
from inspections.rules.quantities import Units

_UNITS = Units()


class LeakageQuery(serializers.Serializer[Any]):
    """What is left out is taken from the pump's model; the oil is at 50 °C."""

    pressure_bar = serializers.FloatField(
        required=False, help_text="Outlet less inlet; else the rated pressure."
    )
    temperature_c = serializers.FloatField(required=False, help_text="Of the oil; else 50.")
    speed_rpm = serializers.FloatField(required=False, help_text="Else the highest speed.")
    oil_grade_vg = serializers.ChoiceField(
        choices=OIL_GRADES, required=False, help_text="ISO 3448; else the model's."
    )
    nu40_mm2_s = serializers.FloatField(
        required=False, help_text="Of the oil itself, at 40 °C, in place of a grade."
    )
    nu100_mm2_s = serializers.FloatField(required=False, help_text="The same at 100 °C.")


class AskedOutput(serializers.Serializer[Any]):
    pressure_bar = serializers.FloatField()
    temperature_c = serializers.FloatField()
    speed_rpm = serializers.FloatField()
    displacement_cm3 = serializers.FloatField()
    density_kg_m3 = serializers.FloatField()
    oil = serializers.CharField(source="oil.source")
    kinematic_mm2_s = serializers.FloatField()
    viscosity_pa_s = serializers.FloatField()


def _flow(help_text: str) -> serializers.FloatField:
    return serializers.FloatField(allow_null=True, help_text=help_text)


class PathLossOutput(serializers.Serializer[Any]):
    """The loss through one clearance, in L/min. Null where no figure can be given."""

    characteristic = serializers.CharField(source="measured.key")
    part = serializers.CharField(source="measured.part", help_text="What is changed for it.")
    flow_l_min = _flow("Mean over what the clearances may be.")
    low_l_min = _flow("5th percentile.")
    high_l_min = _flow("95th percentile.")
    share = serializers.FloatField(allow_null=True, help_text="Of all losses, 0 to 1.")
    as_new_l_min = _flow("At the clearance that the sheet prints as new.")
    at_limit_l_min = _flow("At the limit.")
    gives_back_l_min = _flow("Gained when the clearance is as new again.")
    clearance_mm = serializers.FloatField(
        allow_null=True, help_text="The one gap everywhere that would lose the same."
    )
    reynolds = serializers.FloatField(allow_null=True)
    no_figure = serializers.CharField(help_text="Why there is none; else empty.")
    notes = serializers.ListField(child=serializers.CharField())
    printed_in = serializers.CharField(source="measured.source")


class GainOutput(serializers.Serializer[Any]):
    part = serializers.CharField()
    gives_back_l_min = serializers.FloatField(source="gives_back")


class LeakageOutput(serializers.Serializer[Any]):
    """What the clearances measured cost: it indicates, a bench test decides."""

    conditions = AskedOutput()
    theoretical_l_min = serializers.FloatField(source="conditions.theoretical_l_min")
    total_l_min = _flow("All paths that have a figure.")
    low_l_min = _flow("5th percentile.")
    high_l_min = _flow("95th percentile.")
    volumetric_efficiency = serializers.FloatField(
        allow_null=True, help_text="0 to 1; null where the loss is all that the pump moves."
    )
    volumetric_efficiency_low = serializers.FloatField(allow_null=True)
    volumetric_efficiency_high = serializers.FloatField(allow_null=True)
    sentence = serializers.CharField()
    change_first = serializers.CharField(allow_blank=True)
    gains = GainOutput(many=True, help_text="What a change of each part gives back, most first.")
    paths = PathLossOutput(many=True)
    validity = serializers.ListField(child=serializers.CharField())


class LeakageView(OfInspection):
    @extend_schema(parameters=[LeakageQuery], responses=LeakageOutput)
    def get(self, request: Request, pk: int) -> Response:
        """What the clearances cost by the model's leak paths; without paths while it has none."""
        inspection = self.inspection()
        query = LeakageQuery(data=request.query_params)
        query.is_valid(raise_exception=True)
        asked = conditions_of(inspection.pump.model, **query.validated_data)
        found = cost_of(inspection, asked).losses
        return with_etag(Response(LeakageOutput(_shown(found)).data), inspection)


def _shown(found: Losses) -> dict[str, Any]:
    return {
        "conditions": found.conditions,
        "total_l_min": found.total,
        "low_l_min": found.low,
        "high_l_min": found.high,
        "volumetric_efficiency": found.efficiency,
        "volumetric_efficiency_low": found.efficiency_low,
        "volumetric_efficiency_high": found.efficiency_high,
        "sentence": words.result(found, _UNITS),
        "change_first": words.change_first(found, _UNITS),
        "gains": found.gains,
        "paths": [_path(loss) for loss in found.paths],
        "validity": words.validity(found),
    }


def _path(loss: PathLoss) -> dict[str, Any]:
    return {
        "measured": loss.measured,
        "flow_l_min": loss.flow,
        "low_l_min": loss.low,
        "high_l_min": loss.high,
        "share": loss.share,
        "as_new_l_min": loss.as_new,
        "at_limit_l_min": loss.at_limit,
        "gives_back_l_min": loss.gives_back,
        "clearance_mm": loss.clearance_mm,
        "reynolds": loss.reynolds,
        "no_figure": words.no_figure(loss.measured),
        "notes": words.notes(loss),
    }
