"""The next leaf over HTTP: what it rests on, for which series, and what for."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from fleet.decisions import RuleKind
from fleet.services import rules
from inspections.models import Reading
from tests import factories as make
from tests.inspections.conftest import Bench, Client

pytestmark = pytest.mark.django_db
D = make.D


def asked(client: Client, inspection: Any, leaf_set: Any, **more: Any) -> Any:
    line = make.line_named(inspection, make.SIDE)
    return client.get(
        f"inspections/{inspection.pk}/next-leaf",
        line=line.pk,
        position=line.positions[0],
        instrument=leaf_set.pk,
        **more,
    ).json()


def test_advice_under_the_rule_of_the_inspection(bench: Bench, as_: Callable[..., Client]) -> None:
    rules.choose_rule(
        actor=make.manager_of(bench.site),
        sheet=bench.pump.model.sheets.get(),
        kind=RuleKind.GUARDED,
        why="House rule",
    )
    inspection = make.make_inspection(bench.technician, bench.pump)
    client = as_(bench.technician)
    unknown = asked(client, inspection, make.make_leaf_set(bench.site))
    assert (unknown["kind"], unknown["p_undecided"]) == ("cannot_decide", 1.0)
    assert "permissible error" in unknown["sentence"]
    coarse = make.make_leaf_set(
        bench.site, [D("0.14"), D("0.16"), D("0.30")], permissible_error=D("0.012")
    )
    # u = 0.012 / sqrt 3, guard 1.645 u = 0.0114 mm: 0.14 and 0.16 are too near to 0.15.
    found = asked(client, inspection, coarse)
    assert found["leaves"] == ["0.30"]
    assert found["outcome"] == "undecided"
    assert found["probability"] is None
    assert found["prospect"].startswith("Expect one try.")
    assert found["wanted"] == [
        {"low": "0", "high": "0.1386"},
        {"low": "0.1614", "high": "0.30"},
    ]
    assert found["set_gap"]["wanted"] == found["wanted"]
    assert found["wear"] == ""


def test_narrowing_and_series(bench: Bench, as_: Callable[..., Client]) -> None:
    inspection = make.make_inspection(bench.technician, bench.pump)
    leaf_set = make.make_leaf_set(bench.site)
    client = as_(bench.technician)
    line = make.line_named(inspection, make.SIDE)
    answer = client.post(
        f"inspections/{inspection.pk}/readings",
        {
            "line": line.pk,
            "position": line.positions[0],
            "instrument": leaf_set.pk,
            "tries": [
                {"leaves": ["0.06"], "feel": "free"},
                {"leaves": ["0.10"], "feel": "refuses"},
                {"leaves": ["0.20"], "feel": "refuses", "repeat": 2},
            ],
        },
    )
    assert answer.status_code == 201, answer.json()
    assert [t.get("repeat", 1) for t in Reading.objects.get().tries] == [1, 1, 2]
    first = asked(client, inspection, leaf_set, repeat=1)
    assert (first["kind"], first["outcome"]) == ("decided", "within")
    narrower = asked(client, inspection, leaf_set, repeat=1, narrow=True)
    assert (narrower["kind"], narrower["leaves"]) == ("try", ["0.08"])
    # Without a number: the series taken last.
    assert asked(client, inspection, leaf_set)["kind"] == "try"
    assert asked(client, inspection, leaf_set, expect_wear=True)["kind"] == "try"


def test_a_value_with_its_repeats(bench: Bench, as_: Callable[..., Client]) -> None:
    inspection = make.make_inspection(bench.technician, bench.pump)
    line = make.line_named(inspection, make.SHAFT_TO_BUSH)
    answer = as_(bench.technician).post(
        f"inspections/{inspection.pk}/readings",
        {
            "line": line.pk,
            "position": line.positions[0],
            "term": "bore",
            "instrument": make.make_micrometer(bench.site).pk,
            "value": "20.060",
            "repeats": ["20.063", "20.061"],
            "unit": "mm",
        },
    )
    assert answer.status_code == 201, answer.json()
    reading = Reading.objects.get()
    assert (reading.low, reading.high) == (D("20.060"), D("20.063"))
    assert reading.repeats == [D("20.060"), D("20.063"), D("20.061")]
