"""Typing error rates from fish that were typed twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray
from broodstock.errors import ValueRangeError
from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.genotypes.quality.duplicates import identity_chance_of_sibs
from broodstock.genotypes.quality.heterozygosity import gene_diversity
from broodstock.genotypes.quality.proportions import binomial_share


@dataclass(frozen=True)
class ReplicateErrors:
    """Disagreement between two typings of the same fish.

    Parameters
    ----------
    error_rate : Estimate
        Share of genotype calls that are wrong: half the share of pairs of calls that differ, since either
        of the two may be the wrong one. Interval halved from the exact binomial one; errors that cluster
        in poor samples make the true interval wider.
    dropout_rate : Estimate
        Probability that a heterozygote is read as a homozygote, after Broquet & Petit (2004): D / (D + 2 H)
        with D pairs of calls heterozygous and matching homozygous, H pairs both heterozygous and alike.
    other_rate : Estimate
        Share of genotype calls wrong in any other way.
    compared, differing, dropout_like : ndarray, int64, shape (n_loci,)
        Pairs of calls by locus: compared, different, different in the way of a dropout.
    pairs_used : tuple of (str, str)
        Pairs of samples behind the rates.
    pairs_refused : tuple of (str, str, int, int)
        Pairs that differ too much, or share no typed locus, with mismatches and loci compared: most likely
        two fish, not two typings of one.
    """

    error_rate: Estimate
    dropout_rate: Estimate
    other_rate: Estimate
    compared: BigIntArray
    differing: BigIntArray
    dropout_like: BigIntArray
    pairs_used: tuple[tuple[str, str], ...]
    pairs_refused: tuple[tuple[str, str, int, int], ...]


@dataclass(frozen=True, slots=True)
class GeneErrorRates:
    """Error rates per gene copy for the likelihoods of parentage.

    Parameters
    ----------
    substitution : float
        Probability that a gene copy is read as a random gene.
    dropout : float
        Probability that a gene copy is not read.
    """

    substitution: float
    dropout: float


def replicate_errors(
    genotypes: GenotypeSet, pairs: Sequence[tuple[int, int]], max_mismatch: float | None = None
) -> ReplicateErrors:
    """Compare pairs of typings of the same fish.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls.
    pairs : sequence of (int, int)
        Positions of the two samples. With three typings of one fish give each pair; the rates then lean a
        little on that fish.
    max_mismatch : float, optional
        Pairs that differ at a larger share of their loci are refused and listed. Default: half of what full
        sibs would differ by at the same loci.

    Returns
    -------
    ReplicateErrors
        Rates are not estimable without usable pairs.

    Raises
    ------
    ValueRangeError
        If a position is outside the set or a sample is paired with itself.

    References
    ----------
    .. [1] Broquet & Petit (2004), Molecular Ecology 13, 3601-3608.
    """
    for a, b in pairs:
        if a == b or min(a, b) < 0 or max(a, b) >= genotypes.n_samples:
            raise ValueRangeError(
                f"replicates: found the pair ({a}, {b}). Expected two different positions from 0 to "
                f"{genotypes.n_samples - 1}."
            )
    calls = np.sort(genotypes.calls, axis=2)
    sibs_differ = 1.0 - identity_chance_of_sibs(genotypes)
    compared = np.zeros(genotypes.n_loci, np.int64)
    differing = np.zeros(genotypes.n_loci, np.int64)
    dropped = np.zeros(genotypes.n_loci, np.int64)
    both_het = 0
    used: list[tuple[str, str]] = []
    refused: list[tuple[str, str, int, int]] = []
    for a, b in pairs:
        one, two = calls[:, a], calls[:, b]
        both = (one[:, 0] >= 0) & (two[:, 0] >= 0)
        differ = both & (one != two).any(axis=1)
        n, missed = int(both.sum()), int(differ.sum())
        limit = 0.5 * float(sibs_differ[both].sum()) if max_mismatch is None else max_mismatch * n
        if n == 0 or missed > limit:
            refused.append((genotypes.samples[a], genotypes.samples[b], missed, n))
            continue
        het_one, het_two = one[:, 0] != one[:, 1], two[:, 0] != two[:, 1]
        kept = (one == two[:, ::-1]).any(axis=1) | (one == two).any(axis=1)
        compared += both
        differing += differ
        dropped += differ & (het_one != het_two) & kept
        both_het += int((both & ~differ & het_one).sum())
        used.append((genotypes.samples[a], genotypes.samples[b]))
    total, wrong, lost = int(compared.sum()), int(differing.sum()), int(dropped.sum())
    return ReplicateErrors(
        _halved(
            binomial_share(wrong, total, "half the share of repeated calls that differ", "pairs of calls")
        ),
        binomial_share(lost, lost + 2 * both_het, "dropout by Broquet & Petit (2004)", "heterozygous calls"),
        _halved(
            binomial_share(
                wrong - lost, total, "half the share of repeated calls that differ", "pairs of calls"
            )
        ),
        compared,
        differing,
        dropped,
        tuple(used),
        tuple(refused),
    )


def gene_error_rates(
    found: ReplicateErrors, genotypes: GenotypeSet, with_dropout: bool = False
) -> GeneErrorRates:
    """Translate replicate disagreement into the two error rates of the parentage likelihoods.

    Parameters
    ----------
    found : ReplicateErrors
        From `replicate_errors`.
    genotypes : GenotypeSet
        The same set; its gene diversity says how often a random replacement is visible.
    with_dropout : bool
        Count heterozygote against homozygote as dropout. A pair of typings cannot tell a dropped allele from
        a false one, so say yes only where dropout is the usual fault (microsatellites, poor tissue).

    Returns
    -------
    GeneErrorRates
        For small rates a replacement of one of two gene copies is visible with probability h, the gene
        diversity, so substitution = genotype error / (2 h). Dropout, when asked for, is D / (2 - D) from the
        rate D per heterozygote, and substitution then comes from the other errors. Zero where not estimable.
    """
    diversity = gene_diversity(genotypes)
    weight = found.compared.sum()
    h = float((diversity * found.compared).sum() / weight) if weight else 0.0
    error = (found.other_rate if with_dropout else found.error_rate).value or 0.0
    lost = (found.dropout_rate.value or 0.0) if with_dropout else 0.0
    return GeneErrorRates(min(0.5, error / (2 * h)) if h > 0 else 0.0, lost / (2 - lost))


def _halved(estimate: Estimate) -> Estimate:
    if estimate.value is None or estimate.low is None or estimate.high is None:
        return estimate
    return Estimate(
        estimate.value / 2,
        estimate.low / 2,
        estimate.high / 2,
        estimate.method,
        estimate.n_used,
        estimate.unit_used,
        estimate.level,
    )
