"""Random small cases and the obvious slow versions that the planner is compared with."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from broodstock.pedigree.kinship import kinship_matrix
from planner.optimise.spawning.data import MANY, SpawningData, spawning_data

PedigreeMaker = Callable[..., tuple[np.ndarray, np.ndarray]]


@pytest.fixture(scope="session")
def random_pedigree() -> PedigreeMaker:
    def make(rng: np.random.Generator, founders: int = 4, generations: int = 2, per: int = 6) -> tuple:
        """Parents (dam, sire) and sex (0 female): any earlier fish may breed, one parent in ten is unknown."""
        parents = [(-1, -1)] * founders
        sex = [i % 2 for i in range(founders)]
        for _ in range(generations * per):
            dams = [i for i, s in enumerate(sex) if s == 0]
            sires = [i for i, s in enumerate(sex) if s == 1]
            dam = int(rng.choice(dams)) if rng.random() < 0.9 else -1
            sire = int(rng.choice(sires)) if rng.random() < 0.9 else -1
            parents.append((dam, sire))
            sex.append(int(rng.integers(2)))
        return np.array(parents, np.int32), np.array(sex)

    return make


@pytest.fixture(scope="session")
def skewed_pedigree() -> PedigreeMaker:
    def make(seed: int, founders: int = 20, generations: int = 3, per: int = 40) -> tuple:
        """Discrete generations with very unequal families, as hatcheries have them."""
        rng = np.random.default_rng(seed)
        parents = [(-1, -1)] * founders
        sex = [i % 2 for i in range(founders)]
        previous = list(range(founders))
        for _ in range(generations):
            dams = [i for i in previous if sex[i] == 0]
            sires = [i for i in previous if sex[i] == 1]
            dam_share, sire_share = (rng.dirichlet(np.full(len(x), 0.5)) for x in (dams, sires))
            new = []
            for k in range(per):
                parents.append(
                    (dams[rng.choice(len(dams), p=dam_share)], sires[rng.choice(len(sires), p=sire_share)])
                )
                sex.append(k % 2)
                new.append(len(sex) - 1)
            previous = new
        return np.array(parents, np.int32), np.array(sex), np.array(previous)

    return make


@pytest.fixture(scope="session")
def small_case(random_pedigree: PedigreeMaker) -> Callable[..., SpawningData]:
    def make(seed: int, *, repeats: bool = False, rate: float = 0.6) -> SpawningData:
        """A case small enough to try every plan, with a random choice of rules in force."""
        rng = np.random.default_rng(seed)
        nf, nm = (2, 3) if repeats else (3, 3)
        while True:
            parents, sex = random_pedigree(rng)
            if min((sex == 0).sum(), (sex == 1).sum()) >= 3:
                break
        females = rng.choice(np.flatnonzero(sex == 0), nf, replace=False)
        males = rng.choice(np.flatnonzero(sex == 1), nm, replace=False)
        dishes, settings = int(rng.integers(1, 6)), _random_rules(rng, nf, nm, rate, len(parents))
        if repeats:
            settings["pair_repeats"] = 2
        elif rng.random() < 0.2 * rate:
            settings["factorial"] = (int(rng.integers(1, 3)), int(rng.integers(1, 4)))
            settings["blocks"] = int(rng.integers(1, 3)) if max(settings["factorial"]) == 1 else 1
            dishes = settings["factorial"][0] * settings["factorial"][1] * settings["blocks"]
        return spawning_data(females, males, dishes, parents=parents, **settings)

    return make


def _random_rules(rng: np.random.Generator, nf: int, nm: int, rate: float, n_fish: int) -> dict[str, Any]:
    n = nf + nm
    frozen = np.full(n, -1)
    frozen[nf:] = rng.integers(-1, 4, nm)
    low, high = np.sort(rng.integers(1, 4, (2, 2)), axis=1).T.tolist()
    number = int(rng.integers(1, 3))
    made = np.column_stack(
        [rng.integers(nf, size=number), rng.integers(nm, size=number), np.ones(number, int)]
    )
    choices: list[tuple[float, dict[str, Any]]] = [
        (0.5, {"most_uses": rng.integers(1, 4, n)}),
        (0.3, {"least_uses": rng.integers(0, 2, n)}),
        (0.3, {"pair_limit": float(rng.choice([0, 0.0625, 0.125, 0.25]))}),
        (0.2, {"pair_limit": 0.2, "limit_on": "upper", "pair_upper": rng.random((nf, nm)) / 2}),
        (0.3, {"forbidden": rng.random((nf, nm)) < 0.2}),
        (0.2, {"past_pairs": rng.random((nf, nm)) < 0.2}),
        (0.3, {"ripe": rng.random(n) < 0.8}),
        (0.2, {"hold": rng.random(n) < 0.15}),
        (0.3, {"males_per_female": (min(low[0], high[0]), max(low[0], high[0]))}),
        (0.3, {"females_per_male": (min(low[1], high[1]), max(low[1], high[1]))}),
        (0.3, {"made": np.unique(made, axis=0)}),
        (0.2, {"place": rng.integers(-1, 2, n), "same_place": True}),
        (0.2, {"unknown": rng.random(n) < 0.2, "safe_limit": float(rng.choice([0, 0.125, 0.25]))}),
        (0.2, {"straws": frozen, "straws_per_dish": rng.integers(1, 3, n)}),
        (0.2, {"eggs": rng.integers(-1, 1000, nf), "least_eggs": 300.0}),
        (0.2, {"permit": rng.integers(-1, 2, n), "permit_limit": rng.integers(1, 4, 2)}),
        (0.2, {"founders": [0, 1], "founder_share": rng.random(2) * 0.4}),
        (0.2, {"lifetime_uses": np.full(n, 5), "past_uses": rng.integers(0, 6, n)}),
    ]
    living = rng.random(n_fish) < 0.5
    living[0] = True
    group = {"living": living, "living_share": float(rng.random()), "young": float(rng.integers(1, 20))}
    settings: dict[str, Any] = {}
    for chance, rules in [*choices, (0.4 / rate, group)]:
        if rng.random() < chance * rate:
            settings |= rules
    return settings


@pytest.fixture(scope="session")
def faults() -> Callable[[SpawningData, np.ndarray], list[str]]:
    return obvious_faults


def obvious_faults(d: SpawningData, new: np.ndarray) -> list[str]:
    """Every rule in plain loops: the codes of the rules that a table of new dishes breaks."""
    nf, nm = d.n_females, d.n_males
    made = [[0] * nm for _ in range(nf)]
    for f, m, k in d.made.tolist():
        made[f][m] += k
    x = new.tolist()
    K = kinship_matrix(d.parents) if d.kinship is None else d.kinship
    out: set[str] = set()
    fresh = [sum(row) for row in x] + [sum(x[f][m] for f in range(nf)) for m in range(nm)]
    had = [sum(row) for row in made] + [sum(made[f][m] for f in range(nf)) for m in range(nm)]
    uses = [a + b for a, b in zip(fresh, had, strict=True)]
    if sum(fresh[:nf]) != d.dishes:
        out.add("dishes")
    for i in range(nf + nm):
        mates = had_mates = 0
        for j in range(nm if i < nf else nf):
            f, m = (i, j) if i < nf else (j, i - nf)
            mates += x[f][m] + made[f][m] > 0
            had_mates += made[f][m] > 0
        if uses[i] < d.least_uses[i]:
            out.add("least-uses")
        if fresh[i] == 0:
            continue
        out |= {"ripe"} if not d.ripe[i] else set()
        out |= {"hold"} if d.hold[i] else set()
        out |= {"most-uses"} if uses[i] > d.most_uses[i] else set()
        out |= {"lifetime-uses"} if uses[i] + d.past_uses[i] > d.lifetime_uses[i] else set()
        least, most = d.males_per_female if i < nf else d.females_per_male
        if mates < least or (mates > most and mates > had_mates):
            out.add("males-per-female" if i < nf else "females-per-male")
        if d.straws[i] >= 0 and fresh[i] * d.straws_per_dish[i] > d.straws[i]:
            out.add("straws")
        if i < nf and d.least_eggs > 0 and d.eggs[i] >= 0 and d.eggs[i] / fresh[i] < d.least_eggs:
            out.add("egg-share")
    for f, m in itertools.product(range(nf), range(nm)):
        if x[f][m] == 0:
            continue
        kin = K[d.females[f], d.males[m]]
        out |= {"pair-repeats"} if x[f][m] + made[f][m] > d.pair_repeats else set()
        compared = kin if d.limit_on == "point" else d.pair_upper[f, m]
        out |= {"pair-kinship"} if d.pair_limit is not None and compared > d.pair_limit + 1e-9 else set()
        out |= {"forbidden-pairs"} if d.forbidden[f, m] else set()
        out |= {"past-pairs"} if d.past_pairs[f, m] else set()
        a, b = int(d.place[f]), int(d.place[nf + m])
        out |= {"same-place"} if d.same_place and a != b and min(a, b) >= 0 else set()
        if d.unknown[f] and max(K[g, d.males[m]] for g in d.females) > d.safe_limit + 1e-9:
            out.add("unknown-fish")
        if d.unknown[nf + m] and max(K[d.females[f], g] for g in d.males) > d.safe_limit + 1e-9:
            out.add("unknown-fish")
        if d.unknown[f] and d.unknown[nf + m]:
            out.add("unknown-fish")
    for number, limit in enumerate(d.permit_limit.tolist()):
        group = [i for i in range(nf + nm) if d.permit[i] == number]
        before, after = sum(had[i] > 0 for i in group), sum(uses[i] > 0 for i in group)
        if after > max(limit, before):
            out.add("permit")
    for founder, share in zip(d.founders.tolist(), d.founder_share.tolist(), strict=True):
        genes = [1.0 if i == founder else 0.0 for i in range(d.n_fish)]
        for i, pair in enumerate(d.parents.tolist()):
            if i != founder:
                genes[i] = sum(genes[p] / 2 for p in pair if p >= 0)
        got = (
            1.0
            if not sum(uses)
            else sum(u * genes[int(r)] for u, r in zip(uses, d.candidates, strict=True)) / sum(uses)
        )
        if got < share - 1e-8:
            out.add("founder-share")
    if d.factorial is not None:
        used_f = [f for f in range(nf) if fresh[f]]
        used_m = [m for m in range(nm) if fresh[nf + m]]
        blocks = {(f, tuple(m for m in range(nm) if x[f][m])) for f in used_f}
        sires = {males for _, males in blocks}
        right = all(sum(males == s for _, males in blocks) == d.factorial[0] for s in sires)
        apart = sum(len(s) for s in sires) == len(used_m) == len(sires) * d.factorial[1]
        once = all(x[f][m] <= 1 for f in used_f for m in used_m)
        if not (
            right
            and apart
            and once
            and len(sires) == d.blocks
            and all(len(s) == d.factorial[1] for s in sires)
        ):
            out.add("full-factorial")
    return sorted(out)


@pytest.fixture(scope="session")
def slow_goal() -> Callable[[SpawningData, np.ndarray], float]:
    return obvious_goal


def obvious_goal(d: SpawningData, new: np.ndarray) -> float:
    """The goal from the kinship matrix of all fish, written out as a gene pool."""
    K = kinship_matrix(d.parents) if d.kinship is None else d.kinship
    table = new + d.made_pairs
    pool = np.zeros(d.n_fish)
    for f, m in itertools.product(range(d.n_females), range(d.n_males)):
        pool[d.females[f]] += table[f, m]
        pool[d.males[m]] += table[f, m]
    pool /= pool.sum()
    value = (1 - d.living_share) * (pool @ K @ pool)
    if d.living_share > 0:
        both = d.living + d.young * pool
        both = both / both.sum()
        value += d.living_share * (both @ K @ both)
    return float(value)


@pytest.fixture(scope="session")
def best_by_trying() -> Callable[[SpawningData], tuple[float, float] | None]:
    def best(d: SpawningData) -> tuple[float, float] | None:
        """Least goal over every table of new dishes, then least inbreeding; None when no table meets the rules."""
        K = kinship_matrix(d.parents) if d.kinship is None else d.kinship
        pairs = K[np.ix_(d.females, d.males)]
        found: list[tuple[float, float]] = []
        for code in itertools.product(range(d.pair_repeats + 1), repeat=d.n_females * d.n_males):
            if sum(code) != d.dishes:
                continue
            table = np.array(code).reshape(d.n_females, d.n_males)
            if not obvious_faults(d, table):
                found.append((obvious_goal(d, table), float((table * pairs).sum() / max(1, d.dishes))))
        return min(found, key=lambda v: (round(v[0], 10), v[1])) if found else None

    return best


@pytest.fixture(scope="session")
def unlimited() -> int:
    return MANY
