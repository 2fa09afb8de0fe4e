"""Exact effective numbers of breeders from known parents, and the hidden losses of today's year class."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray


@dataclass(frozen=True, slots=True)
class Breeders:
    """Effective numbers of breeders behind young with known parents.

    Parameters
    ----------
    females, males : float
        Effective number of each sex: one over the chance that two different young share that parent.
    both : float
        4 females x males / (females + males).
    n_young, n_dams, n_sires : int
        Young, and parents that left at least one.
    """

    females: float
    males: float
    both: float
    n_young: int
    n_dams: int
    n_sires: int


def breeders_of(dams: np.ndarray, sires: np.ndarray) -> Breeders:
    """Return the exact effective number of breeders of young with known parents.

    Parameters
    ----------
    dams, sires : ndarray, shape (n_young,)
        Parent of each young, any labels.

    Returns
    -------
    Breeders
        Infinite for a sex when no two young share a parent of it.

    Raises
    ------
    ValueError
        If there are fewer than two young.

    References
    ----------
    .. [1] Crow & Denniston 1988, Evolution 42:482 (inbreeding effective number from family sizes; from memory).
    .. [2] Waples & Waples 2011, Molecular Ecology Resources 11 (Suppl. 1):162 (from memory).
    """
    n = len(dams)
    if n < 2:
        raise ValueError(f"breeders_of: found {n} young. Expected at least two.")
    numbers = []
    parents = []
    for labels in (dams, sires):
        counts = np.unique(labels, return_counts=True)[1].astype(np.float64)
        pairs = float((counts * (counts - 1.0)).sum())
        numbers.append(n * (n - 1.0) / pairs if pairs else np.inf)
        parents.append(len(counts))
    females, males = numbers
    both = 4.0 / (1.0 / females + 1.0 / males) if np.isfinite([females, males]).any() else np.inf
    return Breeders(females, males, both, n, parents[0], parents[1])


def breeders_of_shares(share: FloatArray, dams: np.ndarray, sires: np.ndarray) -> float:
    """Return the effective number of breeders of very many young, a share of them from each dish.

    Parameters
    ----------
    share : ndarray, float64, shape (n_dishes,)
        Weights, need not add up to one.
    dams, sires : ndarray, int, shape (n_dishes,)
        Parents of each dish as whole numbers from 0.
    """
    x = share / share.sum()
    female = np.bincount(dams, weights=x)
    male = np.bincount(sires, weights=x)
    one_over = (female**2).sum() + (male**2).sum()
    return float(4.0 / one_over)


@dataclass(frozen=True)
class LossStep:
    """One step of the loss of effective breeders: its name, the number left, and what happened."""

    name: str
    breeders: float
    note: str


def hidden_losses(
    dams: np.ndarray,
    sires: np.ndarray,
    worked: np.ndarray,
    planned: float,
    target: float,
    rng: np.random.Generator,
) -> tuple[FloatArray, list[LossStep], BigIntArray]:
    """Shape the share of each dish in the tagged fish by five accidents, tuned to an effective number.

    Parameters
    ----------
    dams, sires : ndarray, int, shape (n_dishes,)
        Real parents of each dish, whole numbers from 0.
    worked : ndarray, bool, shape (n_dishes,)
        Dishes that left a family.
    planned : float
        Effective breeders the plan expected.
    target : float
        Effective breeders to end with.
    rng : Generator
        Random numbers.

    Returns
    -------
    share : ndarray, float64, shape (n_dishes,)
        Weight of each dish in the end, 0 for failed dishes.
    steps : list of LossStep
        Effective breeders after each step.
    pooled : ndarray, int64
        Dishes that were pooled in one tank.
    """
    share = worked.astype(np.float64)
    drop = planned - target
    steps = [
        LossStep("planned", planned, "equal shares of every planned dish"),
        LossStep(
            "dishes laid",
            breeders_of_shares(np.ones(len(dams)), dams, sires),
            "equal shares of every dish laid",
        ),
        LossStep("dishes that worked", breeders_of_shares(share, dams, sires), "failed dishes left out"),
    ]
    alive = np.flatnonzero(worked)
    pooled = np.sort(rng.choice(alive, size=max(3, len(alive) // 8), replace=False))
    eggs = rng.exponential(size=len(dams))
    rank = rng.exponential(size=len(pooled))
    culled = np.where(
        np.isin(np.arange(len(dams)), rng.choice(alive, size=max(2, len(alive) // 10), replace=False)),
        1.0,
        0.0,
    )
    pond = rng.exponential(size=len(dams))

    def unequal_eggs(strength: float, w: FloatArray) -> FloatArray:
        return w * np.exp(-strength * eggs)

    def one_tank_pooled(strength: float, w: FloatArray) -> FloatArray:
        out = w.copy()
        inside = np.exp(-strength * rank) * w[pooled]
        out[pooled] = w[pooled].sum() * inside / inside.sum()
        return out

    def culling_error(strength: float, w: FloatArray) -> FloatArray:
        return w * np.exp(-strength * culled)

    def pond_loss(strength: float, w: FloatArray) -> FloatArray:
        return w * np.exp(-strength * pond)

    accidents = (
        ("eggs kept", unequal_eggs, 0.27, "egg and fry numbers were not made equal"),
        (
            "pooled tank",
            one_tank_pooled,
            0.66,
            "several dishes were pooled before counting; one dish took most of the tank",
        ),
        ("culling", culling_error, 0.77, "one rack was culled twice"),
        ("pond", pond_loss, 1.0, "a summer loss hit some families harder"),
    )
    for name, accident, left, note in accidents:
        goal = planned - left * drop
        share = accident(_strength(accident, share, goal, dams, sires), share)
        steps.append(LossStep(name, breeders_of_shares(share, dams, sires), note))
    return share, steps, pooled


def _strength(accident, share: FloatArray, goal: float, dams: np.ndarray, sires: np.ndarray) -> float:  # type: ignore[no-untyped-def]
    """Return the strength, found by halving, at which an accident leaves the wanted effective number."""
    low, high = 0.0, 8.0
    if breeders_of_shares(accident(0.0, share), dams, sires) <= goal:
        return 0.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        if breeders_of_shares(accident(middle, share), dams, sires) > goal:
            low = middle
        else:
            high = middle
    return high
