"""Kinship from pedigree and markers: founders related by their genotypes, handed down the pedigree."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import UsageError
from broodstock.relatedness.blend import founder_block, kinship_with_related_founders
from broodstock.relatedness.founders import founder_kinship

if TYPE_CHECKING:
    from planner.tasks.programme import Programme

FEWEST_FOUNDERS = 5
MOST_FISH = 5000


@dataclass(frozen=True)
class MarkerKinship:
    """Kinship of all fish of the pedigree, founders related by markers.

    Parameters
    ----------
    kinship : ndarray, float64, shape (n_fish, n_fish)
        Point estimates.
    upper : ndarray, float64, shape (n_fish, n_fish)
        The same with every founder pair at the upper limit of its interval: an upper limit, not a
        simultaneous one.
    words : str
        Method and what it rests on.
    related_pairs : int
        Founder pairs that the markers show to be kin.
    """

    kinship: FloatArray
    upper: FloatArray
    words: str
    related_pairs: int


def marker_kinship(programme: Programme, name: str = "snps") -> MarkerKinship:
    """Estimate kinship among genotyped founders and hand it down the pedigree.

    Parameters
    ----------
    programme : Programme
        Open records.
    name : str
        Call set.

    Returns
    -------
    MarkerKinship
        Tables over all fish of the pedigree.

    Raises
    ------
    UsageError
        If fewer than 5 founders are genotyped, or the pedigree is too large for dense tables.
    """
    pedigree = programme.pedigree
    if len(pedigree) > MOST_FISH:
        raise UsageError(
            f"kinship from markers: found {len(pedigree)} fish in the pedigree. Expected at most {MOST_FISH} for "
            "dense tables. Set kinship_source to 'pedigree'."
        )
    calls = programme.genotypes.get(name)
    samples = programme.tables["samples"]
    best: dict[str, tuple[int, int]] = {}
    if calls is not None:
        typed = calls.typed.sum(axis=0)
        enough = programme.settings["sample_call_rate_min"] * calls.n_loci
        for sample, fish in zip(samples["sample_id"], samples["fish_id"], strict=True):
            column = calls.index.get(sample)
            if fish and column is not None and typed[column] >= enough:
                best[fish] = max(best.get(fish, (0, 0)), (int(typed[column]), column))
    founders = [f for f in (pedigree.ids[r] for r in pedigree.founders) if f in best]
    if calls is None or len(founders) < FEWEST_FOUNDERS:
        raise UsageError(
            f"kinship from markers: found {len(founders)} genotyped founders. Expected at least {FEWEST_FOUNDERS}. "
            "Set kinship_source to 'pedigree', or add samples of founders."
        )
    estimate = founder_kinship(
        calls.take(samples=[best[f][1] for f in founders]),
        level=float(programme.settings["confidence"]),
        seed=int(programme.settings["seed"]),
    )
    rows = pedigree.rows(founders)
    kinship = kinship_with_related_founders(pedigree.parents, rows, estimate.block)
    high, _ = founder_block(np.maximum(estimate.raw.as_probabilities().upper, estimate.block))
    upper = kinship_with_related_founders(pedigree.parents, rows, np.minimum(high, 1.0))
    pairs = int(np.triu(estimate.related, 1).sum())
    words = (
        f"{estimate.raw.method} among {len(founders)} genotyped founders ({pairs} pairs found to be kin, the others "
        "taken as unrelated), handed down the recorded pedigree"
    )
    return MarkerKinship(kinship, np.maximum(upper, kinship), words, pairs)
