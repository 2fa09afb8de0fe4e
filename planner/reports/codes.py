"""A QR code as SVG (ISO/IEC 18004), with its white edge."""

from __future__ import annotations

import io

QUIET = 4
"""Squares of white around a QR code."""


def qr_svg(text: str) -> bytes:
    """Return the QR code of a text as SVG; a square is one unit of its view box."""
    import segno

    out = io.BytesIO()
    segno.make_qr(text, error="m", boost_error=False).save(
        out, kind="svg", border=QUIET, xmldecl=False, omitsize=True
    )
    return out.getvalue()


def qr_squares(text: str) -> int:
    """Return how many squares wide the QR code of a text is, without its white edge."""
    import segno

    return int(segno.make_qr(text, error="m", boost_error=False).symbol_size(border=0)[0])
