"""The survival curve of a site and season, and what it says at a length."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from broodstock.arrays import FloatArray
from planner.tasks.programme import Programme


@dataclass(frozen=True)
class SurvivalCurve:
    """First-year survival against length on the logit scale.

    Parameters
    ----------
    intercept, slope : float
        Logit of survival is ``intercept + slope x length in mm``.
    error : float or None
        Standard error of the logit, the same at all lengths; None when not recorded.
    source : str
        Where the curve comes from.
    """

    intercept: float
    slope: float
    error: float | None
    source: str

    def at(self, length_mm: npt.ArrayLike, shift: float = 0.0) -> FloatArray:
        """Return survival at lengths, with the logit moved by `shift`."""
        logit = self.intercept + self.slope * np.asarray(length_mm, dtype=np.float64) + shift
        return np.asarray(0.5 * (1 + np.tanh(0.5 * logit)))

    def error_at(self, length_mm: npt.ArrayLike) -> FloatArray:
        """Return the standard error of survival at lengths (delta method: ``p (1 - p) x error``)."""
        p = self.at(length_mm)
        return p * (1 - p) * (self.error or 0.0)


def curve_of(programme: Programme, site: Any, season: str) -> SurvivalCurve | None:
    """Return the curve of a site for a season: its own, that of its kind, the general one, or None.

    Parameters
    ----------
    programme : Programme
        Open records.
    site : named row of the table ``sites``
        With ``site_id`` and ``kind``.
    season : str
        Season of release.
    """
    curves = programme.tables["survival"]
    here = curves[curves["season"] == season]
    for which in (
        here["site_id"] == site.site_id,
        (here["site_id"] == "") & (here["site_kind"] == site.kind),
        (here["site_id"] == "") & (here["site_kind"] == ""),
    ):
        if which.any():
            curve = here[which].iloc[0]
            error = curve["intercept_se"]
            return SurvivalCurve(
                float(curve["intercept"]),
                float(curve["slope_per_mm"]),
                None if pd.isna(error) else float(error),
                str(curve["source"]),
            )
    return None
