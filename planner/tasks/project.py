"""Project diversity and numbers over the years and compare strategies; each goal shown for itself."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from planner.project.expected import ExpectedPath, expected_path, has_closed_form
from planner.project.measures import MEASURES
from planner.project.model import Strategy, statements
from planner.project.outcome import (
    QUANTILES,
    Replicates,
    breeders,
    chance_to_keep,
    course,
    difference,
    ne_of_rate,
    supplementation,
    total_cost,
)
from planner.project.population import prepare
from planner.provenance import Provenance
from planner.tasks.programme import Programme
from planner.tasks.project_model import ProjectModel, project_model, strategies_named, strategy_words
from planner.tasks.project_pool import run_replicates

DEFAULT_STRATEGIES = ("do-nothing", "random", "equal-families", "least-kinship", "more-sites")
YEARS = (5, 25)
KEPT = (0.9, 0.95)

ASSUMPTIONS = (
    "Assumed: fish of unknown family are shared out as the table of parameters says, and all founders without parents "
    "in the records are unrelated; gene diversity counts from them.",
    "Assumed: survival, births and their spread stay as they are for all years; nothing adapts, no inbreeding "
    "depression, no selection, no change of climate or predators.",
    "Assumed: each year class is released in the autumn of its own year; families are spread over waters alike.",
    "Crosses of least kinship are chosen in the simulation by a fast rule close to the spawning plan, and by the pedigree "
    "alone; a pair above the kinship limit is avoided, not forbidden.",
    "Intervals of chances and differences hold the Monte Carlo error only. What the assumptions are worth is not in "
    "them: change the settings and run again.",
)

Goals = tuple[tuple[str, str, int], ...]

DIVERSITY: Goals = (
    ("gene_diversity", "gene diversity", 4),
    ("gene_diversity_waters", "in the waters", 4),
    ("gene_diversity_within", "within a water", 4),
    ("expected_heterozygosity", "expected het.", 4),
    ("observed_heterozygosity", "observed het.", 4),
    ("inbreeding", "inbreeding F", 4),
)

NUMBERS: Goals = (
    ("alleles_kept", "alleles kept", 3),
    ("founder_genomes", "founder genomes", 1),
    ("families", "families a year", 0),
    ("adults", "adults in waters", 0),
)


@dataclass(frozen=True)
class ProjectionWishes:
    """What to project.

    Parameters
    ----------
    years : int
        5 to 25.
    strategies : tuple of str
        Names of `planner.tasks.project_model.STRATEGIES`, ``+exchange`` behind where wanted.
    replicates : int
        At least 2.
    seed : int, optional
        Default: the setting.
    workers : int, optional
        Processes; default one per core.
    cluster : str
        Address of a dask scheduler.
    """

    years: int = 20
    strategies: tuple[str, ...] = DEFAULT_STRATEGIES
    replicates: int = 100
    seed: int | None = None
    workers: int | None = None
    cluster: str = ""


@dataclass(frozen=True)
class ProjectionReport:
    """The answer.

    Parameters
    ----------
    wishes : ProjectionWishes
    made : ProjectModel
        The model with its parameters.
    strategies : tuple of Strategy
    results : tuple of Replicates
        In the same order.
    expected : dict of str to ExpectedPath
        By strategy, where there is a closed form.
    first_year : int
        Calendar year of the start.
    confidence : float
    said : tuple of str
        What in the model will surprise.
    provenance : Provenance
    """

    wishes: ProjectionWishes
    made: ProjectModel
    strategies: tuple[Strategy, ...]
    results: tuple[Replicates, ...]
    expected: dict[str, ExpectedPath]
    first_year: int
    confidence: float
    said: tuple[str, ...]
    provenance: Provenance

    @cached_property
    def chances(self) -> pd.DataFrame:
        """Chance to keep 90 % and 95 % of the gene diversity at the start: ``strategy, share, estimate``."""
        rows = [
            {"strategy": r.strategy, "share": share, "estimate": chance_to_keep(r, share, self.confidence)}
            for r in self.results
            for share in KEPT
        ]
        return pd.DataFrame(rows)

    @cached_property
    def sizes(self) -> dict[str, dict[str, Estimate]]:
        """Effective sizes of each strategy by name of the method."""
        return {
            r.strategy: {
                "Ne by kinship": ne_of_rate(r, "gene_diversity"),
                "Ne by inbreeding": ne_of_rate(r, "inbreeding"),
                "Nb by family sizes": breeders(r),
            }
            for r in self.results
        }

    @cached_property
    def supplements(self) -> dict[str, Any]:
        """What the station's share of young in the waters does to the number of breeders."""
        return {r.strategy: supplementation(r) for r in self.results}

    @cached_property
    def quantiles(self) -> pd.DataFrame:
        """Mean and quantiles of every measure: one row per strategy, measure and year; empty where not defined."""
        parts = []
        for result in self.results:
            for name in result.names:
                c = course(result, name)
                table = {"strategy": result.strategy, "measure": name, "year": np.arange(result.years + 1)}
                table |= {"calendar_year": self.first_year + np.arange(result.years + 1), "mean": c.mean}
                table |= {f"q{round(100 * q):02d}": c.quantiles[k] for k, q in enumerate(QUANTILES)}
                parts.append(
                    pd.DataFrame(table | {"standard_error": c.standard_error, "replicates": c.defined})
                )
        return pd.concat(parts, ignore_index=True)

    def goal_table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per strategy: diversity in the last year with 5 % to 95 % of replicates."""
        head = ["strategy", *(words for _, words, _ in DIVERSITY)]
        return head, [[r.strategy, *self._last(r, DIVERSITY)] for r in self.results]

    def number_table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per strategy: alleles, founders, families, adults in the last year, and cost."""
        head = ["strategy", *(words for _, words, _ in NUMBERS), "cost, all years"]
        lines = []
        for result in self.results:
            cost = total_cost(result)
            low, high = np.quantile(cost, [0.05, 0.95])
            money = _span(float(cost.mean()), float(low), float(high), 0)
            lines.append([result.strategy, *self._last(result, NUMBERS), money])
        return head, lines

    @staticmethod
    def _last(result: Replicates, goals: Goals) -> list[str]:
        courses = [(course(result, name), digits) for name, _, digits in goals]
        return [_span(c.mean[-1], c.quantiles[0, -1], c.quantiles[-1, -1], digits) for c, digits in courses]

    def chance_table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per strategy: chances and effective sizes."""
        head = ["strategy", *(f"keeps {s:.0%}" for s in KEPT), *next(iter(self.sizes.values()))]
        lines = []
        for strategy, sizes in self.sizes.items():
            chances = self.chances[self.chances["strategy"] == strategy]["estimate"]
            lines.append([strategy, *(e.text(2) for e in chances), *(e.text(0) for e in sizes.values())])
        return head, lines

    def difference_table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and differences to the first strategy that crosses at all, in the last year."""
        active = [r for s, r in zip(self.strategies, self.results, strict=True) if s.crossing != "none"]
        base = active[0] if active else self.results[0]
        head = [f"against {base.strategy}", "gene diversity", "inbreeding F", "adults in waters"]
        lines = [
            [
                r.strategy,
                *(
                    difference(r, base, name, self.confidence).text(digits)
                    for name, digits in (("gene_diversity", 4), ("inbreeding", 4), ("adults", 0))
                ),
            ]
            for r in self.results
            if r is not base
        ]
        return head, lines

    def water_table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per water: adults in the last year by strategy."""
        head = ["adults in", "at the start", *(r.strategy for r in self.results)]
        lines = []
        for water in self.made.model.waters:
            name = f"adults: {water.name}"
            courses = [course(r, name) for r in self.results]
            lines.append(
                [
                    water.name,
                    f"{courses[0].mean[0]:.0f}",
                    *(_span(c.mean[-1], c.quantiles[0, -1], c.quantiles[-1, -1], 0) for c in courses),
                ]
            )
        return head, lines

    def supplement_lines(self) -> list[str]:
        """Return one sentence per strategy with releases."""
        out = []
        for result in self.results:
            effect = self.supplements[result.strategy]
            share = result.of("captive_share")
            if effect is None or not np.nanmax(share):
                continue
            mean = float(np.nanmean(share))
            if effect.total.value is None or effect.wild_alone is None:
                out.append(
                    f"{result.strategy}: {mean:.0%} of the young in the waters come from parents at the station; "
                    f"the effect on Nb is {effect.total.text(0)}."
                )
                continue
            out.append(
                f"{result.strategy}: {mean:.0%} of the young in the waters come from parents at the station; Nb of both "
                f"{effect.total.text(0)}, of wild parents alone {effect.wild_alone:.0f}; the two would give most "
                f"({effect.best_ne:.0f}) at a share of {effect.best_share:.0%}, and the sum falls below the wild parents "
                f"alone above {effect.break_even_share:.0%}."
            )
        return out

    def check_table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and the simulation beside the expectation by recursion."""
        head = ["strategy", "gene diversity simulated", "expected", "inbreeding simulated", "expected"]
        lines = []
        for result in self.results:
            path = self.expected.get(result.strategy)
            if path is None:
                continue
            gd, f = course(result, "gene_diversity"), course(result, "inbreeding")
            lines.append(
                [
                    result.strategy,
                    f"{gd.mean[-1]:.4f}",
                    f"{path.gene_diversity[-1]:.4f}",
                    "–" if np.isnan(f.mean[-1]) else f"{f.mean[-1]:.4f}",
                    f"{max(path.inbreeding[-1], 0.0):.4f}",
                ]
            )
        return head, lines

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        last = self.quantiles[self.quantiles["year"] == self.wishes.years]
        goals: dict[str, dict[str, Any]] = {}
        for row in last.to_dict("records"):
            span = {"mean": row["mean"], "low": row["q05"], "middle": row["q50"], "high": row["q95"]}
            goals.setdefault(row["strategy"], {})[row["measure"]] = None if np.isnan(row["mean"]) else span
        return {
            "years": self.wishes.years,
            "replicates": self.wishes.replicates,
            "strategies": {s.name: strategy_words(s) for s in self.strategies},
            "last_year": goals,
            "chances": [
                {"strategy": r["strategy"], "share": r["share"], **r["estimate"].as_dict()}
                for r in self.chances.to_dict("records")
            ],
            "effective_sizes": {s: {k: e.as_dict() for k, e in v.items()} for s, v in self.sizes.items()},
            "supplementation": self.supplement_lines(),
            "measures": MEASURES,
            "parameters": [p.__dict__ for p in self.made.parameters],
            "assumptions": [*self.made.notes, *self.said, *ASSUMPTIONS],
            "provenance": self.provenance.as_dict(),
        }


def _span(mean: float, low: float, high: float, digits: int) -> str:
    if np.isnan(mean):
        return "none left"
    return f"{mean:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})"


def projection(
    programme: Programme,
    wishes: ProjectionWishes,
    progress: Callable[[str], None] = lambda _: None,
    stopped: Callable[[], bool] = lambda: False,
) -> ProjectionReport:
    """Run a projection.

    Parameters
    ----------
    programme : Programme
        Open records.
    wishes : ProjectionWishes
    progress, stopped : callable
        As in `planner.tasks.project_pool.run_replicates`.

    Returns
    -------
    ProjectionReport

    Raises
    ------
    UsageError
        If a wish is out of range, the records hold no fish or no water, or the cluster cannot be used.
    ProjectionStoppedError
        If `stopped` says so.
    """
    if not YEARS[0] <= wishes.years <= YEARS[1] or wishes.replicates < 2:
        raise UsageError(
            f"project: found {wishes.years} years and {wishes.replicates} replicates. Expected {YEARS[0]} to {YEARS[1]} "
            "years and at least 2 replicates."
        )
    strategies = strategies_named(wishes.strategies)
    if not strategies:
        raise UsageError("project: found no strategy. Expected at least one. Name one with --strategies.")
    made = project_model(programme)
    seed = int(programme.settings["seed"]) if wishes.seed is None else wishes.seed
    progress(f"Projecting {len(made.model.start.rows)} fish, {wishes.replicates} times for each strategy")
    results = run_replicates(
        made.model,
        strategies,
        wishes.years,
        wishes.replicates,
        seed,
        workers=wishes.workers,
        cluster=wishes.cluster,
        progress=progress,
        stopped=stopped,
    )
    prepared = prepare(made.model)
    expected = {s.name: expected_path(prepared, s, wishes.years) for s in strategies if has_closed_form(s)}
    provenance = Provenance(
        kind="projection",
        inputs=programme.fingerprint,
        made_on=programme.today.isoformat(),
        seed=seed,
        settings=programme.settings.used(_settings_used(programme))
        | {"years": wishes.years, "replicates": wishes.replicates, "strategies": list(wishes.strategies)},
    )
    return ProjectionReport(
        wishes,
        made,
        tuple(strategies),
        tuple(results),
        expected,
        programme.today.year,
        float(programme.settings["confidence"]),
        _said(made, strategies),
        provenance,
    )


def _said(made: ProjectModel, strategies: Sequence[Strategy]) -> tuple[str, ...]:
    """Return the statements of all strategies, each once."""
    out: dict[str, None] = {}
    for strategy in strategies:
        out |= dict.fromkeys(statements(made.model, strategy))
    return tuple(out)


OTHER_SETTINGS = (
    "min_age_female", "min_age_male", "crosses_wanted", "female_uses_max", "male_uses_max", "living_weight",
    "fry_kept_per_dish", "fry_to_adult", "pair_kinship_limit", "larval_group_kinship", "keep_back", "confidence",
)  # fmt: skip


def _settings_used(programme: Programme) -> list[str]:
    return [n for n in programme.settings.values if n.startswith("project_")] + list(OTHER_SETTINGS)
