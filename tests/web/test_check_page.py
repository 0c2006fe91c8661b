"""One check on the page: decided with forms alone, refused in place, nothing lost or doubled."""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import quote

import pytest
from django.test import Client

from fleet.plumbing.models import IdempotencyKey
from fleet.plumbing.problems import Busy
from inspections.models import Reading
from inspections.services import readings
from tests import factories as make
from tests.web.bench import Bench, signed_in, words

pytestmark = pytest.mark.django_db


def tap(client: Client, url: str, bench: Bench, leaf: str, feel: str, **more: str) -> Any:
    return client.post(
        url,
        {"do": "try", "instrument": bench.leaf_set.pk, "leaf": leaf, "feel": feel, **more},
        follow=True,
    )


def test_a_feeler_check_is_decided_with_forms_alone(bench: Bench) -> None:
    client = signed_in(bench.technician)
    line = bench.line(make.SIDE)
    address = bench.url("check", line.pk)

    page = client.get(address)
    assert "at most 0.15 mm" in words(page)
    assert "page 14" in words(page)
    assert "as new: 0.05 to 0.10 mm" in words(page)
    assert "Nothing is measured at drive 12 o'clock yet." in words(page)

    for position in line.positions:
        url = f"{address}?position={quote(position)}"
        tap(client, url, bench, "0.08", "drag")
        page = tap(client, url, bench, "0.09", "refuses")
        assert page.redirect_chain[0][1] == 302
        assert "0.08 enters, 0.09 mm does not" in words(page)
    assert "All of the bracket meets the limit, so this is within limits." in words(page)
    assert 'class="bracket-plot bracket-plot--within"' in page.content.decode()

    taken = Reading.objects.filter(inspection=bench.inspection, line=line)
    assert [(r.position, str(r.low), str(r.high)) for r in taken] == [
        (position, "0.08", "0.09") for position in line.positions
    ]
    assert bench.inspection.verdicts.get(line=line).outcome == "within"


def test_two_leaves_laid_together_are_one_try(bench: Bench) -> None:
    client = signed_in(bench.technician)
    line = bench.line(make.SIDE)
    url = f"{bench.url('check', line.pk)}?position={quote(line.positions[0])}"
    tap(client, url, bench, "0.10", "drag", second="0.06")
    # The advised stack is a button of its own, its leaves in one value.
    tap(client, url, bench, "0.08 + 0.09", "refuses")
    assert Reading.objects.get().tries == [
        {"leaves": ["0.10", "0.06"], "feel": "drag"},
        {"leaves": ["0.08", "0.09"], "feel": "refuses"},
    ]


def test_the_last_try_is_taken_back(bench: Bench) -> None:
    client = signed_in(bench.technician)
    line = bench.line(make.SIDE)
    url = f"{bench.url('check', line.pk)}?position={quote(line.positions[0])}"
    tap(client, url, bench, "0.08", "drag")
    tap(client, url, bench, "0.09", "refuses")
    client.post(url, {"do": "take_back"})
    reading = Reading.objects.get(replaced_at__isnull=True)
    assert [t["leaves"] for t in reading.tries] == [["0.08"]]


def test_the_same_request_sent_twice_acts_once(bench: Bench) -> None:
    client = signed_in(bench.technician)
    line = bench.line(make.SIDE)
    url = f"{bench.url('check', line.pk)}?position={quote(line.positions[0])}"
    for leaf in ("0.06", "0.07", "0.08"):
        tap(client, url, bench, leaf, "free")
    first = client.post(url, {"do": "take_back"}, headers={"Idempotency-Key": "one"})
    again = client.post(url, {"do": "take_back"}, headers={"Idempotency-Key": "one"})
    assert (first.status_code, again.status_code) == (302, 302)
    assert again["Idempotent-Replay"] == "true"
    reading = Reading.objects.get(replaced_at__isnull=True)
    assert [t["leaves"] for t in reading.tries] == [["0.06"], ["0.07"]]


def test_the_key_in_a_form_makes_a_double_submit_act_once(bench: Bench) -> None:
    client = signed_in(bench.technician)
    line = bench.line(make.SIDE)
    url = f"{bench.url('check', line.pk)}?position={quote(line.positions[0])}"
    for leaf in ("0.06", "0.07", "0.08"):
        tap(client, url, bench, leaf, "free")
    for _ in range(2):
        client.post(url, {"do": "take_back", "request_key": "form-7"})
    assert len(Reading.objects.get(replaced_at__isnull=True).tries) == 2
    assert client.cookies["wearbook_done"].value == "form-7"


def test_a_reading_that_another_request_holds_up_may_be_sent_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = signed_in(bench.technician)
    line = bench.line(make.SIDE)
    url = f"{bench.url('check', line.pk)}?position={quote(line.positions[0])}"

    def held(**kwargs: Any) -> None:
        raise Busy("Somebody is working on the same record. Send the same request again.")

    asked = {"do": "try", "instrument": bench.leaf_set.pk, "leaf": "0.08", "feel": "free"}
    with monkeypatch.context() as patched:
        patched.setattr(readings, "add_try", held)
        answer = client.post(url, asked, headers={"Idempotency-Key": "three"})
    # Not 422: the script of the page drops what was refused, and keeps what was held up.
    assert (answer.status_code, answer["Retry-After"]) == (409, "2")
    assert client.post(url, asked, headers={"Idempotency-Key": "three"}).status_code == 302
    assert Reading.objects.get().low == make.D("0.08")


def test_a_refused_request_is_not_kept_under_its_key(bench: Bench) -> None:
    client = signed_in(bench.technician)
    line = bench.line(make.SIDE)
    url = f"{bench.url('check', line.pk)}?position={quote(line.positions[0])}"
    refused = client.post(
        url,
        {"do": "try", "instrument": bench.leaf_set.pk, "leaf": "0.11", "feel": "free"},
        headers={"Idempotency-Key": "two"},
    )
    assert refused.status_code == 422
    assert not IdempotencyKey.objects.filter(key="two").exists()


def test_a_refusal_stands_beside_its_field_and_keeps_what_was_typed(bench: Bench) -> None:
    client = signed_in(bench.technician)
    line = bench.line(make.SHAFT_TO_BUSH)
    micrometer = make.make_micrometer(bench.site)
    response = client.post(
        bench.url("check", line.pk),
        {
            "do": "value",
            "instrument": micrometer.pk,
            "unit": "mm",
            "value_0": "20,060",
            "value_1": "20.0x",
        },
    )
    body = response.content.decode()
    assert response.status_code == 422
    beside = body[body.index('name="value_1"') :]
    assert "is not a length" in beside[: beside.index("</div>")]
    assert 'value="20,060"' in body
    assert 'value="20.0x"' in body
    assert Reading.objects.count() == 0


def test_a_leaf_that_contradicts_the_tries_is_refused_beside_the_leaves(bench: Bench) -> None:
    client = signed_in(bench.technician)
    line = bench.line(make.SIDE)
    url = f"{bench.url('check', line.pk)}?position={quote(line.positions[0])}"
    tap(client, url, bench, "0.08", "refuses")
    response = client.post(
        url, {"do": "try", "instrument": bench.leaf_set.pk, "leaf": "0.10", "feel": "free"}
    )
    body = response.content.decode()
    assert response.status_code == 422
    leaves = body[body.index('<fieldset class="leaves"') :]
    assert "0.10 entered although the thinner 0.08 did not" in leaves[: leaves.index("</fieldset>")]
    assert re.search(r'name="leaf" value="0\.10"[^>]*\bchecked', body)
    assert len(Reading.objects.get().tries) == 1


def test_both_terms_of_a_difference_are_kept_with_a_decimal_comma(bench: Bench) -> None:
    client = signed_in(bench.technician)
    line = bench.line(make.SHAFT_TO_BUSH)
    micrometer = make.make_micrometer(bench.site)
    typed = {"do": "value", "instrument": micrometer.pk, "unit": "mm"}
    url = bench.url("check", line.pk)
    client.post(url, {**typed, "value_0": "20,060", "value_1": ""})
    # Sent along unchanged, the first term is not measured anew.
    client.post(url, {**typed, "value_0": "20.060", "value_1": "20,000"})
    assert [(r.term, str(r.low), r.replaced_at) for r in Reading.objects.order_by("id")] == [
        ("bore", "20.060", None),
        ("journal", "20.000", None),
    ]
    assert bench.inspection.verdicts.get(line=line).outcome == "within"


def test_the_instrument_in_hand_is_remembered(bench: Bench) -> None:
    client = signed_in(bench.technician)
    other = make.make_leaf_set(bench.site, make.METRIC_20)
    line = bench.line(make.SIDE)
    address = bench.url("check", line.pk)
    first = client.get(address)
    assert first.context["instrument"] == bench.leaf_set
    client.get(f"{address}?instrument={other.pk}")
    assert client.get(address).context["instrument"] == other
    # At another check of the same kind as well.
    assert (
        client.get(bench.url("check", bench.line(make.BACKLASH).pk)).context["instrument"] == other
    )


def test_what_a_set_cannot_decide_is_said_before_measuring(bench: Bench) -> None:
    only = make.make_leaf_set(bench.site, [make.D("0.10"), make.D("0.30")])
    page = signed_in(bench.technician).get(
        f"{bench.url('check', bench.line(make.SIDE).pk)}?instrument={only.pk}"
    )
    assert "This leaf set cannot decide a gap between 0.10 mm and 0.30 mm" in words(page)


def test_htmx_gets_the_card_alone(bench: Bench) -> None:
    client = signed_in(bench.technician)
    response = client.get(
        bench.url("check", bench.line(make.SIDE).pk), headers={"HX-Request": "true"}
    )
    assert response.content.decode().lstrip().startswith('<article class="check-card"')
    assert "HX-Request" in response["Vary"]


def test_only_who_may_waive_is_offered_to(bench: Bench) -> None:
    line = bench.line(make.SIDE)
    readings.record_tries(
        actor=bench.technician,
        inspection=bench.inspection,
        line=line.pk,
        position=line.positions[0],
        instrument=bench.leaf_set,
        tries=make.bracketed("0.10", "0.20"),
    )
    url = bench.url("check", line.pk)
    asked = {"do": "waive", "reason": "Plates are replaced anyway"}
    technician = signed_in(bench.technician)
    assert "Let it stand undecided" not in words(technician.get(url))
    assert technician.post(url, asked).status_code == 403
    competent = signed_in(bench.competent)
    assert "Let it stand undecided" in words(competent.get(url))
    assert competent.post(url, asked).status_code == 302
    assert bench.inspection.verdicts.get(line=line).waived_by == bench.competent


# --- A real tablet -------------------------------------------------------------------------------


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_taps_made_without_network_arrive_exactly_once(
    bench: Bench, browser: Any, live_server: Any
) -> None:
    client = signed_in(bench.technician)
    context = browser.new_context(viewport={"width": 820, "height": 1180})
    context.add_cookies(
        [
            {
                "name": "sessionid",
                "value": client.cookies["sessionid"].value,
                "url": live_server.url,
            }
        ]
    )
    page = context.new_page()
    line = bench.line(make.SIDE)
    address = f"{live_server.url}{bench.url('check', line.pk)}?position={quote(line.positions[0])}"
    page.goto(address)

    def touch(leaf: str, feel: str) -> None:
        page.locator(f'label.leaf:has(input[name="leaf"][value="{leaf}"])').click()
        page.click(f"#feel-{feel}")

    def tried() -> list[list[str]]:
        reading = Reading.objects.filter(replaced_at__isnull=True).first()
        return [] if reading is None else [t["leaves"] for t in reading.tries]

    touch("0.06", "free")
    # Shown at once, and plain once the server has it.
    page.wait_for_selector(".tried__one:not(.tried__one--sent)")
    context.set_offline(True)
    page.wait_for_timeout(700)
    touch("0.07", "free")
    page.wait_for_timeout(700)
    touch("0.08", "drag")
    page.wait_for_selector("text=2 readings wait for the network.")
    assert tried() == [["0.06"]]

    # The first answer after the network is back gets lost: the server has acted, nobody knows.
    lost = []

    def lose_one(route: Any) -> None:
        if route.request.method == "POST" and not lost:
            lost.append(route.fetch(max_redirects=0).status)
            route.abort()
        else:
            route.continue_()

    page.route("**/checks/**", lose_one)
    context.set_offline(False)
    page.wait_for_timeout(1500)
    assert lost == [302]
    # A reload in between sends what is still waiting, under the keys it had before.
    page.goto(address)
    page.wait_for_selector("[data-waiting]", state="hidden")
    page.wait_for_selector(".tried__one:not(.tried__one--sent) >> text=0.08")
    assert tried() == [["0.06"], ["0.07"], ["0.08"]]
    assert IdempotencyKey.objects.count() == 3
    context.close()
