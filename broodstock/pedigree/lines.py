"""Founder lines: where the living copies of each founder's genes are, and what is lost when a place is lost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from broodstock.arrays import MISSING, BigIntArray, FloatArray, IntArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate
from broodstock.pedigree.founders import FounderShares, founder_shares
from broodstock.pedigree.gene_drop import ancestors_only, check_drops, drop_chunks, entering_genes
from broodstock.pedigree.inbreeding import checked_inbreeding, checked_parents
from broodstock.pedigree.kinship import checked_weights

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class FounderLines:
    """Living copies of each founder line by place.

    Parameters
    ----------
    founders : FounderShares
        Founders in row order (unknown parents of fish with one known parent included) and their expected shares in
        all living fish.
    copies : ndarray, float64, shape (n_founders, n_places)
        Expected living copies of the founder's genome in each place: the sum over living fish of the share of
        their genes that comes from it, in whole genomes.
    descendants : ndarray, int64, shape (n_founders, n_places)
        Living records that descend from the founder, a living founder itself included.
    largest_place : ndarray, int32, shape (n_founders,)
        Place with most copies; -1 for a founder without living copies.
    risk : ndarray, float64, shape (n_founders,)
        Share of the line's living copies in that one place: 1 means all are in one place. 0 without copies.
    """

    founders: FounderShares
    copies: FloatArray
    descendants: BigIntArray
    largest_place: IntArray
    risk: FloatArray

    def frame(self, ids: Sequence[str], places: Sequence[str]) -> pd.DataFrame:
        """Return one row per founder line for a table.

        Parameters
        ----------
        ids : sequence of str
            Identifier of each pedigree row.
        places : sequence of str
            Name of each place.

        Returns
        -------
        DataFrame
            Columns ``founder``, ``share``, ``copies``, ``descendants``, ``largest_place``, ``risk`` and
            ``copies at <place>`` for each place.

        Raises
        ------
        ShapeError
            If the number of names does not fit.
        """
        import pandas as pd

        if len(places) != self.copies.shape[1]:
            raise ShapeError(f"places: found {len(places)} names. Expected {self.copies.shape[1]}.")
        roles = {MISSING: "", 0: "unknown dam of ", 1: "unknown sire of "}
        named = [
            roles[int(side)] + ids[row]
            for row, side in zip(self.founders.row, self.founders.unknown_side, strict=True)
        ]
        out = pd.DataFrame(
            {
                "founder": named,
                "share": self.founders.share,
                "copies": self.copies.sum(axis=1),
                "descendants": self.descendants.sum(axis=1),
                "largest_place": [places[p] if p >= 0 else "" for p in self.largest_place],
                "risk": self.risk,
            }
        )
        for k, place in enumerate(places):
            out[f"copies at {place}"] = self.copies[:, k]
        return out


@dataclass(frozen=True, slots=True)
class PlaceLoss:
    """What would be lost with all fish of one place.

    Parameters
    ----------
    place : int
        Place code.
    fish : float
        Living fish there (sum of weights).
    gene_diversity_left : float or None
        Gene diversity of the fish elsewhere; None when no fish live elsewhere.
    gene_diversity_lost : float or None
        Gene diversity now less that; negative when the rest is less related on average without the place.
    founder_genomes_lost : Estimate
        Founder genomes carried nowhere else (half the genes carried only there), by gene drop.
    lines_lost : ndarray, int32
        Positions in `FounderLines.founders` of lines all of whose living copies are there.
    """

    place: int
    fish: float
    gene_diversity_left: float | None
    gene_diversity_lost: float | None
    founder_genomes_lost: Estimate
    lines_lost: IntArray


def founder_lines(
    parents: npt.ArrayLike, place: npt.ArrayLike, n_places: int, weights: npt.ArrayLike | None = None
) -> FounderLines:
    """Count the living copies of every founder line by place.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    place : array_like, integer, shape (n_fish,)
        Place (0 to ``n_places - 1``) of each living fish; -1 for fish that are not alive.
    n_places : int
        Number of places.
    weights : array_like, float64, shape (n_fish,), optional
        Living fish each row stands for; default 1. Rows with weight 0 do not count.

    Returns
    -------
    FounderLines

    Raises
    ------
    ShapeError
        If an array has another shape or type.
    ValueRangeError
        If a place or weight is outside its range, or no fish is alive.
    PedigreeError
        If a parent does not stand before its offspring.

    Notes
    -----
    One gene-flow sweep ``T' w`` per place gives the copies of all founders. Descendants are counted with 64 founders
    at a time, one bit each.
    """
    from broodstock.pedigree.drop_kernels import count_descendants
    from broodstock.pedigree.kernels import gather_up

    checked, where, living = _checked_places(parents, place, n_places, weights)
    founders = founder_shares(checked, living)
    half = np.where(founders.unknown_side == MISSING, 1.0, 0.5)
    copies = np.zeros((founders.row.size, n_places))
    for p in range(n_places):
        y = np.where(where == p, living, 0.0)
        gather_up(checked, y)
        copies[:, p] = half * y[founders.row]
    total = copies.sum(axis=1)
    largest = np.where(total > 0, copies.argmax(axis=1), MISSING).astype(np.int32)
    risk = np.divide(copies.max(axis=1, initial=0.0), total, out=np.zeros_like(total), where=total > 0)
    counted = np.where(living > 0, where, MISSING).astype(np.int32)
    descendants = np.asarray(count_descendants(checked, founders.row, counted, n_places)).astype(np.int64)
    return FounderLines(founders, copies, descendants, largest, risk)


def place_losses(
    parents: npt.ArrayLike,
    place: npt.ArrayLike,
    n_places: int,
    drops: int,
    rng: np.random.Generator | int,
    weights: npt.ArrayLike | None = None,
    F: npt.ArrayLike | None = None,
) -> list[PlaceLoss]:
    """Say for every place what would be lost with it.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    place : array_like, integer, shape (n_fish,)
        Place (0 to ``n_places - 1``) of each living fish; -1 for fish that are not alive.
    n_places : int
        Number of places.
    drops : int
        Gene drops for the founder genomes.
    rng : numpy Generator or int
        Source of randomness, or a seed.
    weights : array_like, float64, shape (n_fish,), optional
        Living fish each row stands for; default 1.
    F : array_like, float64, shape (n_fish,), optional
        Inbreeding coefficients; computed when not given.

    Returns
    -------
    list of PlaceLoss
        One for each place, in order.

    Raises
    ------
    ShapeError
        If an array has another shape or type.
    ValueRangeError
        If a place or weight is outside its range, no fish is alive, or `drops` is below 1.
    PedigreeError
        If a parent does not stand before its offspring.

    Notes
    -----
    The same drops serve all places. A founder genome is two genes; an unknown parent of a fish with one known
    parent has one that is seen.
    """
    checked, where, living = _checked_places(parents, place, n_places, weights)
    check_drops(drops)
    f = checked_inbreeding(F, checked)
    lines = founder_lines(checked, where, n_places, living)
    sums = _kinship_sums(checked, where, n_places, living, f)
    only = _genes_only_there(checked, where, n_places, living, drops, np.random.default_rng(rng))
    number = np.bincount(where[where >= 0], weights=living[where >= 0], minlength=n_places)
    now = 1.0 - float(sums.sum()) / float(number.sum()) ** 2
    out = []
    for p in range(n_places):
        rest = float(number.sum() - number[p])
        left = None
        if rest > 0:
            elsewhere = float(sums.sum() - sums[p].sum() - sums[:, p].sum() + sums[p, p])
            left = 1.0 - elsewhere / rest**2
        alone = np.flatnonzero((lines.risk >= 1.0 - 1e-12) & (lines.largest_place == p)).astype(np.int32)
        out.append(
            PlaceLoss(
                p, float(number[p]), left, None if left is None else now - left, _genomes(only[:, p]), alone
            )
        )
    return out


def _checked_places(
    parents: npt.ArrayLike, place: npt.ArrayLike, n_places: int, weights: npt.ArrayLike | None
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return checked parents, places, and weights that are 0 for fish that are not alive."""
    checked = checked_parents(parents)
    where = np.asarray(place)
    if where.shape != (len(checked),) or where.dtype.kind not in "iu":
        raise ShapeError(
            f"place: found shape {where.shape} and type {where.dtype}. Expected one whole number per fish, "
            f"({len(checked)},)."
        )
    if where.size and (where.min() < MISSING or where.max() >= n_places):
        wrong = where[(where < MISSING) | (where >= n_places)][0]
        raise ValueRangeError(
            f"place: found {wrong}. Expected 0 to {n_places - 1}, or -1 for fish not alive."
        )
    alive = (where >= 0).astype(np.float64)
    living = alive if weights is None else alive * np.asarray(weights, dtype=np.float64)
    return checked, where.astype(np.int32), checked_weights(living, len(checked), "weights of living fish")


def _kinship_sums(
    parents: IntArray, where: IntArray, n_places: int, living: FloatArray, f: FloatArray
) -> FloatArray:
    """Sum of kinship over pairs of living fish, self-pairs in, by the places of the two: ``w_p' K w_q``."""
    from broodstock.pedigree.kernels import gather_up, within_family_variance

    d = within_family_variance(parents, f)
    flows = np.empty((n_places, len(parents)))
    for p in range(n_places):
        flows[p] = np.where(where == p, living, 0.0)
        gather_up(parents, flows[p])
    return np.asarray((flows * d) @ flows.T)


def _genes_only_there(
    parents: IntArray,
    where: IntArray,
    n_places: int,
    living: FloatArray,
    drops: int,
    random: np.random.Generator,
) -> FloatArray:
    """Genes carried in one place only, shape (n_drops, n_places)."""
    from broodstock.pedigree.drop_kernels import drop, genes_only_there

    fish = np.flatnonzero(living > 0)
    up, kept, number = ancestors_only(parents, fish)
    entering, gene_row, _ = entering_genes(up, kept)
    parts = []
    for size in drop_chunks(drops, 8 * len(up)):
        genes = drop(up, entering, size, int(random.integers(2**63)))
        carried = np.ascontiguousarray(genes[number[fish]].transpose(2, 0, 1))
        parts.append(genes_only_there(carried, where[fish], n_places, gene_row.size))
    return np.concatenate(parts)


def _genomes(genes: FloatArray, level: float = 0.95) -> Estimate:
    """Mean of half the genes with its Monte Carlo interval."""
    genomes = 0.5 * genes
    value = float(genomes.mean())
    error = float(genomes.std()) / genomes.size**0.5
    half = NormalDist().inv_cdf(0.5 + level / 2) * error
    return Estimate(
        value,
        max(0.0, value - half),
        value + half,
        method="half the founder genes carried only in this place, mean over gene drops",
        n_used=genomes.size,
        unit_used="drops",
        level=level,
        note="the interval shows simulation error only",
    )
