"""Kinship of the living broodfish: mean kinship by fish, pairs, and the group's gene diversity."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from broodstock.arrays import FloatArray
from broodstock.pedigree.kinship import kinship_between, mean_kinship
from planner.tasks.programme import Programme


@dataclass(frozen=True)
class KinshipReport:
    """Kinship among the living fish in care.

    Parameters
    ----------
    fish : tuple of str
        Living fish, lowest mean kinship first.
    mean_kinship : ndarray, float64, shape (n,)
        Mean kinship of each to the living group, itself included.
    matrix : ndarray, float64, shape (n, n)
        Pairwise kinship in the same order.
    table : DataFrame
        fish_id, sex, origin, year_class, dam, sire, inbreeding, mean_kinship.
    """

    fish: tuple[str, ...]
    mean_kinship: FloatArray
    matrix: FloatArray
    table: pd.DataFrame

    @property
    def group_mean(self) -> float:
        """Mean kinship of the living group, self pairs included."""
        return float(self.matrix.mean())

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "fish": len(self.fish),
            "mean_kinship": self.group_mean,
            "gene_diversity": 1 - self.group_mean,
            "self_pairs": "included",
            "method": METHOD,
            "by_fish": self.table.assign(
                year_class=self.table["year_class"]
                .astype("Int64")
                .astype(object)
                .where(self.table["year_class"].notna(), None)
            ).to_dict("records"),
        }


METHOD = (
    "pedigree kinship, founders taken as unrelated; exact for this pedigree, without sampling error, wrong where "
    "recorded parents are wrong"
)


def living_kinship(programme: Programme) -> KinshipReport:
    """Compute kinship among the living fish in care.

    Raises
    ------
    UsageError
        If no fish has the status brood or hold.
    PedigreeError
        If the pedigree is impossible.
    """
    from broodstock.errors import UsageError

    rows = programme.living_rows
    if not len(rows):
        raise UsageError(
            "kinship: found no fish with status brood or hold. Expected at least one living fish in care. "
            "Check the status column of fish.csv."
        )
    pedigree = programme.pedigree
    means = mean_kinship(pedigree.parents, programme.living_weights(), programme.inbreeding)[rows]
    order = sorted(range(len(rows)), key=lambda k: (means[k], pedigree.ids[rows[k]]))
    rows, means = rows[order], means[order]
    fish = tuple(pedigree.ids[r] for r in rows)
    table = programme.tables["fish"].set_index("fish_id").loc[list(fish)].reset_index()
    table = table[["fish_id", "sex", "origin", "year_class"]].assign(
        dam=[programme.parents_used[f][0] for f in fish],
        sire=[programme.parents_used[f][1] for f in fish],
        inbreeding=programme.inbreeding[rows],
        mean_kinship=means,
    )
    matrix = kinship_between(pedigree.parents, rows, rows, programme.inbreeding)
    return KinshipReport(fish, means, matrix, table)
