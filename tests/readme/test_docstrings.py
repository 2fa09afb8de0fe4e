"""Every example in a docstring runs and says what stands under it; the functions most used from Python have one."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MODULES = sorted(
    ".".join(p.relative_to(ROOT).with_suffix("").parts)
    for package in ("broodstock", "planner")
    for p in (ROOT / package).rglob("*.py")
    if ">>> " in p.read_text(encoding="utf-8")
)
SHOWN = (
    "broodstock.genotypes.genotype_set:GenotypeSet",
    "broodstock.diversity.heterozygosity:expected_heterozygosity",
    "broodstock.diversity.heterozygosity:observed_heterozygosity",
    "broodstock.diversity.richness:allelic_richness",
    "broodstock.diversity.richness:private_allelic_richness",
    "broodstock.diversity.table:diversity_table",
    "broodstock.diversity.haplotypes:haplotype_diversity",
    "broodstock.effective_size.linkage:linkage_ne",
    "broodstock.effective_size.temporal:temporal_ne",
    "broodstock.effective_size.sibship:sibship_nb",
    "broodstock.effective_size.demographic:sex_ratio_ne",
    "broodstock.effective_size.demographic:family_size_ne",
    "broodstock.effective_size.demographic:harmonic_mean_ne",
    "broodstock.intake.folder:read_folder",
    "broodstock.lots.closed_form:split_moments",
    "broodstock.parentage.mismatch:pair_mismatches",
    "broodstock.pedigree.build:build_pedigree",
    "broodstock.pedigree.founders:founder_equivalents",
    "broodstock.pedigree.founders:founder_shares",
    "broodstock.pedigree.inbreeding:inbreeding",
    "broodstock.pedigree.kinship:gene_diversity",
    "broodstock.pedigree.kinship:kinship_between",
    "broodstock.pedigree.kinship:kinship_matrix",
    "broodstock.pedigree.kinship:mean_kinship",
    "broodstock.relatedness.allele_sharing:allele_sharing",
    "broodstock.tags.codes:parse_tag",
    "broodstock.tags.near:near_matches",
)


@pytest.mark.parametrize("module", MODULES)
def test_docstrings__examples_run(module: str) -> None:
    done = doctest.testmod(importlib.import_module(module), optionflags=doctest.NORMALIZE_WHITESPACE)
    assert done.attempted > 0
    assert done.failed == 0


@pytest.mark.parametrize("place", SHOWN)
def test_docstrings__most_used_functions_have_an_example(place: str) -> None:
    module, name = place.split(":")
    words = getattr(importlib.import_module(module), name).__doc__
    assert "Examples\n" in words
    assert ">>> " in words
