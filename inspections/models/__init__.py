"""Inspections of stripped pumps: identification, readings, verdicts, findings, dispositions."""

from inspections.models.countersigning import (
    ControlReading,
    ControlReadingQuerySet,
    OverdueAcceptance,
    OverdueAcceptanceQuerySet,
)
from inspections.models.inspection import (
    Inspection,
    InspectionQuerySet,
    Nameplate,
    NameplateQuerySet,
    OfInspectionQuerySet,
    StateChange,
    StateChangeQuerySet,
)
from inspections.models.instruments import (
    Instrument,
    InstrumentQuerySet,
    LeafWithdrawal,
    LeafWithdrawalQuerySet,
)
from inspections.models.records import (
    ComponentDisposition,
    ComponentDispositionQuerySet,
    Finding,
    FindingQuerySet,
    Photo,
    PhotoQuerySet,
    Reading,
    ReadingQuerySet,
    Verdict,
    VerdictQuerySet,
)
from inspections.models.rejudging import RejudgedVerdict, RejudgedVerdictQuerySet, Rejudgement
from inspections.models.studies import Study, StudyQuerySet, StudyReading, StudyReadingQuerySet

__all__ = [
    "ComponentDisposition",
    "ComponentDispositionQuerySet",
    "ControlReading",
    "ControlReadingQuerySet",
    "Finding",
    "FindingQuerySet",
    "Inspection",
    "InspectionQuerySet",
    "Instrument",
    "InstrumentQuerySet",
    "LeafWithdrawal",
    "LeafWithdrawalQuerySet",
    "Nameplate",
    "NameplateQuerySet",
    "OfInspectionQuerySet",
    "OverdueAcceptance",
    "OverdueAcceptanceQuerySet",
    "Photo",
    "PhotoQuerySet",
    "Reading",
    "ReadingQuerySet",
    "RejudgedVerdict",
    "RejudgedVerdictQuerySet",
    "Rejudgement",
    "StateChange",
    "StateChangeQuerySet",
    "Study",
    "StudyQuerySet",
    "StudyReading",
    "StudyReadingQuerySet",
    "Verdict",
    "VerdictQuerySet",
]
