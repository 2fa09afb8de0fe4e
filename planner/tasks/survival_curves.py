"""The survival curve of a site and season, and what it says at a length."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from broodstock.arrays import FloatArray
from planner.tasks.programme import Programme

REPLACED = "replaced"
"""State of a curve that plans no longer use."""


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
    here = curves[(curves["season"] == season) & (curves["state"] != REPLACED)]
    found = _nearest(here, site)
    return None if found is None else _curve(found)


def prior_curve_of(programme: Programme, site: Any, season: str) -> SurvivalCurve | None:
    """Return the newest curve of a site and season that was not fitted to the programme's own records.

    New data are set against it, in use or replaced: a curve that already holds the records would count them twice.
    Arguments as in `curve_of`.
    """
    curves = programme.tables["survival"]
    here = curves[(curves["season"] == season) & (curves["records_mark"] == "")]
    found = _nearest(here.iloc[::-1], site)
    return None if found is None else _curve(found)


def _nearest(here: pd.DataFrame, site: Any) -> Any:
    """Return the row of the site itself, of its kind, or the general one; None when there is none."""
    for which in (
        here["site_id"] == site.site_id,
        (here["site_id"] == "") & (here["site_kind"] == site.kind),
        (here["site_id"] == "") & (here["site_kind"] == ""),
    ):
        if which.any():
            return here[which].iloc[0]
    return None


def _curve(row: Any) -> SurvivalCurve:
    error = row["intercept_se"]
    return SurvivalCurve(
        float(row["intercept"]),
        float(row["slope_per_mm"]),
        None if pd.isna(error) else float(error),
        str(row["source"]),
    )
