"""Texts longer than their column are refused in words, whoever calls the service."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from io import BytesIO
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone
from PIL import Image

from fleet.faults import Fault
from fleet.services import pumps, sheets
from fleet.services.sheets import LineDraft
from fleet.units import LengthUnit
from fleet.vocabulary import Component, InstrumentKind
from inspections.models import Inspection
from inspections.rules.dispositions import Disposition
from inspections.rules.findings import Severity, Word
from inspections.rules.lifecycle import Reason
from inspections.services import (
    dispositions,
    findings,
    instruments,
    opening,
    photos,
    readings,
    signing,
)
from tests import factories
from tests.inspections.conftest import Bench

LONG = "x" * 501


def picture() -> SimpleUploadedFile[bytes]:
    content = BytesIO()
    Image.new("RGB", (4, 4)).save(content, "PNG")
    return SimpleUploadedFile("a.png", content.getvalue())


def isolate(bench: Bench, row: Inspection) -> Any:
    now = timezone.now()
    return opening.confirm_isolation(
        actor=bench.technician,
        inspection=row,
        lock_number=LONG,
        isolated_at=now - timedelta(minutes=9),
        proved_zero_how=LONG,
        proved_zero_at=now - timedelta(minutes=5),
    )


Case = Callable[[Bench, Inspection], Any]
CASES: dict[str, tuple[Case, list[str]]] = {
    "complaint": (
        lambda b, i: opening.open_inspection(
            actor=b.technician,
            pump=factories.make_pump(b.site),
            reason=Reason.PLANNED,
            complaint=LONG,
        ),
        ["complaint"],
    ),
    "isolation": (isolate, ["lock_number", "proved_zero_how"]),
    "nameplate": (
        lambda b, i: opening.record_nameplate(
            actor=b.technician,
            inspection=i,
            maker=LONG,
            designation=LONG,
            serial=LONG,
            illegible_reason=LONG,
        ),
        ["maker", "designation", "serial", "illegible_reason"],
    ),
    "abandon": (
        lambda b, i: opening.abandon(actor=b.technician, inspection=i, why=LONG),
        ["why"],
    ),
    "finding": (
        lambda b, i: findings.record_finding(
            actor=b.technician,
            inspection=i,
            component=Component.GEARS.value,
            word=Word.SCORED,
            severity=Severity(2),
            place=LONG,
            note=LONG,
        ),
        ["place", "note"],
    ),
    "photo": (
        lambda b, i: photos.add_photo(
            actor=b.technician,
            inspection=i,
            component=Component.GEARS.value,
            upload=picture(),
            caption=LONG,
        ),
        ["caption"],
    ),
    "waiver": (
        lambda b, i: readings.waive(
            actor=b.competent,
            inspection=i,
            line=factories.line_named(i, factories.BACKLASH).pk,
            reason=LONG,
        ),
        ["reason"],
    ),
    "overrule": (
        lambda b, i: dispositions.overrule(
            actor=b.technician,
            inspection=i,
            component=Component.GEARS.value,
            decided=Disposition.REPLACE,
            reason=LONG,
        ),
        ["reason"],
    ),
    "countersign": (
        lambda b, i: signing.countersign(actor=b.competent, inspection=i, why=LONG),
        ["why"],
    ),
    "send back": (
        lambda b, i: signing.send_back(actor=b.competent, inspection=i, why=LONG),
        ["why"],
    ),
    "supersede": (
        lambda b, i: signing.supersede(actor=b.competent, inspection=i, why=LONG),
        ["why"],
    ),
    "instrument": (
        lambda b, i: instruments.add_instrument(
            actor=b.competent,
            site=b.site,
            identity=LONG,
            name=LONG,
            kind=InstrumentKind.MICROMETER,
            unit=LengthUnit.MM,
            resolution=Decimal("0.001"),
        ),
        ["identity", "name"],
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_an_overlong_text_is_refused_at_its_field(bench: Bench, name: str) -> None:
    case, fields = CASES[name]
    row = factories.make_inspection(bench.technician, bench.pump, isolated=name != "isolation")
    with pytest.raises(Fault) as caught:
        case(bench, row)
    assert [(f.field, f.code) for f in caught.value.each()] == [(f, "max_length") for f in fields]


def test_a_missing_reading_keeps_its_whole_name(bench: Bench) -> None:
    positions, terms = ("p" * 60,), ("b" * 40, "j" * 40)
    model = factories.make_model()
    sheet = sheets.draft_sheet(
        actor=bench.supervisor,
        model=model,
        revision="A",
        document="Long names",
        lines=[
            LineDraft(
                characteristic="shaft_to_bush",
                component="bushes",
                judged_by="difference",
                unit="mm",
                limit_high=Decimal("0.1"),
                positions=positions,
                terms=terms,
                page="1",
            )
        ],
    )
    sheets.issue_sheet(actor=bench.supervisor, sheet=sheet)
    pump = pumps.add_pump(
        actor=bench.supervisor,
        site=bench.site,
        model=model,
        tag="L-1",
        serial="L-1",
        machine="Press",
    )
    row = factories.make_inspection(bench.technician, pump)
    line = row.sheet.lines.get()
    readings.record_value(
        actor=bench.technician,
        inspection=row,
        line=line.pk,
        position=positions[0],
        instrument=factories.make_micrometer(bench.site),
        value=Decimal("20"),
        unit=LengthUnit.MM,
        term=terms[0],
    )
    assert row.verdicts.get(line=line).missing_positions == [f"{positions[0]} {terms[1]}"]
