"""Likely causes where they are asked for: at the decision, the countersignature and on paper."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from typing import Any

import pytest

from inspections.rules.findings import Cause, Severity, Word
from inspections.services import findings
from tests import factories as make
from tests.web.bench import Bench, signed_in, words
from tests.web.client import queries_of

pytestmark = pytest.mark.django_db

PAGES = ("dispositions", "countersign", "report")
CHECK_ON = "Before the pump goes back, check on the machine:"


def record(bench: Bench, component: str, word: Word, cause: Cause | None = None) -> None:
    findings.record_finding(
        actor=bench.technician,
        inspection=bench.inspection,
        component=component,
        word=word,
        severity=Severity.LIGHT,
        cause=cause,
    )


@pytest.fixture
def dirty(bench: Bench) -> Bench:
    make.measure_all(bench.technician, bench.inspection, out=[make.CUT_IN])
    record(bench, "wear_plate_front", Word.SCORED)
    record(bench, "gears", Word.SCORED)
    record(bench, "shafts", Word.BENT)
    return bench


class Tags(HTMLParser):
    """The causes of a page: whether each stands open, and the tags left unclosed."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.opened: list[bool] = []
        self.stack: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        if tag == "details":
            self.opened.append("open" in dict(attrs))
        self.stack.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.stack.pop() == tag


def section(response: Any) -> str:
    found = re.search(r'<section class="flow causes".*?</section>', response.content.decode(), re.S)
    assert found is not None
    return found[0]


@pytest.mark.parametrize("page", PAGES)
def test_the_sentence_comes_first_and_each_cause_opens_to_its_signs(
    dirty: Bench, page: str
) -> None:
    response = signed_in(dirty.competent).get(dirty.url(page))
    text = words(response)
    assert "Likely causes The findings point to dirty oil first, then to over-pressure." in text
    assert "Contamination (dirty oil): 3 independent signs, 2 of them strong" in text
    assert "Wear plate, front: scored or scratched, light. Fine particles score rings" in text
    assert "Strong sign; TM 5-3805-262-34 p.4-264 ff." in text
    assert (
        "Cut-in depth, housing bore: out of limits. Dirt in the oil deepens the track fast." in text
    )
    assert "Not seen yet:" in text
    assert "An oil sample dirtier than 19/17/14 would confirm it" in text
    assert text.count(CHECK_ON) == 2
    assert "Never feel for a leak: hold card or wood at arm's length." in text
    assert text.count("Your site rules and licensed persons come first. This is advice") == 1
    tags = Tags(section(response))
    assert tags.stack == []
    # On paper nothing can be opened, so there all stand open.
    assert (
        tags.opened
        == (
            [True, True]
            if page == "report"
            else [
                True,
                False,
            ]
        )[: len(tags.opened)]
    )


@pytest.mark.parametrize("page", PAGES)
def test_where_nothing_was_found_one_sentence_says_so(bench: Bench, page: str) -> None:
    response = signed_in(bench.technician).get(bench.url(page))
    assert "Nothing found points to a cause." in words(response)
    assert CHECK_ON not in words(response)
    assert "<details" not in section(response)


def test_what_speaks_against_a_cause_is_told(bench: Bench) -> None:
    make.look_at_all(
        bench.technician, bench.inspection, defects={"gears": (Word.SCORED, Severity.LIGHT)}
    )
    text = words(signed_in(bench.technician).get(bench.url("dispositions")))
    assert "Against it: Wear plate, front: no defect. Dirty oil marks plates first." in text


def test_faint_causes_stand_together_below_the_others(bench: Bench) -> None:
    record(bench, "shafts", Word.FRETTING)
    record(bench, "seals", Word.EXTRUDED)
    response = signed_in(bench.technician).get(bench.url("dispositions"))
    text = words(response)
    assert "Misalignment : 1 sign, strong" in text
    assert "2 more with one sign each that has other causes too" in text
    assert "Over-pressure. Seals: extruded or nibbled, light. Too much pressure" in text
    assert text.count(CHECK_ON) == 1
    assert Tags(section(response)).opened == [True, False]


def test_whoever_named_a_cause_is_told_by_name_and_escaped(bench: Bench) -> None:
    bench.technician.full_name = "Ada <b>Fenn</b>"
    bench.technician.save()
    record(bench, "gears", Word.SCORED, Cause.CONTAMINATION)
    page = signed_in(bench.competent).get(bench.url("dispositions")).content.decode()
    assert "Ada &lt;b&gt;Fenn&lt;/b&gt; named it: gears (pair)." in page
    assert "Ada <b>Fenn" not in page


@pytest.mark.parametrize("page", PAGES)
def test_more_findings_cost_no_more_queries(bench: Bench, page: str) -> None:
    client = signed_in(bench.competent)
    make.look_at_all(bench.technician, bench.inspection)
    before = queries_of(client, bench.url(page))
    for component in ("gears", "shafts", "bushes"):
        record(bench, component, Word.SCORED, Cause.CONTAMINATION)
    assert queries_of(client, bench.url(page)) <= before
