"""The instrument pages, and where readings with overdue instruments are accepted."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone

from fleet.roles import Role
from inspections.models import Inspection, Instrument, LeafWithdrawal, OverdueAcceptance
from inspections.services import dispositions, instruments, overdue, readings, signing
from tests import factories as make
from tests.web.bench import Bench, signed_in, words
from tests.web.client import queries_of

pytestmark = pytest.mark.django_db
D = Decimal
RAN_OUT = date(2026, 1, 31)
ADD, LIST = "inspections:instrument-add", "inspections:instruments"


def page_of(instrument: Instrument) -> str:
    return reverse("inspections:instrument", args=[instrument.pk])


def read(bench: Bench, instrument: Instrument, place: int = 0) -> Any:
    line = bench.line(make.SIDE)
    return readings.record_tries(
        actor=bench.technician,
        inspection=bench.inspection,
        line=line.pk,
        position=line.positions[place],
        instrument=instrument,
        tries=make.bracketed("0.08", "0.09"),
    )


# --- The list -----------------------------------------------------------------------------------


def test_what_needs_calibration_is_said_first_and_stands_first(bench: Bench) -> None:
    today = timezone.now().date()
    make.make_micrometer(bench.site, calibration_due_on=today + timedelta(days=31))
    soon = make.make_micrometer(bench.site, calibration_due_on=today + timedelta(days=30))
    sooner = make.make_micrometer(bench.site, calibration_due_on=today)
    late = make.make_leaf_set(bench.site, calibration_due_on=today - timedelta(days=1))
    gone = make.make_leaf_set(bench.site, calibration_due_on=RAN_OUT)
    instruments.withdraw_instrument(actor=bench.competent, instrument=gone)
    shown = signed_in(bench.auditor).get(reverse(LIST))
    assert [row.instrument for row in shown.context["rows"]][:3] == [late, sooner, soon]
    text = words(shown)
    assert "5 instruments are in use. 1 is overdue for calibration: " in text
    assert f"2 are due within 30 days: {sooner.identity} , {soon.identity} ." in text
    assert "1 has no calibration date on record." in text
    assert f"{gone.identity} , Leaf set, {bench.site.name}: withdrawn" in text


def test_the_list_takes_as_many_queries_for_ten_as_for_one(bench: Bench) -> None:
    client = signed_in(bench.technician)
    one = queries_of(client, reverse(LIST))
    for _ in range(9):
        make.make_leaf_set(bench.site, calibration_due_on=RAN_OUT)
    assert queries_of(client, reverse(LIST)) == one


# --- Adding -------------------------------------------------------------------------------------


def asked(bench: Bench, **more: str) -> dict[str, Any]:
    return {
        "site": bench.site.pk,
        "identity": "FG-900",
        "name": "Bench 3",
        "kind": "feeler",
        "unit": "mm",
        **more,
    }


def test_a_leaf_set_is_added_from_its_usual_list(bench: Bench) -> None:
    client = signed_in(bench.competent)
    refused = client.post(reverse(ADD), asked(bench, leaf_set="metric_8", unit="in"))
    assert refused.status_code == 422
    assert "is marked in mm" in words(refused)
    done = client.post(
        reverse(ADD),
        asked(
            bench, leaf_set="metric_8", permissible_error="0,004", calibration_due_on="2099-03-14"
        ),
        follow=True,
    )
    added = Instrument.objects.get(identity="FG-900")
    # The usual metric list of eight leaves, from memory.
    assert [str(leaf) for leaf in added.leaves] == (
        ["0.05", "0.10", "0.15", "0.20", "0.25", "0.30", "0.40", "0.50"]
    )
    assert (added.permissible_error, added.calibration_due_on) == (D("0.004"), date(2099, 3, 14))
    assert done.redirect_chain == [(page_of(added), 302)]
    assert "±0.004 mm" in words(done)
    assert "Look again" not in words(done)


def test_every_usual_set_can_be_picked_and_the_dual_marked_one_is_told_how(bench: Bench) -> None:
    shown = signed_in(bench.competent).get(reverse(ADD))
    picks = [key for key, _label in shown.context["form"].fields["leaf_set"].choices]
    assert len(picks) == 1 + 11
    assert "List the leaves of a set that is marked in both inches and millimetres." in words(shown)


@pytest.mark.parametrize(
    ("unit", "leaves", "warned"),
    [
        # BS 957:2008, scope: 0.03 to 1.00 mm, 0.0015 to 0.025 in.
        ("mm", "0.03 0.10 1.00", ""),
        ("mm", "0.02 0.10 1.50", "0.02, 1.50 mm"),
        ("in", "0.0015 0.025", ""),
        ("in", "0.001 0.010", "0.001 in"),
    ],
)
def test_leaves_typed_one_by_one_are_compared_with_the_standard(
    bench: Bench, unit: str, leaves: str, warned: str
) -> None:
    done = signed_in(bench.competent).post(
        reverse(ADD), asked(bench, unit=unit, leaves=leaves), follow=True
    )
    assert [str(leaf) for leaf in Instrument.objects.get(identity="FG-900").leaves] == (
        leaves.split()
    )
    text = words(done)
    assert (f"Look again at {warned}: BS 957:2008" in text) if warned else "Look again" not in text


# --- One instrument -----------------------------------------------------------------------------


def test_an_instrument_shows_its_facts_and_the_readings_taken_with_it(bench: Bench) -> None:
    old_set = make.make_leaf_set(
        bench.site, calibration_due_on=RAN_OUT, permissible_error=D("0.003")
    )
    read(bench, old_set)
    read(bench, bench.leaf_set, 1)
    text = words(signed_in(bench.auditor).get(page_of(old_set)))
    assert "overdue since 31 Jan 2026, by" in text
    assert "±0.003 mm" in text
    assert "1 reading " in text
    assert "0.08 enters, 0.09 mm does not overdue since 31 Jan 2026" in text
    assert "Keep the certificate" not in text


def test_a_new_certificate_is_entered_on_what_was_read(bench: Bench) -> None:
    client, url = signed_in(bench.competent), page_of(bench.leaf_set)
    send = {"do": "calibrated", "due_on": "2099-03-14", "permissible_error": "0.004", "version": 1}
    refused = client.post(url, {**send, "permissible_error": "0.5"})
    assert refused.status_code == 422
    assert "is as large as the leaf of 0.03 mm itself" in words(refused)
    assert client.post(url, send).status_code == 302
    bench.leaf_set.refresh_from_db()
    assert (bench.leaf_set.calibration_due_on, bench.leaf_set.permissible_error) == (
        date(2099, 3, 14),
        D("0.004"),
    )
    stale = client.post(url, {**send, "due_on": "2098-03-14"})
    assert stale.status_code == 422
    assert "was changed since you read it" in words(stale)
    assert client.post(url, {**send, "due_on": "soon", "version": 2}).status_code == 422
    assert client.post(url, {"do": "polish"}).status_code == 404


def test_a_leaf_goes_out_and_its_readings_are_shown(bench: Bench) -> None:
    read(bench, bench.leaf_set)
    read(bench, bench.leaf_set, 1)
    client, url = signed_in(bench.competent), page_of(bench.leaf_set)
    assert client.post(url, {"do": "withdraw_leaf", "leaf": "0.09"}).status_code == 422
    done = client.post(url, {"do": "withdraw_leaf", "leaf": "0.09", "why": "Kinked"}, follow=True)
    assert done.redirect_chain == [(f"{url}?leaf=0.09#readings", 302)]
    text = words(done)
    assert "The leaf 0.09 is out of the set. 2 readings made with it: look at them again" in text
    assert f"0.09 mm , {timezone.now().day} " in text
    assert "Kinked" in text
    assert done.context["page"].paginator.count == 2
    assert client.get(url, {"leaf": "0.10"}).context["page"].paginator.count == 0
    assert client.get(url, {"since": "2099-01-01"}).context["page"].paginator.count == 0
    assert client.get(url, {"since": "lately"}).context["page"].paginator.count == 2
    unused = client.post(url, {"do": "withdraw_leaf", "leaf": "0.40", "why": "Rust"}, follow=True)
    assert "The leaf 0.40 is out of the set. No reading was made with it." in words(unused)
    back = client.post(url, {"do": "put_in_leaf", "leaf": "0.09"}, follow=True)
    assert "The new leaf is in the set." in words(back)
    twice = client.post(url, {"do": "put_in_leaf", "leaf": "0.09"})
    assert (twice.status_code, LeafWithdrawal.objects.count()) == (422, 2)
    thick = client.post(url, {"do": "put_in_leaf", "leaf": "1.20"}, follow=True)
    assert "Look again at 1.20 mm" in words(thick)


def test_an_instrument_goes_out_of_use_and_comes_back(bench: Bench) -> None:
    client, url = signed_in(bench.competent), page_of(bench.leaf_set)
    assert signed_in(bench.technician).post(url, {"do": "withdraw"}).status_code == 403
    assert "no new readings with it" in words(client.post(url, {"do": "withdraw"}, follow=True))
    bench.leaf_set.refresh_from_db()
    assert bench.leaf_set.withdrawn_at is not None
    client.post(url, {"do": "bring_back"})
    bench.leaf_set.refresh_from_db()
    assert bench.leaf_set.withdrawn_at is None


# --- Overdue ------------------------------------------------------------------------------------


@pytest.fixture
def old_set(bench: Bench) -> Instrument:
    return make.make_leaf_set(bench.site, calibration_due_on=RAN_OUT)


@pytest.fixture
def measured(bench: Bench, old_set: Instrument) -> Inspection:
    make.measure_all(bench.technician, bench.inspection)
    read(bench, old_set)
    make.look_at_all(bench.technician, bench.inspection)
    dispositions.propose_all(actor=bench.technician, inspection=bench.inspection)
    bench.inspection.refresh_from_db()
    return bench.inspection


@pytest.fixture
def awaiting(bench: Bench, measured: Inspection) -> Inspection:
    trainee = make.make_person(bench.site, Role.TECHNICIAN, trainee=True)
    return signing.sign(actor=trainee, inspection=measured)


def test_the_only_signature_waits_until_the_readings_are_accepted(
    bench: Bench, measured: Inspection, old_set: Instrument
) -> None:
    url = bench.url("sign")
    technician, competent = signed_in(bench.technician), signed_in(bench.competent)
    text = words(technician.get(url))
    assert "1 thing is still to do before it can be signed." in text
    assert "its calibration ran out on 31 Jan 2026. 1 reading was taken with it after that" in text
    assert "Accept the readings" not in text
    assert "Sign as" not in text
    send = {"do": "accept_overdue", "instrument": old_set.pk, "version": measured.version}
    assert technician.post(url, {**send, "reason": "Fine"}).status_code == 403
    empty = competent.post(url, send)
    assert empty.status_code == 422
    assert "Say why these readings may count." in words(empty)
    assert not OverdueAcceptance.objects.exists()
    # What was changed since it was read is not accepted unread.
    read(bench, old_set, 1)
    stale = competent.post(url, {**send, "reason": "Checked"})
    assert stale.status_code == 422
    assert "changed since you read it" in words(stale)
    measured.refresh_from_db()
    done = competent.post(
        url, {**send, "reason": "Checked today", "version": measured.version}, follow=True
    )
    assert f"Accepted by {bench.competent.full_name}" in words(done)
    dispositions.propose_all(actor=bench.technician, inspection=measured)
    assert "Sign as" in words(technician.get(url))


def test_the_countersigning_waits_until_the_readings_are_accepted(
    bench: Bench, awaiting: Inspection, old_set: Instrument
) -> None:
    url, client = bench.url("countersign"), signed_in(bench.competent)
    text = words(client.get(url))
    assert f"Not yet: the readings with {old_set.identity} are to be accepted first" in text
    assert 'value="countersign"' not in client.get(url).content.decode()
    forced = client.post(url, {"do": "countersign", "version": awaiting.version})
    assert forced.status_code == 422
    assert "was overdue for calibration since 31 Jan 2026" in words(forced)
    send = {"do": "accept_overdue", "instrument": old_set.pk, "reason": "Checked today"}
    assert client.post(url, {**send, "instrument": 0}).status_code == 404
    assert client.post(url, {**send, "version": awaiting.version}).status_code == 302
    awaiting.refresh_from_db()
    assert 'value="countersign"' in client.get(url).content.decode()
    client.post(url, {"do": "countersign", "version": awaiting.version})
    awaiting.refresh_from_db()
    assert awaiting.state == "signed"
    report = words(signed_in(bench.auditor).get(bench.url("report")))
    assert (
        f"{old_set.identity}, Leaf set : calibration ran out on 31 Jan 2026; 1 reading taken with "
        f"it after that (side clearance). Accepted by {bench.competent.full_name}," in report
    )
    assert f"{old_set.identity} overdue since 31 Jan 2026" in report


def test_whoever_took_such_a_reading_is_told_why_there_is_no_form(
    bench: Bench, measured: Inspection, old_set: Instrument
) -> None:
    line = bench.line(make.SIDE)
    readings.record_tries(
        actor=bench.competent,
        inspection=measured,
        line=line.pk,
        position=line.positions[1],
        instrument=old_set,
        tries=make.bracketed("0.08", "0.09"),
    )
    text = words(signed_in(bench.competent).get(bench.url("sign")))
    assert "You took some of these readings yourself" in text
    assert "Accept the readings" not in text


def test_readings_since_the_acceptance_are_said_to_be_open(
    bench: Bench, measured: Inspection, old_set: Instrument
) -> None:
    overdue.accept_overdue(
        actor=bench.competent, inspection=measured, instrument=old_set, reason="Checked"
    )
    read(bench, old_set, 1)
    text = words(signed_in(bench.competent).get(bench.url("sign")))
    assert "Readings were taken with it since, and these are not accepted yet." in text
    assert "Accept the readings" in text
    report = words(signed_in(bench.auditor).get(bench.url("report")))
    assert "2 readings taken with it after that (side clearance). Not accepted." in report
