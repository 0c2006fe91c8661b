"""From which pump to which one a part fits."""

from __future__ import annotations

import re

LARGEST_SERIAL = 10**18
_LAST_FIGURES = re.compile(r"(\d{1,18})\D*$")


def serial_figures(serial: str) -> int | None:
    """The last run of figures in a serial number, by which makers count; None when there is none.

    Of more than 18 figures the last 18. Source: "from serial 104500 up" in parts lists (common
    practice, no source).
    """
    found = _LAST_FIGURES.search(serial)
    return int(found.group(1)) if found else None


def covers(serial_from: int | None, serial_to: int | None, figures: int | None) -> bool:
    """Whether a range, both ends included and None unbounded, holds a pump's figures.

    A serial without figures is held by a range without bounds only.
    """
    if figures is None:
        return serial_from is None and serial_to is None
    return (serial_from is None or serial_from <= figures) and (
        serial_to is None or figures <= serial_to
    )


Serials = tuple[int | None, int | None]


def overlap(one: Serials, other: Serials) -> bool:
    """Whether two ranges, both ends included and None unbounded, have a serial in common."""
    (a, b), (c, d) = one, other
    return (a is None or d is None or a <= d) and (c is None or b is None or c <= b)


def range_words(serial_from: int | None, serial_to: int | None) -> str:
    """A range in words: 'all serials', 'serial 100 and up', 'serials 100 to 200'."""
    if serial_from is None and serial_to is None:
        return "all serials"
    if serial_to is None:
        return f"serial {serial_from} and up"
    if serial_from is None:
        return f"serials up to {serial_to}"
    if serial_from == serial_to:
        return f"serial {serial_from}"
    return f"serials {serial_from} to {serial_to}"
