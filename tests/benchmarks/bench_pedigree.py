"""Time and memory of pedigree work. Every row runs in a process of its own, so that its memory is its own."""

from __future__ import annotations

import multiprocessing
import resource
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor

import numpy as np

FISH = 1_000_000


def year_classes(
    n: int, years: int, breeders: int, seed: int, first_age: int = 3, last_age: int = 12
) -> np.ndarray:
    """Pedigree of equal year classes; in each, some fish become breeders and spawn between two ages, at random.

    Even rows are females, odd rows males.
    """
    rng = np.random.default_rng(seed)
    per_year = n // years
    parents = np.full((per_year * years, 2), -1, np.int32)
    chosen = [rng.choice(per_year, breeders, replace=False) + year * per_year for year in range(years)]
    for year in range(first_age, years):
        pool = np.concatenate(chosen[max(0, year - last_age) : year - first_age + 1])
        rows = slice(year * per_year, (year + 1) * per_year)
        parents[rows, 0] = rng.choice(pool[pool % 2 == 0], per_year)
        parents[rows, 1] = rng.choice(pool[pool % 2 == 1], per_year)
    return parents


def crossed_year_classes(n: int, years: int, breeders: int, crosses: int, seed: int) -> np.ndarray:
    """As `year_classes`, but each year's fish come from a limited number of crosses (full-sib families)."""
    rng = np.random.default_rng(seed)
    parents = year_classes(n, years, breeders, seed)
    per_year = n // years
    for year in range(3, years):
        rows = slice(year * per_year, (year + 1) * per_year)
        parents[rows] = parents[rows][rng.integers(0, crosses, per_year)]
    return parents


def generations(n: int, count: int, breeders: int, seed: int) -> np.ndarray:
    """Pedigree of separate generations, each from some breeders of the one before."""
    rng = np.random.default_rng(seed)
    size = n // count
    parents = np.full((size * count, 2), -1, np.int32)
    for g in range(1, count):
        pool = rng.choice(size, breeders, replace=False) + (g - 1) * size
        rows = slice(g * size, (g + 1) * size)
        parents[rows, 0] = rng.choice(pool[pool % 2 == 0], size)
        parents[rows, 1] = rng.choice(pool[pool % 2 == 1], size)
    return parents


def _living(parents: np.ndarray) -> tuple[float, str]:
    """Inbreeding of all and mean kinship of the youngest tenth with itself."""
    from broodstock.pedigree.kinship import inbreeding, mean_kinship

    tiny = np.array([[-1, -1], [-1, -1], [0, 1], [0, 2]], np.int32)
    mean_kinship(tiny, np.ones(4))  # load the compiled loops
    w = np.zeros(len(parents))
    w[-len(parents) // 10 :] = 1
    start, start_cpu = time.perf_counter(), time.process_time()
    f = inbreeding(parents)
    mean = mean_kinship(parents, w, f)
    seconds, cpu = time.perf_counter() - start, time.process_time() - start_cpu
    return (
        seconds,
        f"processor {cpu:.1f} s, mean F {f[w > 0].mean():.4f}, mean kinship {mean[w > 0].mean():.4f}",
    )


def living_crossed() -> tuple[float, str]:
    return _living(crossed_year_classes(FISH, 40, 300, 400, 1))


def living_every_cross_new() -> tuple[float, str]:
    return _living(year_classes(FISH, 40, 400, 1))


def living_deep() -> tuple[float, str]:
    return _living(year_classes(FISH, 100, 1000, 1))


def living_wide() -> tuple[float, str]:
    return _living(generations(FISH, 10, 100_000, 1))


def matrix() -> tuple[float, str]:
    from broodstock.pedigree.kinship import kinship_matrix

    parents = year_classes(10_000, 20, 100, 1)
    kinship_matrix(parents[:100])
    start = time.perf_counter()
    k = kinship_matrix(parents)
    return time.perf_counter() - start, f"mean {k.mean():.4f}"


def matrix_sgkit() -> tuple[float, str]:
    import sgkit
    import xarray

    def compute(parents: np.ndarray) -> np.ndarray:
        ds = xarray.Dataset({"parent": (("samples", "parents"), parents.astype(np.int64))})
        out = sgkit.pedigree_kinship(ds, merge=False, allow_half_founders=True)
        return out["stat_pedigree_kinship"].values

    parents = year_classes(10_000, 20, 100, 1)
    compute(parents[:100])
    start = time.perf_counter()
    k = compute(parents)
    return time.perf_counter() - start, f"mean {k.mean():.4f}; general library, for comparison"


def submatrix() -> tuple[float, str]:
    from broodstock.pedigree.kinship import inbreeding, kinship_between

    parents = crossed_year_classes(FISH, 40, 300, 400, 1)
    rows = np.random.default_rng(2).choice(np.arange(FISH // 2, FISH), 1200, replace=False)
    f = inbreeding(parents)
    kinship_between(parents, rows[:3], rows[:2], f)
    start = time.perf_counter()
    k = kinship_between(parents, rows, rows, f)
    return time.perf_counter() - start, f"mean {k.mean():.4f}"


def survival() -> tuple[float, str]:
    from broodstock.pedigree.founders import founder_survival

    parents = crossed_year_classes(40_000, 40, 40, 60, 1)
    w = np.r_[np.zeros(35_000), np.ones(5000)]
    founder_survival(parents[:100], np.ones(100), 2, 1)
    start = time.perf_counter()
    found = founder_survival(parents, w, 10_000, 1)
    seconds = time.perf_counter() - start
    return seconds, f"founder genomes surviving {found.genomes_surviving().text(2)}"


def building() -> tuple[float, str]:
    from broodstock.pedigree.build import build_pedigree

    parents = crossed_year_classes(FISH, 40, 300, 400, 1)
    names = [f"EM-{i:07d}" for i in range(FISH)]
    dams = [names[p] if p >= 0 else "" for p in parents[:, 0].tolist()]
    sires = [names[p] if p >= 0 else "" for p in parents[:, 1].tolist()]
    order = np.random.default_rng(3).permutation(FISH).tolist()
    build_pedigree(["a"], [""], [""])
    start = time.perf_counter()
    built = build_pedigree([names[i] for i in order], [dams[i] for i in order], [sires[i] for i in order])
    return time.perf_counter() - start, f"{len(built)} rows put in order"


CASES: list[tuple[str, str, str, Callable[[], tuple[float, str]]]] = [
    (
        "inbreeding and mean kinship of the living",
        "1 000 000 fish, 40 year classes, 400 crosses a year",
        "<= 20 s, <= 2 GB",
        living_crossed,
    ),
    (
        "inbreeding and mean kinship of the living",
        "1 000 000 fish, 40 year classes, no full sibs, 400 breeders per class",
        "<= 20 s, <= 2 GB",
        living_every_cross_new,
    ),
    (
        "inbreeding and mean kinship of the living, deep",
        "1 000 000 fish, 100 year classes, no full sibs, 1 000 breeders per class",
        "<= 20 s, <= 2 GB",
        living_deep,
    ),
    (
        "inbreeding and mean kinship of the living, wide",
        "1 000 000 fish, 10 generations, every fish may breed",
        "<= 20 s, <= 2 GB",
        living_wide,
    ),
    ("kinship matrix", "10 000 fish", "<= 2 s", matrix),
    ("kinship matrix by sgkit", "10 000 fish", "", matrix_sgkit),
    ("kinship of candidates", "1 200 x 1 200 out of 1 000 000 fish", "", submatrix),
    ("founder genes surviving", "5 000 living, 40 000 in the pedigree, 10 000 drops", "", survival),
    ("pedigree from records in random order", "1 000 000 records", "", building),
]


def _measure(number: int) -> tuple[float, str, float]:
    """Run one case and return seconds, note and the peak memory of this process in megabytes."""
    seconds, note = CASES[number][3]()
    print(f"{CASES[number][0]} | {CASES[number][1]} | {seconds:.2f} s | {note}", file=sys.stderr, flush=True)
    return seconds, note, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def rows() -> list[dict[str, object]]:
    """Run all cases, one after the other."""
    out: list[dict[str, object]] = []
    for number, (work, size, bar, _) in enumerate(CASES):
        spawn = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(max_workers=1, mp_context=spawn) as pool:
            seconds, note, megabytes = pool.submit(_measure, number).result()
        out.append(
            {
                "work": work,
                "size": size,
                "seconds": seconds,
                "bar": bar,
                "note": f"{note}; peak {megabytes:.0f} MB",
            }
        )
    return out


if __name__ == "__main__":
    for row in rows():
        print(row)
