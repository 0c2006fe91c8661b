"""Sites, people, pumps, sheets, instruments and inspections for tests, built through services.

Every maker, name and serial here is invented. Limits are in the ranges that external gear pumps
usually have (the figures of TM 5-3825-229-14&P p.5-33 and TM 5-3820-256-24-1), but belong to no
real pump.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import count
from typing import Any

from django.utils import timezone

from fleet.models import LimitSheet, Membership, Pump, PumpModel, SheetLine, Site, User
from fleet.roles import Role
from fleet.services import people, pumps, sheets
from fleet.services.sheets import LineDraft
from fleet.units import LengthUnit
from fleet.vocabulary import COMPONENTS, Component, InstrumentKind, PumpFamily
from inspections.models import Inspection, Instrument
from inspections.rules.findings import Severity, Word
from inspections.rules.leaves import Feel, Try
from inspections.rules.lifecycle import Reason
from inspections.services import dispositions, findings, instruments, opening, readings, signing

D = Decimal
_numbers = count(1)

# The metric set of 20 leaves, 0.05 to 1.00 mm, and a fine one for the tenths between.
METRIC_20 = tuple(D("0.05") * n for n in range(1, 21))
METRIC_13_FINE = (
    *(D("0.01") * n for n in range(3, 11)),
    *map(D, ("0.15", "0.20", "0.25", "0.30", "0.40")),
)

SIDE, BACKLASH, TIP = "side_clearance", "backlash", "tip_clearance"
SHAFT_TO_BUSH, WIDTHS, CUT_IN = "shaft_to_bush", "gear_width_match", "cut_in_depth"
FLATNESS = "plate_flatness"


def number() -> int:
    """One that no other row of this test run has."""
    return next(_numbers)


# --- Sites and people -------------------------------------------------------------------------


def make_site(code: str | None = None, name: str | None = None) -> Site:
    """A site with its maintenance manager."""
    n = number()
    code = code or f"site-{n}"
    return people.found_site(
        code=code,
        name=name or code.replace("-", " ").title(),
        username=f"manager-{n}",
        full_name=f"Manager {n}",
        password="seven-lamps-on-a-hill",
    )


def manager_of(site: Site) -> User:
    member = Membership.objects.filter(site=site, role=Role.MAINTENANCE_MANAGER.value).first()
    assert member is not None, "made by make_site"
    return member.user


def make_person(
    site: Site,
    role: Role | str = Role.TECHNICIAN,
    *,
    trainee: bool = False,
    username: str | None = None,
    full_name: str | None = None,
    password: str | None = None,
) -> User:
    """Somebody with one role at one site; more roles by people.grant_role."""
    n = number()
    return people.add_person(
        actor=manager_of(site),
        site=site,
        username=username or f"{role}-{n}",
        full_name=full_name or f"{str(role).replace('_', ' ').capitalize()} {n}",
        password=password,
        roles=[str(role)],
        trainee=trainee,
    )


def _some_manager() -> User:
    # Models and sheets belong to no site: whoever keeps the register anywhere will do.
    member = Membership.objects.filter(role=Role.MAINTENANCE_MANAGER.value).order_by("id").first()
    return member.user if member is not None else manager_of(make_site())


# --- Models, sheets and pumps -----------------------------------------------------------------


def make_model(**fields: Any) -> PumpModel:
    """An external gear pump of an invented maker."""
    values: dict[str, Any] = {
        "maker": "Ostermoor",
        "designation": f"G2-{number()}",
        "family": PumpFamily.EXTERNAL_GEAR.value,
        "displacement_cm3": D("32"),
        "rated_pressure_bar": D("210"),
        "speed_min_rpm": 500,
        "speed_max_rpm": 2500,
        "rotation": "clockwise",
        "oil_grade_vg": 46,
        "mass_kg": D("12.5"),
    }
    return pumps.add_model(actor=_some_manager(), **{**values, **fields})


def gear_lines() -> list[LineDraft]:
    """A sheet with every way of judging: each, spread, difference, leaf enters, not applicable."""
    return [
        LineDraft(
            characteristic=SIDE,
            component="wear_plate_front",
            judged_by="each",
            unit="mm",
            page="14",
            instrument_kind="feeler",
            limit_high=D("0.15"),
            new_low=D("0.05"),
            new_high=D("0.10"),
            also_unit="in",
            also_limit_high=D("0.006"),
            positions=("drive 12 o'clock", "drive 6 o'clock", "idler 12 o'clock"),
            method="Straight edge across the body face.",
        ),
        LineDraft(
            characteristic=BACKLASH,
            component="gears",
            judged_by="each",
            unit="mm",
            page="14",
            instrument_kind="feeler",
            limit_low=D("0.08"),
            limit_high=D("0.46"),
            positions=("mesh 0°", "mesh 180°"),
        ),
        LineDraft(
            characteristic=TIP,
            component="gears",
            judged_by="each",
            unit="mm",
            page="15",
            instrument_kind="feeler",
            limit_high=D("0.18"),
            positions=("drive middle",),
            required=False,
        ),
        LineDraft(
            characteristic=SHAFT_TO_BUSH,
            component="bushes",
            judged_by="difference",
            unit="mm",
            page="16",
            instrument_kind="bore_gauge",
            limit_high=D("0.177"),
            positions=("drive front",),
            terms=("bore", "journal"),
        ),
        LineDraft(
            characteristic=WIDTHS,
            component="gears",
            judged_by="spread",
            unit="mm",
            page="16",
            instrument_kind="micrometer",
            limit_high=D("0.005"),
            positions=("drive place 1", "idler place 1"),
        ),
        LineDraft(
            characteristic=CUT_IN,
            component="housing_bore",
            judged_by="leaf_enters",
            unit="mm",
            page="17",
            instrument_kind="feeler",
            limit_high=D("0.10"),
            positions=("drive front", "idler front"),
        ),
        LineDraft(
            characteristic=FLATNESS,
            component="wear_plate_front",
            judged_by="not_applicable",
            unit="mm",
            page="17",
            not_applicable_reason="Pressure-loaded plates are not flat when free.",
        ),
    ]


def make_issued_sheet(
    model: PumpModel,
    lines: Sequence[LineDraft] | None = None,
    *,
    revision: str | None = None,
    document: str = "Ostermoor G2 service sheet OG-114",
) -> LimitSheet:
    manager = _some_manager()
    sheet = sheets.draft_sheet(
        actor=manager,
        model=model,
        revision=revision or f"R{number()}",
        document=document,
        lines=gear_lines() if lines is None else lines,
    )
    return sheets.issue_sheet(actor=manager, sheet=sheet)


def make_pump(
    site: Site, model: PumpModel | None = None, *, actor: User | None = None, **fields: Any
) -> Pump:
    """A pump in service; its model has a sheet in force unless one is given."""
    if model is None:
        model = make_model()
        make_issued_sheet(model)
    n = number()
    values: dict[str, Any] = {
        "tag": f"HP-{n}",
        "serial": f"OS-{n:05d}",
        "machine": "Wheel loader 7",
        "meter_h": D("1200.0"),
    }
    return pumps.add_pump(
        actor=actor or manager_of(site), site=site, model=model, **{**values, **fields}
    )


# --- Instruments ------------------------------------------------------------------------------


def _keeper_of(site: Site) -> User:
    keepers = (Role.SUPERVISOR.value, Role.COMPETENT_PERSON.value)
    member = Membership.objects.filter(site=site, role__in=keepers).order_by("id").first()
    return member.user if member is not None else make_person(site, Role.SUPERVISOR)


def make_leaf_set(
    site: Site,
    leaves: Iterable[Decimal] = METRIC_13_FINE,
    *,
    unit: LengthUnit = LengthUnit.MM,
    **more: Any,
) -> Instrument:
    return instruments.add_instrument(
        actor=_keeper_of(site),
        site=site,
        identity=f"FG-{number()}",
        name="Leaf set",
        kind=InstrumentKind.FEELER,
        unit=unit,
        leaves=list(leaves),
        **more,
    )


def make_micrometer(
    site: Site,
    *,
    kind: InstrumentKind = InstrumentKind.MICROMETER,
    unit: LengthUnit = LengthUnit.MM,
    resolution: str = "0.001",
    **more: Any,
) -> Instrument:
    return instruments.add_instrument(
        actor=_keeper_of(site),
        site=site,
        identity=f"MC-{number()}",
        name="Micrometer 0-25",
        kind=kind,
        unit=unit,
        resolution=D(resolution),
        **more,
    )


# --- Inspections ------------------------------------------------------------------------------


def make_inspection(
    actor: User,
    pump: Pump,
    *,
    reason: Reason = Reason.PLANNED,
    isolated: bool = True,
    nameplate: bool = True,
    now: datetime | None = None,
) -> Inspection:
    """An open inspection, by default up to the point where measuring may begin."""
    inspection = opening.open_inspection(actor=actor, pump=pump, reason=reason, now=now)
    if isolated:
        isolate(actor, inspection, now=now)
    if nameplate:
        opening.record_nameplate(
            actor=actor,
            inspection=inspection,
            maker=pump.model.maker,
            designation=pump.model.designation,
            serial=pump.serial,
            displacement_cm3=pump.model.displacement_cm3,
            rotation=pump.model.rotation,
            now=now,
        )
    inspection.refresh_from_db()
    return inspection


def isolate(actor: User, inspection: Inspection, *, now: datetime | None = None) -> Inspection:
    now = now or timezone.now()
    opening.acknowledge_cautions(actor=actor, inspection=inspection, now=now)
    return opening.confirm_isolation(
        actor=actor,
        inspection=inspection,
        lock_number="L-12",
        isolated_at=now - timedelta(minutes=20),
        proved_zero_how="Gauge P3 at 0 bar, start button tried",
        proved_zero_at=now - timedelta(minutes=10),
        now=now,
    )


def line_named(inspection: Inspection, characteristic: str) -> SheetLine:
    return SheetLine.objects.get(sheet=inspection.sheet, characteristic=characteristic)


def leaf(thickness: str, feel: Feel | str = Feel.DRAG) -> Try:
    """One leaf tried, or two laid together: leaf("0.10+0.06", "refuses")."""
    return Try(tuple(D(part) for part in thickness.split("+")), Feel(feel))


def bracketed(enters: str, refuses: str) -> list[Try]:
    return [leaf(enters), leaf(refuses, Feel.REFUSES)]


GOOD_TRIES: dict[str, tuple[str, str]] = {
    SIDE: ("0.08", "0.09"),
    BACKLASH: ("0.15", "0.20"),
    TIP: ("0.10", "0.15"),
    CUT_IN: ("0.05", "0.10"),
}
WORN_TRIES: dict[str, tuple[str, str]] = {
    SIDE: ("0.20", "0.25"),
    BACKLASH: ("0.04", "0.05"),
    TIP: ("0.25", "0.30"),
    CUT_IN: ("0.15", "0.20"),
}


def measure_all(
    actor: User, inspection: Inspection, *, out: Iterable[str] = (), now: datetime | None = None
) -> None:
    """Every check of gear_lines() read at every position; the characteristics in `out` fail."""
    out = set(out)
    leaf_set = make_leaf_set(inspection.site)
    micrometer = make_micrometer(inspection.site)

    def value(line: SheetLine, position: str, figure: str, term: str = "") -> None:
        readings.record_value(
            actor=actor,
            inspection=inspection,
            line=line.pk,
            position=position,
            term=term,
            instrument=micrometer,
            value=D(figure),
            unit=LengthUnit.MM,
            now=now,
        )

    for line in SheetLine.objects.filter(sheet_id=inspection.sheet_id):
        name = line.characteristic
        fails = name in out
        for place, position in enumerate(line.positions):
            if name == SHAFT_TO_BUSH:
                value(line, position, "20.200" if fails else "20.060", "bore")
                value(line, position, "20.000", "journal")
            elif name == WIDTHS:
                value(line, position, "25.006" if fails and place else "25.000")
            else:
                tries = WORN_TRIES[name] if fails else GOOD_TRIES[name]
                readings.record_tries(
                    actor=actor,
                    inspection=inspection,
                    line=line.pk,
                    position=position,
                    instrument=leaf_set,
                    tries=bracketed(*tries),
                    now=now,
                )


def look_at_all(
    actor: User,
    inspection: Inspection,
    *,
    defects: dict[str, tuple[Word, Severity]] | None = None,
) -> None:
    """A record for every component: the given defect, or none."""
    defects = defects or {}
    for component in COMPONENTS[PumpFamily(inspection.pump.model.family)]:
        word, severity = defects.get(component.value, (Word.NO_DEFECT, Severity.NONE))
        findings.record_finding(
            actor=actor,
            inspection=inspection,
            component=Component(component).value,
            word=word,
            severity=severity,
        )


def complete_inspection(
    actor: User,
    inspection: Inspection,
    *,
    out: Iterable[str] = (),
    defects: dict[str, tuple[Word, Severity]] | None = None,
    now: datetime | None = None,
) -> Inspection:
    """Measured, looked at and proposed: ready to sign."""
    measure_all(actor, inspection, out=out, now=now)
    look_at_all(actor, inspection, defects=defects)
    dispositions.propose_all(actor=actor, inspection=inspection, now=now)
    inspection.refresh_from_db()
    return inspection


def make_signed_inspection(
    actor: User,
    pump: Pump,
    *,
    out: Iterable[str] = (),
    defects: dict[str, tuple[Word, Severity]] | None = None,
    now: datetime | None = None,
) -> Inspection:
    """Signed by `actor`: for good if qualified, else awaiting its countersignature."""
    inspection = complete_inspection(
        actor, make_inspection(actor, pump, now=now), out=out, defects=defects, now=now
    )
    signed = signing.sign(actor=actor, inspection=inspection, now=now)
    signed.refresh_from_db()
    return signed
