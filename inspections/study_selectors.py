"""Studies of the measuring itself: their rows, how far they are, and what the newest one says."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

from django.db.models import Count, QuerySet

from fleet.access import may
from fleet.models import Site, User
from fleet.roles import Capability, roles_that_may
from fleet.units import IN_MM, LengthUnit
from fleet.vocabulary import Characteristic, InstrumentKind
from inspections.models import Instrument, Study, StudyQuerySet, StudyReading
from inspections.rules.intervals import Interval, exact
from inspections.rules.studyplan import Measured, Place, Plan


def study_u(
    *,
    site_id: int,
    characteristic: Characteristic,
    instrument_kind: InstrumentKind,
    unit: LengthUnit,
) -> float | None:
    """Standard deviation of repeatability and reproducibility, in `unit`; None without a study.

    That of the newest closed study of the site for this characteristic and kind of instrument.
    The width of a bracket is not in it: a bracket reading carries its own.
    """
    study = (
        Study.objects.filter(
            site_id=site_id,
            characteristic=characteristic.value,
            instrument_kind=instrument_kind.value,
            closed_at__isnull=False,
        )
        .order_by("closed_at", "id")
        .last()
    )
    if study is None or study.u is None:
        return None
    # The ratio of two units is exact as a fraction; only the result is rounded, once.
    ratio = Fraction(IN_MM[LengthUnit(study.unit)]) / Fraction(IN_MM[unit])
    return float(Fraction(study.u) * ratio)


def studies() -> StudyQuerySet:
    """All studies with what every list of them shows, `taken` readings counted. Two queries."""
    return (
        Study.objects.select_related("site", "opened_by", "closed_by")
        .prefetch_related("people")
        .annotate(taken=Count("readings"))
    )


def readings_of(study: Study) -> list[StudyReading]:
    """By part, person and trial. One query."""
    return list(study.readings.select_related("person", "instrument"))


def shown_readings(study: Study, viewer: User) -> list[StudyReading]:
    """What of a study the viewer may see: nobody who still measures sees what others found.

    All of a closed study, and all for whoever keeps the instruments; else one's own. Two queries.
    """
    taken = readings_of(study)
    if study.closed_at is not None or may(viewer, Capability.KEEP_INSTRUMENTS, study.site):
        return taken
    return [reading for reading in taken if reading.person_id == viewer.pk]


def names_of(people: Iterable[User]) -> dict[int, str]:
    """How the people of one study are called in it: no two alike."""
    people = sorted(people, key=lambda one: (one.full_name, one.pk))
    names = [one.full_name for one in people]
    return {
        one.pk: one.full_name if names.count(one.full_name) == 1 else f"{one} ({one.username})"
        for one in people
    }


def plan_of(study: Study) -> Plan:
    """Who measures what how often, people by name. One query."""
    return Plan(tuple(names_of(study.people.all()).values()), tuple(study.parts), study.trials)


def measured_of(study: Study, readings: Iterable[StudyReading]) -> list[Measured]:
    """The readings as the rules take them. One query."""
    names = names_of(study.people.all())
    return [
        Measured(Place(names[one.person_id], one.part, one.trial), interval_of(one))
        for one in readings
    ]


def interval_of(reading: StudyReading) -> Interval:
    if reading.low == reading.high:
        return exact(reading.low)
    return Interval(reading.low, reading.high)


def study_instruments(study: Study) -> QuerySet[Instrument]:
    """Those of the site that serve the study: of its kind, in its unit, in use."""
    return Instrument.objects.filter(
        site_id=study.site_id,
        kind=study.instrument_kind,
        unit=study.unit,
        withdrawn_at__isnull=True,
    ).order_by("identity")


def who_can_measure(site: Site) -> QuerySet[User]:
    """The people of a site who take readings there."""
    return (
        User.objects.filter(
            is_active=True,
            memberships__site=site,
            memberships__role__in=[role.value for role in roles_that_may(Capability.INSPECT)],
        )
        .distinct()
        .order_by("full_name", "id")
    )
