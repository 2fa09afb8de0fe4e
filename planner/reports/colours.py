"""Colours of all figures, and why they may be told apart.

Kinds never rest on colour alone: a shape, a dash or a word goes with it. Every colour of a kind has a contrast of 3
to 1 and more with white paper (WCAG 2.2, success criterion 1.4.11), and any two stay apart for readers who lack one
kind of cone (matrices of Machado, Oliveira and Fernandes 2009; `tests/reports/test_colours.py` holds both). Amounts
grow from pale to dark, so that they are read in grey print too: darker is more, in every figure and on the pages.
"""

from __future__ import annotations

KINDS = ("#12507A", "#D4581A", "#2A9C86", "#7A4FB5", "#8A6A4A", "#6A1020")
"""Kinds: deep pool, copper, water, loosestrife, gravel, wine."""
RAMP = ("#F6F4EE", "#B2D0CE", "#568E98", "#184856", "#06161E")
"""Amounts from pale gravel through water to the deep pool; the same steps as ``web/static/heat.js``."""
SHADES = ("#0E2F3A", "#4B8490", "#9CC4C3", "#EEF0E9")
"""Parts of a whole, from the first to the rest; drawn with an outline."""
OUTLINE = "#16262B"
"""Ink: outlines, words and reference lines."""
SOFT = "#4B5C61"
"""Words of less weight."""
PALE = "#D9E6E4"
"""Bands and ground behind marks; never carries a value alone."""
LIGHTS = {"green": "#2A9C86", "amber": "#A87A00", "red": "#8A1538"}
"""Lights; each with a shape of its own."""


def channels(colour: str) -> tuple[int, int, int]:
    """Return red, green and blue of ``#RRGGBB``, 0 to 255."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def shade(part: float) -> str:
    """Return the colour of an amount, 0 (least) to 1 (most), on `RAMP`."""
    x = min(max(part, 0.0), 1.0) * (len(RAMP) - 1)
    k = min(int(x), len(RAMP) - 2)
    pairs = zip(channels(RAMP[k]), channels(RAMP[k + 1]), strict=True)
    return "#" + "".join(f"{round(a + (x - k) * (b - a)):02X}" for a, b in pairs)
