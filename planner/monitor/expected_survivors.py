"""How many fish of a release plan live through the first year: curves drawn from their posterior, then chance.

Two errors add up. The curve is known only with an error that all fish of one water and season share; and even with a
known curve each fish lives or dies by chance. A draw takes one set of curves, the survival of every fish, and a
binomial number of survivors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import ShapeError
from broodstock.estimates import Estimate
from planner.monitor.curves_detection import expit


@dataclass(frozen=True)
class Survivors:
    """Expected survivors of a plan.

    Parameters
    ----------
    total : Estimate
        All waters together.
    by_group : tuple of Estimate
        By group of fish, in the order of the groups given.
    curve_share : float
        Share of the variance of the total that comes from not knowing the curves; the rest is chance.
    """

    total: Estimate
    by_group: tuple[Estimate, ...]
    curve_share: float


def expected_survivors(
    intercept: FloatArray,
    slope: FloatArray,
    cell: npt.NDArray[np.int64],
    length_mm: FloatArray,
    number: npt.NDArray[np.int64],
    group: npt.NDArray[np.int64],
    n_groups: int,
    rng: np.random.Generator,
    level: float = 0.95,
) -> Survivors:
    """Return expected survivors with intervals that hold both errors.

    Parameters
    ----------
    intercept, slope : ndarray, float64, shape (n_draws, n_cells)
        Curves drawn together, logit at 0 mm and per mm, for example by `CurveFit.draws`.
    cell : ndarray, int64, shape (n_rows,)
        Cell (water and season) of each row of fish.
    length_mm : ndarray, float64, shape (n_rows,)
        Total length, mm.
    number : ndarray, int64, shape (n_rows,)
        Fish of the row.
    group : ndarray, int64, shape (n_rows,)
        Group the row counts to, 0 to ``n_groups - 1``.
    n_groups : int
        Groups.
    rng : Generator
        Random numbers.
    level : float
        Coverage.

    Returns
    -------
    Survivors
        Means and central intervals over the draws.

    Raises
    ------
    ShapeError
        If the arrays differ in length or a row has no curve.
    """
    if not len(cell) == len(length_mm) == len(number) == len(group):
        raise ShapeError(
            "expected survivors: found columns of different length. Expected one value per row of fish."
        )
    if len(cell) and (int(cell.max()) >= intercept.shape[1] or int(cell.min()) < 0):
        raise ShapeError(
            "expected survivors: found a water without a curve. Add the curve or leave the fish out."
        )
    n_draws = len(intercept)
    alive = np.zeros((n_draws, n_groups))
    mean = np.zeros((n_draws, n_groups))
    for k in range(n_draws):
        chance = expit(intercept[k, cell] + slope[k, cell] * length_mm)
        mean[k] = np.bincount(group, weights=number * chance, minlength=n_groups)
        alive[k] = np.bincount(group, weights=rng.binomial(number, chance), minlength=n_groups)
    fish: BigIntArray = np.bincount(group, weights=number, minlength=n_groups).astype(np.int64)
    total = alive.sum(axis=1)
    variance = float(total.var())
    share = float(mean.sum(axis=1).var()) / variance if variance > 0 else 0.0
    return Survivors(
        _summary(mean.sum(axis=1), total, int(number.sum()), level),
        tuple(_summary(mean[:, g], alive[:, g], int(fish[g]), level) for g in range(n_groups)),
        min(share, 1.0),
    )


def _summary(mean: FloatArray, alive: FloatArray, fish: int, level: float) -> Estimate:
    method = (
        f"{len(alive)} draws of curves and of lives; the interval holds the error of the curve and chance"
    )
    if fish == 0:
        return Estimate(0.0, 0.0, 0.0, method, 0, "fish released", level)
    low, high = np.quantile(alive, [0.5 - level / 2, 0.5 + level / 2], method="inverted_cdf")
    return Estimate(float(mean.mean()), float(low), float(high), method, fish, "fish released", level)
