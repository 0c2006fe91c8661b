"""Which earlier readings of a pump count for what to expect now."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from fleet.models import Pump
from fleet.services import pumps
from fleet.units import LengthUnit
from inspections.models import Inspection
from inspections.rules.dispositions import Disposition
from inspections.services import dispositions, readings, signing
from inspections.trend_selectors import trend_at
from tests import factories as make
from tests.inspections.conftest import Bench

pytestmark = pytest.mark.django_db
HERE = "drive 12 o'clock"


class Life:
    """One pump, opened again and again as it wears."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.leaf_set = make.make_leaf_set(bench.site)
        self.at = timezone.now()

    def opened(self, hours: int) -> Inspection:
        """Opened after so many hours more."""
        Pump.objects.filter(pk=self.bench.pump.pk).update(status="in_service")
        pump = Pump.objects.get(pk=self.bench.pump.pk)
        self.at += timedelta(days=100)
        if hours:
            pumps.record_hours(
                actor=self.bench.supervisor,
                pump=pump,
                meter_h=pump.meter_h + hours,
                read_at=self.at,
                now=self.at,
            )
        pump.refresh_from_db()
        return make.make_inspection(self.bench.technician, pump, now=self.at)

    def lived(self, hours: int, low: str, high: str, *, renew: bool = False) -> Inspection:
        """Opened, found with this bracket at one position, and signed."""
        inspection = self.opened(hours)
        make.complete_inspection(self.bench.technician, inspection, now=self.at)
        line = make.line_named(inspection, make.SIDE)
        readings.record_tries(
            actor=self.bench.technician,
            inspection=inspection,
            line=line.pk,
            position=HERE,
            instrument=self.leaf_set,
            tries=make.bracketed(low, high),
            now=self.at,
        )
        dispositions.propose_all(actor=self.bench.technician, inspection=inspection, now=self.at)
        if renew:
            dispositions.overrule(
                actor=self.bench.technician,
                inspection=inspection,
                component=line.component,
                decided=Disposition.REPLACE,
                reason="Scored beyond dressing",
            )
        inspection.refresh_from_db()
        return signing.sign(actor=self.bench.technician, inspection=inspection, now=self.at)

    def trend(self, inspection: Inspection, *, viewer: Any = None, unit: str = "mm") -> Any:
        line = make.line_named(inspection, make.SIDE)
        return trend_at(inspection, line, HERE, LengthUnit(unit), viewer or self.bench.technician)


def test_three_signed_readings_lead_to_a_fourth(bench: Bench) -> None:
    life = Life(bench)
    for hours, low, high in ((0, "0.05", "0.06"), (1000, "0.06", "0.07"), (1000, "0.07", "0.08")):
        first = life.lived(hours, low, high)
        assert life.trend(first) is None
    now = life.opened(1000)
    trend = life.trend(now)
    # On a straight line through 0.055, 0.065 and 0.075 mm; as wide as the brackets leave it.
    assert trend.prior.mean == pytest.approx(0.085, abs=1e-9)
    assert trend.prior.sd == pytest.approx(0.01 / 12**0.5 * (10 / 3) ** 0.5, abs=1e-9)
    inches = life.trend(now, unit="in")
    assert inches.prior.mean * 25.4 == pytest.approx(0.085, abs=1e-9)
    # Nobody learns from readings that they may not see.
    assert life.trend(now, viewer=bench.outsider) is None


def test_a_renewed_part_begins_anew(bench: Bench) -> None:
    life = Life(bench)
    life.lived(0, "0.05", "0.06")
    life.lived(1000, "0.06", "0.07")
    life.lived(1000, "0.08", "0.09", renew=True)
    for hours in (1000, 1000):
        assert life.trend(life.lived(hours, "0.05", "0.06")) is None
    life.lived(1000, "0.06", "0.07")
    trend = life.trend(life.opened(1000))
    assert trend.sentence.startswith("3 earlier readings")


def test_open_work_and_other_positions_do_not_count(bench: Bench) -> None:
    life = Life(bench)
    for hours in (0, 1000, 1000):
        life.lived(hours, "0.05", "0.06")
    now = life.opened(1000)
    line = make.line_named(now, make.SIDE)
    readings.record_tries(
        actor=bench.technician,
        inspection=now,
        line=line.pk,
        position=HERE,
        instrument=life.leaf_set,
        tries=make.bracketed("0.15", "0.20"),
    )
    assert life.trend(now).prior.mean == pytest.approx(0.055)
    other = trend_at(now, line, line.positions[1], LengthUnit.MM, bench.technician)
    assert other is None or other.prior.mean != pytest.approx(0.055)
    unknown = trend_at(now, line, "the moon", LengthUnit.MM, bench.technician)
    assert unknown is None
