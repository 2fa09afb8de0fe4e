"""Compiled loops of the parentage likelihoods and mismatch counts.

Calls are laid out by fish here: int16, shape (n_fish, n_loci, 2), -1 missing. ``p`` holds allele
frequencies (n_loci, max_alleles), ``broken`` the probability that descent is hidden by a substitution in
parent or offspring and ``drop`` the dropout rate per gene copy, both (n_loci,).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

_TINY, _HUGE = 1e-200, 1e200


@njit(cache=True)
def gene_from(x: int, c: int, d: int, p: np.ndarray, broken: float, drop: float) -> float:
    """Probability that the gene an offspring got from a parent read as (c, d) is read as x."""
    if c < 0:
        return p[x]
    if c == d:
        hidden = drop / ((1.0 - drop) * p[c] + 2.0 * drop)
        by_descent = hidden * p[x]
        if x == c:
            by_descent += 1.0 - hidden
    else:
        by_descent = 0.5 if x in (c, d) else 0.0
    return (1.0 - broken) * by_descent + broken * p[x]


@njit(cache=True)
def reading(dam_a: float, dam_b: float, sire_a: float, sire_b: float, homozygous: bool, drop: float) -> float:
    """Probability of reading (a, b) from the gene probabilities of either side, given that it was read."""
    if homozygous:
        return ((1.0 - drop) * dam_a * sire_a + drop * (dam_a + sire_a)) / (1.0 + drop)
    return (1.0 - drop) * (dam_a * sire_b + dam_b * sire_a) / (1.0 + drop)


@njit(cache=True)
def locus_likelihood(
    a: int, b: int, dam: np.ndarray, sire: np.ndarray, p: np.ndarray, broken: float, drop: float
) -> float:
    """Probability of the offspring reading (a, b) given two parent readings; -1 stands for an unknown one."""
    return reading(
        gene_from(a, dam[0], dam[1], p, broken, drop),
        gene_from(b, dam[0], dam[1], p, broken, drop),
        gene_from(a, sire[0], sire[1], p, broken, drop),
        gene_from(b, sire[0], sire[1], p, broken, drop),
        a == b,
        drop,
    )


@njit(cache=True)
def pair_log_ratios(
    offspring: np.ndarray,
    candidates: np.ndarray,
    p: np.ndarray,
    broken: np.ndarray,
    drop: np.ndarray,
    allowed: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Log-likelihood ratio, mismatches and loci compared of every offspring with every allowed candidate."""
    n, m, n_loci = offspring.shape[0], candidates.shape[0], offspring.shape[1]
    ratio = np.zeros((n, m))
    mismatches = np.zeros((n, m), np.int32)
    compared = np.zeros((n, m), np.int32)
    base = np.empty(n_loci)
    for i in range(n):
        for k in range(n_loci):
            a, b = offspring[i, k, 0], offspring[i, k, 1]
            if a >= 0:
                pa, pb = p[k, a], p[k, b]
                base[k] = 1.0 / reading(pa, pb, pa, pb, a == b, drop[k])
        for j in range(m):
            if not allowed[i, j]:
                continue
            product, total, missed, used = 1.0, 0.0, 0, 0
            for k in range(n_loci):
                a, b = offspring[i, k, 0], offspring[i, k, 1]
                c, d = candidates[j, k, 0], candidates[j, k, 1]
                if a < 0 or c < 0:
                    continue
                used += 1
                if a != c and a != d and b != c and b != d:
                    missed += 1
                ta = gene_from(a, c, d, p[k], broken[k], drop[k])
                tb = ta if a == b else gene_from(b, c, d, p[k], broken[k], drop[k])
                product *= reading(ta, tb, p[k, a], p[k, b], a == b, drop[k]) * base[k]
                if product < _TINY or product > _HUGE:
                    if product == 0.0:
                        break
                    total += math.log(product)
                    product = 1.0
            if product == 0.0:
                ratio[i, j] = -np.inf
                missed, used = _pair_mismatches(offspring[i], candidates[j])
            else:
                ratio[i, j] = total + math.log(product)
            mismatches[i, j] = missed
            compared[i, j] = used
    return ratio, mismatches, compared


@njit(cache=True)
def trio_log_ratio(
    child: np.ndarray,
    dam: np.ndarray,
    sire: np.ndarray,
    p: np.ndarray,
    broken: np.ndarray,
    drop: np.ndarray,
) -> float:
    """Log-likelihood ratio of one trio against an offspring unrelated to both."""
    product, total = 1.0, 0.0
    for k in range(child.shape[0]):
        a, b = child[k, 0], child[k, 1]
        if a < 0:
            continue
        pa, pb = p[k, a], p[k, b]
        top = locus_likelihood(a, b, dam[k], sire[k], p[k], broken[k], drop[k])
        product *= top / reading(pa, pb, pa, pb, a == b, drop[k])
        if product == 0.0:
            return -np.inf
        if product < _TINY or product > _HUGE:
            total += math.log(product)
            product = 1.0
    return total + math.log(product)


@njit(cache=True)
def trio_log_ratios(
    offspring: np.ndarray,
    candidates: np.ndarray,
    dams: np.ndarray,
    sires: np.ndarray,
    p: np.ndarray,
    broken: np.ndarray,
    drop: np.ndarray,
) -> np.ndarray:
    """Log-likelihood ratios of the shortlisted pairs of each offspring; -inf where a slot is empty (-1)."""
    n, kd, ks = offspring.shape[0], dams.shape[1], sires.shape[1]
    out = np.full((n, kd, ks), -np.inf)
    for i in range(n):
        for u in range(kd):
            for v in range(ks):
                dam, sire = dams[i, u], sires[i, v]
                if dam >= 0 and sire >= 0 and dam != sire:
                    out[i, u, v] = trio_log_ratio(
                        offspring[i], candidates[dam], candidates[sire], p, broken, drop
                    )
    return out


@njit(cache=True)
def _pair_mismatches(child: np.ndarray, parent: np.ndarray) -> tuple[int, int]:
    missed, used = 0, 0
    for k in range(child.shape[0]):
        a, b, c, d = child[k, 0], child[k, 1], parent[k, 0], parent[k, 1]
        if a >= 0 and c >= 0:
            used += 1
            if a != c and a != d and b != c and b != d:
                missed += 1
    return missed, used


@njit(cache=True)
def pair_mismatch_counts(offspring: np.ndarray, candidates: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Loci at which offspring and candidate share no allele, and loci compared; shape (n, m) each."""
    n, m = offspring.shape[0], candidates.shape[0]
    missed = np.empty((n, m), np.int32)
    used = np.empty((n, m), np.int32)
    for i in range(n):
        for j in range(m):
            missed[i, j], used[i, j] = _pair_mismatches(offspring[i], candidates[j])
    return missed, used


@njit(cache=True)
def trio_mismatch_count(child: np.ndarray, dam: np.ndarray, sire: np.ndarray) -> tuple[int, int]:
    """Loci at which no gene of each parent makes up the offspring, and loci typed in all three."""
    missed, used = 0, 0
    for k in range(child.shape[0]):
        a, b = child[k, 0], child[k, 1]
        if a < 0 or dam[k, 0] < 0 or sire[k, 0] < 0:
            continue
        used += 1
        dam_a = a == dam[k, 0] or a == dam[k, 1]
        dam_b = b == dam[k, 0] or b == dam[k, 1]
        sire_a = a == sire[k, 0] or a == sire[k, 1]
        sire_b = b == sire[k, 0] or b == sire[k, 1]
        if not ((dam_a and sire_b) or (dam_b and sire_a)):
            missed += 1
    return missed, used


@njit(cache=True)
def trio_mismatch_probability(
    p: np.ndarray, broken: float, drop: float, dam_true: bool, sire_true: bool
) -> float:
    """Probability that a typed trio is impossible at one locus, by summing over both parents' readings."""
    n = p.shape[0]
    both_seen = (1.0 - drop) / (1.0 + drop)
    total = 0.0
    for c in range(n):
        for d in range(c, n):
            weight_dam = reading(p[c], p[d], p[c], p[d], c == d, drop)
            if weight_dam == 0.0:
                continue
            for f in range(n):
                for g in range(f, n):
                    weight = weight_dam * reading(p[f], p[g], p[f], p[g], f == g, drop)
                    if weight == 0.0:
                        continue
                    fits = _fitting_probability(p, c, d, f, g, broken, drop, dam_true, sire_true, both_seen)
                    total += weight * (1.0 - fits)
    return max(total, 0.0)


@njit(cache=True)
def _fitting_probability(
    p: np.ndarray,
    c: int,
    d: int,
    f: int,
    g: int,
    broken: float,
    drop: float,
    dam_true: bool,
    sire_true: bool,
    both_seen: float,
) -> float:
    alleles = np.array([c, d, f, g])
    fits, dam_alone, sire_alone = 0.0, 0.0, 0.0
    for u in range(4):
        x = alleles[u]
        seen_before = False
        for s in range(u):
            seen_before = seen_before or alleles[s] == x
        if seen_before:
            continue
        from_dam = gene_from(x, c, d, p, broken, drop) if dam_true else p[x]
        in_dam, in_sire = x in (c, d), x in (f, g)
        if in_dam and in_sire:
            dam_alone += from_dam
            sire_alone += gene_from(x, f, g, p, broken, drop) if sire_true else p[x]
        for v in range(4):
            y = alleles[v]
            repeated = False
            for s in range(v):
                repeated = repeated or alleles[s] == y
            if repeated:
                continue
            y_dam, y_sire = y in (c, d), y in (f, g)
            if (in_dam and y_sire) or (y_dam and in_sire):
                fits += from_dam * (gene_from(y, f, g, p, broken, drop) if sire_true else p[y])
    return both_seen * fits + (1.0 - both_seen) * 0.5 * (dam_alone + sire_alone)


@njit(cache=True)
def sum_of_bernoulli(probabilities: np.ndarray, most: int) -> np.ndarray:
    """Distribution of the number of successes of unequal trials, counts 0 to `most` (last one lumps)."""
    out = np.zeros(most + 1)
    out[0] = 1.0
    for q in probabilities:
        out[most] += out[most - 1] * q if most > 0 else 0.0
        for s in range(most - 1, 0, -1):
            out[s] = out[s] * (1.0 - q) + out[s - 1] * q
        if most > 0:
            out[0] *= 1.0 - q
    return out
