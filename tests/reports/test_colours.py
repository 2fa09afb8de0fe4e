"""The colours of figures and pages, seen by readers who lack one kind of cone, and in grey print."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from planner.reports.colours import KINDS, LIGHTS, OUTLINE, PALE, RAMP, SHADES, SOFT, channels, shade

# Machado, Oliveira and Fernandes (2009), A physiologically-based model for simulation of color vision deficiency, IEEE
# Transactions on Visualization and Computer Graphics 15: 1291-1298; severity 1.0, on linear sRGB. The values were
# compared with those of the general library colorspacious 1.1.2 and agree to every digit.
SEEN = {
    "all cones": np.eye(3),
    "no long-wave cones": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "no middle-wave cones": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "no short-wave cones": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}
# IEC 61966-2-1: linear sRGB to CIE XYZ (D65).
XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
APART = 15.0
"""Least CIE 1976 colour difference of two kinds; common practice, no source (2.3 is just noticed side by side)."""


def linear(colour: str) -> np.ndarray:
    c = np.array(channels(colour)) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lab(light: np.ndarray) -> np.ndarray:
    xyz = XYZ @ np.clip(light, 0, 1) / XYZ.sum(axis=1)
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(first: str, second: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    high, low = sorted((float(XYZ[1] @ linear(c)) for c in (first, second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_simulation__knows_what_is_known() -> None:
    assert lab(np.ones(3)) == pytest.approx([100, 0, 0], abs=0.02)
    assert contrast("#FFFFFF", "#000000") == pytest.approx(21)
    assert contrast("#FFFFFF", "#777777") == pytest.approx(
        4.48, abs=0.01
    )  # WCAG working group's usual example
    for matrix in SEEN.values():  # white stays white
        assert matrix.sum(axis=1) == pytest.approx([1, 1, 1], abs=1e-5)
    red, green = linear("#C00000"), linear("#5C6B00")
    apart = [float(np.linalg.norm(lab(m @ red) - lab(m @ green))) for m in SEEN.values()]
    assert apart[0] > 60
    assert min(apart[1:3]) < 30  # red and olive come close without long- or middle-wave cones


@pytest.mark.parametrize("eye", list(SEEN))
@pytest.mark.parametrize(
    "colours", [KINDS, tuple(LIGHTS.values()), SHADES], ids=["kinds", "lights", "shades"]
)
def test_kinds__stay_apart_for_every_eye(eye: str, colours: tuple[str, ...]) -> None:
    seen = [lab(SEEN[eye] @ linear(c)) for c in colours]
    for a in range(len(seen)):
        for b in range(a):
            assert np.linalg.norm(seen[a] - seen[b]) > APART, (colours[a], colours[b])


def test_kinds__stand_out_from_paper() -> None:
    # WCAG 2.2, success criterion 1.4.11: 3 to 1 for what is needed to read a figure; 1.4.3: 4.5 to 1 for words.
    for colour in (*KINDS, *LIGHTS.values(), OUTLINE):
        assert contrast(colour, "#FFFFFF") >= 3, colour
    assert contrast(OUTLINE, PALE) >= 4.5
    assert contrast(SOFT, "#FFFFFF") >= 4.5
    for colour in SHADES:  # parts of a bar carry an outline
        assert max(contrast(colour, "#FFFFFF"), contrast(OUTLINE, "#FFFFFF")) >= 3


@pytest.mark.parametrize("eye", list(SEEN))
def test_amounts__darken_all_the_way_in_every_eye_and_in_grey(eye: str) -> None:
    light = [lab(SEEN[eye] @ linear(shade(x)))[0] for x in np.linspace(0, 1, 41)]
    assert all(a > b for a, b in pairwise(light))
    assert light[0] - light[-1] > 80
    steps = [lab(linear(c))[0] for c in SHADES]
    assert all(b - a > 15 for a, b in pairwise(steps))


def test_pages__use_the_same_ramp() -> None:
    text = (Path(__file__).parents[2] / "planner/web/static/heat.js").read_text(encoding="utf-8")
    found = re.search(r"stops = (\[\[.*?\]\])", text)
    assert found is not None
    numbers = [int(x) for x in re.findall(r"\d+", found[1])]
    assert numbers == [x for c in RAMP for x in channels(c)]
