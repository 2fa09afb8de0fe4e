"""Settings of parentage assignment and what it returns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BoolArray, FloatArray
from broodstock.errors import UsageError
from broodstock.parentage.likelihood import PairScores


@dataclass(frozen=True, slots=True)
class AssignmentSettings:
    """How assignments are made and worded.

    Parameters
    ----------
    dams_sampled, sires_sampled : float
        Prior probability that the true dam (sire) of an offspring is among its candidates.
    shortlist : int
        Candidates of either sex that enter the scoring of pairs, best pair scores first.
    mismatch_confidence : float
        Share of true parents that stay within the allowed mismatches; others leave the shortlist.
    min_loci : int
        With fewer typed loci an offspring is not testable.
    certain_at, probable_at : float
        Posterior from which an assignment is called certain, or probable.
    alternatives : int
        Configurations kept beside the best.
    estimate_shares : bool
        Replace `dams_sampled` and `sires_sampled` by their maximum-likelihood values, found by expectation
        and maximisation from these starts on at most 300 of the offspring.
    """

    dams_sampled: float = 0.9
    sires_sampled: float = 0.9
    shortlist: int = 24
    mismatch_confidence: float = 0.9999
    min_loci: int = 6
    certain_at: float = 0.95
    probable_at: float = 0.8
    alternatives: int = 3
    estimate_shares: bool = False

    def check(self) -> None:
        """Check the settings.

        Raises
        ------
        UsageError
            Naming the first setting that cannot be used.
        """
        for name in ("dams_sampled", "sires_sampled", "certain_at", "probable_at"):
            value = getattr(self, name)
            if not 0 <= value <= 1:
                raise UsageError(f"{name}: found {value}. Expected a share from 0 to 1.")
        if not 0 < self.mismatch_confidence < 1:
            raise UsageError(
                f"mismatch_confidence: found {self.mismatch_confidence}. Expected a number between 0 and 1."
            )
        for name, least in (("shortlist", 1), ("min_loci", 1), ("alternatives", 0)):
            if getattr(self, name) < least:
                raise UsageError(f"{name}: found {getattr(self, name)}. Expected {least} or more.")


@dataclass(frozen=True, slots=True)
class ParentConfiguration:
    """One possible answer.

    Parameters
    ----------
    dam, sire : str or None
        Sample names; None where the parent is not among the candidates.
    either : tuple of str
        Parents whose role is not known because their sex is not (then not named in `dam` and `sire`).
    posterior : float
        Posterior probability of exactly this configuration.
    log_likelihood_ratio : float
        Natural log of the likelihood ratio against two unsampled parents (0 for those).
    mismatches, compared : int
        Impossible loci, and loci typed in offspring and every parent named.
    """

    dam: str | None
    sire: str | None
    either: tuple[str, ...]
    posterior: float
    log_likelihood_ratio: float
    mismatches: int
    compared: int

    @property
    def parents(self) -> tuple[str, ...]:
        """Names of all sampled parents of this configuration."""
        return tuple(name for name in (self.dam, self.sire, *self.either) if name is not None)


@dataclass(frozen=True, slots=True)
class Assignment:
    """What DNA says about the parents of one offspring.

    Parameters
    ----------
    offspring : str
        Sample name.
    best : ParentConfiguration
        Most probable configuration.
    category : {'both sampled', 'only dam', 'only sire', 'one of unknown sex', 'none'}
        Kind of the best configuration.
    word : {'certain', 'probable', 'unresolved', 'not testable'}
        Strength of the best configuration.
    reason : str
        Why it is unresolved or not testable; empty otherwise.
    category_posterior : dict of str to float
        Posterior of each category, all candidates summed; sums to 1.
    dam_posterior, sire_posterior : float
        Posterior that the dam (sire) named in `best` is a parent in that role, whatever the other parent.
        For a role without a name: that this parent is not among the candidates. For parents in `either`:
        that the first (second) of them is a parent in any role.
    n_typed : int
        Neutral loci typed in the offspring.
    margin : float
        Natural log of the posterior odds of the best against the second configuration; infinite if alone.
    allowed_mismatches : int
        Mismatches still expected of true parents with this offspring's typed loci.
    alternatives : tuple of ParentConfiguration
        Next best configurations.
    """

    offspring: str
    best: ParentConfiguration
    category: str
    word: str
    reason: str
    category_posterior: dict[str, float]
    dam_posterior: float
    sire_posterior: float
    n_typed: int
    margin: float
    allowed_mismatches: int
    alternatives: tuple[ParentConfiguration, ...]

    @property
    def dam(self) -> str | None:
        """Dam of the best configuration."""
        return self.best.dam

    @property
    def sire(self) -> str | None:
        """Sire of the best configuration."""
        return self.best.sire

    @property
    def posterior(self) -> float:
        """Posterior of the best configuration."""
        return self.best.posterior

    @property
    def log_likelihood_ratio(self) -> float:
        """Natural log of the likelihood ratio of the best configuration against two unsampled parents."""
        return self.best.log_likelihood_ratio

    @property
    def mismatches(self) -> int:
        """Impossible loci of the best configuration."""
        return self.best.mismatches

    @property
    def compared(self) -> int:
        """Loci typed in the offspring and every parent of the best configuration."""
        return self.best.compared


@dataclass(frozen=True)
class AssignmentRun:
    """Assignments of many offspring, with what the audit needs to look up any candidate.

    Parameters
    ----------
    assignments : tuple of Assignment
        One per offspring, in the order given.
    candidates : tuple of str
        Names of the candidates, in the order of the columns below.
    dam_marginal, sire_marginal : ndarray, float64, shape (n_offspring, n_candidates)
        Posterior that the candidate is the dam (sire).
    pairs : PairScores
        Scores of every offspring with every candidate.
    eligible : ndarray, bool, same shape
        Candidates that could be a parent.
    sexes : ndarray, int, shape (n_candidates,)
        0 female, 1 male, -1 unknown.
    dams_sampled, sires_sampled : float
        Prior shares used: those of the settings, or estimated.
    n_loci : int
        Neutral loci used.
    settings : AssignmentSettings
        Settings used.
    """

    assignments: tuple[Assignment, ...]
    candidates: tuple[str, ...]
    dam_marginal: FloatArray
    sire_marginal: FloatArray
    pairs: PairScores
    eligible: BoolArray
    sexes: np.ndarray
    dams_sampled: float
    sires_sampled: float
    n_loci: int
    settings: AssignmentSettings

    def expected_wrong(self, word: str = "certain") -> float:
        """Return the expected number of wrong answers called `word`: the sum of one minus posterior."""
        return sum(1.0 - a.posterior for a in self.assignments if a.word == word)
