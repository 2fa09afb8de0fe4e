"""The laboratory: untyped calls, typing errors, mixed vials, clips taken twice, a shifted plate column."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodstock.arrays import MISSING, BigIntArray, BoolArray, FloatArray
from broodstock.genotypes.genotype_set import GenotypeSet
from planner.demo.gene_drop import TrueGenes
from planner.demo.loci import Panel
from planner.demo.parameters import TRUTH

_DROPOUT_SHARE = 0.98


@dataclass
class Wells:
    """What is really in each well, by sample.

    Attributes
    ----------
    row : ndarray, int64, shape (n_samples,)
        Fish whose tissue is there; -1 for a blank.
    second : ndarray, int64, shape (n_samples,)
        Second fish in the vial; -1 for none.
    """

    row: BigIntArray
    second: BigIntArray


def type_samples(
    wells: Wells, table: pd.DataFrame, genes: TrueGenes, panel: Panel, rng: np.random.Generator
) -> tuple[GenotypeSet, GenotypeSet | None, GenotypeSet]:
    """Type all samples.

    Parameters
    ----------
    wells : Wells
        Contents.
    table : DataFrame
        The table ``samples``.
    genes : TrueGenes
        Error-free genes.
    panel : Panel
        Loci.
    rng : Generator
        Random numbers.

    Returns
    -------
    snps : GenotypeSet
        Calls of all samples.
    microsatellites : GenotypeSet or None
        Calls of the samples typed with them; None when the panel has none.
    true_snps : GenotypeSet
        What a perfect laboratory would have found in the same wells.
    """
    calls = _contents(wells, genes)
    n = panel.n_snps
    true = calls[:n].copy()
    quality = sample_quality(table, rng)
    seen = _with_errors(calls[:n], np.full(n, 2), rng)
    miss = missing_chance(quality, n, wells.row < 0, rng)
    seen[rng.random(miss.shape) < miss] = MISSING
    names = tuple(table["sample_id"])
    snps = GenotypeSet(names, panel.loci[:n], panel.alleles[:n], seen)
    perfect = GenotypeSet(names, panel.loci[:n], panel.alleles[:n], true)
    if len(panel.loci) == n:
        return snps, None, perfect
    old = np.flatnonzero(table["marker_set"].str.contains("MS").to_numpy())
    sizes = np.array([len(a) for a in panel.alleles[n:]])
    repeats = _with_errors(calls[n:, old], sizes, rng)
    miss = missing_chance(quality[old], len(sizes), wells.row[old] < 0, rng)
    repeats[rng.random(miss.shape) < miss] = MISSING
    old_set = GenotypeSet(tuple(names[i] for i in old), panel.loci[n:], panel.alleles[n:], repeats)
    return snps, old_set, perfect


def _contents(wells: Wells, genes: TrueGenes) -> np.ndarray:
    """Return the alleles in each well, shape (n_loci, n_samples, 2); a mixed vial shows one of each fish."""
    filled = wells.row >= 0
    n_loci = genes.strands.shape[2]
    calls = np.full((n_loci, len(wells.row), 2), MISSING, dtype=np.int16)
    at = genes.place(wells.row[filled])
    calls[:, filled] = genes.strands[at].transpose(2, 0, 1)
    mixed = np.flatnonzero(wells.second >= 0)
    if len(mixed):
        other = genes.strands[genes.place(wells.second[mixed])].transpose(2, 0, 1)
        here = calls[:, mixed]
        low = np.minimum(here.min(axis=2), other.min(axis=2))
        high = np.maximum(here.max(axis=2), other.max(axis=2))
        calls[:, mixed, 0], calls[:, mixed, 1] = low, high
    return np.sort(calls, axis=2)


def sample_quality(table: pd.DataFrame, rng: np.random.Generator) -> FloatArray:
    """Return the relative chance of an untyped call of each sample: a tenth are poor, larvae a little worse."""
    n = len(table)
    poor = rng.random(n) < 0.1
    chance = np.where(poor, rng.beta(2.0, 14.0, n), rng.beta(2.0, 98.0, n))
    return chance * np.where(table["group"].eq("larva").to_numpy(), 1.3, 1.0)


def missing_chance(
    quality: FloatArray, n_loci: int, blank: BoolArray, rng: np.random.Generator
) -> FloatArray:
    """Return the chance of an untyped call, shape (n_loci, n_samples), with the stated mean of typed samples."""
    of_locus = rng.lognormal(0.0, 0.5, n_loci)
    chance = np.outer(of_locus / of_locus.mean(), quality)
    chance *= (1.0 - TRUTH.call_rate_mean) / max(chance[:, ~blank].mean(), 1e-12)
    chance[:, blank] = 0.985
    return np.minimum(chance, 0.97 + 0.03 * blank)


def _with_errors(calls: np.ndarray, n_alleles: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return calls of which a stated share is wrong.

    A heterozygote in error shows one of its alleles only; a homozygote in error shows one other allele beside
    its own 98 times in a hundred, else that other allele twice.
    """
    out = calls.copy()
    n_loci, n_samples, _ = calls.shape
    wrong = (rng.random((n_loci, n_samples)) < TRUTH.genotyping_error) & (n_alleles > 1)[:, None]
    which = rng.random((n_loci, n_samples))
    shift = 1 + np.floor(rng.random((n_loci, n_samples)) * (n_alleles - 1)[:, None]).astype(np.int16)
    twice = rng.random((n_loci, n_samples)) >= _DROPOUT_SHARE
    a, b = calls[..., 0], calls[..., 1]
    other = ((a + shift) % n_alleles[:, None]).astype(np.int16)
    hetero = a != b
    kept = np.where(which < 0.5, a, b)
    new_a = np.where(hetero, kept, np.where(twice, other, a))
    new_b = np.where(hetero, kept, other)
    out[..., 0] = np.where(wrong, np.minimum(new_a, new_b), a)
    out[..., 1] = np.where(wrong, np.maximum(new_a, new_b), b)
    # A blank well has nothing to misread; what little it shows is contamination.
    empty = (a == MISSING) & (b == MISSING)
    out[empty] = 0
    return out


def shift_columns(
    row: BigIntArray, plate: np.ndarray, well: np.ndarray, which: str, columns: list[int]
) -> BigIntArray:
    """Return contents after the columns of a plate were loaded one column off, the last into the first.

    Parameters
    ----------
    row : ndarray, int64, shape (n_samples,)
        Contents by sample.
    plate, well : ndarray of str
        Plate and well of each sample.
    which : str
        Plate.
    columns : list of int
        Columns concerned, in order.
    """
    out = row.copy()
    on_plate = np.flatnonzero(plate == which)
    place = {str(well[i]): int(i) for i in on_plate}
    for k, column in enumerate(columns):
        source = columns[(k + 1) % len(columns)]
        for letter in "ABCDEFGH":
            here, there = place.get(f"{letter}{column:02d}"), place.get(f"{letter}{source:02d}")
            if here is not None and there is not None:
                out[here] = row[there]
    return out
