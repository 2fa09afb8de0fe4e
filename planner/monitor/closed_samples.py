"""Numbers in a closed population from several samples."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.estimates import Estimate
from planner.monitor.closed_two_sample import log_limits

UNEQUAL = "assumes that every fish is equally easy to catch; if fish differ the number is too low"
FAR = 1e9


@dataclass(frozen=True)
class SampleCounts:
    """Samples of a closed population in order.

    Parameters
    ----------
    caught, recaptured, marked : ndarray, float64, shape (n_samples,)
        Fish in each sample, those of them already marked, and marked fish at large before it.
    """

    caught: FloatArray
    recaptured: FloatArray
    marked: FloatArray

    def __post_init__(self) -> None:
        if not len(self.caught) == len(self.recaptured) == len(self.marked):
            raise ShapeError("samples: found numbers of different lengths. Expected one of each per sample.")
        bad = (self.recaptured > np.minimum(self.caught, self.marked)) | (self.recaptured < 0)
        if bad.any():
            k = int(np.nonzero(bad)[0][0])
            raise ValueRangeError(
                f"sample {k + 1}: found {self.recaptured[k]:.0f} recaptured of {self.caught[k]:.0f} caught and "
                f"{self.marked[k]:.0f} marked. Expected no more than either."
            )


def sample_counts(caught: npt.ArrayLike, recaptured: npt.ArrayLike, marked: npt.ArrayLike) -> SampleCounts:
    """Return the counts of samples from three columns.

    Raises
    ------
    ShapeError, ValueRangeError
        If the columns differ in length or contradict each other.
    """
    return SampleCounts(*(np.asarray(x, np.float64) for x in (caught, recaptured, marked)))


def counts_of_histories(seen: npt.ArrayLike) -> SampleCounts:
    """Return the counts of samples from the fish met in each; seen, bool, shape (n_fish, n_samples)."""
    x = np.asarray(seen, bool)
    before = np.cumsum(x, axis=1) - x > 0
    return SampleCounts(
        x.sum(axis=0).astype(np.float64),
        (x & before).sum(axis=0).astype(np.float64),
        before.sum(axis=0).astype(np.float64),
    )


def schnabel(samples: SampleCounts, level: float = 0.95, plus_one: bool = False) -> Estimate:
    """Return Schnabel's estimate ``sum(C M) / sum(R)`` with limits from the exact Poisson limits of ``sum(R)``.

    Parameters
    ----------
    samples : SampleCounts
        Samples in order.
    level : float
        Coverage aimed at.
    plus_one : bool
        Divide by ``sum(R) + 1``, Chapman's form, less biased with few recaptures.

    Returns
    -------
    Estimate
        The limits are too wide when a good share of the fish is marked (99.4 % of simulated populations of 300
        instead of 95 %): recaptures then vary less than a Poisson number does.

    References
    ----------
    .. [1] Schnabel (1938), American Mathematical Monthly 45:348-352; Chapman (1952); Ricker (1975), Bulletin of the
       Fisheries Research Board of Canada 191 (from memory). Poisson limits: Garwood (1936), Biometrika 28:437-442.
    """
    from scipy.stats import chi2

    total, again = float(samples.caught @ samples.marked), float(samples.recaptured.sum())
    n = int(samples.caught.sum() - again)
    how = f"{len(samples.caught)} samples, Schnabel{', Chapman form' if plus_one else ''}, exact Poisson interval"
    reason = _too_little(samples, again, total)
    if reason:
        return Estimate.not_estimable(reason, how, n)
    tail = (1 - level) / 2
    low, high = (
        total / (float(chi2.ppf(1 - tail, 2 * again + 2)) / 2),
        total / (float(chi2.ppf(tail, 2 * again)) / 2),
    )
    return Estimate(total / (again + int(plus_one)), max(low, n), high, how, n, level=level, note=UNEQUAL)


def _too_little(samples: SampleCounts, again: float, total: float) -> str:
    if len(samples.caught) < 2:
        return "there was only one sample"
    if total == 0:
        return "no marked fish were at large when a later sample was taken"
    if again == 0:
        return "no marked fish was caught again"
    return ""


def schumacher_eschmeyer(samples: SampleCounts, level: float = 0.95) -> Estimate:
    """Return the regression estimate ``sum(C M^2) / sum(R M)`` with limits from the spread about the line.

    Parameters
    ----------
    samples : SampleCounts
        Samples in order.
    level : float
        Coverage aimed at, by Student's t with two degrees of freedom fewer than samples, on ``1 / N``.

    References
    ----------
    .. [1] Schumacher & Eschmeyer (1943), Journal of the Tennessee Academy of Science 18:228-249; limits as in
       Krebs, Ecological methodology (from memory).
    """
    from scipy.stats import t as student

    c, r, m = samples.caught, samples.recaptured, samples.marked
    how = f"{len(c)} samples, Schumacher and Eschmeyer, interval by Student's t on the inverse"
    n = int(c.sum() - r.sum())
    reason = _too_little(samples, float(r.sum()), float(c @ m))
    if not reason and len(c) < 3:
        reason = "there were fewer than three samples, so the spread about the line is not known"
    if reason:
        return Estimate.not_estimable(reason, how, n)
    used = c > 0
    x, y = float(c @ m**2), float(r @ m)
    degrees = len(c) - 2
    spread = max(float((r[used] ** 2 / c[used]).sum()) - y**2 / x, 0.0) / degrees
    half = float(student.ppf(0.5 + level / 2, degrees)) * math.sqrt(spread / x)
    inverse = y / x
    high = 1 / (inverse - half) if inverse > half else math.inf
    note = f"{UNEQUAL}; variance about the line {spread:.6f}"
    return Estimate(x / y, 1 / (inverse + half), high, how, n, level=level, note=note)


def maximum_likelihood_number(
    caught: npt.ArrayLike, different: int, level: float = 0.95, by_sample: bool = True
) -> Estimate:
    """Return the most likely number of fish, with profile-likelihood limits.

    The likelihood of N, with the chances to be caught replaced by their most likely values, is
    ``N! / (N - D)! prod p_j^(n_j) (1 - p_j)^(N - n_j)`` with D different fish and ``p_j = n_j / N``, or the mean over
    samples when the chance is the same in all.

    Parameters
    ----------
    caught : array_like of int, shape (n_samples,)
        Fish in each sample.
    different : int
        Different fish in all of them.
    level : float
        Coverage aimed at.
    by_sample : bool
        A chance to be caught for each sample (model Mt); one for all when False (model M0).

    Raises
    ------
    ValueRangeError
        If there are more different fish than fish caught, or fewer than in one sample.

    References
    ----------
    .. [1] Darroch (1958), Biometrika 45:343-359; Otis, Burnham, White & Anderson (1978), Wildlife Monographs 62
       (from memory).
    """
    from scipy.optimize import brentq, minimize_scalar
    from scipy.special import gammaln, xlogy
    from scipy.stats import chi2

    n, d = np.asarray(caught, np.float64), float(different)
    how = f"{len(n)} samples, maximum likelihood, chance to be caught " + (
        "of each sample (Mt), profile interval" if by_sample else "the same in all (M0), profile interval"
    )
    if len(n) and (d > n.sum() or d < n.max()):
        raise ValueRangeError(
            f"different fish: found {different} in samples of {n.max():.0f} at most, {n.sum():.0f} in all. Expected "
            "between these."
        )
    if len(n) < 2:
        return Estimate.not_estimable("there was only one sample", how, int(d))
    if d == 0:
        return Estimate.not_estimable("no fish was caught", how)
    k, total = len(n), float(n.sum())

    def value(size: float) -> float:
        head = gammaln(size + 1) - gammaln(size - d + 1)
        if by_sample:
            return float(head + np.sum(xlogy(n, n / size) + xlogy(size - n, 1 - n / size)))
        p = total / (k * size)
        return float(head + xlogy(total, p) + xlogy(k * size - total, 1 - p))

    if total == d:
        drop = float(chi2.ppf(level, 1)) / 2
        top = value(max(d, 1.0) * 1e6)
        low = d if value(d) > top - drop else float(brentq(lambda s: value(s) - top + drop, d, d * 1e6))
        return Estimate.not_estimable(
            f"no fish was caught twice; with a confidence of {level:.3g} there were at least {low:.0f}",
            how,
            int(d),
        )
    found = minimize_scalar(
        lambda u: -value(d + math.exp(u)), bounds=(-12.0, math.log(FAR)), method="bounded",
        options={"xatol": 1e-10},
    )  # fmt: skip
    best = d + math.exp(float(found.x))
    if value(d) >= value(best):
        best = d
    top, drop = value(best), float(chi2.ppf(level, 1)) / 2

    def fall(size: float) -> float:
        return value(size) - top + drop

    low = d if fall(d) >= 0 else float(brentq(fall, d, best))
    outer = 2 * best + 10
    while fall(outer) > 0 and outer < FAR:
        outer *= 2
    high = float(brentq(fall, best, outer)) if fall(outer) <= 0 else math.inf
    return Estimate(best, low, high, how, int(d), level=level, note=UNEQUAL)


def lower_bound_unequal(seen: npt.ArrayLike, level: float = 0.95) -> Estimate:
    """Return Chao's lower bound, which holds when fish differ in their chance to be caught.

    Parameters
    ----------
    seen : array_like of bool, shape (n_fish, n_samples)
        Fish caught at least once, by sample.
    level : float
        Coverage aimed at; log-normal for the fish never seen.

    References
    ----------
    .. [1] Chao (1987), Biometrics 43:783-791, bias-corrected form and variance (from memory).
    """
    x = np.asarray(seen, bool)
    times = x.sum(axis=1)
    d, k = int((times > 0).sum()), x.shape[1]
    how = f"{k} samples, Chao's lower bound from fish caught once and twice, log-normal interval"
    f1, f2 = int((times == 1).sum()), int((times == 2).sum())
    if k < 2:
        return Estimate.not_estimable("there was only one sample", how, d)
    if f2 == 0:
        return Estimate.not_estimable("no fish was caught exactly twice", how, d)
    a = (k - 1) / k
    value = d + a * f1 * (f1 - 1) / (2 * (f2 + 1))
    ratio = f1 / f2
    variance = f2 * (a / 2 * ratio**2 + a**2 * ratio**3 + a**2 / 4 * ratio**4)
    low, high = log_limits(value, variance, d, level)
    return Estimate(value, low, high, how, d, level=level, note="a lower bound: there may be more")


def unequal_catchability(
    seen: npt.ArrayLike, generator: np.random.Generator, n_replicates: int = 999
) -> float:
    """Return the probability of as many fish caught often if all were equally easy to catch.

    The number of pairs of captures of one fish is compared with simulated samples of the same sizes from a
    population of the most likely size.

    Parameters
    ----------
    seen : array_like of bool, shape (n_fish, n_samples)
        Fish caught at least once, by sample.
    generator : numpy.random.Generator
        Source of randomness.
    n_replicates : int
        Simulations.

    Returns
    -------
    float
        Small when fish differ (or learn); 1 when no fish was caught twice.

    Raises
    ------
    ValueRangeError
        If `n_replicates` is below 1.
    """
    if n_replicates < 1:
        raise ValueRangeError(f"simulations: found {n_replicates}. Expected 1 or more.")
    x = np.asarray(seen, bool)
    x = x[x.any(axis=1)]
    n = x.sum(axis=0)
    estimate = maximum_likelihood_number(n, len(x))
    if estimate.value is None or x.shape[1] < 3:
        return 1.0

    def dispersion(times: npt.NDArray[np.int64]) -> float:
        met = times[times > 0]
        return float((met * (met - 1) * (met - 2)).sum()) / max(float((met * (met - 1)).sum()), 1.0)

    size = max(round(estimate.value), len(x), int(n.max()))
    observed = dispersion(x.sum(axis=1))
    extreme = 0
    for _ in range(n_replicates):
        times = np.zeros(size, dtype=np.int64)
        for c in n:
            times[generator.choice(size, int(c), replace=False)] += 1
        extreme += int(dispersion(times) >= observed)
    return (extreme + 1) / (n_replicates + 1)
