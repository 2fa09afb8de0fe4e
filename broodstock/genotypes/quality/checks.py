"""Run every check once, on the samples and loci that can bear it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BoolArray, FloatArray
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.genotypes.quality.duplicates import SamplePair, duplicate_samples, same_fish_pairs
from broodstock.genotypes.quality.hardy_weinberg import HardyWeinbergTest, hardy_weinberg_tests
from broodstock.genotypes.quality.heterozygosity import (
    SampleHeterozygosity,
    sample_heterozygosity,
    two_fish_suspected,
)
from broodstock.genotypes.quality.hybrid_index import HybridCall, hybrid_calls
from broodstock.genotypes.quality.linkage import LinkageTests, linkage_tests
from broodstock.genotypes.quality.null_alleles import NullAlleles, null_allele_frequencies
from broodstock.genotypes.quality.parent_offspring import RecordedParents, recorded_parent_mismatches
from broodstock.genotypes.quality.plates import PlateCheck, check_plates
from broodstock.genotypes.quality.replicates import ReplicateErrors, replicate_errors
from broodstock.genotypes.quality.sex_marker import SexCall, sex_calls
from broodstock.genotypes.quality.thresholds import QualityThresholds, SampleRecords


@dataclass(frozen=True)
class Checks:
    """Results of the checks, before they become tables.

    Parameters
    ----------
    sample_rate : ndarray, float64, shape (n_samples,)
        Share of the kept loci typed in each sample of the whole set.
    locus_rate : ndarray, float64, shape (n_loci,)
        Share of the usable samples typed at each locus of the whole set.
    checked_loci : tuple of str
        Loci with enough calls, in the order of `replicates.compared`.
    neutral_samples : tuple of str
        Kept samples, in the order of `heterozygosity` and `two_fish`.
    heterozygosity : SampleHeterozygosity
        Over kept neutral loci.
    two_fish : ndarray, bool
        Samples that look like two fish in one vial.
    duplicates : tuple of SamplePair
        Among all samples but negative controls.
    hardy_weinberg : dict of str to HardyWeinbergTest
        By locus.
    nulls : dict of str to NullAlleles
        By locus.
    linkage : LinkageTests
        Over `linkage_loci`.
    linkage_loci : tuple of str
        Names behind the positions in `linkage`.
    sexes, hybrids, parents, plates, replicates
        Results of the checks of those names.
    """

    sample_rate: FloatArray
    locus_rate: FloatArray
    checked_loci: tuple[str, ...]
    neutral_samples: tuple[str, ...]
    heterozygosity: SampleHeterozygosity
    two_fish: BoolArray
    duplicates: tuple[SamplePair, ...]
    hardy_weinberg: dict[str, HardyWeinbergTest]
    nulls: dict[str, NullAlleles]
    linkage: LinkageTests
    linkage_loci: tuple[str, ...]
    sexes: tuple[SexCall, ...]
    hybrids: tuple[HybridCall, ...]
    parents: tuple[RecordedParents, ...]
    plates: PlateCheck
    replicates: ReplicateErrors


def run_checks(
    genotypes: GenotypeSet,
    records: SampleRecords,
    limits: QualityThresholds,
    kept: list[int],
    good_loci: BoolArray,
    sample_rate: FloatArray,
    locus_rate: FloatArray,
    seed: int,
) -> Checks:
    """Run the checks.

    Parameters
    ----------
    genotypes : GenotypeSet
        The whole set.
    records, limits
        Records and thresholds.
    kept : list of int
        Positions of the samples with enough calls.
    good_loci : ndarray, bool, shape (n_loci,)
        Loci with enough calls.
    sample_rate, locus_rate : ndarray, float64
        Call rates, passed on.
    seed : int
        Seed of the Monte Carlo tests.

    Returns
    -------
    Checks

    Raises
    ------
    UsageError
        If a well name cannot be read or two samples sit in one well.
    """
    lociwise = genotypes.take(loci=np.flatnonzero(good_loci))
    clean = lociwise.take(samples=kept)
    neutral = clean.with_role("neutral")
    heterozygosity = sample_heterozygosity(neutral)
    wanted = set(records.reference) or set(clean.samples)
    reference = neutral.take(samples=[i for i, name in enumerate(neutral.samples) if name in wanted])
    tests = hardy_weinberg_tests(reference, seed=seed)
    not_blank = lociwise.take(
        samples=[i for i, n in enumerate(lociwise.samples) if n not in set(records.blanks)]
    )
    pairs = same_fish_pairs(clean, records.fish_of)
    return Checks(
        sample_rate,
        locus_rate,
        tuple(x.name for x in clean.loci),
        neutral.samples,
        heterozygosity,
        two_fish_suspected(heterozygosity, limits.heterozygosity_level),
        duplicate_samples(not_blank, records.fish_of, limits.max_mismatch, limits.min_compared),
        {t.locus: t for t in tests},
        {x.locus: x for x in null_allele_frequencies(reference)},
        linkage_tests(reference),
        tuple(x.name for x in reference.loci),
        sex_calls(clean, records.sex),
        hybrid_calls(clean, limits.flag_foreign_above),
        recorded_parent_mismatches(clean, records.parents, min_compared=limits.min_compared),
        check_plates(
            not_blank,
            records.layout,
            limits.max_well_mismatch,
            limits.max_parent_mismatch,
            limits.min_compared,
        ),
        replicate_errors(clean, pairs),
    )
