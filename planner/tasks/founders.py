"""The founder board: what each founder line still contributes, where its copies live, what a lost place costs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from broodstock.pedigree.founders import (
    FounderSurvival,
    effective_ancestors,
    founder_equivalents,
    founder_shares,
    founder_survival,
    genome_equivalents_mean_kinship,
)
from broodstock.pedigree.lines import PlaceLoss, founder_lines, place_losses
from planner.tasks.programme import Programme
from planner.tasks.text_tables import aligned

DROPS = 4000
MOST_LISTED = 40


@dataclass(frozen=True)
class FounderBoard:
    """Founder lines of the living fish in care.

    Parameters
    ----------
    table : DataFrame
        One row per founder line: share, copies, descendants, largest place, risk, retention, copies by place.
    numbers : tuple of (str, Estimate)
        Founder numbers, each with its definition in its name.
    places : tuple of str
        Names of the places.
    losses : tuple of PlaceLoss
        What would be lost with each place.
    lines_lost : tuple of tuple of str
        Founders all of whose copies are in the place.
    """

    table: pd.DataFrame
    numbers: tuple[tuple[str, Estimate], ...]
    places: tuple[str, ...]
    losses: tuple[PlaceLoss, ...]
    lines_lost: tuple[tuple[str, ...], ...]

    def loss_rows(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per place."""
        rows = []
        for place, loss, lines in zip(self.places, self.losses, self.lines_lost, strict=True):
            lost = "all" if loss.gene_diversity_lost is None else f"{loss.gene_diversity_lost:+.4f}"
            rows.append(
                [place, f"{loss.fish:g}", lost, loss.founder_genomes_lost.text(2), ", ".join(lines) or "none"]
            )
        head = ["place", "fish", "gene diversity lost", "founder genomes lost", "lines that live only there"]
        return head, rows

    def text(self) -> str:
        """Return the board as words."""
        head = ["founder line", "share", "copies", "descendants", "mostly at", "share there", "kept"]
        rows = [
            [
                r["founder"],
                f"{r['share']:.3f}",
                f"{r['copies']:.2f}",
                str(r["descendants"]),
                r["largest_place"] or "–",
                f"{r['risk']:.0%}",
                f"{r['retention']:.2f}",
            ]
            for r in self.table.head(MOST_LISTED).to_dict("records")
        ]
        width = max(len(name) for name, _ in self.numbers)
        more = len(self.table) - MOST_LISTED
        return "\n".join(
            [
                *(f"{name.ljust(width)}  {e.text(2)}" for name, e in self.numbers),
                "",
                aligned(head, rows, right=(1, 2, 3, 5, 6)),
                *([f"... and {more} more lines, all in --json"] if more > 0 else []),
                "",
                "If a place were lost tonight:",
                aligned(*self.loss_rows(), right=(1, 2)),
            ]
        )

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        head, rows = self.loss_rows()
        return {
            "numbers": {name: e.as_dict() for name, e in self.numbers},
            "lines": self.table.to_dict("records"),
            "if_a_place_is_lost": [dict(zip(head, r, strict=True)) for r in rows],
        }


def founder_board(programme: Programme) -> FounderBoard:
    """Follow every founder line to the living fish in care.

    Parameters
    ----------
    programme : Programme
        Open records; a place is the building of a fish's unit, or its unit where no building is recorded.

    Returns
    -------
    FounderBoard
        Lines with most living copies first.

    Raises
    ------
    UsageError
        If no fish is in care.
    PedigreeError
        If the pedigree is impossible.
    """
    weights = programme.living_weights()
    if not weights.any():
        raise UsageError(
            "founders: found no living fish in care. Expected fish with status brood or hold in fish.csv. Check the "
            "status column."
        )
    pedigree = programme.pedigree
    parents, F = pedigree.parents, programme.inbreeding
    seed = int(programme.settings["seed"])
    place, names = _places(programme, weights)
    lines = founder_lines(parents, place, len(names), weights)
    survival = founder_survival(parents, weights, DROPS, np.random.default_rng(seed))
    table = lines.frame(pedigree.ids, names)
    table.insert(6, "retention", _retention(survival, lines.founders.row))
    losses = place_losses(parents, place, len(names), DROPS, np.random.default_rng(seed), weights, F)
    founder_names = list(table["founder"])
    lost = tuple(tuple(founder_names[k] for k in loss.lines_lost) for loss in losses)
    table = table.sort_values(["copies", "founder"], ascending=[False, True]).reset_index(drop=True)
    return FounderBoard(table, _numbers(programme, weights, survival), names, tuple(losses), lost)


def _retention(survival: FounderSurvival, founder_rows: np.ndarray) -> np.ndarray:
    by_row = dict(zip(survival.founders.row.tolist(), survival.retention.value.tolist(), strict=True))
    return np.array([by_row.get(int(r), 0.0) for r in founder_rows])


def _places(programme: Programme, weights: np.ndarray) -> tuple[np.ndarray, tuple[str, ...]]:
    fish = programme.tables["fish"].set_index("fish_id")
    units = programme.tables["units"].set_index("unit_id")["building"]
    where = []
    for name, weight in zip(programme.pedigree.ids, weights, strict=True):
        unit = fish["unit"].get(name, "") if weight else ""
        where.append(units.get(unit, "") or unit or "place not recorded" if weight else "")
    names = tuple(sorted({w for w in where if w}))
    code = {n: k for k, n in enumerate(names)}
    return np.array([code.get(w, -1) for w in where], dtype=np.int32), names


def _numbers(
    programme: Programme, weights: np.ndarray, survival: FounderSurvival
) -> tuple[tuple[str, Estimate], ...]:
    parents, F = programme.pedigree.parents, programme.inbreeding
    exact = "exact for the recorded pedigree, founders taken as unrelated"
    n = int(weights.sum())
    equivalents = genome_equivalents_mean_kinship(parents, weights, F)
    shares = founder_shares(parents, weights)
    return (
        ("living fish in care", Estimate(float(n), method="count", n_used=n)),
        (
            "gene diversity (1 - mean kinship, self pairs in)",
            Estimate(1 - 1 / (2 * equivalents), method=exact, n_used=n),
        ),
        (
            "founder equivalents (1 / sum of squared shares)",
            Estimate(founder_equivalents(shares), method=exact, n_used=n),
        ),
        (
            "effective ancestors (marginal contributions)",
            Estimate(effective_ancestors(parents, weights).number, method=exact, n_used=n),
        ),
        (
            "founder genome equivalents (1 / twice mean kinship)",
            Estimate(equivalents, method=exact, n_used=n),
        ),
        (
            "founder genome equivalents (1 / sum of share^2 / retention)",
            survival.genome_equivalents_contribution_retention(),
        ),
        ("founder genomes remaining (mean over gene drops)", survival.genome_equivalents_mean_over_drops()),
    )
