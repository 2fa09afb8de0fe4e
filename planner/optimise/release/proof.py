"""The proof of a bound: prices of the rows from which anyone can compute it again without a solver.

For a linear model min c'x, low <= Ax <= high, l <= x <= h and any prices y,
c'x >= sum_i (y_i low_i where y_i > 0, y_i high_i where y_i < 0) + sum_j min(d_j l_j, d_j h_j), d = c - A'y
(weak duality). The tangent cuts lie below the true kinship terms, so the value is a bound for every plan.
Prices that a solver got slightly wrong give a slightly lower bound, never a wrong one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.release.build import Cut, KinshipColumns, aim_at_kinship, build_rules
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.limits import limit_by_survivors
from planner.optimise.release.model import LinearModel, Row


@dataclass(frozen=True)
class BoundProof:
    """What is needed to compute the bound of a plan again from its data.

    Parameters
    ----------
    survivors_floor : float
        Expected survivors every plan under these rules must reach.
    block, direction : ndarray, int64, shape (n_cuts,)
        Where each tangent cut stands.
    ratio : ndarray, float64, shape (n_cuts,)
        Its point of tangency.
    prices : ndarray, float64, shape (n_rows + n_cuts,)
        Price of each row of the rules and of each cut, in the order of the model.
    survivor_prices : ndarray, float64, shape (n_priced,), or None
        Prices of the rules in the model of most survivors, from which the limits of the columns follow
        (`planner.optimise.release.limits`); None: the limits of the rules alone.
    """

    survivors_floor: float
    block: BigIntArray
    direction: BigIntArray
    ratio: FloatArray
    prices: FloatArray
    survivor_prices: FloatArray | None = None

    @property
    def cuts(self) -> list[Cut]:
        """The tangent cuts."""
        return [
            Cut(int(b), int(k), float(q))
            for b, k, q in zip(self.block, self.direction, self.ratio, strict=True)
        ]


def make_proof(
    survivors_floor: float,
    cuts: Sequence[Cut],
    prices: FloatArray,
    n_rows: int,
    survivor_prices: FloatArray | None = None,
) -> BoundProof:
    """Return a proof without the cuts that carry no price.

    Parameters
    ----------
    survivors_floor : float
        Expected survivors demanded.
    cuts : sequence of Cut
        The tangent cuts, in the order they were added.
    prices : ndarray, float64, shape (n_rows + n_cuts,)
        Prices of the rows, then of the cuts.
    n_rows : int
        Rows before the cuts.
    survivor_prices : ndarray, float64, shape (n_priced,), optional
        Prices that limited the columns.

    Returns
    -------
    BoundProof
        The proof.
    """
    priced = np.flatnonzero(prices[n_rows:])
    kept = [cuts[i] for i in priced.tolist()]
    return BoundProof(
        survivors_floor,
        np.array([c.block for c in kept], dtype=np.int64),
        np.array([c.direction for c in kept], dtype=np.int64),
        np.array([c.ratio for c in kept], dtype=np.float64),
        np.concatenate([prices[:n_rows], prices[n_rows:][priced]]),
        survivor_prices,
    )


def proven_bound(data: ReleaseData, proof: BoundProof) -> float | None:
    """Compute a bound from its proof: no plan under the rules has a lower objective.

    Parameters
    ----------
    data : ReleaseData
        The data; the model is built from it anew.
    proof : BoundProof
        Cuts and prices.

    Returns
    -------
    float or None
        None when the proof does not fit the data: another number of rows, or a cut of a block that does
        not exist.
    """
    frame = build_rules(data, proof.survivors_floor)
    if proof.survivor_prices is not None and not limit_by_survivors(frame, proof.survivor_prices):
        return None
    columns = aim_at_kinship(frame)
    n_blocks, n_directions = columns.squared.shape
    if len(proof.prices) != len(frame.model.rows) + len(proof.ratio):
        return None
    inside = (proof.block >= 0) & (proof.block < n_blocks)
    inside &= (proof.direction >= 0) & (proof.direction < n_directions)
    if not inside.all() or not np.isfinite(proof.ratio).all():
        return None
    return kinship_bound(frame.model, columns, proof.cuts, proof.prices)


def kinship_bound(
    model: LinearModel, columns: KinshipColumns, cuts: Sequence[Cut], prices: FloatArray
) -> float:
    """Return the bound that prices of the rules and of tangent cuts prove for the objective.

    Parameters
    ----------
    model : LinearModel
        Rules and kinship columns, without the cuts.
    columns : KinshipColumns
        Where the kinship terms stand.
    cuts : sequence of Cut
        The tangents; each is ``squared - 2 ratio along + ratio^2 total >= 0`` and pays for nothing by itself.
    prices : ndarray, float64, shape (n_rows + n_cuts,)
        Prices of the rows, then of the cuts; one below 0 counts as 0 for a cut.

    Returns
    -------
    float
        No plan under the rules has a lower objective.
    """
    n_rows = len(model.rows)
    y = np.maximum(prices[n_rows:], 0.0)
    block = np.array([c.block for c in cuts], dtype=np.int64)
    direction = np.array([c.direction for c in cuts], dtype=np.int64)
    ratio = np.array([c.ratio for c in cuts], dtype=np.float64)
    paid = np.zeros(model.n_columns)
    np.add.at(paid, columns.squared[block, direction], y)
    np.add.at(paid, columns.along[block, direction], -2.0 * ratio * y)
    np.add.at(paid, columns.total[block], ratio**2 * y)
    return price_bound(model, model.rows, prices[:n_rows], paid) + columns.constant


def price_bound(
    model: LinearModel, rows: Sequence[Row], prices: FloatArray, paid: FloatArray | None = None
) -> float:
    """Return the bound that prices prove for a linear model.

    Parameters
    ----------
    model : LinearModel
        Columns with costs and finite limits.
    rows : sequence of Row
        Rows, length n_rows.
    prices : ndarray, float64, shape (n_rows,)
        Any numbers; a price that asks for a limit the row does not have counts as 0.
    paid : ndarray, float64, shape (n_columns,), optional
        What further rows with a lower limit of 0 take off the cost of each column.

    Returns
    -------
    float
        No point that meets the rows costs less.
    """
    low = np.array([r.low for r in rows], dtype=np.float64)
    high = np.array([r.high for r in rows], dtype=np.float64)
    usable = np.isfinite(np.where(prices > 0, low, high))
    y = np.where(usable, prices, 0.0)
    limits = np.where(y > 0, low, high)
    from_rows = float(y[usable] @ limits[usable]) if usable.any() else 0.0
    reduced = np.array(model.cost, dtype=np.float64)
    if paid is not None:
        reduced -= paid
    priced = [rows[i] for i in np.flatnonzero(y)]
    if priced:
        index = np.concatenate([r.columns for r in priced])
        factors = np.concatenate([r.factors for r in priced])
        each = np.repeat(y[y != 0], [r.columns.size for r in priced])
        reduced -= np.bincount(index, weights=factors * each, minlength=model.n_columns)
    from_columns = np.minimum(reduced * np.array(model.low), reduced * np.array(model.high)).sum()
    return from_rows + float(from_columns)
