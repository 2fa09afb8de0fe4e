"""Invented release problems for tests and benchmarks: a programme-sized one and small random ones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from planner.optimise.release.data import Families, Groups, ReleaseData, Sites
from planner.optimise.release.settings import ReleaseSettings, SitesShare, SitesTotal


def pedigree_kinship(dam: np.ndarray, sire: np.ndarray) -> np.ndarray:
    """Kinship by the tabular method, one fish after the other; -1 is an unknown parent."""
    n = len(dam)
    k = np.zeros((n, n))
    for i in range(n):
        known = [p for p in (dam[i], sire[i]) if p >= 0]
        for j in range(i):
            k[i, j] = k[j, i] = sum(0.5 * k[j, p] for p in known)
        k[i, i] = 0.5 * (1.0 + (k[dam[i], sire[i]] if len(known) == 2 else 0.0))
    return k


def family_kinship(rng: np.random.Generator, n_families: int, n_parents: int = 50) -> np.ndarray:
    """Kinship between families of a partial factorial whose parents share grandparents."""
    founders = 40
    dam = [-1] * founders
    sire = [-1] * founders
    for _ in range(n_parents - n_parents // 3):
        a, b = rng.choice(founders, 2, replace=False)
        dam.append(int(a))
        sire.append(int(b))
    born = np.arange(founders, len(dam))
    parents = np.concatenate([rng.choice(founders, n_parents // 3, replace=False), born])
    rng.shuffle(parents)
    mothers, fathers = parents[: n_parents // 2], parents[n_parents // 2 :]
    k = pedigree_kinship(np.array(dam), np.array(sire))
    share = np.zeros((n_families, len(dam)))
    for f in range(n_families):
        share[f, mothers[f % len(mothers)]] += 0.5
        share[f, fathers[(7 * f + f // len(mothers)) % len(fathers)]] += 0.5
    return share @ k @ share.T


def programme(
    seed: int = 1,
    n_families: int = 80,
    n_fish: int = 4860,
    *,
    time_limit: float = 30.0,
    gap: float = 0.005,
) -> ReleaseData:
    """An autumn release: families in three size classes, 4 lake zones, 9 backwaters, 2 refuges; all rules."""
    rng = np.random.default_rng(seed)
    kinship = family_kinship(rng, n_families)
    n_sites = 15
    family = np.repeat(np.arange(n_families), 3)
    n_groups = len(family)
    size = rng.dirichlet(np.full(n_families, 2.0)) * n_fish
    available = np.rint(np.outer(size, [0.2, 0.42, 0.38])).astype(np.int64).ravel()
    length = np.tile([272.0, 326.0, 376.0], n_families) + rng.normal(0, 6, n_groups)
    shortest = length - np.tile([20.0, 18.0, 15.0], n_families)
    held = np.zeros(n_groups, dtype=bool)
    held[rng.choice(n_groups, n_groups // 40, replace=False)] = True
    drugged = np.zeros(n_groups, dtype=bool)
    drugged[rng.choice(n_groups, n_groups // 60, replace=False)] = True
    groups = Groups.make(
        [f"G{g:03d}" for g in range(n_groups)],
        family,
        available,
        length,
        shortest_mm=shortest,
        weight_g=1.15e-5 * length**3,
        size_class=["small", "middle", "large"] * n_families,
        year_class=2021 + (np.arange(n_groups) // 3) % 3,
        water_risk=np.where(rng.random(n_groups) < 0.08, 3, 1),
        health_hold=held,
        withdrawal_hold=drugged,
    )
    lake = np.arange(4)
    pond = np.arange(4, 13)
    refuge = np.arange(13, 15)
    capacity = np.array([3400, 2900, 4400, 1900, 190, 80, 110, 260, 60, 130, 220, 150, 90, 300, 400])
    residents = np.zeros((n_families, n_sites), dtype=np.int64)
    share = np.array([0, 0, 0, 0, 0.4, 0.0, 0.5, 0.5, 0.4, 0.5, 0.0, 0.3, 0.5, 0.6, 0.5])
    for s in range(n_sites):
        number = 400 if s < 4 else int(capacity[s] * share[s])
        n_there = n_families if s < 4 else min(n_families, 3 if s == 6 else int(rng.integers(9, 31)))
        there = rng.choice(n_families, n_there, replace=False)
        residents[:, s] = np.bincount(rng.choice(there, number), minlength=n_families)
    copies = np.zeros((n_families, n_sites), dtype=np.int64)
    copies[rng.choice(n_families, n_families // 8, replace=False), 13] = 2
    kind = np.array(["reservoir-zone"] * 4 + ["isolated-backwater"] * 9 + ["refuge"] * 2)
    wanted = np.full(n_sites, -1)
    wanted[5], wanted[14] = min(60, n_fish // 30), min(120, n_fish // 30)
    sites = Sites.make(
        [f"Site {s + 1:02d}" for s in range(n_sites)],
        n_families,
        kind=kind.tolist(),
        capacity_fish=capacity,
        capacity_kg=np.where(kind == "reservoir-zone", np.inf, capacity * 0.62),
        residents=residents,
        resident_kg=residents.sum(axis=0) * 0.55,
        predators=["present"] * 4 + ["none"] * 5 + ["unknown", "none", "present", "none"] + ["none"] * 2,
        connected=np.isin(np.arange(n_sites), [*lake, 9]),
        open=np.arange(n_sites) != 12,
        min_length_mm=np.where(kind == "reservoir-zone", 300.0, 240.0),
        min_group=np.where(np.isin(np.arange(n_sites), pond), 20, 0),
        wanted=wanted,
        min_receive=np.where(np.arange(n_sites) == 1, n_fish // 16, 0),
        max_receive=np.where(np.arange(n_sites) == 3, n_fish // 8, -1),
        min_year_classes=np.where(np.arange(n_sites) >= 4, 2, 0),
        min_families=np.where(np.isin(np.arange(n_sites), [5, 10]), 15, 0),
        family_cap=np.where(np.isin(np.arange(n_sites), lake), 1.0, 0.15),
        refuge_copies=copies,
        water_risk=np.where(np.isin(np.arange(n_sites), refuge), 1, np.where(np.arange(n_sites) < 4, 5, 3)),
        curve=np.where(np.arange(n_sites) < 4, 0, np.arange(n_sites)),
    )
    logit = np.where(np.arange(n_sites) < 4, -7.07, -4.5) + rng.normal(0, 0.3, n_sites)
    slope = np.where(np.arange(n_sites) < 4, 0.0163, 0.0135)
    survival = 1.0 / (1.0 + np.exp(-(logit[None, :] + length[:, None] * slope[None, :])))
    forbidden = np.zeros((n_groups, n_sites), dtype=bool)
    forbidden[rng.random(n_groups) < 0.1, 7] = True
    settings = ReleaseSettings(
        total_min=int(0.8 * n_fish),
        total_max=int(0.87 * n_fish),
        keep_back=n_fish // 8,
        min_sites=3,
        min_sites_from=15,
        living_share=0.5,
        predator_safe_mm=300.0,
        connected_min_mm=300.0,
        year_class_fish=3,
        totals=(
            SitesTotal("lake", tuple(range(4)), int(0.45 * n_fish), int(0.7 * n_fish)),
            SitesTotal("backwaters", tuple(range(4, 13)), n_fish // 10, -1),
        ),
        survivors_share=0.95,
        gap=gap,
        time_limit=time_limit,
    )
    return ReleaseData.make(
        Families.make([f"F{f:02d}" for f in range(n_families)], kinship, keep_back=1),
        groups,
        sites,
        survival,
        survival_se=0.25 * survival * (1 - survival),
        forbidden=forbidden,
        settings=settings,
    )


def unrelated(n_families: int, within: float = 0.25, between: float = 0.02) -> np.ndarray:
    """Kinship of families that are all equally related to each other."""
    return np.full((n_families, n_families), between) + (within - between) * np.eye(n_families)


def plain(
    *,
    available: tuple[int, ...] = (6, 6, 6),
    lengths: tuple[float, ...] | float = 350.0,
    family: tuple[int, ...] | None = None,
    n_families: int | None = None,
    n_sites: int = 2,
    survival: object = 0.5,
    kinship: np.ndarray | None = None,
    families: dict[str, object] | None = None,
    groups: dict[str, object] | None = None,
    sites: dict[str, object] | None = None,
    settings: dict[str, object] | None = None,
    committed: object = 0,
    forbidden: object = False,
) -> ReleaseData:
    """A small problem without any demand; every part can be replaced."""
    owner = tuple(range(len(available))) if family is None else family
    n = n_families if n_families is not None else (max(owner) + 1 if owner else 0)
    return ReleaseData.make(
        Families.make(
            [f"F{i}" for i in range(n)], unrelated(n) if kinship is None else kinship, **(families or {})
        ),
        Groups.make([f"G{i}" for i in range(len(available))], owner, available, lengths, **(groups or {})),
        Sites.make([f"S{i}" for i in range(n_sites)], n, **(sites or {})),
        survival,
        committed=committed,
        forbidden=forbidden,
        settings=ReleaseSettings(**{"survivors_share": 0.0, "gap": 0.0, **(settings or {})}),
    )


def small_random(rng: np.random.Generator, *, most_fish: int = 3) -> ReleaseData:
    """A random problem small enough to try every plan; most rules appear now and then."""
    n_groups, n_sites = int(rng.integers(1, 4)), int(rng.integers(1, 3))
    n_families = int(rng.integers(1, n_groups + 1))
    family = rng.integers(0, n_families, n_groups)
    loadings = rng.uniform(0, 0.5, (n_families, n_families + 1))
    kinship = loadings @ loadings.T / (n_families + 1)
    residents = rng.integers(0, 4, (n_families, n_sites)) * (rng.random((n_families, n_sites)) < 0.5)

    def sometimes(chance: float, value: object, other: object) -> object:
        return value if rng.random() < chance else other

    shape = (n_groups, n_sites)
    return ReleaseData.make(
        Families.make(
            [f"F{i}" for i in range(n_families)],
            kinship,
            keep_back=rng.integers(0, 2, n_families) * (rng.random() < 0.2),
            elsewhere=rng.integers(0, 3, n_families),
        ),
        Groups.make(
            [f"G{i}" for i in range(n_groups)],
            family,
            rng.integers(0, most_fish + 1, n_groups),
            rng.choice([280.0, 330.0], n_groups),
            weight_g=rng.choice([250.0, 400.0], n_groups),
            year_class=rng.integers(2020, 2022, n_groups),
            water_risk=rng.integers(0, 2, n_groups),
            health_hold=rng.random(n_groups) < 0.1,
            withdrawal_hold=rng.random(n_groups) < 0.1,
        ),
        Sites.make(
            [f"S{i}" for i in range(n_sites)],
            n_families,
            capacity_fish=rng.integers(0, 9, n_sites) + residents.sum(axis=0),
            capacity_kg=sometimes(0.3, rng.uniform(0.3, 2.0, n_sites), np.inf),
            residents=residents,
            predators=rng.choice(["none", "none", "present", "unknown"], n_sites).tolist(),
            connected=rng.random(n_sites) < 0.3,
            open=rng.random(n_sites) < 0.9,
            min_length_mm=rng.choice([0.0, 300.0], n_sites),
            min_group=rng.choice([0, 2, 3], n_sites),
            wanted=np.where(rng.random(n_sites) < 0.08, rng.integers(0, 4, n_sites), -1),
            min_receive=rng.choice([0] * 9 + [1], n_sites),
            max_receive=np.where(rng.random(n_sites) < 0.3, rng.integers(1, 5, n_sites), -1),
            min_year_classes=rng.choice([0, 0, 2], n_sites),
            min_families=rng.choice([0, 0, 1, 2], n_sites),
            family_cap=rng.choice([1.0, 0.5, 0.7], n_sites),
            refuge_copies=rng.integers(0, 2, (n_families, n_sites)) * (rng.random() < 0.06),
            weight=rng.choice([0.0, 1.0, 2.0], n_sites),
            water_risk=rng.integers(0, 3, n_sites),
        ),
        rng.uniform(0.05, 0.95, shape),
        forbidden=rng.random(shape) < 0.05,
        settings=ReleaseSettings(
            total_min=int(sometimes(0.2, 1, 0)),  # type: ignore[call-overload]
            total_max=int(sometimes(0.3, 4, -1)),  # type: ignore[call-overload]
            keep_back=int(sometimes(0.3, 1, 0)),  # type: ignore[call-overload]
            min_sites=int(sometimes(0.1, 1, 0)),  # type: ignore[call-overload]
            living_share=float(sometimes(0.3, 0.6, 1.0)),  # type: ignore[arg-type]
            predator_safe_mm=300.0,
            connected_min_mm=float(sometimes(0.5, 300.0, 0.0)),  # type: ignore[arg-type]
            survivors_share=float(rng.choice([0.0, 0.7, 0.95, 1.0])),
            whole_weight=float(rng.choice([0.0, 1.0])),
            gap=0.0,
            time_limit=60.0,
        ),
    )


def more_rules(data: ReleaseData, rng: np.random.Generator) -> ReleaseData:
    """The same problem with sexes, species, seasons, temperatures, shares and a permit switched on at random."""
    n_groups, n_sites = data.n_groups, data.n_sites

    def on(chance: float) -> bool:
        return bool(rng.random() < chance)

    groups = replace(
        data.groups,
        sex=tuple(rng.choice(["female", "male", "unknown"], n_groups).tolist()),
        other_species=rng.random(n_groups) < (0.15 if on(0.4) else 0.0),
        water_c=rng.choice([6.0, 8.5, 14.0, -99.0], n_groups),
        sex_doubt=rng.random(n_groups) < (0.15 if on(0.3) else 0.0),
    )
    windowed = rng.random(n_sites) < (0.7 if on(0.6) else 0.0)
    sites = replace(
        data.sites,
        female_low=np.where(windowed, rng.choice([0.0, 0.3, 0.5], n_sites), 0.0),
        female_high=np.where(windowed, rng.choice([0.5, 0.65, 1.0], n_sites), 1.0),
        sex_known_from=rng.integers(1, 4, n_sites),
        closed_months=rng.random((12, n_sites)) < 0.2,
        water_c=rng.choice([7.0, 10.0, 17.0, -99.0], n_sites),
        tempering=rng.random(n_sites) < 0.3,
    )
    low = float(rng.choice([0.0, 0.0, 0.25, 0.5]))
    share = SitesShare("partner", (int(rng.integers(0, n_sites)),), low, float(rng.choice([0.5, 0.75, 1.0])))
    settings = replace(
        data.settings,
        month=int(rng.integers(1, 13)) if on(0.5) else 0,
        temperature_step_c=3.0 if on(0.5) else 0.0,
        shares=(share,) if on(0.4) else (),
        permit_left=int(rng.integers(0, 8)) if on(0.3) else -1,
    )
    return replace(data, groups=groups, sites=sites, settings=settings)
