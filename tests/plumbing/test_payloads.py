from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from enum import StrEnum

import pytest

from fleet.plumbing.payloads import decode, encode


class Side(StrEnum):
    DRIVE = "drive"


@dataclass(frozen=True)
class Line:
    part_id: int
    clearance_mm: Decimal


@dataclass(frozen=True)
class Closed:
    pump_id: int
    serial: str
    trainee: bool
    side: Side
    at: datetime
    on: date
    lines: tuple[Line, ...]
    note: str | None = None


CLOSED = Closed(
    pump_id=4,
    serial="HY-7",
    trainee=False,
    side=Side.DRIVE,
    at=datetime(2026, 3, 14, 9, 30, tzinfo=UTC),
    on=date(2026, 3, 14),
    lines=(Line(1, Decimal("0.120")), Line(2, Decimal("0.05"))),
)


def test_what_went_in_comes_out_through_real_json() -> None:
    payload = json.loads(json.dumps(encode(CLOSED)))
    assert payload["lines"] == [
        {"part_id": 1, "clearance_mm": "0.120"},
        {"part_id": 2, "clearance_mm": "0.05"},
    ]
    assert payload["at"] == "2026-03-14T09:30:00+00:00"
    back = decode(Closed, payload)
    assert back == CLOSED
    # Equal decimals can differ in digits; the last zero is part of the reading.
    assert str(back.lines[0].clearance_mm) == "0.120"
    assert back.side is Side.DRIVE


def test_an_unknown_field_is_ignored_and_a_missing_one_takes_its_default() -> None:
    payload = encode(CLOSED)
    del payload["note"]
    assert decode(Closed, {**payload, "added_later": 1}) == CLOSED


def test_a_missing_field_without_default_is_named() -> None:
    payload = encode(CLOSED)
    del payload["serial"]
    with pytest.raises(KeyError, match=r"Closed\.serial"):
        decode(Closed, payload)


@pytest.mark.parametrize("wrong", ["4", True, 4.0, None])
def test_a_value_of_another_type_is_refused(wrong: object) -> None:
    with pytest.raises(TypeError, match="cannot be read"):
        decode(Line, {"part_id": wrong, "clearance_mm": "1"})


@pytest.mark.parametrize(
    "value",
    [0.12, Decimal("NaN"), datetime(2026, 3, 14), b"x", [1]],  # noqa: DTZ001
)
def test_what_json_cannot_hold_exactly_is_refused(value: object) -> None:
    @dataclass(frozen=True)
    class Loose:
        value: object

    with pytest.raises(TypeError):
        encode(Loose(value))
