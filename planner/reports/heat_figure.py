"""A heat map drawn as vectors: one path for each shade, so that thousands of cells stay a small file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
import pandas as pd

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from planner.reports.colours import OUTLINE, SOFT, shade

MOST_HEAT_ROWS = 400
STEPS = 40
SIDE = 500
LABEL = 7.0
"""Size of the names; they are left out one by one where they would not fit."""


@dataclass(frozen=True)
class HeatMap:
    """Kinship of every pair as squares, darker for closer relatives.

    Parameters
    ----------
    kinship : ndarray, float64, shape (n, n)
        Kinship, 0 to 1.
    labels : tuple of str, length n
        Fish, in the order drawn.
    title : str
        Heading; empty for none.

    Raises
    ------
    ShapeError
        If the matrix is not square or the labels do not fit.
    ValueRangeError
        If there are more than 400 rows: group fish by family first.
    """

    kinship: FloatArray
    labels: tuple[str, ...]
    title: str = ""

    def __post_init__(self) -> None:
        n = len(self.labels)
        if self.kinship.shape != (n, n):
            raise ShapeError(f"kinship: found shape {self.kinship.shape}. Expected ({n}, {n}).")
        if n > MOST_HEAT_ROWS:
            raise ValueRangeError(
                f"kinship heat map: found {n} fish. Expected at most {MOST_HEAT_ROWS}. Group fish by family first."
            )

    @property
    def highest(self) -> float:
        """Highest kinship of two different fish."""
        if len(self.labels) < 2:
            return 0.0
        return float(self.kinship[~np.eye(len(self.labels), dtype=bool)].max())

    @property
    def top(self) -> float:
        """Kinship drawn darkest."""
        return max(0.25, self.highest)

    @property
    def description(self) -> str:
        """The sentence that stands in for it."""
        return (
            f"Heat map of kinship between {len(self.labels)} fish, highest off the diagonal {self.highest:.3f}; "
            "darker is more closely related."
        )

    def table(self) -> pd.DataFrame:
        """Return every pair once, and each fish with itself."""
        i, j = np.triu_indices(len(self.labels))
        names = np.array(self.labels, dtype=object)
        return pd.DataFrame({"fish": names[i], "with": names[j], "kinship": self.kinship[i, j]})

    def svg(self) -> str:
        """Return the figure as SVG text."""
        n = max(len(self.labels), 1)
        cell = min(28.0, SIDE / n)
        side, top = cell * n, 26 if self.title else 6
        room = 10 + 4.2 * max((len(_short(name)) for name in self.labels), default=0)
        width, height = side + room + 96, side + top + room
        parts = [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.0f}" height="{height:.0f}" '
            f'viewBox="0 0 {width:.0f} {height:.0f}" font-family="Atkinson Hyperlegible, sans-serif">',
            f"<desc>{escape(self.description)}</desc>",
        ]
        if self.title:
            parts.append(
                f'<text x="{room:g}" y="15" font-size="13" font-weight="bold">{escape(self.title)}</text>'
            )
        parts.append(f'<g transform="translate({room:g} {top})">')
        parts.append(f'<rect width="{side:g}" height="{side:g}" fill="{shade(0)}"/>')
        parts.append(f'<g transform="scale({cell:.6g})" shape-rendering="crispEdges">{self._squares()}</g>')
        parts.append(
            f'<rect width="{side:g}" height="{side:g}" fill="none" stroke="{OUTLINE}" stroke-width="0.7"/>'
        )
        parts += self._names(cell, side)
        parts += self._scale(side)
        return "".join([*parts, "</g></svg>"])

    def _squares(self) -> str:
        steps = np.rint(np.clip(self.kinship / self.top, 0, 1) * STEPS).astype(int)
        runs: dict[int, list[str]] = {}
        for i, row in enumerate(steps):
            ends = np.flatnonzero(np.diff(row)) + 1
            for a, b in zip([0, *ends], [*ends, len(row)], strict=True):
                if row[a]:
                    runs.setdefault(int(row[a]), []).append(f"M{a} {i}h{b - a}v1h{a - b}z")
        return "".join(f'<path fill="{shade(k / STEPS)}" d="{"".join(d)}"/>' for k, d in sorted(runs.items()))

    def _names(self, cell: float, side: float) -> list[str]:
        every = max(1, int(np.ceil((LABEL + 0.6) / cell)))
        out = [f'<g font-size="{LABEL:g}" fill="{OUTLINE}">']
        for k, name in enumerate(self.labels):
            if k % every == 0:
                at, words = (k + 0.5) * cell, escape(_short(name))
                out.append(f'<text x="-4" y="{at + 2.4:.1f}" text-anchor="end">{words}</text>')
                turn = f"translate({at + 2.4:.1f} {side + 4:.1f}) rotate(-90)"
                out.append(f'<text transform="{turn}" text-anchor="end">{words}</text>')
        return [*out, "</g>"]

    def _scale(self, side: float) -> Sequence[str]:
        height = min(160.0, side)
        x = side + 16
        out = [f'<text x="{x:g}" y="9" font-size="10" font-weight="bold">kinship</text>']
        for k in range(STEPS + 1):
            y = 18 + height * (1 - (k + 1) / (STEPS + 1))
            out.append(
                f'<rect x="{x:g}" y="{y:.2f}" width="12" height="{height / (STEPS + 1) + 0.3:.2f}" fill="{shade(k / STEPS)}"/>'
            )
        out.append(
            f'<rect x="{x:g}" y="18" width="12" height="{height:g}" fill="none" stroke="{SOFT}" stroke-width="0.6"/>'
        )
        marks = [0.0, self.top / 2, self.top]
        for mark in marks:
            y = 18 + height * (1 - mark / self.top)
            words = f"{mark:.3g}" + (" and more" if mark == self.top else "")
            out.append(f'<text x="{x + 16:g}" y="{y + 3:.1f}" font-size="9">{words}</text>')
        return out


def _short(name: str, most: int = 12) -> str:
    return name if len(name) <= most else name[: most - 1] + "…"
