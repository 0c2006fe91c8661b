from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from django.db import IntegrityError, transaction

from fleet.faults import Fault, NotAllowed
from fleet.models import User
from fleet.plumbing.problems import fault_of
from fleet.units import LengthUnit
from fleet.vocabulary import InstrumentKind
from inspections.models import Instrument
from inspections.services import instruments
from tests.inspections.conftest import Bench

D = Decimal


def add(bench: Bench, *, actor: User | None = None, **changed: Any) -> Instrument:
    values: dict[str, Any] = {
        "identity": "FG-1",
        "name": "Leaf set at bench 2",
        "kind": InstrumentKind.FEELER,
        "unit": LengthUnit.MM,
        "leaves": [D("0.20"), D("0.050"), D("0.10")],
    }
    return instruments.add_instrument(
        actor=actor or bench.competent, site=bench.site, **{**values, **changed}
    )


def test_leaves_are_kept_in_order_with_their_printed_digits(bench: Bench) -> None:
    kept = Instrument.objects.get(pk=add(bench).pk)
    assert [str(leaf) for leaf in kept.leaves] == ["0.050", "0.10", "0.20"]


def test_an_instrument_that_shows_a_value_states_its_resolution(bench: Bench) -> None:
    dial = add(bench, kind=InstrumentKind.DIAL, leaves=[], resolution=D("0.010"))
    kept = Instrument.objects.get(pk=dial.pk)
    assert (str(kept.resolution), kept.leaves) == ("0.010", [])


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"identity": " "}, "identity"),
        ({"name": ""}, "name"),
        ({"leaves": []}, "leaves"),
        ({"leaves": [D("0.10"), D("0.100")]}, "leaves"),
        ({"leaves": [D("0")]}, "leaves"),
        ({"kind": InstrumentKind.DIAL, "leaves": []}, "resolution"),
        ({"kind": InstrumentKind.DIAL, "resolution": D("0.01")}, "leaves"),
    ],
)
def test_an_instrument_that_cannot_be_is_refused(
    bench: Bench, changed: dict[str, Any], field: str
) -> None:
    with pytest.raises(Fault) as caught:
        add(bench, **changed)
    assert [f.field for f in caught.value.each()] == [field]
    assert not Instrument.objects.exists()


def test_a_number_stands_for_one_instrument_of_a_site(bench: Bench) -> None:
    add(bench)
    with pytest.raises(IntegrityError) as caught, transaction.atomic():
        add(bench)
    fault = fault_of(caught.value)
    assert fault is not None
    assert (fault.code, fault.field, fault.status) == ("taken", "identity", 409)


@pytest.mark.parametrize("who", ["technician", "auditor", "outsider"])
def test_instruments_are_kept_by_those_who_may(bench: Bench, who: str) -> None:
    instrument = add(bench)
    with pytest.raises(NotAllowed):
        add(bench, actor=getattr(bench, who), identity="FG-2")
    with pytest.raises(NotAllowed):
        instruments.withdraw_instrument(actor=getattr(bench, who), instrument=instrument)
    instrument.refresh_from_db()
    assert (Instrument.objects.count(), instrument.withdrawn_at) == (1, None)


def test_withdrawing_twice_keeps_the_first_time(bench: Bench) -> None:
    instrument = add(bench)
    first = instruments.withdraw_instrument(actor=bench.competent, instrument=instrument)
    again = instruments.withdraw_instrument(actor=bench.supervisor, instrument=instrument)
    assert first.withdrawn_at is not None
    assert again.withdrawn_at == first.withdrawn_at
