"""Trial of the estimators: simulate this programme, run each, and say bias and coverage before anybody trusts them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from planner.monitor.closed_two_sample import chapman
from planner.monitor.curves import fit_curves
from planner.monitor.curves_data import CurveCells, ReleasedFish
from planner.monitor.curves_detection import year_windows
from planner.tasks.abundance import abundance_report
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.survival_curves import SurvivalCurve, curve_of
from planner.tasks.survival_models_curves import FALLBACK

ESTIMATORS = ("abundance", "survival", "breeders", "heterozygosity")
HEAD = ("estimator", "truth", "mean estimate", "bias", "holds the truth", "of", "not estimable", "set-up")
CAPTURE_SPREAD = 0.8
"""Spread between fish of the logit of the chance to be met: fish are never alike."""
LATER_SURVIVAL = 0.75
USUAL_MET = 0.2
MOST_RELEASED = 2500
GENERATIONS = 5


@dataclass(frozen=True)
class TrialRow:
    """One estimator under one set-up.

    Parameters
    ----------
    name : str
        Estimator and quantity.
    truth : float
        True value.
    mean : float or None
        Mean of the estimates that exist.
    held : int
        Intervals that hold the truth.
    made : int
        Estimates that exist.
    not_made : int
        Replicates in which it was not estimable.
    setup : str
        What was simulated.
    level : float
        Coverage the intervals aim at.
    """

    name: str
    truth: float
    mean: float | None
    held: int
    made: int
    not_made: int
    setup: str
    level: float

    def verdict(self) -> str:
        """Say whether the coverage is what the intervals promise, given how few replicates there are."""
        from scipy.stats import binom

        if self.made == 0:
            return "never estimable: do not use it with these samples"
        if binom.cdf(self.held, self.made, self.level) < 0.01:
            return "holds the truth too seldom: treat its intervals as too narrow"
        if binom.sf(self.held - 1, self.made, self.level) < 0.01:
            return "intervals are wider than they need be"
        return "as promised, as far as so many replicates can show"

    def cells(self) -> list[str]:
        """Return the row as text."""
        if self.mean is None:
            return [self.name, f"{self.truth:.3g}", "", "", "", "0", str(self.not_made), self.setup]
        share = self.held / self.made
        error = math.sqrt(max(share * (1 - share), 1 / (4 * self.made)) / self.made)
        return [
            self.name,
            f"{self.truth:.4g}",
            f"{self.mean:.4g}",
            f"{self.mean / self.truth - 1:+.1%}",
            f"{share:.0%} (error {error:.0%})",
            str(self.made),
            str(self.not_made),
            self.setup,
        ]


@dataclass(frozen=True)
class TrialReport:
    """All estimators.

    Parameters
    ----------
    rows : tuple of TrialRow
        By estimator.
    notes : tuple of str
        Verdicts and what was assumed.
    """

    rows: tuple[TrialRow, ...]
    notes: tuple[str, ...]

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and rows."""
        return list(HEAD), [r.cells() for r in self.rows]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "rows": [
                {
                    "estimator": r.name,
                    "truth": r.truth,
                    "mean": r.mean,
                    "held": r.held,
                    "made": r.made,
                    "not_estimable": r.not_made,
                    "level": r.level,
                    "setup": r.setup,
                    "verdict": r.verdict(),
                }
                for r in self.rows
            ],
            "notes": list(self.notes),
        }


def trial_report(
    programme: Programme,
    replicates: int = 50,
    estimators: tuple[str, ...] = ESTIMATORS,
    tell: Callable[[str], None] = lambda _: None,
) -> TrialReport:
    """Simulate and estimate.

    Parameters
    ----------
    programme : Programme
        Open records: sizes of samples, releases, loci and visits are taken from them.
    replicates : int
        Simulated programmes; survival, the slowest, takes a fifth of them but at least 5.
    estimators : tuple of str
        Some of ``abundance``, ``survival``, ``breeders``, ``heterozygosity``.
    tell : callable
        Told what is being done.

    Raises
    ------
    UsageError
        If there are fewer than 5 replicates or an estimator is unknown.
    """
    if replicates < 5:
        raise UsageError(
            f"--times: found {replicates}. Expected 5 or more: fewer say nothing about coverage."
        )
    unknown = [e for e in estimators if e not in ESTIMATORS]
    if unknown:
        raise UsageError(f"--only: found {unknown[0]!r}. Expected one of {', '.join(ESTIMATORS)}.")
    seeds = np.random.SeedSequence(int(programme.settings["seed"])).spawn(len(ESTIMATORS))
    found: list[TrialRow] = []
    runs = {
        "abundance": _abundance,
        "survival": _survival,
        "breeders": _breeders,
        "heterozygosity": _heterozygosity,
    }
    for name, seed in zip(ESTIMATORS, seeds, strict=True):
        if name in estimators:
            tell(f"Trying {name}")
            found += runs[name](programme, replicates, np.random.default_rng(seed))
    notes = [f"{r.name}: {r.verdict()}." for r in found]
    notes.append(
        "The simulated programmes are simpler than the river: fish of one kind, no clock faults, no wrong tags. A method that "
        "fails here fails there."
    )
    return TrialReport(tuple(found), tuple(notes))


def _row(name: str, truth: float, estimates: list[Estimate], setup: str, level: float) -> TrialRow:
    made = [e for e in estimates if e.value is not None and math.isfinite(e.value)]
    ends = [e for e in estimates if e.value is not None and e.low is not None and e.high is not None]
    held = sum(e.low <= truth <= e.high for e in ends if e.low is not None and e.high is not None)
    mean = float(np.mean([e.value for e in made if e.value is not None])) if made else None
    return TrialRow(name, truth, mean, held, len(ends), len(estimates) - len(ends), setup, level)


def _abundance(programme: Programme, n: int, rng: np.random.Generator) -> list[TrialRow]:
    """Two visits to a closed group, fish alike or not."""
    level = float(programme.settings["confidence"])
    census = abundance_report(programme)
    sizes = [v.fish for v in census.visits[:2]] if len(census.visits) > 1 else [60, 60]
    quoted = dict(census.estimates).get("Chapman")
    truth = int(quoted.value) if quoted is not None and quoted.value is not None else 10 * max(sizes)
    truth = max(truth, 2 * max(sizes))
    out = []
    for spread, words in ((0.0, "fish alike"), (CAPTURE_SPREAD, "fish differ in their chance to be caught")):
        estimates = []
        for _ in range(n):
            logit = rng.normal(0.0, spread, truth) if spread else np.zeros(truth)
            seen = []
            for size in sizes:
                p = _with_mean(logit, size / truth)
                seen.append(rng.random(truth) < p)
            m, c, r = int(seen[0].sum()), int(seen[1].sum()), int((seen[0] & seen[1]).sum())
            estimates.append(chapman(m, c, r, level))
        setup = f"{truth} fish, about {sizes[0]} and {sizes[1]} caught, {words}"
        out.append(_row("numbers, Chapman", float(truth), estimates, setup, level))
    return out


def _with_mean(logit: FloatArray, mean: float) -> FloatArray:
    """Return chances with these differences of logits and a given mean (bisection)."""
    low, high = -15.0, 15.0
    for _ in range(60):
        mid = 0.5 * (low + high)
        if float((1 / (1 + np.exp(-(logit + mid)))).mean()) < mean:
            low = mid
        else:
            high = mid
    return np.asarray(1 / (1 + np.exp(-(logit + low))))


def _survival(programme: Programme, n: int, rng: np.random.Generator) -> list[TrialRow]:
    """Releases of the programme's sizes and lengths, met in later years; the curve is fitted again."""
    level = float(programme.settings["confidence"])
    releases = programme.tables["releases"]
    lengths = releases["total_length_mm"].dropna().to_numpy(dtype=np.float64)
    if len(lengths) < 10:
        lengths = np.linspace(250, 400, 200)
    curve = next(
        (c for r in rows(programme.tables["sites"]) if (c := curve_of(programme, r, "winter")) is not None),
        FALLBACK,
    )
    met = float(programme.settings["detection_yearly"]) or USUAL_MET
    fish = int(min(max(len(lengths), 200), MOST_RELEASED))
    times = max(5, n // 5)
    at = (300.0, 350.0, 400.0)
    estimates: dict[float, list[Estimate]] = {x: [] for x in at}
    for _ in range(times):
        fitted = simulate_and_fit(curve, rng.choice(lengths, fish), met, rng, level)
        for x in at:
            estimates[x].append(fitted(x))
    setup = f"{fish} fish over 6 years, met in a year with a chance of {met:.2f}, fish differ"
    return [
        _row(f"first-year survival at {x:.0f} mm", float(curve.at(x)), estimates[x], setup, level) for x in at
    ]


def simulate_and_fit(
    truth: SurvivalCurve, length_mm: FloatArray, met: float, rng: np.random.Generator, level: float = 0.95
) -> Callable[[float], Estimate]:
    """Release fish to one water over six years, meet survivors by chance, fit the curve; return survival by length.

    The curve set against the data is the truth moved by an error of 0.35 on the logit, as plans' curves are.
    """
    n = len(length_mm)
    released = np.sort(rng.integers(0, 6, n)) * 365
    last_day = 10 * 365
    alive = rng.random(n) < truth.at(length_mm)
    years = rng.geometric(1 - LATER_SURVIVAL, n)
    died = np.where(alive, released + 365 * years + rng.integers(0, 365, n), released + 1)
    chance = _with_mean(rng.normal(0.0, CAPTURE_SPREAD, n), met)
    who, day = [], []
    for window in range(1, 10):
        when = released + 365 * window + rng.integers(0, 365, n)
        rate = rng.random(n) < chance
        hit = np.flatnonzero(rate & (when < died) & (when <= last_day))
        who.append(hit)
        day.append(when[hit])
    zero = np.zeros(n, dtype=np.int64)
    windows, cohort, seen = year_windows(
        released, np.concatenate(who), np.concatenate(day), zero, zero, last_day, [np.arange(0, last_day, 90)]
    )
    shift = float(rng.normal(0.0, 0.35))
    cells = CurveCells(
        (("water", "winter"),),
        np.zeros(1, dtype=np.int64),
        np.array([truth.intercept + shift]),
        np.array([truth.slope]),
        np.array([0.35]),
    )
    used = cohort >= 0
    rows_of = ReleasedFish.gathered(zero[used], length_mm[used], cohort[used], seen[used])
    fit = fit_curves(cells, rows_of, windows, level)
    return lambda x: fit.at(0, x)


def _frequencies(programme: Programme) -> FloatArray:
    from planner.tasks.power import loci_of

    return loci_of(programme, [])[1]


def _breeders(programme: Programme, n: int, rng: np.random.Generator) -> list[TrialRow]:
    """Young of a known number of parents, each pair at random; effective breeders by linkage."""
    from broodstock.effective_size.linkage import linkage_ne

    level = float(programme.settings["confidence"])
    p = _frequencies(programme)
    sample = max(_typed(programme), 30)
    out = []
    for parents in (30, 60):
        estimates = []
        for _ in range(n):
            calls = _young(p, parents, sample, rng)
            estimates.append(
                linkage_ne(calls, kind="one-cohort", screens=(0.05,), level=level, threads=1)[0].over_fish
            )
        # Dams and sires are drawn anew for every young: with equal sexes Nb equals the number of parents.
        setup = f"{sample} young of {parents} parents, {len(p)} unlinked loci"
        out.append(_row("breeders, linkage", float(parents), estimates, setup, level))
    return out


def _typed(programme: Programme) -> int:
    samples = programme.tables["samples"]
    sizes = samples[samples["group"] == "larva"]["year_class"].dropna().astype(int).value_counts()
    return int(min(sizes.max(), 150)) if len(sizes) else 50


def _young(p: FloatArray, parents: int, sample: int, rng: np.random.Generator) -> np.ndarray:
    """Return calls (n_loci, sample, 2) after generations of constant size.

    Linkage of unlinked loci builds up over generations to 1 / (3 Nb); young of unrelated parents alone show three
    quarters of it (Hill 1981, from memory).
    """
    genes = (rng.random((len(p), parents, 2)) < p[:, None, None]).astype(np.int16)
    for _ in range(GENERATIONS):
        genes = _offspring(genes, parents, rng)
    return _offspring(genes, sample, rng)


def _offspring(genes: np.ndarray, number: int, rng: np.random.Generator) -> np.ndarray:
    """Return young, dam and sire of each drawn from half the parents each."""
    parents = genes.shape[1]
    half = parents // 2
    dams, sires = rng.integers(0, half, number), rng.integers(half, parents, number)
    out = np.empty((len(genes), number, 2), dtype=np.int16)
    for side, who in enumerate((dams, sires)):
        pick = rng.integers(0, 2, (len(genes), number))
        out[:, :, side] = np.take_along_axis(genes[:, who, :], pick[:, :, None], axis=2)[:, :, 0]
    return out


def _heterozygosity(programme: Programme, n: int, rng: np.random.Generator) -> list[TrialRow]:
    """Sample fish from frequencies that are known; expected heterozygosity."""
    from broodstock.diversity.table import diversity_table
    from broodstock.genotypes.genotype_set import GenotypeSet, Locus

    level = float(programme.settings["confidence"])
    p = _frequencies(programme)
    truth = float((2 * p * (1 - p)).mean())
    out = []
    for fish in (20, 50):
        estimates = []
        for k in range(n):
            calls = (rng.random((len(p), fish, 2)) < p[:, None, None]).astype(np.int16)
            genotypes = GenotypeSet(
                tuple(f"s{i}" for i in range(fish)),
                tuple(Locus(f"l{i}") for i in range(len(p))),
                (("A", "G"),) * len(p),
                calls,
            )
            row = diversity_table(genotypes, ["all"] * fish, n_replicates=200, level=level, seed=k + 1)[0]
            estimates.append(row.expected_heterozygosity)
        setup = f"{fish} fish, {len(p)} loci, interval over fish"
        out.append(_row("expected heterozygosity", truth, estimates, setup, level))
    return out
