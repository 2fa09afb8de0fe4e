"""Kinship of families as sparse squares of gene flows through their parents and ancestors."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from broodstock.errors import ShapeError, ValueRangeError
from planner.optimise.kinship_bound import SquareForm, pedigree_form


def family_form(
    parents: npt.ArrayLike,
    shares: npt.ArrayLike,
    extra: npt.ArrayLike,
    F: npt.ArrayLike | None = None,
) -> SquareForm:
    """Return t'Kt over families whose fish descend from parents in a pedigree.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    shares : array_like, float64, shape (n_families, n_fish)
        Share of each family's genes that comes directly from each fish: 1/2 for dam and sire.
    extra : array_like, float64, shape (n_families,)
        Kinship within the family beyond that, 0 or more: an unknown parent, a group of unknown parents.
    F : array_like, float64, shape (n_fish,), optional
        Inbreeding coefficients; computed when not given.

    Returns
    -------
    SquareForm
        Over families: ``K = shares x kinship x shares' + diag(extra)``. Contributions of parents are whole
        multiples of one half when families have whole numbers, so rows on neighbouring multiples cut deep.

    Raises
    ------
    ShapeError
        If an array has another shape.
    ValueRangeError
        If `extra` is negative.
    PedigreeError
        If a parent does not stand before its offspring.

    Examples
    --------
    >>> form = family_form([[-1, -1], [-1, -1]], [[0.5, 0.5]], [0.0])
    >>> form.value([2])
    1.0
    """
    half = np.asarray(shares, dtype=np.float64)
    own = np.asarray(extra, dtype=np.float64)
    n_fish = len(np.asarray(parents))
    if half.ndim != 2 or half.shape[1] != n_fish or own.shape != (len(half),):
        raise ShapeError(
            f"families: found shares {half.shape} and extra {own.shape}. Expected (n_families, {n_fish}) and "
            "(n_families,)."
        )
    if (own < 0).any():
        raise ValueRangeError(f"extra kinship: found {own.min()}. Expected 0 or more.")
    n = len(half)
    used = np.flatnonzero(half.any(axis=0))
    form = SquareForm(n, own, tuple(((i, 1.0),) for i in range(n)), ((),) * n)
    if used.size == 0:
        return form
    inner = pedigree_form(parents, used, F)
    sums = tuple(
        tuple((i, float(half[i, row])) for i in np.flatnonzero(half[:, row]).tolist())
        for row in used.tolist()
    )
    size = used.size
    inputs = tuple(
        (*((i, f) for i, f in direct), *((j + size, f) for j, f in earlier))
        for direct, earlier in zip(inner.candidate_inputs, inner.node_inputs, strict=True)
    )
    through = SquareForm(
        n,
        np.concatenate([np.zeros(size), inner.weights]),
        sums + ((),) * inner.n_nodes,
        ((),) * size + inputs,
    )
    return form.plus(through)
