"""What a table of families means: contributions, effective number of parents, kinship of finite young.

A family table has one row per female, one column per male, and in each cell the share or number of young.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from broodstock.arrays import FloatArray
from broodstock.errors import ValueRangeError
from planner.optimise.season.checking import numbers


def family_table(table: npt.ArrayLike) -> FloatArray:
    """Return a table of families as float64.

    Raises
    ------
    ValueRangeError
        If a number is negative, or all are 0.
    """
    array = np.asarray(table, dtype=np.float64)
    out = numbers("family table", array, np.shape(array))
    if out.ndim != 2 or not out.any():
        raise ValueRangeError(
            "family table: found no young at all. Expected females by males with at least one number above 0."
        )
    return out


def effective_number(amounts: npt.ArrayLike) -> float:
    """Return the number of equal sources with the same sum of squared shares; 0 without any.

    Examples
    --------
    >>> effective_number([5, 5, 0])
    2.0
    """
    x = np.asarray(amounts, dtype=np.float64)
    total = float(x.sum())
    return 0.0 if total == 0 else float(total * total / (x @ x))


def effective_parents(table: npt.ArrayLike) -> float:
    """Return 4 f m / (f + m) with the effective numbers of mothers and fathers; 0 without young.

    References
    ----------
    .. [1] Wright, S. (1931), Genetics 16, 97-159 (from memory).
    """
    amounts = np.asarray(table, dtype=np.float64)
    f, m = effective_number(amounts.sum(axis=1)), effective_number(amounts.sum(axis=0))
    return 0.0 if f + m == 0 else 4 * f * m / (f + m)


def cohort_kinship(table: npt.ArrayLike, kinship: npt.ArrayLike) -> float:
    """Return the mean kinship of very many young, self pairs in: c'Kc with the parents' shares c.

    Parameters
    ----------
    table : array_like, float64, shape (n_females, n_males)
        Share or number of young of each pair.
    kinship : array_like, float64, shape (n_females + n_males, n_females + n_males)
        Kinship of the parents, females first, self-kinship on the diagonal.

    Raises
    ------
    ShapeError, ValueRangeError
        If the arrays do not fit or make no sense.

    Notes
    -----
    Only the parents' shares enter, not who was crossed with whom: with equal contributions single pairs and a
    full factorial have the same mean kinship and gene diversity.
    """
    w = family_table(table)
    n = sum(w.shape)
    K = numbers("kinship of the parents", kinship, (n, n), 0, 1)
    share = np.concatenate([w.sum(axis=1), w.sum(axis=0)]) / (2 * w.sum())
    return float(share @ K @ share)


def young_kinship(table: npt.ArrayLike, kinship: npt.ArrayLike) -> float:
    """Return the mean kinship of a finite number of young, every young with itself too.

    Parameters
    ----------
    table : array_like, integer, shape (n_females, n_males)
        Young of each pair.
    kinship : array_like, float64
        As in `cohort_kinship`.

    Returns
    -------
    float
        Mean over all ordered pairs of young: half of (1 + kinship of the parents) for a young with itself,
        the mean of the four kinships of their parents for two young.

    Raises
    ------
    ShapeError, ValueRangeError
        If the arrays do not fit or make no sense.

    References
    ----------
    .. [1] Malecot, G. (1948), Les mathematiques de l'heredite (from memory).

    Examples
    --------
    Two unrelated pairs with two young each, and a 2 x 2 factorial with one each:

    >>> young_kinship(2 * np.eye(2), np.eye(4) / 2)
    0.1875
    >>> young_kinship(np.ones((2, 2)), np.eye(4) / 2)
    0.1875
    """
    w = family_table(table)
    K = np.asarray(kinship, dtype=np.float64)
    mean = cohort_kinship(w, K)
    nf = w.shape[0]
    own = np.diag(K)
    parents = K[:nf, nf:]
    with_itself = (1 + parents) / 2
    with_full_sib = (own[:nf, None] + own[None, nf:] + 2 * parents) / 4
    total = w.sum()
    return mean + float((w * (with_itself - with_full_sib)).sum()) / float(total * total)
