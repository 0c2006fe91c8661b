"""Numbers of parts, as they are typed, scanned and stored."""

from __future__ import annotations


def normalised(number: str) -> str:
    """A number as the catalogue writes it: capitals, and one space where there are several."""
    return " ".join(number.split()).upper()
