from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest
from django.db import DatabaseError, IntegrityError, transaction

from fleet.faults import Conflict, Fault, NotAllowed, Stale
from fleet.models import User
from fleet.plumbing.problems import fault_of
from fleet.units import LengthUnit
from fleet.vocabulary import InstrumentKind
from inspections.instrument_selectors import readings_with
from inspections.models import Inspection, Instrument, LeafWithdrawal, Reading
from inspections.services import instruments, readings
from tests import factories
from tests.inspections.conftest import Bench, Client, sql
from tests.inspections.http import problem

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


def test_an_instrument_comes_back_into_use(bench: Bench) -> None:
    instrument = add(bench)
    instruments.withdraw_instrument(actor=bench.competent, instrument=instrument)
    back = instruments.bring_back_instrument(actor=bench.competent, instrument=instrument)
    again = instruments.bring_back_instrument(actor=bench.competent, instrument=instrument)
    assert (back.withdrawn_at, back.version, again.version) == (None, 3, 3)


# --- Calibration --------------------------------------------------------------------------------


def test_the_largest_error_is_kept_as_the_certificate_prints_it(bench: Bench) -> None:
    kept = Instrument.objects.get(pk=add(bench, permissible_error=D("0.0040")).pk)
    assert str(kept.permissible_error) == "0.0040"
    assert add(bench, identity="FG-2").permissible_error is None


@pytest.mark.parametrize("error", ["0", "-0.004", "1000", "0.050"])
def test_an_error_that_cannot_be_is_refused(bench: Bench, error: str) -> None:
    # 0.050 is as thick as the thinnest leaf of the set: a slip of the unit.
    with pytest.raises(Fault) as caught:
        add(bench, permissible_error=D(error))
    assert [f.field for f in caught.value.each()] == ["permissible_error"]
    instrument = add(bench)
    with pytest.raises(Fault) as caught:
        instruments.calibrated(
            actor=bench.competent,
            instrument=instrument,
            due_on=date(2027, 3, 14),
            permissible_error=D(error),
        )
    assert caught.value.field == "permissible_error"
    instrument.refresh_from_db()
    assert (instrument.calibration_due_on, instrument.version) == (None, 1)


def test_a_new_certificate_leaves_old_readings_as_they_were(bench: Bench) -> None:
    leaf_set = factories.make_leaf_set(
        bench.site, permissible_error=D("0.004"), calibration_due_on=date(2026, 1, 31)
    )
    inspection = factories.make_inspection(bench.technician, bench.pump)
    before = take(bench, inspection, leaf_set, "0.08", "0.09")
    kept = (before.overdue_since, before.standard_uncertainty, before.budget)
    assert kept[0] == date(2026, 1, 31)
    row = instruments.calibrated(
        actor=bench.competent,
        instrument=leaf_set,
        due_on=date(2099, 3, 14),
        permissible_error=D("0.002"),
        version=leaf_set.version,
    )
    assert (row.calibration_due_on, row.permissible_error) == (date(2099, 3, 14), D("0.002"))
    before.refresh_from_db()
    assert (before.overdue_since, before.standard_uncertainty, before.budget) == kept
    after = take(bench, inspection, row, "0.08", "0.09", position="drive 6 o'clock")
    assert after.overdue_since is None
    with pytest.raises(Stale):
        instruments.calibrated(
            actor=bench.competent,
            instrument=leaf_set,
            due_on=date(2099, 3, 14),
            permissible_error=None,
            version=leaf_set.version,
        )


# --- Leaves -------------------------------------------------------------------------------------


def test_a_bent_leaf_goes_out_with_its_reason_and_a_new_one_in(bench: Bench) -> None:
    leaf_set = add(bench)
    gone = instruments.withdraw_leaf(
        actor=bench.competent, instrument=leaf_set, leaf=D("0.05"), why=" Kinked at the tip "
    )
    leaf_set.refresh_from_db()
    assert (str(gone.leaf), gone.why, gone.by) == ("0.050", "Kinked at the tip", bench.competent)
    assert ([str(leaf) for leaf in leaf_set.leaves], leaf_set.version) == (["0.10", "0.20"], 2)
    with pytest.raises(Conflict) as caught:
        instruments.withdraw_leaf(
            actor=bench.competent, instrument=leaf_set, leaf=D("0.05"), why="Again"
        )
    assert caught.value.code == "leaf_not_in_set"
    row = instruments.put_in_leaf(actor=bench.competent, instrument=leaf_set, leaf=D("0.05"))
    assert [str(leaf) for leaf in row.leaves] == ["0.05", "0.10", "0.20"]
    with pytest.raises(Conflict) as caught:
        instruments.put_in_leaf(actor=bench.competent, instrument=leaf_set, leaf=D("0.0500"))
    assert caught.value.code == "leaf_in_set"
    assert LeafWithdrawal.objects.count() == 1


@pytest.mark.parametrize(
    ("leaf", "why", "field", "code"),
    [
        ("0.10", " ", "why", "invalid"),
        ("0.10", "x" * 201, "why", "max_length"),
        ("0.15", "Bent", "leaf", "leaf_not_in_set"),
    ],
)
def test_a_leaf_that_cannot_go_out_stays(
    bench: Bench, leaf: str, why: str, field: str, code: str
) -> None:
    leaf_set = add(bench)
    with pytest.raises(Fault) as caught:
        instruments.withdraw_leaf(actor=bench.competent, instrument=leaf_set, leaf=D(leaf), why=why)
    assert (caught.value.field, caught.value.code) == (field, code)
    leaf_set.refresh_from_db()
    assert (len(leaf_set.leaves), LeafWithdrawal.objects.count()) == (3, 0)


def test_the_last_leaf_and_what_has_no_leaves(bench: Bench) -> None:
    single = add(bench, leaves=[D("0.10")])
    dial = add(bench, identity="D-1", kind=InstrumentKind.DIAL, leaves=[], resolution=D("0.01"))
    for instrument, code in ((single, "last_leaf"), (dial, "not_a_leaf_set")):
        with pytest.raises(Conflict) as caught:
            instruments.withdraw_leaf(
                actor=bench.competent, instrument=instrument, leaf=D("0.10"), why="Bent"
            )
        assert caught.value.code == code
    with pytest.raises(Conflict):
        instruments.put_in_leaf(actor=bench.competent, instrument=dial, leaf=D("0.10"))
    with pytest.raises(Fault):
        instruments.put_in_leaf(actor=bench.competent, instrument=single, leaf=D("0"))


@pytest.mark.parametrize("who", ["technician", "auditor", "outsider"])
def test_who_may_not_keep_instruments_changes_nothing_of_them(bench: Bench, who: str) -> None:
    leaf_set, actor = add(bench), getattr(bench, who)
    for attempt in (
        lambda: instruments.bring_back_instrument(actor=actor, instrument=leaf_set),
        lambda: instruments.put_in_leaf(actor=actor, instrument=leaf_set, leaf=D("0.30")),
        lambda: instruments.withdraw_leaf(
            actor=actor, instrument=leaf_set, leaf=D("0.10"), why="Bent"
        ),
        lambda: instruments.calibrated(
            actor=actor, instrument=leaf_set, due_on=date(2027, 1, 1), permissible_error=None
        ),
    ):
        with pytest.raises(NotAllowed):
            attempt()
    leaf_set.refresh_from_db()
    assert (leaf_set.version, LeafWithdrawal.objects.count()) == (1, 0)


def test_a_withdrawal_is_only_added(bench: Bench) -> None:
    leaf_set = add(bench)
    instruments.withdraw_leaf(
        actor=bench.competent, instrument=leaf_set, leaf=D("0.10"), why="Bent"
    )
    for change in ("UPDATE {} SET why = 'other'", "DELETE FROM {}"):
        with pytest.raises(DatabaseError, match="append_only"), transaction.atomic():
            sql(change.format("inspections_leafwithdrawal"))


# --- Which readings were made with it -----------------------------------------------------------


def take(
    bench: Bench,
    inspection: Inspection,
    instrument: Instrument,
    enters: str,
    refuses: str,
    *,
    position: str = "drive 12 o'clock",
    now: datetime | None = None,
) -> Reading:
    return readings.record_tries(
        actor=bench.technician,
        inspection=inspection,
        line=factories.line_named(inspection, factories.SIDE).pk,
        position=position,
        instrument=instrument,
        tries=factories.bracketed(enters, refuses),
        now=now,
    )


def test_readings_made_with_a_leaf_since_a_day_are_listed(bench: Bench) -> None:
    leaf_set, other = factories.make_leaf_set(bench.site), factories.make_leaf_set(bench.site)
    inspection = factories.make_inspection(bench.technician, bench.pump)
    # Typed with another number of zeros than the leaf is marked with, and in a stack.
    early = take(
        bench, inspection, leaf_set, "0.0800", "0.09", now=datetime(2026, 3, 1, 23, 59, tzinfo=UTC)
    )
    stacked = take(
        bench,
        inspection,
        leaf_set,
        "0.05",
        "0.08+0.04",
        position="drive 6 o'clock",
        now=datetime(2026, 3, 2, tzinfo=UTC),
    )
    without = take(bench, inspection, leaf_set, "0.10", "0.15", position="idler 12 o'clock")
    replaced = without.pk
    again = take(bench, inspection, other, "0.08", "0.09", position="idler 12 o'clock")

    def listed(**asked: Any) -> set[int]:
        return set(readings_with(leaf_set, **asked).values_list("pk", flat=True))

    assert listed() == {early.pk, stacked.pk, replaced}
    assert listed(leaf=D("0.08")) == {early.pk, stacked.pk}
    assert listed(leaf=D("0.080")) == {early.pk, stacked.pk}
    assert listed(leaf=D("0.8")) == set()
    assert listed(leaf=D("0.12")) == set()
    assert listed(since=date(2026, 3, 2)) == {stacked.pk, replaced}
    assert listed(leaf=D("0.08"), since=date(2026, 3, 2)) == {stacked.pk}
    assert set(readings_with(other).values_list("pk", "outcome")) == {(again.pk, "within")}


# --- Over HTTP ----------------------------------------------------------------------------------

As = Callable[[User], Client]


def test_an_instrument_is_calibrated_over_http_by_its_tag(bench: Bench, as_: As) -> None:
    leaf_set = add(bench)
    client, where = as_(bench.competent), f"instruments/{leaf_set.pk}"
    tag = client.get(where)["ETag"]
    body = {"due_on": "2027-03-14", "permissible_error": "0.004"}
    assert problem(client.post(f"{where}/calibration", body))[0] == 428
    done = client.post(f"{where}/calibration", body, **{"If-Match": tag})
    assert (done.status_code, done["ETag"]) == (200, f'"{leaf_set.pk}-2"')
    assert (done.json()["calibration_due_on"], done.json()["permissible_error"]) == (
        "2027-03-14",
        "0.004",
    )
    assert problem(client.post(f"{where}/calibration", body, **{"If-Match": tag}))[0] == 412
    unknown = client.post(
        f"{where}/calibration",
        {"due_on": "2027-03-14", "permissible_error": None},
        **{"If-Match": done["ETag"]},
    )
    assert unknown.json()["permissible_error"] is None
    shown = client.get("instruments", due_before="2027-03-15").json()["results"]
    assert [each["id"] for each in shown] == [leaf_set.pk]
    assert client.get("instruments", due_before="2027-03-14").json()["results"] == []


def test_a_leaf_goes_out_and_in_over_http_and_its_readings_are_listed(
    bench: Bench, as_: As
) -> None:
    leaf_set = factories.make_leaf_set(bench.site)
    inspection = factories.make_inspection(bench.technician, bench.pump)
    reading = take(bench, inspection, leaf_set, "0.08", "0.09")
    client, where = as_(bench.competent), f"instruments/{leaf_set.pk}"
    gone = client.post(f"{where}/leaf-withdrawals", {"leaf": "0.080", "why": "Bent"})
    assert gone.status_code == 201
    assert (gone.json()["leaf"], gone.json()["why"], gone.json()["by"]["full_name"]) == (
        "0.08",
        "Bent",
        bench.competent.full_name,
    )
    assert client.get(f"{where}/leaf-withdrawals").json()["results"] == [gone.json()]
    assert "0.08" not in client.get(where).json()["leaves"]
    made = as_(bench.auditor).get(f"{where}/readings", leaf="0.08", since="2020-01-01").json()
    assert [
        (each["id"], each["inspection"], each["pump_tag"], each["check"], each["outcome"])
        for each in made["results"]
    ] == [(reading.pk, inspection.pk, bench.pump.tag, "Side clearance", "undecided")]
    assert client.get(f"{where}/readings", since="2099-01-01").json()["results"] == []
    assert problem(client.get(f"{where}/readings", leaf="thin"))[0] == 422
    put = client.post(f"{where}/leaves", {"leaf": "0.08"})
    assert (put.status_code, "0.08" in put.json()["leaves"]) == (201, True)
    assert problem(client.post(f"{where}/leaves", {"leaf": "0.08"})) == (
        409,
        [("/leaf", "leaf_in_set")],
    )
    client.post(f"{where}/withdrawal")
    back = client.post(f"{where}/reinstatement")
    assert (back.status_code, back.json()["withdrawn_at"]) == (200, None)
    for path in ("readings", "leaf-withdrawals"):
        assert problem(as_(bench.outsider).get(f"{where}/{path}")) == (404, [("", "not_found")])
