"""REST API of the checks: readings, the next leaf, retakes and waivers."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.faults import Conflict, Fault
from fleet.plumbing.bodies import actor_of, parsed
from fleet.units import LengthUnit
from inspections import selectors
from inspections.api import inputs
from inspections.api import serializers as s
from inspections.api.base import OfInspection
from inspections.judging import decision_rule_of
from inspections.rules.nextleaf import Gap, Wanted
from inspections.services import readings
from inspections.trend_selectors import trend_at


class ReadingsView(OfInspection):
    @extend_schema(
        request=inputs.ANY_READING_INPUT,
        responses={201: s.ReadingAnswer},
        examples=inputs.READING_EXAMPLES,
    )
    def post(self, request: Request, pk: int) -> Response:
        """Keeps one reading and judges its check: leaves as `tries`, or a `value` with its `unit`.

        All tries of a position are sent each time; they replace those sent before. A reading that
        is taken anew stays on record as replaced.
        """
        inspection = self.inspection()
        actor = actor_of(request)
        if is_leaves(request.data):
            values = parsed(inputs.LeavesReadingInput, request)
            reading = readings.record_tries(actor=actor, inspection=inspection, **values)
        else:
            values = parsed(inputs.ValueReadingInput, request)
            reading = readings.record_value(actor=actor, inspection=inspection, **values)
        check = selectors.check_of(inspection, reading.line_id)
        body = s.ReadingAnswer({"reading": reading, "check": check}).data
        return Response(body, status=status.HTTP_201_CREATED)


def is_leaves(body: Any) -> bool:
    """Whether the body of a reading tells leaves, not a value. Raises ValidationError for both."""
    if not isinstance(body, dict) or ("tries" in body) == ("value" in body):
        raise serializers.ValidationError(
            "Send either 'tries', the leaves that were tried, or 'value' with its 'unit'."
        )
    return "tries" in body


class RetakesView(OfInspection):
    @extend_schema(request=inputs.RetakeInput, responses=s.CheckOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Sets the reading of a position aside, to measure it anew. It stays on record."""
        inspection = self.inspection()
        values = parsed(inputs.RetakeInput, request)
        readings.retake(actor=actor_of(request), inspection=inspection, **values)
        return self.check_answer(inspection, values["line"], status.HTTP_200_OK)


class NextLeafView(OfInspection):
    @extend_schema(parameters=[inputs.NextLeafQuery], responses=s.NextLeafOutput)
    def get(self, request: Request, pk: int) -> Response:
        """Which leaf to try next, and what the set cannot decide; also before the first leaf."""
        inspection = self.inspection()
        asked = parsed(inputs.NextLeafQuery, request, data=request.query_params)
        line = selectors.sheet_line(inspection, asked["line"])
        if line is None:
            raise Fault(
                f"Check {asked['line']} is not on the limit sheet of this inspection.",
                field="line",
                code="unknown_line",
            )
        instrument = asked["instrument"]
        unit = LengthUnit(instrument.unit)
        trend = trend_at(inspection, line, asked["position"], unit, actor_of(request))
        judged: dict[str, Any] = {
            "rule": decision_rule_of(inspection.rule),
            "study_u": selectors.study_u_for(line, instrument),
            "prior": trend.prior if trend is not None and asked["expect_wear"] else None,
        }
        reading = selectors.reading_at(inspection, line, asked["position"])
        advice = selectors.advice_for(
            line,
            asked["position"],
            reading,
            instrument,
            repeat=asked.get("repeat"),
            narrow=asked["narrow"],
            **judged,
        )
        if advice is None:
            raise Conflict(
                "No leaf decides this check by itself. Measure every position with a suitable "
                "instrument.",
                field="instrument",
                code="leaves_do_not_decide",
            )
        gap = selectors.set_gap_for(line, instrument, **judged)
        return Response(
            s.NextLeafOutput(
                {
                    "kind": advice.kind,
                    "sentence": advice.sentence,
                    "prospect": advice.prospect,
                    "outcome": advice.outcome.value,
                    "probability": advice.probability,
                    "unit": instrument.unit,
                    "leaves": advice.leaves,
                    "thickness": advice.thickness,
                    "gap_low": advice.gap_low,
                    "gap_high": advice.gap_high,
                    "wanted": _wanted(advice.wanted),
                    "expected_tries": advice.expected_tries,
                    "p_undecided": advice.p_undecided,
                    "set_gap": None if gap is None else _gap(gap),
                    "wear": "" if trend is None else trend.sentence,
                }
            ).data
        )


def _wanted(sizes: Iterable[Wanted]) -> list[dict[str, Any]]:
    return [{"low": size.low, "high": size.high} for size in sizes]


def _gap(gap: Gap) -> dict[str, Any]:
    return {
        "low": gap.low,
        "high": gap.high,
        "limit": gap.limit,
        "limit_unit": gap.limit_unit.value,
        "p_undecided": gap.p_undecided,
        "wide": gap.wide,
        "wanted": _wanted(gap.wanted),
        "sentence": gap.sentence,
    }


class WaiversView(OfInspection):
    @extend_schema(request=inputs.WaiverInput, responses={201: s.CheckOutput})
    def post(self, request: Request, pk: int) -> Response:
        """Lets an undecided check stand undecided, in the sender's name and with a reason."""
        inspection = self.inspection()
        values = parsed(inputs.WaiverInput, request)
        readings.waive(actor=actor_of(request), inspection=inspection, **values)
        return self.check_answer(inspection, values["line"], status.HTTP_201_CREATED)
