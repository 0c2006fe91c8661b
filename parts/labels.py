"""QR codes (ISO/IEC 18004) for labels, drawn as SVG that stands in the page."""

from __future__ import annotations

import segno
from django.utils.safestring import SafeString, mark_safe


def qr_svg(text: str) -> SafeString:
    """A QR code of `text`, error correction M, with the quiet zone of four modules it needs.

    It has no size of its own: the style sheet gives it one. Always black on white, so that a
    scanner reads it off a dark tablet too.
    """
    code = segno.make(text, error="m", micro=False)
    drawn = code.svg_inline(omitsize=True, border=4, dark="#000", light="#fff", svgclass="qr")
    return mark_safe(drawn)  # noqa: S308 - segno draws it; the text is in it as modules only
