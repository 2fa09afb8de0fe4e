"""The map of the waters as a figure to keep: a sign and a colour for each light."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from planner.reports.colours import LIGHTS, OUTLINE

SIGNS = {
    "good": ("green", '<circle r="9" fill="{0}"/>', "may receive fish"),
    "doubt": ("amber", '<path d="M0 -11 11 9 -11 9z" fill="{0}"/>', "a person looks first"),
    "bad": ("red", '<rect x="-9" y="-9" width="18" height="18" fill="{0}"/>', "not on this day"),
}
"""Colour, sign and words of each state."""


def waters_svg(points: Sequence[tuple[str, str, float, float]], wide: float, high: float, day: str) -> str:
    """Draw waters at their places, north up.

    Parameters
    ----------
    points : sequence of (name, state, x, y)
        ``good``, ``doubt`` or ``bad``; places in the units of the drawing.
    wide, high : float
        Size of the drawing.
    day : str
        ISO date of the lights.
    """
    said = f"Map of {len(points)} waters, north up, with their light for a release on {day}."
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide:g}" height="{high + 40:g}" viewBox="0 0 {wide:g} {high + 40:g}" '
        f'font-family="Atkinson Hyperlegible, sans-serif" font-size="16" fill="{OUTLINE}"><desc>{escape(said)}</desc>',
        f'<rect width="{wide:g}" height="{high + 40:g}" fill="#FFFFFF"/>',
    ]
    for k, (name, state, x, y) in enumerate(points):
        light, sign, _ = SIGNS.get(state, SIGNS["bad"])
        left = x > 0.84 * wide
        anchor = ' text-anchor="end"' if left else ""
        parts.append(
            f'<g transform="translate({x:.1f} {y:.1f})">{sign.format(LIGHTS[light])}'
            f'<text x="{-15 if left else 15}" y="{6 if k % 2 else -8}"{anchor}>{escape(name)}</text></g>'
        )
    for k, (light, sign, words) in enumerate(SIGNS.values()):
        parts.append(
            f'<g transform="translate({20 + k * 220} {high + 20:g})">{sign.format(LIGHTS[light])}<text x="16" y="6">{words}</text></g>'
        )
    return "".join([*parts, "</svg>\n"])
