"""How much is needed to see a change: formulas, and one simulation with its own error.

A change counts as seen when a two-sided test at level alpha finds it with the power asked for. The normal form is
(z(1 - alpha/2) + z(power))^2 times the variance of the difference, set against the square of the change.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import UsageError


@dataclass(frozen=True)
class Need:
    """What is needed.

    Parameters
    ----------
    number : int or None
        Units needed; None when no number is enough.
    unit : str
        Units.
    how : str
        Formula with its source, or the simulation with its error.
    note : str
        What the number rests on.
    """

    number: int | None
    unit: str
    how: str
    note: str = ""

    def text(self) -> str:
        """Return the need in words."""
        return f"{self.number} {self.unit}" if self.number is not None else "no number is enough"


def factor(alpha: float, power: float) -> float:
    """Return (z(1 - alpha/2) + z(power))^2.

    Raises
    ------
    UsageError
        If alpha or power is not between 0 and 1, or power is not above alpha.
    """
    from scipy.stats import norm

    if not (0 < alpha < 1 and alpha < power < 1):
        raise UsageError(
            f"power: found level {alpha:g} and power {power:g}. Expected both between 0 and 1, the power above the level."
        )
    return float(norm.ppf(1 - alpha / 2) + norm.ppf(power)) ** 2


def released_for_survival(
    survival: float, changed: float, met: float, alpha: float = 0.05, power: float = 0.8
) -> Need:
    """Return the fish to release in each of two groups to tell two first-year survivals apart.

    Parameters
    ----------
    survival, changed : float
        Chance to live through the first year in each group.
    met : float
        Chance that a survivor is met later.
    alpha, power : float
        Level and power.

    Notes
    -----
    Two proportions p = survival x met: n = factor (p1 (1 - p1) + p2 (1 - p2)) / (p1 - p2)^2 (Fleiss 1981, from memory).
    """
    how = "two proportions, normal form (Fleiss 1981)"
    p, q = survival * met, changed * met
    if p == q or not 0 < met <= 1:
        return Need(None, "fish in each group", how, "no change to see, or nobody is ever met")
    n = factor(alpha, power) * (p * (1 - p) + q * (1 - q)) / (p - q) ** 2
    return Need(math.ceil(n), "fish in each group", how, f"a survivor is met with a chance of {met:.2f}")


def met_by_hours(hours: float, reference_hours: float, reference_met: float) -> float:
    """Return the chance to be met with some scan hours, from the chance at a known number of hours.

    1 - (1 - met)^(hours / reference): each hour an independent chance. Fish differ, so more hours bring less than this.
    """
    return 1.0 - (1.0 - min(reference_met, 1 - 1e-12)) ** (hours / reference_hours)


def hours_for_survival(
    survival: float,
    changed: float,
    fish: int,
    reference_hours: float,
    reference_met: float,
    alpha: float = 0.05,
    power: float = 0.8,
) -> Need:
    """Return the scan hours a year to tell two survivals apart with groups of a given size."""
    how = "two proportions with a chance to be met that grows with hours"
    if reference_hours <= 0 or reference_met <= 0:
        return Need(None, "scan hours a year", how, "no hours of readers on record")
    most = released_for_survival(survival, changed, 1.0, alpha, power).number
    if most is None or most > fish:
        words = (
            f"even if every survivor were met, {most} fish are needed in each group"
            if most
            else "no change to see"
        )
        return Need(None, "scan hours a year", how, words)
    low, high = 0.0, reference_hours

    def enough(hours: float) -> bool:
        met = met_by_hours(hours, reference_hours, reference_met)
        return (released_for_survival(survival, changed, met, alpha, power).number or math.inf) <= fish

    while not enough(high):
        high *= 2
        if high > 1e4 * reference_hours:
            return Need(None, "scan hours a year", how, "more than ten thousand times the hours of now")
    for _ in range(60):
        mid = (low + high) / 2
        low, high = (low, mid) if mid > 0 and enough(mid) else (mid, high)
    return Need(
        math.ceil(high),
        "scan hours a year",
        how,
        f"groups of {fish} fish; now {reference_hours:.0f} hours a year",
    )


def chapman_cv(numbers: float, first: float, second: float) -> float:
    """Return the coefficient of variation of Chapman's estimate.

    sqrt((N - M)(N - C) / (N M C)), from the hypergeometric variance of recaptures (Seber 1982, from memory).
    """
    return math.sqrt(max((numbers - first) * (numbers - second), 0.0) / (numbers * first * second))


def caught_for_numbers(numbers: float, change: float, alpha: float = 0.05, power: float = 0.8) -> Need:
    """Return the fish to catch on each of two visits, in each of two years, to see a change in numbers.

    Parameters
    ----------
    numbers : float
        Fish there.
    change : float
        Share of change, such as -0.3.
    alpha, power : float
        Level and power.

    Notes
    -----
    The difference of log numbers has the variance CV1^2 + CV2^2.
    """
    how = "difference of the logarithms of two Chapman estimates (Seber 1982)"
    after = numbers * (1 + change)
    if change == 0 or after <= 0 or numbers < 10:
        return Need(None, "fish on each visit", how, "no change to see, or too few fish")
    wanted = math.log1p(change) ** 2 / factor(alpha, power)
    for n in range(4, int(min(numbers, after))):
        if chapman_cv(numbers, n, n) ** 2 + chapman_cv(after, n, n) ** 2 <= wanted:
            expected = n * n / numbers
            note = f"{numbers:.0f} fish there; about {expected:.0f} would be met on both visits"
            return Need(n, "fish on each visit", how, note)
    return Need(None, "fish on each visit", how, "the change is too small to see by two visits")


def linkage_cv(breeders: float, sample: float, loci: float) -> float:
    """Return the coefficient of variation of an effective number from linkage.

    sqrt(2 / n) (1 + 3 Nb / S) with n = L (L - 1) / 2 pairs of unlinked loci of two alleles (Hill 1981; Waples & Do
    2010, from memory). Pairs are not independent, so with many loci the true value is larger.
    """
    pairs = loci * (loci - 1) / 2
    return math.sqrt(2.0 / pairs) * (1.0 + 3.0 * breeders / sample)


def larvae_for_breeders(
    breeders: float, change: float, loci: int, alpha: float = 0.05, power: float = 0.8
) -> Need:
    """Return the larvae to type in each of two years to see a change in the effective number of breeders."""
    how = "variance of linkage (Hill 1981; Waples & Do 2010)"
    if change == 0 or loci < 3 or breeders <= 0 or change <= -1:
        return Need(None, "larvae a year", how, "no change to see, or fewer than 3 loci")
    after = breeders * (1 + change)
    wanted = math.log1p(change) ** 2 / factor(alpha, power)

    def variance(s: float) -> float:
        return linkage_cv(breeders, s, loci) ** 2 + linkage_cv(after, s, loci) ** 2

    if variance(1e9) > wanted:
        return Need(
            None, "larvae a year", how, f"{loci} loci are too few however many larvae; type more loci"
        )
    low, high = 2.0, 4.0
    while variance(high) > wanted:
        high *= 2
    while high - low > 0.5:
        mid = (low + high) / 2
        low, high = (low, mid) if variance(mid) <= wanted else (mid, high)
    return Need(math.ceil(high), "larvae a year", how, f"{loci} loci; effective breeders {breeders:.0f}")


def loci_for_breeders(
    breeders: float, change: float, sample: int, alpha: float = 0.05, power: float = 0.8
) -> Need:
    """Return the loci needed with a given number of larvae; formula as in `larvae_for_breeders`."""
    how = "variance of linkage (Hill 1981; Waples & Do 2010)"
    if change == 0 or change <= -1 or sample < 2:
        return Need(None, "loci", how, "no change to see, or no larvae")
    after = breeders * (1 + change)
    wanted = math.log1p(change) ** 2 / factor(alpha, power)
    for loci in range(3, 20_000):
        if linkage_cv(breeders, sample, loci) ** 2 + linkage_cv(after, sample, loci) ** 2 <= wanted:
            return Need(loci, "loci", how, f"{sample} larvae a year")
    return Need(None, "loci", how, "more than 20 000")


def power_for_heterozygosity(
    frequencies: FloatArray,
    lost: float,
    fish: int,
    rng: np.random.Generator,
    replicates: int = 400,
    alpha: float = 0.05,
) -> tuple[float, float]:
    """Simulate the chance to see a loss of expected heterozygosity with some fish typed in each of two samples.

    Parameters
    ----------
    frequencies : ndarray, float64, shape (n_loci,)
        Frequency of one of two alleles before.
    lost : float
        Share of expected heterozygosity lost, 0 to below 1.
    fish : int
        Fish in each sample.
    rng : Generator
        Random numbers.
    replicates : int
        Simulated pairs of samples.
    alpha : float
        Level.

    Returns
    -------
    power, error : float
        Share of replicates in which a paired t test over loci sees a lower value, and its Monte Carlo standard error.

    Notes
    -----
    Drift from p to p' has mean p and variance p (1 - p) lost, a beta distribution (Balding & Nichols 1995, from
    memory); the sample is binomial and heterozygosity unbiased (Nei 1978).
    """
    from scipy.stats import t

    p = frequencies[(frequencies > 0.01) & (frequencies < 0.99)]
    n = len(p)
    if n < 3 or fish < 2:
        return 0.0, 0.0
    copies = 2 * fish
    limit = float(t.ppf(1 - alpha / 2, n - 1))
    seen = 0
    for _ in range(replicates):
        if lost > 0:
            shape = (1 - lost) / lost
            after = rng.beta(p * shape, (1 - p) * shape)
        else:
            after = p
        before_hat, after_hat = rng.binomial(copies, p) / copies, rng.binomial(copies, after) / copies
        unbiased = copies / (copies - 1)
        fall = unbiased * 2 * (before_hat * (1 - before_hat) - after_hat * (1 - after_hat))
        sd = float(fall.std(ddof=1))
        seen += bool(sd > 0 and fall.mean() / (sd / math.sqrt(n)) > limit)
    share = seen / replicates
    return share, math.sqrt(max(share * (1 - share), 0.25 / replicates) / replicates)


def fish_for_heterozygosity(
    frequencies: FloatArray, lost: float, rng: np.random.Generator, alpha: float = 0.05, power: float = 0.8
) -> Need:
    """Return the fish to type in each of two samples to see a loss of heterozygosity, by simulation."""
    last = (0.0, 0.0)
    for fish in (10, 15, 20, 30, 40, 60, 80, 120, 200, 400):
        last = power_for_heterozygosity(frequencies, lost, fish, rng, alpha=alpha)
        if last[0] >= power:
            how = f"simulation: power {last[0]:.2f}, Monte Carlo error {last[1]:.2f}"
            return Need(fish, "fish in each sample", how, f"{len(frequencies)} loci, paired over loci")
    how = f"simulation: with 400 fish power {last[0]:.2f}, Monte Carlo error {last[1]:.2f}"
    return Need(None, "fish in each sample", how, "drift differs between loci: type more loci")
