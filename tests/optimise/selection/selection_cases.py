"""Random small choices and their slow, obvious answers."""

from __future__ import annotations

import itertools

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.pedigree.kinship import kinship_matrix
from planner.optimise.selection.data import FamilyRules, Rule, SelectionData


def random_parents(rng: np.random.Generator, founders: int = 6, later: int = 14) -> np.ndarray:
    """A pedigree of founders and later fish with parents among the earlier ones."""
    rows = [[-1, -1]] * founders
    for i in range(founders, founders + later):
        dam, sire = rng.choice(i, 2, replace=False)
        rows.append([int(dam), int(sire)])
    return np.array(rows, dtype=np.int32)


def family_case(
    rng: np.random.Generator, families: FamilyRules | None = None, *, weight: float = 0.0, rules: bool = False
) -> tuple[SelectionData, tuple[np.ndarray, FloatArray, FloatArray]]:
    """A choice among kinds of five families, and the pedigree, shares and extra kinship behind it."""
    parents = random_parents(rng)
    n_families = 5
    shares = np.zeros((n_families, len(parents)))
    extra = np.zeros(n_families)
    for f in range(n_families - 1):
        shares[f, rng.choice(len(parents), 2, replace=False)] = 0.5
    extra[-1] = 0.02
    K = shares @ kinship_matrix(parents) @ shares.T + np.diag(extra)
    family = np.array([0, 0, 1, 2, 2, 3, 4])
    available = rng.integers(1, 4, 7)
    number = int(min(6, available.sum()))
    sex = rng.integers(-1, 2, 7)
    more = (
        (
            Rule("space", "room for 4", np.array([1.0, 0, 1, 1, 0, 0, 0]), high=4),
            Rule("line", "line kept", rng.random(7), low=1.0),
        )
        if rules
        else ()
    )
    data = SelectionData.make(
        K,
        np.full(n_families, 0.5) + rng.random(n_families) * 0.1,
        family,
        available,
        number,
        sex=sex,
        families=families,
        rules=more,
        living=10.0 if weight else 0.0,
        living_kinship=rng.random(n_families) * 0.1,
        living_mean=0.05,
        living_weight=weight,
    )
    return data, (parents, shares, extra)


def slow_pairs(data: SelectionData, numbers: np.ndarray) -> float:
    """Mean kinship of all ordered pairs of chosen fish, one by one."""
    fish = [f for f, n in zip(data.family.tolist(), numbers.tolist(), strict=True) for _ in range(n)]
    total = 0.0
    for i, a in enumerate(fish):
        for j, b in enumerate(fish):
            total += data.self_kinship[a] if i == j else data.kinship[a, b]
    return total / len(fish) ** 2


def meets(data: SelectionData, n: np.ndarray) -> bool:
    """The rules again, written out with loops."""
    if n.sum() != data.number or any(
        x < a or x > b for x, a, b in zip(n, data.least, data.most, strict=True)
    ):
        return False
    for rule in data.rules:
        x = sum(float(a) * int(b) for a, b in zip(rule.factors, n, strict=True))
        if x < rule.low - 1e-9 or x > rule.high + 1e-9:
            return False
    used = 0
    for f in range(data.n_families):
        kinds = [k for k in range(len(n)) if data.family[k] == f and n[k] > 0]
        t = sum(int(n[k]) for k in kinds)
        used += t > 0
        if t and not data.families.least <= t <= data.families.most:
            return False
        if data.families.sexes_apart and len({int(data.sex[k]) for k in kinds}) > 1:
            return False
    return used >= data.families.families


def slow_best(data: SelectionData) -> float | None:
    """Least objective over every combination of numbers."""
    best = None
    for numbers in itertools.product(*[range(int(m) + 1) for m in data.available]):
        n = np.array(numbers)
        if not meets(data, n):
            continue
        value = slow_pairs(data, n)
        if data.living_weight > 0:
            t = data.family_numbers(n)
            w, L, N = data.living_weight, data.living, float(n.sum())
            joint = (value * N**2 + 2 * L * float(t @ data.living_kinship) + L**2 * data.living_mean) / (
                N + L
            ) ** 2
            value = (1 - w) * value + w * joint
        best = value if best is None else min(best, value)
    return best
