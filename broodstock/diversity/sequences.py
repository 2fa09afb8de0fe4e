"""Differences between aligned sequences."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, UsageError

_BASES = np.frombuffer(b"ACGT", dtype=np.uint8)


def sequence_differences(sequences: Sequence[str]) -> tuple[FloatArray, int]:
    """Count the sites at which each pair of aligned sequences differs.

    Parameters
    ----------
    sequences : sequence of str
        Aligned sequences of equal length; upper or lower case, U read as T. A site at which any sequence
        has a gap or anything but A, C, G, T is left out for all.

    Returns
    -------
    differences : ndarray, float64, shape (n_sequences, n_sequences)
        Sites that differ.
    n_sites : int
        Sites compared.

    Raises
    ------
    ShapeError
        If the sequences differ in length.
    UsageError
        If a sequence holds characters outside ASCII.

    Examples
    --------
    >>> d, n = sequence_differences(["ACGT", "ACGA", "AC-T"])
    >>> d.tolist(), n
    ([[0.0, 1.0, 0.0], [1.0, 0.0, 1.0], [0.0, 1.0, 0.0]], 3)
    """
    if not sequences:
        return np.zeros((0, 0)), 0
    lengths = {len(s) for s in sequences}
    if len(lengths) > 1:
        raise ShapeError(
            f"sequences: found lengths from {min(lengths)} to {max(lengths)}. Expected aligned sequences of "
            "one length. Align them first."
        )
    try:
        raw = [s.upper().replace("U", "T").encode("ascii") for s in sequences]
    except UnicodeEncodeError as error:
        raise UsageError(
            "sequences: found a character outside ASCII. Expected A, C, G, T, gaps and codes of unclear "
            "bases. Correct the sequence."
        ) from error
    sites = np.stack([np.frombuffer(r, dtype=np.uint8) for r in raw])
    clear = np.isin(sites, _BASES).all(axis=0)
    kept = sites[:, clear]
    differences = np.zeros((len(sequences), len(sequences)))
    for base in _BASES:
        has = (kept == base).astype(np.float64)
        differences -= has @ has.T
    differences += kept.shape[1]
    return differences, int(kept.shape[1])
