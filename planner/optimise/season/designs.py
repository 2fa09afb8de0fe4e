"""Mating designs for the same fish: who is crossed with whom under each, under one rule on pairs.

Every female's eggs are divided equally over her dishes, and every female counts the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from broodstock.errors import KinshoalError, UsageError
from planner.optimise.season.checking import numbers

SWAP_ROUNDS = 200


class DesignError(KinshoalError, RuntimeError):
    """A design came out otherwise than asked for: a fault of the program."""

    code = "design"


@dataclass(frozen=True)
class Design:
    """Pairs of one mating design.

    Parameters
    ----------
    name : str
        In the words of the trade.
    pairs : ndarray, bool, shape (n_females, n_males), or None
        Pairs that get a dish; None when the design is not possible.
    why_not : str
        Why it is not possible.
    unused_females, unused_males : int
        Fish that get no dish.
    above_limit : int
        Pairs above the limit on kinship that the design would make all the same.
    how : str
        How the pairs were chosen.
    """

    name: str
    pairs: BoolArray | None
    why_not: str = ""
    unused_females: int = 0
    unused_males: int = 0
    above_limit: int = 0
    how: str = ""

    @property
    def possible(self) -> bool:
        """True when there are pairs."""
        return self.pairs is not None

    def egg_shares(self) -> FloatArray:
        """Return the share of all eggs in each dish: females equal, dishes of a female equal.

        Raises
        ------
        UsageError
            If the design is not possible.
        """
        if self.pairs is None:
            raise UsageError(f"{self.name}: found no pairs. Expected a possible design: {self.why_not}")
        dishes = self.pairs.sum(axis=1)
        used = dishes > 0
        shares: FloatArray = self.pairs / np.maximum(dishes, 1)[:, None] / used.sum()
        return shares


def mating_designs(
    pair_kinship: npt.ArrayLike,
    limit: float | None = None,
    *,
    males_per_female: tuple[int, ...] = (2, 3, 4),
    blocks: tuple[int, ...] = (2, 3),
) -> list[Design]:
    """Return the usual mating designs for the same females and males.

    Parameters
    ----------
    pair_kinship : array_like, float64, shape (n_females, n_males)
        Kinship of each female with each male.
    limit : float, optional
        Pairs above it are avoided; designs that cannot avoid them say so.
    males_per_female : tuple of int
        Partial factorials to draw.
    blocks : tuple of int
        Sizes of small factorial blocks.

    Returns
    -------
    list of Design
        Single pairs, partial factorials, full factorial, blocks.

    Raises
    ------
    UsageError
        If there is no fish of a sex.
    ShapeError, ValueRangeError
        If a kinship is no number from 0 to 1, or a design has fewer than one male a female or one fish a block.
    """
    K = np.asarray(pair_kinship, dtype=np.float64)
    if K.ndim != 2 or not K.shape[0] or not K.shape[1]:
        raise UsageError(
            f"mating designs: found shape {K.shape} of females by males. Expected fish of both sexes."
        )
    K = numbers("kinship of the pairs", K, K.shape, 0, 1)
    numbers("males a female", males_per_female, (len(males_per_female),), 1)
    numbers("fish of a sex in a block", blocks, (len(blocks),), 1)
    barred = np.zeros(K.shape, bool) if limit is None else (limit + 1e-9 < K)
    return [
        single_pairs(K, barred),
        *(partial_factorial(K, barred, k) for k in males_per_female),
        full_factorial(barred),
        *(block_factorials(K, barred, b) for b in blocks),
    ]


def single_pairs(K: FloatArray, barred: BoolArray) -> Design:
    """Each fish of the scarcer sex once, with a mate of its own, least kinship in total."""
    number = min(K.shape)
    return _balanced("single pairs", K, barred, 1 if K.shape[0] == number else None, number)


def partial_factorial(K: FloatArray, barred: BoolArray, males: int) -> Design:
    """Each female with so many males, the males used as equally as can be, least kinship in total."""
    name = f"each female x {males} males"
    if males > K.shape[1]:
        return Design(name, None, f"there are only {K.shape[1]} males")
    return _balanced(name, K, barred, males, K.shape[0] * males)


def full_factorial(barred: BoolArray) -> Design:
    """Every female with every male."""
    above = int(barred.sum())
    return Design(
        "full factorial",
        np.ones(barred.shape, bool),
        above_limit=above,
        how="every pair, the limit not asked",
    )


def block_factorials(K: FloatArray, barred: BoolArray, size: int) -> Design:
    """Small blocks, in each every female with every male.

    Blocks are filled in order and then improved by swapping fish, to have few pairs above the limit and little
    kinship: the best found, not proven. Fish left over make one smaller block if there are both sexes.
    """
    nf, nm = K.shape
    name = f"blocks of {size} x {size}"
    full = min(nf, nm) // size
    if full == 0:
        return Design(name, None, f"there are only {nf} females and {nm} males")
    rest_f, rest_m = min(nf - full * size, size), min(nm - full * size, size)
    last = full if rest_f and rest_m else -1
    of_f = _block_numbers(nf, full, size, last, rest_f)
    of_m = _block_numbers(nm, full, size, last, rest_m)
    cost = K + 2.0 * K.size * barred
    of_f, of_m = _swap(cost, of_f, of_m)
    pairs = (of_f[:, None] == of_m[None, :]) & (of_f[:, None] >= 0)
    return Design(
        name,
        pairs,
        "",
        int((of_f < 0).sum()),
        int((of_m < 0).sum()),
        int((pairs & barred).sum()),
        "best blocks found by swapping fish, not proven",
    )


def _block_numbers(n: int, full: int, size: int, last: int, rest: int) -> BigIntArray:
    out = np.full(n, -1, dtype=np.int64)
    out[: full * size] = np.repeat(np.arange(full), size)
    if last >= 0:
        out[full * size : full * size + rest] = last
    return out


def _swap(cost: FloatArray, of_f: BigIntArray, of_m: BigIntArray) -> tuple[BigIntArray, BigIntArray]:
    """Swap two fish of a sex as long as that lowers the cost of the blocks, the best swap first."""
    for _ in range(SWAP_ROUNDS):
        gain_f = _best_swap(cost, of_f, of_m)
        gain_m = _best_swap(cost.T, of_m, of_f)
        if max(gain_f[0], gain_m[0]) <= 1e-12:
            break
        numbers_, (_, i, j) = (of_f, gain_f) if gain_f[0] >= gain_m[0] else (of_m, gain_m)
        numbers_[i], numbers_[j] = numbers_[j], numbers_[i]
    return of_f, of_m


def _best_swap(cost: FloatArray, mine: BigIntArray, other: BigIntArray) -> tuple[float, int, int]:
    """Return the greatest gain of swapping two fish of one sex, and these two."""
    blocks = int(max(mine.max(), other.max())) + 1
    member = other[:, None] == np.arange(blocks)
    to_block = np.hstack([cost @ member, np.zeros((len(mine), 1))])  # the last column: in no block
    place = np.where(mine < 0, blocks, mine)
    now = to_block[np.arange(len(mine)), place]
    swapped = to_block[:, place]
    gain = now[:, None] + now[None, :] - swapped - swapped.T
    i, j = np.unravel_index(int(np.argmax(gain)), gain.shape)
    return float(gain[i, j]), int(i), int(j)


def _balanced(name: str, K: FloatArray, barred: BoolArray, per_female: int | None, dishes: int) -> Design:
    """Choose pairs of least total kinship, with equal use of both sexes.

    Each female gets `per_female` males (each male one female when that is None), the other sex as equal a use as
    whole numbers allow. The rows form a transport problem, so the linear model has a whole-number answer.
    """
    import pulp

    from planner.optimise.solver import numbered, read_counts, solve

    nf, nm = K.shape
    if per_female is None:
        least_f, most_f, least_m, most_m = 0, 1, 1, 1
    else:
        least_f = most_f = per_female
        least_m, most_m = dishes // nm, -(-dishes // nm)
    problem = pulp.LpProblem("design", pulp.LpMinimize)
    open_ = [(f, m) for f in range(nf) for m in range(nm) if not barred[f, m]]
    x = {fm: problem.add_variable(numbered("x", *fm), 0, 1) for fm in open_}
    why = "the limit on kinship of a pair leaves too few pairs for equal use of the fish"
    problem.setObjective(pulp.lpSum([float(K[fm]) * x[fm] for fm in open_]))
    for f in range(nf):
        mine = [x[f, m] for m in range(nm) if (f, m) in x]
        if len(mine) < least_f:
            return Design(name, None, why)
        if mine:
            problem.addConstraint(pulp.lpSum(mine) >= least_f, numbered("f_least", f))
            problem.addConstraint(pulp.lpSum(mine) <= most_f, numbered("f_most", f))
    for m in range(nm):
        mine = [x[f, m] for f in range(nf) if (f, m) in x]
        if len(mine) < least_m:
            return Design(name, None, why)
        if mine:
            problem.addConstraint(pulp.lpSum(mine) >= least_m, numbered("m_least", m))
            problem.addConstraint(pulp.lpSum(mine) <= most_m, numbered("m_most", m))
    report = solve(problem)
    if report.no_plan_exists:
        return Design(name, None, why)
    pairs = np.zeros(K.shape, bool)
    pairs[tuple(np.array(open_).T)] = read_counts([x[fm] for fm in open_], report) > 0
    of_f, of_m = pairs.sum(axis=1), pairs.sum(axis=0)
    sound = least_f <= of_f.min() and of_f.max() <= most_f and least_m <= of_m.min() and of_m.max() <= most_m
    if not sound or pairs.sum() != dishes:
        raise DesignError(f"{name}: found {int(pairs.sum())} pairs. Expected {dishes}. Report this fault.")
    return Design(
        name,
        pairs,
        "",
        int((of_f == 0).sum()),
        int((of_m == 0).sum()),
        0,
        "least kinship of the pairs, proven",
    )
