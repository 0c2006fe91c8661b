"""What the inspections API gives. Nothing here queries: selectors bring all that is shown."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from fleet.api.serializers import LengthField
from fleet.limits import JudgedBy
from fleet.units import LengthUnit
from fleet.vocabulary import Component, InstrumentKind
from inspections.api.inputs import values
from inspections.rules.dispositions import Disposition
from inspections.rules.findings import Word
from inspections.rules.leaves import Feel
from inspections.rules.lifecycle import InspectionState, Reason
from inspections.rules.verdicts import Outcome

_UNITS = values(LengthUnit)


class PersonOutput(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    full_name = serializers.CharField()


class LeafSetOutput(serializers.Serializer[Any]):
    """A usual list of leaves to start from; what a site owns is registered as an instrument."""

    key = serializers.CharField()
    label = serializers.CharField()  # type: ignore[assignment]  # a field of that name, not DRF's
    unit = serializers.ChoiceField(choices=_UNITS)
    leaves = serializers.ListField(child=LengthField())


class InstrumentOutput(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    site = serializers.IntegerField(source="site_id")
    identity = serializers.CharField()
    name = serializers.CharField()
    kind = serializers.ChoiceField(choices=values(InstrumentKind))
    unit = serializers.ChoiceField(choices=_UNITS)
    leaves = serializers.ListField(child=LengthField(), help_text="In `unit`, thinnest first.")
    resolution = LengthField(allow_null=True)
    permissible_error = LengthField(
        allow_null=True, help_text="Largest error either way, in `unit`; null: not known."
    )
    calibration_due_on = serializers.DateField(
        allow_null=True, help_text="Readings of a later day are taken, and marked as overdue."
    )
    withdrawn_at = serializers.DateTimeField(
        allow_null=True, help_text="Not null: no new readings with it."
    )
    version = serializers.IntegerField()


class LeafWithdrawalOutput(serializers.Serializer[Any]):
    """One leaf that was taken out of its set."""

    id = serializers.IntegerField()
    instrument = serializers.IntegerField(source="instrument_id")
    leaf = LengthField()
    why = serializers.CharField()
    by = PersonOutput()
    at = serializers.DateTimeField()


class CautionOutput(serializers.Serializer[Any]):
    step = serializers.CharField()
    title = serializers.CharField()
    text = serializers.CharField()


# --- Inspections ------------------------------------------------------------------------------


class InspectionSummary(serializers.Serializer[Any]):
    """An inspection as lists show it."""

    id = serializers.IntegerField()
    site = serializers.IntegerField(source="site_id")
    pump = serializers.IntegerField(source="pump_id")
    pump_tag = serializers.CharField(source="pump.tag")
    pump_serial = serializers.CharField(source="pump.serial")
    model = serializers.CharField(source="pump.model.__str__", help_text="Maker and designation.")
    limit_sheet = serializers.IntegerField(source="sheet_id")
    limit_sheet_revision = serializers.CharField(source="sheet.revision")
    reason = serializers.ChoiceField(choices=values(Reason))
    complaint = serializers.CharField()
    state = serializers.ChoiceField(choices=values(InspectionState))
    running_h = serializers.DecimalField(
        max_digits=10, decimal_places=1, help_text="Running hours of the pump at opening."
    )
    needs_countersignature = serializers.BooleanField()
    opened_by = PersonOutput()
    opened_at = serializers.DateTimeField()
    signed_by = PersonOutput(allow_null=True)
    signed_at = serializers.DateTimeField(allow_null=True)
    countersigned_by = PersonOutput(allow_null=True)
    countersigned_at = serializers.DateTimeField(allow_null=True)
    supersedes = serializers.IntegerField(
        source="supersedes_id", allow_null=True, help_text="The inspection that this corrects."
    )
    version = serializers.IntegerField()


class IsolationOutput(serializers.Serializer[Any]):
    """By whom and when; null as long as it is not confirmed."""

    cautions_read_by = PersonOutput(allow_null=True)
    cautions_read_at = serializers.DateTimeField(allow_null=True)
    isolated_by = PersonOutput(allow_null=True)
    isolated_at = serializers.DateTimeField(allow_null=True)
    lock_number = serializers.CharField()
    proved_zero_by = PersonOutput(allow_null=True)
    proved_zero_at = serializers.DateTimeField(allow_null=True)
    proved_zero_how = serializers.CharField()


class NameplateOutput(serializers.Serializer[Any]):
    maker = serializers.CharField()
    designation = serializers.CharField()
    serial = serializers.CharField()
    displacement_cm3 = serializers.DecimalField(max_digits=9, decimal_places=3, allow_null=True)
    rotation = serializers.CharField()
    illegible_reason = serializers.CharField()
    mismatches = serializers.ListField(
        child=serializers.CharField(),
        help_text="One sentence for each figure that differs from the register.",
    )
    read_by = PersonOutput()
    read_at = serializers.DateTimeField()


class InstrumentName(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    identity = serializers.CharField()
    name = serializers.CharField()


class TryOutput(serializers.Serializer[Any]):
    leaves = serializers.ListField(child=serializers.CharField())
    feel = serializers.ChoiceField(choices=values(Feel))


class ContributionOutput(serializers.Serializer[Any]):
    """One part of an uncertainty: plus or minus half_width, and the u that it comes to."""

    name = serializers.CharField()
    half_width = serializers.CharField(allow_null=True)
    distribution = serializers.CharField()
    u = serializers.FloatField(allow_null=True)
    degrees = serializers.FloatField(allow_null=True, help_text="Of freedom; null: unlimited.")


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Bracket",
            summary="Leaves: 0.10 mm entered, 0.16 mm did not",
            value={
                "id": 81,
                "line": 12,
                "position": "drive 12 o'clock",
                "term": "",
                "instrument": {"id": 3, "identity": "FG-11", "name": "Leaf set at bench 2"},
                "unit": "mm",
                "is_value": False,
                "tries": [
                    {"leaves": ["0.10"], "feel": "drag"},
                    {"leaves": ["0.10", "0.06"], "feel": "refuses"},
                ],
                "low": "0.10",
                "high": "0.16",
                "repeats": [],
                "standard_uncertainty": 0.0034641,
                "budget": [
                    {
                        "name": f"{part} {number}",
                        "half_width": bound,
                        "distribution": "rectangular",
                        "u": u,
                        "degrees": None,
                    }
                    for part, number, bound, u in (
                        ("leaf", 1, "0.004", 0.0023094),
                        ("leaf", 2, "0.004", 0.0023094),
                        ("film", 1, "0.002", 0.0011547),
                    )
                ],
                "taken_by": {"id": 5, "full_name": "Mara Holt"},
                "taken_at": "2026-03-14T08:30:00Z",
                "overdue_since": None,
                "replaced_at": None,
            },
        ),
        OpenApiExample(
            "Value",
            summary="A bore gauge showed 20.062 mm",
            value={
                "id": 82,
                "line": 15,
                "position": "drive front",
                "term": "bore",
                "instrument": {"id": 7, "identity": "BG-02", "name": "Bore gauge 18-35"},
                "unit": "mm",
                "is_value": True,
                "tries": [],
                "low": "20.062",
                "high": "20.062",
                "repeats": [],
                "standard_uncertainty": None,
                "budget": [
                    {
                        "name": "permissible error",
                        "half_width": None,
                        "distribution": "rectangular",
                        "u": None,
                        "degrees": None,
                    }
                ],
                "taken_by": {"id": 5, "full_name": "Mara Holt"},
                "taken_at": "2026-03-14T08:41:00Z",
                "overdue_since": None,
                "replaced_at": None,
            },
        ),
    ]
)
class ReadingOutput(serializers.Serializer[Any]):
    """A bracket that leaves imply (low entered, high did not), or a value (low equals high)."""

    id = serializers.IntegerField()
    line = serializers.IntegerField(source="line_id")
    position = serializers.CharField()
    term = serializers.CharField()
    instrument = InstrumentName()
    unit = serializers.ChoiceField(choices=_UNITS)
    is_value = serializers.BooleanField()
    tries = TryOutput(many=True)
    low = LengthField()
    high = LengthField(allow_null=True, help_text="Null: every leaf that was tried entered.")
    repeats = serializers.ListField(
        child=LengthField(), help_text="A value as it was shown each time; empty when taken once."
    )
    standard_uncertainty = serializers.FloatField(
        allow_null=True,
        help_text="In the unit of the reading. Null: the instrument's permissible error is not "
        "known.",
    )
    budget = ContributionOutput(many=True, help_text="What the uncertainty is made of.")
    taken_by = PersonOutput()
    taken_at = serializers.DateTimeField()
    overdue_since = serializers.DateField(
        allow_null=True,
        help_text="The day up to which the instrument was calibrated, where that had passed.",
    )
    replaced_at = serializers.DateTimeField(
        allow_null=True, help_text="Not null: taken anew since; it counts no more."
    )


class VerdictOutput(serializers.Serializer[Any]):
    outcome = serializers.ChoiceField(choices=values(Outcome))
    probability = serializers.FloatField(
        allow_null=True,
        help_text="That the worst position meets the limit. Null: it cannot be said.",
    )
    near_limit = serializers.BooleanField(
        help_text="Within, but past 80 % of the way to the limit: advice, no verdict."
    )
    sentence = serializers.CharField(help_text="What was met, by which limit, and why.")
    rule = serializers.CharField()
    worst_position = serializers.CharField()
    unit = serializers.CharField(help_text="Of low and high; empty while nothing is measured.")
    low = LengthField(allow_null=True)
    high = LengthField(allow_null=True)
    missing_positions = serializers.ListField(child=serializers.CharField())
    computed_from = serializers.JSONField(
        help_text="All that the verdict came from: judged again, it gives the same bits."
    )
    judged_at = serializers.DateTimeField()
    waived_by = PersonOutput(allow_null=True)
    waived_reason = serializers.CharField()


class PlaceOutput(serializers.Serializer[Any]):
    """One reading that a check asks for, taken or not."""

    position = serializers.CharField()
    term = serializers.CharField()
    outcome = serializers.ChoiceField(
        choices=values(Outcome),
        allow_null=True,
        help_text="Of this position alone; null where only all of them together count.",
    )
    warning = serializers.CharField()
    reading = ReadingOutput(allow_null=True)


class CheckOutput(serializers.Serializer[Any]):
    """One line of the limit sheet as printed, with what was read for it and what came of it."""

    line = serializers.IntegerField(source="line.pk")
    characteristic = serializers.CharField(source="line.characteristic")
    label = serializers.CharField()  # type: ignore[assignment]  # a field of that name, not DRF's
    component = serializers.ChoiceField(choices=values(Component))
    judged_by = serializers.ChoiceField(choices=values(JudgedBy), source="line.judged_by")
    required = serializers.BooleanField(source="line.required")  # type: ignore[assignment]
    applies = serializers.BooleanField()
    not_applicable_reason = serializers.CharField(source="line.not_applicable_reason")
    unit = serializers.ChoiceField(choices=_UNITS, source="line.unit")
    limit = serializers.CharField(source="limit_sentence", help_text="In words.")
    limit_low = LengthField(source="line.limit_low", allow_null=True)
    limit_high = LengthField(source="line.limit_high", allow_null=True)
    new_low = LengthField(source="line.new_low", allow_null=True)
    new_high = LengthField(source="line.new_high", allow_null=True)
    also_unit = serializers.CharField(source="line.also_unit")
    also_limit_low = LengthField(source="line.also_limit_low", allow_null=True)
    also_limit_high = LengthField(source="line.also_limit_high", allow_null=True)
    also_new_low = LengthField(source="line.also_new_low", allow_null=True)
    also_new_high = LengthField(source="line.also_new_high", allow_null=True)
    page = serializers.CharField(source="line.page")
    method = serializers.CharField(source="line.method")
    terms = serializers.ListField(
        child=serializers.CharField(),
        source="line.terms",
        help_text="Of a computed check: all others are taken from the first.",
    )
    allowance = LengthField(
        source="line.allowance", allow_null=True, help_text="Added to what the terms leave."
    )
    readings_from = serializers.CharField(
        source="line.readings_from",
        help_text="The check whose readings this one judges; empty where it has its own.",
    )
    places = PlaceOutput(many=True)
    missing = serializers.ListField(
        child=serializers.CharField(), help_text="Positions still to be measured."
    )
    verdict = VerdictOutput(allow_null=True, help_text="Null until the check is begun.")
    is_settled = serializers.BooleanField(help_text="Nothing is left to do here before signing.")
    instruments = serializers.ListField(
        child=serializers.IntegerField(),
        source="instrument_ids",
        help_text="Ids of the site's instruments that serve, the best suited first.",
    )


class ReadingAnswer(serializers.Serializer[Any]):
    """The reading as kept, and the check as it stands now."""

    reading = ReadingOutput()
    check = CheckOutput()


class TakenWithOutput(ReadingOutput):
    """A reading as the instrument's own list shows it, set aside ones too."""

    inspection = serializers.IntegerField(source="inspection_id")
    pump = serializers.IntegerField(source="inspection.pump_id")
    pump_tag = serializers.CharField(source="inspection.pump.tag")
    state = serializers.ChoiceField(
        choices=values(InspectionState), source="inspection.state", help_text="Of the inspection."
    )
    check = serializers.CharField(source="line.label", help_text="What was measured.")
    component = serializers.ChoiceField(choices=values(Component), source="line.component")
    outcome = serializers.ChoiceField(
        choices=values(Outcome), allow_null=True, help_text="Of the check as it stands now."
    )


class OverdueOutput(serializers.Serializer[Any]):
    """An instrument that was overdue when readings of this inspection were taken with it."""

    class _Acceptance(serializers.Serializer[Any]):
        reason = serializers.CharField()
        accepted_by = PersonOutput()
        accepted_at = serializers.DateTimeField()

        class Meta:
            ref_name = "OverdueAcceptance"

    instrument = InstrumentName()
    overdue_since = serializers.DateField(help_text="The day up to which it was calibrated.")
    readings = serializers.ListField(
        child=serializers.IntegerField(), source="reading_ids", help_text="Ids of those in force."
    )
    accepted = serializers.BooleanField(
        help_text="False: it holds up the countersignature, or the signature where that is the "
        "only one."
    )
    acceptance = _Acceptance(
        allow_null=True, help_text="The latest; readings taken since are not covered by it."
    )


class WantedLeafOutput(serializers.Serializer[Any]):
    """Thicknesses of a leaf that would decide more."""

    low = LengthField()
    high = LengthField(allow_null=True, help_text="Null: or anything thicker.")


class SetGapOutput(serializers.Serializer[Any]):
    """Sizes of gap that a leaf set cannot judge: from low up to, not including, high."""

    low = LengthField()
    high = LengthField(allow_null=True, help_text="Null: nothing in the set is thick enough.")
    limit = LengthField()
    limit_unit = serializers.CharField()
    p_undecided = serializers.FloatField()
    wide = serializers.BooleanField(help_text="Wide enough to be worth another set.")
    wanted = WantedLeafOutput(
        many=True, help_text="Empty: the guard of the rule leaves no room for any leaf."
    )
    sentence = serializers.CharField()


class NextLeafOutput(serializers.Serializer[Any]):
    """What to try next at a position, before the first leaf as well as after it."""

    kind = serializers.CharField(help_text="decided, try, cannot_decide or narrowed.")
    sentence = serializers.CharField()
    prospect = serializers.CharField(
        help_text="The tries to expect and the chance that they decide nothing, in words."
    )
    outcome = serializers.ChoiceField(
        choices=values(Outcome), help_text="Of the bracket as it stands."
    )
    probability = serializers.FloatField(
        allow_null=True, help_text="That the gap meets the limit; null: not known."
    )
    unit = serializers.ChoiceField(choices=_UNITS)
    leaves = serializers.ListField(child=LengthField(), help_text="To be laid together.")
    thickness = LengthField(allow_null=True)
    gap_low = LengthField(allow_null=True, help_text="What the set may leave open here.")
    gap_high = LengthField(allow_null=True)
    wanted = WantedLeafOutput(many=True, help_text="What leaf would help there.")
    expected_tries = serializers.FloatField()
    p_undecided = serializers.FloatField()
    set_gap = SetGapOutput(allow_null=True, help_text="What this set cannot decide at all.")
    wear = serializers.CharField(
        allow_blank=True, help_text="What earlier readings lead to; empty with too few of them."
    )


class FindingOutput(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    component = serializers.ChoiceField(choices=values(Component))
    word = serializers.ChoiceField(choices=values(Word))
    severity = serializers.IntegerField(help_text="0 for 'no defect', else 1 to 4.")
    place = serializers.CharField()
    note = serializers.CharField()
    cause = serializers.CharField()
    seen_by = PersonOutput()
    seen_at = serializers.DateTimeField()


class PhotoOutput(serializers.Serializer[Any]):
    """The picture itself is at the photo's own address."""

    id = serializers.IntegerField()
    component = serializers.ChoiceField(choices=values(Component))
    caption = serializers.CharField()
    width_px = serializers.IntegerField()
    height_px = serializers.IntegerField()
    sha256 = serializers.CharField()
    taken_by = PersonOutput()
    taken_at = serializers.DateTimeField()


class DispositionReason(serializers.Serializer[Any]):
    text = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]  # where the rule was read


class DispositionOutput(serializers.Serializer[Any]):
    component = serializers.ChoiceField(choices=values(Component))
    proposed = serializers.CharField(help_text="One of those that can be decided.")
    reasons = DispositionReason(many=True)
    decided = serializers.ChoiceField(choices=values(Disposition))
    decided_by = PersonOutput()
    decided_at = serializers.DateTimeField()
    overrule_reason = serializers.CharField()


class ToDoOutput(serializers.Serializer[Any]):
    """One thing that is still to do before signing."""

    step = serializers.CharField(source="field")
    detail = serializers.CharField()


class DispositionsOutput(serializers.Serializer[Any]):
    dispositions = DispositionOutput(many=True)
    dispositions_outdated = serializers.BooleanField(
        help_text="Checks or findings changed since: have them proposed again."
    )
    to_do = ToDoOutput(many=True)


class InspectionOutput(InspectionSummary):
    """An inspection with all that counts in it now."""

    limit_sheet_document = serializers.CharField(source="sheet.document")
    isolation = IsolationOutput(source="*")
    nameplate = NameplateOutput(allow_null=True, source="record.nameplate")
    checks = CheckOutput(many=True, source="record.checks")
    findings = FindingOutput(many=True, source="record.findings")
    photos = PhotoOutput(many=True, source="record.photos")
    dispositions = DispositionOutput(many=True, source="record.dispositions")
    dispositions_outdated = serializers.BooleanField(source="record.dispositions_outdated")
    overdue = OverdueOutput(many=True, source="record.overdue")
    to_do = ToDoOutput(many=True, source="record.to_do")


class StateChangeOutput(serializers.Serializer[Any]):
    old = serializers.CharField(help_text="Empty: it was opened.")
    new = serializers.CharField()
    by = PersonOutput()
    at = serializers.DateTimeField()
    why = serializers.CharField()


class ReportOutput(InspectionOutput):
    """The whole record: also what was replaced on the way, who did what, and what corrects it."""

    readings = ReadingOutput(many=True, source="record.readings")
    state_changes = StateChangeOutput(many=True, source="record.state_changes")
    corrected_by = serializers.IntegerField(
        allow_null=True,
        source="record.corrected_by",
        help_text="The inspection that supersedes this one or, while it is open, is meant to.",
    )
