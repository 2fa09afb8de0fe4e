"""Build the linear model of a release: columns, then the rules in order, then what is minimised."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.release.count_rules import COUNT_RULES
from planner.optimise.release.data import ReleaseData
from planner.optimise.release.frame import NONE, Frame, make_frame
from planner.optimise.release.kinship_form import squares
from planner.optimise.release.model import DEFINITION, Row, row
from planner.optimise.release.pair_rules import allowed

WHOLE = -1
"""Position of the block of all sites together in `KinshipColumns.block`."""


@dataclass(frozen=True)
class KinshipColumns:
    """Columns that carry the kinship terms N theta of each site and of all sites together.

    For a block b (a site, or all of them) with N_b living fish and u_bk = l_k' n_b, the term is the sum
    over directions k of u_bk^2 / N_b, and ``squared[b, k]`` stands above u_bk^2 / N_b by tangent cuts.

    Parameters
    ----------
    block : ndarray, int64, shape (n_blocks,)
        Site position of each block; -1 for all sites together.
    weight : ndarray, float64, shape (n_blocks,)
        Weight of the block in the objective.
    total : ndarray, int64, shape (n_blocks,)
        Columns of N_b.
    along : ndarray, int64, shape (n_blocks, n_directions)
        Columns of u_bk.
    squared : ndarray, int64, shape (n_blocks, n_directions)
        Columns above u_bk^2 / N_b.
    directions : ndarray, float64, shape (n_families, n_directions)
        The l_k, from `planner.optimise.release.kinship_form.squares`.
    constant : float
        Weighted kinship terms of sites no fish may go to.
    """

    block: BigIntArray
    weight: FloatArray
    total: BigIntArray
    along: BigIntArray
    squared: BigIntArray
    directions: FloatArray
    constant: float


@dataclass(frozen=True)
class Cut:
    """One tangent: squared - 2 ratio along + ratio^2 total >= 0, valid for every ratio.

    Parameters
    ----------
    block, direction : int
        Position in `KinshipColumns`.
    ratio : float
        u / N at the point of tangency.
    """

    block: int
    direction: int
    ratio: float


def build_rules(data: ReleaseData, survivors_floor: float = 0.0) -> Frame:
    """Return the columns with all rules, without an objective.

    Parameters
    ----------
    data : ReleaseData
        The data.
    survivors_floor : float
        Expected survivors the plan must reach.

    Returns
    -------
    Frame
        Columns; the rows stand in `Frame.model`.
    """
    frame = make_frame(data, allowed(data), survivors_floor)
    for rule in COUNT_RULES:
        frame.model.rows.extend(rule.rows(frame))
    return frame


def aim_at_survivors(frame: Frame) -> None:
    """Set the costs so that the expected survivors are maximised (their negative is minimised)."""
    used = frame.fish != NONE
    for column, share in zip(frame.fish[used].tolist(), frame.data.survival[used].tolist(), strict=True):
        frame.model.cost[column] = -share


def aim_at_kinship(frame: Frame) -> KinshipColumns:
    """Add the kinship columns and set the costs so that sum of w_b N_b theta_b is minimised.

    Parameters
    ----------
    frame : Frame
        Columns with the rules; extended in place.

    Returns
    -------
    KinshipColumns
        The new columns; the tangent cuts are not in yet.
    """
    data = frame.data
    model = frame.model
    directions = squares(data.families.kinship)
    reached = np.flatnonzero((frame.fish != NONE).any(axis=0))
    living, fewest, ceiling = _living_columns(frame, reached)
    blocks: list[int] = reached.tolist()
    weights = data.sites.weight[reached].tolist()
    residents = data.living_residents
    still = np.setdiff1d(np.arange(data.n_sites), reached)
    floor_by_block, top_by_block = list(fewest.T), list(ceiling.T)
    if data.settings.whole_weight > 0 and reached.size:
        blocks.append(WHOLE)
        weights.append(data.settings.whole_weight)
        floor_by_block.append(fewest.sum(axis=1) + residents[:, still].sum(axis=1))
        top_by_block.append(ceiling.sum(axis=1) + residents[:, still].sum(axis=1))
    n_blocks, n_directions = len(blocks), directions.shape[1]
    floor = np.array(floor_by_block).reshape(n_blocks, data.n_families)
    top = np.array(top_by_block).reshape(n_blocks, data.n_families)
    up, down = np.maximum(directions, 0.0), np.minimum(directions, 0.0)
    most = top.sum(axis=1)
    total = model.add((n_blocks,), floor.sum(axis=1), most)
    along = model.add((n_blocks, n_directions), floor @ up + top @ down, top @ up + floor @ down)
    steepest = np.abs(directions).max(axis=0) ** 2 if data.n_families else np.zeros(n_directions)
    cost = np.repeat(np.array(weights, dtype=np.float64)[:, None], n_directions, axis=1)
    squared = model.add((n_blocks, n_directions), 0.0, most[:, None] * steepest[None, :], cost=cost)
    columns = KinshipColumns(
        np.array(blocks, dtype=np.int64),
        np.array(weights, dtype=np.float64),
        total,
        along,
        squared,
        directions,
        _still_constant(data, still, with_whole=not reached.size),
    )
    model.rows.extend(_totals_and_directions(data, columns, living, reached, still))
    return columns


def cut_row(columns: KinshipColumns, cut: Cut) -> Row:
    """Return a tangent cut as a row."""
    b, k, q = cut.block, cut.direction, cut.ratio
    return row(
        DEFINITION,
        "tangent",
        [columns.squared[b, k], columns.along[b, k], columns.total[b]],
        [1.0, -2.0 * q, q * q],
        low=0.0,
    )


def _living_columns(frame: Frame, reached: BigIntArray) -> tuple[BigIntArray, FloatArray, FloatArray]:
    """Add the columns of living fish by family at the sites that can be reached.

    Returns
    -------
    living : ndarray, int64, shape (n_families, n_reached)
        Columns.
    fewest, ceiling : ndarray, float64, shape (n_families, n_reached)
        Their lower and upper limits, from those of the fish.
    """
    data = frame.data
    residents = data.living_residents[:, reached]
    used = frame.fish != NONE
    low, high = np.zeros(frame.fish.shape), np.zeros(frame.fish.shape)
    low[used] = np.array(frame.model.low)[frame.fish[used]]
    high[used] = np.array(frame.model.high)[frame.fish[used]]
    fewest = residents + data.membership @ (low * data.survival)[:, reached]
    ceiling = residents + data.membership @ (high * data.survival)[:, reached]
    living = frame.model.add(residents.shape, fewest, ceiling)
    for f in range(data.n_families):
        mine = np.flatnonzero(data.groups.family == f)
        for i, s in enumerate(reached.tolist()):
            groups = mine[frame.fish[mine, s] != NONE]
            frame.model.rows.append(
                row(
                    DEFINITION,
                    "living fish",
                    [*frame.fish[groups, s], living[f, i]],
                    [*data.survival[groups, s], -1.0],
                    -residents[f, i],
                    -residents[f, i],
                )
            )
    return living, fewest, ceiling


def _totals_and_directions(
    data: ReleaseData,
    columns: KinshipColumns,
    living: BigIntArray,
    reached: BigIntArray,
    still: BigIntArray,
) -> Iterator[Row]:
    """Define N_b and u_bk; the block of all sites is the sum of the others and of the fixed residents."""
    n_sites, directions = len(reached), columns.directions
    for i in range(n_sites):
        yield row(
            DEFINITION, "living fish", [*living[:, i], columns.total[i]], [*np.ones(len(living)), -1.0], 0, 0
        )
        for k in range(directions.shape[1]):
            used = np.flatnonzero(directions[:, k])
            yield row(
                DEFINITION,
                "direction",
                [*living[used, i], columns.along[i, k]],
                [*directions[used, k], -1.0],
                0,
                0,
            )
    if len(columns.block) == n_sites:
        return
    fixed = data.living_residents[:, still].sum(axis=1)
    ones = [*np.ones(n_sites), -1.0]
    beside = -float(fixed.sum())
    yield row(DEFINITION, "living fish", columns.total, ones, beside, beside)
    for k in range(directions.shape[1]):
        beside = -float(directions[:, k] @ fixed)
        yield row(DEFINITION, "direction", columns.along[:, k], ones, beside, beside)


def _still_constant(data: ReleaseData, still: BigIntArray, *, with_whole: bool) -> float:
    """Return the weighted kinship terms that no decision can change."""
    residents = data.living_residents
    k = data.families.kinship
    value = sum(data.sites.weight[s] * kinship_term(k, residents[:, s]) for s in still)
    if with_whole:
        value += data.settings.whole_weight * kinship_term(k, residents.sum(axis=1))
    return float(value)


def kinship_term(kinship: FloatArray, numbers: FloatArray) -> float:
    """Return N theta = n'Kn / N of a group; 0 when there are no fish."""
    total = float(numbers.sum())
    return float(numbers @ kinship @ numbers) / total if total > 0 else 0.0


def objective(data: ReleaseData, numbers: BigIntArray | FloatArray) -> float:
    """Return what the plan minimises: sum of w_s N_s theta_s plus w_0 N theta of all sites together.

    Parameters
    ----------
    data : ReleaseData
        The data.
    numbers : ndarray, int64 or float64, shape (n_groups, n_sites)
        Fish sent.

    Returns
    -------
    float
        In expected survivors times kinship.
    """
    living = data.living(numbers)
    k = data.families.kinship
    value = sum(w * kinship_term(k, living[:, s]) for s, w in enumerate(data.sites.weight))
    return float(value + data.settings.whole_weight * kinship_term(k, living.sum(axis=1)))


def gradient(data: ReleaseData, numbers: BigIntArray | FloatArray) -> FloatArray:
    """Return the change of the objective per fish of each group sent to each site.

    The derivative of N theta = n'Kn / N along family f is 2 (Kp)_f - theta; a fish adds its survival.

    Parameters
    ----------
    data : ReleaseData
        The data.
    numbers : ndarray, int64 or float64, shape (n_groups, n_sites)
        Fish sent.

    Returns
    -------
    ndarray, float64, shape (n_groups, n_sites)
        Derivatives. Where no fish live at a site the derivative of the first fish is K_ff.
    """
    living = data.living(numbers)
    k = data.families.kinship
    by_family = np.zeros((data.n_families, data.n_sites))
    for s, weight in enumerate(data.sites.weight):
        by_family[:, s] += weight * _slope(k, living[:, s])
    by_family += data.settings.whole_weight * _slope(k, living.sum(axis=1))[:, None]
    return np.asarray(by_family[data.groups.family] * data.survival)


def _slope(kinship: FloatArray, numbers: FloatArray) -> FloatArray:
    total = float(numbers.sum())
    if total <= 0:
        return np.diag(kinship).copy()
    to_group = kinship @ numbers / total
    return np.asarray(2.0 * to_group - float(numbers @ to_group) / total)
