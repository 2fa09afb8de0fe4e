"""A dense kinship matrix split so that whole numbers count for as much as they can.

The relaxation of ``c'Kc`` is too low where fish are used by a part of a dish. Squares of flows that can only take
multiples of a step (a fish's own dishes, half the dishes of its family, ...) are bounded exactly at whole numbers,
so the more of K stands in such squares, the higher the bound. With flows ``y = Y c`` and weights x >= 0,

    K = sum_k x_k Y_k'Y_k + remainder,   remainder positive semidefinite,

and at contributions c that allow parts of a dish the square of flow k lies ``(b - y)(y - a)`` too low between its neighbouring possible
values a and b. The weights that win most, ``max sum_k x_k (b_k - y_k)(y_k - a_k)``, are found by Newton's method with
the logarithms of the weights and of the determinant of the remainder as barriers (Boyd & Vandenberghe 2004, Convex
Optimization, chapter 11). Any weights that leave the remainder positive semidefinite give a valid bound.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from threadpoolctl import threadpool_limits

from broodstock.arrays import BoolArray, FloatArray
from planner.optimise.kinship_bound import Lattice, SquareForm

_LEAST_GAIN = 1e-3
"""Squares that could win less, in squared dishes per unit of weight, keep no weight of their own."""

_CLOSE = 0.02
"""Share of the gain by which the weights may miss the best ones."""

_MOST_STEPS = 100
_SLIDES = 400


def flow_matrix(form: SquareForm) -> FloatArray:
    """Return Y, shape (n_nodes, n_candidates), with ``flows(c) = Y c``."""
    out = np.zeros((form.n_nodes, form.n_candidates))
    for node, (own, earlier) in enumerate(zip(form.candidate_inputs, form.node_inputs, strict=True)):
        for i, factor in own:
            out[node, i] += factor
        for j, factor in earlier:
            out[node] += factor * out[j]
    return out


def lattice_nodes(form: SquareForm) -> SquareForm:
    """Return the nodes of a form, and one of weight 0 for every candidate that has no node of its own."""
    have = {form.single_candidate(k) for k in range(form.n_nodes)}
    missing = [i for i in range(form.n_candidates) if i not in have]
    own = tuple(((i, 1.0),) for i in missing)
    return form.plus(SquareForm(form.n_candidates, np.zeros(len(missing)), own, ((),) * len(missing)))


def relaxed_shares(
    K: FloatArray,
    linear: FloatArray,
    groups: Sequence[tuple[BoolArray, float]],
    low: FloatArray,
    high: FloatArray,
) -> FloatArray:
    """Return contributions near the least of ``c'Kc + linear'c`` when parts of dishes are allowed.

    Parameters
    ----------
    K : ndarray, float64, shape (n_candidates, n_candidates)
        Positive semidefinite.
    linear : ndarray, float64, shape (n_candidates,)
    groups : sequence of (ndarray of bool, float)
        Groups that cover all candidates, and the total of each.
    low, high : ndarray, float64, shape (n_candidates,)
        Limits of each contribution.

    Returns
    -------
    ndarray, float64, shape (n_candidates,)
        By accelerated projected gradient steps (Beck & Teboulle 2009, SIAM Journal on Imaging Sciences 2, 183-202);
        only how good a split is depends on it, never whether a bound is valid.
    """
    steepest = 2.0 * max(float(np.linalg.eigvalsh(K)[-1]), 1e-12)

    def projected(point: FloatArray) -> FloatArray:
        out = np.empty_like(point)
        for members, total in groups:
            near, bottom, top = point[members], low[members], high[members]
            under, over = float((near - top).min()), float((near - bottom).max())
            for _ in range(50):
                middle = 0.5 * (under + over)
                if float(np.clip(near - middle, bottom, top).sum()) > total:
                    under = middle
                else:
                    over = middle
            out[members] = np.clip(near - over, bottom, top)
        return out

    c = projected(np.zeros(len(K)))
    ahead, momentum = c, 1.0
    for _ in range(_SLIDES):
        further = projected(ahead - (2.0 * (K @ ahead) + linear) / steepest)
        grown = 0.5 * (1.0 + float(np.sqrt(1.0 + 4.0 * momentum**2)))
        ahead = further + (momentum - 1.0) / grown * (further - c)
        c, momentum = further, grown
    return c


def gains_at(form: SquareForm, grid: Lattice, c: FloatArray) -> FloatArray:
    """Return by how much the square of each flow lies too low at relaxed contributions.

    Parameters
    ----------
    form : SquareForm
    grid : Lattice
        Possible flows of the form.
    c : ndarray, float64, shape (n_candidates,)

    Returns
    -------
    ndarray, float64, shape (n_nodes,)
    """
    flows = form.flows(c)
    out = np.zeros(form.n_nodes)
    for node, y in enumerate(flows.tolist()):
        a, b = grid.cells(node, y)[0]
        out[node] = max(0.0, (y - a) * (b - y))
    return out


def resplit(
    form: SquareForm, nodes: SquareForm, gains: FloatArray, time_limit: float = np.inf
) -> SquareForm | None:
    """Return an equal form with as much as can be gained in the nodes whose squares whole numbers bound exactly.

    Parameters
    ----------
    form : SquareForm
        Any form of the matrix.
    nodes : SquareForm
        Nodes that may carry weight; their own weights do not matter.
    gains : ndarray, float64, shape (n_nodes,)
        What a unit of weight on each node wins; see `gains_at`.
    time_limit : float
        Seconds after which the weights found so far are taken.

    Returns
    -------
    SquareForm or None
        None when the matrix is singular or nothing can be gained.
    """
    with threadpool_limits(
        1, user_api="blas"
    ):  # many small steps: on a busy machine threads wait for each other
        return _resplit(form, nodes, gains, time_limit)


def _resplit(form: SquareForm, nodes: SquareForm, gains: FloatArray, time_limit: float) -> SquareForm | None:
    Y = flow_matrix(form)
    K = (Y.T * form.weights) @ Y
    largest = float(np.abs(K).max(initial=0.0))
    chosen = np.flatnonzero(gains > _LEAST_GAIN)
    if not chosen.size or float(np.linalg.eigvalsh(K)[0]) <= 1e-9 * max(largest, 1.0):
        return None
    rows = flow_matrix(nodes)[chosen]
    found = _best_weights(K, rows, gains[chosen], time_limit) * (1 - 1e-9)
    weights = np.zeros(nodes.n_nodes)
    weights[chosen] = found
    size, vectors = np.linalg.eigh(K - (rows.T * found) @ rows)
    keep = size > 1e-10 * max(largest, 1.0)
    columns = tuple(
        tuple((i, float(x)) for i, x in enumerate(column) if abs(x) > 1e-12)
        for column in (vectors[:, keep] * np.sqrt(size[keep])).T
    )
    rest = SquareForm(form.n_candidates, np.ones(len(columns)), columns, ((),) * len(columns))
    return replace(nodes, weights=weights, constant=form.constant).plus(rest)


def _best_weights(K: FloatArray, rows: FloatArray, gains: FloatArray, time_limit: float) -> FloatArray:
    """Return weights near the best: maximise gains, barriers on weights and remainder, the barriers ever weaker."""
    ends = time.perf_counter() + time_limit
    number, n = rows.shape
    top = float(np.linalg.eigvalsh(rows.T @ rows)[-1])
    x = np.full(number, 0.5 * float(np.linalg.eigvalsh(K)[0]) / top)
    mu = float(gains @ x)
    for _ in range(_MOST_STEPS):
        spread = rows @ np.linalg.inv(K - (rows.T * x) @ rows) @ rows.T
        slope = gains - mu * np.diag(spread) + mu / x
        curve = mu * spread * spread
        curve[np.diag_indices(number)] += mu / x**2
        step = np.linalg.solve(curve, slope)
        x = x + _length(K, rows, x, step) * step
        if time.perf_counter() > ends:
            break
        if float(slope @ step) > 2.0 * mu:
            continue
        if mu * (number + n) < _CLOSE * float(gains @ x):
            break
        mu *= 0.1
    return x


def _length(K: FloatArray, rows: FloatArray, x: FloatArray, step: FloatArray) -> float:
    """Return how far to go along a step so that weights and remainder stay positive."""
    falls = step < 0
    length = 1.0
    if falls.any():
        length = min(1.0, 0.95 * float(np.min(-x[falls] / step[falls])))
    while length > 1e-12:
        try:
            np.linalg.cholesky(K - (rows.T * (x + length * step)) @ rows)
        except np.linalg.LinAlgError:
            length *= 0.6
        else:
            return length if length == 1.0 else 0.98 * length
    return 0.0
