"""How much of a fish comes from the other species, and of what kind of cross it is.

The index runs from 0 (own species) to 1 (other species).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.estimates import Estimate
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.genotypes.quality.proportions import binomial_share

SUPPORT = 1.92
"""Drop in log-likelihood that bounds the support interval (half the 95 % chi-square value)."""

CLASSES: dict[str, tuple[float, float, float]] = {
    "own species": (1.0, 0.0, 0.0),
    "other species": (0.0, 0.0, 1.0),
    "first-generation hybrid": (0.0, 1.0, 0.0),
    "second-generation hybrid": (0.25, 0.5, 0.25),
    "backcross to own species": (0.5, 0.5, 0.0),
    "backcross to other species": (0.0, 0.5, 0.5),
    "second backcross to own species": (0.75, 0.25, 0.0),
    "second backcross to other species": (0.0, 0.25, 0.75),
}
"""Share of diagnostic loci with 0, 1 and 2 foreign genes expected of each class (Anderson & Thompson 2002)."""


@dataclass(frozen=True, slots=True)
class HybridCall:
    """Ancestry of one sample at diagnostic loci.

    Parameters
    ----------
    sample : str
        Name.
    index : Estimate
        Maximum-likelihood share of foreign genes with its support interval.
    interclass : Estimate
        Share of loci with one gene of either species.
    word : str
        Class with posterior at least 0.9, else ``hybrid, class unclear``, ``own species, not certain`` or
        ``not testable``.
    posterior : dict of str to float
        Posterior of each class, all equally likely before; empty if not testable.
    flagged : bool
        The share of foreign genes exceeds the limit.
    n_typed : int
        Diagnostic loci typed.
    """

    sample: str
    index: Estimate
    interclass: Estimate
    word: str
    posterior: dict[str, float]
    flagged: bool
    n_typed: int


def hybrid_index(
    foreign_genes: BigIntArray | np.ndarray,
    genes: BigIntArray | np.ndarray,
    frequency_other: FloatArray,
    frequency_own: FloatArray,
) -> Estimate:
    """Maximum-likelihood hybrid index of one fish from known parental frequencies.

    Parameters
    ----------
    foreign_genes : ndarray, int, shape (n_loci,)
        Copies of the foreign allele.
    genes : ndarray, int, shape (n_loci,)
        Genes typed, 0 or 2.
    frequency_other, frequency_own : ndarray, float64, shape (n_loci,)
        Frequency of that allele in the other and in the own species.

    Returns
    -------
    Estimate
        Share of ancestry from the other species; limits where the log-likelihood is 1.92 below its maximum.
        Not estimable without typed loci at which the species differ.

    Raises
    ------
    ShapeError
        If the arrays differ in length.
    ValueRangeError
        If a frequency is outside 0 to 1, there are more foreign genes than genes, or a genotype is
        impossible in both species.

    References
    ----------
    .. [1] Buerkle (2005), Molecular Ecology Notes 5, 684-687.
    """
    x, n = np.asarray(foreign_genes, dtype=np.float64), np.asarray(genes, dtype=np.float64)
    p, q = np.asarray(frequency_other, dtype=np.float64), np.asarray(frequency_own, dtype=np.float64)
    if not x.shape == n.shape == p.shape == q.shape:
        raise ShapeError(
            f"hybrid index: found arrays of shapes {x.shape}, {n.shape}, {p.shape}, {q.shape}. Expected equal shapes."
        )
    if not ((p >= 0) & (p <= 1) & (q >= 0) & (q <= 1)).all() or not ((x >= 0) & (x <= n)).all():
        raise ValueRangeError(
            "hybrid index: found a frequency outside 0 to 1 or more foreign genes than genes. Expected frequencies "
            "and at most as many foreign genes as genes."
        )
    used = (n > 0) & (p != q)
    method = "maximum-likelihood hybrid index (Buerkle 2005), interval of support 1.92"
    x, n, p, q = x[used], n[used], p[used], q[used]
    if len(x) == 0:
        return Estimate.not_estimable("no locus that tells the species apart is typed", method, 0, "loci")
    if ((x > 0) & (p + q == 0) | (x < n) & (p + q == 2)).any():
        raise ValueRangeError(
            "hybrid index: found an allele that neither species carries. Correct the frequencies."
        )

    def log_likelihood(h: float) -> float:
        f = h * p + (1 - h) * q
        if ((x > 0) & (f <= 0)).any() or ((x < n) & (f >= 1)).any():
            return -math.inf
        return float(
            (x * np.log(np.where(x > 0, f, 1.0)) + (n - x) * np.log(np.where(x < n, 1 - f, 1.0))).sum()
        )

    best = _concave_maximum(log_likelihood)
    top = log_likelihood(best)

    def limit(edge: float) -> float:
        if top - log_likelihood(edge) <= SUPPORT:
            return edge
        inside, outside = best, edge
        for _ in range(60):
            middle = 0.5 * (inside + outside)
            if top - log_likelihood(middle) <= SUPPORT:
                inside = middle
            else:
                outside = middle
        return 0.5 * (inside + outside)

    return Estimate(best, limit(0.0), limit(1.0), method, len(x), "loci")


def hybrid_calls(
    genotypes: GenotypeSet, flag_above: float = 0.05, error: float = 0.005, certain_at: float = 0.9
) -> tuple[HybridCall, ...]:
    """Judge every sample at the species-diagnostic loci.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls; loci of role ``diagnostic`` with a foreign allele are used. The species are taken to be fixed
        for different alleles there.
    flag_above : float
        Share of foreign genes above which a fish is flagged (5 %, common practice, no source).
    error : float
        Probability that a genotype at a locus is misread, in (0, 1); used for the classes.
    certain_at : float
        Posterior from which a class is named.

    Returns
    -------
    tuple of HybridCall
        One per sample, in order.

    Raises
    ------
    UsageError
        If a setting is outside its range.

    References
    ----------
    .. [1] Buerkle (2005), Molecular Ecology Notes 5, 684-687.
    .. [2] Anderson & Thompson (2002), Genetics 160, 1217-1229.
    """
    if not (0 <= flag_above <= 1 and 0 < error < 1 and 0.5 < certain_at <= 1):
        raise UsageError(
            f"hybrid index: found flag_above {flag_above}, error {error}, certain_at {certain_at}. Expected a share, a "
            "rate between 0 and 1, and a posterior above 0.5."
        )
    foreign, typed = foreign_gene_counts(genotypes)
    expected = np.array(list(CLASSES.values()))
    log_class = np.log((1 - error) * expected + error / 3)
    known: dict[bytes, Estimate] = {}
    out = []
    for i, name in enumerate(genotypes.samples):
        here = typed[:, i]
        x = foreign[here, i]
        n = len(x)
        key = np.bincount(x, minlength=3).tobytes()
        if key not in known:
            known[key] = hybrid_index(x, np.full(n, 2), np.ones(n), np.zeros(n))
        index = known[key]
        interclass = binomial_share(
            int((x == 1).sum()), n, "share of loci with genes of both species", "loci"
        )
        flagged = index.value is not None and index.value > flag_above
        word, posterior = "not testable", {}
        if n:
            score = log_class[:, x].sum(axis=1)
            weight = np.exp(score - score.max())
            posterior = dict(zip(CLASSES, (weight / weight.sum()).tolist(), strict=True))
            word = _class_word(posterior, certain_at, flagged)
        out.append(HybridCall(name, index, interclass, word, posterior, flagged, n))
    return tuple(out)


def foreign_gene_counts(genotypes: GenotypeSet) -> tuple[BigIntArray, np.ndarray]:
    """Count foreign genes at the diagnostic loci.

    Returns
    -------
    foreign : ndarray, int64, shape (n_diagnostic, n_samples)
        0, 1 or 2; 0 where untyped.
    typed : ndarray, bool, same shape
        True where typed.
    """
    rows = [
        k for k, locus in enumerate(genotypes.loci) if locus.role == "diagnostic" and locus.foreign_allele
    ]
    foreign = np.zeros((len(rows), genotypes.n_samples), dtype=np.int64)
    for r, k in enumerate(rows):
        names = genotypes.alleles[k]
        if genotypes.loci[k].foreign_allele in names:
            foreign[r] = (genotypes.calls[k] == names.index(genotypes.loci[k].foreign_allele)).sum(axis=1)
    return foreign, genotypes.typed[rows]


def _class_word(posterior: dict[str, float], certain_at: float, flagged: bool) -> str:
    best = max(posterior, key=lambda name: posterior[name])
    if posterior[best] >= certain_at:
        return best
    own = posterior["own species"]
    if flagged or 1 - own >= certain_at:
        return "hybrid, class unclear"
    return "own species, not certain"


def _concave_maximum(f: Callable[[float], float]) -> float:
    """Maximise a concave function on [0, 1] by golden-section search, ends included."""
    golden = (math.sqrt(5) - 1) / 2
    a, b = 0.0, 1.0
    c, d = b - golden * (b - a), a + golden * (b - a)
    fc, fd = f(c), f(d)
    for _ in range(80):
        if fc >= fd:
            b, d, fd = d, c, fc
            c = b - golden * (b - a)
            fc = f(c)
        else:
            a, c, fc = c, d, fd
            d = a + golden * (b - a)
            fd = f(d)
    inside = 0.5 * (a + b)
    return float(max((0.0, inside, 1.0), key=lambda h: (f(h), -abs(h - 0.5))))
