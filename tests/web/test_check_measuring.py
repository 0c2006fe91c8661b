"""One check on the page: chances, repeats, narrowing, computed checks, overdue instruments."""

from __future__ import annotations

import json
import re
from datetime import date
from typing import Any
from urllib.parse import quote

import pytest
from django.test import Client

from fleet.decisions import RuleKind
from fleet.services import rules
from fleet.services.sheets import LineDraft
from fleet.units import LengthUnit
from fleet.vocabulary import InstrumentKind
from inspections.models import Reading
from inspections.rules.trendprior import NormalPrior, Trend
from inspections.services import instruments, readings
from inspections.web import views_check
from tests import factories as make
from tests.web.bench import Bench, signed_in, words

pytestmark = pytest.mark.django_db
D = make.D


def at(bench: Bench, characteristic: str, place: int = 0, **query: object) -> str:
    line = bench.line(characteristic)
    more = "".join(f"&{name}={value}" for name, value in query.items())
    return f"{bench.url('check', line.pk)}?position={quote(line.positions[place])}{more}"


def tap(client: Client, url: str, bench: Bench, leaf: str, feel: str, **more: object) -> Any:
    return client.post(
        url,
        {"do": "try", "instrument": bench.leaf_set.pk, "leaf": leaf, "feel": feel, **more},
        follow=True,
    )


def for_bench(page: Any) -> Any:
    found = re.search(
        r'<script id="leaf-plan" type="application/json">(.*?)</script>', page.content.decode()
    )
    assert found is not None
    return json.loads(found[1])


def with_lines(bench: Bench, *more: LineDraft, **rule: Any) -> None:
    """The bench with another pump on it: a sheet with more lines, and a rule of its own."""
    model = make.make_model()
    sheet = make.make_issued_sheet(model, [*make.gear_lines(), *more])
    if rule:
        rules.choose_rule(actor=make.manager_of(bench.site), sheet=sheet, why="House rule", **rule)
    pump = make.make_pump(bench.site, model)
    bench.inspection = make.make_inspection(bench.technician, pump)


# --- Chances and the plan ------------------------------------------------------------------------


def test_the_chance_stands_beside_the_verdict_of_a_position(bench: Bench) -> None:
    client = signed_in(bench.technician)
    url = at(bench, make.SIDE)
    tap(client, url, bench, "0.10", "free")
    page = tap(client, url, bench, "0.20", "refuses")
    # Half of the bracket is within 0.15 mm; u is not known, so the line is clipped (JCGM 106, 7).
    assert "undecided 50 % chance of meeting the limit" in words(page)


def test_what_to_expect_is_said_before_the_first_leaf(bench: Bench) -> None:
    page = signed_in(bench.technician).get(at(bench, make.SIDE))
    # Up to 0.40 mm alike: 0.16 first, which decides 0.24 of 0.40; 0.15 to 0.16 stays open.
    assert "Expect 1.4 tries. Chance that this set leaves it undecided: 2 %." in words(page)


def test_the_table_comes_with_the_card(bench: Bench) -> None:
    client = signed_in(bench.technician)
    url = at(bench, make.SIDE)
    sheet = for_bench(client.get(url))
    assert (sheet["position"], sheet["repeat"], sheet["narrow"]) == ("drive 12 o'clock", 1, False)
    assert (sheet["unit"], sheet["limits"], sheet["tries"]) == ("mm", [None, 0.15], [])
    advised = sheet["plan"]["advices"][sheet["plan"]["cells"]["|"][1]]
    assert advised[1] in words(client.get(url))
    tap(client, url, bench, "0.10", "drag", second="0.06")
    sheet = for_bench(client.get(url))
    assert sheet["tries"] == [["0.06 + 0.10", "drag", 1]]
    # The stack laid by hand is in the table.
    assert "0.06 + 0.10" in sheet["plan"]["ends"]
    # Where no leaf decides by itself, there is no table and the page says so by its verdict.
    spread = for_bench(client.get(at(bench, make.WIDTHS, instrument=bench.leaf_set.pk)))
    assert spread["plan"] is None


def test_the_rule_of_the_sheet_guards_the_advice(bench: Bench) -> None:
    with_lines(bench, kind=RuleKind.GUARDED)
    client = signed_in(bench.technician)
    known = make.make_leaf_set(bench.site, make.METRIC_20, permissible_error=D("0.01"))
    page = client.get(at(bench, make.SIDE, instrument=known.pk))
    assert "rule: guarded acceptance, guard 1.645 standard uncertainties" in words(page)
    assert "with the guard that the rule asks for" in words(page)
    # 0.10 and 0.20 are clear of 0.15; what lies between is not: said before measuring.
    assert "You need a leaf between" in words(page)
    unknown = client.get(at(bench, make.SIDE, instrument=bench.leaf_set.pk))
    assert f"needs the permissible error of {bench.leaf_set.identity}" in words(unknown)
    assert "The rule of this sheet needs the permissible error of the leaves" in words(unknown)


def test_near_the_limit_is_said(bench: Bench) -> None:
    client = signed_in(bench.technician)
    line = bench.line(make.SIDE)
    for position in line.positions:
        readings.record_tries(
            actor=bench.technician,
            inspection=bench.inspection,
            line=line.pk,
            position=position,
            instrument=make.make_leaf_set(bench.site, [D("0.14"), D("0.15")]),
            tries=make.bracketed("0.14", "0.15"),
        )
    page = client.get(at(bench, make.SIDE))
    assert re.search(r'class="near">near the limit', page.content.decode())


# --- Narrowing and wear --------------------------------------------------------------------------


def test_narrowing_goes_on_after_the_verdict_without_a_script(bench: Bench) -> None:
    client = signed_in(bench.technician)
    url = at(bench, make.SIDE)
    tap(client, url, bench, "0.06", "free")
    page = tap(client, url, bench, "0.10", "refuses")
    assert "No further leaf is needed" in words(page)
    narrow = f"{url}&aim=narrow"
    page = client.get(narrow)
    assert "Try 0.08 mm, to narrow it." in words(page)
    assert "Go on to the verdict" in words(page)
    page = tap(client, narrow, bench, "0.08", "drag")
    # Still narrowing after the tap.
    assert "Try 0.09 mm, to narrow it." in words(page)
    assert for_bench(page)["narrow"] is True
    page = tap(client, narrow, bench, "0.09", "refuses")
    assert "No leaf of this set lies between the ends" in words(page)


def test_wear_is_offered_as_a_start_and_never_judges(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = signed_in(bench.technician)
    url = at(bench, make.SIDE)
    offer = "Use this pump's wear as a start"
    even = client.get(url)
    assert offer not in words(even)
    trend = Trend(NormalPrior(0.05, 0.01), "3 earlier readings lead to about 0.050 mm.")
    monkeypatch.setattr(views_check, "trend_at", lambda *args: trend)
    page = client.get(url)
    assert offer in words(page)
    assert trend.sentence in words(page)
    assert for_bench(page)["plan"] == for_bench(even)["plan"]
    worn = client.get(f"{url}&start=wear")
    assert for_bench(worn)["plan"]["advices"] != for_bench(even)["plan"]["advices"]
    assert "The first leaf is chosen by it; the verdict is not." in words(worn)
    # Kept for the other positions, until it is taken back.
    assert "Start without it" in words(client.get(at(bench, make.SIDE, 1)))
    tap(client, url, bench, "0.10", "free")
    page = tap(client, url, bench, "0.20", "refuses")
    # By the prior it would be certain; the verdict's chance is that of the bracket alone.
    assert "50 % chance of meeting the limit" in words(page)
    assert offer in words(client.get(f"{at(bench, make.SIDE, 1)}&start=even"))


# --- Repeats -------------------------------------------------------------------------------------


def test_a_position_measured_again_is_a_series_of_its_own(bench: Bench) -> None:
    client = signed_in(bench.technician)
    url = at(bench, make.SIDE)
    tap(client, url, bench, "0.08", "free")
    page = tap(client, url, bench, "0.10", "refuses")
    assert "Repeat this position" in words(page)
    again = f"{url}&repeat=2"
    page = client.get(again)
    assert for_bench(page)["repeat"] == 2
    assert "Series 1" in words(page)
    assert "Series 2: Try" in words(page)
    tap(client, url, bench, "0.09", "drag", repeat=2)
    page = tap(client, url, bench, "0.10", "refuses", repeat=2)
    assert "The 2 series agree: the reading is what all of them leave." in words(page)
    reading = Reading.objects.get()
    assert [t.get("repeat", 1) for t in reading.tries] == [1, 1, 2, 2]
    assert (reading.low, reading.high) == (D("0.09"), D("0.10"))
    # A third that fits neither.
    tap(client, url, bench, "0.15", "refuses", repeat=3)
    page = tap(client, url, bench, "0.10", "free", repeat=3)
    assert "The 3 series disagree" in words(page)
    reading = Reading.objects.get()
    assert (reading.low, reading.high) == (D("0.08"), D("0.15"))
    # The series in hand is the last one, and no number begins one further on.
    assert for_bench(client.get(f"{url}&repeat=9"))["repeat"] == 4
    assert for_bench(client.get(url))["repeat"] == 3


def test_repeats_of_a_value_stand_beside_the_first(bench: Bench) -> None:
    client = signed_in(bench.technician)
    url = at(bench, make.SHAFT_TO_BUSH)
    gauge = make.make_micrometer(bench.site)
    typed = {"instrument": gauge.pk, "unit": "mm"}
    assert "Add a repeat" not in words(client.get(url))
    refused = client.post(url, {"do": "repeat", **typed, "value_0": "20.06"})
    assert refused.status_code == 422
    assert "There is no value yet to repeat" in words(refused)
    client.post(url, {"do": "value", **typed, "value_0": "20.060", "value_1": "20.000"})
    assert "Add a repeat" in words(client.get(url))
    page = client.post(url, {"do": "repeat", **typed, "value_0": "20.063"}, follow=True)
    assert "Bore: Read 2 times: 20.060, 20.063. They lie 0.003 mm apart." in words(page)
    page = client.post(url, {"do": "repeat", **typed, "value_0": "20.061"}, follow=True)
    bore = Reading.objects.get(term="bore", replaced_at__isnull=True)
    assert bore.repeats == [D("20.060"), D("20.063"), D("20.061")]
    assert (bore.low, bore.high) == (D("20.060"), D("20.063"))
    assert "bore 20.060 to 20.063 mm; journal 20.000 mm" in words(page)
    # The journal was not measured again.
    assert Reading.objects.get(term="journal").replaced_at is None
    for change, sentence in (
        ({"unit": "in"}, "Enter the repeat in mm too."),
        ({"instrument": make.make_micrometer(bench.site).pk}, "Repeat it with the same"),
        ({"value_0": ""}, "Enter the bore or the journal."),
        ({"value_0": "20.x"}, "is not a length"),
    ):
        answer = client.post(url, {"do": "repeat", **typed, "value_0": "20.06", **change})
        assert answer.status_code == 422
        body = answer.content.decode()
        beside = body[body.index('id="again_value_0"') :]
        assert sentence in beside[: beside.index("</div>")]
    assert Reading.objects.filter(term="bore", replaced_at__isnull=True).count() == 1


# --- Computed checks -----------------------------------------------------------------------------

TERMS = ("housing depth", "gear width", "front plate", "rear plate", "shim one", "shim two")


def test_a_check_computed_from_six_readings(bench: Bench) -> None:
    stack = LineDraft(
        characteristic="own",
        name="End float by sums",
        component="gears",
        judged_by="difference",
        unit="mm",
        page="18",
        instrument_kind="micrometer",
        limit_high=D("0.15"),
        positions=("drive",),
        terms=TERMS,
        allowance=D("0.02"),
    )
    with_lines(bench, stack)
    micrometer = make.make_micrometer(bench.site)
    client = signed_in(bench.technician)
    url = at(bench, "own")
    page = client.get(url)
    assert "<h1>End float by sums</h1>" in page.content.decode()
    assert f"is {' less '.join(TERMS)}, with 0.02 mm added" in words(page)
    assert "Keep all" in words(page)
    figures = ("40.100", "19.990", "10.000", "10.000", "0.020", "0.020")
    typed = {f"value_{n}": figure for n, figure in enumerate(figures)}
    sent = {"do": "value", "instrument": micrometer.pk, "unit": "mm"}
    nothing = client.post(url, sent)
    assert "Enter at least one of them." in words(nothing)
    page = client.post(url, {**sent, **typed}, follow=True)
    # 40.100 - 19.990 - 10 - 10 - 0.020 - 0.020 + 0.020 = 0.090.
    assert "within limits" in words(page)
    assert str(bench.inspection.verdicts.get().low) == "0.090"


def test_a_check_that_is_judged_from_the_readings_of_another(bench: Bench) -> None:
    apart = LineDraft(
        characteristic="side_out_of_parallel",
        component="wear_plate_front",
        judged_by="spread",
        unit="mm",
        page="14",
        limit_high=D("0.05"),
        positions=make.gear_lines()[0].positions,
        readings_from=make.SIDE,
    )
    with_lines(bench, apart)
    client = signed_in(bench.technician)
    url = bench.url("check", bench.line("side_out_of_parallel").pk)
    side = bench.line(make.SIDE)
    page = client.get(url)
    assert "it is computed from the readings of side clearance" in words(page)
    assert bench.url("check", side.pk) in page.content.decode()
    assert 'class="feel ' not in page.content.decode()
    assert "drive 6 o'clock not measured" in words(page)
    tap(client, at(bench, make.SIDE), bench, "0.06", "free")
    tap(client, at(bench, make.SIDE), bench, "0.07", "refuses")
    page = client.get(url)
    assert "drive 12 o'clock 0.06 enters, 0.07 mm does not" in words(page)
    # One stop on the way through the checks, whatever the number of positions.
    last = client.get(url, {"position": side.positions[-1]})
    assert [last.context["back"].label, last.context["next"].label] == [
        page.context["back"].label,
        page.context["next"].label,
    ]
    # A value sent to it all the same is refused where it stands.
    sent = {"do": "value", "instrument": make.make_micrometer(bench.site).pk, "unit": "mm"}
    assert client.post(url, {**sent, "value_0": "0.1"}).status_code in {409, 422}
    assert Reading.objects.filter(line__characteristic="side_out_of_parallel").count() == 0


# --- Instruments ---------------------------------------------------------------------------------


def test_an_overdue_instrument_is_marked_where_it_is_chosen_and_where_it_was_used(
    bench: Bench,
) -> None:
    late = make.make_leaf_set(bench.site, make.METRIC_20, calibration_due_on=date(2026, 1, 3))
    client = signed_in(bench.technician)
    url = at(bench, make.SIDE, instrument=late.pk)
    page = client.get(url)
    body = page.content.decode()
    option = re.search(rf'<option value="{late.pk}"[^>]*>([^<]*)', body)
    assert option is not None
    assert option[1].endswith("(calibration was due 3 Jan 2026)")
    assert f"{late.identity}: calibration was due 3 Jan 2026. Readings are kept" in words(page)
    here = re.search(rf'<option value="{bench.leaf_set.pk}"[^>]*>([^<]*)', body)
    assert here is not None
    assert "calibration" not in here[1]
    page = client.post(
        url, {"do": "try", "instrument": late.pk, "leaf": "0.10", "feel": "free"}, follow=True
    )
    assert (
        f"{late.identity}: calibration was due 3 Jan 2026. The reading is kept and marked."
        in words(page)
    )


def test_the_limit_is_shown_in_the_unit_of_the_instrument_in_hand(bench: Bench) -> None:
    leaf_set = instruments.add_instrument(
        actor=bench.competent,
        site=bench.site,
        identity="LEAF-UM",
        name="Leaf set marked in micrometres",
        kind=InstrumentKind.FEELER,
        unit=LengthUnit.UM,
        leaves=[D("100"), D("150"), D("200")],
    )
    client = signed_in(bench.technician)
    own = words(client.get(at(bench, make.SIDE)))
    assert "at most 0.15 mm" in own
    assert "in the unit of" not in own
    other = words(client.get(at(bench, make.SIDE, instrument=leaf_set.pk)))
    # The limit as printed stays where it is; 0.15 mm is 150 µm.
    assert "at most 0.15 mm 150 µm, in the unit of LEAF-UM" in other
    assert bench.line(make.SIDE).limit_high == D("0.15")
