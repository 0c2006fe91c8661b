"""What stands in the codes on our labels, and the order in which one walks along the bins."""

from __future__ import annotations

import re

_SEPARATOR = "/"
_BAG = re.compile(r"B:(\d{1,10})", re.IGNORECASE)

BinOrder = tuple[bool, tuple[tuple[bool, int, str], ...]]


def part_text(number: str, batch: str = "") -> str:
    """The text of a shelf label: `SK-100/L-7`, or the number alone for a part that does not age.

    Neither a part number nor a batch code holds a slash, so it comes apart again in one way.
    """
    return f"{number}{_SEPARATOR}{batch}" if batch else number


def read_part(text: str) -> tuple[str, str]:
    """(number, batch) of a scanned shelf label; batch "" where it names none."""
    number, separator, batch = text.strip().rpartition(_SEPARATOR)
    return (number.strip(), batch.strip().upper()) if separator else (batch.strip(), "")


def bag_text(inspection: int) -> str:
    """The text of a bag label: `B:17` for the parts of inspection 17."""
    return f"B:{inspection}"


def read_bag(text: str) -> int | None:
    """The inspection that a scanned bag label names; None for any other text."""
    found = _BAG.fullmatch(text.strip())
    return int(found[1]) if found else None


def bin_order(bin: str) -> BinOrder:
    """Sort key of a bin: A-2 before A-10, and what has no bin at the end."""
    pieces = re.findall(r"[0-9]+|[^0-9]+", bin.upper())
    return not bin, tuple(_piece_order(piece) for piece in pieces)


def _piece_order(piece: str) -> tuple[bool, int, str]:
    figures = piece[0] in "0123456789"
    return not figures, int(piece) if figures else 0, piece
