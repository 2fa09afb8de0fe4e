"""Gene drop: founder genes followed down the pedigree by chance; inbreeding with a memory.

In one drop every founder brings two genes that differ from all others; each fish takes one gene of each parent at
random. A gene is numbered once it enters the pedigree, with a founder or with the unknown parent of a fish whose
other parent is known (that unknown parent is unrelated to everything, as in `broodstock.pedigree.kinship`).
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from broodstock.arrays import MISSING, BoolArray, FloatArray, IntArray
from broodstock.errors import ValueRangeError
from broodstock.estimates import Estimate
from broodstock.pedigree.inbreeding import checked_fish, checked_inbreeding, checked_parents

_CHUNK_BYTES = 64 << 20


@dataclass(frozen=True, slots=True)
class DropMeans:
    """Means over gene drops with their Monte Carlo error, one per fish or founder.

    Parameters
    ----------
    rows : ndarray, int32, shape (n,)
        Pedigree rows the values belong to.
    value, standard_error : ndarray, float64, shape (n,)
        Mean over drops and its standard error (error of simulation only, not of the pedigree).
    drops : int
        Number of drops.
    method : str
        What was averaged.
    """

    rows: IntArray
    value: FloatArray
    standard_error: FloatArray
    drops: int
    method: str

    def estimate(self, i: int, level: float = 0.95) -> Estimate:
        """Return value number `i` as an `Estimate` whose interval is Monte Carlo error, cut at 0 and 1."""
        half = NormalDist().inv_cdf(0.5 + level / 2) * float(self.standard_error[i])
        value = float(self.value[i])
        return Estimate(
            value,
            max(0.0, value - half),
            min(1.0, value + half),
            method=self.method,
            n_used=self.drops,
            unit_used="drops",
            level=level,
            note="the interval shows simulation error only",
        )


@dataclass(frozen=True, slots=True)
class DroppedGenes:
    """Genes carried by some fish in many independent drops.

    Parameters
    ----------
    genes : ndarray, int32, shape (n_drops, n_fish, 2)
        Number of the gene from dam and sire of each fish asked for.
    gene_row, gene_side : ndarray, int32, shape (n_genes,)
        Fish with which each gene entered and the side: for a founder its two genes (0 and 1), for a fish with one
        unknown parent the side of that parent (0 dam, 1 sire).
    """

    genes: IntArray
    gene_row: IntArray
    gene_side: IntArray


@dataclass(frozen=True, slots=True)
class InbreedingSplit:
    """Inbreeding split by the history of the gene (Kalinowski, Hedrick & Miller 2000).

    Parameters
    ----------
    old : DropMeans
        Probability that a gene of the fish lies in a pair identical by descent and has itself passed through an
        ancestor with such a pair (each of the two copies counts by its own line of descent).
    new : DropMeans
        Probability that a gene lies in a pair identical by descent for the first time. ``old + new`` is F.
    """

    old: DropMeans
    new: DropMeans


def drop_genes(
    parents: npt.ArrayLike, fish: npt.ArrayLike, drops: int, rng: np.random.Generator | int
) -> DroppedGenes:
    """Drop genes down the pedigree and return those of some fish.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    fish : array_like, integer, shape (n,)
        Row numbers of the fish whose genes are wanted.
    drops : int
        Number of independent drops (unlinked loci).
    rng : numpy Generator or int
        Source of randomness, or a seed.

    Returns
    -------
    DroppedGenes
        8 bytes x drops x fish asked for; only their ancestors are simulated.

    Raises
    ------
    ShapeError
        If an array has another shape or type.
    ValueRangeError
        If a row number does not exist or `drops` is below 1.
    PedigreeError
        If a parent does not stand before its offspring.

    References
    ----------
    .. [1] MacCluer, J. W., VandeBerg, J. L., Read, B. & Ryder, O. A. (1986), Zoo Biology 5, 147-160.
    """
    from broodstock.pedigree.drop_kernels import drop

    checked = checked_parents(parents)
    asked = checked_fish(fish, len(checked))
    check_drops(drops)
    random = np.random.default_rng(rng)
    up, kept, number = ancestors_only(checked, asked)
    entering, gene_row, gene_side = entering_genes(up, kept)
    out = np.empty((drops, asked.size, 2), np.int32)
    start = 0
    for size in drop_chunks(drops, 8 * len(up)):
        genes = drop(up, entering, size, int(random.integers(2**63)))
        out[start : start + size] = genes[number[asked]].transpose(2, 0, 1)
        start += size
    return DroppedGenes(out, gene_row, gene_side)


def ancestral_inbreeding_gene_drop(
    parents: npt.ArrayLike, drops: int, rng: np.random.Generator | int, fish: npt.ArrayLike | None = None
) -> DropMeans:
    """Return ancestral inbreeding as defined: by gene drop, without the independence that the recursion assumes.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    drops : int
        Number of drops.
    rng : numpy Generator or int
        Source of randomness, or a seed.
    fish : array_like, integer, optional
        Row numbers of the fish wanted; default all.

    Returns
    -------
    DropMeans
        Probability that a gene of the fish passed through at least one ancestor with two copies identical by
        descent at the locus.

    Raises
    ------
    ShapeError
        If an array has another shape or type.
    ValueRangeError
        If a row number does not exist or `drops` is below 1.
    PedigreeError
        If a parent does not stand before its offspring.

    Notes
    -----
    Differs from `ancestral_inbreeding_recursion`: 0.500 against 0.531 in the fourth generation of full-sib mating.

    References
    ----------
    .. [1] Ballou, J. D. (1997), Journal of Heredity 88, 169-178 (definition).
    .. [2] Suwanlee, S., Baumung, R., Soelkner, J. & Curik, I. (2007), Conservation Genetics 8, 489-495 (gene drop).
    """
    ancestral, _, _ = _with_memory(parents, drops, rng, fish)
    return ancestral


def inbreeding_split_gene_drop(
    parents: npt.ArrayLike, drops: int, rng: np.random.Generator | int, fish: npt.ArrayLike | None = None
) -> InbreedingSplit:
    """Split inbreeding into a part with and a part without earlier inbreeding, by gene drop.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    drops : int
        Number of drops.
    rng : numpy Generator or int
        Source of randomness, or a seed.
    fish : array_like, integer, optional
        Row numbers of the fish wanted; default all.

    Returns
    -------
    InbreedingSplit

    Raises
    ------
    ShapeError
        If an array has another shape or type.
    ValueRangeError
        If a row number does not exist or `drops` is below 1.
    PedigreeError
        If a parent does not stand before its offspring.

    References
    ----------
    .. [1] Kalinowski, S. T., Hedrick, P. W. & Miller, P. S. (2000), Conservation Biology 14, 1375-1384.
    """
    _, old, new = _with_memory(parents, drops, rng, fish)
    return InbreedingSplit(old, new)


def ancestral_inbreeding_recursion(parents: npt.ArrayLike, F: npt.ArrayLike | None = None) -> FloatArray:
    """Return ancestral inbreeding by the published recursion, an approximation from above.

    ``Fa = 1/2 [Fa_s + (1 - Fa_s) F_s + Fa_d + (1 - Fa_d) F_d]``; an unknown parent counts 0.

    Parameters
    ----------
    parents : array_like, integer, shape (n_fish, 2)
        Row numbers of the two parents, -1 unknown, parents first.
    F : array_like, float64, shape (n_fish,), optional
        Inbreeding coefficients; computed when not given.

    Returns
    -------
    ndarray, float64, shape (n_fish,)

    Raises
    ------
    ShapeError
        If an array has another shape.
    ValueRangeError
        If F is NaN or outside 0 to 1.
    PedigreeError
        If a parent does not stand before its offspring.

    Notes
    -----
    Treats inbreeding of a parent and the history of its genes as independent. They are not: use
    `ancestral_inbreeding_gene_drop` for the probability itself, and never compare the two.

    References
    ----------
    .. [1] Ballou, J. D. (1997), Journal of Heredity 88, 169-178.
    """
    from broodstock.pedigree.drop_kernels import ancestral_recursion

    checked = checked_parents(parents)
    return np.asarray(ancestral_recursion(checked, checked_inbreeding(F, checked)))


def ancestors_only(parents: IntArray, fish: np.ndarray) -> tuple[IntArray, IntArray, IntArray]:
    """Return the pedigree of some fish and their ancestors, the rows kept, and the new number of each row (or -1)."""
    from broodstock.pedigree.kernels import mark_ancestors

    wanted: BoolArray = np.zeros(len(parents), dtype=np.bool_)
    wanted[fish] = True
    mark_ancestors(parents, wanted)
    kept = np.flatnonzero(wanted).astype(np.int32)
    number = np.full(len(parents) + 1, MISSING, np.int32)
    number[kept] = np.arange(kept.size)
    return np.ascontiguousarray(number[parents[kept]]), kept, number[:-1]


def entering_genes(up: IntArray, rows: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """Give numbers to the genes that enter: array like `up` (-1 elsewhere), and row and side of each gene."""
    fish, side = np.nonzero(up == MISSING)
    entering = np.full(up.shape, MISSING, np.int32)
    entering[fish, side] = np.arange(fish.size)
    return entering, rows[fish].astype(np.int32), side.astype(np.int32)


def _with_memory(
    parents: npt.ArrayLike, drops: int, rng: np.random.Generator | int, fish: npt.ArrayLike | None
) -> tuple[DropMeans, DropMeans, DropMeans]:
    """Ancestral inbreeding, old and new inbreeding of some fish."""
    from broodstock.pedigree.drop_kernels import drop_with_memory

    checked = checked_parents(parents)
    asked = checked_fish(np.arange(len(checked)) if fish is None else fish, len(checked))
    check_drops(drops)
    random = np.random.default_rng(rng)
    up, kept, number = ancestors_only(checked, asked)
    entering, _, _ = entering_genes(up, kept)
    sums, squares = np.zeros((len(up), 3)), np.zeros((len(up), 3))
    for size in drop_chunks(drops, 10 * len(up)):
        more, more_squares = drop_with_memory(up, entering, size, int(random.integers(2**63)))
        sums += more
        squares += more_squares
    mean = sums[number[asked]] / drops
    variance = np.maximum(squares[number[asked]] / drops - mean**2, 0.0)
    texts = (
        "ancestral inbreeding by gene drop",
        "inbreeding through genes with earlier inbreeding, by gene drop",
        "inbreeding through genes without earlier inbreeding, by gene drop",
    )
    rows = asked.astype(np.int32)
    a, b, c = (
        DropMeans(rows, mean[:, k].copy(), np.sqrt(variance[:, k] / drops), drops, text)
        for k, text in enumerate(texts)
    )
    return a, b, c


def check_drops(drops: int) -> None:
    """Check the number of drops.

    Raises
    ------
    ValueRangeError
        If it is below 1.
    """
    if drops < 1:
        raise ValueRangeError(
            f"drops: found {drops}. Expected at least 1; a few thousand give two sure digits."
        )


def drop_chunks(drops: int, bytes_per_drop: int, least: int = 1) -> list[int]:
    """Cut drops into at least `least` equal parts (fewer when there are fewer drops) of at most 64 MB each.

    Parameters
    ----------
    drops : int
        Number of drops.
    bytes_per_drop : int
        Memory of one drop.
    least : int
        Least number of parts.

    Returns
    -------
    list of int
        Drops in each part; they differ by at most one.
    """
    largest = max(1, _CHUNK_BYTES // max(bytes_per_drop, 1))
    parts = min(drops, max(least, -(-drops // largest)))
    return [len(part) for part in np.array_split(np.empty(drops, np.int8), parts)]
