"""Sex read from loci with an allele that only males carry, against the sex on record."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from broodstock.errors import UsageError
from broodstock.genotypes.genotype_set import GenotypeSet


@dataclass(frozen=True, slots=True)
class SexCall:
    """Sex of one sample by DNA.

    Parameters
    ----------
    sample : str
        Name.
    dna_sex : {'female', 'male', 'unclear', 'not testable'}
        Call.
    posterior_male : float
        Posterior that the fish is male, both sexes equally likely before; 0.5 without evidence.
    n_male_allele, n_typed : int
        Loci showing the male allele, and sex loci typed.
    recorded : str
        ``female``, ``male`` or empty.
    agrees : bool or None
        None where either side is open.
    """

    sample: str
    dna_sex: str
    posterior_male: float
    n_male_allele: int
    n_typed: int
    recorded: str
    agrees: bool | None


def sex_calls(
    genotypes: GenotypeSet,
    recorded: Mapping[str, str] | None = None,
    missed: float = 0.03,
    false: float = 0.005,
    certain_at: float = 0.99,
) -> tuple[SexCall, ...]:
    """Call the sex of every sample.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls; loci of role ``sex`` with a male allele are used.
    recorded : mapping of str to str, optional
        ``female`` or ``male`` by sample name; other words count as not recorded.
    missed : float
        Probability that the male allele of a male is not read at a typed locus.
    false : float
        Probability that a female shows it by error.
    certain_at : float
        Posterior from which a sex is called.

    Returns
    -------
    tuple of SexCall
        One per sample, in order. Without sex loci every sample is not testable.

    Raises
    ------
    UsageError
        If a rate is not between 0 and 1 (excluded) or `certain_at` not between 0.5 and 1.

    Notes
    -----
    The loci count as independent readings; closely linked loci fail together more often than that.
    """
    if not (0 < missed < 1 and 0 < false < 1 and 0.5 < certain_at <= 1):
        raise UsageError(
            f"sex marker: found rates {missed} and {false} and certain_at {certain_at}. Expected rates between 0 and 1 "
            "and certain_at from above 0.5 to 1."
        )
    known = recorded or {}
    shows = np.zeros(genotypes.n_samples, dtype=np.int64)
    typed = np.zeros(genotypes.n_samples, dtype=np.int64)
    for k, locus in enumerate(genotypes.loci):
        if locus.role != "sex" or not locus.male_allele:
            continue
        names = genotypes.alleles[k]
        allele = names.index(locus.male_allele) if locus.male_allele in names else len(names)
        shows += (genotypes.calls[k] == allele).any(axis=1)
        typed += genotypes.typed[k]
    out = []
    for name, s, t in zip(genotypes.samples, shows.tolist(), typed.tolist(), strict=True):
        log_odds = s * math.log((1 - missed) / false) + (t - s) * math.log(missed / (1 - false))
        male = 1.0 / (1.0 + math.exp(min(700.0, max(-700.0, -log_odds))))
        call = (
            "not testable"
            if t == 0
            else "male"
            if male >= certain_at
            else "female"
            if male <= 1 - certain_at
            else "unclear"
        )
        said = known.get(name, "")
        said = said if said in ("female", "male") else ""
        agrees = None if not said or call not in ("female", "male") else said == call
        out.append(SexCall(name, call, male, s, t, said, agrees))
    return tuple(out)
