"""Principal components of genotypes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from broodstock.arrays import MISSING, BigIntArray, FloatArray
from broodstock.errors import UsageError, ValueRangeError
from broodstock.genotypes.genotype_set import GenotypeSet


@dataclass(frozen=True)
class PrincipalComponents:
    """Fish in the space of their main axes of variation.

    Parameters
    ----------
    samples : tuple of str
        Fish analysed, in order.
    left_out : tuple of str
        Fish without any call, which have no place.
    coordinates : ndarray, float64, shape (n_samples, n_axes)
        Scores.
    explained : ndarray, float64, shape (n_axes,)
        Share of the variance on each axis.
    loadings : ndarray, float64, shape (n_columns, n_axes)
        Weight of each allele; rows as in `alleles`.
    alleles : tuple of (str, str)
        Locus and allele of each row of `loadings`.
    n_imputed : int
        Missing calls (fish by locus) set to the mean of the locus.
    share_imputed : float
        The same as a share of all calls.
    method : str
        Plain words.
    """

    samples: tuple[str, ...]
    left_out: tuple[str, ...]
    coordinates: FloatArray
    explained: FloatArray
    loadings: FloatArray
    alleles: tuple[tuple[str, str], ...]
    n_imputed: int
    share_imputed: float
    method: str


def principal_components(
    genotypes: GenotypeSet, n_axes: int = 4, scale: Literal["none", "binomial"] = "none"
) -> PrincipalComponents:
    """Find the main axes of genetic variation among fish.

    Parameters
    ----------
    genotypes : GenotypeSet
        Calls; only neutral loci are used. Alleles carried by all or none are left out.
    n_axes : int
        Axes wanted, 1 or more; fewer are returned when there are fewer.
    scale : {'none', 'binomial'}
        Whether to divide each allele by the root of p (1 - p), which gives rare alleles more weight.

    Returns
    -------
    PrincipalComponents
        The sign of each axis is set so that its largest loading is positive.

    Raises
    ------
    UsageError
        If `n_axes` is below 1 or `scale` unknown.
    ValueRangeError
        If fewer than two fish have calls, or no locus varies among them.

    Notes
    -----
    A missing call is replaced by the mean of its allele, which pulls fish with many gaps to the centre:
    read `share_imputed` first. Sibs form axes of their own.

    References
    ----------
    .. [1] Patterson, Price & Reich (2006), PLoS Genetics 2:e190 (centring and binomial scale).
    """
    if n_axes < 1:
        raise UsageError(
            f"principal components: found {n_axes} axes. Expected 1 or more. Two are usual for a plot."
        )
    if scale not in ("none", "binomial"):
        raise UsageError(
            f"principal components: found scale={scale!r}. Expected 'none' or 'binomial'. Give one of them."
        )
    neutral = genotypes.with_role("neutral")
    fish = np.flatnonzero(neutral.typed.any(axis=0))
    if len(fish) < 2:
        raise ValueRangeError(
            f"principal components: found {len(fish)} fish with calls at neutral loci. Expected two or more. "
            "Add samples or check the roles of the loci."
        )
    x, alleles, n_imputed = _centred_dosage(neutral, fish, scale)
    if x.shape[1] == 0:
        raise ValueRangeError(
            "principal components: found no locus that varies among these fish. Expected one or more. "
            "Add loci or fish."
        )
    u, s, vt = np.linalg.svd(x, full_matrices=False)
    kept = int(min(n_axes, (s > s[0] * 1e-10).sum()))
    sign = np.sign(vt[np.arange(kept), np.abs(vt[:kept]).argmax(axis=1)])
    variance = s**2
    n_calls = len(fish) * neutral.n_loci
    words = "principal components of allele copies, centred"
    words += ", divided by the root of p (1 - p)" if scale == "binomial" else ""
    words += f"; {n_imputed} of {n_calls} calls missing and set to the mean of the allele"
    there = set(fish.tolist())
    return PrincipalComponents(
        samples=tuple(neutral.samples[i] for i in fish),
        left_out=tuple(name for i, name in enumerate(neutral.samples) if i not in there),
        coordinates=u[:, :kept] * s[:kept] * sign,
        explained=variance[:kept] / variance.sum(),
        loadings=(vt[:kept] * sign[:, None]).T,
        alleles=alleles,
        n_imputed=n_imputed,
        share_imputed=n_imputed / n_calls,
        method=words,
    )


def _centred_dosage(
    genotypes: GenotypeSet, fish: BigIntArray, scale: str
) -> tuple[FloatArray, tuple[tuple[str, str], ...], int]:
    """Centred copies of every allele that varies; one column for a locus of two alleles."""
    columns: list[FloatArray] = []
    alleles: list[tuple[str, str]] = []
    n_imputed = 0
    for locus, names, calls in zip(genotypes.loci, genotypes.alleles, genotypes.calls, strict=True):
        own = calls[fish]
        typed = own[:, 0] != MISSING
        n_imputed += int((~typed).sum())
        if not typed.any():
            continue
        copies = (own[:, :, None] == np.arange(len(names))).sum(axis=1).astype(np.float64)
        mean = copies[typed].mean(axis=0)
        centred = np.where(typed[:, None], copies - mean, 0.0)
        varies = np.flatnonzero((centred != 0).any(axis=0))
        # The copies of two alleles mirror each other, so one column stands for both; with more alleles all
        # columns stay, halved in square, so that every locus weighs the same per unit of distance.
        shown, weight = (varies[1:], 1.0) if len(varies) == 2 else (varies, np.sqrt(0.5))
        for a in shown:
            p = mean[a] / 2
            width = np.sqrt(p * (1 - p)) if scale == "binomial" else 1.0
            columns.append(centred[:, a] * (weight / width))
            alleles.append((locus.name, names[a]))
    x = np.stack(columns, axis=1) if columns else np.zeros((len(fish), 0))
    return x, tuple(alleles), n_imputed
