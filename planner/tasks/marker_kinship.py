"""Kinship from pedigree and markers: founders related by their genotypes, handed down the pedigree."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from broodstock.arrays import BoolArray, FloatArray
from broodstock.errors import UsageError
from broodstock.relatedness.allele_sharing import set_unrelated
from broodstock.relatedness.blend import founder_block, kinship_with_related_founders
from broodstock.relatedness.founders import founder_kinship
from broodstock.relatedness.uncertainty import kinship_draws

if TYPE_CHECKING:
    from broodstock.genotypes.genotype_set import GenotypeSet
    from broodstock.pedigree.structure import Pedigree
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
    related : ndarray, bool, shape (n_founders, n_founders)
        The same among the typed founders, in the order of the pedigree.
    """

    kinship: FloatArray
    upper: FloatArray
    words: str
    related_pairs: int
    related: BoolArray


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
    pedigree, calls, founders = _typed_founders(programme, name)
    estimate = founder_kinship(
        calls,
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
    return MarkerKinship(kinship, np.maximum(upper, kinship), words, pairs, estimate.related)


def sampled_kinship(
    programme: Programme, related: BoolArray, n_draws: int, name: str = "snps"
) -> Iterator[FloatArray]:
    """Draw kinship of all fish as it may be: other loci could have been typed.

    Parameters
    ----------
    programme : Programme
        Open records.
    related : ndarray, bool, shape (n_founders, n_founders)
        Founder pairs that count as kin, as in `MarkerKinship`; their kinship varies, that of the others is 0.
    n_draws : int
        Tables to draw.
    name : str
        Call set.

    Returns
    -------
    iterator of ndarray, float64, shape (n_fish, n_fish)
        One table at a time.

    Raises
    ------
    UsageError
        As `marker_kinship`.
    """
    pedigree, calls, founders = _typed_founders(programme, name)
    rows = pedigree.rows(founders)
    draws = kinship_draws(
        calls, n_draws=n_draws, seed=int(programme.settings["seed"]), then=lambda k: set_unrelated(k, 0.0)
    )
    for draw in draws:
        block, _ = founder_block(draw, ~related)
        yield kinship_with_related_founders(pedigree.parents, rows, np.minimum(block, 1.0))


def _typed_founders(programme: Programme, name: str) -> tuple[Pedigree, GenotypeSet, list[str]]:
    """Return the pedigree, the calls of typed founders and their names.

    Raises
    ------
    UsageError
        As `marker_kinship`.
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
    return pedigree, calls.take(samples=[best[f][1] for f in founders]), founders
