"""Earlier readings of a pump, as far as they tell what to expect at a position now."""

from __future__ import annotations

from decimal import Decimal

from fleet.models import SheetLine, User
from fleet.units import LengthUnit, convert
from inspections.models import ComponentDisposition, Inspection, Reading
from inspections.rules.dispositions import Disposition
from inspections.rules.lifecycle import InspectionState
from inspections.rules.trendprior import EarlierReading, Trend, trend_prior


def trend_at(
    inspection: Inspection, line: SheetLine, position: str, unit: LengthUnit, viewer: User
) -> Trend | None:
    """What the wear so far leads to at a position, in `unit`; None with too little to go by.

    From signed inspections of the same pump that the viewer may see, since one in which the
    component was to be renewed. A check of the site's own is known by its name. Two queries.
    """
    renewed = (
        ComponentDisposition.objects.filter(
            inspection__pump_id=inspection.pump_id,
            inspection__state=InspectionState.SIGNED.value,
            inspection__id__lt=inspection.pk,
            component=line.component,
            decided__in=[d.value for d in Disposition if d.renews],
        )
        .order_by("-inspection_id")
        .values_list("inspection_id", flat=True)
        .first()
    )
    earlier = (
        Reading.objects.visible_to(viewer)
        .filter(
            inspection__pump_id=inspection.pump_id,
            inspection__state=InspectionState.SIGNED.value,
            inspection__id__lt=inspection.pk,
            # What was measured before the part was renewed is of another part.
            inspection__id__gt=renewed or 0,
            line__characteristic=line.characteristic,
            line__name=line.name,
            line__component=line.component,
            position=position,
            term="",
            high__isnull=False,
            replaced_at__isnull=True,
        )
        .select_related("inspection")
    )
    return trend_prior(
        [_in_unit(reading, unit) for reading in earlier.order_by("inspection_id")],
        float(inspection.running_h),
        unit,
    )


def _in_unit(reading: Reading, unit: LengthUnit) -> EarlierReading:
    own = LengthUnit(reading.unit)
    high = reading.low if reading.high is None else reading.high
    u = reading.standard_uncertainty
    return EarlierReading(
        hours=float(reading.inspection.running_h),
        low=convert(reading.low, own, unit),
        high=convert(high, own, unit),
        u=None if u is None else u * float(convert(Decimal(1), own, unit)),
    )
